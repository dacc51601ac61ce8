"""The field types of a description: text in the file, SI values once loaded.

Each type takes the text of the file (or a value that is already in SI) and refuses everything else
with a `QuantityError`, so that a message can name what stands there and what is allowed.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, fields, replace
from typing import Annotated, Any, ClassVar, Self

from pydantic import GetCoreSchemaHandler, ValidationInfo
from pydantic_core import core_schema

from simfw.errors import QuantityError, nearest
from simfw.forms import Form, Reads, either, point, quantity, tabled, text
from simfw.quantity import (
    ANGLE,
    AREA,
    CHARGE,
    CURRENT,
    CYCLES,
    FREQUENCY,
    INTENSITY,
    IRRADIANCE,
    LENGTH,
    PER_MONTH,
    RATIO,
    RESISTANCE,
    TEMPERATURE,
    THERMAL_RESISTANCE,
    TIME,
    VOLTAGE,
    Dimension,
    Figure,
    Timing,
    read_figure,
    read_number,
    read_point,
    read_timing,
)
from simfw.units import measured

__all__ = [
    "IS_NAME",
    "LEVELS",
    "LEVEL_WORDS",
    "POINT_PARTS",
    "SCALES",
    "Amperes",
    "Celsius",
    "Charge",
    "Cycles",
    "DialValue",
    "Emits",
    "Events",
    "ForwardPoint",
    "GaugeLevel",
    "Hertz",
    "InUnit",
    "IntensityAt",
    "Irradiance",
    "KelvinPerWatt",
    "Level",
    "Metres",
    "Name",
    "Names",
    "Ohms",
    "OhmsAtCharge",
    "OhmsAtTemperature",
    "PerMonth",
    "PlaneAngle",
    "Ratio",
    "SequencePoint",
    "SequenceStep",
    "SquareMetres",
    "Time",
    "Unit",
    "Volts",
    "VoltsOrShare",
    "default_time",
    "shares_to_volts",
]


class _FromText:
    """A value that pydantic reads with `read`, from text or from a value of the class itself."""

    __slots__ = ()
    form: ClassVar[Form]

    @classmethod
    def __get_pydantic_core_schema__(
        cls, source: Any, handler: GetCoreSchemaHandler
    ) -> core_schema.CoreSchema:
        return core_schema.no_info_plain_validator_function(cls.read)

    @classmethod
    def read(cls, value: object) -> Self:
        """Return the value that `value` says; raises `QuantityError`."""
        raise NotImplementedError


@dataclass(frozen=True, slots=True, kw_only=True)
class ForwardPoint(_FromText):
    """A point of a diode's forward curve: `voltage_v` across it at `current_a` through it."""

    form: ClassVar[Form] = point(VOLTAGE, CURRENT)
    voltage_v: Figure
    current_a: Figure

    @classmethod
    def read(cls, value: object) -> ForwardPoint:
        """Read "2.75 V @ 5 mA"; either side may have a tolerance or range."""
        if isinstance(value, ForwardPoint):
            return value
        voltage, current = read_point(value, VOLTAGE, CURRENT, positive=True)
        return ForwardPoint(voltage_v=voltage, current_a=current)


@dataclass(frozen=True, slots=True, kw_only=True)
class IntensityAt(_FromText):
    """Radiant intensity on the axis, `intensity_w_sr`, at `current_a`."""

    form: ClassVar[Form] = point(INTENSITY, CURRENT)
    intensity_w_sr: Figure
    current_a: Figure

    @classmethod
    def read(cls, value: object) -> IntensityAt:
        """Read "36 mW/sr @ 100 mA"; either side may have a tolerance or range."""
        if isinstance(value, IntensityAt):
            return value
        intensity, current = read_point(value, INTENSITY, CURRENT, positive=True)
        return IntensityAt(intensity_w_sr=intensity, current_a=current)


