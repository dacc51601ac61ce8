"""Reading a pattern file: all its mistakes together, or a `Pattern` with its gadget."""

from __future__ import annotations

import datetime
import re
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field

from simfw.errors import DescriptionError, Problem, QuantityError, nearest
from simfw.forms import Form, Reads, drawn, either, plain, text
from simfw.gadget.fields import Name
from simfw.gadget.load import GadgetCheck, named_gadget
from simfw.gadget.model import Gadget
from simfw.gadget.part import Part
from simfw.quantity import LENGTH, RATIO, TEMPERATURE, TIME, Dimension, read_number, read_span
from simfw.setting import Settings
from simfw.stimuli.pattern import (
    DAY_NS,
    EACH,
    SIGMAS,
    Count,
    Draw,
    Habit,
    HabitStep,
    Holiday,
    Pattern,
    Season,
    named,
    problems_of,
)
from simfw.stimuli.scenario_file import (
    READING,
    Instant,
    Span,
    in_its_unit,
    kinds_of,
    step_mismatches,
)
from simfw.stimuli.start import StartField, charge_of
from simfw.tomlfile import read_toml, require_kind
from simfw.validation import check_data

__all__ = ["HABIT_STEPS", "PatternFile", "StepLine", "read_pattern"]

_CLOCK = re.compile(r"(\d{1,2}):(\d{2})(?::(\d{2}))?")
_DATE = re.compile(r"(\d{1,2})-(\d{1,2})")
_NORMAL = re.compile(r"normal\s+(?P<mean>.+?)\s*(?:±|\+-|\+/-)\s*(?P<sigma>.+)")
_COUNT = re.compile(r"(\d+)(?:\s*\.\.\s*(\d+))?")
_MONTHS = (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)
_OVER_NEW_YEAR_DAYS = 183  # what is longer is a span with its ends the wrong way round
_MOST = 10_000  # times a day


def _clock(value: object) -> int:
    """A time of day, up to the end of the following day, in nanoseconds."""
    if isinstance(value, datetime.time):
        value = value.isoformat()
    wanted = 'a time of day such as "06:30"; "25:30" is half past one in the following night'
    found = _CLOCK.fullmatch(value.strip()) if isinstance(value, str) else None
    if found is None:
        raise QuantityError(text="this is not a time of day", allowed=wanted)
    hours, minutes, seconds = int(found[1]), int(found[2]), int(found[3] or 0)
    total = hours * 3600 + minutes * 60 + seconds
    if minutes > 59 or seconds > 59 or total > 172_800:
        raise QuantityError(text="there is no such time of day", allowed=wanted)
    return total * 10**9


def _between(value: object) -> Draw:
    if not isinstance(value, list | tuple) or len(value) != 2:
        raise QuantityError(
            text="this is not a span of the day", allowed='between = ["06:30", "08:30"]'
        )
    low, high = (_clock(end) for end in value)
    if high < low:
        raise QuantityError(
            text="the span ends before it begins: a time in the past",
            allowed="the earlier time first; past midnight the hours go on (24:30, 25:00)",
        )
    return Draw(float(low), float(high))


def _at(value: object) -> Draw:
    normal = _NORMAL.fullmatch(value.strip()) if isinstance(value, str) else None
    if normal is None:
        at = float(_clock(value))
        return Draw(at, at)
    return _bell(float(_clock(normal["mean"])), read_number(normal["sigma"], TIME))


def _bell(mean: float, sigma: float) -> Draw:
    return Draw(mean - SIGMAS * sigma, mean + SIGMAS * sigma, mean, sigma)


LONGEST_NS = 31_557_600 * 10**9  # a year, for each of the times that are drawn
LONGEST_WAITS_NS = 100 * LONGEST_NS  # of one habit together; they are added up in 64 bits


def _draw_of(value: object, dimension: Dimension, *, positive: bool) -> Draw:
    normal = _NORMAL.fullmatch(value.strip()) if isinstance(value, str) else None
    if normal is not None:
        draw = _bell(
            read_number(normal["mean"], dimension), read_number(normal["sigma"], dimension)
        )
        if draw.low < float(dimension.lowest) or (positive and draw.low <= 0):
            raise QuantityError(
                text=f"{SIGMAS:g} standard deviations reach down to zero",
                allowed="a smaller deviation; draws are cut off there",
            )
        return draw
    low, high = read_span(value, dimension)
    if positive and low <= 0:
        raise QuantityError(text="zero is not possible here", allowed="more than zero")
    return Draw(low, high)


