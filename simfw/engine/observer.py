"""Observers: what may look on while a simulation runs."""

from __future__ import annotations

from collections.abc import Sequence

from simfw.circuit.circuit import ChargerMode, LoadSet
from simfw.engine.run import Interval

__all__ = ["Observer", "TooMany"]


class TooMany(Exception):  # caught by those who set the bound; never seen by a user
    """A simulation, or a repetition, takes more instants than it may."""


class Observer:
    """The base class of observers; override what you need.

    An observer only reads. One that raises stops the run. Where a cycle is folded, `interval` gets
    the whole block (`Interval.cycles` > 0) and `settled` is not called for the instants inside.
    """

    def interval(self, interval: Interval) -> None:
        """A stretch of time with one load set, or a folded block, has gone by."""

    def passed(self, start_ns: int, end_ns: int, start_charge: float, end_charge: float,
               charger: ChargerMode) -> None:  # fmt: skip
        """The same, in little: when, the charge at both ends, what the charger did at the start."""

    def drove(self, start_ns: int, end_ns: int, times: Sequence[tuple[LoadSet, int]],
              start_charge: float, end_charge: float) -> None:  # fmt: skip
        """Likewise: which load sets, each how long (ns) before the first comes again."""

    def counted(self, start_ns: int, end_ns: int, start: float, end: float) -> None:
        """Likewise of the count (0..1) of a gauge that counts charge, where there is one."""

    def event(self, time_ns: int, name: str) -> None:
        """An event was emitted."""

    def emptied(self, time_ns: int) -> None:
        """The protection has opened."""

    def settled(self, time_ns: int, states: tuple[str, ...], happened: frozenset[str]) -> None:
        """An instant has come to rest: the state of each region, and the events it saw."""