@dataclass(frozen=True, slots=True, kw_only=True)
class OhmsAtCharge(_FromText):
    """A cell's series resistance, `resistance_ohm`, at a share of charge (0..1)."""

    form: ClassVar[Form] = point(RESISTANCE, RATIO)
    resistance_ohm: Figure
    charge: Figure

    @classmethod
    def read(cls, value: object) -> OhmsAtCharge:
        """Read "240 mΩ @ 10 %"; either side may have a tolerance or range."""
        if isinstance(value, OhmsAtCharge):
            return value
        resistance, charge = read_point(value, RESISTANCE, RATIO)
        if charge.high > 1:
            raise QuantityError(text="a charge is at most 100 %", allowed="0 % to 100 %")
        return OhmsAtCharge(resistance_ohm=resistance, charge=charge)


@dataclass(frozen=True, slots=True, kw_only=True)
class OhmsAtTemperature(_FromText):
    """A cell's series resistance, `resistance_ohm`, at `temperature_c` (degrees Celsius)."""

    form: ClassVar[Form] = point(RESISTANCE, TEMPERATURE)
    resistance_ohm: Figure
    temperature_c: Figure

    @classmethod
    def read(cls, value: object) -> OhmsAtTemperature:
        """Read "420 mΩ @ 0 degC"; either side may have a tolerance or range."""
        if isinstance(value, OhmsAtTemperature):
            return value
        resistance, temperature = read_point(value, RESISTANCE, TEMPERATURE)
        return OhmsAtTemperature(resistance_ohm=resistance, temperature_c=temperature)


