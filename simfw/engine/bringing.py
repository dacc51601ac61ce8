"""Where a gadget is brought by what hands hold: a button that stays down, USB that stays in."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from dataclasses import replace
from itertools import product
from pathlib import Path

from simfw.behaviour.region import Region, System
from simfw.engine.prepared import Prepared
from simfw.engine.reachable import Stand
from simfw.engine.resume import snapshot
from simfw.engine.simulation import Simulation
from simfw.errors import EndlessInstant
from simfw.stimuli.inputs import input_of
from simfw.stimuli.scenario import Expect, Scenario, Step

__all__ = ["begun", "brought", "caused_by"]

_LOOKS_NS = tuple(seconds * 10**9 for seconds in (2, 20, 120))
_MOST_INSTANTS = 20_000
_LESS = 1e-4  # of the cell


def begun(system: System, regions: Sequence[Region]) -> System:
    """The same with other starts of its regions, and the clocks of sequences as they begin then."""
    starts = {region.name: region.starts for region in regions}
    return replace(system, regions=tuple(regions), clocks=tuple(
        replace(clock, starts=clock.begins[starts[clock.follows]]) for clock in system.clocks))


def caused_by(system: System, held: Sequence[Step]) -> frozenset[str]:
    """The events of the stock regions that what is held has moved: they have come already."""
    names = {_stem(step) for step in held}
    return frozenset(
        event for region in system.regions
        if not region.written and region.name.partition(".")[0] in names
        for row in region.rows for event in row.emit
    ) if names else frozenset()


def _stem(step: Step) -> str:
    """The first part of the names of the regions that hear a step."""
    kind = input_of(step)
    assert kind is not None
    assert not isinstance(step, Expect)
    return step.target if kind.section else "charge"


def brought(
    prepared: Prepared, states: Sequence[tuple[str, str]], charge: float, held: Sequence[Step],
    stock: Sequence[tuple[str, str]],
) -> Stand | None:
    """The stand to which a gadget comes from `states` while `held` goes on.

    `states` are those of regions and dials, exact or families, and stay as they are; each other
    region is where it came within 2 s, or later where one of `stock` took longer. None where those
    of `stock` were not reached within 2 minutes.
    """
    rows = prepared.system
    named = {
        name: next(one.name for one in rows.region(name).states if _is_of(one.name, state))
        for name, state in states
    }
    system = begun(rows, [replace(region, starts=named.get(region.name, region.starts))
                          for region in rows.regions])
    moved = prepared.with_system(system) if named else prepared.without_rules()
    # What is full is not charged, so that nothing completes: it was a little less before.
    for start, lasts_ns in product((charge, max(charge - _LESS, 0.0)), _LOOKS_NS):
        rest = Scenario(gadget_path=Path(), charge=start, lasts_ns=lasts_ns, steps=tuple(held))
        simulation = Simulation(moved, rest, 0, True, False, (), None, log=False)
        with contextlib.suppress(EndlessInstant):
            simulation.go(_MOST_INSTANTS)
        at = {region.name: now.state for region, now in zip(
            system.regions, snapshot(simulation).regions, strict=True)}
        if all(_is_of(at[name], state) for name, state in stock):
            return _stand(prepared, at | named)
    return None


def _stand(prepared: Prepared, at: dict[str, str]) -> Stand:
    by_group = {group: [(region.name, at[region.name]) for region in prepared.system.regions
                        if region.group == group] for group in ("behaviour", "dials")}
    found = prepared.standing().of(by_group["behaviour"])
    return Stand(allowed=found.allowed, states={**found.states, **dict(by_group["dials"])})


def _is_of(state: str, wanted: str) -> bool:
    return state == wanted or state.startswith(f"{wanted}.")
