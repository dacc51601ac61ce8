"""The series resistor of an LED: what it should be, and the next value one can buy."""

from __future__ import annotations

import math

__all__ = ["E24", "led_resistor_ohm", "next_e24"]

# IEC 60063, E24 series.
E24 = (
    10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91,
)  # fmt: skip

# A value that is hit exactly must not be passed over for a rounding in its last digit.
_SLACK = 1e-9


def led_resistor_ohm(supply_v: float, forward_v: float, current_a: float) -> float:
    """The resistance (ohm) that leaves an LED its current: (supply - forward) / current.

    Raises ValueError where the supply does not reach the forward voltage.
    """
    if current_a <= 0.0 or supply_v <= forward_v:
        raise ValueError(f"{supply_v:g} V cannot drive {current_a:g} A at {forward_v:g} V")
    return (supply_v - forward_v) / current_a


def next_e24(ohm: float) -> float:
    """The smallest E24 value (ohm) not below a resistance; ValueError for one of 0 or less."""
    if ohm <= 0.0:
        raise ValueError(f"{ohm:g} ohm is not above zero")
    decade = math.floor(math.log10(ohm)) - 1
    for exponent in (decade - 1, decade, decade + 1):
        for digits in E24:
            # Decimal exponents of either sign, without a product that rounds.
            value = digits * 10.0**exponent if exponent >= 0 else digits / 10.0**-exponent
            if value >= ohm * (1.0 - _SLACK):
                return float(value)
    raise AssertionError("a decade holds every resistance")