POINT_PARTS = frozenset(
    part.name
    for point in (ForwardPoint, IntensityAt, OhmsAtCharge, OhmsAtTemperature)
    for part in fields(point)
) | {"at", "lasts"}
"""The names under which the two quantities of a point stand at the end of a key."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Level(_FromText):
    """What a state asks of a light or load, or (key `controller`) of the controller.

    `duty` is 0..1 (1 = on). `segments` is the whole number of lit segments where one is written,
    else None. `named` is what stands there instead of a level: the name of something that gives it.
    `scales` are the factors (0..1, or a name) of the key `scale`, None everywhere else. `awake` is
    True for "awake", False for "asleep" and "unpowered", None for everything else. `text` is
    the level as written.
    """

    form: ClassVar[Form] = either(
        "level", 'on, off, a percentage such as "45 %", a number of segments, or the name of what '
        "gives the level; in scale, a factor by light.",
        {"type": ["string", "object"]}, {"type": "integer", "minimum": 0})
    duty: float
    segments: int | None = None
    awake: bool | None = None
    unpowered: bool = False
    text: str = ""
    named: str | None = None
    scales: tuple[tuple[str, float | str], ...] | None = None

    @property
    def drives(self) -> bool:
        """Whether a light or load gets anything by it: a level above 0, or what a name gives."""
        return bool(self.duty or self.segments or self.named)

    @classmethod
    def read(cls, value: object) -> Level:
        """Read "on", "off", "45 %", 3, "awake" or "asleep", or a name; what it names is not known
        here.
        """
        if isinstance(value, Level):
            return value
        if isinstance(value, dict):
            return Level(duty=0.0, scales=tuple((name, _factor(name, one))
                                                for name, one in value.items()),
                         text=", ".join(f"{name} {one}" for name, one in value.items()))
        if isinstance(value, int) and not isinstance(value, bool):
            if value < 0:
                raise QuantityError(
                    text="a number of segments is not negative", allowed=LEVELS
                )
            return Level(duty=1.0 if value else 0.0, segments=value, text=str(value))
        if isinstance(value, bool):
            # Whether a level was meant at all is known where the key is: see `TRUTHS`.
            return Level(duty=0.0, named=f"({str(value).lower()})", text=str(value).lower())
        if not isinstance(value, str):
            raise QuantityError(text="this is not a level", allowed=LEVELS)
        if value in LEVEL_WORDS:
            return LEVEL_WORDS[value]
        if IS_NAME.fullmatch(value):
            return Level(duty=0.0, named=value, text=value)
        if not value[:1].isdigit():
            raise QuantityError(
                text="this is not a level", allowed=LEVELS, suggestion=nearest(value, LEVEL_WORDS)
            )
        try:
            share = read_number(value, RATIO)
        except QuantityError as error:
            raise error.allowing(LEVELS) from None
        if share > 1:
            raise QuantityError(text="a level is at most 100 %", allowed=LEVELS)
        return Level(duty=share, text=value)


def _dial_value(value: object) -> Level:
    allowed = 'a percentage such as "45 %", or a whole number of segments'
    try:
        level = Level.read(value)
    except QuantityError as error:
        raise QuantityError(text=error.text.replace("level", "value"), allowed=allowed,
                            suggestion=error.suggestion) from None
    if isinstance(value, bool) or (isinstance(value, str) and not value[:1].isdigit()):
        raise QuantityError(text="this is not a value", allowed=allowed,
                            suggestion={"on": "100 %", "off": "0 %"}.get(str(value)))
    return level


@dataclass(frozen=True, slots=True, kw_only=True)
class SequenceStep(_FromText):
    """A step of a sequence: `level` for the time `lasts`."""

    form: ClassVar[Form] = tabled(text(
        "sequence-step", 'A level and for how long: "100 % for 60 ms", "off for 80 ms".',
        r"\S for\s"))

    level: Level
    lasts: Timing
    text: str = ""

    @classmethod
    def read(cls, value: object) -> SequenceStep:
        """Read "100 % for 60 ms", "off for 80 ms" or "3 for 1 s" (segments)."""
        if isinstance(value, SequenceStep):
            return value
        level, lasts, whole = _level_and_time(value, " for ", "a step", _STEPS)
        return SequenceStep(level=level, lasts=read_timing(lasts, positive=True), text=whole)


@dataclass(frozen=True, slots=True, kw_only=True)
class SequencePoint(_FromText):
    """A point of a sequence of straight lines: `level` (0..1) at the time `at`."""

    form: ClassVar[Form] = tabled(text(
        "sequence-point", 'A percentage at a time: "2 % @ 1.5 s".', r"\S\s*@"))

    level: float
    at: Timing
    text: str = ""

    @classmethod
    def read(cls, value: object) -> SequencePoint:
        """Read "2 % @ 1.5 s"."""
        if isinstance(value, SequencePoint):
            return value
        found, at, whole = _level_and_time(value, "@", "a point", _POINTS)
        if found.segments is not None:
            raise QuantityError(text="a line goes between percentages", allowed=_POINTS)
        return SequencePoint(level=found.duty, at=read_timing(at), text=whole)


def _level_and_time(
    value: object, between: str, what: str, allowed: str
) -> tuple[Level, object, str]:
    """A level, its time (a table where standing or source are given), and both as written."""
    table = value if isinstance(value, dict) else {"value": value}
    whole = table.get("value")
    level, found, time = str(whole).partition(between)
    if not isinstance(whole, str) or not found:
        # Two quantities with another word, or none, between them.
        meant = re.fullmatch(r"(\d\S* ?%|on|off|\d+)(?: +[^\W\d]+)? +(\d[^%]*)", str(whole))
        raise QuantityError(
            text=f"this is not {what}", allowed=allowed, suggestion=None if meant is None
            else f"{meant[1]} {between.strip()} {meant[2]}")
    written = time.strip() if len(table) == 1 else {**table, "value": time.strip()}
    return _level_of(level.strip(), allowed), written, whole


def _level_of(text: str, allowed: str) -> Level:
    """The level of a step or point."""
    if text.isdecimal() and len(text) < 4:
        return Level.read(int(text))
    try:
        found = Level.read(text)
    except QuantityError as error:
        raise error.allowing(allowed) from None
    if found.awake is not None or found.named is not None:
        raise QuantityError(text=f'"{text}" is not a level', allowed=allowed,
                            suggestion=nearest(text, ("on", "off")))
    return found


_STEPS = 'a level for a time, such as "100 % for 60 ms", "off for 80 ms" or "3 for 1 s" (segments)'
_POINTS = 'a percentage at a time, such as "2 % @ 1.5 s"'


def _factor(name: str, value: object) -> float | str:
    """A scale: by what (0..1) the level of an output is multiplied, or the name of what says it."""
    if value == "off":
        return 0.0
    if isinstance(value, str) and IS_NAME.fullmatch(value):
        return value
    if not isinstance(value, str) or not value[:1].isdigit():
        raise QuantityError(text="this is not a scale", allowed=SCALES, subkey=name)
    try:
        share = read_number(value, RATIO)
    except QuantityError as error:
        raise error.allowing(SCALES).under(name) from None
    if share > 1:
        raise QuantityError(text="a scale is at most 100 %", allowed=SCALES, subkey=name)
    return share


IS_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_]*")
SCALES = '"off", or a percentage such as "25 %"'
LEVEL_WORDS = {
    "on": Level(duty=1.0, text="on"),
    "off": Level(duty=0.0, text="off"),
    "awake": Level(duty=0.0, awake=True, text="awake"),
    "asleep": Level(duty=0.0, awake=False, text="asleep"),
    "unpowered": Level(duty=0.0, awake=False, unpowered=True, text="unpowered"),
}
# A level that is written as true or false, by the name under which it is read: no level has it.
TRUTHS = {"(true)": "on", "(false)": "off"}
LEVELS = '"on", "off", a percentage such as "45 %", or a whole number of segments'


def _figure(dimension: Dimension, *, positive: bool = False) -> Reads:
    def read(value: object) -> Figure:
        return read_figure(value, dimension, positive=positive)

    return Reads(read, form=quantity(dimension))


def _share(value: object) -> Figure:
    figure = read_figure(value, RATIO)
    if figure.high > 1:
        raise QuantityError(text="a share is at most 100 %", allowed="0 % to 100 %")
    return figure


def _gauge_level(value: object, info: ValidationInfo) -> Figure:
    """A level of the gauge: a voltage, or what a gauge that counts has left of its capacity."""
    if info.data.get("method") == "counting":
        return _share(value)
    return read_figure(value, VOLTAGE)


def _in_unit(value: object, info: ValidationInfo) -> Figure:
    """A level of a measure, in the unit that it has."""
    return read_figure(value, measured(str(info.data.get("unit", "lx"))))


def _unit(value: object) -> str:
    name = _name(value).strip()
    if not name.isprintable() or name[0] in "+-.0123456789" or ".." in name or "±" in name:
        raise QuantityError(text="this is not a unit",
                            allowed='the unit of the thresholds, such as "lx" or "degC"')
    return name


def _per_month(value: object) -> Figure:
    figure = read_figure(value, PER_MONTH)
    if figure.high >= 1:
        raise QuantityError(
            text="nothing would be left after a month", allowed="less than 100 %/month"
        )
    return figure


def _angle(value: object) -> Figure:
    figure = read_figure(value, ANGLE, positive=True)
    if figure.high > 1.5707963267948968:
        raise QuantityError(
            text="a half angle is at most 90 deg", allowed="more than 0 deg, up to 90 deg"
        )
    return figure


def _name(value: object) -> str:
    if isinstance(value, list | tuple):
        raise QuantityError(text="a list cannot stand here", allowed="one name in quotation marks")
    if not isinstance(value, str) or not value.strip():
        raise QuantityError(text="this is not a name", allowed="a name in quotation marks")
    return value


def _names(value: object) -> tuple[str, ...]:
    if isinstance(value, str):
        return (_name(value),)
    if isinstance(value, list | tuple) and value:
        return tuple(_name(item) for item in value)
    raise QuantityError(
        text="this list is empty" if isinstance(value, list | tuple)
        else "this is neither a name nor a list of names",
        allowed='a name, a list of names, or "*" for all',
    )


def _emits(value: object) -> tuple[str, ...]:
    return () if isinstance(value, list | tuple) and not value else _events(value)


def _events(value: object) -> tuple[str, ...]:
    try:
        return _names(value)
    except QuantityError as error:
        text = error.text.replace("a name nor a list of names", "an event nor a list of events")
        raise QuantityError(text=text, allowed="an event or a list of events") from None


def _timing(value: object) -> Timing:
    return read_timing(value)


_TEXT = r"\S"
_NAME = text("name", "A name.", _TEXT)
_ONE_OR_MORE: list[dict[str, object]] = [
    {"type": "string", "pattern": _TEXT},
    {"type": "array", "minItems": 1, "items": {"type": "string", "pattern": _TEXT}},
]
_EMITTED = [_ONE_OR_MORE[0], {**_ONE_OR_MORE[1], "minItems": 0}]

Volts = Annotated[Figure, _figure(VOLTAGE)]
VoltsOrShare = Annotated[Figure, Reads(  # `shares_to_volts` has turned a share into volts
    lambda value: read_figure(value, VOLTAGE), form=either(
        "voltage-or-share", "A voltage, or a share of the charge voltage such as \"97 %\".",
        quantity(VOLTAGE), quantity(RATIO)))]
GaugeLevel = Annotated[Figure, Reads(_gauge_level, form=either(
    "gauge-level", "A voltage, or a share of the capacity where the gauge counts.",
    quantity(VOLTAGE), quantity(RATIO)))]  # V, or 0..1 where charge is counted
InUnit = Annotated[Figure, Reads(_in_unit, form=text(
    "in-its-unit", "In the unit of the measure.", type=["string", "object"]))]
Unit = Annotated[str, Reads(_unit, form=text("unit", "A unit, such as \"lx\".", _TEXT))]
Amperes = Annotated[Figure, _figure(CURRENT)]
Ohms = Annotated[Figure, _figure(RESISTANCE)]
Charge = Annotated[Figure, _figure(CHARGE)]  # coulomb
Cycles = Annotated[Figure, _figure(CYCLES, positive=True)]
Hertz = Annotated[Figure, _figure(FREQUENCY, positive=True)]
Ratio = Annotated[Figure, Reads(_share, form=quantity(RATIO))]  # 0..1
# Share lost per 30.4375 days, 0..1.
PerMonth = Annotated[Figure, Reads(_per_month, form=quantity(PER_MONTH))]
PlaneAngle = Annotated[Figure, Reads(_angle, form=quantity(ANGLE))]  # radian
Irradiance = Annotated[Figure, _figure(IRRADIANCE, positive=True)]  # W/m2
SquareMetres = Annotated[Figure, _figure(AREA, positive=True)]
Metres = Annotated[Figure, _figure(LENGTH)]
Celsius = Annotated[Figure, _figure(TEMPERATURE)]
KelvinPerWatt = Annotated[Figure, _figure(THERMAL_RESISTANCE, positive=True)]
DialValue = Annotated[Level, Reads(_dial_value, form=Level.form)]
Time = Annotated[Timing, Reads(_timing, form=quantity(TIME))]
Name = Annotated[str, Reads(_name, form=_NAME)]
Names = Annotated[tuple[str, ...], Reads(_names, form=either(
    "names", "A name, a list of names, or \"*\" for all.", *_ONE_OR_MORE))]
Events = Annotated[tuple[str, ...], Reads(_events, form=either(
    "events", "An event, or a list of events.", *_ONE_OR_MORE))]
Emits = Annotated[tuple[str, ...], Reads(_emits, form=either(
    "emitted", "An event, or a list of events.", *_EMITTED))]


def default_time(text: str) -> Timing:
    """Return the documented default of a behaviour timing; its `source` is "default"."""
    timing = read_timing(text)
    return Timing(
        ns=timing.ns, low_ns=timing.low_ns, high_ns=timing.high_ns, source="default", text=text
    )


def shares_to_volts(charger: object) -> object:
    """Turn thresholds of `[charger]` that are written as a share of `float` into volts.

    Whatever cannot be turned is left as it is, for the field itself to refuse.
    """
    if not isinstance(charger, dict) or not isinstance(charger.get("float"), str | dict):
        return charger
    try:
        top = read_figure(charger["float"], VOLTAGE)
    except QuantityError:
        return charger

    def turned(value: object) -> object:
        try:
            share = _share(value)
        except QuantityError:
            return value
        return replace(
            share,
            value=share.value * top.value,
            low=share.low * top.low,
            high=share.high * top.high,
        )

    made = dict(charger)
    if "recharge" in made:
        made["recharge"] = turned(made["recharge"])
    precharge = made.get("precharge")
    if isinstance(precharge, dict) and "below" in precharge:
        made["precharge"] = {**precharge, "below": turned(precharge["below"])}
    return made
