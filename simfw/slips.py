"""What people write instead of a quantity: what is wrong with it, and what was meant.

A suggestion has the digits that were written and, where a prefix or unit was written, its size: the
case of m and M, the letter of a code, the place of a comma are never read as something a thousand
times larger or smaller. Where a text can be read in two ways, both are offered, or neither.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from decimal import Context, Decimal
from fractions import Fraction

from simfw.errors import nearest
from simfw.units import (
    ANGLE,
    AREA,
    CAPACITANCE,
    CHARGE,
    CURRENT,
    DIMENSIONS,
    LENGTH,
    PREFIXES,
    RATIO,
    RESISTANCE,
    TEMPERATURE,
    TIME,
    Dimension,
    prefix_of,
    shorthand,
    unit_name,
)

__all__ = ["Slip", "slip_of", "with_units"]

NUMBER = r"[+-]?\d{1,30}(?:\.\d{1,30})?(?:[eE][+-]?\d{1,3})?"
_NUMBER = re.compile(NUMBER, re.ASCII)
_LONGEST = 60  # characters of a text whose style is looked at
_LONGEST_BARE = 30  # digits of a number without a unit that may be meant
_TOLERANCE_LETTERS = {"B": "0.1", "C": "0.25", "D": "0.5", "F": "1", "G": "2", "J": "5", "K": "10",
                      "M": "20"}  # IEC 60062:2016, table of tolerance letters
_THOUSANDS = re.compile(
    r"([+-]?)(\d{1,3})(?:([,'’_. ])(\d{3}(?:\3\d{3})*))([.,]\d+)?(?![\d.,'’_])\s*(.*)", re.ASCII
)
_COMMA = re.compile(r"([+-]?\d{1,30}),(\d{1,30})(?![\d,.])\s*(.*)", re.ASCII)
_FRACTION = re.compile(r"([+-]?)(?:(\d{1,9})\s+)?(\d{1,9})\s*[/⁄]\s*(\d{1,9})(?!\d)\s*(.*)",
                       re.ASCII)
_VULGAR = re.compile(r"([+-]?)(\d{0,9})\s*([¼-¾⅐-⅞↉])\s*(.*)")
_CODE = re.compile(r"([+-]?\d{1,15})\s?([A-Za-zµΩ]{1,4})(\d{1,15})", re.ASCII)
_SMALLER = {"day": "h", "days": "h", "h": "min", "min": "s"}
_UNIT_FIRST = re.compile(r"([A-Za-zµΩ]{1,3})\s?(\d.*)", re.ASCII)


@dataclass(frozen=True, slots=True)
class Slip:
    """What is wrong with a text, and what may have been meant (not all of it need be readable)."""

    text: str
    suggestions: tuple[str, ...] = ()


def slip_of(text: str, dimension: Dimension) -> Slip:
    """Say what is wrong with `text`, which is no quantity of `dimension`, not even a time in parts.

    `text` has no blanks around it and is not empty.
    """
    for look in (_resistor_code, _separators, _fraction):
        found = look(text, dimension) if len(text) <= _LONGEST else None
        if found is not None:
            return found
    match = _NUMBER.match(text)
    if match is None:
        return _no_number(text, dimension)
    number, unit = match[0], text[match.end() :].strip()
    if not unit:
        return Slip(f'"{text}" has no unit', with_units(text, dimension))
    return (
        _rate(text, unit, dimension)
        or _clock(text, dimension)
        or _code(text, dimension)
        or _unit(text, number, unit, dimension)
    )


def with_units(number: str, dimension: Dimension) -> tuple[str, ...]:
    """Return `number` with the units that were most likely meant."""
    if not Decimal(number).is_finite() or len(number) > _LONGEST_BARE:
        return ()  # nan, inf and endless digits are no slip of the pen
    if dimension is RATIO and 0 < Decimal(number) < 1:
        return (f"{(Decimal(number) * 100).normalize(Context(prec=80)):f} %",)
    return tuple(f"{number} {unit}" for unit in dimension.likely)


def _no_number(text: str, dimension: Dimension) -> Slip:
    word = text.split()[0].lstrip("+-").casefold()
    if word in {"nan", "inf", "infinity"}:
        return Slip(f'"{word}" is not a number that a gadget can have')
    point = re.match(r"([+-]?)(\.\d.*)", text, re.DOTALL)
    if point is not None:
        whole = f"{point[1]}0{point[2]}"
        bare = _NUMBER.fullmatch(whole) is not None
        return Slip("a number starts with a digit",
                    with_units(whole, dimension) if bare else (whole,))
    first = _UNIT_FIRST.fullmatch(text)
    if dimension is CURRENT and re.match(r"C\s*/\s*\d", text):
        return _rate_slip(text)
    if first is not None and unit_name(first[1], dimension) is not None:
        return Slip("the number comes before its unit", (f"{first[2]} {first[1]}",))
    return Slip(f'"{text}" does not start with a number')


# --- resistor codes


def _resistor_code(text: str, dimension: Dimension) -> Slip | None:
    if dimension is not RESISTANCE:
        return None
    if re.fullmatch(r"\d*[rl]\d*", text, re.ASCII) and re.search(r"\d", text):
        return Slip(f'"{text}" is not a resistor code: the letters are L, R, k, M and G',
                    (text.upper(),))
    coded = re.fullmatch(r"(\d*[RLkKMG]\d*)([BCDFGJKM])", text, re.ASCII)
    if coded is not None:
        percent = _TOLERANCE_LETTERS[coded[2]]
        return Slip(f'the tolerance letter "{coded[2]}" is not read',
                    (f"{coded[1]} ± {percent} %",))
    headless = re.fullmatch(r"([LkKMG])(\d{1,6})", text, re.ASCII)
    if headless is None:
        return None
    size = Decimal("0.001") if headless[1] == "L" else PREFIXES[headless[1].replace("K", "k")]
    ohms = (Decimal(f"0.{headless[2]}") * size).normalize()
    return Slip(f'the resistor code "{text}" has no digit before its letter', (f"{ohms:f}R",))


# --- numbers in other styles


def _separators(text: str, dimension: Dimension) -> Slip | None:
    """Thousands that are set apart, and decimal commas."""
    found = _THOUSANDS.fullmatch(text)
    comma = _COMMA.fullmatch(text)
    if found is not None:
        sign, head, separator, groups, decimals, unit = found.groups()
        many = len(groups) > 3
        if separator == "." and not (many or decimals):
            return None  # a decimal point
        if decimals is not None and decimals[0] == separator:
            found = None
        elif head.startswith("0"):
            found = None  # nobody begins thousands with a nought
        else:
            digits = head + re.sub(r"\D", "", groups) + (decimals or "").replace(",", ".")
            if separator == "," and not (many or decimals):
                return Slip(
                    f'the comma in "{text}" can be read in two ways: digits stand together, and '
                    "the decimal sign is a point",
                    (*_whole(f"{sign}{digits}", unit, dimension),
                     *_whole(f"{sign}{head}.{groups}", unit, dimension)),
                )
            return Slip("the digits of a number stand together",
                        _whole(f"{sign}{digits}", unit, dimension))
    if comma is None:
        return None
    return Slip("the decimal sign is a point",
                _whole(f"{comma[1]}.{comma[2]}", comma[3], dimension))


def _whole(number: str, unit: str, dimension: Dimension) -> tuple[str, ...]:
    """`number` with `unit`, or with the likely ones where none is written."""
    return (f"{number} {unit}",) if unit else with_units(number, dimension)


def _fraction(text: str, dimension: Dimension) -> Slip | None:
    vulgar, written = _VULGAR.fullmatch(text), _FRACTION.fullmatch(text)
    if vulgar is not None:
        sign, whole, sign_of_part, unit = vulgar.groups()
        part = Fraction(unicodedata.numeric(sign_of_part)).limit_denominator(1000)
    elif written is not None:
        sign, whole, above, below, unit = written.groups()
        if int(below) == 0:
            return None
        part = Fraction(int(above), int(below))
    else:
        return None
    said = "a fraction is written as a decimal number"
    value = int(whole or 0) + part
    decimal = Decimal(value.numerator) / Decimal(value.denominator)
    exact = Fraction(decimal) == value
    number = f"{sign}{decimal.normalize():f}"
    return Slip(said, _whole(number, unit, dimension) if exact else ())


def _rate(text: str, unit: str, dimension: Dimension) -> Slip | None:
    return _rate_slip(text) if dimension is CURRENT and unit == "C" else None


def _rate_slip(text: str) -> Slip:
    return Slip(f'"{text}" is a C rate: the current depends on the capacity, and is written out '
                "(0.5 C of 650 mAh is 325 mA)")


def _clock(text: str, dimension: Dimension) -> Slip | None:
    """Times as a clock shows them, and hours with bare minutes behind them ("2h15")."""
    if dimension is not TIME or len(text) > _LONGEST:
        return None
    if re.fullmatch(r"[0-9]+:[0-5][0-9]", text):
        left, right = text.split(":")
        return Slip(f'"{text}" does not say its units',
                    (f"{left} min {right} s", f"{left} h {right} min"))
    full = re.fullmatch(r"([0-9]+):([0-5][0-9]):([0-5][0-9])", text)
    if full is not None:
        return Slip(f'"{text}" does not say its units',
                    (f"{full[1]} h {int(full[2])} min {int(full[3])} s",))
    found = re.fullmatch(r"(\d{1,9})\s*([A-Za-z]+)\s*(\d{1,2})", text, re.ASCII)
    minutes = re.fullmatch(r"((?:\d+\s*\D+)*)(\d{1,9})\s*m(?:\s*(\d{1,2})\s*s)?", text, re.ASCII)
    if found is not None:
        unit = "min" if found[2] == "m" else unit_name(found[2], TIME)
        smaller = _SMALLER.get(unit or "")
        if smaller is not None and int(found[3]) < 60:
            return Slip(f'the "{found[3]}" of "{text}" has no unit',
                        (f"{found[1]} {unit} {int(found[3])} {smaller}",))
    elif minutes is not None and (minutes[1] or minutes[3]):
        rest = f" {minutes[3]} s" if minutes[3] else ""
        return Slip('"m" is metres, not a time', (f"{minutes[1].strip()} {minutes[2]} min{rest}"
                                                  .strip(),))
    return None


def _code(text: str, dimension: Dimension) -> Slip | None:
    """A letter where the decimal point would be: "9V0", "6u8"."""
    found = _CODE.fullmatch(text)
    if found is None or (dimension is LENGTH and unit_name(found[2] + found[3], AREA)):
        return None
    whole, letters, rest = found.groups()
    if unit_name(letters, dimension) is None:
        units = _of_prefix(letters, dimension)
        if not units:
            return None
    else:
        units = (letters,)
    said = {
        RESISTANCE: f'"{text}" is not a resistor code: the letters are L, R, k, M and G',
        CAPACITANCE: f'"{text}" is not a capacitor code that is read: the letters are p, n and u',
    }.get(dimension, f'"{text}" is a letter code, and only those of resistors are read')
    return Slip(
        said,
        tuple(f"{whole}.{rest} {unit}" for unit in units),
    )


# --- units


def _unit(text: str, number: str, unit: str, dimension: Dimension) -> Slip:
    if unit[0].isdigit() or (unit[0] in ".eE" and unit[1:2].isdigit()):
        return Slip(f'"{text}" is not one number with one unit')
    if unit == "m" and dimension is TIME:
        return Slip('"m" is metres, not a time', (f"{number} min", f"{number} ms"))
    if units := _of_prefix(unit, dimension):
        return Slip(f'"{unit}" is a prefix without a unit',
                    tuple(f"{number} {name}" for name in units))
    for other in DIMENSIONS:
        key = unit_name(unit, other)
        if key is not None:
            return Slip(f'"{unit}" is the unit of {other.name}',
                        tuple(f"{number} {name}" for name in _longer(key, dimension)))
    mega = unit[0] == "M" and any(
        prefix_of(name)[1].casefold() in (unit[1:].casefold(), _plain_base(unit[1:]))
        and prefix_of(name)[0] == "m" for name in dimension.units
    )
    close = _close(unit, dimension)
    if mega and (close is None or not close.startswith("M")):
        return Slip(f'the M of "{unit}" is mega; the m of milli is a small letter')
    return Slip(f'unknown unit "{unit}"', () if close is None else (f"{number} {close}",))


def _plain_base(unit: str) -> str:
    """The sign of a spelt-out unit ("OHM", "amps"), folded."""
    return next((name.casefold() for d in DIMENSIONS
                 if (name := unit_name(unit, d)) is not None), "")


def _of_prefix(letters: str, dimension: Dimension) -> tuple[str, ...]:
    """The units of `dimension` that a bare prefix was most likely meant for."""
    prefix = {"u": "µ", "U": "µ", "K": "k"}.get(letters, letters)
    if prefix not in PREFIXES or prefix == "-":
        return ()
    bases = dict.fromkeys(prefix_of(unit)[1] for unit in dimension.likely)
    if prefix == "m" and dimension in (TIME, AREA):
        return ()  # minutes, metres
    return tuple(_typed(prefix + base) for base in bases if prefix + base in dimension.units)


def _longer(key: str, dimension: Dimension) -> tuple[str, ...]:
    """Units of `dimension` of which `key` may be the beginning: "W" of "W/m2", "%" of "%/month"."""
    if dimension is TEMPERATURE and key == "C":
        return ("degC",)
    if dimension in (TEMPERATURE, ANGLE):
        return tuple(name for name in dimension.units if name.startswith(key))[:1]
    prefix = prefix_of(key)[0]
    return tuple(
        _typed(name) for name in dimension.units
        if name.startswith(key) and prefix_of(name)[0] == prefix
    )[:2]


def _close(unit: str, dimension: Dimension) -> str | None:
    """The unit of `dimension` most like `unit`, of the same size as far as it can be told."""
    word = shorthand(unit)
    if word is not None:
        return _typed(word) if word in dimension.units else None
    key = unit.replace(" ", "")
    key = "µ" + key[1:] if key[0] in "uUμ" else key
    if key in PREFIXES:
        return None  # "f" of a capacitance may be femto as well as farad
    if dimension is CHARGE and key.endswith("As"):
        key = key[:-2] + "C"  # an ampere second is a coulomb
    folded = [name for name in dimension.units if name.casefold() == key.casefold()]
    exact = [name for name in folded if prefix_of(name)[0] in ("-", key[0], key[0].lower())]
    exact = [name for name in exact if not (prefix_of(name)[0] == "m" and key[0] == "M")]
    if folded:
        return _typed(exact[0]) if exact else None
    bases = {prefix_of(name)[1].casefold() for name in dimension.units}
    if key[1:].casefold() in {"", *bases}:
        return None  # a prefix that the dimension does not have: no other will do
    close = nearest(key, [name for name in dimension.units if name[0] == key[0]])
    return None if close is None else _typed(close)


def _typed(unit: str) -> str:
    return unit.replace("µ", "u")
