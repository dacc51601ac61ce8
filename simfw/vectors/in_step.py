"""Faults of one region that go in step with the model whatever all other regions do.

The region is taken as it is and as the fault has it. Everything that a guard asks of others is left
free, but is the same for both: as long as the two make the same events in the same order, give the
same to outputs, keep the controller awake alike, and stand where others find the same, the rest of
the gadget cannot know them apart, and so answers both alike. From every pair of states that the two
can stand in at one moment, every event, every end of a time, and every answer of the others is gone
through; the proof holds where no pair is met in which the two differ.

A few of the others may be followed, too (the buttons of a chord): each event is offered to them in
their turn, whether anybody makes it then or not, and their times may end whenever they like. That
is more than ever happens, and what holds then holds in every run.

Only a region that goes through its own states is followed: one that resumes, that keeps anything
over a loss of the supply, that is followed by steps of sequences, or to which the world itself
looks (the gauge, the charger, a sensor), is not.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
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
from simfw.behaviour.region import Region, Row, System
from simfw.vectors.around import asked_by
from simfw.vectors.exposing import drives_nothing
from simfw.vectors.faults import NONE, Fault
from simfw.vectors.items import reached_states

__all__ = ["goes_in_step"]

GROUPS = ("buttons", "chords", "toggles", "behaviour")
MOST_BESIDE = 3  # others that are followed
MOST_MOMENTS = 3_000  # in which both can stand
MOST_ANSWERS = 5_000  # of the others, to what the guards of one moment ask
MOST_ASKED = 10_000  # in all, around the same regions; what is proved takes some hundreds


@dataclass(frozen=True, slots=True)
class _Stand:
    """Where a region stands: which of the times of its state comes next, and whether the one before
    it is of no length and waits in the queue.
    """

    state: str
    spent: int = 0
    queued: bool = False


@dataclass(frozen=True, slots=True)
class _Moment:
    """Where both stand, whether both stays have begun in one instant, and where others stand."""

    mine: _Stand
    other: _Stand
    together: bool
    beside: tuple[str, ...]

    @property
    def both(self) -> tuple[_Stand, _Stand]:
        """Where both stand."""
        return self.mine, self.other


# What some rows do: what they tell, and where they lead (None: nowhere).
_Done = tuple[tuple[str, ...], str | None]


def goes_in_step(system: System, fault: Fault) -> bool:
    """Whether the region of a fault goes in step with that of the model."""
    if fault.twist != NONE or len(fault.touched) != 1 or system.clocks or (
            system.conditions != fault.system.conditions):
        return False
    (name,) = fault.touched
    region, changed = system.region(name), fault.system.region(name)
    if region.group not in GROUPS or any(
            one.kept is not None or any(row.to == "resume" for row in one.rows)
            for one in (region, changed)):
        return False
    if replace(region, rows=(), states=(), starts="") != replace(
            changed, rows=(), states=(), starts="") or (
            {state.name for state in region.states} != {state.name for state in changed.states}):
        return False
    return any(_Steps(system, region, changed, beside).all_alike()
               for beside in _beside(system, region, changed))


def _beside(system: System, region: Region, changed: Region) -> Iterator[list[Region]]:
    """Which others are followed: none, then those asked for by what differs, then by any row."""
    known = {id(row) for row in region.rows} ^ {id(row) for row in changed.rows}
    own = [row for row in (*region.rows, *changed.rows) if id(row) in known]
    tried: list[set[str]] = []
    for rows in ((), own, (*region.rows, *changed.rows)):
        names = {name for row in rows if row.when is not None
                 for name in names_in(row.when).regions} - {region.name}
        if names not in tried and len(names) <= MOST_BESIDE:
            tried.append(names)
            mine = [one for one in system.regions if one.name in names]
            if all(one.kept is None for one in mine):
                yield mine


class _Steps:
    """Goes through all moments in which a region and what a fault makes of it can stand, with some
    others `beside` them.
    """

    def __init__(self, system: System, region: Region, changed: Region,
                 beside: Sequence[Region]) -> None:
        self.system = system
        self.name = region.name
        self.both = region, changed
        self.beside = {one.name: number for number, one in enumerate(beside)}
        heard = {row.on for one in system.regions for row in (
            (*region.rows, *changed.rows) if one.name == region.name else one.rows)}
        # Where nothing is driven, what is told is all that there is to see.
        self.told = heard.union(system.events) if drives_nothing(system) else heard
        self.turns = [one for one in system.regions
                      if one.name == region.name or one.name in self.beside]
        self.events = sorted({row.on for one in (*self.turns, changed) for row in one.rows
                              if row.on is not None})
        self.rows = [_by_event(one) for one in self.both]
        self.dwells = [_dwells(one) for one in self.both]
        self.others = [_by_event(one) for one in beside]
        self.timed = [[row for row in one.rows if row.on is None] for one in beside]
        self.starts = tuple(one.starts for one in beside)
        others = [one for one in system.regions if one.name != self.name]
        asked = [*asked_by(others, system.conditions), *(
            [region.show] if region.show is not None else [])]
        self.asked = {leaf.states for one in asked for leaf in leaves(one)
                      if isinstance(leaf, Inside) and leaf.region == self.name}
        self.waiting: list[_Moment] = []
        self.known: set[_Moment] = set()
        self.asked_for = 0  # answers that have been gone through

    def all_alike(self) -> bool:
        """Whether no moment is met in which the two differ."""
        if not self.beside and self._differs_at_once():
            return False
        begins = _Moment(_Stand(""), _Stand(""), True, self.starts)
        now = self._led(begins, (self.both[0].starts, self.both[1].starts))
        if now is None:
            return False
        self._note(now)
        while self.waiting:
            if len(self.known) > MOST_MOMENTS or not self._goes_on(self.waiting.pop()):
                return False
        return True

    def _differs_at_once(self) -> bool:
        """Whether an event that the fault is about tells the two in one and the same state: no more
        need be gone through then, as far as that state can be reached.
        """
        rows, changed = ({id(row): row for row in one.rows} for one in self.both)
        own = [row for number in rows.keys() ^ changed.keys()
               for row in (rows.get(number) or changed[number],)]
        reached = reached_states(self.both[0])
        return not all(
            self._both_do(_Moment(_Stand(state), _Stand(state), True, ()),
                          [side.get((row.on, state), ()) for side in self.rows], several=False)
            for row in own if row.on is not None for state in row.sources if state in reached)

    def _goes_on(self, moment: _Moment) -> bool:
        """Whether all that can happen in a moment does the same to both."""
        return (all(self._offered(moment, event) for event in self.events)
                and self._ended_beside(moment) and self._ended(moment))

    def _offered(self, moment: _Moment, event: str) -> bool:
        """An event is offered to all in their turn."""
        moments = [moment]
        for region in self.turns:
            onward: dict[_Moment, None] = {}
            for one in moments:
                if region.name == self.name:
                    found = self._both_do(one, [self.rows[side].get((event, stand.state), ())
                                                for side, stand in enumerate(one.both)],
                                          several=False)
                else:
                    number = self.beside[region.name]
                    rows = self.others[number].get((event, one.beside[number]), ())
                    found = self._led_beside(one, number, rows)
                if found is None:
                    return False
                onward |= dict.fromkeys(found)
            moments = list(onward)
        for one in moments:
            self._note(one)
        return True

    def _led_beside(self, moment: _Moment, number: int, rows: Sequence[Row]
                    ) -> list[_Moment] | None:
        """Where rows of one beside may lead it; None where that is not known."""
        region = self.system.region(list(self.beside)[number])
        found = self._found(moment, [rows], several=False)
        return None if found is None else [
            moment if to is None else replace(moment, beside=(
                *moment.beside[:number], state, *moment.beside[number + 1:]))
            for to in {done[1] for done, in found}
            for state in (region.resume_points if to == "resume" else (to or "",))]

    def _ended_beside(self, moment: _Moment) -> bool:
        """Any time of those beside ends."""
        for number, timed in enumerate(self.timed):
            for row in timed:
                if moment.beside[number] in row.sources and not self._noted(
                        self._led_beside(moment, number, [row])):
                    return False
        return True

    def _ended(self, moment: _Moment) -> bool:
        """The next time ends: of both, if they run as long from one instant on; else of either."""
        groups = [self._next(side, stand) for side, stand in enumerate(moment.both)]
        mine, other = groups
        if mine is not None and other is not None and moment.together and mine[0] == other[0]:
            return self._noted(self._both_do(
                replace(moment, mine=mine[1], other=other[1]), [mine[2], other[2]], several=True))
        # One alone may do nothing that is seen (see `_led`).
        return ((mine is None or self._noted(self._both_do(
                    replace(moment, mine=mine[1]), [mine[2], ()], several=True)))
                and (other is None or self._noted(self._both_do(
                    replace(moment, other=other[1]), [(), other[2]], several=True))))

    def _next(self, side: int, stand: _Stand) -> tuple[int, _Stand, Sequence[Row]] | None:
        """The next time of a stay: how long, where the region stands when it is over, its rows."""
        dwells = self.dwells[side][stand.state]
        if stand.queued:
            return 0, replace(stand, queued=False), dwells[stand.spent - 1][1]
        if stand.spent >= len(dwells):
            return None
        after_ns, rows = dwells[stand.spent]
        return after_ns, replace(stand, spent=stand.spent + 1), rows

    def _both_do(self, moment: _Moment, rows: Sequence[Sequence[Row]], *, several: bool
                 ) -> list[_Moment] | None:
        """Where some rows of each lead, whatever the others are; None where the two differ. Of
        `several`, those of a time, one after another is taken until one leads away.
        """
        if moment.mine == moment.other and rows[0] == rows[1]:
            led = [self._led(moment, (to, to)) for to in _leads(rows[0], several=several)]
        else:
            found = self._found(moment, rows, several=several)
            if found is None or any(one[0] != other[0] for one, other in found):
                return None
            led = [self._led(moment, (one[1], other[1])) for one, other in found]
        moments = [one for one in led if one is not None]
        return moments if len(moments) == len(led) else None

    def _found(self, moment: _Moment, rows: Sequence[Sequence[Row]], *, several: bool
               ) -> set[tuple[_Done, ...]] | None:
        """What the rows of each do, for every answer of those that are not followed; None where
        these are too many.
        """
        asked = dict.fromkeys(leaf for mine in rows for row in mine if row.when is not None
                              for leaf in leaves(row.when))
        regions = sorted({leaf.region for leaf in asked if isinstance(leaf, Inside)
                          and leaf.region != self.name and leaf.region not in self.beside})
        free = [leaf for leaf in asked if not isinstance(leaf, Inside | Constant)]
        states = [[state.name for state in self.system.region(one).states] for one in regions]
        answers = prod(map(len, states)) * 2 ** len(free)
        self.asked_for += answers
        if answers > MOST_ANSWERS or self.asked_for > MOST_ASKED:
            return None
        beside = dict(zip(self.beside, moment.beside, strict=True))
        found: set[tuple[_Done, ...]] = set()
        for standing in product(*states):
            where = {**beside, **dict(zip(regions, standing, strict=True))}
            for said in product((False, True), repeat=len(free)):
                holds: dict[Expression, bool] = dict(zip(free, said, strict=True))
                found.add(tuple([
                    self._does(mine, {**where, self.name: stand.state}, holds, several=several)
                    for mine, stand in zip(rows, moment.both, strict=False)]))
        return found

    def _does(self, rows: Sequence[Row], where: Mapping[str, str],
              holds: Mapping[Expression, bool], *, several: bool) -> _Done:
        def said(leaf: Leaf) -> bool:
            return where[leaf.region] in leaf.states if isinstance(leaf, Inside) else holds[leaf]

        told: list[str] = []
        for row in rows:
            if row.when is None or truth(row.when, said):
                told += [event for event in row.emit if event in self.told]
                if row.to != "same":
                    return tuple(told), row.to
                if not several:
                    break
        return tuple(told), None

    def _led(self, moment: _Moment, into: tuple[str | None, str | None]) -> _Moment | None:
        """The moment then; None where the two differ there."""
        mine, other = (self._stand(side, one, to) for side, (one, to) in enumerate(
            zip(moment.both, into, strict=True)))
        alone = (into[0] is None) != (into[1] is None)
        if not self._looks_alike(mine.state, other.state, alone=alone):
            return None
        return _Moment(mine, other, not alone and (moment.together or into[0] is not None),
                       moment.beside)

    def _stand(self, side: int, before: _Stand, to: str | None) -> _Stand:
        if to is None:
            return before
        dwells = self.dwells[side][to]
        at_once = bool(dwells) and dwells[0][0] == 0
        return _Stand(to, int(at_once), at_once)

    def _looks_alike(self, mine: str, other: str, *, alone: bool) -> bool:
        """Whether nobody tells a state of the model from one of the fault; where only one of them
        has been entered just now, it wakes nothing.
        """
        one, another = self.both[0].state(mine), self.both[1].state(other)
        return (one.gives == another.gives and one.awake == another.awake
                and not (alone and one.awake) and one.unpowered == another.unpowered
                and all((mine in states) == (other in states) for states in self.asked))

    def _noted(self, moments: Sequence[_Moment] | None) -> bool:
        """Note some moments; False where the two differ, or it is not known where that leads."""
        for one in moments or ():
            self._note(one)
        return moments is not None

    def _note(self, moment: _Moment) -> None:
        if moment not in self.known:
            self.known.add(moment)
            self.waiting.append(moment)


def _leads(rows: Sequence[Row], *, several: bool) -> Iterator[str | None]:
    """Where some rows may lead, if it is nowhere None."""
    for row in rows:
        if row.to != "same":
            yield row.to
        elif not several:
            yield None
        if row.when is None and (row.to != "same" or not several):
            return
    yield None


def _by_event(region: Region) -> Mapping[tuple[str, str], Sequence[Row]]:
    found: dict[tuple[str, str], list[Row]] = {}
    for row in region.rows:
        if row.on is not None:
            for source in row.sources:
                found.setdefault((row.on, source), []).append(row)
    return found


def _dwells(region: Region) -> Mapping[str, Sequence[tuple[int, Sequence[Row]]]]:
    """By state the times that run there, the shortest first, with the rows that wait for them."""
    found: dict[str, dict[int, list[Row]]] = {state.name: {} for state in region.states}
    for row in region.rows:
        if row.after_ns is not None:
            for source in row.sources:
                found[source].setdefault(row.after_ns, []).append(row)
    return {state: sorted(groups.items(), key=lambda one: one[0])
            for state, groups in found.items()}
