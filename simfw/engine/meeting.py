"""Which regions of a system meet, which tick by themselves, and which decide what is drawn."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from simfw.behaviour.expression import (
    Compare,
    Expression,
    Flag,
    Happened,
    Inside,
    Quantity,
    leaves,
)
from simfw.behaviour.region import Region, Row, System

__all__ = [
    "apart",
    "behaviour_of",
    "cone",
    "deciding",
    "leads_out",
    "spontaneous",
]


def behaviour_of(system: System) -> list[Region]:
    """The regions that the file writes."""
    return [region for region in system.regions if region.group == "behaviour"]


def spontaneous(regions: Iterable[Region]) -> frozenset[str]:
    """The events that these regions emit with nobody touching the gadget: by dwells, and by what
    such events cause.
    """
    rows = [row for region in regions for row in region.rows if row.emit]
    found: set[str] = set()
    while True:
        more = {
            event for row in rows if row.after_ns is not None or row.on in found
            for event in row.emit
        }
        if more <= found:
            return frozenset(found)
        found |= more


def _by_itself(row: Row, events: frozenset[str]) -> bool:
    return row.after_ns is not None or row.on in events


def leads_out(region: Region, row: Row, inside: frozenset[str], events: frozenset[str]) -> bool:
    """Whether a row may leave the states `inside` with nobody touching the gadget."""
    return _by_itself(row, events) and not inside.issuperset(region.entered_by(row))


# -- who meets whom ----------------------------------------------------------------------------


@dataclass(slots=True)
class _Reads:
    """The regions and other names that expressions ask about; `levels` are what none drives."""

    regions: set[str]
    others: set[str]
    levels: set[str]


def _reads(expressions: Iterable[Expression | None], drivers: Mapping[str, set[str]]) -> _Reads:
    found = _Reads(set(), set(), set())
    for expression in expressions:
        if expression is None:
            continue
        for leaf in leaves(expression):
            if isinstance(leaf, Inside):
                found.regions.add(leaf.region)
            elif isinstance(leaf, Happened):
                found.others.add(_stem(leaf.event))
            elif isinstance(leaf, Flag):
                found.others.add(_stem(leaf.name))
            elif isinstance(leaf, Compare):
                for side in (leaf.left, leaf.right):
                    if isinstance(side, Quantity):
                        driving = drivers.get(side.name, set())
                        if side.name == "gauge":
                            found.regions.add("gauge")
                        elif not driving:
                            found.levels.add(side.name)
                        found.regions |= driving
    return found


def _stem(name: str) -> str:
    """Who an event or an input comes from."""
    return name.partition(".")[0]


def _drivers(system: System) -> dict[str, set[str]]:
    """The regions that drive each output."""
    found: dict[str, set[str]] = {}
    for region in system.regions:
        for state in region.states:
            for name in state.touches:
                found.setdefault(name, set()).add(region.name)
    return found


def _guards(region: Region) -> list[Expression | None]:
    return [region.show, *(row.when for row in region.rows)]


def deciding(system: System, also: Iterable[str] = ()) -> list[Region]:
    """The written regions whose states may change what is drawn, in file order, and those called
    `also`.

    They drive something, keep the controller awake or let go of its supply, or are asked by what
    does (a sensor's `enabled`, the gauge's `show`). What a dial asks before it turns decides
    nothing: a mode is told with each dial where it starts, and over all its positions.
    """
    drivers = _drivers(system)
    watched: list[Expression | None] = [condition.when for condition in system.conditions]
    for region in system.regions:
        watched.append(region.show)
        if not region.written:
            watched += [row.when for row in region.rows]
    asked = _reads(watched, drivers).regions | set(also)
    return [
        region for region in behaviour_of(system)
        if region.name in asked
        or any(state.touches or state.awake or state.unpowered for state in region.states)
    ]


def cone(system: System, wanted: Iterable[Region]) -> list[Region]:
    """The `wanted` regions and all that may influence them, in the order of the system.

    A button is followed only where it matters in which order its events come: where its state is
    asked for, or more than one of its events is heard.
    """
    drivers = _drivers(system)
    written = {region.name: region for region in behaviour_of(system)}
    emitters: dict[str, set[str]] = {}
    for region in written.values():
        for row in region.rows:
            for event in row.emit:
                emitters.setdefault(event, set()).add(region.name)
    found: set[str] = set()
    asked: set[str] = set()
    heard: set[str] = set()
    ahead = [region.name for region in wanted]
    while ahead:
        name = ahead.pop()
        if name in found or name not in written:
            continue
        found.add(name)
        region = written[name]
        events = {row.on for row in region.rows if row.on is not None}
        sources = _reads(_guards(region), drivers).regions
        heard |= events
        asked |= sources
        ahead += [*sources, *(one for event in events for one in emitters.get(event, ()))]
    followed = {_stem(name) for name in asked - found}
    count = Counter(_stem(event) for event in heard)
    followed |= {stem for stem, events in count.items() if events > 1}
    return [
        region for region in system.regions
        if region.name in found
        or (region.group in ("buttons", "chords") and _stem(region.name) in followed)
    ]


def apart(
    system: System, regions: Sequence[Region], *, outside: bool = False
) -> list[list[Region]]:
    """`regions` in sets that do not meet: no event, guard or source of events is shared.

    With `outside` no set shares a reading of the cell or an input with another either, not even
    in what is watched for it: whatever is done from outside is then done to one set.
    """
    drivers = _drivers(system)
    names = {region.name for region in regions}
    parent = {region.name: region.name for region in regions}

    def root(name: str) -> str:
        while parent[name] != name:
            name = parent[name]
        return name

    def join(together: Iterable[str]) -> None:
        first, *others = [name for name in together if name in names] or [""]
        for other in others:
            parent[root(other)] = root(first)

    owner: dict[str, str] = {}
    for region in regions:
        reads = _reads(_guards(region), drivers)
        stems = {_stem(other) for other in reads.regions - names} | reads.others
        stems |= {_stem(row.on) for row in region.rows if row.on is not None}
        stems |= {_stem(event) for row in region.rows for event in row.emit}
        stems.add(_stem(region.name))
        if outside:
            stems |= reads.levels
        join([region.name, *sorted(reads.regions)])
        for stem in stems:
            join([owner.setdefault(stem, region.name), region.name])
    # What a stock region asks of several is drawn for all of them.
    for region in system.regions:
        if region.name not in names:
            join(sorted(_reads(_guards(region), drivers).regions))
    for condition in system.conditions:
        hearing = [
            region.name for region in regions
            if any(row.on in (condition.rises, condition.falls) for row in region.rows)
        ]
        reads = _reads([condition.when], drivers)
        join([*hearing, *sorted(reads.regions)])
        if outside and hearing:
            for name in sorted(reads.others | reads.levels):
                join([owner.setdefault(name, hearing[0]), hearing[0]])
    sets: dict[str, list[Region]] = {}
    for region in regions:
        sets.setdefault(root(region.name), []).append(region)
    return list(sets.values())
