"""A pattern: the habits of the people who use a gadget, from which stimuli are drawn day by day.

Patterns are plain frozen values, read from a file by `pattern_file`. Day 0 is a Monday; the date of
day 0 is `begins_day` (days after 1 January, for seasons and holidays). A day begins at 00:00, and a
habit may reach past midnight ("25:30" is half past one in the following night).

Only a `wait` lets time pass between steps: it counts from the start of the step before it, so that
steps without a wait between them begin together.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import combinations
from pathlib import Path
from typing import Literal

from simfw.behaviour.build import names_of
from simfw.behaviour.parsing import parse_expression
from simfw.errors import DescriptionError, Problem
from simfw.gadget.model import Gadget
from simfw.quantity import format_duration
from simfw.stimuli.inputs import OF_KEY

__all__ = [
    "DAY_NS",
    "EACH",
    "YEAR_DAYS",
    "Count",
    "Draw",
    "Habit",
    "HabitStep",
    "Holiday",
    "Pattern",
    "Season",
    "days_of",
    "problems_of",
]

DAY_NS = 86_400 * 10**9
YEAR_DAYS = 365.25
SIGMAS = 3.0  # a normal draw is cut off this many standard deviations from its mean

WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
EACH = ("day", "weekday", "weekend", *WEEKDAYS, "week")


@dataclass(frozen=True, slots=True)
class Draw:
    """A number that is drawn anew each time: uniform over low..high, or normal.

    SI units, nanoseconds for times. For a normal draw `low` and `high` are where it is cut off,
    `mean` and `sigma` its mean and standard deviation.
    """

    low: float
    high: float
    mean: float | None = None
    sigma: float = 0.0

    @property
    def fixed(self) -> bool:
        """Whether it always gives the same number."""
        return self.low == self.high


@dataclass(frozen=True, slots=True)
class Count:
    """How often something happens in its day or week: a whole number low..high, or Poisson."""

    low: int = 1
    high: int = 1
    mean: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class HabitStep:
    """One step of a habit: `kind` says what happens, `wait` that nothing does for a while.

    `target` is the button, sensor, toggle or measure. `for_ns`, `distance_m`, `value` (in `unit`)
    and `wait_ns` are draws, `bounce_ns` is fixed, `present` is what `usb` or the contact of the
    toggle becomes.
    """

    kind: Literal["press", "wave", "toggle", "measure", "usb", "wait"]
    target: str = ""
    for_ns: Draw = Draw(0.0, 0.0)
    distance_m: Draw = Draw(1.0, 1.0)
    value: Draw = Draw(0.0, 0.0)
    unit: str = ""
    wait_ns: Draw = Draw(0.0, 0.0)
    bounce_ns: int = 0
    present: bool = False
    key: str = field(default="", compare=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Habit:
    """Something people do again and again.

    `each` names the days, None for a habit that only `when` starts. It begins `times` times in a
    day (a week for "week"), each at a time of day drawn from `at_ns`. With `each`, `when` must hold
    at that moment or nothing happens; without, the habit begins as soon as `when` comes true.
    `strength` scales `times` for one user, drawn once per user; None takes that of the pattern.
    """

    name: str
    each: str | None
    at_ns: Draw
    times: Count
    steps: tuple[HabitStep, ...]
    when: str | None = None
    strength: Draw | None = None
    key: str = field(default="", compare=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Holiday:
    """`times` a year nobody is at home for `lasts_days`; it begins on a day of `first..last`.

    `first_day` and `last_day` are days of the year from 0; from 365 on, of the year after it.
    """

    name: str
    times: Count
    lasts_days: Draw
    first_day: int
    last_day: int
    key: str = field(default="", compare=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Season:
    """The temperature over the year: a cosine of `swing_c` about `mean_c`, lowest on `coldest_day`.

    It is held for twelfths of a year, at the cosine's value in the middle of each.
    """

    mean_c: float
    swing_c: float
    coldest_day: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Pattern:
    """The habits around one gadget. `charge` is the cell's charge (0..1) at the start."""

    title: str = ""
    gadget_path: Path = Path()
    charge: float = 1.0
    horizon_ns: int
    habits: tuple[Habit, ...] = ()
    holidays: tuple[Holiday, ...] = ()
    season: Season | None = None
    strength: Draw = Draw(1.0, 1.0)
    begins_day: int = 0
    gadget: Gadget | None = field(default=None, compare=False, repr=False)
    file: str = field(default="", compare=False)

    @property
    def plugs(self) -> bool:
        """Whether any habit plugs USB in."""
        return any(step.kind == "usb" and step.present for h in self.habits for step in h.steps)


def days_of(each: str) -> frozenset[int]:
    """The days of the week (0 = Monday) that `each` names; all seven for "day" and "week"."""
    if each == "weekday":
        return frozenset(range(5))
    if each == "weekend":
        return frozenset((5, 6))
    if each in WEEKDAYS:
        return frozenset((WEEKDAYS.index(each),))
    return frozenset(range(7))


