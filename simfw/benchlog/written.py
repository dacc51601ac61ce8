"""What may stand in a bench log: its parts as written, and how their texts are read."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Annotated, Any, Literal

from pydantic import Field

from simfw.benchlog.model import Kit, StartCharge
from simfw.errors import QuantityError, nearest
from simfw.forms import Reads, plain, text
from simfw.gadget.fields import Name
from simfw.gadget.part import Part
from simfw.quantity import (
    CURRENT,
    LENGTH,
    RATIO,
    TEMPERATURE,
    VOLTAGE,
    Timing,
    read_figure,
    read_number,
    read_span,
    read_timing,
)
from simfw.stimuli.inputs import INPUTS
from simfw.stimuli.scenario_file import READING, Instant, Kinds, Span, read_reading

__all__ = ["BENCH_STEPS", "SAMPLES", "START_HELP", "BenchLine", "LogFile", "ObservationPart",
           "QuestionPart", "ends_of", "in_days"]  # fmt: skip

_STARTS = ("full", "cut-off", "last bar", "any")
START_HELP = ('"full", "cut-off", "last bar", "any", a share such as "80 %", shares such as '
               '"95 % .. 100 %", or a voltage at rest such as "3.80 V"')
_MONTHS = re.compile(r"(\d+(?:\.\d+)?)\s*months?\b")
_COUNT = re.compile(r"\s*(\d{1,6})\s+of\s+(\d{1,6})\s*")
_MOST_TIMES = 100_000
_BELOW = re.compile(r"\s*below\s+(.*)", re.DOTALL)


def in_days(value: object) -> object:
    """Months in a time become days: a month is a twelfth of a year, 30.4375 days."""
    if not isinstance(value, str):
        return value
    return _MONTHS.sub(lambda found: f"{Decimal(found[1]) * Decimal('30.4375'):f} days", value)


def _timing(value: object) -> Timing:
    return read_timing(in_days(value))


def _start(value: object) -> StartCharge:
    if isinstance(value, StartCharge):
        return value
    if isinstance(value, str) and value.strip() in _STARTS:
        return StartCharge(value.strip())  # type: ignore[arg-type]
    try:
        return _start_share(value)
    except QuantityError as error:
        near = nearest(value, _STARTS) if isinstance(value, str) else None
        raise QuantityError(
            text=error.text, allowed=START_HELP, suggestion=near or error.suggestion
        ) from None


def _start_share(value: object) -> StartCharge:
    if isinstance(value, str) and re.search(r"V\s*($|\.\.|±)", value):
        low, high = ends_of(value, VOLTAGE)
        return StartCharge("volts", low, high)
    low, high = ends_of(value, RATIO)
    if high > 1:
        raise QuantityError(text="a charge is at most 100 %")
    return StartCharge("share", low, high)


def ends_of(value: object, dimension: Any) -> tuple[float, float]:
    """Both ends of a range, or of a value with a tolerance."""
    if isinstance(value, str) and ".." in value and "(" not in value:
        return read_span(value, dimension)
    figure = read_figure(value, dimension)
    return figure.low, figure.high


def _reading(value: object) -> tuple[float, float]:
    below = _BELOW.fullmatch(value) if isinstance(value, str) else None
    if below is not None:
        return 0.0, read_number(below[1], CURRENT, positive=True)
    try:
        return ends_of(value, CURRENT)
    except QuantityError as error:
        raise QuantityError(
            text=error.text, suggestion=error.suggestion,
            allowed='a current such as "152 mA ± 2 mA", or "below 10 uA"') from None


def _count(value: object) -> tuple[int, int]:
    found = _COUNT.fullmatch(value) if isinstance(value, str) else None
    met, times = (int(found[1]), int(found[2])) if found is not None else (0, 0)
    if not 0 <= met <= times or not 1 <= times <= _MOST_TIMES:
        raise QuantityError(
            text="this does not say how often it was seen",
            allowed=f'"7 of 10": how often, of how many times, at most {_MOST_TIMES}')
    return met, times


Count = Annotated[tuple[int, int], Reads(_count, form=text(
    "counted", 'How often it was seen, such as "7 of 10".', r"^\s*\d+\s+of\s+\d+\s*$"))]
StartText = Annotated[StartCharge, Reads(_start, form=text(
    "start-of-observation", f"The charge then: {START_HELP}."))]
Supply = Annotated[StartCharge, Reads(
    lambda value: StartCharge("volts", *ends_of(value, VOLTAGE)), form=text(
        "supply-voltage", 'A voltage such as "3.90 V ± 10 mV".', r"\d"))]
Reading = Annotated[tuple[float, float], Reads(_reading, form=text(
    "meter-reading", 'A current such as "152 mA ± 2 mA", or "below 10 uA".'))]
Loose = Annotated[Timing, Reads(_timing, form=text(
    "loose-time", 'A time such as "8 months ± 1 week" or "50 min ± 5 min".', r"\d"))]
Degrees = Annotated[float, Reads(
    lambda value: read_number(value, TEMPERATURE), form=plain(TEMPERATURE))]
Metres = Annotated[float, Reads(
    lambda value: read_number(value, LENGTH, positive=True), form=plain(LENGTH))]


class BenchLine(Part):
    """One line of the steps of an observation, as written."""

    wait: Loose | None = None
    until: str | None = None
    see: str | None = None
    press: Name | None = None
    wave: Name | None = None
    toggle: Name | None = None
    measure: Name | None = None
    usb: bool | None = None
    temperature: Degrees | None = None
    fault: bool | None = None
    took: Loose | None = None
    looked: Span | None = None
    for_: Annotated[Span | None, Field(alias="for")] = None
    bounce: Instant | None = None
    distance: Metres | None = None
    to: Literal["on", "off"] | None = None
    value: Annotated[tuple[float, str], Reads(read_reading, form=READING)] | None = None
    at: Annotated[int, Field(exclude=True)] = 0  # of the step of a scenario that it becomes


class ObservationPart(Part):
    """`[[observations]]`, as written."""

    name: Name
    start: StartText | None = None
    steps: tuple[BenchLine, ...] = ()
    mode: Name | None = None
    reading: Reading | None = None
    charge: StartText | None = None
    node: Literal["cell", "usb"] | None = None
    supply: Supply | None = None
    pin: Literal["charger.status"] | None = None
    reads: Literal["low", "high", "floating"] | None = None
    run: Name | None = None
    recording: Name | None = None
    map: Name | None = None
    tolerance: Span | None = None
    count: Count | None = None
    temperature: Degrees | None = None
    by: Literal["hand", "analyser"] = "hand"
    doubt: bool = False


class AnswerPart(Part):
    """`[[questions.answers]]`, as written."""

    name: Name
    file: Name | None = None
    change: Annotated[dict[str, Any], Field(default_factory=dict)]


class QuestionPart(Part):
    """`[[questions]]`, as written."""

    name: Name
    asks: str = ""
    answers: Annotated[tuple[AnswerPart, ...], Field(min_length=1)]


class LogFile(Part):
    """A bench log, as written."""

    title: str = ""
    gadget: Name
    kit: tuple[Kit, ...] = ("eyes",)
    pattern: Name | None = None
    unknown: Annotated[dict[str, Any], Field(default_factory=dict)]
    questions: tuple[QuestionPart, ...] = ()
    observations: tuple[ObservationPart, ...] = ()


_INPUTS = {one.key: one for one in INPUTS.values()}
BENCH_STEPS: Kinds = {
    "wait": ((), ()),
    "until": (("took",), ("looked",)),
    "see": ((), ()),
    **{
        key: (
            tuple(one for one in _INPUTS[key].needs if (key, one) != ("press", "for")),
            (*(("for",) if key == "press" else ()), *_INPUTS[key].may),
        )
        for key in BenchLine.model_fields if key in _INPUTS
    },
}
SAMPLES: dict[str, Any] = {
    "gadget": "gadget.toml",
    "name": "shelf",
    "answers": [],
    "took": "2 h 40 min ± 10 min",
    "for": "120 ms",
    "distance": "12 cm",
    "to": "on",
    "value": "12 lx",
}
