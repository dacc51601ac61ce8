"""Rows that follow one another without time passing, found before anything runs.

A row is followed in its own instant by the rows that hear what it emits and by the zero dwells of
the state it leads to. Where such rows lead round, the instant is gone through from every
combination of the states that take part, to the letter but for what is not known: what guards read
of inputs, other regions and the cell may be anything, but the same throughout the instant. A
combination that comes again with the same queue is an instant without end. A loop that only the sag
under another load would close is not looked for here: searches and runs meet it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise, product

from simfw.behaviour.region import Region, Row, System
from simfw.behaviour.tree import (
    COMPARE,
    Compare,
    Expression,
    Flag,
    Inside,
    Leaf,
    Number,
    Quantity,
    levels_in,
    names_in,
    truth,
)

__all__ = ["Loop", "zero_time_loops"]

MOST_STARTS = 20_000  # combinations of states times rows that an instant is begun with
MOST_STEPS = 20_000  # settled queues looked at for one ring of rows
LONGEST_QUEUE = 64  # what grows beyond this does not come to rest

# What stands in the queue: an event, or the zero dwells of a region's state (by region).
_Waiting = tuple[str, ...]
_Known = frozenset[tuple[object, object]]
_Node = tuple[tuple[str, ...], _Waiting, _Known]
_Step = tuple[tuple[str, ...], _Node]  # the keys of the rows that fired, and what is left
_DWELL = "zero dwell of "


@dataclass(frozen=True, slots=True)
class Loop:
    """Rows that chase each other, by key, in the order in which they fire."""

    rows: tuple[str, ...]

    @property
    def text(self) -> str:
        """What is wrong with them, in one sentence."""
        if len(self.rows) == 1:
            return f"This row fires again and again without time passing: {self.rows[0]}."
        return (
            "Once one of them fires, these rows follow one another without time passing: "
            f"{' -> '.join(self.rows)}."
        )


def zero_time_loops(system: System) -> tuple[Loop, ...]:
    """Every ring of rows of `system` that an instant can go round for ever, one loop of each.

    A ring of more than `MOST_STEPS` queues is given up: the search names it where it meets it.
    """
    order = {row.key: n for n, row in enumerate(r for one in system.regions for r in one.rows)}
    found = []
    for ring in _rings(system):
        rows = _Ring(system, ring).loop()
        if rows is not None:
            first = min(range(len(rows)), key=lambda place: order[rows[place]])
            found.append(Loop((*rows[first:], *rows[:first])))
    return tuple(found)


def _rings(system: System) -> list[list[tuple[int, Row]]]:
    """The sets of rows that lead round among themselves, each in the order of the rows."""
    rows = [(number, row) for number, region in enumerate(system.regions) for row in region.rows]
    hearing: dict[str, list[int]] = {}
    zero: dict[tuple[int, str], list[int]] = {}
    for place, (number, row) in enumerate(rows):
        if row.on is not None:
            hearing.setdefault(row.on, []).append(place)
        elif row.after_ns == 0:
            for source in row.sources:
                zero.setdefault((number, source), []).append(place)
    leads = []
    for number, row in rows:
        follow = {place for event in row.emit for place in hearing.get(event, ())}
        for state in system.regions[number].entered_by(row):
            follow.update(zero.get((number, state), ()))
        leads.append(follow)
    reached = [_reached(place, leads) for place in range(len(rows))]
    rings: list[list[tuple[int, Row]]] = []
    taken: set[int] = set()
    for place in range(len(rows)):
        if place in reached[place] and place not in taken:
            ring = [other for other in sorted(reached[place]) if place in reached[other]]
            taken.update(ring)
            rings.append([rows[other] for other in ring])
    return rings


def _reached(start: int, leads: list[set[int]]) -> set[int]:
    found: set[int] = set()
    ahead = set(leads[start])
    while ahead:
        here = ahead.pop()
        found.add(here)
        ahead |= leads[here] - found
    return found


class _Unknown(Exception):
    """A guard depends on something that is not decided yet: what it is, and what it may be."""

    def __init__(self, what: object, answers: tuple[object, ...]) -> None:
        super().__init__(what)
        self.what = what
        self.answers = answers


class _Ring:
    """The regions of one ring of rows, with all that they do in no time."""

    def __init__(self, system: System, ring: list[tuple[int, Row]]) -> None:
        self.system = system
        self.ring = ring
        self.numbers = sorted({number for number, _ in ring})
        self.regions = [system.regions[number] for number in self.numbers]
        self.place = {number: place for place, number in enumerate(self.numbers)}
        self.by_name = {region.name: place for place, region in enumerate(self.regions)}
        self.heard = {row.on for region in self.regions for row in region.rows if row.on}
        self.values = _values(self.regions)

    def loop(self) -> tuple[str, ...] | None:
        """A loop that is met from some combination of states; None where there is none."""
        budget = [MOST_STEPS]
        done: set[_Node] = set()
        for node in self._starts():
            found = self._search(node, done, budget)
            if found is not None:
                return found
            if budget[0] <= 0:
                return None
        return None

    def _starts(self) -> Iterator[_Node]:
        """The queues after one row of the ring has fired in each combination of states."""
        states = [_lived_in(region) for region in self.regions]
        count = 0
        for number, row in self.ring:
            place = self.place[number]
            mine = [[state for state in row.sources if state in states[place]]
                    if other == place else names for other, names in enumerate(states)]
            for combination in product(*mine):
                count += 1
                if count > MOST_STARTS:
                    return
                yield from self._fire(combination, (), frozenset(), place, row)

    def _search(
        self, start: _Node, done: set[_Node], budget: list[int]
    ) -> tuple[str, ...] | None:
        """Go on from a queue until it is empty; the rows of the first way that comes round."""
        trail: list[tuple[_Node, Iterator[_Step]]] = [(start, self._following(start))]
        on_way = {start: 0}
        fired: list[tuple[str, ...]] = []
        while trail:
            here, following = trail[-1]
            step = next(following, None)
            if step is None:
                trail.pop()
                del on_way[here]
                done.add(here)
                if fired:
                    fired.pop()
                continue
            keys, node = step
            grows = len(node[1]) > LONGEST_QUEUE
            if node in on_way or grows:
                round_ = [*fired[0 if grows else on_way[node] :], keys]
                return tuple(dict.fromkeys(key for keys in round_ for key in keys))
            if node in done or not node[1]:
                continue
            budget[0] -= 1
            if budget[0] <= 0:
                return None
            on_way[node] = len(trail)
            trail.append((node, self._following(node)))
            fired.append(keys)
        return None

    def _following(self, node: _Node) -> Iterator[_Step]:
        """What may come of the first thing in the queue."""
        states, queue, known = node
        if not queue:
            return
        first, rest = queue[0], queue[1:]
        steps: list[_Step] = [((), (states, rest, known))]
        if first.startswith(_DWELL):
            yield from self._dwell(steps, self.by_name[first.removeprefix(_DWELL)])
            return
        for place, region in enumerate(self.regions):
            rows = [row for row in region.rows if row.on == first]
            steps = [after for step in steps for after, _ in self._first(step, place, rows)]
        yield from steps

    def _dwell(self, steps: list[_Step], place: int) -> Iterator[_Step]:
        """The zero dwells of the state that a region is in have expired, row by row."""
        for row in self.regions[place].rows:
            if row.after_ns != 0:
                continue
            alive = []  # a row to "same" leaves those behind it alive
            for step in steps:
                for after, fired in self._first(step, place, [row]):
                    if fired and row.to != "same":
                        yield after
                    else:
                        alive.append(after)
            steps = alive
        yield from steps

    def _first(self, step: _Step, place: int, rows: list[Row]) -> Iterator[tuple[_Step, bool]]:
        """The first of the rows that fits fires, if one does; all that is not known is tried."""
        keys, (states, queue, known) = step
        for number, row in enumerate(rows):
            if states[place] not in row.sources:
                continue
            try:
                holds = self._reads(row.when, states, dict(known))
            except _Unknown as unknown:
                for answer in unknown.answers:
                    more = (states, queue, known | {(unknown.what, answer)})
                    yield from self._first((keys, more), place, rows[number:])
                return
            if holds:
                for node in self._fire(states, queue, known, place, row):
                    yield ((*keys, row.key), node), True
                return
        yield step, False

    def _fire(
        self, states: tuple[str, ...], queue: _Waiting, known: _Known, place: int, row: Row
    ) -> Iterator[_Node]:
        region = self.regions[place]
        queue += tuple(event for event in row.emit if event in self.heard)
        if row.to == "same":
            yield states, queue, known
            return
        mine = _DWELL + region.name
        queue = tuple(waiting for waiting in queue if waiting != mine)  # of a stay that is over
        for state in region.entered_by(row):
            after = (*states[:place], state, *states[place + 1 :])
            zero = any(one.after_ns == 0 and state in one.sources for one in region.rows)
            yield after, (*queue, mine) if zero else queue, known

    def _reads(
        self, when: Expression | None, states: tuple[str, ...], known: Mapping[object, object]
    ) -> bool:
        """A guard where everything it needs is decided; raises `_Unknown` where it is not."""
        def read(leaf: Leaf) -> bool:
            match leaf:
                case Inside(name, names):
                    place = self.by_name.get(name)
                    return (self._state(name, known) if place is None else states[place]) in names
                case Compare(left, sign, right):
                    values = [self._number(term, states, known) for term in (left, right)]
                    return COMPARE[sign](*values)
                case Flag() as flag:
                    return bool(_decided(known, flag, (True, False)))
            raise AssertionError(leaf)

        return when is None or bool(truth(when, read))

    def _state(self, name: str, known: Mapping[object, object]) -> str:
        """The state of a region that takes no part."""
        names = tuple(state.name for state in self.system.region(name).states)
        return str(_decided(known, name, names))

    def _number(
        self, term: Number | Quantity, states: tuple[str, ...], known: Mapping[object, object]
    ) -> float:
        if isinstance(term, Number):
            return term.value
        name = term.name
        driven = any(
            name in state.touches
            for region in self.regions for state in region.states
        )
        what = (name, states) if driven else (name, ())
        return float(_decided(known, what, self.values[name]))  # type: ignore[arg-type]


def _decided(
    known: Mapping[object, object], what: object, answers: tuple[object, ...]
) -> object:
    if what not in known:
        raise _Unknown(what, answers)
    return known[what]


def _values(regions: list[Region]) -> dict[str, tuple[float, ...]]:
    """For each quantity that guards read, the values that their comparisons can tell apart."""
    levels: dict[str, set[float]] = {}
    for region in regions:
        for when in (row.when for row in region.rows if row.when is not None):
            for name in names_in(when).quantities:
                levels.setdefault(name, set()).update(levels_in(when, name))
    found = {}
    for name, limits in levels.items():
        ordered = sorted(limits) or [0.0]
        between = [(low + high) / 2 for low, high in pairwise(ordered)]
        found[name] = (ordered[0] - 1.0, *ordered, *between, ordered[-1] + 1.0)
    return found


def _lived_in(region: Region) -> tuple[str, ...]:
    """The states of a region that its rows may lead to, whatever their guards."""
    found = {region.starts: None}
    ahead = deque([region.starts])
    while ahead:
        here = ahead.popleft()
        for row in region.rows:
            if here in row.sources:
                for state in region.entered_by(row):
                    if state not in found:
                        found[state] = None
                        ahead.append(state)
    return tuple(found)
