"""Whether a sequence that repeats once more is ever heard to: not where its state is always left by
the time at which it should have ended.

Up to then it gives what the model gives. A row without a guard that leads on as its time ends leads
on in any case, and so does one that hears what the region tells then itself: in that very instant,
whatever else comes in it. What is given within an instant nobody sees, unless a guard asks for it.
"""

from __future__ import annotations

from dataclasses import replace

from simfw.behaviour.expression import names_in
from simfw.behaviour.region import Region, Row, System
from simfw.vectors.around import asked_by
from simfw.vectors.faults import Fault

__all__ = ["over_in_time"]


def over_in_time(system: System, fault: Fault) -> bool:
    """Whether a fault repeats once more what is never played to its end."""
    if fault.kind != "sequence":
        return False
    (name,) = fault.touched
    region, changed = system.region(name), fault.system.region(name)
    read = {name for one in asked_by(system.regions, system.conditions)
            for name in names_in(one).quantities}
    for state, other in zip(region.states, changed.states, strict=True):
        for output, played in state.sequences.items():
            slipped, total_ns = other.sequences.get(output), played.total_ns
            if slipped == played:
                continue
            if (slipped is None or total_ns is None or (slipped.total_ns or 0) < total_ns
                    or replace(slipped, times=played.times) != played or output in read
                    or not _left_by(region, state.name, total_ns)):
                return False
    return True


def _left_by(region: Region, state: str, age_ns: int) -> bool:
    """Whether a state is left at the latest when it has been entered so long ago. What is kept over
    a loss of the supply is not followed.
    """
    here = [row for row in region.rows if state in row.sources]
    # By event, up to the first row that answers it in any case.
    answers: dict[str, list[Row]] = {}
    for row in here:
        if row.on is not None and all(one.when is not None for one in answers.get(row.on, ())):
            answers.setdefault(row.on, []).append(row)
    leaves = {event for event, rows in answers.items()
              if rows[-1].when is None and all(row.to != "same" for row in rows)}
    return region.kept is None and any(
        row.after_ns is not None and row.after_ns <= age_ns and row.when is None
        and (row.to != "same" or not leaves.isdisjoint(row.emit)) for row in here)
