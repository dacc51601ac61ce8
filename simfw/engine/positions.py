"""Toggles that stay where they are put: which of them bear on what a gadget draws untouched.

A toggle in its other position is no gesture that ends. So a gadget at rest is one in each position
of those toggles that are asked by what goes on with nobody touching it: a dwell, what a dwell
causes, and what is watched (a sensor's `enabled`, the gauge's `sample` and `show`).
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import product

from simfw.behaviour.expression import Expression, Flag, Inside, leaves
from simfw.behaviour.region import System
from simfw.engine.meeting import spontaneous
from simfw.engine.prepared import Prepared

__all__ = ["MOST_POSITIONS", "asked_toggles", "elsewhere"]

MOST_POSITIONS = 8  # combinations of positions; of more toggles than that each is turned alone


def asked_toggles(system: System) -> list[str]:
    """The toggles whose position is asked with nobody touching the gadget, in file order."""
    written = [region for region in system.regions if region.written]
    events = spontaneous(written)
    asked: list[Expression | None] = [condition.when for condition in system.conditions]
    for region in system.regions:
        asked.append(region.show)
        if region.group != "toggles":
            asked += [row.when for row in region.rows if not region.written
                      or row.after_ns is not None or row.on in events]
    names = set()
    for expression in asked:
        for leaf in () if expression is None else leaves(expression):
            if isinstance(leaf, Inside):
                names.add(leaf.region)
            elif isinstance(leaf, Flag):
                names.add(leaf.name.removesuffix(".closed"))
    return [region.name for region in system.regions
            if region.group == "toggles" and region.name in names]


def elsewhere(prepared: Prepared) -> list[tuple[Mapping[str, str], Prepared]]:
    """The gadget with these toggles in positions other than where all of them start, and those."""
    toggles = prepared.gadget.toggles
    names = asked_toggles(prepared.system)
    starts = {name: toggles[name].starts for name in names}
    other = {name: "off" if at == "on" else "on" for name, at in starts.items()}
    if 2 ** len(names) <= MOST_POSITIONS:
        choices = [dict(zip(names, some, strict=True))
                   for some in product(*[(starts[name], other[name]) for name in names])][1:]
    else:
        choices = [{**starts, name: other[name]} for name in names]
    return [
        (choice, Prepared(prepared.gadget.model_copy(update={"toggles": {
            name: one.model_copy(update={"starts": choice.get(name, one.starts)})
            for name, one in toggles.items()
        }}), like=prepared))
        for choice in choices
    ]
