"""What the days of a study are: between charges, or until a cell that nobody charges is empty."""

from __future__ import annotations

from dataclasses import dataclass

from simfw.quantity import format_percent
from simfw.stimuli.pattern import Pattern

__all__ = ["Span", "span_of"]


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
