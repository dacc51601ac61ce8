"""Faults that the rows alone show to be none: what is said is said otherwise, or never heard.

No moment is searched here. Each proof names what it rests on; where that does not hold it says
nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Set
from dataclasses import replace
from itertools import product
from math import prod

from simfw.behaviour.expression import (
    Constant,
    Expression,
    Inside,
    Leaf,
    leaves,
    names_in,
    truth,
)
from simfw.behaviour.region import Condition, Region, Row, System
from simfw.vectors.around import answers, asked_by
from simfw.vectors.exposing import drives_nothing
from simfw.vectors.faults import NONE, Fault, Twist
from simfw.vectors.gaps import Gaps
from simfw.vectors.grids import begins_with_ticks
from simfw.vectors.pair import reach
from simfw.vectors.twisted import differing

__all__ = ["says_the_same"]

DEEP = 4  # events that are followed back to what makes them
MOST_MOMENTS = 5_000  # combinations of what the guards of one event in one state ask


def says_the_same(system: System, fault: Fault) -> bool:
    """Whether the rows alone tell that a fault changes nothing at the pins."""
    twist = fault.twist
    if twist.unseen:  # an edge that only begins anew what has just begun is as good as none
        return _unseen_by_all(system, fault) or (
            twist.unseen in system.contacts and _edge_alike(system, twist.unseen))
    if len(fault.touched) != 1 and not twist.edge:
        return False
    if twist.edge:
        return _edge_alike(system, twist.edge)
    (name,) = fault.touched
    region, changed = system.region(name), fault.system.region(name)
    if twist.keeps:
        entering = [row for row in region.rows if row.key == twist.keeps]
        return all(_gated(system, region, state, row) for row in entering
                   for state in region.entered_by(row))
    if twist.lost and not twist.failed:
        return (_lost_anyway(system, region, twist) or _never_just_behind(system, region, twist)
                or _ends_between(system, region, twist))
    if fault.kind == "begun":
        more = [row for row in changed.rows if row not in region.rows]
        return _begun_already(system, region, more) or begins_with_ticks(system, region, more)
    if twist != NONE or fault.kind in ("condition", "regions"):
        return False
    if fault.kind == "again" and _asked_in_vain(system, region, fault.about):
        return True
    if fault.kind == "awake":
        others = [one for one in system.regions if one.name != name]
        return _awake_anyway(region, changed, others)
    return _rows_alike(system, region, changed)


# -- rows that say the same in other words -------------------------------------------------------


def _rows_alike(system: System, region: Region, changed: Region) -> bool:
    """Whether each event does the same in each state, whatever the guards find.

    An event is taken by the first row whose guard holds, and all guards are read in that moment.
    Times have to stand there as they did, up to where the stay ends in any case: several rows of
    one time are read one after another.
    """
    if replace(region, rows=()) != replace(changed, rows=()):
        return False
    # Nearly all rows are the very same: where no other one fires nothing has to be looked at.
    other = differing(region.rows, changed.rows)
    waiting = {state for row in other if row.on is None for state in row.sources}
    if not all(_times(region, state) == _times(changed, state)
               or _ends_alike(system, region, changed, state) for state in waiting):
        return False
    heard = {(row.on, state) for row in other for state in row.sources if row.on is not None}
    return all(_answers_alike(system, region, state, *(
        [row for row in one.rows if row.on == event and state in row.sources]
        for one in (region, changed))) for event, state in sorted(heard, key=str))


def _ends_alike(system: System, region: Region, changed: Region, state: str) -> bool:
    """Whether the times of a state end alike though their rows stand in another order: those of one
    time all lead on, so that the first whose guard holds ends the stay, and it is the same one
    whatever the guards find. Nothing comes between two of them.
    """
    own, other = ({after: [row for row in one.rows if row.after_ns == after
                           and state in row.sources] for after in dict.fromkeys(
        row.after_ns for row in one.rows if row.after_ns is not None and state in row.sources)}
        for one in (region, changed))
    return own.keys() == other.keys() and all(
        rows == other[after] or (
            all(row.to != "same" for row in (*rows, *other[after]))
            and _answers_alike(system, region, state, rows, other[after]))
        for after, rows in own.items())


def _times(region: Region, state: str) -> list[tuple[object, ...]]:
    """What the times of a state do one after another, up to a row that has no guard and leads on:
    nothing behind it ever comes.
    """
    found: list[tuple[object, ...]] = []
    for row in sorted((row for row in region.rows if row.after_ns is not None
                       and state in row.sources), key=lambda row: row.after_ns or 0):
        found.append((row.after_ns, row.when, row.to, row.emit))
        if row.when is None and row.to != "same":
            break
    return found


def _answers_alike(system: System, region: Region, state: str, rows: list[Row], others: list[Row]
                   ) -> bool:  # fmt: skip
    if rows == others:
        return True
    name, idle = region.name, _idle(region, state)
    asked = dict.fromkeys(leaf for row in (*rows, *others) if row.when is not None
                          for leaf in leaves(row.when))
    regions = {leaf.region for leaf in asked if isinstance(leaf, Inside)}
    free = [leaf for leaf in asked if not isinstance(leaf, Inside | Constant)]
    states = {one: [state] if one == name else [each.name for each in system.region(one).states]
              for one in sorted(regions)}
    if prod(map(len, states.values())) * 2 ** len(free) > MOST_MOMENTS:
        return False
    for standing in product(*states.values()):
        where = dict(zip(states, standing, strict=True))
        for holds in answers(free):
            if _first(rows, where, holds, idle) != _first(others, where, holds, idle):
                return False
    return True


def _idle(region: Region, name: str) -> str:
    """The state, where entering it anew is as good as staying in it; "" where it is not.

    Nothing may begin with it: no time runs in it, it plays no sequence, keeps nobody awake, is not
    remembered, and lets go of nothing.
    """
    state = region.state(name)
    begins = (state.awake or state.unpowered or state.sequences or name in region.resume_points
              or any(row.on is None and name in row.sources for row in region.rows))
    return "" if begins else name


def _first(rows: list[Row], where: Mapping[str, str], holds: Mapping[Expression, bool],
           idle: str) -> object:
    """What the first row does whose guard holds; None where none does anything."""

    def found(leaf: Leaf) -> bool:
        return where[leaf.region] in leaf.states if isinstance(leaf, Inside) else holds[leaf]

    for row in rows:
        if row.when is None or truth(row.when, found):
            to = "same" if row.to == idle else row.to
            return None if to == "same" and not row.emit else (to, row.emit)
    return None


def _lost_anyway(system: System, region: Region, twist: Twist) -> bool:
    """Whether a row that is lost just behind another does nothing there.

    The region stands then where that other row has led it. Who lets go of the supply may find it
    elsewhere when that is back.
    """
    if any(state.unpowered for one in system.regions for state in one.states):
        return False
    first, then = (next(row for row in region.rows if row.key == key)
                   for key in (twist.behind, twist.lost))
    if then.on is None:
        return False
    led = first.sources if first.to == "same" else region.entered_by(first)
    for state in set(led) & set(then.sources):
        rows = [row for row in region.rows if row.on == then.on and state in row.sources]
        gone = [replace(row, to="same", emit=()) if row is then else row for row in rows]
        if not _answers_alike(system, region, state, rows, gone):
            return False
    return True


# -- times that a condition decides on ----------------------------------------------------------


def _asked_in_vain(system: System, region: Region, key: str) -> bool:
    """Whether a guard that has failed only lets its row lead, when it is asked again, where the
    region then has been led: by the condition that the guard asks for, as that came true.
    """
    return all(any(_waits_for(system, region, state, one) for one in system.conditions)
               for row in region.rows if row.key == key for state in row.sources)


def _gated(system: System, region: Region, state: str, entering: Row) -> bool:
    """Whether the times of a state hardly matter where it has been entered as a condition fell."""
    return any(entering.on == one.falls and _waits_for(system, region, state, one)
               for one in system.conditions)


def _waits_for(system: System, region: Region, state: str, one: Condition) -> bool:
    """Whether the times of a state hardly matter while a condition does not hold.

    They end with that same condition for a guard, and lead where its coming true leads at once:
    until it does no end is heard, and then both come to the same in the same instant. The condition
    asks where one region stands, and what leads away from there takes time: it does not come true
    for a part of an instant. Nothing but the condition itself says that it has turned, and nobody
    may see which of the two was first: no other region, and not this one, which meanwhile hears
    nothing else in either state, nor goes on from there at once.
    """
    ends = [row for row in region.rows if row.on is None and state in row.sources]
    if not isinstance(one.when, Inside) or not ends:
        return False
    asked = system.region(one.when.region)
    rising = [row for row in region.rows if row.on == one.rises]
    first = next((row for row in rising if state in row.sources), None)
    return (asked.name != region.name and first is not None and first.when is None
            and _is_alone(system, region, one, {state, first.to})
            and not first.emit and first.to not in ("same", "resume", state)
            and all(row.when == one.when and (row.to, row.emit) == (first.to, ())
                    and row.after_ns for row in ends)
            and not any(first.to in row.sources for row in rising)
            and _takes_time(asked, one.when.states) and not _looked_at(system, region))


def _is_alone(system: System, region: Region, one: Condition, states: Set[str]) -> bool:
    """Whether a region hears in these states of one condition only, of which that alone tells."""
    turns = {one.rises, one.falls}
    return (all(row.after_ns if row.on is None else row.on in turns
                for row in region.rows if not states.isdisjoint(row.sources))
            and not any(turns.intersection(row.emit) for other in system.every
                        for row in other.rows))


def _takes_time(region: Region, states: frozenset[str]) -> bool:
    """Whether only times lead away from these states."""
    return all(row.after_ns for row in region.rows for state in row.sources
               if state in states and row.to != "same"
               and not states.issuperset(region.entered_by(row)))


def _looked_at(system: System, region: Region) -> bool:
    """Whether others ask where a region stands, or how bright is what it drives."""
    found = [names_in(one) for one in asked_by(system.regions, system.conditions)]
    return any(region.name in one.regions or one.quantities & region.touches for one in found)


# -- times that have just begun -----------------------------------------------------------------


def _begun_already(system: System, region: Region, more: Sequence[Row]) -> bool:
    """Whether an event that begins times anew comes in the very instants alone in which they begin.

    It is told by what the region itself has told as it entered a state, by others at once. Nothing
    ends at once where it begins anew.
    """
    passing = {state for row in region.rows if row.after_ns == 0 for state in row.sources}
    return all(row.on is not None and passing.isdisjoint(row.sources)
               and _told_by_entering(system, region, row.on, DEEP) is not None for row in more)


def _told_by_entering(system: System, region: Region, event: str, deep: int) -> set[str] | None:
    """The rows of a region by which an event is told in the end, each as it enters a state; None
    where anything else may tell it.
    """
    makers = [(one, row) for one in system.every for row in one.rows if event in row.emit]
    if not makers or deep == 0 or event in system.raw_events or any(
            event in (one.rises, one.falls) for one in system.conditions):
        return None
    found: set[str] = set()
    for one, row in makers:
        before = ({row.key} if one is region and row.to != "same" else
                  None if one is region or row.on is None else
                  _told_by_entering(system, region, row.on, deep - 1))
        if before is None:
            return None
        found |= before
    return found


def _never_just_behind(system: System, region: Region, twist: Twist) -> bool:
    """Whether a row that is lost just behind another never comes there: what it waits for is told
    by what the region itself has told as it entered a state, and the other row, whose time has to
    run first, is none of those that do.
    """
    first, then = (next(row for row in region.rows if row.key == key)
                   for key in (twist.behind, twist.lost))
    told = None if then.on is None else _told_by_entering(system, region, then.on, DEEP)
    return bool(first.after_ns) and told is not None and first.key not in told


def _ends_between(system: System, region: Region, twist: Twist) -> bool:
    """Whether a time that nothing holds up always ends between a row and another that is lost just
    behind it: in each state in which both may fire one runs that is shorter than it takes the one
    region that makes both events from the first to the second (see `gaps`), and that leads on.

    Whatever else fires in the meantime comes between the two as well.
    """
    first, then = (next(row for row in region.rows if row.key == key)
                   for key in (twist.behind, twist.lost))
    if first.on is None or then.on is None or any(
            state.unpowered for one in system.regions for state in one.states):
        return False  # who lets go of the supply may find it elsewhere when that is back
    gaps = Gaps(system, region.name)
    apart_ns = gaps.until(gaps.heard((), first.on, 0), then.on)
    led = first.sources if first.to == "same" else region.entered_by(first)
    return all(any(row.after_ns is not None and row.after_ns < apart_ns and row.when is None
                   and row.to != "same" and state in row.sources for row in region.rows)
               for state in set(led) & set(then.sources))


# -- power-up ------------------------------------------------------------------------------------


def _unseen_by_all(system: System, fault: Fault) -> bool:
    """Whether an input that is not looked at at power-up bears on nothing that a firmware reports:
    no region that hears it, or notices one that does, drives anything, keeps awake or lets go of
    the supply. Where nothing is driven its events are told.
    """
    borne = reach(system, fault).regions
    return not drives_nothing(system) and not any(
        system.region(name).touches or state.awake or state.unpowered
        for name in borne for state in system.region(name).states)


def _edge_alike(system: System, name: str) -> bool:
    """Whether an edge that comes at power-up, or is made up there, only begins anew what has just
    begun.

    The edge comes before all else of that instant but the edges of contacts that really move then.
    What hears it must hear none of those, begin where nothing ends at once, keep nothing over a
    loss of the supply, and enter its first state again without a word.
    """
    event = f"{name}.edge"
    for region in system.every:
        heard = {row.on for row in region.rows}
        if event not in heard:
            continue
        if region.kept is not None or not heard.intersection(system.raw_events) <= {event}:
            return False
        mine = [row for row in region.rows if row.on == event and region.starts in row.sources]
        if mine and any(row.after_ns == 0 and region.starts in row.sources
                        for row in region.rows):
            return False
        if any(row.emit or row.to not in ("same", region.starts) for row in mine):
            return False
    return True


def _awake_anyway(region: Region, changed: Region, others: Sequence[Region]) -> bool:
    """Whether the states that do not keep awake are gone through at power-up alone, in an instant
    in which something else is awake: the first state of the region, or of another one.
    """
    slept = {state.name for state, other in zip(region.states, changed.states, strict=True)
             if state != other}
    if any(replace(state, awake=False) != replace(other, awake=False)
           for state, other in zip(region.states, changed.states, strict=True)):
        return False
    begun = [one for one in (region, *others) if one.kept is None
             and not (one is region and one.starts in slept)]
    if region.kept is not None or not any(one.state(one.starts).awake for one in begun):
        return False
    if any(row.to in ("resume", region.starts) for row in region.rows):
        return False
    first = {region.starts}  # entered in the instant of power-up alone
    while more := {state.name for state in region.states if state.name not in first
                   and (into := [row for row in region.rows if row.to == state.name])
                   and all(row.after_ns == 0 and set(row.sources) <= first for row in into)}:
        first |= more
    return slept <= first and all(
        any(row.after_ns == 0 and row.when is None and name in row.sources for row in region.rows)
        for name in slept)
