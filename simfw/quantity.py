"""Text to SI numbers and back.

A quantity in a file is a string with a unit. Here it becomes a `Figure` (a float in SI units) or,
for times, a `Timing` (a whole number of nanoseconds). Decimal text for times never passes through
float.

The list of units is closed and every reading asks for one dimension, so that a slip of the pen
("5 m" for five minutes, "85 ua") is refused instead of being read as something else; `slips` says
what was meant. Resistors may also be written in the letter code of IEC 60062 (`4R7`, `3k3`, `2M2`,
`10L`); the letter must follow a digit unless it is R (`R47`), so that `k24` is refused.

Grammar, one line each:

    quantity  = reading [ ("±" | "+-" | "+/-") (percent | reading) ] | reading "(" span ")"
    span      = reading ".." reading
    reading   = number unit | letter code (resistance) | number unit number unit ... (time)
    point     = quantity "@" quantity
    table     = { value = quantity | point, range = span, standing = ..., source = ... }

For a plain share (`55 % ± 5 %`) the tolerance is in points of the share: 50 % to 60 %.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Context, Decimal, localcontext
from typing import Literal, cast, get_args

from simfw.errors import QuantityError, nearest
from simfw.formatting import format_duration, format_percent, format_rough_time, format_si
from simfw.slips import NUMBER, slip_of, with_units
from simfw.units import (
    ANGLE,
    AREA,
    CAPACITANCE,
    CHARGE,
    CURRENT,
    CYCLES,
    FREQUENCY,
    INTENSITY,
    IRRADIANCE,
    LENGTH,
    PER_MONTH,
    POWER,
    RATIO,
    RESISTANCE,
    TEMPERATURE,
    THERMAL_RESISTANCE,
    TIME,
    VOLTAGE,
    Dimension,
    unit_name,
)

__all__ = [
    "ANGLE",
    "AREA",
    "CAPACITANCE",
    "CHARGE",
    "CURRENT",
    "CYCLES",
    "FREQUENCY",
    "INTENSITY",
    "IRRADIANCE",
    "LENGTH",
    "LETTERS",
    "MONTH_DAYS",
    "PER_MONTH",
    "POWER",
    "RATIO",
    "RESISTANCE",
    "TEMPERATURE",
    "THERMAL_RESISTANCE",
    "TIME",
    "VOLTAGE",
    "Dimension",
    "Figure",
    "Standing",
    "Timing",
    "format_duration",
    "format_percent",
    "format_rough_time",
    "format_si",
    "read_figure",
    "read_ns",
    "read_number",
    "read_point",
    "read_span",
    "read_timing",
    "without_range",
]

Standing = Literal["measured", "published", "guess"]

MONTH_DAYS = 30.4375
"""Days in the month of a self-discharge rate: a twelfth of 365.25 days."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One number of the gadget in SI units, with its range and how far it can be trusted.

    `low <= value <= high`; all three are equal where no range is given. `text` is the quantity as
    written in the file, `span` the range as written beside it in a table.
    """

    value: float
    low: float
    high: float
    standing: Standing | None = None
    source: str | None = None
    text: str = ""
    span: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Timing:
    """One time of the gadget in whole nanoseconds; the rest as in `Figure`."""

    ns: int
    low_ns: int
    high_ns: int
    standing: Standing | None = None
    source: str | None = None
    text: str = ""
    span: str = ""


_NUMBER = re.compile(NUMBER, re.ASCII)
_LETTER_CODE = re.compile(r"(\d{0,9})([A-Za-zµ])(\d{0,6})", re.ASCII)
_LETTER_BEHIND = re.compile(r"([+-]?\d{1,9}(?:\.\d{1,9})?) ?([RkKMGpnuµ])", re.ASCII)
LETTERS = {  # of IEC 60062: resistors, and those of capacitors that nobody takes for another
    RESISTANCE: {
        "L": Decimal("0.001"), "R": Decimal(1), "k": Decimal(10**3), "K": Decimal(10**3),
        "M": Decimal(10**6), "G": Decimal(10**9),
    },
    CAPACITANCE: {
        "p": Decimal("1e-12"), "n": Decimal("1e-9"), "u": Decimal("1e-6"), "µ": Decimal("1e-6"),
    },
}  # fmt: skip
_SAME_SIGNS = str.maketrans({"μ": "µ", "\N{OHM SIGN}": "Ω", "²": "2", "℃": "°C", "−": "-",
                             "\N{NO-BREAK SPACE}": " ", "\N{NARROW NO-BREAK SPACE}": " ",
                             "\N{THIN SPACE}": " "})
_TOLERANCE = re.compile(r"\s*(?:±|\+/-|\+-)\s*")
_BRACKET = re.compile(r"(?P<value>[^()]*)\((?P<span>[^()]*)\)\s*")
_LONGEST_NS = 2**63 - 1
_CONTEXT = Context(prec=80)


def _fail(text: str, dimension: Dimension, *, suggestion: tuple[str, ...] = ()) -> QuantityError:
    return QuantityError(text=text, allowed=dimension.allowed, suggestion=suggestion or None)


def _refusal(text: str, dimension: Dimension) -> QuantityError:
    """Say what is wrong with `text`; what is suggested can be read."""
    slip = slip_of(text, dimension)
    return _fail(
        slip.text,
        dimension,
        suggestion=tuple(one for one in slip.suggestions if _can_be_read(one, dimension)),
    )


def _can_be_read(text: str, dimension: Dimension) -> bool:
    try:
        return _value(text.split("±")[0].strip(), dimension) is not None
    except QuantityError:
        return False


def _letter_code(text: str, dimension: Dimension) -> Decimal | None:
    """Return the value of an IEC 60062 letter code, None if `text` is not one at all.

    The letter may also stand behind a number with a decimal point ("1.8R"), after a blank too:
    that is no code of the standard, but can mean one thing only.
    """
    letters = LETTERS.get(dimension)
    if letters is None:
        return None
    coded = _LETTER_CODE.fullmatch(text)
    if coded is not None and coded[2] in letters:
        whole, letter, rest = coded.groups()
        if (whole or (letter == "R" and rest)):
            return Decimal(f"{whole or 0}.{rest or 0}") * letters[letter]
    behind = _LETTER_BEHIND.fullmatch(text)
    if behind is not None and behind[2] in letters:
        return Decimal(behind[1]) * letters[behind[2]]
    return None


def _compound_time(text: str) -> Decimal | None:
    """Return nanoseconds of "1 h 5 min", None where `text` is not of that form."""
    parts = re.findall(rf"\s*({NUMBER})\s*([A-Za-zµ]+)", text, re.ASCII)
    if len(parts) < 2 or "".join(n + u for n, u in parts) != text.replace(" ", ""):
        return None
    total = Decimal(0)
    before: Decimal | None = None
    for index, (number, unit) in enumerate(parts):
        name = unit_name(unit, TIME)
        if name is None:
            raise _refusal(text if unit == "m" else f"{number} {unit}", TIME)
        size = TIME.units[name]
        assert isinstance(size, Decimal)
        amount = Decimal(number)
        if before is not None and size >= before:
            raise _fail(f'"{unit}" may not follow a smaller or equal unit', TIME)
        if index < len(parts) - 1 and amount != amount.to_integral_value():
            raise _fail(f'"{number} {unit}" must be a whole number before smaller units', TIME)
        if number[0] in "+-":
            raise _fail("a sign may not stand inside a time", TIME)
        before = size
        total += amount * size
    return total


def _reading(text: str, dimension: Dimension) -> Decimal:
    """Return one number with its unit, in SI units (nanoseconds for a time)."""
    text = text.strip()
    if not text:
        raise _fail("nothing is written here", dimension)
    value = _value(text, dimension)
    if value is None:
        raise _refusal(text, dimension)
    return value


def _value(text: str, dimension: Dimension) -> Decimal | None:
    """Return what `text` says, None where it is no quantity of `dimension`."""
    coded = _letter_code(text, dimension)
    if coded is not None:
        return _in_bounds(coded, text, dimension)
    match = _NUMBER.match(text)
    if match is None:
        return None
    name = unit_name(text[match.end() :].strip(), dimension)
    if name is None:
        parts = _compound_time(text) if dimension is TIME else None
        return None if parts is None else _in_bounds(parts, text, dimension)
    with localcontext(_CONTEXT):
        factor = dimension.units[name]
        number = Decimal(match[0])
        value = factor(number) if callable(factor) else number * factor
        return _in_bounds(value, text, dimension)


# Far outside of everything real, and far inside of what a float can hold the products of.
_SMALLEST, _LARGEST = Decimal("1e-40"), Decimal("1e18")


def _in_bounds(value: Decimal, text: str, dimension: Dimension) -> Decimal:
    if value < dimension.lowest:
        what = "negative" if dimension.lowest == 0 else "below absolute zero"
        raise _fail(f'"{text}" is {what}', dimension)
    size = abs(value)
    # Nothing is small about a temperature near 0 °C.
    small = 0 < size < _SMALLEST and dimension is not TEMPERATURE
    if dimension is not TIME and (small or size > _LARGEST):
        what = "smaller" if small else "larger"
        raise _fail(f'"{text}" is {what} than anything that can be built', dimension)
    return value


def _span(text: str, dimension: Dimension) -> tuple[Decimal, Decimal]:
    ends = text.split("..")
    if len(ends) != 2 or not all(end.strip() for end in ends):
        raise QuantityError(
            text=f'"{text.strip()}" is not a range',
            allowed=f'two of {dimension.name} with ".." between them, each with its unit',
        )
    low, high = (_reading(end, dimension) for end in ends)
    if low > high:
        raise QuantityError(
            text=f'the range "{text.strip()}" ends below its start',
            allowed="the smaller end first",
        )
    return low, high


def _quantity(text: str, dimension: Dimension) -> tuple[Decimal, Decimal, Decimal]:
    """Return value, low and high of a quantity in SI units (nanoseconds for a time)."""
    text = text.translate(_SAME_SIGNS).strip()
    bracket = _BRACKET.fullmatch(text)
    if bracket is not None:
        value = _reading(bracket["value"], dimension)
        low, high = _span(bracket["span"], dimension)
    else:
        head, *tail = _TOLERANCE.split(text)
        value = _reading(head, dimension)
        low = high = value
        if len(tail) > 1:
            raise _fail("more than one tolerance is written", dimension)
        if tail:
            with localcontext(_CONTEXT):
                margin = _margin(tail[0], value, dimension)
                low, high = value - margin, value + margin
            if low < dimension.lowest:
                raise _fail(f'the tolerance "{tail[0]}" reaches below zero', dimension)
    if not low <= value <= high:
        raise QuantityError(
            text="the value lies outside its own range",
            allowed="a range that holds the value",
        )
    return value, low, high


def _margin(text: str, value: Decimal, dimension: Dimension) -> Decimal:
    """Return how far a quantity may lie from `value`; a percentage is of the value, except that
    of a share it is points.
    """
    if not text.strip():
        raise _fail("no tolerance follows the sign", dimension)
    if dimension is not RATIO and text.rstrip().endswith("%"):
        if dimension is TEMPERATURE:
            raise _fail("a temperature has no tolerance in percent", dimension)
        return value * _reading(text, RATIO)
    if _NUMBER.fullmatch(text.strip()):
        raise _fail(
            f'the tolerance "{text}" has no unit', dimension, suggestion=(f"± {text.strip()} %",)
        )
    return abs(_reading(text, dimension))


def _whole_ns(ns: Decimal, text: str) -> int:
    if ns > _LONGEST_NS:
        raise _fail(f'"{text}" is longer than 292 years', TIME)
    if ns != ns.to_integral_value():
        raise QuantityError(
            text=f'"{text}" is not a whole number of nanoseconds',
            allowed="times no finer than 1 ns",
        )
    return int(ns)


def _text_of(value: object, dimension: Dimension) -> str:
    if isinstance(value, str):
        return value
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise _fail(f"{_kind(value)} is not a quantity", dimension)
    raise _fail(
        "a number without a unit is not a quantity",
        dimension,
        suggestion=with_units(str(value), dimension),
    )


def _kind(value: object) -> str:
    """Name the TOML kind of `value` for a message."""
    if isinstance(value, bool):
        return "true or false"
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, list | tuple):
        return "a list"
    if isinstance(value, int | float):
        return "a number"
    return "a date or time of day" if value is not None else "nothing"


@dataclass(frozen=True, slots=True)
class _Written:
    """A quantity taken apart, before it becomes a `Figure` or a `Timing`."""

    value: Decimal
    low: Decimal
    high: Decimal
    standing: Standing | None
    source: str | None
    text: str
    span: str = ""


_TABLE_KEYS = ("value", "range", "standing", "source")
_POINT_KEYS = ("value", "standing", "source")


def _check_keys(table: Mapping[str, object], known: tuple[str, ...], wanted: str) -> None:
    """Refuse a table with other keys than `known`, or without a value."""
    for key in table:
        if key not in known:
            raise QuantityError(
                text="unknown key",
                allowed=", ".join(known),
                suggestion=nearest(str(key), known),
                subkey=str(key),
            )
    if "value" not in table:
        raise QuantityError(text='the key "value" is missing', allowed=wanted)


def _written(value: object, dimension: Dimension) -> _Written:
    if not isinstance(value, Mapping):
        text = _text_of(value, dimension)
        return _Written(*_quantity(text, dimension), None, None, text)
    _check_keys(value, _TABLE_KEYS, dimension.allowed)
    wrong: list[QuantityError] = []
    best, low, high, text = Decimal(0), Decimal(0), Decimal(0), ""
    try:
        text = _text_of(value["value"], dimension)
        best, low, high = _quantity(text, dimension)
    except QuantityError as error:
        wrong.append(error.under("value"))
    if "range" in value:
        try:
            span = _span(_text_of(value["range"], dimension).translate(_SAME_SIGNS), dimension)
            if not wrong:
                low, high = _ranged(best, low, high, span)
        except QuantityError as error:
            wrong.append(error.under("range"))
    standing, source = _trust(value, wrong)
    return _Written(best, low, high, standing, source, text, str(value.get("range", "")))


def _ranged(
    best: Decimal, low: Decimal, high: Decimal, span: tuple[Decimal, Decimal]
) -> tuple[Decimal, Decimal]:
    """The range that stands beside a value with the ends `low` and `high`."""
    if low != high:
        raise QuantityError(text="a second range: the value has one already", allowed="one range")
    if not span[0] <= best <= span[1]:
        raise QuantityError(text="the value lies outside its own range",
                            allowed="a range that holds the value")
    return span


def _trust(
    table: Mapping[str, object], wrong: Sequence[QuantityError] = ()
) -> tuple[Standing | None, str | None]:
    """Standing and source of a table; raises what is wrong with them, and what else is `wrong`."""
    found = list(wrong)
    standing = table.get("standing")
    if standing is not None and standing not in get_args(Standing):
        names = get_args(Standing)
        found.append(QuantityError(
            text="unknown standing",
            allowed=", ".join(f'"{name}"' for name in names),
            suggestion=nearest(str(standing), names),
            subkey="standing",
        ))
    source = table.get("source")
    if source is not None and not isinstance(source, str):
        found.append(QuantityError(text=f"{_kind(source)} is not text", allowed="text",
                                   subkey="source"))
    if found:
        first, *others = found
        first.others = tuple(others)
        raise first
    return cast("Standing | None", standing), cast("str | None", source)


def read_figure(value: object, dimension: Dimension, *, positive: bool = False) -> Figure:
    """Read a quantity of `dimension` from text or from a table with `value`.

    A `Figure` is given back as it is. `positive` refuses zero. Raises `QuantityError`.
    """
    if isinstance(value, Figure):
        return value
    written = _written(value, dimension)
    if positive and written.low <= 0:
        raise _fail("zero is not possible here", dimension)
    return Figure(
        value=float(written.value),
        low=float(written.low),
        high=float(written.high),
        standing=written.standing,
        source=written.source,
        text=written.text,
        span=written.span,
    )


def read_timing(value: object, *, positive: bool = False) -> Timing:
    """Read a time from text or from a table with `value`; `positive` refuses zero.

    The ends of a range are rounded outwards to whole nanoseconds. Raises `QuantityError`.
    """
    if isinstance(value, Timing):
        return value
    written = _written(value, TIME)
    ns = _whole_ns(written.value, written.text)
    if positive and written.low < 1:
        raise _fail("a time of zero is not possible here", TIME)
    return Timing(
        ns=ns,
        low_ns=math.floor(written.low),
        high_ns=math.ceil(min(written.high, Decimal(_LONGEST_NS))),
        standing=written.standing,
        source=written.source,
        text=written.text,
        span=written.span,
    )


def without_range(text: str) -> tuple[str, str]:
    """A quantity as written, parted: itself, and its tolerance or range ("" where it has none)."""
    bracket = _BRACKET.fullmatch(text.strip())
    if bracket is not None:
        return bracket["value"].strip(), bracket["span"].strip()
    tolerance = _TOLERANCE.search(text)
    if tolerance is None:
        return text.strip(), ""
    return text[: tolerance.start()].strip(), f"± {text[tolerance.end():].strip()}"


def read_number(value: object, dimension: Dimension, *, positive: bool = False) -> float:
    """Read one plain quantity (no tolerance), in SI units; raises `QuantityError`."""
    number = _reading(_text_of(value, dimension).translate(_SAME_SIGNS), dimension)
    if positive and number <= 0:
        raise _fail("zero is not possible here", dimension)
    return float(number)


def read_ns(value: object, *, positive: bool = False) -> int:
    """Read one plain time (no tolerance), in whole nanoseconds; raises `QuantityError`."""
    text = _text_of(value, TIME)
    ns = _whole_ns(_reading(text.translate(_SAME_SIGNS), TIME), text)
    if positive and ns == 0:
        raise _fail("a time of zero is not possible here", TIME)
    return ns


def read_span(value: object, dimension: Dimension) -> tuple[float, float]:
    """Read "8 cm .. 15 cm", or a single quantity as a span of no width; SI units."""
    text = _text_of(value, dimension).translate(_SAME_SIGNS)
    if ".." not in text:
        number = read_number(text, dimension)
        return number, number
    low, high = _span(text, dimension)
    return float(low), float(high)


def read_point(
    value: object, left: Dimension, right: Dimension, *, positive: bool = False
) -> tuple[Figure, Figure]:
    """Read "2.75 V @ 5 mA": a quantity of `left` that holds at a quantity of `right`.

    Standing and source of a table with `value` are those of both. `positive` refuses zero on either
    side. Raises `QuantityError`.
    """
    wanted = f'{left.name} at {right.name}, such as "{left.example} @ {right.example}"'
    if isinstance(value, Mapping):
        if "range" in value:
            raise QuantityError(
                text="a point has no range of its own",
                allowed="a tolerance or range beside the one or the other quantity in value",
                subkey="range",
            )
        _check_keys(value, _POINT_KEYS, wanted)
        wrong: list[QuantityError] = []
        try:
            first, second = read_point(_point_text(value["value"], wanted), left, right,
                                       positive=positive)
        except QuantityError as error:
            wrong.append(error.under("value"))
        standing, source = _trust(value, wrong)
        return (replace(first, standing=standing, source=source),
                replace(second, standing=standing, source=source))
    text = _point_text(value, wanted)
    first_text, second_text = text.split("@")
    return (
        read_figure(first_text.strip(), left, positive=positive),
        read_figure(second_text.strip(), right, positive=positive),
    )


def _point_text(value: object, wanted: str) -> str:
    if not isinstance(value, str) or value.count("@") != 1:
        raise QuantityError(text="this is not a point", allowed=wanted)
    return value
