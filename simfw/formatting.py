"""SI numbers to text: with a prefix, a sensible number of digits, and always with their unit."""

from __future__ import annotations

import math
from decimal import Context, Decimal, localcontext
from fractions import Fraction

from simfw.units import PREFIXES, unit_key

__all__ = ["format_duration", "format_percent", "format_rough_time", "format_si"]

_CONTEXT = Context(prec=80)
_WRITTEN_PREFIXES = {
    "V": "k-mµn", "A": "-mµnpf", "Ω": "GMk-mµ", "Ah": "-mµn", "C": "-mµnp", "Hz": "Mk-m",
    "W/m2": "-mµn", "W/sr": "-mµ", "W": "k-mµn", "F": "-mµnp", "m": "-m",
}  # fmt: skip


def _steps_of(unit: str) -> list[tuple[str, Decimal]]:
    """Return the names and sizes under which `unit` is written, the largest first."""
    return [
        ((prefix + unit).removeprefix("-"), PREFIXES[prefix])
        for prefix in _WRITTEN_PREFIXES.get(unit, "-")
    ]


def _digits(value: Decimal, digits: int) -> str:
    """Return `value` with `digits` significant digits, without idle zeros."""
    rounded = Context(prec=digits).plus(value)
    if rounded and rounded.adjusted() < -6:
        return f"{rounded.normalize():e}"
    text = f"{rounded:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def format_si(value: float, unit: str, digits: int = 3) -> str:
    """Write `value` (SI) with the prefix that leaves 1 to 999 before the point: "61.2 mA".

    `unit` is V, A, Ω, Ah, C, Hz, W, F, m, W/m2 or W/sr; any other unit is written without prefix.
    `digits` counts significant digits; idle zeros are left out. The result reads back to within
    half of its last digit. Raises ValueError for a number that is not finite.
    """
    if not math.isfinite(value):
        raise ValueError(f"{value} {unit} cannot be written")
    unit = unit_key(unit)
    steps = _steps_of(unit)
    exact = Decimal(value)
    rounded = abs(Context(prec=digits).plus(exact))
    if rounded == 0:
        return f"0 {unit}"
    name, size = next((step for step in steps if rounded >= step[1]), steps[-1])
    return f"{_digits(exact / size, digits)} {name}"


def format_percent(share: float, digits: int = 3) -> str:
    """Write a share (1 = all) in percent: "45 %". Raises ValueError for one that is not finite."""
    if not math.isfinite(share):
        raise ValueError(f"{share} cannot be written in percent")
    return f"{_digits(Decimal(share) * 100, digits)} %"


_PARTS = (("day", 86_400 * 10**9), ("h", 3600 * 10**9), ("min", 60 * 10**9))


def format_duration(ns: int) -> str:
    """Write a whole number of nanoseconds exactly, in the largest units that hold it.

    "9 min", "1 h 5 min", "25 min 1.5 s", "350 ms", "2 weeks", "1 year". Raises ValueError if
    negative.
    """
    if ns < 0:
        raise ValueError(f"a duration of {ns} ns cannot be written")
    for name, size in (("year", 31_557_600 * 10**9), ("week", 7 * 86_400 * 10**9)):
        if ns and ns % size == 0:
            count = ns // size
            return f"{count} {name}{'' if count == 1 else 's'}"
    words = []
    rest = ns
    for name, size in _PARTS:
        count, rest = divmod(rest, size)
        if count:
            words.append(f"{count} {name}{'s' if name == 'day' and count > 1 else ''}")
    if rest or not words:
        words.append(_below_a_minute(rest))
    return " ".join(words)


def _below_a_minute(ns: int) -> str:
    for name, size in (("s", 10**9), ("ms", 10**6), ("µs", 10**3)):
        if ns >= size:
            return f"{_plain(Fraction(ns, size))} {name}"
    return f"{ns} ns" if ns else "0 s"


def _plain(number: Fraction) -> str:
    with localcontext(_CONTEXT):
        return f"{(Decimal(number.numerator) / Decimal(number.denominator)).normalize():f}"


_ROUGH = (
    ("years", 31_557_600.0), ("days", 86_400.0), ("h", 3600.0), ("min", 60.0), ("s", 1.0),
    ("ms", 1e-3), ("µs", 1e-6), ("ns", 1e-9),
)  # fmt: skip


def format_rough_time(seconds: float, digits: int = 3) -> str:
    """Write a time (s) to `digits` significant digits in the largest unit that it fills: "41.3 h".

    Years are used from two years on. Raises ValueError for a number that is not finite.
    """
    if not math.isfinite(seconds):
        raise ValueError(f"{seconds} s cannot be written")
    exact = Decimal(seconds)
    rounded = abs(Context(prec=digits).plus(exact))
    if rounded == 0:
        return "0 s"
    for name, size in _ROUGH:
        least = 2 * size if name == "years" else size
        if rounded >= Decimal(least):
            break
    text = _digits(exact / Decimal(repr(size)), digits)
    if name == "days" and text == "1":
        name = "day"
    return f"{text} {name}"