def _drawn_reading(value: object) -> tuple[Draw, str]:
    """What a measure measures, drawn anew each time, and its unit."""
    return in_its_unit(value, lambda dimension: _draw_of(value, dimension, positive=False))


def _drawn(dimension: Dimension, *, positive: bool = True) -> Reads:
    """A field that is one quantity, a range of it, or `normal MEAN ± SIGMA`; times in ns."""

    def read(value: object) -> Draw:
        draw = _draw_of(value, dimension, positive=positive)
        if dimension is TIME and draw.high > LONGEST_NS:
            raise QuantityError(text="this is longer than a year", allowed="a year at most")
        return draw

    return Reads(read, form=drawn(dimension))


def _times(value: object) -> Count:
    """`3`, "2 .. 4" (a whole number, all alike) or "mean 3" (Poisson)."""
    wanted = '3, "2 .. 4" or "mean 3"'
    if isinstance(value, int) and not isinstance(value, bool):
        value = str(value)
    if not isinstance(value, str):
        raise QuantityError(text="this is not a number of times", allowed=wanted)
    text = value.strip()
    if text.startswith("mean "):
        try:
            mean = float(text.removeprefix("mean "))
        except ValueError:
            raise QuantityError(text="this is not a number of times", allowed=wanted) from None
        if not 0 <= mean <= _MOST:
            raise QuantityError(text="this is not a number of times", allowed=wanted)
        return Count(mean=mean)
    found = _COUNT.fullmatch(text)
    if found is None:
        raise QuantityError(text="this is not a number of times", allowed=wanted)
    low = int(found[1])
    high = int(found[2] or found[1])
    if high < low:
        raise QuantityError(text="the range ends below its start", allowed="the smaller end first")
    if high > _MOST:
        raise QuantityError(text="this is more often than anybody can", allowed=f"up to {_MOST}")
    return Count(low, high)


def _date(value: object) -> int:
    """A day of the year "MM-DD" as a number from 0 (29 February counts as 1 March)."""
    found = _DATE.fullmatch(value.strip()) if isinstance(value, str) else None
    month, day = (int(found[1]), int(found[2])) if found else (0, 0)
    if not (1 <= month <= 12 and 1 <= day <= _MONTHS[month - 1] + (month == 2)):
        raise QuantityError(text="this is not a day of the year",
                            allowed='month and day, such as "03-15"')
    return sum(_MONTHS[: month - 1]) + day - 1


def _dates(value: object) -> tuple[int, int]:
    if not isinstance(value, list | tuple) or len(value) != 2:
        raise QuantityError(text="this is not a span of the year",
                            allowed='between = ["06-15", "08-31"]')
    first, last = (_date(end) for end in value)
    if last < first and sum(_MONTHS) - first + last > _OVER_NEW_YEAR_DAYS:
        raise QuantityError(text="the span ends before it begins: a time in the past",
                            allowed="the earlier day first, or half a year over New Year at most")
    return first, last if last >= first else last + sum(_MONTHS)


def _each(value: object) -> str:
    if value not in EACH:
        raise QuantityError(
            text="unknown name", allowed=", ".join(f'"{name}"' for name in EACH),
            suggestion=nearest(str(value), EACH),
        )
    return str(value)


def _celsius(value: object) -> float:
    return read_number(value, TEMPERATURE)


def _kelvin(value: object) -> float:
    """A difference of temperatures, written in degC."""
    return read_number(value, TEMPERATURE)


_Read = Callable[[object], Any]


def _by(read: _Read, form: Form) -> Reads:
    return Reads(read, form=form)


_CLOCK_TIMES = text("clock-time", 'A time of day such as "06:30"; "25:30" is half past one in the '
                    'following night. "normal 07:00 ± 20 min" is drawn each time.')
_DAY = text("day-of-year", 'Month and day, such as "03-15".', r"^\s*\d{1,2}-\d{1,2}\s*$")
_DAYS = Form("days-of-year", {
    "description": 'A span of the year: ["06-15", "08-31"].', "type": "array", "minItems": 2,
    "maxItems": 2, "items": _DAY.schema})  # fmt: skip
_SPAN = Form("span-of-day", {
    "description": 'A span of the day: ["06:30", "08:30"].', "type": "array", "minItems": 2,
    "maxItems": 2})  # fmt: skip
