"""What comes in the instant of power-up, as far as the rows tell: too much rather than too little.

A search lets events of others come at any time behind that instant, and contacts move behind it.
What is told, or moved, within it is asked for here.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from itertools import permutations

from simfw.behaviour.region import Region, System
from simfw.vectors.pair import MARK

__all__ = ["MOST_EARLY", "may_not_end", "moved_at_first", "sequences", "told_at_first"]

MOST_EARLY = 3  # events of which every order is tried


def told_at_first(systems: Iterable[System], core: Collection[str], watched: Collection[str]
                  ) -> tuple[frozenset[str], bool]:  # fmt: skip
    """The events that regions outside of a core, or conditions that are not watched with it, may
    tell in the instant of power-up, and that a region of the core would hear there; and whether
    nothing else moves the core within that instant, so that `sequences` of them are all there is.
    A contact that moves then only begins to settle, unless its row or the next tells something.
    """
    found: set[str] = set()
    alone = True
    for system in systems:
        unwatched = {event for one in system.conditions if one.key not in watched
                     for event in (one.rises, one.falls)}
        others = {*system.raw_events, *(event for one in system.conditions if one.key in watched
                                        for event in (one.rises, one.falls))}
        stands, makers = _at_first(system)
        for region in system.regions:
            if region.name not in core:
                continue
            rows = [row for row in region.rows
                    if not stands[region.name].isdisjoint(row.sources)]
            found |= {row.on for row in rows if row.on is not None and (
                row.on in unwatched or not makers.get(row.on, set()) <= set(core))}
            alone = alone and not any(
                row.after_ns == 0 if row.on is None else row.on in others and
                (row.emit or not row.on.endswith(".edge")) for row in rows)
    return frozenset(found), alone


def sequences(events: Collection[str], marked: Collection[str]) -> Iterator[list[str]]:
    """All orders in which some of a few events may come, each once as in any other instant, with
    those in `marked` that go with them.
    """
    for count in range(len(events) + 1):
        for order in permutations(sorted(events), count):
            yield [one for event in order for one in (event, event + MARK)
                   if one == event or one in marked]


def _at_first(system: System) -> tuple[dict[str, set[str]], dict[str, set[str]]]:
    """By region the states that it may be in within the instant of power-up, and by event who may
    tell it there. Every contact may move, every condition turn.
    """
    stands = {region.name: {state.name for state in region.states} if region.kept
              else {region.starts} for region in system.every}
    makers: dict[str, set[str]] = {}
    free = {*system.raw_events, *(event for one in system.conditions
                                  for event in (one.rises, one.falls))}
    count = -1
    while count != (count := sum(map(len, (*stands.values(), *makers.values())))):
        for region in system.every:
            for row in region.rows:
                comes = row.after_ns == 0 if row.on is None else row.on in free or row.on in makers
                if comes and not stands[region.name].isdisjoint(row.sources):
                    stands[region.name].update(region.entered_by(row))
                    for event in row.emit:
                        makers.setdefault(event, set()).add(region.name)
    return stands, makers


def moved_at_first(regions: Collection[Region], raw: Iterable[str]) -> Iterator[list[str]]:
    """The edges of contacts that may come in the instant of power-up, in any order: of those that
    lead on within that instant. What settles first does so behind it.
    """
    at_once = {(region.name, state) for region in regions for row in region.rows
               if row.on is None and row.after_ns == 0 for state in row.sources}
    edges = [event for event in raw if event.endswith(".edge") and any(
        row.on == event and (row.emit or any(
            (region.name, state) in at_once for state in region.entered_by(row)))
        for region in regions for row in region.rows)]
    for count in range(len(edges) + 1):
        for order in permutations(edges, count):
            yield list(order)


def may_not_end(regions: Collection[Region]) -> bool:
    """Whether regions may keep an instant going: where an event comes of itself, through others, or
    a state whose time is zero may be entered again by what such times and made events lead to.
    """
    calls: dict[object, set[object]] = {}  # by event or state what follows from it at once
    made = {event for region in regions for row in region.rows for event in row.emit}
    begins: list[tuple[object, set[object]]] = []
    for region in regions:
        for row in region.rows:
            at_once = row.after_ns == 0 if row.on is None else row.on in made
            if not at_once:
                continue
            if row.on is not None:
                calls.setdefault(row.on, set()).update(row.emit)
            entered: set[object] = {(region.name, state) for state in region.entered_by(row)}
            for state in row.sources:
                here = (region.name, state)
                calls.setdefault(here, set()).update(entered)
                if row.on is None:
                    begins.append((here, entered or calls[here]))
    begins += [(event, calls.get(event, set())) for event in made]
    return any(thing in _follows(calls, after) for thing, after in begins)


def _follows(calls: dict[object, set[object]], things: Iterable[object]) -> set[object]:
    """Some things, and all that follows from them."""
    found: set[object] = set()
    waiting = list(things)
    while waiting:
        thing = waiting.pop()
        if thing not in found:
            found.add(thing)
            waiting += calls.get(thing, ())
    return found
