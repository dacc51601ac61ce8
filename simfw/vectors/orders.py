"""Faults that the rows themselves show to change nothing: what comes first in one instant where
neither order makes a difference (see `commuting`, too), and a stay that is over before it could
count again.

Nothing is searched here: each argument asks a few things of the rows, and where one of them does
not hold nothing is said. What is compared is what a firmware reports: outputs as an instant leaves
them, and the events where nothing is driven.
"""

from __future__ import annotations

from collections.abc import Iterator
from heapq import heappop, heappush

from simfw.behaviour.expression import All, Constant, Expression, Inside, Not
from simfw.behaviour.region import Region, Row, System
from simfw.vectors.around import decided_by
from simfw.vectors.commuting import Commuting
from simfw.vectors.faults import Fault
from simfw.vectors.gaps import Gaps
from simfw.vectors.grids import between_ticks
from simfw.vectors.pace import NEVER
from simfw.vectors.powering import starts_alike

__all__ = ["Ways", "changes_nothing"]

DEEP = 4  # events that are followed back to what makes them
MOST_WAYS = 5_000  # moments that are gone through for one stay

_Heard = tuple[tuple[str, str, int], ...]
_Leads = dict[str, dict[tuple[str | None, int], dict[str, None]]]


def changes_nothing(system: System, fault: Fault, ways: Ways | None = None) -> bool:
    """Whether the rows alone show that a fault does what the model does. `ways`, of the same
    system, are kept from fault to fault.
    """
    twist = fault.twist
    ways = Ways(system) if ways is None else ways
    if twist.lasts:
        return all(_over_by_then(system, twist.lasts, name, ways) for name in fault.touched)
    if ways.commuting.either_way(fault):
        return True
    if system.clocks:
        return False  # the steps of sequences go along with regions
    if between_ticks(system, fault) or starts_alike(system, fault):
        return True
    return fault.kind == "regions" and _either_turn(system, fault)


# -- two regions in the other order ----------------------------------------------------------------


def _either_turn(system: System, fault: Fault) -> bool:
    """Two neighbours take their turns in the other order: what the one does is no business of the
    other, and at most one of them puts anything into the queue where both do something.

    The queue then holds the same in the same order behind both.
    """
    moved = [one for one, other in zip(system.regions, fault.system.regions, strict=True)
             if one.name != other.name]
    if len(moved) != 2:  # two neighbours
        return False
    first, second = moved
    if _reads(system, first, second) or _reads(system, second, first):
        return False
    both = {row.on for row in first.rows} & {row.on for row in second.rows}
    for on in both:  # None: times that end in one instant
        mine, other = ([row for row in region.rows if row.on == on] for region in moved)
        if any(_pushes(first, row) for row in mine) and any(
                _pushes(second, row) for row in other):
            return False
    return True


def _reads(system: System, region: Region, other: Region) -> bool:
    """Whether a guard of a region asks for another, or for what that drives or shows."""
    return any(other.name in decided_by(system, row.when) for row in region.rows
               if row.when is not None)


def _pushes(region: Region, row: Row) -> bool:
    """Whether a row that fires puts anything into the queue."""
    return bool(row.emit) or any(_passing(region, state) for state in region.entered_by(row))


def _passing(region: Region, state: str) -> bool:
    return any(row.after_ns == 0 and state in row.sources for row in region.rows)


# -- a stay that is over before it could count again -----------------------------------------------


def _over_by_then(system: System, key: str, name: str, ways: Ways) -> bool:
    """A stay that is cut short has run its time before its states can be entered again."""
    region = system.region(name)
    mine = [row for row in region.rows if row.key == key]
    counted = {state for row in mine for state in row.sources}
    ends_ns = max(row.after_ns or 0 for row in mine)
    cuts = [row for row in region.rows if row.to != "same"
            and not counted.isdisjoint(row.sources)
            and (row.after_ns is None or row.after_ns < ends_ns)]
    return all(ways.behind(region, row).lasts(counted, ends_ns - (row.after_ns or 0))
               for row in cuts)


class Ways:
    """How the regions of a system go on behind their rows. Many faults ask for the same ways."""

    def __init__(self, system: System) -> None:
        self.system = system
        self.commuting = Commuting(system)
        self._gaps: dict[str, Gaps] = {}
        self._leads: dict[str, _Leads] = {}
        self._behind: dict[tuple[str, str | None, tuple[str, ...]], _Way] = {}

    def behind(self, region: Region, cut: Row) -> _Way:
        """How a region goes on behind a row."""
        name = region.name
        key = name, cut.on, tuple(region.entered_by(cut))
        if key not in self._behind:
            if name not in self._gaps:
                self._gaps[name], self._leads[name] = Gaps(self.system, name), _leads(region)
            self._behind[key] = _Way(self.system, self._gaps[name], self._leads[name], *key[1:])
        return self._behind[key]


