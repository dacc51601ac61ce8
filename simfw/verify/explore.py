"""The exhaustive search: every reachable settled combination, with time that is not cut in steps.

A node is a settled combination of a `Machine` together with a zone of its clocks. From a node time
passes (more than none, and never past a dwell that is due); at each moment any set of due dwells,
acts of the outside and free rows may coincide; the instant comes to rest in further nodes. A node
whose zone lies inside one already kept for the same combination is dropped. Clocks that nothing
reads any more are not in the zone, and every clock in it is bounded by its next dwell, so the
number of zones is finite without widening.

Nodes are visited in order of the number of instants that lead to them, so the first way found to
break a monitor has the fewest instants.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import combinations

from simfw.verify.budget import INSTANT, MOST_BYTES, ORDER, ZONE, Budget
from simfw.verify.coincide import COVERED, SEEN, Choice, Chosen, Order, Sorter, joined
from simfw.verify.instants import Effect
from simfw.verify.machine import Config, Endless, Leaf, Machine, Mark, Outcome
from simfw.verify.zones import (
    LE_ZERO,
    Zone,
    add,
    at_least,
    at_most,
    below,
    constrain,
    delay,
    includes,
    move,
    origin,
    passing,
)

__all__ = ["Explored", "Step", "Way", "explore"]


@dataclass(frozen=True, slots=True)
class Step:
    """One instant of a way: the clocks that were due, what was chosen, and where it came to rest.

    `clocks` are the clocks (with their marks) that were running before it, in zone order.
    """

    clocks: tuple[tuple[int, Mark], ...]
    due: tuple[int, ...]
    chosen: tuple[tuple[int, int], ...]
    outcome: Outcome


@dataclass(frozen=True, slots=True)
class Way:
    """How something is reached: the power-up it begins with, and the instants after it."""

    start: Outcome
    steps: tuple[Step, ...]


@dataclass(slots=True)
class Explored:
    """What the search saw.

    `finished` is False when it was stopped first. `states` counts nodes (combination and zone),
    `combinations` settled combinations. `broken` maps a monitor to the shortest way that breaks it.
    `endless` holds instants that never come to rest, with the way to them. `kept_bytes` is about
    how much memory all that takes. Where links were asked for, `successors` maps each combination
    to the ones that can follow it, and to whether a sample of the gauge or the charger's status is
    needed for that; `silent` maps each event to the combinations in which no written row answered
    it.
    """

    finished: bool
    states: int
    combinations: int
    broken: dict[int, Way]
    endless: list[tuple[tuple[str, ...], Way]]
    fired: set[str]
    starts: list[Config]
    successors: dict[Config, dict[Config, bool]] = field(repr=False)
    silent: dict[str, dict[Config, None]] = field(repr=False)
    zones: dict[Config, list[Zone]] = field(repr=False)
    kept_bytes: int

    def reached(self, machine: Machine) -> list[set[str]]:
        """The states reached, per region of `machine`, also those of a moment only."""
        found: list[set[str]] = [set() for _ in machine.parts]
        for config in self.zones:
            for states, name in zip(found, machine.region_states(config), strict=True):
                states.add(name)
        return found


_Found = dict[tuple[Config, tuple[int, ...], bool], tuple[Chosen, Effect]]


@dataclass(slots=True, eq=False)
class _Came:
    """How a node was reached: from which other one, with what."""

    parent: int
    due: tuple[int, ...]
    chosen: Chosen
    effect: Effect


@dataclass(slots=True, eq=False)
class _Node:
    config: Config
    zone: Zone
    start: int
    came: _Came | None


def explore(
    machine: Machine,
    starts: Sequence[Outcome],
    *,
    budget: Budget | None = None,
    limit: int | None = None,
    most_bytes: int = MOST_BYTES,
    together: int = 2,
    apart: bool = False,
    links: bool = False,
    freely: bool = False,
    beside: int = -1,
    allow: Callable[[str], bool] | None = None,
    until_broken: bool = True,
    until: int | None = None,
    progress: Callable[[int], None] | None = None,
) -> Explored:
    """Search from the outcomes `starts` until nothing new is found.

    At most `together` acts of the outside (and events of regions that stand for it) coincide in one
    instant, together with dwells in every way they can. With `apart` nothing coincides by chance:
    two things share a time only where the clocks leave no other possibility. With `links` it is
    kept what follows what. `freely` is where what regions of the outside do may come in the middle
    of any instant, too, and is not asked for here beside anything but a dwell of region `beside`:
    then it has instants of its own, which may come at the time of the one before. `allow` says, by
    the name of the act or region, what may happen at all: for hunting, not for proving. The search
    ends early when `budget` is spent, when more than `limit` nodes were visited, when it keeps more
    than `most_bytes`, or (`until_broken`) when every monitor is broken, or that of number `until`.
    """
    search = _Search(machine, 1 if apart else together, apart, allow, links=links,
                     freely=freely, beside=beside)
    search.begin(starts)
    finished = True
    monitors = len(machine.monitors)
    visited = 0
    while search.waiting:
        if until in search.broken or (
                until_broken and monitors and len(search.broken) == monitors):
            finished = False
            break
        if (
            (budget is not None and budget.over())
            or (limit is not None and visited >= limit)
            or search.kept_bytes() > most_bytes
        ):
            finished = False
            break
        index = search.waiting.popleft()
        node = search.nodes[index]
        # A wider zone may have come in since; then this node has nothing new to give.
        if node.zone not in search.passed[node.config]:
            continue
        visited += 1
        if progress is not None and visited % 256 == 0:
            progress(visited)
        done, made, asked = machine.executed, search.made, search.order.asked
        search.expand(index)
        if budget is not None:
            budget.spend(
                INSTANT * (machine.executed - done) + ZONE * (search.made - made) + INSTANT
                + ORDER * (search.order.asked - asked))
    return Explored(
        finished=finished,
        states=visited if finished else visited + len(search.waiting),
        combinations=len(search.passed),
        broken={j: search.way(*found) for j, found in search.broken.items()},
        endless=[
            (loop, search.way(search.nodes[came.parent].start, came))
            for loop, came in search.endless.items()
        ],
        fired=search.fired,
        starts=[outcome.config for outcome in starts],
        successors=search.successors,
        silent=search.silent,
        zones=search.passed,
        kept_bytes=search.kept_bytes(),
    )


class _Search:
    """The growing set of nodes."""

    def __init__(
        self, machine: Machine, together: int, apart: bool, allow: Callable[[str], bool] | None,
        *, links: bool = False, freely: bool = False, beside: int = -1,
    ) -> None:
        self.machine = machine
        self.together = together
        self.apart = apart
        self.allow = allow
        self.links = links
        self.freely = freely
        self.beside = beside
        self.nodes: list[_Node] = []
        self.starts: list[Outcome] = []
        self.waiting: deque[int] = deque()
        self.passed: dict[Config, list[Zone]] = {}
        self.successors: dict[Config, dict[Config, bool]] = {}
        self.silent: dict[str, dict[Config, None]] = {}
        self.broken: dict[int, tuple[int, _Came | None]] = {}
        self.endless: dict[tuple[str, ...], _Came] = {}
        self.fired: set[str] = set()
        self._effects: set[Effect] = set()
        self._clocks: dict[Config, tuple[tuple[int, Mark], ...]] = {}
        self._choices: dict[tuple[Chosen, tuple[int, ...]], list[Choice]] = {}
        self._every: dict[Chosen, list[Choice]] = {}  # by the options
        self.sorter = Sorter()
        self.order = Order(machine)
        self._moves: dict[tuple[Config, tuple[int, ...]], _Found] = {}
        self._kept_moves = 0
        self._at_rest: dict[Config, bool] = {}
        self._joined: dict[tuple[Leaf, ...], list[tuple[tuple[Effect, ...], Effect]]] = {}
        self._by_cell = _by_cell(machine)
        self.made = 0
        self._zone_bytes = 0
        self._links = 0

    def begin(self, starts: Sequence[Outcome]) -> None:
        """Stand where power-up leads."""
        for number, outcome in enumerate(starts):
            self.starts.append(outcome)
            self.fired.update(outcome.rows)
            for j in outcome.broken:
                self.broken.setdefault(j, (number, None))
            self.add(outcome.config, origin(len(self.clocks(outcome.config))), number, None)

    def kept_bytes(self) -> int:
        """About how much memory the search holds: the same for the same machine anywhere.

        Reckoned with the sizes of tuples and objects of a 64-bit CPython, and with the numbers of
        zones as objects of their own.
        """
        return self.machine.kept_bytes() + self._zone_bytes + 120 * self._links + (
            250 * self._kept_moves)

    def clocks(self, config: Config) -> tuple[tuple[int, Mark], ...]:
        found = self._clocks.get(config)
        if found is None:
            found = self._clocks[config] = tuple(self.machine.clocks(config))
        return found

    def add(self, config: Config, zone: Zone, start: int, came: _Came | None) -> None:
        """Keep a node unless a kept one includes it; drop kept ones that it includes."""
        kept = self.passed.get(config)
        if kept is None:
            self.passed[config] = [zone]
            self._zone_bytes += 500 + 8 * len(config)
        else:
            for other in kept:
                if includes(other, zone):
                    return
            kept[:] = [other for other in kept if not includes(zone, other)]
            kept.append(zone)
        self._zone_bytes += 400 + 24 * len(zone)
        self.nodes.append(_Node(config, zone, start, came))
        self.waiting.append(len(self.nodes) - 1)

    def way(self, start: int, came: _Came | None) -> Way:
        """The instants from power-up to a node that was reached so."""
        steps = []
        while came is not None:
            node = self.nodes[came.parent]
            outcome = self.machine.outcome(came.effect.on(node.config), came.effect)
            steps.append(Step(self.clocks(node.config), came.due, came.chosen, outcome))
            came = node.came
        return Way(self.starts[start], tuple(reversed(steps)))

    def choices(self, options: Chosen, due: tuple[int, ...] = ()) -> list[Choice]:
        """Every set of acts and free rows that may coincide, with these dwells; the smallest first.

        A region whose dwell is due does nothing beside that.
        """
        found = self._choices.get((options, due))
        if found is None:
            if options not in self._every:
                place = {option: 1 << number for number, option in enumerate(options)}
                self._every[options] = [(chosen, sum(place[option] for option in chosen))
                                        for chosen in self._sets_of(options)]
            found = self._choices[options, due] = [
                choice for choice in self._every[options] if self._fits(choice[0], due)]
        return found

    def _fits(self, chosen: Chosen, due: tuple[int, ...]) -> bool:
        """Whether these may come beside dwells that are due."""
        if any(second >= 0 and first in due for first, second in chosen):
            return False
        alone = self.freely and self.beside not in due
        return not (alone and len(chosen) + len(due) > 1 and any(map(self.outside, chosen)))

    def outside(self, option: tuple[int, int]) -> bool:
        """Whether it is something that a region of the outside does."""
        return option[1] >= 0 and option[0] in self.machine.outside

    def _sets_of(self, options: Sequence[tuple[int, int]]) -> list[Chosen]:
        if self.allow is not None:
            acts, parts = self.machine.acts, self.machine.parts
            options = [
                (first, second) for first, second in options
                if self.allow(acts[first].label if second < 0 else parts[first].name)
            ]
        # Dwells of their own accord coincide in any number, things from outside a few at most.
        own = [] if self.apart else [
            option for option in options
            if option[1] >= 0 and option[0] not in self.machine.outside
        ]
        own_sets = list(self._sets(own, len(own)))
        outside = [option for option in options if option not in own]
        found = [
            (*chosen, *dwells)
            for chosen in self._sets(outside, self.together)
            for dwells in own_sets
        ]
        found.sort(key=len)
        return found

    def _sets(
        self, options: Sequence[tuple[int, int]], most: int
    ) -> Iterator[Chosen]:
        """Every set of at most `most` options, no two of one region or one group of acts."""
        acts = self.machine.acts
        for count in range(min(most, len(options)) + 1):
            for chosen in combinations(options, count):
                groups = {
                    ("act", acts[first].group) if second < 0 else ("row", str(first))
                    for first, second in chosen
                }
                if len(groups) == count:
                    yield chosen

    def expand(self, index: int) -> None:
        """Let time pass from a node and go through every instant that can come next."""
        node = self.nodes[index]
        config = node.config
        clocks = self.clocks(config)
        if self.links:
            self.successors.setdefault(config, {})
        options = tuple(self.machine.options(config))
        if not clocks:
            self._go_on(index, clocks, (), node.zone, options)
            return
        later: Zone | None = delay(node.zone)
        for place, (_, mark) in enumerate(clocks, 1):
            later = constrain(later, place, 0, at_most(mark.high_ns)) if later else None
        if later is None:
            return
        for due, zone in _coincidences(later, clocks):
            if self.apart and len(due) > 1 and not _forced(later, clocks, due):
                continue
            self._go_on(index, clocks, due, zone, options)

    def _go_on(
        self, index: int, clocks: tuple[tuple[int, Mark], ...], due: tuple[int, ...], zone: Zone,
        options: Chosen,
    ) -> None:
        """Keep where every instant leads that has these dwells due, and whatever may coincide."""
        node = self.nodes[index]
        key = (node.config, due)
        moves = self._moves.get(key)
        if moves is None:
            moves = _Moves(self, index, clocks, due, options).found
            if clocks:  # else the combination has no other zone
                self._moves[key] = moves
                self._kept_moves += len(moves)
        at_once: Zone | None = None
        for (after, sources, soon), (chosen, effect) in moves.items():
            if sources:
                if soon and at_once is None:
                    at_once = self._at_once(node.zone, clocks)
                self.add(after, move(at_once if soon and at_once else zone, sources), node.start,
                         _Came(index, due, chosen, effect))
            elif after not in self.passed:
                self.add(after, origin(0), node.start, _Came(index, due, chosen, effect))

    @staticmethod
    def _at_once(zone: Zone, clocks: tuple[tuple[int, Mark], ...]) -> Zone | None:
        """The same with no time passing, or some in which nothing is due."""
        found: Zone | None = passing(zone)
        for place, (_, mark) in enumerate(clocks, 1):
            found = constrain(found, place, 0, below(mark.high_ns)) if found else None
        return found

    def is_at_rest(self, config: Config) -> bool:
        """Whether an instant in which nothing is done changes nothing."""
        found = self._at_rest.get(config)
        if found is None:
            leaf = self.machine.leaf(config, (), ())
            found = self._at_rest[config] = (
                leaf.endless is None and len(leaf.effects) == 1 and not (
                    leaf.effects[0].writes or leaf.effects[0].rows or leaf.effects[0].broken))
        return found

    def joined(self, leaves: tuple[Leaf, ...]) -> list[tuple[tuple[Effect, ...], Effect]]:
        """What several things do that do not meet."""
        found = self._joined.get(leaves)
        if found is None:
            found = self._joined[leaves] = joined(leaves)
        return found

    def note(self, index: int, due: tuple[int, ...], chosen: Chosen, effect: Effect) -> None:
        """What an effect tells beside where it leads: rows that fired, monitors that broke."""
        if effect not in self._effects:
            self._effects.add(effect)
            self.fired.update(effect.rows)
            for j in effect.broken:
                self.broken.setdefault(j, (self.nodes[index].start,
                                           _Came(index, due, chosen, effect)))

    def halts(self, index: int, due: tuple[int, ...], chosen: Chosen, loop: Endless) -> None:
        """An instant that does not come to rest."""
        self.fired.update(loop.rows)
        halted = Effect((), frozenset(), loop.rows, (), (), ())
        self.endless.setdefault(loop.loop, _Came(index, due, chosen, halted))

    def link(self, config: Config, after: Config, chosen: Chosen, effect: Effect) -> None:
        """Keep what follows what, and what was not answered."""
        following = self.successors.setdefault(config, {})
        if after not in following:
            self._links += 1
        following[after] = following.get(after, True) and not self._by_cell.isdisjoint(chosen)
        if not any(row.startswith("behaviour.") for row in effect.rows):
            for event in effect.events:
                self.silent.setdefault(event, {})[config] = None


class _Moves:
    """The instants that may come next at a node, with these dwells due: each end of them once.

    `found` maps where one leads, with where each clock there comes from, to what was chosen for it
    and what it does.
    """

    def __init__(
        self, search: _Search, index: int, clocks: tuple[tuple[int, Mark], ...],
        due: tuple[int, ...], options: Chosen,
    ) -> None:
        self.found: _Found = {}
        self._search = search
        self._index = index
        self._config = config = search.nodes[index].config
        self._due = due
        order = search.order
        here = self._here = order.at(config)
        self._place = {clock: k for k, (clock, _) in enumerate(clocks, 1)}
        alone = order.ends(here, due) if due else None
        if alone is not None:
            self._follow((), alone)
            if search.apart:
                return
        self._parts: dict[Chosen, Leaf] = {}
        for option in options:
            self._parts[option,] = order.does(here, option)
        if not due:
            for chosen, _ in search.choices(options):
                if len(chosen) == 1:
                    self._follow(chosen, self._parts[chosen])
        if not search.apart:
            self._coincide(options, alone)

    def _coincide(self, options: Chosen, alone: Leaf | None) -> None:
        """Two things and more in one instant."""
        due, config, here = self._due, self._config, self._here
        leaf = self._search.machine.leaf
        sorter, touch = self._search.sorter, self._search.order.touch
        touches = [one.touch for one in self._parts.values()]
        if alone is not None:
            touches.append(alone.touch)
        sets = sorter.sets(options, due, self._search.choices(options, due), touches)
        for chosen in sets.meeting:
            if not touch(here, due, chosen)[1]:
                self._follow(chosen, leaf(config, due, chosen))
        for chosen, split in sets.apart:
            # Where dwells are due, they belong to the last part.
            parts = [touch(here, (), part)[0] for part in split[:-1]]
            parts.append(touch(here, due, split[-1])[0])
            kind = sorter.kind(tuple(parts), bool(due))
            if kind == COVERED or touch(here, due, chosen)[1]:
                continue
            if kind == SEEN and all(len(part) == 1 for part in split[:-1]) and (
                    len(split[-1]) == (not due)):
                self._join(chosen, tuple([
                    leaf(config, due if due and part is split[-1] else (), part)
                    for part in split]))
            else:
                self._follow(chosen, leaf(config, due, chosen))

    def _join(self, chosen: Chosen, leaves: tuple[Leaf, ...]) -> None:
        """Parts that do not meet: where they lead together, unless more follows from that."""
        search, config, due = self._search, self._config, self._due
        for effects, effect in search.joined(leaves):
            after = effect.on(config)
            if not search.is_at_rest(after):
                self._follow(chosen, search.machine.leaf(config, due, chosen))
                return
            running = [clock for clock, _ in search.clocks(after)]
            earlier = effects[:-1] if due else effects
            # Otherwise it is as if one of them had come a moment earlier.
            if len(running) > 1 and not any(one.reset.isdisjoint(running) for one in earlier):
                self._reach(chosen, effect, after)

    def _follow(self, chosen: Chosen, leaf: Leaf) -> None:
        """Keep where an instant may lead."""
        if leaf.endless is not None:
            self._search.halts(self._index, self._due, chosen, leaf.endless)
            return
        for effect in leaf.effects:
            self._reach(chosen, effect, effect.on(self._config))

    def _reach(self, chosen: Chosen, effect: Effect, after: Config) -> None:
        search = self._search
        search.made += 1
        search.note(self._index, self._due, chosen, effect)
        if search.links:
            search.link(self._config, after, chosen, effect)
        sources = tuple([0 if clock in effect.reset else self._place[clock]
                         for clock, _ in search.clocks(after)])
        soon = search.freely and not self._due and len(chosen) == 1 and search.outside(chosen[0])
        self.found.setdefault((after, sources, soon), (chosen, effect))


def _by_cell(machine: Machine) -> frozenset[tuple[int, int]]:
    """What the state of the cell or its charger brings about, and no person."""
    return frozenset([
        *((n, -1) for n, act in enumerate(machine.acts)
          if act.label.startswith(("gauge", "status"))),
        *((n, deadline) for n, part in enumerate(machine.parts)
          if part.name.startswith(("gauge", "status"))
          for ripe in part.open_ended for deadline, _ in ripe),
    ])


def _forced(zone: Zone, clocks: tuple[tuple[int, Mark], ...], due: tuple[int, ...]) -> bool:
    """Whether the clocks in `due` keep fixed distances, so that they cannot but be due together."""
    n = len(clocks) + 1
    places = [k for k, (clock, _) in enumerate(clocks, 1) if clock in due]
    first = places[0]
    return all(
        add(zone[first * n + other], zone[other * n + first]) == LE_ZERO for other in places[1:]
    )


def _coincidences(
    zone: Zone, clocks: tuple[tuple[int, Mark], ...]
) -> Iterator[tuple[tuple[int, ...], Zone]]:
    """Every set of clocks that can be due at one moment, with the part of the zone where it is."""
    return _split(1, zone, clocks, ())


def _split(
    place: int, zone: Zone, clocks: tuple[tuple[int, Mark], ...], due: tuple[int, ...]
) -> Iterator[tuple[tuple[int, ...], Zone]]:
    if place > len(clocks):
        yield due, zone
        return
    clock, mark = clocks[place - 1]
    waiting = constrain(zone, place, 0, below(mark.high_ns))
    if waiting is not None:
        yield from _split(place + 1, waiting, clocks, due)
    ready = constrain(zone, 0, place, at_least(mark.low_ns))
    if ready is not None:
        yield from _split(place + 1, ready, clocks, (*due, clock))
