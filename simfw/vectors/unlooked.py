"""Faults that nobody looks at in time: a region that begins elsewhere, and a waking beside another.

Nothing is searched here: each argument asks a few things of the rows, and where one of them does
not hold nothing is said.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

from simfw.behaviour.region import Drive, Region, State, System
from simfw.vectors.around import asked_by, decided_by, told_apart
from simfw.vectors.exposing import drives_nothing
from simfw.vectors.faults import NONE, Fault

__all__ = ["not_looked_at"]

_Two = tuple[str, str]


def not_looked_at(system: System, fault: Fault) -> bool:
    """Whether the rows alone show that nobody sees what a fault changes."""
    if len(fault.touched) != 1:
        return False
    (name,) = fault.touched
    region, changed = system.region(name), fault.system.region(name)
    if fault.kind == "awake":
        return any(_ticks_with(region, changed, other) for other in system.regions
                   if other is not region)
    begins = (changed.starts if fault.kind == "starts" and fault.twist == NONE
              else fault.twist.only if fault.twist.kept and not fault.twist.counts else "")
    if begins and _as_good(system, region, begins):
        return True
    if fault.kind == "starts" and fault.twist == NONE:
        return _set_in_time(system, region, {(region.starts, changed.starts)})
    if fault.kind == "kept" and fault.twist.kept and not fault.twist.counts:
        return not fault.twist.only and _set_in_time(
            system, region, {(region.starts, one.name) for one in region.states})
    return False


# -- a region that begins in a state that is as good -----------------------------------------------


def _as_good(system: System, region: Region, begins: str) -> bool:
    """Whether a written region that begins in another state cannot be known from one that begins
    where it should: the two states drive the same, nobody asks which of them it is, and the rows
    of both say the same, one by one, and lead to the same states.
    """
    one, other = region.state(region.starts), region.state(begins)
    return (region.group == "behaviour" and region.kept is None and not region.resume_points
            and (_driven(one), one.awake, one.unpowered)
            == (_driven(other), other.awake, other.unpowered)
            and not one.unpowered and not one.sequences and not other.sequences
            and not told_apart(system, asked_by(system.regions, system.conditions), region.name,
                               [(one.name, other.name)])
            and _said(region, one.name) == _said(region, other.name))


def _driven(state: State) -> tuple[object, ...]:
    """All that a state gives to outputs: what is off is as good as not driven."""
    outputs = {name: drive for name, drive in state.outputs.items() if drive != Drive(0.0)}
    return (outputs, *state.gives[1:])


def _said(region: Region, state: str) -> list[tuple[object, ...]]:
    """What the rows of a state say, in their order."""
    return [(row.on, row.after_ns, row.when, row.to, row.emit) for row in region.rows
            if state in row.sources]


# -- a region that begins elsewhere ----------------------------------------------------------------


def _set_in_time(system: System, region: Region, begins: set[_Two]) -> bool:
    """Whether a region that begins elsewhere is set to one state before anything goes by it.

    It does nothing by itself, no guard of its own decides what it does, and nothing asks for it but
    states that drive or scale by it. The regions of these states come into none of them without an
    event that sets it, wherever it stands. What it tells otherwise until then nobody hears.
    """
    plain = not (system.clocks or drives_nothing(system) or region.kept or region.resume_points
                 or any(row.on is None or row.when is not None or row.to == "resume"
                        for row in region.rows)
                 or any(region.name in decided_by(system, one)
                        for one in asked_by(system.regions, system.conditions)))
    if not plain or not _hides(region):
        return False
    pairs = set(_apart(region, begins))
    sets = {row.on for row in region.rows if row.on is not None and all(
        len({_after(region, state, row.on)[0] for state in pair}) == 1 for pair in pairs)}
    free: dict[str, set[str]] = {}  # where a region that looks may be until then
    for other in system.regions:
        looks = {state.name for state in other.states if region.name in state.dials}
        if looks:
            free[other.name] = _without(other, sets)
            if other is region or other.kept or not looks.isdisjoint(free[other.name]):
                return False
    heard = {row.on for other in system.regions for row in other.rows}
    return not any(
        event in heard for on in _may_come(system, region, free) for one, two in pairs
        for event in set(_after(region, one, on)[1]) ^ set(_after(region, two, on)[1]))


def _hides(region: Region) -> bool:
    """Whether nothing shows of a region but by states that go by it as a dial."""
    return len({(state.awake, state.unpowered) for state in region.states}) == 1 and not any(
        state.drives or state.takes_out or state.scales or state.dial_scales
        for state in region.states)


def _after(region: Region, state: str, event: str) -> tuple[str, tuple[str, ...]]:
    """Where an event leads a region without guards, and what that tells."""
    row = next((row for row in region.rows if row.on == event and state in row.sources), None)
    if row is None:
        return state, ()
    return (state if row.to == "same" else row.to), row.emit


def _apart(region: Region, begins: Iterable[_Two]) -> Iterator[_Two]:
    """The pairs of different states in which the region and its copy may be together."""
    events = {row.on for row in region.rows if row.on is not None}
    known, waiting = set[_Two](), [pair for pair in begins if pair[0] != pair[1]]
    while waiting:
        pair = waiting.pop()
        if pair in known:
            continue
        known.add(pair)
        yield pair
        for event in events:
            one, two = (_after(region, state, event)[0] for state in pair)
            if one != two:
                waiting.append((one, two))


def _without(region: Region, events: set[str]) -> set[str]:
    """The states that a region may be in from power-up on until one of some events has come."""
    found = {region.starts}
    while True:
        more = {to for row in region.rows if row.on not in events
                and not found.isdisjoint(row.sources) for to in region.entered_by(row)}
        if more <= found:
            return found
        found |= more


def _may_come(system: System, region: Region, free: dict[str, set[str]]) -> Iterator[str]:
    """The events that a region may hear until then."""
    for event in {row.on for row in region.rows if row.on is not None}:
        makers = [(other, row) for other in system.regions for row in other.rows
                  if event in row.emit]
        if not makers or any(other.name not in free or not free[other.name].isdisjoint(row.sources)
                             for other, row in makers):
            yield event


# -- a waking beside another -----------------------------------------------------------------------


def _ticks_with(region: Region, changed: Region, other: Region) -> bool:
    """Whether the states that do not keep awake are passed through in instants in which another
    region is awake, or has just been.

    That one waits the same time in every state, always goes on then, and comes from a state that
    keeps awake or into one. The other's times are whole multiples of it. Both begin at power-up,
    and hear nothing.
    """
    slept = {one.name for one, two in zip(region.states, changed.states, strict=True) if one != two}
    rows = (*region.rows, *other.rows)
    if (any(row.on is not None or row.to in ("same", "resume") for row in rows)
            or region.kept or other.kept or region.rows != changed.rows
            or any(replace(one, awake=two.awake) != two
                   for one, two in zip(region.states, changed.states, strict=True))):
        return False
    period = max((row.after_ns or 0 for row in other.rows), default=0)
    if not period or any((row.after_ns or 0) % period for row in rows):
        return False
    for state in other.states:
        ends = [row for row in other.rows if state.name in row.sources]
        if (not ends or ends[-1].when is not None or len({row.after_ns for row in ends}) > 1
                or (ends[0].after_ns and not state.awake
                    and not all(other.state(row.to).awake for row in ends))):
            return False
    passed = {state for row in region.rows if row.after_ns == 0 and row.when is None
              for state in row.sources}
    first = {region.starts}  # in the instant of power-up the other one may be asleep
    while more := {row.to for row in region.rows if row.after_ns == 0
                   and not first.isdisjoint(row.sources)} - first:
        first |= more
    return slept <= passed and slept.isdisjoint(first)
