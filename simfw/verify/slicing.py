"""Which regions of a gadget bear on what is asked.

Leaving the others out is exact.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from simfw.behaviour import expression as ex
from simfw.behaviour.region import Condition, System

__all__ = ["loosened", "mentions", "needed_regions", "union"]


def mentions(expression: ex.Expression | None) -> ex.Mentioned:
    """What an expression names; nothing where there is none."""
    return ex.names_in(expression if expression is not None else ex.Constant(True))


def union(some: Iterable[ex.Mentioned]) -> ex.Mentioned:
    """All that some expressions name."""
    regions: set[str] = set()
    flags: set[str] = set()
    quantities: set[str] = set()
    events: set[str] = set()
    for one in some:
        regions |= one.regions
        flags |= one.flags
        quantities |= one.quantities
        events |= one.events
    return ex.Mentioned(regions=frozenset(regions), flags=frozenset(flags),
                        quantities=frozenset(quantities), events=frozenset(events))


def needed_regions(system: System, asked: Iterable[ex.Expression]) -> frozenset[str]:
    """The regions that can influence `asked`: those it reads and, step by step, all they depend on.

    Leaving the others out is exact: no region can stop time or another region's rows.
    """
    emitters: dict[str, set[str]] = {}
    for region in system.regions:
        for row in region.rows:
            for event in row.emit:
                emitters.setdefault(event, set()).add(region.name)
    conditions: dict[str, list[Condition]] = {}
    for condition in system.conditions:
        for event in (condition.rises, condition.falls):
            conditions.setdefault(event, []).append(condition)
    wanted: set[str] = set()
    pending: list[ex.Expression] = list(asked)
    heard: set[str] = set()

    def hear(event: str) -> None:
        if event in heard:
            return
        heard.add(event)
        for name in emitters.get(event, ()):
            want(name)
        for condition in conditions.get(event, ()):
            pending.append(condition.when)

    def want(name: str) -> None:
        if name in wanted:
            return
        wanted.add(name)
        for row in system.region(name).rows:
            if row.on is not None:
                hear(row.on)
            if row.when is not None:
                pending.append(row.when)

    while pending:
        mentioned = ex.names_in(pending.pop())
        for name in mentioned.regions:
            want(name)
        for event in mentioned.events:
            hear(event)
        for quantity in mentioned.quantities:
            if quantity == "gauge":
                want("gauge")
            elif quantity not in ex.CONTINUOUS:
                for region in system.regions:
                    if quantity in region.touches:
                        want(region.name)
                        if region.show is not None:
                            pending.append(region.show)
    return frozenset(wanted)


def loosened(system: System, asked: Sequence[ex.Expression]) -> System:
    """Contacts that may make presses in any order, where nothing else asks for the gesture.

    The guards of a contact read only whether its button is pressed. Where no region hears what the
    gesture makes of the presses and none reads it, these guards would drag one more region of two
    states per button into the search; without them more can happen, never less.
    """
    contacts = {
        region.name for region in system.regions
        if region.group == "buttons" and region.name.endswith(".contact")
    }

    def without_guards(names: set[str]) -> System:
        return replace(system, regions=tuple(
            replace(region, rows=tuple(replace(row, when=None) for row in region.rows))
            if region.name in names else region
            for region in system.regions
        ))

    wanted = needed_regions(without_guards(contacts), asked)
    # One whose level is read is not collapsed: without guards its first row alone would ever fire.
    read = union(mentions(one) for one in [
        *asked, *(condition.when for condition in system.conditions),
        *(row.when for region in system.regions if region.name not in contacts
          for row in region.rows)]).flags
    loose = {
        name for name in contacts if f"{name.removesuffix('.contact')}.gesture" not in wanted
        and f"{name.removesuffix('.contact')}.closed" not in read
    }
    return without_guards(loose) if loose else system
