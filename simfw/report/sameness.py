"""Whether two explanations are proved to be one gadget in all that can be seen of them.

Both behaviours are searched as one machine with shared inputs and free readings, under the rule
that what they drive never differs; nothing is said where that search does not come to its end. As
long as both draw the same their cells read the same, and so on from instant to instant: where the
awake time of every region is part of the rule, and waking costs nothing beside it, the current
cannot tell them either.
"""

from __future__ import annotations

from dataclasses import replace

from simfw.behaviour.build import build_system
from simfw.behaviour.region import Drive, System
from simfw.benchlog.experiments import Proof
from simfw.benchlog.model import differ_in
from simfw.circuit.wake import wake_of
from simfw.gadget.model import Gadget, Gauge
from simfw.vectors.equal import Prover
from simfw.vectors.faults import Fault

__all__ = ["proved_same"]

# What the rows are made of. Nothing else of a gadget file is read by them; the other way round
# these draw nothing but by what their rows drive and how long they keep awake.
_ROWS = {"buttons", "chords", "toggles", "proximity", "measures", "gauge", "dials", "sequences",
         "behaviour"}
_ELECTRICAL = {"proximity", "measures", "gauge", "dials"}


def proved_same(one: Gadget, other: Gadget) -> Proof | None:
    """What is proved to be the same of two gadgets; None where nothing is."""
    differ = differ_in(one, other)
    first, second = build_system(one), build_system(other)
    if differ - _ROWS or _but_for_samples(one.gauge) != _but_for_samples(other.gauge):
        return None
    drawn_by_rows = not differ & _ELECTRICAL
    if first == second:
        return "all" if drawn_by_rows else None
    if (drawn_by_rows and wake_of(one.controller).charge_c == 0.0
            and _always_alike(_awake_shown(first), _awake_shown(second), one)):
        return "all"
    return "rows" if _always_alike(first, second, one) else None


def _but_for_samples(gauge: Gauge | None) -> Gauge | None:
    """The gauge with its samples as far apart as nobody says: the rest decides what is read."""
    return None if gauge is None else gauge.model_copy(
        update={"every": Gauge.model_fields["every"].default})


def _always_alike(first: System, second: System, gadget: Gadget) -> bool:
    """Whether it is proved that two behaviours drive the same, instant by instant; how often the
    controller wakes meanwhile is not asked.
    """
    shapes = [[(region.name, region.group, region.show, region.touches)
               for region in system.regions] for system in (first, second)]
    apart = any(getattr(first, name) != getattr(second, name) for name in (
        "conditions", "raw_events", "contacts", "measures", "clocks", "status_levels"))
    if shapes[0] != shapes[1] or apart or any(
        set(getattr(first, name)) != set(getattr(second, name))
        for name in ("events", "internal_events")
    ):
        return False  # they cannot be laid beside one another
    if any(region.kept or region.lets_go
           for system in (first, second) for region in system.regions):
        return False  # the search does not follow a supply that fails
    touched = frozenset(a.name for a, b in zip(first.regions, second.regions, strict=True)
                        if a != b)
    rival = Fault("rival", "", "", second, touched)
    return Prover(first, gadget.segments, wakes=False).same(rival)


def _awake_shown(system: System) -> System:
    """The same where each region that keeps the controller awake drives something by that."""
    return replace(system, regions=tuple(
        replace(region, states=tuple(
            replace(state, outputs={**state.outputs, f"({region.name} awake)": Drive(1.0)})
            if state.awake else state for state in region.states))
        for region in system.regions))
