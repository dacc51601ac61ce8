"""Every figure of a gadget by its key, and where each comes from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from simfw.gadget.quantities import quantities
from simfw.quantity import Figure, Standing, Timing, format_duration, without_range

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget

__all__ = [
    "Entry",
    "Origin",
    "Origins",
    "entries",
    "figure_text",
    "guesses",
    "origins",
    "standing_text",
]

Origin = Standing | Literal["source", "default", "demand", "reading", "none"]
"""Where a figure comes from: its standing; else what stands in the place of one.

"source": a source and no standing. "default": not written, a documented timing of this tool.
"demand": the window of a rule, which its writer demands. "reading": what a meter showed, in
`[readings]`. "none": nothing tells.
"""

_PLACES: tuple[tuple[str, Origin], ...] = (("rules[", "demand"), ("readings.", "reading"))
_WORDS: dict[Origin, str] = {
    "default": "default of this tool",
    "demand": "demand of a rule",
    "reading": "a meter's reading",
    "none": "not stated",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One figure of the gadget: its key in the file and itself."""

    key: str
    figure: Figure | Timing

    @property
    def origin(self) -> Origin:
        """Where the figure comes from."""
        figure = self.figure
        if figure.standing is not None:
            return figure.standing
        if figure.source:
            return "default" if figure.source == "default" else "source"
        return next((word for place, word in _PLACES if self.key.startswith(place)), "none")

    @property
    def value_text(self) -> str:
        """The figure as the file writes it, without its range."""
        return without_range(figure_text(self.figure))[0]

    @property
    def range_text(self) -> str:
        """Its tolerance or range as the file writes it; "" where there is none."""
        return self.figure.span or without_range(figure_text(self.figure))[1]

    @property
    def origin_text(self) -> str:
        """Where the figure comes from, in words: its standing and its source, as far as told."""
        return _WORDS.get(self.origin) or standing_text(self.figure)


@dataclass(frozen=True, slots=True)
class Origins:
    """How many figures the file states about the gadget, and how many of them have no origin.

    Defaults of the tool, demands of rules and readings of a meter are not among them.
    """

    stated: int
    without: int


def entries(gadget: Gadget) -> tuple[Entry, ...]:
    """All figures and timings, in the order of the description."""
    return tuple(Entry(key=key, figure=figure) for key, figure in quantities(gadget).items())


def guesses(gadget: Gadget) -> tuple[Entry, ...]:
    """Those that the file marks as a guess."""
    return tuple(entry for entry in entries(gadget) if entry.origin == "guess")


def origins(gadget: Gadget) -> Origins:
    """The count of the figures that `gadget` states, and of those without an origin."""
    found = [entry.origin for entry in entries(gadget)]
    apart = ("default", *(word for _, word in _PLACES))
    return Origins(sum(origin not in apart for origin in found), found.count("none"))


def figure_text(figure: Figure | Timing) -> str:
    """A figure as the file writes it; the range of a table is `figure.span`."""
    if figure.text:
        return figure.text
    return format_duration(figure.ns) if isinstance(figure, Timing) else f"{figure.value:.6g}"


def standing_text(figure: Figure | Timing) -> str:
    """Where a figure comes from, in words, as far as the figure itself tells."""
    if figure.standing is None:
        if figure.source == "default":
            return _WORDS["default"]
        return figure.source or _WORDS["none"]
    return f"{figure.standing}, {figure.source}" if figure.source else figure.standing
