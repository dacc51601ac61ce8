"""What the subcommands about recordings share."""

from __future__ import annotations

from fractions import Fraction

from simfw.errors import QuantityError, UsageError
from simfw.quantity import RATIO, read_ns, read_number

__all__ = ["share", "tick_length", "time_ns"]


def time_ns(option: str, text: str) -> int:
    """An option's time in ns; raises `UsageError`."""
    try:
        return read_ns(text)
    except QuantityError as error:
        raise UsageError(f"{option} {text}: {error.text}. Allowed: {error.allowed}.") from error


def share(option: str, text: str) -> float:
    """An option's share 0..1 ("80 %"); raises `UsageError`."""
    try:
        value = read_number(text, RATIO)
    except QuantityError as error:
        raise UsageError(f"{option} {text}: {error.text}. Allowed: {error.allowed}.") from error
    if value > 1:
        raise UsageError(f"{option} {text}: a share is at most 100 %.")
    return value


def tick_length(text: str | None) -> Fraction | None:
    """The option `--timescale` in seconds."""
    return None if text is None else Fraction(time_ns("--timescale", text), 10**9)
