"""Faults of one region that go in step with the model whatever all other regions do.

The region is taken by itself, as it is and as the fault has it. Everything that a guard asks of
others is left free, but is the same for both: as long as the two make the same events in the same
order, give the same to outputs, and stand where others find the same, the rest of the gadget cannot
know them apart, and so answers both alike. From every pair of states that the two can stand in at
one moment, every event, every end of a time, and every answer of the others is gone through; the
proof holds where no pair is met in which the two differ. Only a region that goes through its own
states is followed: one that resumes, that keeps anything over a loss of the supply, that is
followed by steps of sequences, or to which the world itself looks (the gauge, the charger, a
sensor), is not.
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
    truth,
)
from simfw.behaviour.region import Region, Row, System
from simfw.vectors.around import asked_by
from simfw.vectors.exposing import drives_nothing
from simfw.vectors.faults import NONE, Fault

__all__ = ["goes_in_step"]

GROUPS = ("buttons", "chords", "toggles", "behaviour")
MOST_PAIRS = 2_000
MOST_MOMENTS = 5_000  # combinations of what the guards of one moment ask


@dataclass(frozen=True, slots=True)
class _Stand:
    """Where a region stands: which of the times of its state comes next, and whether the one before
    it is of no length and waits in the queue.
    """

    state: str
    spent: int = 0
    queued: bool = False


_Pair = tuple[_Stand, _Stand]
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
            changed, rows=(), states=(), starts=""):
        return False
    return _Steps(system, region, changed).all_alike()


class _Steps:
    """Goes through all pairs of states that a region and what a fault makes of it can stand in."""

    def __init__(self, system: System, region: Region, changed: Region) -> None:
        self.system = system
        self.name = region.name
        self.both = region, changed
        heard = {row.on for one in system.regions for row in (
            (*region.rows, *changed.rows) if one.name == region.name else one.rows)}
        # Where nothing is driven, what is told is all that there is to see.
        self.told = heard.union(system.events) if drives_nothing(system) else heard
        self.events = sorted({row.on for row in (*region.rows, *changed.rows)
                              if row.on is not None})
        self.rows = [_by_event(one) for one in self.both]
        self.dwells = [_dwells(one) for one in self.both]
        others = [one for one in system.regions if one.name != self.name]
        asked = [*asked_by(others, system.conditions), *(
            [region.show] if region.show is not None else [])]
        self.asked = {leaf.states for one in asked for leaf in leaves(one)
                      if isinstance(leaf, Inside) and leaf.region == self.name}
        self.waiting: list[_Pair] = []
        self.known: set[_Pair] = set()

    def all_alike(self) -> bool:
        """Whether no pair is met in which the two differ."""
        starts = self.both[0].starts, self.both[1].starts
        if self._differs_at_once() or not self._enter(starts, _Stand(""), _Stand("")):
            return False
        while self.waiting:
            if len(self.known) > MOST_PAIRS or not self._goes_on(self.waiting.pop()):
                return False
        return True

    def _differs_at_once(self) -> bool:
        """Whether an event that the fault is about tells the two in one and the same state: no more
        need be gone through then, as far as that state can be reached.
        """
        rows, changed = ({id(row): row for row in one.rows} for one in self.both)
        own = [row for number in rows.keys() ^ changed.keys()
               for row in (rows.get(number) or changed[number],)]
        reached = _reached(self.both[0])
        found = not all(
            self._done((_Stand(state),) * 2, [side.get((row.on, state), ()) for side in self.rows],
                       several=False)
            for row in own if row.on is not None for state in row.sources if state in reached)
        self.known.clear()
        self.waiting.clear()
        return found

    def _goes_on(self, pair: _Pair) -> bool:
        """Whether all that can happen to a pair does the same to both."""
        mine, other = pair
        for event in self.events:
            if not self._done(pair, [self.rows[side].get((event, one.state), ())
                                     for side, one in enumerate(pair)], several=False):
                return False
        if mine.queued:
            groups = [self.dwells[side][one.state][one.spent - 1][1]
                      for side, one in enumerate(pair)]
            taken = replace(mine, queued=False), replace(other, queued=False)
            return self._done(taken, groups, several=True)
        left = [self.dwells[side][one.state][one.spent:] for side, one in enumerate(pair)]
        if not left[0] and not left[1]:
            return True
        # Both stays have begun in one instant (see `_enter`): the next times end in one, too.
        if not left[0] or not left[1] or left[0][0][0] != left[1][0][0]:
            return False
        ended = replace(mine, spent=mine.spent + 1), replace(other, spent=other.spent + 1)
        return self._done(ended, [left[0][0][1], left[1][0][1]], several=True)

    def _done(self, pair: _Pair, rows: Sequence[Sequence[Row]], *, several: bool) -> bool:
        """Whether some rows of each do the same, whatever the others are; of `several`, those of a
        time, one after another is taken until one leads away.
        """
        if pair[0] == pair[1] and rows[0] == rows[1]:
            return all(self._enter((to, to), *pair) for to in _leads(rows[0], several=several))
        found = self._found(pair, rows, several=several)
        return found is not None and all(
            one[0] == other[0] and self._enter((one[1], other[1]), *pair)
            for one, other in found)

    def _found(self, pair: _Pair, rows: Sequence[Sequence[Row]], *, several: bool
               ) -> set[tuple[_Done, _Done]] | None:
        """What the rows of each do, for every answer of the others; None where those are many."""
        asked = dict.fromkeys(leaf for row in (*rows[0], *rows[1]) if row.when is not None
                              for leaf in leaves(row.when))
        regions = sorted({leaf.region for leaf in asked
                          if isinstance(leaf, Inside) and leaf.region != self.name})
        free = [leaf for leaf in asked if not isinstance(leaf, Inside | Constant)]
        states = [[state.name for state in self.system.region(one).states] for one in regions]
        if prod(map(len, states)) * 2 ** len(free) > MOST_MOMENTS:
            return None
        found: set[tuple[_Done, _Done]] = set()
        for standing in product(*states):
            where = dict(zip(regions, standing, strict=True))
            for said in product((False, True), repeat=len(free)):
                holds: dict[Expression, bool] = dict(zip(free, said, strict=True))
                one, other = (
                    self._does(mine, {**where, self.name: stand.state}, holds, several=several)
                    for mine, stand in zip(rows, pair, strict=True))
                found.add((one, other))
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

    def _enter(self, into: tuple[str | None, str | None], mine: _Stand, other: _Stand) -> bool:
        """Note where the two stand then; False where they differ there."""
        pair = tuple(self._stand(side, one, to) for side, (one, to) in enumerate(
            zip((mine, other), into, strict=True)))
        first, second = pair
        timed = [bool(one.queued or self.dwells[side][one.state][one.spent:])
                 for side, one in enumerate(pair)]
        # A time that only one of them counts from now on is another than that of the other.
        if (into[0] is None) != (into[1] is None) and any(timed):
            return False
        if first.queued != second.queued or not self._looks_alike(
                first.state, second.state, (into[0] is None) == (into[1] is None)):
            return False
        if (first, second) not in self.known:
            self.known.add((first, second))
            self.waiting.append((first, second))
        return True

    def _stand(self, side: int, before: _Stand, to: str | None) -> _Stand:
        if to is None:
            return before
        dwells = self.dwells[side][to]
        at_once = bool(dwells) and dwells[0][0] == 0
        return _Stand(to, int(at_once), at_once)

    def _looks_alike(self, mine: str, other: str, together: bool) -> bool:
        """Whether nobody tells a state of the model from one of the fault; where only one of them
        has been entered just now, it wakes nothing.
        """
        one, another = self.both[0].state(mine), self.both[1].state(other)
        return (one.gives == another.gives and one.position == another.position
                and one.awake == another.awake and (together or not one.awake)
                and one.unpowered == another.unpowered
                and all((mine in states) == (other in states) for states in self.asked))


def _reached(region: Region) -> set[str]:
    """The states that rows lead to, whatever their guards say."""
    found, waiting = {region.starts}, [region.starts]
    onward: dict[str, set[str]] = {}
    for row in region.rows:
        for source in row.sources:
            onward.setdefault(source, set()).update(region.entered_by(row))
    while waiting:
        more = onward.get(waiting.pop(), set()) - found
        found |= more
        waiting += more
    return found


def _leads(rows: Sequence[Row], *, several: bool) -> Iterator[str | None]:
    """Where some rows may lead, if it is nowhere None."""
    for row in rows:
        if row.to != "same":
            yield row.to
        if row.when is None and (row.to != "same" or not several):
            if row.to == "same":
                yield None
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
