"""Two times that never end together: one of them has always begun no earlier than the other.

Whatever begins the shorter one is told to the region of the longer one, which then leaves where its
time runs, or begins it anew. At power-up both begin together. So as the shorter one ends the longer
one has not run for longer, and that is too short for it.
"""

from __future__ import annotations

from simfw.behaviour.region import Region, Row, System
from simfw.vectors.faults import Fault

__all__ = ["never_together"]


def never_together(system: System, fault: Fault) -> bool:
    """Whether the rows alone show that the two times of a fault never end in one instant."""
    twist = fault.twist
    if not twist.eclipsed or not twist.behind:
        return False
    (lost, mine), (other, its) = (_clock(system, key) for key in (twist.eclipsed, twist.behind))
    pairs = [(mine, its, lost, other), (its, mine, other, lost)]
    return not lost.follows and not other.follows and any(
        (longer.after_ns or 0) > (shorter.after_ns or 0) > 0
        and _begins_anew(region, set(longer.sources), beginning, set(shorter.sources))
        for longer, shorter, region, beginning in pairs)


def _clock(system: System, key: str) -> tuple[Region, Row]:
    return next((region, row) for region in system.every for row in region.rows if row.key == key)


def _begins_anew(region: Region, runs: set[str], beginning: Region, counted: set[str]) -> bool:
    """Whether a region does not go on in any of the states in which a time `runs` where another
    begins a stay in one of those `counted`.
    """
    moves = {event for event in {row.on for row in region.rows if row.on is not None}
             if all(_moves(region, state, event) for state in runs)}
    return all(not moves.isdisjoint((row.on, *row.emit)) for row in beginning.rows
               if not counted.isdisjoint(beginning.entered_by(row)))


def _moves(region: Region, state: str, event: str) -> bool:
    """Whether an event ends a stay, whatever the guards say."""
    rows = [row for row in region.rows if row.on == event and state in row.sources]
    return any(row.when is None for row in rows) and all(row.to != "same" for row in rows)
