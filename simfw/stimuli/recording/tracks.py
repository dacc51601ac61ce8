"""From the changes of one wire to what the wire means: levels, duty, bursts.

Each class here takes the changes of one wire block by block (`feed`) and is closed once (`finish`).
What remains is a `Track`, the level as a step function of time in whole nanoseconds, so memory is
bounded by what the gadget did and not by how fast its wires toggled.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

__all__ = ["Burst", "Bursts", "Cleaner", "Clock", "Duty", "Levels", "Track"]

STRETCH = 1.3

Ticks = NDArray[np.int64]
Values = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Clock:
    """Turns ticks of a file into nanoseconds since `first`, rounded to the nearest."""

    tick_s: Fraction
    first: int = 0

    def ns(self, tick: int) -> int:
        """The time of `tick` in ns."""
        return round((tick - self.first) * self.tick_s * 10**9)

    def ticks(self, ns: int) -> int:
        """How many whole ticks lie in `ns` (at least 1)."""
        return max(1, int(Fraction(ns, 10**9) / self.tick_s))


@dataclass(slots=True)
class Track:
    """A level against time: `levels[k]` from `times_ns[k]` on. `start` is the level before."""

    start: float | None = None
    times_ns: list[int] = field(default_factory=list)
    levels: list[float] = field(default_factory=list)

    def put(self, time_ns: int, level: float) -> None:
        """Add a step; equal levels add nothing."""
        if level != (self.levels[-1] if self.levels else self.start):
            self.times_ns.append(time_ns)
            self.levels.append(level)

    def at(self, time_ns: int) -> float | None:
        """The level at `time_ns`, None where it is not known yet."""
        index = int(np.searchsorted(np.array(self.times_ns, dtype=np.int64), time_ns, "right"))
        return self.start if index == 0 else self.levels[index - 1]


class Cleaner:
    """Drops repeats and pulses shorter than `glitch` ticks; counts what it drops.

    Unknown levels (`x`, `z`, wide vectors) keep the level before.
    """

    def __init__(self, *, glitch: int = 0, inverted: bool = False,
                 threshold: float | None = None) -> None:
        self.glitch, self.inverted, self.threshold = glitch, inverted, threshold
        self.unknown = 0
        self.glitches = 0
        self.level: float | None = None  # of the last edge let through
        self._open: tuple[int, float] | None = None  # the last edge, whose length is not known

    def feed(self, ticks: Ticks, values: Values) -> tuple[Ticks, Values]:
        """Return the edges that are settled by now."""
        known = np.isfinite(values)
        if not known.all():
            self.unknown += int((~known).sum())
            ticks, values = ticks[known], values[known]
        if self.threshold is not None:
            values = (values > self.threshold).astype(np.float64)
        if self.inverted:
            values = 1.0 - values
        if self._open is not None:
            ticks = np.concatenate((np.array([self._open[0]]), ticks))
            values = np.concatenate((np.array([self._open[1]]), values))
        if not len(ticks):
            return ticks, values
        new = np.concatenate((np.ones(1, dtype=bool), values[1:] != values[:-1]))
        ticks, values = ticks[new], values[new]
        self._open = (int(ticks[-1]), float(values[-1]))
        ticks, values, lasts = ticks[:-1], values[:-1], np.diff(ticks)
        if self.glitch:
            long = lasts >= self.glitch
            if self.level is None and len(long):
                long[0] = True  # the first level is where the file begins, not a pulse
            self.glitches += int((~long).sum())
            ticks, values = ticks[long], values[long]
        return self._through(ticks, values)

    def _through(self, ticks: Ticks, values: Values) -> tuple[Ticks, Values]:
        if not len(ticks):
            return ticks, values
        before = np.concatenate((np.array([np.nan if self.level is None else self.level]),
                                 values[:-1]))
        new = values != before
        self.level = float(values[-1])
        return ticks[new], values[new]

    def finish(self) -> tuple[Ticks, Values]:
        """Return the edge whose length the file does not show, if there is one."""
        if self._open is None:
            return np.zeros(0, dtype=np.int64), np.zeros(0)
        tick, value = self._open
        return self._through(np.array([tick], dtype=np.int64), np.array([value]))


class Levels:
    """The level as it stands on the wire."""

    def __init__(self, clock: Clock) -> None:
        self.clock = clock
        self.track = Track()

    def feed(self, ticks: Ticks, values: Values) -> None:
        """Take edges."""
        track = self.track
        for tick, value in zip(ticks.tolist(), values.tolist(), strict=True):
            if tick <= self.clock.first and not track.times_ns:
                track.start = value
            else:
                track.put(self.clock.ns(tick), value)

    def finish(self, end: int) -> None:
        """Nothing is pending in a plain level."""


class Duty:
    """The duty of a wire that is switched quickly (PWM), period by period.

    A wire that stands still for longer than `longest` ticks is steadily on or off, within a train
    also one that is high for longer than `STRETCH` periods. A step smaller
    than `step` (0..1) keeps the level. The level of a period counts from its rising edge; the end
    of the light counts from the falling edge of its last pulse. `periods`, `highs` are what was
    measured (ticks), the latest million of each.
    """

    def __init__(self, clock: Clock, *, longest: int, step: float) -> None:
        self.clock, self.longest, self.step = clock, longest, step
        self.track = Track()
        self.periods: deque[int] = deque(maxlen=1 << 20)
        self.highs: deque[int] = deque(maxlen=1 << 20)
        self.cut = 0
        self._first: float | None = None
        self._rise: int | None = None
        self._fall: int | None = None
        self._running = False  # whether the pulse before belonged to a train

    def feed(self, ticks: Ticks, values: Values) -> None:
        """Take edges (0 and 1)."""
        for tick, value in zip(ticks.tolist(), values.tolist(), strict=True):
            if tick <= self.clock.first:
                self._first = value  # where the file begins is no edge
            elif value > 0:
                self._rises(tick)
            else:
                self._falls(tick)

    def _put(self, tick: int, level: float) -> None:
        track = self.track
        now = track.levels[-1] if track.levels else track.start
        if now is not None and 0 < level < 1 and 0 < now < 1 and abs(level - now) < self.step:
            return
        if track.start is None and tick - self.clock.first <= self.longest:
            track.start = level  # a train that runs at the beginning ran before it
        else:
            track.put(self.clock.ns(tick), level)

    def _rises(self, tick: int) -> None:
        rise, fall = self._rise, self._fall
        if rise is not None and fall is not None:
            period, high = tick - rise, fall - rise
            if period <= self.longest and not self._is_steady(high):
                self.periods.append(period)
                self.highs.append(high)
                self._put(rise, high / period)
                self._running = True
            else:
                self._ended(rise, fall, tick)
        elif fall is None:
            if tick - self.clock.first > self.longest:
                self._put(self.clock.first, 0.0)
        elif tick - fall > self.longest:
            self._put(fall, 0.0)
        self._rise, self._fall = tick, None

    def _is_steady(self, high: int) -> bool:
        """Whether a pulse of a train is too long for one."""
        return self._running and high > STRETCH * self.periods[-1]

    def _ended(self, rise: int, fall: int, now: int) -> None:
        """The pulse from `rise` to `fall` was the last of its train, or stood alone."""
        if fall - rise > self.longest or not self._running or self._is_steady(fall - rise):
            self._put(rise, 1.0)
        else:
            self.cut += 1  # switched off within the pulse, whose length then says nothing
        if now - fall > self.longest:
            self._put(fall, 0.0)
            self._running = False

    def _falls(self, tick: int) -> None:
        since = self.clock.first if self._rise is None else self._rise
        if tick - since > self.longest:
            self._put(since, 1.0)
        self._fall = tick

    def finish(self, end: int) -> None:
        """The file ends at tick `end`."""
        if self._fall is not None:
            if end - self._fall > self.longest:
                if self._rise is None:
                    self._put(self._fall, 0.0)
                else:
                    self._ended(self._rise, self._fall, end)
        elif self._rise is not None:
            if end - self._rise > self.longest:
                self._put(self._rise, 1.0)
        elif self._first is not None:
            self._put(self.clock.first, self._first)


@dataclass(frozen=True, slots=True)
class Burst:
    """One burst: first and last edge (ns), pulses in it, and the share of it that is on."""

    start_ns: int
    end_ns: int
    cycles: int
    duty: float


class Bursts:
    """A wire that carries bursts of a carrier: on from the first pulse to the last.

    Pulses further apart than `gap` ticks belong to two bursts. `bursts` are the latest 100,000.
    """

    def __init__(self, clock: Clock, *, gap: int) -> None:
        self.clock, self.gap = clock, gap
        self.track = Track(start=0.0)
        self.bursts: deque[Burst] = deque(maxlen=100_000)
        self._begin: int | None = None
        self._last = 0  # the last falling edge
        self._up: int | None = None
        self._cycles = 0
        self._on = 0

    def feed(self, ticks: Ticks, values: Values) -> None:
        """Take edges (0 and 1)."""
        for tick, value in zip(ticks.tolist(), values.tolist(), strict=True):
            if value > 0:
                if self._begin is not None and tick - self._last > self.gap:
                    self._close()
                if self._begin is None:
                    self._begin, self._cycles, self._on = tick, 0, 0
                self._up = tick
            elif self._up is not None:
                self._cycles += 1
                self._on += tick - self._up
                self._up, self._last = None, tick

    def _close(self) -> None:
        assert self._begin is not None
        start, end = self.clock.ns(self._begin), self.clock.ns(self._last)
        span = max(1, self._last - self._begin)
        self.bursts.append(Burst(start, end, self._cycles, self._on / span))
        self.track.put(start, 1.0)
        self.track.put(end, 0.0)
        self._begin = None

    def finish(self, end: int) -> None:
        """The file ends at tick `end`."""
        if self._begin is None:
            return
        if self._up is None and end - self._last > self.gap:
            self._close()
        else:  # the burst goes on past the end of the file
            self.track.put(self.clock.ns(self._begin), 1.0)
