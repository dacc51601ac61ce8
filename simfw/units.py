"""The closed list of units: what a file may write, by dimension, and the size of each in SI units.

Months and years are mean ones: a year is 365.25 days (the Julian year of the IAU), a month a
twelfth of it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import Decimal

__all__ = [
    "ANGLE",
    "AREA",
    "CAPACITANCE",
    "CHARGE",
    "CURRENT",
    "CYCLES",
    "DIMENSIONS",
    "FREQUENCY",
    "INTENSITY",
    "IRRADIANCE",
    "LENGTH",
    "PER_MONTH",
    "POWER",
    "PREFIXES",
    "RATIO",
    "RESISTANCE",
    "TEMPERATURE",
    "THERMAL_RESISTANCE",
    "TIME",
    "VOLTAGE",
    "WORDS",
    "WORD_PREFIXES",
    "Dimension",
    "Factor",
    "measured",
    "prefix_of",
    "shorthand",
    "unit_key",
    "unit_name",
]

Factor = Decimal | Callable[[Decimal], Decimal]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Dimension:
    """What a quantity measures: its name with article, its units, and an example.

    `units` maps each accepted unit, in the order messages list them, to its size in SI units (or
    to a function where the step to SI is not a plain factor). `lowest` is the least legal value;
    `bare` are the units to suggest for a number without one (that of the example if empty).
    """

    name: str
    units: Mapping[str, Factor]
    example: str
    lowest: Decimal = Decimal(0)
    bare: tuple[str, ...] = ()

    @property
    def allowed(self) -> str:
        """What a message offers: an example and the units."""
        return f'{self.name} such as "{self.example}" (units: {", ".join(self.units)})'

    @property
    def likely(self) -> tuple[str, ...]:
        """The units most likely meant where none is written."""
        return self.bare or (self.example.split()[-1],)


PREFIXES = {
    "f": Decimal("1e-15"),
    "p": Decimal("1e-12"),
    "n": Decimal("1e-9"),
    "µ": Decimal("1e-6"),
    "m": Decimal("1e-3"),
    "c": Decimal("1e-2"),
    "-": Decimal(1),
    "k": Decimal("1e3"),
    "M": Decimal("1e6"),
    "G": Decimal("1e9"),
}


def _scaled(unit: str, prefixes: str, size: str = "1") -> dict[str, Factor]:
    """Return the size of `unit` (itself `size` in SI) under each of `prefixes` ("-" is none)."""
    return {
        (prefix + unit).removeprefix("-"): PREFIXES[prefix] * Decimal(size) for prefix in prefixes
    }


def _per_year(rate: Decimal) -> Decimal:
    """Return the share lost per month where `rate` percent are lost per year."""
    left = 1 - rate / 100
    return 1 - left ** (Decimal(1) / 12) if left > 0 else Decimal(1)


VOLTAGE = Dimension(name="a voltage", units=_scaled("V", "nµm-k"), example="3.7 V")
CURRENT = Dimension(
    name="a current", units=_scaled("A", "fpnµm-"), example="20 mA", bare=("mA", "A")
)
RESISTANCE = Dimension(
    name="a resistance", units=_scaled("Ω", "µm-kMG"), example="3.3 kΩ", bare=("Ω",)
)
CHARGE = Dimension(
    name="a charge",
    units=_scaled("Ah", "nµm-", "3600") | _scaled("C", "pnµm-"),
    example="650 mAh",
)
TIME = Dimension(
    name="a time",
    units={
        "ns": Decimal(1),
        "µs": Decimal(10**3),
        "ms": Decimal(10**6),
        "s": Decimal(10**9),
        "min": Decimal(60 * 10**9),
        "h": Decimal(3600 * 10**9),
        "day": Decimal(86_400 * 10**9),
        "days": Decimal(86_400 * 10**9),
        "week": Decimal(7 * 86_400 * 10**9),
        "weeks": Decimal(7 * 86_400 * 10**9),
        "year": Decimal(31_557_600 * 10**9),
        "years": Decimal(31_557_600 * 10**9),
    },
    example="120 ms",
    bare=("ms", "s"),
)
FREQUENCY = Dimension(name="a frequency", units=_scaled("Hz", "m-kM"), example="38 kHz",
                      bare=("kHz", "Hz"))
CYCLES = Dimension(
    name="a number of clock cycles", units={"cycles": Decimal(1), "cycle": Decimal(1)},
    example="2000 cycles",
)
RATIO = Dimension(name="a share", units={"%": Decimal("0.01")}, example="10 %")
PER_MONTH = Dimension(
    name="a self-discharge rate",
    units={"%/month": Decimal("0.01"), "%/year": _per_year},
    example="2 %/month",
)
ANGLE = Dimension(
    name="an angle",
    units={"deg": Decimal("0.017453292519943295769"), "°": Decimal("0.017453292519943295769")},
    example="25 deg",
)
TEMPERATURE = Dimension(
    name="a temperature",
    units={"degC": Decimal(1), "°C": Decimal(1)},
    example="25 degC",
    lowest=Decimal("-273.15"),
)
IRRADIANCE = Dimension(name="an irradiance", units=_scaled("W/m2", "nµm-"), example="0.7 mW/m2")
INTENSITY = Dimension(name="a radiant intensity", units=_scaled("W/sr", "µm-"), example="36 mW/sr")
AREA = Dimension(
    name="an area",
    units={"mm2": Decimal("1e-6"), "cm2": Decimal("1e-4"), "m2": Decimal(1)},
    example="80 cm2",
)
LENGTH = Dimension(name="a length", units=_scaled("m", "mc-"), example="12 cm")
CAPACITANCE = Dimension(name="a capacitance", units=_scaled("F", "pnµm-"), example="4.7 µF")
THERMAL_RESISTANCE = Dimension(
    name="a thermal resistance", units={"K/W": Decimal(1)}, example="60 K/W"
)
POWER = Dimension(name="a power", units=_scaled("W", "nµm-k"), example="250 mW")

def measured(unit: str) -> Dimension:
    """The dimension of what is measured in `unit`, whatever that is; no prefix is read with it."""
    if unit in TEMPERATURE.units:
        return TEMPERATURE
    return Dimension(
        name=f"a value in {unit}", units={unit_key(unit): Decimal(1)}, example=f"12 {unit}",
        lowest=Decimal("-1e18"), bare=(unit,),
    )


DIMENSIONS = (
    VOLTAGE, CURRENT, RESISTANCE, CHARGE, TIME, FREQUENCY, CYCLES, RATIO, PER_MONTH, ANGLE,
    TEMPERATURE, IRRADIANCE, INTENSITY, AREA, LENGTH, CAPACITANCE, THERMAL_RESISTANCE, POWER,
)  # fmt: skip


_BASES = ("Ah", "A", "V", "Ω", "C", "Hz", "W/m2", "W/sr", "W", "F", "m2", "m", "s")

WORDS = {
    "volt": "V", "amp": "A", "ampere": "A", "ohm": "Ω", "amphour": "Ah", "amperehour": "Ah",
    "coulomb": "C", "second": "s", "sec": "s", "minute": "min", "min": "min", "hour": "h",
    "hr": "h", "day": "day", "week": "week", "year": "year", "hertz": "Hz", "percent": "%",
    "degree": "deg", "celsius": "°C", "degcelsius": "°C", "degreecelsius": "°C",
    "degreescelsius": "°C", "farad": "F", "metre": "m", "meter": "m", "watt": "W",
    "kilohm": "kΩ", "megohm": "MΩ", "meg": "MΩ",
}  # fmt: skip
"""Spelt-out units without a plural s, in small letters: read in capital and small letters."""

WORD_PREFIXES = {
    "femto": "f", "pico": "p", "nano": "n", "micro": "µ", "milli": "m", "centi": "c", "kilo": "k",
    "mega": "M", "giga": "G",
}  # fmt: skip

_SHORT = {"d": "days", "wk": "weeks", "w": "weeks", "yr": "years", "y": "years"}


def unit_key(unit: str) -> str:
    """Return `unit` in the one spelling that the tables use; only signs are told apart here."""
    unit = unit.replace(" ", "")
    if unit.startswith("u"):
        unit = "µ" + unit[1:]
    return unit.replace("m^2", "m2").replace("ohms", "Ω").replace("ohm", "Ω")


def unit_name(unit: str, dimension: Dimension) -> str | None:
    """Return the name under which `dimension` has `unit`, None where it has no such unit.

    Spelt-out units may be written in capital and small letters, with a plural s, behind a
    spelt-out prefix or behind the sign of one ("kOhm", "mAmps"). In capitals throughout the sign M
    could be mega or milli, and is not read.
    """
    if unit.casefold().endswith(" s"):
        return None  # "10 min s", "10 m s": a second unit, or a slip, and no plural
    key = unit_key(unit)
    if key in dimension.units:
        return key
    name = _spelt_out(unit.replace(" ", "").replace("-", ""))
    return name if name in dimension.units else None


def _spelt_out(unit: str) -> str | None:
    folded = unit.casefold()
    if (whole := _word(folded)) is not None:
        return whole
    for word, prefix in WORD_PREFIXES.items():
        if folded.startswith(word) and (base := _word(folded[len(word) :])) is not None:
            return prefix + base
    prefix = {"u": "µ", "K": "k"}.get(unit[:1], unit[:1])
    if prefix not in PREFIXES or (prefix == "M" and unit.isupper()):
        return None
    base = _word(folded[1:])
    return None if base is None else prefix + base


def _word(folded: str) -> str | None:
    return WORDS.get(folded) or WORDS.get(folded.removesuffix("s"))


def shorthand(unit: str) -> str | None:
    """Return the unit of time that a shorthand such as "wk" means: not read, but known."""
    return _SHORT.get(unit.casefold().rstrip("s."))


def prefix_of(name: str) -> tuple[str, str]:
    """Split the name of a unit into prefix ("-" for none) and base."""
    for prefix in PREFIXES:
        if name.startswith(prefix) and name[len(prefix) :] in _BASES:
            return prefix, name[len(prefix) :]
    return "-", name
