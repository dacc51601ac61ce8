"""What stays as it is left: which toggles and measures bear on what a gadget draws untouched.

A toggle in its other position is no gesture that ends, and it may be dark for long. So a gadget at
rest is one in each position of those toggles, and at each count of those measures, that are asked
by what goes on with nobody touching it: a dwell, what a dwell causes, and what is watched (a
sensor's `enabled`, the gauge's `sample` and `show`). The temperature is that of the room.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import product

from simfw.behaviour.expression import Expression, Flag, Inside, leaves
from simfw.behaviour.region import System
from simfw.engine.meeting import spontaneous
from simfw.engine.prepared import Prepared

__all__ = ["MOST_POSITIONS", "at_start", "elsewhere"]

MOST_POSITIONS = 8  # combinations; of more than that each toggle and measure is moved alone


def _asked(system: System) -> set[str]:
    """The regions and contacts whose state is asked with nobody touching the gadget."""
    events = spontaneous(region for region in system.regions if region.written)
    asked: list[Expression | None] = [condition.when for condition in system.conditions]
    for region in system.regions:
        asked.append(region.show)
        if region.group not in ("toggles", "measures"):
            asked += [row.when for row in region.rows if not region.written
                      or row.after_ns is not None or row.on in events]
    names = set()
    for expression in asked:
        for leaf in () if expression is None else leaves(expression):
            if isinstance(leaf, Inside):
                names.add(leaf.region)
            elif isinstance(leaf, Flag):
                names.add(leaf.name.removesuffix(".closed"))
    return names


def _places(prepared: Prepared) -> dict[str, list[str]]:
    """Of each toggle and measure that is asked where it may be, its start first, in file order."""
    gadget, asked = prepared.gadget, _asked(prepared.system)
    found = {name: ["off", "on"] if toggle.starts == "off" else ["on", "off"]
             for name, toggle in gadget.toggles.items() if name in asked}
    for name, measure in gadget.measures.items():
        if name in asked and measure.source is None:
            others = set(range(len(measure.thresholds) + 1)) - {measure.starts}
            found[name] = [str(count) for count in (measure.starts, *sorted(others))]
    return found


def at_start(prepared: Prepared) -> dict[str, str]:
    """Where those toggles and measures start."""
    return {name: places[0] for name, places in _places(prepared).items()}


def elsewhere(prepared: Prepared) -> list[tuple[Mapping[str, str], Prepared]]:
    """The gadget with these anywhere but where all of them start, and where they are then."""
    places = _places(prepared)
    starts = {name: some[0] for name, some in places.items()}
    choices = [{**starts, name: at} for name, some in places.items() for at in some[1:]]
    together = list(product(*places.values())) if len(choices) < MOST_POSITIONS else []
    if len(together) <= MOST_POSITIONS:
        choices = [dict(zip(places, some, strict=True)) for some in together[1:]] or choices
    return [(choice, _moved(prepared, choice)) for choice in choices]


def _moved(prepared: Prepared, choice: Mapping[str, str]) -> Prepared:
    gadget = prepared.gadget
    toggles = {name: one.model_copy(update={"starts": choice.get(name, one.starts)})
               for name, one in gadget.toggles.items()}
    measures = {name: one.model_copy(update={"starts": int(choice.get(name, one.starts))})
                for name, one in gadget.measures.items()}
    moved = gadget.model_copy(update={"toggles": toggles, "measures": measures})
    return Prepared(moved, like=prepared)
