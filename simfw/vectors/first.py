"""What moves in the instant of power-up, as far as the rows tell: too much rather than too little.

A search lets contacts move at any time behind that instant. What moves within it is asked for here.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from itertools import combinations, permutations

from simfw.behaviour.region import Region

__all__ = ["leading_on", "may_not_end", "moved_at_first"]


def moved_at_first(edges: Collection[str], leading: Collection[str]) -> Iterator[list[str]]:
    """Which of these edges may come in the instant of power-up: in any order where one of them is
    `leading` on within it. What settles first does so behind it, but its time begins there, with
    all others that begin at power-up.
    """
    for count in range(len(edges) + 1):
        for chosen in combinations(edges, count):
            orders = [chosen] if set(leading).isdisjoint(chosen) else permutations(chosen)
            yield from map(list, orders)


def leading_on(regions: Collection[Region], raw: Iterable[str]) -> list[str]:
    """The edges that lead on within the instant in which they come."""
    at_once = {(region.name, state) for region in regions for row in region.rows
               if row.on is None and row.after_ns == 0 for state in row.sources}
    return [event for event in raw if event.endswith(".edge") and any(
        row.on == event and (row.emit or any(
            (region.name, state) in at_once for state in region.entered_by(row)))
        for region in regions for row in region.rows)]


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
