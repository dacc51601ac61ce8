"""What the days of a study are: between charges, or until a cell that nobody charges is empty; and
how near what is drawn meanwhile is known.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from simfw.quantity import format_percent
from simfw.stimuli.pattern import Pattern

__all__ = ["ADDED_UP", "Span", "span_of", "within"]

ADDED_UP = "current and days: what blinks at beats of its own is added up"
_UNTOLD = 1e-6  # of a current: no digit that is printed tells it


@dataclass(frozen=True, slots=True)
class Span:
    """`name` as the subject of a figure ("a cell lasts"), `days` as that of an axis."""

    name: str
    days: str


def span_of(pattern: Pattern) -> Span:
    """The words for the days of a pattern."""
    if pattern.plugs:
        return Span("between charges", "days between charges")
    assert pattern.gadget is not None
    what, has = ("charge", "of") if pattern.gadget.charger is not None else ("cell", "at")
    if pattern.charge == 1.0:
        return Span(f"a {what} lasts", f"days on one {what}")
    what = f"{what} {has} {format_percent(pattern.charge)}"
    return Span(f"a {what} lasts", f"days on a {what}")


def within(share: float) -> str:
    """How far current and days may be off where something is added up, as a share of them, rounded
    up to two digits; "" where no digit that is printed would tell.
    """
    if share <= _UNTOLD:
        return ""
    percent = 100.0 * share
    step = 10.0 ** (math.floor(math.log10(percent)) - 1)
    return f"within {math.ceil(percent / step * (1 - 1e-12)) * step:.2g} %"
