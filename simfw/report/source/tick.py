"""The tick of the target: how coarse time may be, and what that costs in exactness.

A tick is at most a twentieth of the shortest time in which a contact is judged, since an edge may
come anywhere inside a tick. Times that hardware or a short wait keeps (the settling of a receiver,
a burst of carrier) may be rounded further: they take at least one tick here, all of one look
together a quarter more than written at most, since that is time awake. What is left of the period
that holds them is cut to fit, so that the period itself stays as written.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from simfw.behaviour.region import System

__all__ = ["Length", "Tick", "choose_tick", "lengths_of", "pick_tick",
           "rounded"]  # fmt: skip

COARSEST_NS = 10_000_000
SHARE = 20  # of the shortest time in which a contact is judged
TOLERANCE = 0.005  # how far a time may move when it is rounded to whole ticks
LONGER = 0.25  # how far the times of one look that hardware keeps may move together
HALF = {16: 2**15 - 1, 32: 2**31 - 1}  # half the range of a counter that wraps, by its bits
JUDGING = ("debounce", "debounce_release", "sample_every")
BY_HARDWARE = ("settle", "burst")


@dataclass(frozen=True, slots=True)
class Length:
    """A time of `ns` nanoseconds. `short`: kept by hardware, at least one tick. `parts`: it is what
    these short times leave of a period.
    """

    ns: int
    short: bool = False
    parts: tuple[int, ...] = ()

    @property
    def whole_ns(self) -> int:
        """The time that is rounded: itself, or the whole period that it is the rest of."""
        return self.ns + sum(self.parts)

    def ticks(self, tick_ns: int) -> int:
        """How many ticks it lasts."""
        least = 1 if self.short and self.ns else 0
        taken = sum(Length(part, short=True).ticks(tick_ns) for part in self.parts)
        return max(least, (self.whole_ns + tick_ns // 2) // tick_ns) - taken

    def fits(self, tick_ns: int) -> bool:
        """Whether so coarse a tick will do."""
        if self.ticks(tick_ns) < 1 or self.moved(tick_ns) > TOLERANCE:
            return False
        taken = sum(Length(part, short=True).ticks(tick_ns) for part in self.parts)
        return abs(taken * tick_ns - sum(self.parts)) <= LONGER * sum(self.parts)

    def moved(self, tick_ns: int) -> float:
        """By what share rounding moves the time that counts; 0 for one kept by hardware."""
        if self.short or not self.ns:
            return 0.0
        whole = self.whole_ns
        return abs((whole + tick_ns // 2) // tick_ns * tick_ns - whole) / whole

    def text(self, rounded: str, at_least_one: str) -> str:
        """The number of ticks as C, by the names of two macros."""
        if self.short and self.ns:
            return f"{at_least_one}({self.ns})"
        taken = "".join(f" - {at_least_one}({part})" for part in self.parts if part)
        return f"{rounded}({self.whole_ns}){taken}"


@dataclass(frozen=True, slots=True)
class Tick:
    """A tick of `ns` nanoseconds, counted in `bits` bits, and `worst`, the largest share by which
    rounding moves a time that counts.
    """

    ns: int
    worst: float
    bits: int

    @property
    def sentence(self) -> str:
        """How exact this tick is, in words."""
        if self.worst == 0:
            return "every time is a whole number of ticks."
        return f"a time is off by {self.worst * 100:.2g} % at most."


def lengths_of(system: System) -> dict[str, Length]:
    """The time of each timed row, by its key."""
    found: dict[str, Length] = {}
    short: dict[str, dict[str, int]] = {}
    timed = [
        (row, row.after_ns)
        for region in system.every
        for row in region.rows
        if row.after_ns is not None
    ]
    for row, after_ns in timed:
        sensor, what = _kind(row.key)
        if what in BY_HARDWARE:
            short.setdefault(sensor, {})[what] = after_ns
    for row, after_ns in timed:
        sensor, what = _kind(row.key)
        if what in BY_HARDWARE:
            found[row.key] = Length(after_ns, short=True)
        elif what == "every" and after_ns:
            found[row.key] = Length(after_ns, parts=tuple(short.get(sensor, {}).values()))
        else:
            found[row.key] = Length(after_ns)
    return found


def _kind(key: str) -> tuple[str, str]:
    """What a stock row belongs to, and which of its times it was built from."""
    if key.startswith("behaviour."):
        return "", ""
    stem, _, what = key.partition("#")[0].rpartition(".")
    return stem, what


def choose_tick(system: System) -> Tick:
    """The tick for `system` (see `pick_tick`)."""
    lengths = lengths_of(system)
    judged = [length.ns for key, length in lengths.items() if _kind(key)[1] in JUDGING]
    shortest = min((ns for ns in judged if ns), default=SHARE * COARSEST_NS)
    return pick_tick(lengths.values(), max(1, shortest // SHARE))


def pick_tick(lengths: Iterable[Length], most_ns: int = COARSEST_NS) -> Tick:
    """The coarsest tick of 10, 5, 2, 1 ms and so on down to 1 ns that is no longer than `most_ns`
    and keeps every time that counts within 0.5 %, none at 0 ticks.

    The counter must hold twice the longest time; where not all can be had, the finest tick whose
    32-bit counter does is taken. A counter of 16 bits is taken where it is enough.
    """
    used = {length for length in lengths if length.ns}
    longest = max((length.ns for length in used), default=1)
    ticks = [digit * 10**power for power in range(7, -1, -1) for digit in (5, 2, 1)]
    fitting = [
        ns for ns in ticks if ns <= min(most_ns, COARSEST_NS) and longest // ns < HALF[32]
    ] or [max(1, -(-longest // HALF[32]))]
    for ns in fitting:
        if all(one.fits(ns) for one in used):
            break
    worst = max((one.moved(ns) for one in used), default=0.0)
    most = max((one.ticks(ns) for one in used), default=1)
    return Tick(ns, worst, 16 if most <= HALF[16] else 32)


def rounded(system: System, tick_ns: int) -> Mapping[str, int]:
    """How long (ns) each timed row, by its key, lasts in whole ticks of `tick_ns`."""
    return {key: one.ticks(tick_ns) * tick_ns for key, one in lengths_of(system).items()}
