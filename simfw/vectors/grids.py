"""Times that only what ticks can meet: one that ends between two ticks may end a little later, and
one that begins with every tick may begin anew there.

A region whose stays begin at what a ticking region tells hears that again after whole periods
only. Where the end of its time tells nothing, and all else that it hears meanwhile leads to where
the end of the time would, nobody sees when exactly between two ticks it has ended.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

from simfw.behaviour.expression import names_in
from simfw.behaviour.region import Condition, Region, Row, System
from simfw.vectors.around import asked_by, told_apart
from simfw.vectors.faults import Fault

__all__ = ["begins_with_ticks", "between_ticks"]


def between_ticks(system: System, fault: Fault) -> bool:
    """Whether a fault moves the end of a time between two ticks, or takes it late in its instant,
    where that changes nothing.
    """
    if system.clocks or len(fault.touched) != 1:
        return False
    (name,) = fault.touched
    region, changed = system.region(name), fault.system.region(name)
    if fault.kind == "expiry":
        moved = [row for row in region.rows if row.key == fault.twist.after]
        ends = [row.after_ns or 0 for row in moved] * 2
    elif fault.kind in ("time", "step"):
        pairs = [(one, other) for one, other in zip(region.rows, changed.rows, strict=True)
                 if one != other]
        moved = [one for one, _ in pairs]
        ends = [row.after_ns or 0 for pair in pairs for row in pair]
    else:
        return False
    if len(moved) != 1:
        return False
    ticking = _ticking(system, region, moved[0])
    if ticking is None:
        return False
    period = _period(system, *ticking, _leading_out(region, moved[0]))
    # No tick at either end, nor between them.
    return period is not None and (
        min(ends) // period == max(ends) // period and min(ends) % period > 0)


def begins_with_ticks(system: System, region: Region, more: Sequence[Row]) -> bool:
    """Whether times that begin anew where some rows `more` fire have just begun there.

    The region goes round by itself from power-up on, so it comes to the state in which it starts,
    or in which it was kept, whenever it has gone round so many times. The rows hear what is told in
    such instants alone: by regions that begin at power-up, too, and whose times are all whole
    numbers of rounds. What they tell is heard behind the end of the time of the region, which is in
    the queue from the beginning of the instant.
    """
    round_ns = _round(region)
    return round_ns is not None and bool(more) and all(
        row.on in _on_grid(system, round_ns) and row.to in ("same", *row.sources)
        and not row.emit for row in more)


def _round(region: Region) -> int | None:
    """How long a region takes round to where it starts, if nothing else moves it."""
    here, total, left = region.starts, 0, len(region.states)
    if any(state.sequences for state in region.states) or any(
            row.to == "resume" or (row.to != "same" and not row.after_ns) for row in region.rows):
        return None
    while left:
        mine = [row for row in region.rows if row.after_ns is not None and here in row.sources]
        if len(mine) != 1 or mine[0].when is not None or mine[0].to == "same":
            return None
        here, total, left = mine[0].to, total + (mine[0].after_ns or 0), left - 1
        if here == region.starts:
            return total
    return None


def _on_grid(system: System, period_ns: int) -> set[str]:
    """The events that are told in no instant but those that are whole periods behind power-up."""
    on = {event for one in system.every for row in one.rows for event in row.emit}
    on -= {*system.raw_events, *(event for one in system.conditions
                                 for event in (one.rises, one.falls))}
    moving = {one.name for one in system.every}  # the regions that move in such instants alone
    before = -1
    while before != (before := len(on) + len(moving)):
        for one in system.every:
            if one.follows or any(
                    row.after_ns % period_ns if row.after_ns is not None
                    else row.to != "same" and row.on not in on for row in one.rows):
                moving.discard(one.name)
            for row in one.rows:
                if row.on not in on if row.after_ns is None else one.name not in moving:
                    on.difference_update(row.emit)
    return on


def _leading_out(region: Region, row: Row) -> set[str]:
    """The events that lead, from wherever a time runs, to where its end leads, and tell nothing;
    where it leads to they are not heard.
    """
    found = {one.on for one in region.rows if one.on is not None}
    for event in list(found):
        for source in row.sources:
            heard = [one for one in region.rows if one.on == event and source in one.sources]
            if len(heard) != 1 or heard[0].when is not None or heard[0].emit or (
                    heard[0].to != row.to):
                found.discard(event)
        if any(one.on == event and row.to in one.sources for one in region.rows):
            found.discard(event)
    return found


def _ticking(system: System, region: Region, row: Row) -> tuple[Region, set[str]] | None:
    """The region whose ticks begin the stays in which a time runs, with the events that it tells;
    None where anything else may see when the time ends.
    """
    bare = (row.emit or row.when is not None or row.to in ("same", "resume", *row.sources)
            or region.resume_points or region.kept or region.touches
            or region.starts in row.sources or not _stays_alike(region, row))
    timed = [one for one in region.rows if one.on is None
             and not {*row.sources, row.to}.isdisjoint(one.sources)]
    ways = [(source, row.to) for source in row.sources]
    if bare or timed != [row] or told_apart(
            system, asked_by(system.regions, system.conditions), region.name, ways):
        return None
    out = _leading_out(region, row)
    entering = {one.on for one in region.rows
                if not set(row.sources).isdisjoint(region.entered_by(one))}
    heard = {one.on for one in region.rows if one.on is not None
             and not {*row.sources, row.to}.isdisjoint(one.sources)} - out
    events = {event for event in (entering | heard) if event is not None}
    makers = [one for one in system.regions
              if any(not events.isdisjoint(other.emit) for other in one.rows)]
    if None in entering or len(makers) != 1 or makers[0] is region or not entering or any(
            not events.isdisjoint((one.rises, one.falls)) for one in system.conditions):
        return None
    if not events.isdisjoint(system.raw_events) or not events <= {
            event for one in makers[0].rows for event in one.emit}:
        return None
    return makers[0], events


def _stays_alike(region: Region, row: Row) -> bool:
    """Whether all that a time leads between keeps the controller awake, and supplied, alike."""
    return len({(state.awake, state.unpowered)
                for state in map(region.state, (*row.sources, row.to))}) == 1


def _period(system: System, ticking: Region, events: Collection[str], out: set[str]
            ) -> int | None:
    """The time from one tick to the next in which nothing moves the ticking region but what is
    `out`; None where it does not tick so.
    """
    telling = [row for row in ticking.rows if not set(events).isdisjoint(row.emit)]
    if len({(row.sources, row.after_ns, row.to) for row in telling}) != 1:
        return None
    tick = telling[0]
    if len(tick.sources) != 1 or not tick.after_ns or tick.to in ("same", "resume", *tick.sources):
        return None
    # Round from where a tick leads to: one time in each state, which leads on to one state.
    ring, here, total = list[str](), tick.to, 0
    guarded: list[Row] = []
    while here not in ring:
        mine = [row for row in ticking.rows if row.on is None and here in row.sources]
        if not mine or len({(row.after_ns, row.to) for row in mine}) != 1:
            return None
        if mine[-1].when is not None:  # it may stand still here
            guarded.append(mine[-1])
        ring.append(here)
        total += mine[0].after_ns or 0
        here = mine[0].to
    if here != tick.to or tick.sources[0] not in ring or any(
            row.emit for row in ticking.rows if row.on is None and row not in telling):
        return None
    # What comes between a tick and who hears it would move the next tick alone.
    if any(row.on in out and tick.to in row.sources and row.to not in ("same", tick.to)
           for row in ticking.rows) or not all(
               row.after_ns for row in ticking.rows if row.on is None and tick.to in row.sources):
        return None
    others = [row for row in ticking.rows if row.on is not None and row.to != "same"
              and not set(ring).isdisjoint(row.sources) and row.on not in out]
    if not others:
        return total
    # What begins looks anew is that they are wanted again: they have then been put out before.
    one = next((one for one in system.conditions if one.rises == others[0].on), None)
    begins = tick.to
    if one is None or any(row.on != one.rises for row in others) or one.falls not in out:
        return None
    puts_out = [row for row in ticking.rows if row.on == one.falls]
    active = set(ring) - {begins}
    if (len(puts_out) != 1 or puts_out[0].when is not None or puts_out[0].to != begins
            or not active <= set(puts_out[0].sources) or ticking.starts != begins
            or any(begins not in row.sources or len(row.sources) > 1 for row in others)
            or ticking.kept is not None  # it may begin where it ticks, though nothing wants that
            or not _says_as_watched(system, ticking, guarded, begins, one)):
        return None
    return total


def _says_as_watched(system: System, ticking: Region, guarded: list[Row], begins: str,
                     one: Condition) -> bool:  # fmt: skip
    """Whether the region goes on from where it begins only while a condition holds: its guard is
    that condition, and says what was watched last, since what it asks for moves later only. It is
    asked as a time ends: one of no length would be asked before the condition is looked at.
    """
    names = names_in(one.when)
    place = system.regions.index(ticking)
    told = {event for region in system.regions for row in region.rows for event in row.emit}
    return ([(row.sources, bool(row.after_ns)) for row in guarded] == [((begins,), True)]
            and guarded[0].when == one.when
            and not (names.flags or names.quantities)
            and told.isdisjoint((one.rises, one.falls))
            and not any(row.on in system.raw_events
                        or (row.on is None and system.regions.index(other) < place)
                        for other in map(system.region, names.regions) for row in other.rows))
