"""Shortest, typical and longest: a time of the gadget at the corners of its range and its clock."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

from simfw.behaviour.region import Row
from simfw.gadget.figures import entries
from simfw.quantity import Timing, format_duration

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget

__all__ = ["Corners", "Window", "rounded_down", "rounded_up"]


@dataclass(frozen=True, slots=True)
class Window:
    """A time in ns: shortest, typical, longest."""

    low_ns: int
    ns: int
    high_ns: int

    @property
    def texts(self) -> tuple[str, str, str]:
        """The three as texts."""
        if self.low_ns == self.ns == self.high_ns:
            return (format_duration(self.ns),) * 3
        return rounded_down(self.low_ns), format_duration(self.ns), rounded_up(self.high_ns)


def _step(ns: int) -> int:
    """The last of four significant digits of a time."""
    return int(10 ** max(0, len(str(ns)) - 4))


def rounded_down(ns: int) -> str:
    """A shortest time to four significant digits: never longer than it is."""
    return format_duration(ns // _step(ns) * _step(ns))


def rounded_up(ns: int) -> str:
    """A longest time to four significant digits: never shorter than it is."""
    return format_duration(-(-ns // _step(ns)) * _step(ns))


class Corners:
    """Works out windows. `clock` is how far the controller's clock may be off (0..1).

    A clock that runs fast by e ends a nominal time T after T / (1 + e); the corners are those of
    e = +clock and e = -clock, on top of the range that the file gives for the time itself.
    """

    def __init__(self, gadget: Gadget) -> None:
        controller = gadget.controller
        written = None if controller is None else controller.clock
        self.clock = None if written is None else Fraction(repr(written.value))
        self.timings: Mapping[str, Timing] = {
            entry.key: entry.figure for entry in entries(gadget) if isinstance(entry.figure, Timing)
        }

    def of(self, low_ns: int, ns: int, high_ns: int) -> Window:
        """The window of a time with its own range."""
        off = self.clock or Fraction(0)
        return Window(int(low_ns / (1 + off)), ns, math.ceil(high_ns / (1 - off)))

    def timing(self, timing: Timing) -> Window:
        """The window of a time of the gadget file."""
        return self.of(timing.low_ns, timing.ns, timing.high_ns)

    def row(self, row: Row) -> Window | None:
        """The window of a row that fires after a dwell; None for a row on an event.

        A stock dwell may be what is left of a written time (the pause between two looks); it then
        has the spread of the written time.
        """
        if row.after_ns is None:
            return None
        key = re.sub(r"#\d+$", "", row.key)
        written = self.timings.get(key) or self.timings.get(f"{key}.after")
        if written is None:
            return self.of(row.after_ns, row.after_ns, row.after_ns)
        return self.of(
            max(0, row.after_ns + written.low_ns - written.ns),
            row.after_ns,
            row.after_ns + written.high_ns - written.ns,
        )
