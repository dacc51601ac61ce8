"""Files to plain dictionaries, texts to SI numbers: as much as the generator writes."""

from __future__ import annotations

import functools
import re
import tomllib
from fractions import Fraction
from typing import Any

# One factor per unit, exact. Times give nanoseconds.
TIME_NS = {
    "ns": 1,
    "us": 10**3,
    "µs": 10**3,
    "ms": 10**6,
    "s": 10**9,
    "min": 60 * 10**9,
    "h": 3600 * 10**9,
    "day": 86400 * 10**9,
    "days": 86400 * 10**9,
}
UNITS = {
    "V": Fraction(1),
    "mV": Fraction(1, 10**3),
    "A": Fraction(1),
    "mA": Fraction(1, 10**3),
    "uA": Fraction(1, 10**6),
    "µA": Fraction(1, 10**6),
    "nA": Fraction(1, 10**9),
    "Ω": Fraction(1),
    "mΩ": Fraction(1, 10**3),
    "kΩ": Fraction(10**3),
    "mAh": Fraction(36, 10),
    "uAh": Fraction(36, 10**4),
    "C": Fraction(1),
    "mC": Fraction(1, 10**3),
    "uC": Fraction(1, 10**6),
    "nC": Fraction(1, 10**9),
    "%": Fraction(1, 100),
    "%/month": Fraction(1, 100),
    "Hz": Fraction(1),
    "kHz": Fraction(10**3), "MHz": Fraction(10**6),
    "cm": Fraction(1, 100),
    "m": Fraction(1),
    "mm": Fraction(1, 1000),
    "cm2": Fraction(1, 10**4),
    "mW/sr": Fraction(1, 10**3),
    "mW/m2": Fraction(1, 10**3),
    "deg": Fraction(1),
    "degC": Fraction(1),
    "lx": Fraction(1),
    "K/W": Fraction(1),
}
CODE = re.compile(r"(\d+)([RkM])(\d*)")  # IEC 60062: the letter stands for the decimal point


def file(text: str) -> dict[str, Any]:
    """A TOML text as plain dictionaries, keys in the order of the file."""
    return tomllib.loads(text)


@functools.lru_cache(maxsize=4096)
def exact(text: str) -> Fraction:
    """The exact SI value of a quantity text; a tolerance after the value is left out."""
    text = text.split("±")[0].split("(")[0].strip()
    code = CODE.fullmatch(text)
    if code:
        whole, letter, rest = code.groups()
        return Fraction(f"{whole}.{rest or 0}") * {"R": 1, "k": 10**3, "M": 10**6}[letter]
    number, unit = re.fullmatch(r"(-?\d+(?:\.\d+)?(?:e-?\d+)?)\s*(\S+)", text).groups()  # type: ignore[union-attr]
    return Fraction(number) * UNITS[unit]


@functools.lru_cache(maxsize=4096)
def si(text: str) -> float:
    """A quantity in SI units."""
    return float(exact(text))


@functools.lru_cache(maxsize=4096)
def ns(text: str) -> int:
    """A time, maybe of several parts, in whole nanoseconds."""
    total = Fraction(0)
    for number, unit in re.findall(r"(\d+(?:\.\d+)?)\s*([a-zµ]+)", text):
        total += Fraction(number) * TIME_NS[unit]
    assert total.denominator == 1, text
    return int(total)


def point(text: str) -> tuple[float, float]:
    """`"2.75 V @ 5 mA"` as (2.75, 0.005)."""
    left, right = text.split("@")
    return si(left.strip()), si(right.strip())