def problems_of(pattern: Pattern) -> list[Problem]:
    """Everything that is wrong with a pattern; names are checked where it has its gadget.

    The text of a problem in a habit begins with the habit's name.
    """
    problems: list[Problem] = []
    for index, habit in enumerate(pattern.habits):
        key = habit.key or f"habits[{index}]"
        found = [*_steps(key, habit, pattern.gadget), *_overlaps(key, habit)]
        found += _beginning(key, habit)
        if habit.when is not None and pattern.gadget is not None:
            found += _condition(key, habit.when, pattern.gadget)
        problems += [named(problem, habit.name) for problem in found]
    problems += _between_habits(pattern)
    names = [habit.name for habit in pattern.habits]
    for index, name in enumerate(names):
        if name in names[:index]:
            problems.append(
                Problem(key=f"habits[{index}].name", text=f'a second habit "{name}"',
                        allowed="another name for each habit")
            )
    return problems


def named(problem: Problem, habit: str) -> Problem:
    """The same problem with the habit's name in its text."""
    return Problem(
        key=problem.key, text=f'habit "{habit}": {problem.text}', file=problem.file,
        line=problem.line, found=problem.found, allowed=problem.allowed,
        suggestion=problem.suggestion, quote=problem.quote,
    )


def _beginning(key: str, habit: Habit) -> Iterator[Problem]:
    if habit.each is None:
        return
    if habit.at_ns.low < 0:
        yield Problem(
            key=f"{key}.at", text="this can begin before its day does: a time in the past",
            allowed=f"{SIGMAS:g} standard deviations after 00:00 or later",
        )
    least = habit.times.low if habit.times.mean is None else 0
    if habit.at_ns.fixed and least > 1:
        for step in habit.steps:
            if step.kind in ("press", "wave"):
                yield Problem(
                    key=f"{key}.times",
                    text=f"{least} times at one moment: {step.kind} {step.target} would overlap "
                    "itself",
                    allowed="1, or between = [ ... ] instead of at",
                )
                return


def _condition(key: str, when: str, gadget: Gadget) -> list[Problem]:
    try:
        parse_expression(when, names_of(gadget), events_allowed=True, key=f"{key}.when")
    except DescriptionError as error:
        return list(error.problems)
    return []


def _steps(key: str, habit: Habit, gadget: Gadget | None) -> Iterator[Problem]:
    for index, step in enumerate(habit.steps):
        at = step.key or f"{key}.steps[{index}]"
        if step.kind == "press" and step.bounce_ns > step.for_ns.low:
            yield Problem(
                key=f"{at}.bounce",
                text="the contact could still bounce when the button is let go",
                allowed=f"at most the shortest for ({format_duration(int(step.for_ns.low))})",
            )
        if gadget is not None and step.kind != "wait":
            yield from OF_KEY[step.kind].unknown(at, step, gadget)


def _overlaps(key: str, habit: Habit) -> Iterator[Problem]:
    """Note steps that could begin before an earlier one of the same button or sensor has ended."""
    for index, later in enumerate(habit.steps):
        if later.kind not in ("press", "wave"):
            continue
        waited = 0.0
        for before in range(index - 1, -1, -1):
            earlier = habit.steps[before]
            if earlier.kind == "wait":
                waited += earlier.wait_ns.low
            elif (earlier.kind, earlier.target) == (later.kind, later.target):
                busy = earlier.for_ns.high + earlier.bounce_ns
                if waited < busy:
                    what = "the button is still held" if later.kind == "press" else (
                        "a hand is still before the sensor")
                    yield Problem(
                        key=f"{key}.steps[{index}]",
                        text=f"{later.kind} {later.target} could begin while {what} from "
                        f"steps[{before}]: a wait counts from the start of the step before it",
                        allowed=f"waits of at least {format_duration(int(busy))} between the two",
                    )
                break


def _between_habits(pattern: Pattern) -> Iterator[Problem]:
    """Note presses and waves that always fall on each other, of two habits or of two days."""
    week: dict[tuple[str, str], list[tuple[float, float, int, int]]] = {}
    for index, habit in enumerate(pattern.habits):
        for what, begin, end in _certain(habit):
            for day in days_of(habit.each or "day"):
                # Twice, so that the end of the week meets the start of the next one.
                for shift in (day, day + 7):
                    week.setdefault(what, []).append(
                        (begin + shift * DAY_NS, end + shift * DAY_NS, index, shift)
                    )
    told: set[tuple[int, int]] = set()
    for (kind, target), spans in week.items():
        for (_, ends, one, day), (begins, _, other, later) in combinations(sorted(spans), 2):
            pair = (min(one, other), max(one, other))
            if begins >= ends or pair in told or (one, day) == (other, later):
                continue
            told.add(pair)
            habit = pattern.habits[pair[1]]
            if one == other:
                yield Problem(
                    key=f"habits[{one}]",
                    text=f'habit "{habit.name}": {kind} {target} has not ended when it begins on '
                    "its next day",
                    allowed="a shorter for",
                )
            else:
                yield Problem(
                    key=f"habits[{pair[1]}]",
                    text=f'habit "{habit.name}": {kind} {target} falls on that of habit '
                    f'"{pattern.habits[pair[0]].name}"',
                    allowed="another time of day",
                )


def _certain(habit: Habit) -> Iterator[tuple[tuple[str, str], float, float]]:
    """Start and end, in the day, of the presses and waves whose time is certain."""
    if habit.each in (None, "week") or not habit.at_ns.fixed or habit.when is not None:
        return
    if habit.times.mean is not None or habit.times.low < 1:
        return
    at = habit.at_ns.low
    for step in habit.steps:
        if step.kind == "wait":
            if not step.wait_ns.fixed:
                return
            at += step.wait_ns.low
        elif step.kind in ("press", "wave"):
            yield (step.kind, step.target), at, at + step.for_ns.low + step.bounce_ns
