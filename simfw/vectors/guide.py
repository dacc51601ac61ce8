"""How far model and fault are from where the fault shows, read off the rows of the regions.

Guards are not asked: the distance is a number of rows, and may be less than it takes.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from simfw.behaviour.expression import All, Expression, Inside, Not, leaves
from simfw.behaviour.region import Region, Row, System
from simfw.vectors.faults import Fault

__all__ = ["Guide", "Ways"]

FAR = 20
TOLD = 2  # how many rows it may take until others show what they have heard
DIAL = "dial "  # begins what must be lit by a dial
MOST_STATES = 14  # of a region whose states are looked at in pairs

_Two = tuple[str, str]
_Seen = tuple[int, frozenset[str], frozenset[str]]  # rows, events, what must be heard or lit
_After = dict[str, list[tuple[str, frozenset[str]]]]
NOWHERE: _Seen = FAR, frozenset(), frozenset()


@dataclass(frozen=True, slots=True)
class _Way:
    """For each state how many rows it takes, and the next of them."""

    away: Mapping[str, int]
    next: Mapping[str, tuple[Row, ...]]


class Ways:
    """The ways of a system that are the same whatever the fault: made once for all of them."""

    def __init__(self, system: System) -> None:
        self.system = system
        self._readied: dict[str, list[tuple[Region, _Way]]] = {}
        self._made: dict[str, list[tuple[Region, _Way]]] = {}
        self._into: dict[tuple[str, frozenset[str]], _Way] = {}

    def into(self, region: Region, wanted: Collection[str]) -> _Way:
        """Into some states of a region."""
        key = region.name, frozenset(wanted)
        if key not in self._into:
            self._into[key] = _way_into(region, wanted)
        return self._into[key]

    def ready(self, name: str) -> list[tuple[Region, _Way]]:
        """Of each region: to where it hears an event, or drives a light, or goes by a dial."""
        if name not in self._readied:
            mine = self._readied[name] = []
            for region in self.system.regions:
                hearing = [row for row in region.rows if row.on == name]
                lit = {state.name for state in region.states
                       if name in state.outputs or name.removeprefix(DIAL) in state.dials}
                if hearing:
                    mine.append((region, _way_to(region, region.rows, hearing)))
                elif lit and region.group == "behaviour":
                    mine.append((region, _way_into(region, lit)))
        return self._readied[name]

    def makers(self, event: str) -> list[tuple[Region, _Way]]:
        """Of each region that makes an event: to where it does."""
        if event not in self._made:
            mine = self._made[event] = []
            for region in self.system.regions:
                making = [row for row in region.rows if event in row.emit]
                if making:
                    mine.append((region, _way_to(region, region.rows, making)))
        return self._made[event]


class Guide:
    """Says for one fault after which rows it comes up, and after which a difference shows."""

    def __init__(self, system: System, fault: Fault, ways: Ways | None = None) -> None:
        self.system = system
        self.ways = Ways(system) if ways is None else ways
        self.fault = fault
        twist = fault.twist
        self.lost = bool(twist.kept or twist.remembers) or fault.kind == "unkept"
        self.region = system.region(next(iter(fault.touched))) if len(fault.touched) == 1 else None
        self._first, self._then = _Way({}, {}), _Way({}, {})
        if self.region is not None:
            rows = self.region.rows
            changed = fault.system.region(self.region.name)
            both = set(rows) & set(changed.rows)
            moved = _parting([row for row in rows if row not in both],
                             [row for row in changed.rows if row not in both])
            key = (twist.behind or twist.third or twist.keeps or twist.first or twist.after
                   or twist.deaf or twist.forgets or twist.unnoted)
            named = [row for row in rows if row.key == (key or twist.lasts)]
            self._first = _way_to(self.region, (*rows, *moved), moved or named)
            self._then = _way_to(self.region, rows, [
                row for row in rows if row.key in (twist.lost, twist.third)])
            if twist.alone or twist.lasts:  # what is counted wrongly shows where it ends
                ends = [row for row in rows if row.key in (twist.alone, twist.lasts)]
                self._then = _way_to(self.region, rows, ends)
                counted = {name for row in ends for name in row.sources}
                cuts = [row for row in rows if row.on is not None and row.to != "same"
                        and not counted.isdisjoint(row.sources)]
                if twist.lasts and cuts:  # a stay that is cut comes before
                    self._first = _way_to(self.region, rows, cuts)
            if twist.remembers:
                # A memory of what comes without one tells nothing.
                self._first = _way_into(self.region, self.region.resume_points[1:])
                self._then = _way_to(self.region, rows,
                                     [row for row in rows if row.to == "resume"])
            elif self.lost:
                self._first = _Way({state.name: int(state.name == self.region.starts)
                                    for state in self.region.states},
                                   {self.region.starts: rows})
        self._readers: dict[str, tuple[tuple[Row, frozenset[str]], ...]] = {}
        self._shown: dict[str, Mapping[_Two, _Seen]] = {}

    def events(self) -> frozenset[str]:
        """The events that the rows of the fault hear and those of the model do not."""
        heard = {row.on for name in self.fault.touched for row in self.system.region(name).rows}
        return frozenset(row.on for name in self.fault.touched
                         for row in self.fault.system.region(name).rows
                         if row.on is not None and row.on not in heard)

    def before(self, states: Mapping[str, str], *, strayed: bool = False) -> int:
        """How many rows it takes until the fault comes up, in the states of the model."""
        if self.region is None:
            return 0
        return self._way(strayed).away.get(states[self.region.name], FAR)

    def towards(self, states: Mapping[str, str], *, strayed: bool) -> tuple[Row, ...]:
        """The rows that lead there."""
        if self.region is None:
            return ()
        return self._way(strayed).next.get(states[self.region.name], ())

    def _way(self, strayed: bool) -> _Way:
        return self._then if strayed and self._then.away else self._first

    def ready(self, name: str, states: Mapping[str, str]) -> tuple[int, tuple[Row, ...]]:
        """How many rows it takes until an event is heard where it leads on, or a light is driven,
        or a state goes by a dial (`name`), and the next of them.
        """
        found: tuple[int, tuple[Row, ...]] = FAR, ()
        for region, way in self.ways.ready(name):
            here = states[region.name]
            away = way.away.get(here, FAR)
            if away < found[0]:
                found = away, (() if away == 0 else way.next[here])
        return found

    def makers(self, event: str, states: Mapping[str, str]) -> tuple[Row, ...]:
        """The rows that lead to where an event is made, or make it."""
        return tuple(row for region, way in self.ways.makers(event)
                     for row in way.next.get(states[region.name], ()))

    def takes(self, rows: Iterable[Row], states: Mapping[str, str], made: Collection[str],
              deep: int, but: str = "") -> int:
        """How many rows of other regions it takes until one of some rows fires: those that lead to
        where its guard lets it, and to where its event is made, unless hands make it (`made`).
        """
        least = FAR
        for row in rows:
            count = sum(way.away.get(here, FAR) + (
                self.takes(way.next.get(here, ()), states, made, deep - 1) if deep else 0)
                for way, here in self._letting(row, states, but))
            event = row.on or ""
            if deep and event and event not in made and (makers := self.ways.makers(event)):
                count += min(
                    way.away.get(states[region.name], FAR)
                    + self.takes(way.next.get(states[region.name], ()), states, made, deep - 1)
                    for region, way in makers)
            least = min(least, count)
        return least

    def _letting(self, row: Row, states: Mapping[str, str], but: str
                 ) -> Iterator[tuple[_Way, str]]:
        """The ways of other regions to where the guard of a row lets it fire, and where they are,
        as far as it names their states and they are elsewhere.
        """
        parts = row.when.parts if isinstance(row.when, All) else (row.when,)
        for part in parts:
            named = part.part if isinstance(part, Not) else part
            if not isinstance(named, Inside) or named.region == but:
                continue
            here = states[named.region]
            if (here in named.states) == isinstance(part, Not):
                region = self.system.region(named.region)
                yield self.ways.into(region, {
                    state.name for state in region.states
                    if (state.name in named.states) != isinstance(part, Not)}), here

    def lets(self, row: Row, states: Mapping[str, str], but: str = "") -> tuple[Row, ...]:
        """The rows of other regions that lead to where the guard of a row lets it fire, as far as
        it names their states; what it asks of region `but` is left as it is.
        """
        return tuple(one for way, here in self._letting(row, states, but)
                     for one in way.next.get(here, ()))

    def shows(self, apart: Iterable[tuple[str, str, str]], states: Mapping[str, str]
              ) -> tuple[int, frozenset[str], tuple[Row, ...]]:
        """How many rows it takes until it shows that regions stand in other states than their
        copies (region, state, state of the copy); the events that lead there ("": time), and the
        rows that lead to where it can show.
        """
        least, events, rows = FAR, frozenset[str](), tuple[Row, ...]()
        for name, one, other in apart:
            if name not in self._shown:
                self._shown[name] = _shown(self.system.region(name),
                                           self.fault.system.region(name), self._heard(name),
                                           self.readers(name))
            away, leads, needs = self._shown[name].get((one, other), NOWHERE)
            first = min((self.ready(need, states) for need in sorted(needs)),
                        key=lambda found: found[0], default=(0, ()))
            away += first[0]
            if away < least:
                least, events, rows = away, frozenset[str](), ()
            if away == least:
                # What it takes to be seen comes before what makes the difference tell.
                events |= leads if not first[1] else frozenset()
                rows += first[1]
        return least, events, rows

    def _heard(self, name: str) -> frozenset[str]:
        return frozenset(row.on for region in self.system.regions if region.name != name
                         for row in region.rows if row.on is not None)


    def readers(self, name: str) -> tuple[tuple[Row, frozenset[str]], ...]:
        """The rows of other regions whose guards ask where a region stands, and for what."""
        if name not in self._readers:
            self._readers[name] = tuple(
                (row, leaf.states) for region in self.system.regions if region.name != name
                for row in region.rows if row.when is not None
                for leaf in leaves(row.when) if isinstance(leaf, Inside) and leaf.region == name)
        return self._readers[name]


def _parting(rows: Sequence[Row], others: Sequence[Row]) -> list[Row]:
    """Rows that say something else, as they fire where they part: where only parts of a guard are
    gone, or came to it, with one of these not met; where only states are, from these.
    """
    found: list[Row] = []
    by_key = {other.key: other for other in others}
    alike = len(rows) == len(others) == len(by_key)
    for row in rows:
        other = by_key.get(row.key)
        if alike and other is not None and replace(row, sources=other.sources) == other:
            found += [replace(row, sources=only) for one, two in ((row, other), (other, row))
                      if (only := tuple(name for name in one.sources if name not in two.sources))]
            continue
        if not alike or other is None or replace(row, when=other.when,
                                                 when_text=other.when_text) != other:
            return [*rows, *others]
        mine, theirs = _parts(row.when), _parts(other.when)
        found += [replace(row, when=All((*kept, part.part if isinstance(part, Not) else Not(part))))
                  for kept, lost in ((theirs, mine), (mine, theirs))
                  for part in lost if part not in kept]
    return found or [*rows, *others]


def _parts(when: Expression | None) -> tuple[Expression, ...]:
    return () if when is None else when.parts if isinstance(when, All) else (when,)


def _entered(region: Region, row: Row, source: str) -> Sequence[str]:
    return (source,) if row.to == "same" else region.entered_by(row)


def _way_to(region: Region, rows: Sequence[Row], wanted: Sequence[Row]) -> _Way:
    """The way by `rows` to where a row of `wanted` can fire."""
    away: dict[str, int] = {}
    onward: dict[str, dict[int, Row]] = {}  # the rows by their ids: they are long to compare
    for row in wanted:
        for source in row.sources:
            away[source] = 0
            onward.setdefault(source, {})[id(row)] = row
    # By state entered, the rows that enter it and from where, each kind in its order.
    entering: dict[str, list[tuple[Row, str]]] = {}
    for row in rows:
        for source in row.sources:
            for to in set(_entered(region, row, source)):
                entering.setdefault(to, []).append((row, source))
    waiting = deque(away)
    while waiting:
        there = waiting.popleft()
        for row, source in entering.get(there, ()):
            if source not in away:
                away[source] = away[there] + 1
                waiting.append(source)
            if away[source] == away[there] + 1:
                onward.setdefault(source, {})[id(row)] = row
    return _Way(away, {source: tuple(mine.values()) for source, mine in onward.items()})


def _way_into(region: Region, wanted: Collection[str]) -> _Way:
    """The way to some states."""
    rows = [row for row in region.rows if any(
        to in wanted for source in row.sources for to in _entered(region, row, source))]
    way = _way_to(region, region.rows, rows)
    away = {state: 0 if state in wanted else 1 + count for state, count in way.away.items()}
    return _Way({**away, **dict.fromkeys(wanted, 0)}, way.next)


def _shown(region: Region, changed: Region, heard: frozenset[str],
           readers: Sequence[tuple[Row, frozenset[str]]]) -> Mapping[_Two, _Seen]:
    """For two different states of a region and its copy, how many rows until one gives an output
    something else or makes an event that others hear, or lets a guard of others decide otherwise
    (both `TOLD` more), and what leads there.
    """
    def after(one: Region, state: str) -> _After:
        found: _After = {}
        for row in one.rows:
            if state in row.sources:
                for to in _entered(one, row, state):
                    found.setdefault(row.on or "", []).append((to, heard.intersection(row.emit)))
        return found

    names = [state.name for state in region.states]
    if len(names) > MOST_STATES:
        return {}
    rows = {name: (after(region, name), after(changed, name)) for name in names}
    found: dict[_Two, _Seen] = {}
    for one in names:
        for other in names:
            gives = region.state(one).gives, changed.state(other).gives
            if one != other and gives[0] != gives[1]:
                # What a state drives itself shows at once.
                mine, copies = set(region.state(one).outputs), set(changed.state(other).outputs)
                if region.state(one).position is not None:  # of a dial, where a state goes by it
                    found[one, other] = 0, frozenset(), frozenset([DIAL + region.name])
                    continue
                scaled = {name for state in (region.state(one), changed.state(other))
                          for name in state.touches} - mine - copies
                found[one, other] = 0, frozenset(), frozenset(scaled if not mine ^ copies else ())
            asking = frozenset(row.on or "" for row, states in readers
                               if (one in states) != (other in states))
            if one != other and asking and (one, other) not in found:
                found[one, other] = 1 + TOLD, asking, asking - {""}
    steps: dict[_Two, dict[tuple[_Two, frozenset[str]], set[str]]] = {}
    for one, other in ((one, other) for one in names for other in names if one != other):
        before, copied = rows[one][0], rows[other][1]
        for event in dict.fromkeys((*before, *copied)):
            for here, made in before.get(event, [(one, frozenset())]):
                for there, makes in copied.get(event, [(other, frozenset())]):
                    if here != there or made != makes:
                        steps.setdefault((one, other), {}).setdefault(
                            ((here, there), made ^ makes), set()).add(event)
    for _ in names:
        for pair, leading in steps.items():
            for (after_it, told), events in leading.items():
                away, needs = ((1 + TOLD, told) if told else
                               (1 + found[after_it][0], found[after_it][2]) if after_it in found
                               else (FAR, told))
                known = found.get(pair, NOWHERE)
                if away < known[0]:
                    found[pair] = away, frozenset(events), needs
                elif away == known[0] and 0 < away < FAR:
                    found[pair] = away, known[1] | events, known[2] | needs
    return found
