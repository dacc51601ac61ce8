"""The whole state of a simulation between two instants, so that a run can be resumed."""

from __future__ import annotations

from dataclasses import dataclass, replace

from simfw.circuit.circuit import ChargerMode

__all__ = ["RegionState", "RuleStand", "RuleState", "Snapshot"]

RuleState = tuple[tuple[int, str] | None, tuple[int, ...], int | None, bool]
# Of a rule that looks at times: the time left to each open demand (ns), how long the statement has
# held (ns; -1: it does not), and whether the condition held last.
RuleStand = tuple[tuple[int, ...], int, bool]


@dataclass(frozen=True, slots=True)
class RegionState:
    """One region: its state, when it entered it, how many of its dwells are spent, its memory."""

    state: str
    entered_ns: int
    spent: int
    memory: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshot:
    """Everything a continuation needs. Times are absolute, counted from the first run's start.

    The charge is `base + moved` (0..1), kept apart so that no digits are lost. `pending` are
    stimuli that began before and end later: (time, kind, name, value). `counted` is the count of a
    gauge that counts charge (0..1), None without. `released`: the firmware has let go of its
    supply; `open_ns` is when a contact or USB powered it last, None where none has since power-up;
    `kept` is what survives a power loss, by region.
    """

    time_ns: int
    base: float
    moved: float
    alive: bool
    regions: tuple[RegionState, ...]
    clocks: tuple[RegionState, ...] = ()
    conditions: tuple[bool, ...]
    contacts: tuple[tuple[str, bool], ...]
    hands: tuple[tuple[str, float], ...]
    measures: tuple[tuple[str, float], ...] = ()
    usb: bool
    temperature_c: float
    charger: ChargerMode
    protected: bool
    faulty: bool = False
    cut: bool = False
    released: bool = False
    open_ns: int | None = None
    pending: tuple[tuple[int, str, str, float], ...]
    rules: tuple[RuleState, ...]
    counted: float | None = None
    kept: tuple[tuple[str, str | None], ...] = ()

    def from_zero(self) -> Snapshot:
        """The same, so that time is counted from here on: what came before has times below 0."""
        by = self.time_ns

        def earlier(parts: tuple[RegionState, ...]) -> tuple[RegionState, ...]:
            return tuple(replace(part, entered_ns=part.entered_ns - by) for part in parts)

        return replace(
            self, time_ns=0, regions=earlier(self.regions), clocks=earlier(self.clocks),
            open_ns=None if self.open_ns is None else self.open_ns - by,
            pending=tuple((at_ns - by, kind, name, value)
                          for at_ns, kind, name, value in self.pending),
            rules=tuple((broken, tuple(end - by for end in ends),
                         None if since is None else since - by, was)
                        for broken, ends, since, was in self.rules),
        )
