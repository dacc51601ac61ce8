"""From habits to stimuli: what one user does in one stretch of days, drawn with explicit seeds.

Each (user, stretch, habit) has a generator of its own, so that what one user does hangs neither on
the others nor on how the work is shared out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from simfw.behaviour.region import Levels
from simfw.life import registers as k
from simfw.life.layout import Layout
from simfw.stimuli.pattern import (
    DAY_NS,
    SIGMAS,
    YEAR_DAYS,
    Count,
    Draw,
    Habit,
    HabitStep,
    Pattern,
    days_of,
)
from simfw.stimuli.scenario import bounce_of

__all__ = ["POOL", "STRETCH_DAYS", "Drawer", "Drawn", "warmths"]

Ints = NDArray[np.int64]
Reals = NDArray[np.float64]

STRETCH_DAYS = 56  # whole weeks; stimuli are drawn and simulated a stretch at a time
POOL = 32  # occasions drawn ahead for a habit that a condition starts
TWELFTH_DAYS = YEAR_DAYS / 12

_STRENGTH, _HABIT, _HOLIDAY, _POOL = range(4)


def warmths(pattern: Pattern) -> tuple[list[float], list[int]]:
    """The temperatures that occur (degC), and which of them each twelfth of the year has."""
    season = pattern.season
    if season is None or not _minds_warmth(pattern):
        return [25.0], [0] * 12
    values = []
    for n in range(12):
        middle = (n + 0.5) * TWELFTH_DAYS
        angle = 2.0 * math.pi * (middle - season.coldest_day) / YEAR_DAYS
        values.append(round(season.mean_c - season.swing_c * math.cos(angle), 1))
    found = sorted(set(values))
    return found, [found.index(value) for value in values]


def _minds_warmth(pattern: Pattern) -> bool:
    """Whether temperature changes anything about the gadget."""
    gadget = pattern.gadget
    if gadget is None:
        return False
    charger = gadget.charger
    follows = any(measure.source is not None for measure in gadget.measures.values())
    return follows or bool(gadget.cell.resistance_at_temperature) or (
        charger is not None and (charger.windows is not None or charger.heat is not None)
    )


@dataclass(slots=True)
class Drawn:
    """Stimuli, not yet in order; `occasion` numbers the occasions of gated habits, else -1."""

    time: Ints
    kind: Ints
    target: Ints
    value: Reals
    occasion: Ints
    habit_of_occasion: list[int]


def _sample(draw: Draw, rng: np.random.Generator, count: int) -> Reals:
    if draw.fixed:
        return np.full(count, draw.low)
    uniform = rng.random(count)
    if draw.mean is None:
        return draw.low + (draw.high - draw.low) * uniform
    tail = float(ndtr(-SIGMAS))
    return np.asarray(draw.mean + draw.sigma * ndtri(tail + (1.0 - 2.0 * tail) * uniform))


def _counts(times: Count, strength: float, rng: np.random.Generator, size: int) -> Ints:
    """How often it happens in each of `size` days or weeks."""
    if times.mean is not None:
        return np.asarray(rng.poisson(times.mean * strength, size), dtype=np.int64)
    if times.low == times.high:
        drawn: Ints = np.full(size, times.low, dtype=np.int64)
    else:
        drawn = rng.integers(times.low, times.high, size=size, endpoint=True)
    if strength == 1.0:
        return drawn
    # The part of a time that is left over happens with its own chance.
    return np.asarray(np.floor(drawn * strength + rng.random(size)), dtype=np.int64)


class Drawer:
    """Draws what one user does."""

    def __init__(
        self,
        pattern: Pattern,
        seed: int,
        user: int,
        layout: Layout,
        levels: Sequence[Levels],
    ) -> None:
        """`levels` are those of the measures of this user's gadget."""
        self.pattern = pattern
        self._seed = seed
        self._user = user
        self._buttons = {name: n for n, name in enumerate(layout.buttons)}
        self._sensors = {name: n for n, name in enumerate(layout.sensors)}
        self._measures = dict(zip(layout.measures, zip(levels, layout.code_start, strict=False),
                                  strict=True))
        self._warmths_c = layout.warmths_c
        rng = self._rng(_STRENGTH)
        common = float(_sample(pattern.strength, rng, 1)[0])
        self.strengths = [
            common if habit.strength is None else float(_sample(habit.strength, rng, 1)[0])
            for habit in pattern.habits
        ]
        self._holidays: dict[int, list[tuple[int, int]]] = {}
        self._twelfths = warmths(pattern)[1]

    def _rng(self, *key: int) -> np.random.Generator:
        source = np.random.SeedSequence(entropy=self._seed, spawn_key=(self._user, *key))
        return np.random.Generator(np.random.PCG64(source))

    def strength(self) -> float:
        """How much this user does, against the pattern as written (mean over the habits)."""
        return float(np.mean(self.strengths)) if self.strengths else 1.0

    # -- holidays and seasons --------------------------------------------------------------------

    def away(self, first_day: int, days: int) -> list[tuple[int, int]]:
        """The holidays that touch a stretch: (from, to) in ns."""
        year = int((self.pattern.begins_day + first_day) / YEAR_DAYS)
        last = int((self.pattern.begins_day + first_day + days) / YEAR_DAYS)
        # One that may begin after New Year is of the year before, and may last longer still.
        spans = [span for y in range(max(-1, year - 2), last + 1) for span in self._year(y)]
        begin, end = first_day * DAY_NS, (first_day + days) * DAY_NS
        return sorted((start, stop) for start, stop in spans if start < end and stop > begin)

    def _year(self, year: int) -> list[tuple[int, int]]:
        if year not in self._holidays:
            found = []
            for n, holiday in enumerate(self.pattern.holidays):
                rng = self._rng(_HOLIDAY, n, year + 1)
                for _ in range(int(_counts(holiday.times, 1.0, rng, 1)[0])):
                    first = holiday.first_day + rng.random() * (
                        holiday.last_day - holiday.first_day
                    )
                    start = math.floor(year * YEAR_DAYS + first - self.pattern.begins_day)
                    lasts = float(_sample(holiday.lasts_days, rng, 1)[0])
                    found.append((start * DAY_NS, round((start + lasts) * DAY_NS)))
            self._holidays[year] = found
        return self._holidays[year]

    def warmth_changes(self, first_day: int, days: int) -> list[tuple[int, int]]:
        """When the temperature changes within a stretch: (time in ns, its number)."""
        if len(set(self._twelfths)) == 1:
            return []
        changes = []
        for day in range(first_day, first_day + days):
            now = self._twelfth(day)
            if day == 0 or now != self._twelfth(day - 1):
                changes.append((day * DAY_NS, self._twelfths[now]))
        return changes

    def _twelfth(self, day: int) -> int:
        return int(((self.pattern.begins_day + day) % YEAR_DAYS) / TWELFTH_DAYS) % 12

    # -- stimuli ---------------------------------------------------------------------------------

    def stretch(self, number: int) -> Drawn:
        """Everything that begins in stretch `number`, except what a condition starts."""
        first_day = number * STRETCH_DAYS
        away = self.away(first_day, STRETCH_DAYS)
        parts: list[tuple[Ints, Ints, Ints, Reals, Ints]] = []
        habits: list[int] = []
        for n, habit in enumerate(self.pattern.habits):
            if habit.each is None:
                continue
            rng = self._rng(_HABIT, n, number)
            starts = self._starts(habit, n, first_day, rng)
            for start, stop in away:
                starts = starts[(starts < start) | (starts >= stop)]
            occasions = np.full(len(starts), -1, dtype=np.int64)
            if habit.when is not None:
                occasions = np.arange(len(habits), len(habits) + len(starts), dtype=np.int64)
                habits += [n] * len(starts)
            for times, kind, target, value in self._steps(habit.steps, starts, rng):
                parts.append((times, np.full(len(times), kind, dtype=np.int64),
                              np.full(len(times), target, dtype=np.int64), value, occasions))
        for when, which in self.warmth_changes(first_day, STRETCH_DAYS):
            parts.append((np.array([when]), np.array([k.TEMPERATURE]), np.array([0]),
                          np.array([float(which)]), np.array([-1])))
        for when, warmth_c in self._warm_measures(first_day):
            for _, (levels, start) in self._measures.items():
                if levels.source is not None:
                    parts.append((np.array([when]), np.array([k.MEASURE]), np.array([0]),
                                  np.array([float(start + levels.code(warmth_c))]),
                                  np.array([-1])))
        empty = np.zeros(0, dtype=np.int64)
        parts.append((empty, empty, empty, np.zeros(0), empty))
        columns = [np.concatenate(column) for column in zip(*parts, strict=True)]
        times, kinds, targets, values, occasion = columns
        return Drawn(times, kinds, targets, values, occasion, habits)

    def _warm_measures(self, first_day: int) -> list[tuple[int, float]]:
        """When what measures the temperature sees another one: (time in ns, degC)."""
        found = [(when, self._warmths_c[which])
                 for when, which in self.warmth_changes(first_day, STRETCH_DAYS)]
        if first_day == 0 and not found:
            found = [(0, self._warmths_c[0])]
        return found

    def _starts(
        self, habit: Habit, number: int, first_day: int, rng: np.random.Generator
    ) -> Ints:
        """When the occasions of a habit begin (ns), in a stretch."""
        strength = self.strengths[number]
        if habit.each == "week":
            counts = _counts(habit.times, strength, rng, STRETCH_DAYS // 7)
            weeks = np.repeat(np.arange(len(counts)), counts)
            days = 7 * weeks + rng.integers(0, 7, size=len(weeks))
        else:
            wanted = days_of(habit.each or "day")
            those = np.array([d for d in range(STRETCH_DAYS) if (first_day + d) % 7 in wanted])
            days = np.repeat(those, _counts(habit.times, strength, rng, len(those)))
        at = np.rint(_sample(habit.at_ns, rng, len(days))).astype(np.int64)
        return (first_day + days.astype(np.int64)) * DAY_NS + at

    def _steps(
        self, steps: Sequence[HabitStep], starts: Ints, rng: np.random.Generator
    ) -> list[tuple[Ints, int, int, Reals]]:
        """The input changes of some occasions: (times, kind, target, values), one per occasion."""
        count = len(starts)
        now = starts.copy()
        found: list[tuple[Ints, int, int, Reals]] = []
        for step in steps:
            if step.kind == "wait":
                now = now + np.rint(_sample(step.wait_ns, rng, count)).astype(np.int64)
                continue
            if step.kind == "measure":
                levels, start = self._measures[step.target]
                codes = [float(start + levels.code(value))
                         for value in _sample(step.value, rng, count).tolist()]
                found.append((now, k.MEASURE, 0, np.array(codes)))
                continue
            if step.kind == "toggle":
                toggle = self._buttons[step.target]
                found.append((now, k.CONTACT, toggle, np.full(count, float(step.present))))
                continue
            if step.kind == "usb":
                found.append((now, k.PLUG, 0, np.full(count, float(step.present))))
                continue
            ends = now + np.rint(_sample(step.for_ns, rng, count)).astype(np.int64)
            if step.kind == "wave":
                sensor = self._sensors[step.target]
                found.append((now, k.HAND, sensor, _sample(step.distance_m, rng, count)))
                found.append((ends, k.HAND, sensor, np.full(count, -1.0)))
                continue
            button = self._buttons[step.target]
            for edge, closed in ((now, 1.0), (ends, 0.0)):
                for after_ns, there in bounce_of(step.bounce_ns):
                    value = closed if there else 1.0 - closed
                    found.append((edge + after_ns, k.CONTACT, button, np.full(count, value)))
        return found

    def pool(self, habit: int, number: int) -> list[list[tuple[int, int, int, float]]]:
        """The next `POOL` occasions of a habit that a condition starts; times from its start."""
        rng = self._rng(_POOL, habit, number)
        starts: Ints = np.zeros(POOL, dtype=np.int64)
        steps = self._steps(self.pattern.habits[habit].steps, starts, rng)
        return [
            [(int(times[n]), kind, target, float(values[n]))
             for times, kind, target, values in steps]
            for n in range(POOL)
        ]
