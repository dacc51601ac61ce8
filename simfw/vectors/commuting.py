"""Whether a time may as well end before, or after, all else in its instant, by the rows alone.

An instant is a sequence of **offers**: an event, or a time that has ended, is offered to a region,
which does something then, or nothing. All that comes of the time in question, however often passed
on, is **its own**; whatever else may come in an instant (edges, the ends of all other times, and
what follows from these) is of **others**. The queue keeps the order of its own things among
themselves, and of those of others, whatever stands between them. So the slip does what the model
does where each thing of its own that comes before one of others, or behind it, other than in the
slip, may be changed over with that one: neither asks for what the other one moves, or wherever
they are taken in either order both do the same and leave the same.

What comes before what: things stand in the queue by **rounds** (an edge, or the end of a time, is
in the first, what follows from it in the second, and so on), and within a round by what in the
first round they come of, edges first, then times in the order of their regions. What conditions
tell comes behind all that.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import product
from math import prod

from simfw.behaviour.expression import Constant, Expression, Inside, Leaf, leaves, names_in, truth
from simfw.behaviour.region import Region, Row, System
from simfw.vectors.around import answers, asked_by, decided_by, told_apart
from simfw.vectors.exposing import drives_nothing
from simfw.vectors.faults import Fault

__all__ = ["Commuting"]

ROUNDS = 8  # that are told apart: this one stands for all behind it
ANEW = 100  # the round of what conditions tell
EDGES = -1  # where edges stand among the times that end
OFTEN = 9  # stands for any number
MOST_MOMENTS = 5_000  # in which two things are taken in either order
TOLD_ONCE = (".echo", ".reached.")  # in the names of inputs that say one thing in an instant

_Item = str | tuple[str, str]  # an event; a region and a state left at once, or "" for its times
_Key = tuple[_Item, str]  # what is offered to which region
_Place = tuple[int, int]  # in which round, and what it comes of


@dataclass(slots=True)
class _Offer:
    """The rows that may answer, and where in the queue that may be."""

    rows: Sequence[Row]
    places: set[_Place] = field(default_factory=set)

    def last(self) -> _Place:
        """Where it may be at the latest."""
        last = max(self.places)
        return (last[0] + ANEW - 1, 0) if last[0] == ROUNDS else last


_Offers = dict[_Key, _Offer]


class Commuting:
    """Asks about one slip after another of one system."""

    def __init__(self, system: System) -> None:
        self.system = system
        every = system.every
        self.regions = {region.name: region for region in every}
        self.turn = {every[number].name: turn for turn, number in enumerate(system.turns)}
        self.clocks: dict[str, list[Region]] = {}
        for clock in system.clocks:
            self.clocks.setdefault(clock.follows, []).append(clock)
        self._heard: dict[str, list[tuple[str, list[Row]]]] = {}
        self._timed: dict[str, list[Row]] = {}
        self._passing: dict[tuple[str, str], list[Row]] = {}
        for region in every:
            self._sort(region)
        self._told = frozenset(event for one in system.conditions
                               for event in (one.rises, one.falls))
        # What always holds turns true at power-up, where no time ends, and never false.
        self._turning = frozenset(event for one in system.conditions
                                  if not isinstance(one.when, Constant)
                                  for event in (one.rises, one.falls))
        self._driven = frozenset(("gauge", *(name for region in every for name in region.touches)))
        # Where nothing is driven events are told in their order, and nothing here follows the steps
        # of what is played.
        played = {name for region in every for state in region.states for name in state.sequences}
        self._states_tell = not drives_nothing(system) and played.isdisjoint(
            name for one in asked_by(every, system.conditions) for name in names_in(one).quantities)
        self._of_root: dict[str, _Offers] = {}
        self._known: dict[object, bool] = {}

    def _sort(self, region: Region) -> None:
        by_event: dict[str, list[Row]] = {}
        for row in region.rows:
            if row.on is not None:
                by_event.setdefault(row.on, []).append(row)
            elif row.after_ns:
                self._timed.setdefault(region.name, []).append(row)
            else:
                for source in row.sources:
                    self._passing.setdefault((region.name, source), []).append(row)
        for event, rows in by_event.items():
            self._heard.setdefault(event, []).append((region.name, rows))

    # -- the question ------------------------------------------------------------------------------

    def either_way(self, fault: Fault) -> bool:
        """Whether a time of the system that ends first, or last, in its instant ends as well so."""
        twist = fault.twist
        key = twist.first or twist.after
        if fault.kind != "expiry" or not key or not self._states_tell:
            return False
        (name,) = fault.touched
        region = self.regions[name]
        mine = next(row for row in region.rows if row.key == key)
        waiting = [row for row in region.rows if row.after_ns == mine.after_ns
                   and not set(row.sources).isdisjoint(mine.sources)]
        own: _Offers = {}
        self._follow((name, ""), name, waiting, (1, self.turn[name]), own)
        if not self._watched_alike(own, first=bool(twist.first)):
            return False
        others: _Offers = {}
        for root in ["", *(one for one in self._timed if one != name)]:
            for place, offer in self._from(root).items():
                others.setdefault(place, _Offer(offer.rows)).places.update(offer.places)
        return all(_in_place(offer, beside, first=bool(twist.first))
                   or self._changed_over(one, other, own, others)
                   for one, offer in own.items() for other, beside in others.items()
                   if self._touch(one, offer.rows, other, beside.rows))

    def _watched_alike(self, own: _Offers, *, first: bool) -> bool:
        """Whether what is watched says the same whether its own things have come or not, and with
        `first` nothing in it asks for inputs: it is taken with those of the instant before.
        """
        for one in self.system.conditions:
            names = names_in(one.when)
            # What is measured may be another as soon as something else is driven.
            if not names.quantities <= self._driven or (
                    first and (names.flags or names.quantities)):
                return False
            for key, offer in own.items():
                ways = self._ways(key, offer.rows)
                if ways and told_apart(self.system, [one.when], key[1], ways):
                    return False
        return not first or all(
            any(mark in flag for mark in TOLD_ONCE)
            for offer in own.values() for row in offer.rows if row.when is not None
            for flag in names_in(row.when).flags)

    # -- what follows ------------------------------------------------------------------------------

    def _from(self, root: str) -> _Offers:
        """All that may follow from the times of one region, or, with "", from edges and from what
        conditions tell.
        """
        if root not in self._of_root:
            found = self._of_root[root] = {}
            if root:
                self._follow((root, ""), root, self._timed[root], (1, self.turn[root]), found)
            else:
                for event in self.system.raw_events:
                    for name, rows in self._heard.get(event, ()):
                        self._follow(event, name, rows, (1, EDGES), found)
                for event in self._turning:
                    for name, rows in self._heard.get(event, ()):
                        self._follow(event, name, rows, (ANEW, EDGES), found)
        return self._of_root[root]

    def _follow(self, item: _Item, name: str, rows: Sequence[Row], place: _Place,
                found: _Offers) -> None:  # fmt: skip
        waiting = [(item, name, rows, place)]
        while waiting:
            item, name, rows, place = waiting.pop()
            offer = found.setdefault((item, name), _Offer(rows))
            if place in offer.places:
                continue
            offer.places.add(place)
            round_ = place[0]
            then = (round_ if round_ in (ROUNDS, ANEW + ROUNDS) else round_ + 1, place[1])
            for made in self._made(name, rows):
                waiting += [(made, hearing, answers, then)
                            for hearing, answers in self._offered(made)]

    def _made(self, name: str, rows: Iterable[Row]) -> set[_Item]:
        """What rows of a region put into the queue."""
        found: set[_Item] = set()
        for row in rows:
            found.update(row.emit)
            for state in self.regions[name].entered_by(row):
                entered = [(name, state), *((clock.name, clock.begins[state])
                                            for clock in self.clocks.get(name, ()))]
                found.update(one for one in entered if one in self._passing)
        return found

    def _offered(self, item: _Item) -> Sequence[tuple[str, Sequence[Row]]]:
        if isinstance(item, str):
            return self._heard.get(item, ())
        return [(item[0], self._passing[item])]

    # -- two things --------------------------------------------------------------------------------

    def _ways(self, key: _Key, rows: Iterable[Row]) -> set[tuple[str, str]]:
        """Where rows lead a region: from which state to which."""
        item, region = key[0], self.regions[key[1]]
        return {(source, to) for row in rows for to in region.entered_by(row)
                for source in ([item[1]] if isinstance(item, tuple) and item[1] else row.sources)}

    def _touch(self, one: _Key, rows: Sequence[Row], other: _Key, others: Sequence[Row]) -> bool:
        """Whether either moves what the other one moves, or asks for."""
        ways, goes = self._ways(one, rows), self._ways(other, others)
        if one[1] == other[1]:
            return bool(ways or goes)
        return any(
            led and (told_apart(self.system, [row.when for row in asking if row.when is not None],
                                mover, led)
                     or any(clock.name == by for clock in self.clocks.get(mover, ())))
            for led, mover, asking, by in ((ways, one[1], others, other[1]),
                                           (goes, other[1], rows, one[1])))

    def _changed_over(self, one: _Key, other: _Key, own: _Offers, others: _Offers) -> bool:
        """Whether two things do the same, and leave the same, in either order."""
        stands = [*self._held(one[0], own, others), *self._held(other[0], others, own)]
        rows, beside = own[one].rows, others[other].rows
        key = one, other, tuple(map(id, rows)), tuple(stands)
        if key not in self._known:
            self._known[key] = all(
                self._commute(one, mine, other, its, stands)
                for mine in _groups(one, rows) for its in _groups(other, beside))
        return self._known[key]

    def _commute(self, one: _Key, rows: Sequence[Row], other: _Key, others: Sequence[Row],
                 stands: Iterable[tuple[str, frozenset[str]]]) -> bool:  # fmt: skip
        both = [(one, rows), (other, others)]
        for key, mine in both:
            item, name = key
            # What is left at once, and what is played in time, is not followed.
            if (isinstance(item, tuple) and item[1]) or name in self.clocks or (
                    self.regions[name].follows
                    or any((name, to) in self._passing for _, to in self._ways(key, mine))):
                return False
        asked = dict.fromkeys(leaf for row in (*rows, *others) if row.when is not None
                              for leaf in leaves(row.when))
        free = [leaf for leaf in asked if not isinstance(leaf, Inside | Constant)]
        if any(decided_by(self.system, leaf) for leaf in free):
            return False
        names = sorted({one[1], other[1]} | {leaf.region for leaf in asked
                                             if isinstance(leaf, Inside)})
        held = dict(stands)
        states = [[state.name for state in self.regions[name].states
                   if state.name in held.get(name, (state.name,))] for name in names]
        moving = [self.regions[name] for name in dict.fromkeys((one[1], other[1]))]
        remembered = [region.resume_points for region in moving if region.resume_points]
        moments = prod(map(len, (*states, *remembered))) * 2 ** len(free)
        if moments > MOST_MOMENTS:
            return False
        kept = [region.name for region in moving if region.resume_points]
        return all(self._alike(both, dict(zip(names, standing, strict=True)), said,
                               dict(zip(kept, memory, strict=True)))
                   for standing in product(*states) for said in answers(free)
                   for memory in product(*remembered))

    def _alike(self, both: Sequence[tuple[_Key, Sequence[Row]]], where: Mapping[str, str],
               said: Mapping[Expression, bool], memory: Mapping[str, str]) -> bool:
        """Whether both orders do the same in one moment."""
        found = []
        for order in ((0, 1), (1, 0)):
            now = _Moment(dict(where), dict(memory))
            told = {number: self._does(*both[number], now, said) for number in order}
            found.append((told[0], told[1], now))
        return found[0] == found[1]

    def _does(self, key: _Key, rows: Sequence[Row], now: _Moment, said: Mapping[Expression, bool]
              ) -> tuple[str, ...]:
        """What is told where rows are asked in a moment, and what becomes of that."""
        item, name = key
        ended = not isinstance(item, str)
        if ended and name in now.entered:
            return ()  # the stay is over

        def says(leaf: Leaf) -> bool:
            return (now.states[leaf.region] in leaf.states if isinstance(leaf, Inside)
                    else said[leaf])

        region, told, state = self.regions[name], list[str](), now.states[name]
        for row in rows:
            if state not in row.sources or not (row.when is None or truth(row.when, says)):
                continue
            told += row.emit
            if row.to != "same":
                to = now.memory[name] if row.to == "resume" else row.to
                now.states[name] = to
                now.entered.add(name)
                # Where it is awake here it has been so before the instant, or has woken in it.
                now.woken |= region.state(to).awake and not region.state(state).awake
                if to in region.resume_points:
                    now.memory[name] = to
                break
            if not ended:
                break
        return tuple(told)

    # -- where the one stands that tells -----------------------------------------------------------

    def _held(self, item: _Item, mine: _Offers, others: _Offers
              ) -> Iterator[tuple[str, frozenset[str]]]:
        """The region that tells an event of some things, and where it then stands as long as that
        is to be heard: it has gone there in telling, and nothing moves it in this instant again.
        """
        if not isinstance(item, str):
            return
        telling = [key for key, offer in mine.items() if any(item in row.emit
                                                             for row in offer.rows)]
        if len(telling) != 1:
            return
        (key,) = telling
        name, offer = key[1], mine[key]
        if (self._count(key[0], mine, ()) > 1
                or any(other[1] == name and self._ways(other, one.rows)
                       for other, one in others.items())
                or any(other[1] == name and other != key and self._ways(other, one.rows)
                       and not one.last() < min(offer.places) for other, one in mine.items())):
            return
        rows = [row for row in offer.rows if item in row.emit]
        if not any(row.to in ("same", "resume") for row in rows):
            yield name, frozenset(row.to for row in rows)

    def _count(self, item: _Item, offers: _Offers, behind: tuple[_Item, ...]) -> int:
        """How often something comes in one instant at most; OFTEN where there is no such number."""
        if item in behind:
            return OFTEN
        if isinstance(item, tuple) and not item[1]:
            return 1  # a time of a region
        if item in self._told:
            return OFTEN
        found = int(item in self.system.raw_events)  # as the line protocol promises
        for key, offer in offers.items():
            if item in self._made(key[1], offer.rows):
                found += self._count(key[0], offers, (*behind, item))
            if found >= OFTEN:
                return OFTEN
        return found


@dataclass(slots=True)
class _Moment:
    """Where regions stand, what they would resume, and what has happened meanwhile."""

    states: dict[str, str]
    memory: dict[str, str]
    entered: set[str] = field(default_factory=set)
    woken: bool = False


def _in_place(offer: _Offer, beside: _Offer, *, first: bool) -> bool:
    """Whether its own thing always comes before that of others (with `first`), or behind it."""
    return offer.last() < min(beside.places) if first else beside.last() < min(offer.places)


def _groups(key: _Key, rows: Sequence[Row]) -> Iterator[Sequence[Row]]:
    """The rows that are asked together: of times those of one length."""
    if isinstance(key[0], str):
        yield rows
    else:
        for after_ns in dict.fromkeys(row.after_ns for row in rows):
            yield [row for row in rows if row.after_ns == after_ns]