_COUNTED = either("times", '3, "2 .. 4" (all alike) or "mean 3" (by chance).',
                  {"type": "integer", "minimum": 0}, {"type": "string"})


class StepLine(Part):
    """One step of a habit, as written: exactly one thing that happens."""

    press: Name | None = None
    wave: Name | None = None
    toggle: Name | None = None
    measure: Name | None = None
    usb: bool | None = None
    wait: Annotated[Draw | None, _drawn(TIME, positive=False)] = None
    for_: Annotated[Draw | None, Field(alias="for"), _drawn(TIME)] = None
    bounce: Instant | None = None
    distance: Annotated[Draw | None, _drawn(LENGTH)] = None
    to: Literal["on", "off"] | None = None
    value: Annotated[tuple[Draw, str] | None, _by(_drawn_reading, READING)] = None


class HabitLine(Part):
    """One of `[[habits]]`, as written."""

    name: Name
    each: Annotated[str | None, _by(_each, text("each", "How often.", enum=list(EACH)))] = None
    between: Annotated[Draw | None, _by(_between, _SPAN)] = None
    at: Annotated[Draw | None, _by(_at, _CLOCK_TIMES)] = None
    times: Annotated[Count | None, _by(_times, _COUNTED)] = None
    when: Name | None = None
    strength: Annotated[Draw | None, _drawn(RATIO, positive=False)] = None
    steps: Annotated[tuple[StepLine, ...], Field(min_length=1)]


class HolidayLine(Part):
    """One of `[[holidays]]`, as written."""

    name: Name
    times: Annotated[Count, _by(_times, _COUNTED)] = Count()
    lasts: Annotated[Draw, _drawn(TIME)]
    between: Annotated[tuple[int, int], _by(_dates, _DAYS)] = (0, 364)


class SeasonPart(Part):
    """`[season]`, as written."""

    mean: Annotated[float, _by(_celsius, plain(TEMPERATURE))]
    swing: Annotated[float, _by(_kelvin, plain(TEMPERATURE))]
    coldest: Annotated[int, _by(_date, _DAY)] = 14


class PatternFile(Part):
    """A pattern file, as written."""

    title: str = ""
    gadget: Name
    charge: StartField
    horizon: Span
    begins: Annotated[int, _by(_date, _DAY)] = 0
    strength: Annotated[Draw, _drawn(RATIO, positive=False)] = Draw(1.0, 1.0)
    habits: tuple[HabitLine, ...] = ()
    holidays: tuple[HolidayLine, ...] = ()
    season: SeasonPart | None = None


_SAMPLES: dict[str, Any] = {
    "gadget": "gadget.toml",
    "charge": "100 %",
    "horizon": "1 year",
    "name": "evening",
    "steps": [{"wait": "1 min"}],
    "lasts": "10 days .. 14 days",
    "mean": "15 degC",
    "swing": "8 degC",
}

HABIT_STEPS = kinds_of(StepLine, "wait")
_EXAMPLES = {"for": "150 ms .. 300 ms", "distance": "8 cm .. 15 cm", "to": "on",
             "value": "5 lx .. 20 lx"}


def read_pattern(
    path: str | Path, check: GadgetCheck | None = None, settings: Settings | None = None
) -> Pattern:
    """Read and check a pattern file and the gadget file it names.

    The gadget's path counts from the pattern's folder. `check` and `settings` are handed to
    `read_gadget`. Raises `DescriptionError` with the problems of both files.
    """
    file = read_toml(path)
    require_kind(file, "pattern")
    checked = check_data(PatternFile, file.data, _SAMPLES)
    names = _habit_names(file.data)
    problems = [_with_name(problem, names) for problem in checked.problems]
    gadget: Gadget | None = None
    gadget_problems: list[Problem] = []
    written = checked.value
    if written is not None:
        gadget_path, gadget, gadget_problems = named_gadget(
            file.path.parent, written.gadget, check, read="gadget" not in checked.tainted,
            settings=settings,
        )
        lines = [
            problem
            for index, habit in enumerate(written.habits)
            for problem in _mismatches(f"habits[{index}]", habit)
        ]
        problems += checked.keep(lines)
        charge, unclear = charge_of(written.charge, gadget)
        problems += checked.keep(unclear)
        pattern = _pattern(written, charge, gadget_path, gadget, str(path))
        problems += checked.keep(problems_of(pattern))
    if problems or gadget_problems or written is None:
        raise DescriptionError(file.locate([*gadget_problems, *problems]))
    return pattern


