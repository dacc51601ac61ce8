"""The whole state of a simulation between two instants, so that a run can be resumed."""

from __future__ import annotations

from dataclasses import dataclass

from simfw.circuit.circuit import ChargerMode

__all__ = ["RegionState", "Snapshot"]


@dataclass(frozen=True, slots=True)
class RegionState:
    """One region: its state, when it entered it, the rows spent in this stay, its memory."""

    state: str
    entered_ns: int
    spent: tuple[int, ...] = ()
    resume: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshot:
    """Everything a continuation needs. Times are absolute, counted from the first run's start."""

    time_ns: int
    charge: float
    drawn_c: float
    regions: tuple[RegionState, ...]
    conditions: tuple[bool, ...]
    contacts: tuple[tuple[str, bool], ...]
    hands: tuple[tuple[str, float], ...]
    usb: bool
    temperature_c: float
    charger: ChargerMode
    protected: bool
    open_edges: tuple[tuple[int, str, bool], ...] = ()
    open_rules: tuple[tuple[str, int, bool], ...] = ()