class _Way:
    """How a region goes on from when a row fires, which hears an event or none and enters some
    states: gone as far as somebody asks for it. What hears events of one other region waits for as
    long as that takes to make them.
    """

    def __init__(self, system: System, gaps: Gaps, leads: _Leads, on: str | None,
                 entered: tuple[str, ...]) -> None:  # fmt: skip
        self._first: dict[str, int] = {}  # when it may stand in each state at the earliest
        self._now = 0
        self._steps = self._go(system, gaps, leads, on, entered)

    def lasts(self, counted: set[str], least_ns: int) -> bool:
        """Whether it takes so long until the region stands in one of some states again."""
        found = [self._first[state] for state in counted if state in self._first]
        if found:
            return min(found) >= least_ns
        while self._now < least_ns:
            state = next(self._steps, None)
            if state in counted or state == "":
                return self._now >= least_ns
            if state is None:
                return True
        return True

    def _go(self, system: System, gaps: Gaps, leads: _Leads, cut_on: str | None,
            entered: tuple[str, ...]) -> Iterator[str]:  # fmt: skip
        """The states as they are come to, the earliest first; "" where they are too many."""
        turned = dict[str, int]()
        known: set[tuple[str, _Heard]] = set()
        waiting: list[tuple[int, str, _Heard]] = [
            (0, state, gaps.heard((), cut_on, 0)) for state in entered]
        while waiting:
            now, state, heard = heappop(waiting)
            self._now = now
            self._first.setdefault(state, now)
            yield state
            while len(known) > MOST_WAYS:
                yield ""
            ago = tuple([(maker, event, now - at_ns) for maker, event, at_ns in heard])
            if (state, ago) in known:
                continue
            known.add((state, ago))
            for (on, after), goes_to in leads.get(state, {}).items():
                if on is not None:
                    if on not in turned:
                        turned[on] = _turned(system, cut_on, on)
                    after = max(0, gaps.until(heard, on) - now, turned[on] - now)
                then = gaps.heard(heard, on, now + after)
                for to in goes_to:
                    heappush(waiting, (now + after, to, then))


def _leads(region: Region) -> _Leads:
    """Where each state leads, by what its rows hear and how long they wait: many do so alike."""
    found: _Leads = {}
    for row in region.rows:
        entered = dict.fromkeys(region.entered_by(row))
        for state in row.sources:
            found.setdefault(state, {}).setdefault((row.on, row.after_ns or 0), {}).update(entered)
    return found


def _turned(system: System, falls: str | None, rises: str) -> int:
    """The least time from when what is watched turns false until it turns true (ns); 0 where the
    two events are not those of one condition.

    One of its parts has then turned false, and true again at the end.
    """
    one = next((one for one in system.conditions
                if (one.falls, one.rises) == (falls, rises)), None)
    if one is None or any(_emitted(system, one.falls)) or any(_emitted(system, one.rises)):
        return 0
    parts = one.when.parts if isinstance(one.when, All) else (one.when,)
    return min(_part_turned(system, part) for part in parts)


def _part_turned(system: System, part: Expression) -> int:
    """The least time between two changes of what one part of a condition says."""
    if isinstance(part, Constant):
        return NEVER
    leaf = part.part if isinstance(part, Not) else part
    if not isinstance(leaf, Inside):
        return 0
    region = system.region(leaf.region)
    changes = [row for row in region.rows for source in row.sources
               for to in region.entered_by(row)
               if (source in leaf.states) != (to in leaf.states)]
    # Each of them fires by one event at most, and each event leads over once.
    events = {row.on for row in changes}
    if len(events) != 1 or None in events:
        return 0
    return _apart(system, next(iter(filter(None, events))), DEEP)


def _apart(system: System, event: str, deep: int) -> int:
    """The least time from one instant in which an event comes to the next (ns), or 0."""
    if event in system.raw_events or deep == 0:
        return 0
    makers = list(_emitted(system, event))
    if len(makers) != 1 or makers[0].emit.count(event) != 1 or any(
            event in (one.rises, one.falls) for one in system.conditions):
        return 0
    (row,) = makers
    if row.on is not None:  # one row of a region fires for one event
        return _apart(system, row.on, deep - 1)
    # The next time begins with another stay.
    return 0 if row.to == "same" else row.after_ns or 0


def _emitted(system: System, event: str) -> Iterator[Row]:
    """The rows that make an event."""
    return (row for region in system.regions for row in region.rows if event in row.emit)