def _habit_names(data: dict[str, Any]) -> list[str]:
    habits = data.get("habits")
    if not isinstance(habits, list):
        return []
    return [str(h.get("name", "")) if isinstance(h, dict) else "" for h in habits]


def _with_name(problem: Problem, names: Sequence[str]) -> Problem:
    found = re.match(r"habits\[(\d+)\]", problem.key)
    if found is None or int(found[1]) >= len(names) or not names[int(found[1])]:
        return problem
    return named(problem, names[int(found[1])])


def _mismatches(key: str, habit: HabitLine) -> list[Problem]:
    """What is missing from a habit or its steps, or does not belong there."""
    found: list[Problem] = []
    timed = [name for name in ("between", "at", "times") if getattr(habit, name) is not None]
    if habit.each is None and habit.when is None and not timed:
        found.append(Problem(key=key, text="nothing says when it begins",
                             allowed="each, between, at or when"))
    if habit.between is not None and habit.at is not None:
        found.append(Problem(key=f"{key}.at", text="at and between in one habit",
                             allowed="one of the two"))
    for index, step in enumerate(habit.steps):
        found += step_mismatches(f"{key}.steps[{index}]", step, HABIT_STEPS, _EXAMPLES)
    if sum(step.wait.high for step in habit.steps if step.wait is not None) > LONGEST_WAITS_NS:
        found.append(Problem(key=f"{key}.steps", text="the waits are longer than a hundred years",
                             allowed="a hundred years at most"))
    if all(step.wait is not None for step in habit.steps):
        found.append(Problem(key=f"{key}.steps", text="nothing but waiting",
                             allowed="at least one press, wave, toggle, measure or usb"))
    return [named(problem, habit.name) for problem in found]


def _pattern(
    written: PatternFile, charge: float, gadget_path: Path, gadget: Gadget | None, file: str
) -> Pattern:
    season = written.season
    return Pattern(
        title=written.title,
        gadget_path=gadget_path,
        charge=charge,
        horizon_ns=written.horizon,
        habits=tuple(_habit(f"habits[{k}]", line) for k, line in enumerate(written.habits)),
        holidays=tuple(
            Holiday(
                name=line.name,
                times=line.times,
                lasts_days=Draw(line.lasts.low / DAY_NS, line.lasts.high / DAY_NS,
                                None if line.lasts.mean is None else line.lasts.mean / DAY_NS,
                                line.lasts.sigma / DAY_NS),
                first_day=line.between[0],
                last_day=line.between[1],
                key=f"holidays[{k}]",
            )
            for k, line in enumerate(written.holidays)
        ),
        season=None if season is None else Season(
            mean_c=season.mean, swing_c=season.swing, coldest_day=season.coldest
        ),
        strength=written.strength,
        begins_day=written.begins,
        gadget=gadget,
        file=file,
    )


def _habit(key: str, line: HabitLine) -> Habit:
    timed = line.each or line.between or line.at or line.times
    return Habit(
        name=line.name,
        each=(line.each or "day") if timed else None,
        at_ns=line.at or line.between or Draw(0.0, float(DAY_NS)),
        times=line.times or Count(),
        steps=tuple(
            step for k, part in enumerate(line.steps) if (step := _step(f"{key}.steps[{k}]", part))
        ),
        when=line.when,
        strength=line.strength,
        key=key,
    )


def _step(key: str, line: StepLine) -> HabitStep | None:
    for_ns = line.for_ or Draw(1.0, 1.0)
    if line.press is not None:
        return HabitStep(kind="press", target=line.press, for_ns=for_ns,
                         bounce_ns=line.bounce or 0, key=key)
    if line.wave is not None:
        return HabitStep(kind="wave", target=line.wave, for_ns=for_ns,
                         distance_m=line.distance or Draw(1.0, 1.0), key=key)
    if line.toggle is not None:
        return HabitStep(kind="toggle", target=line.toggle, present=line.to == "on", key=key)
    if line.measure is not None:
        value, unit = line.value or (Draw(0.0, 0.0), "")
        return HabitStep(kind="measure", target=line.measure, value=value, unit=unit, key=key)
    if line.usb is not None:
        return HabitStep(kind="usb", present=line.usb, key=key)
    return HabitStep(kind="wait", wait_ns=line.wait, key=key) if line.wait is not None else None

