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

from simfw.verify.budget import INSTANT, MOST_BYTES, ZONE, Budget
from simfw.verify.machine import Config, Endless, Machine, Mark, Outcome
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
    `endless` holds instants that never come to rest, with the way to them. `successors` maps each
    combination to the ones that can follow it, and to whether a sample of the gauge or the
    charger's status is needed for that. `kept_bytes` is about how much memory all that takes.
    """

    finished: bool
    states: int
    combinations: int
    broken: dict[int, Way]
    endless: list[tuple[tuple[str, ...], Way]]
    fired: set[str]
    starts: list[Config]
    successors: dict[Config, dict[Config, bool]] = field(repr=False)
    zones: dict[Config, list[Zone]] = field(repr=False)
    kept_bytes: int

    def reached(self, machine: Machine) -> list[set[str]]:
        """The states reached, per region of `machine`, also those of a moment only."""
        found: list[set[str]] = [set() for _ in machine.parts]
        for config in self.zones:
            for i, part in enumerate(machine.parts):
                found[i].add(part.states[config[i]])
        return found


@dataclass(slots=True)
class _Node:
    config: Config
    zone: Zone
    parent: int
    step: Step | None
    start: Outcome


def explore(
    machine: Machine,
    starts: Sequence[Outcome],
    *,
    budget: Budget | None = None,
    limit: int | None = None,
    most_bytes: int = MOST_BYTES,
    together: int = 2,
    apart: bool = False,
    allow: Callable[[str], bool] | None = None,
    until_broken: bool = True,
    progress: Callable[[int], None] | None = None,
) -> Explored:
    """Search from the outcomes `starts` until nothing new is found.

    At most `together` acts of the outside (and events of regions that stand for it) coincide in one
    instant, together with dwells in every way they can. With `apart` nothing coincides by chance:
    two things share a time only where the clocks leave no other possibility. `allow` says, by the
    name of the act or region, what may happen at all: for hunting, not for proving. The search ends
    early when `budget` is spent, when more than `limit` nodes were visited, when it keeps more than
    `most_bytes`, or (`until_broken`) when every monitor is broken.
    """
    search = _Search(machine, 1 if apart else together, apart, allow)
    for outcome in starts:
        search.start = outcome
        search.add(outcome, origin(len(machine.clocks(outcome.config))), -1, None)
    finished = True
    monitors = len(machine.monitors)
    visited = 0
    while search.waiting:
        if until_broken and monitors and len(search.broken) == monitors:
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
        done, made = machine.executed, search.made
        search.expand(index)
        if budget is not None:
            budget.spend(
                INSTANT * (machine.executed - done) + ZONE * (search.made - made) + INSTANT)
    return Explored(
        finished=finished,
        states=visited if finished else visited + len(search.waiting),
        combinations=len(search.passed),
        broken={j: search.way(*found) for j, found in search.broken.items()},
        endless=[
            (loop, search.way(search.nodes[parent].start, parent, step))
            for loop, (parent, step) in search.endless.items()
        ],
        fired=search.fired,
        starts=[outcome.config for outcome in starts],
        successors=search.successors,
        zones=search.passed,
        kept_bytes=search.kept_bytes(),
    )


class _Search:
    """The growing set of nodes."""

    def __init__(
        self, machine: Machine, together: int, apart: bool, allow: Callable[[str], bool] | None
    ) -> None:
        self.machine = machine
        self.together = together
        self.apart = apart
        self.allow = allow
        self.nodes: list[_Node] = []
        self.waiting: deque[int] = deque()
        self.passed: dict[Config, list[Zone]] = {}
        self.successors: dict[Config, dict[Config, bool]] = {}
        self.broken: dict[int, tuple[Outcome, int, Step | None]] = {}
        self.start: Outcome
        self.endless: dict[tuple[str, ...], tuple[int, Step]] = {}
        self.fired: set[str] = set()
        self._clocks: dict[Config, tuple[tuple[int, Mark], ...]] = {}
        self._choices: dict[Config, list[tuple[tuple[int, int], ...]]] = {}
        self._moves: dict[tuple[Config, tuple[int, ...]], list[_Move]] = {}
        self.made = 0
        self._zone_bytes = 0
        self._move_count = 0

    def kept_bytes(self) -> int:
        """About how much memory the search holds: the same for the same machine anywhere.

        Reckoned with the sizes of tuples and objects of a 64-bit CPython, and with the numbers of
        zones as objects of their own.
        """
        return self.machine.kept_bytes() + self._zone_bytes + 420 * self._move_count

    def clocks(self, config: Config) -> tuple[tuple[int, Mark], ...]:
        found = self._clocks.get(config)
        if found is None:
            found = self._clocks[config] = tuple(self.machine.clocks(config))
        return found

    def add(self, outcome: Outcome, zone: Zone, parent: int, step: Step | None) -> None:
        """Keep a node unless a kept one includes it; drop kept ones that it includes."""
        self.made += 1
        if outcome.rows:
            self.fired.update(outcome.rows)
        for j in outcome.broken:
            self.broken.setdefault(j, (self.start, parent, step))
        config = outcome.config
        kept = self.passed.get(config)
        if kept is None:
            self.passed[config] = [zone]
        else:
            for other in kept:
                if includes(other, zone):
                    return
            kept[:] = [other for other in kept if not includes(zone, other)]
            kept.append(zone)
        self._zone_bytes += 260 + 24 * len(zone)
        self.nodes.append(_Node(config, zone, parent, step, self.start))
        self.waiting.append(len(self.nodes) - 1)

    def way(self, start: Outcome, parent: int, step: Step | None) -> Way:
        """The instants from power-up to node `parent`, then `step`."""
        steps = [] if step is None else [step]
        index = parent
        while index >= 0:
            node = self.nodes[index]
            if node.step is not None:
                steps.append(node.step)
            index = node.parent
        return Way(start, tuple(reversed(steps)))

    def choices(self, config: Config) -> list[tuple[tuple[int, int], ...]]:
        """Every set of acts and free rows that may coincide, the smallest first."""
        found = self._choices.get(config)
        if found is None:
            options = self.machine.options(config)
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
            self._choices[config] = found
        return found

    def _sets(
        self, options: Sequence[tuple[int, int]], most: int
    ) -> Iterator[tuple[tuple[int, int], ...]]:
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
        """Let time pass from a node and execute every instant that can come next."""
        node = self.nodes[index]
        config = node.config
        self.start = node.start
        clocks = self.clocks(config)
        later: Zone | None = delay(node.zone)
        for place, (_, mark) in enumerate(clocks, 1):
            later = constrain(later, place, 0, at_most(mark.high_ns)) if later else None
        if later is None:
            return
        following = self.successors.setdefault(config, {})
        for due, zone in _coincidences(later, clocks):
            if self.apart and len(due) > 1 and not _forced(later, clocks, due):
                continue
            for move_ in self.moves(config, clocks, due, index):
                to = move_.step.outcome.config
                following[to] = following.get(to, True) and move_.by_cell
                self.add(move_.step.outcome, move(zone, move_.sources), index, move_.step)

    def moves(
        self,
        config: Config,
        clocks: tuple[tuple[int, Mark], ...],
        due: tuple[int, ...],
        index: int,
    ) -> list[_Move]:
        """The instants with these dwells due, each with where its clocks come from."""
        key = (config, due)
        found = self._moves.get(key)
        if found is not None:
            return found
        found = []
        place = {clock: k for k, (clock, _) in enumerate(clocks, 1)}
        due_set = set(due)
        for chosen in self.choices(config):
            if not due and not chosen:
                continue
            if self.apart and due and chosen:
                continue
            if any(second >= 0 and first in due_set for first, second in chosen):
                continue
            try:
                outcomes = self.machine.outcomes(config, due, chosen)
            except Endless as loop:
                self.fired.update(loop.rows)
                halted = Outcome(config, frozenset(), loop.rows, (), (), ())
                self.endless.setdefault(
                    loop.loop, (index, Step(clocks, due, chosen, halted))
                )
                continue
            by_cell = self._by_cell(chosen)
            for outcome in outcomes:
                sources = tuple(
                    0 if clock in outcome.reset else place[clock]
                    for clock, _ in self.clocks(outcome.config)
                )
                found.append(_Move(Step(clocks, due, chosen, outcome), sources, by_cell))
        self._moves[key] = found
        self._move_count += len(found)
        return found

    def _by_cell(self, chosen: tuple[tuple[int, int], ...]) -> bool:
        """Whether the state of the cell or its charger brings this about, and no person."""
        names = [
            self.machine.acts[first].label if second < 0 else self.machine.parts[first].name
            for first, second in chosen
        ]
        return any(name.startswith(("gauge", "status")) for name in names)


@dataclass(frozen=True, slots=True)
class _Move:
    step: Step
    sources: tuple[int, ...]
    by_cell: bool


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

    def split(place: int, zone: Zone, due: tuple[int, ...]) -> Iterator[
        tuple[tuple[int, ...], Zone]
    ]:
        if place > len(clocks):
            yield due, zone
            return
        clock, mark = clocks[place - 1]
        waiting = constrain(zone, place, 0, below(mark.high_ns))
        if waiting is not None:
            yield from split(place + 1, waiting, due)
        ready = constrain(zone, 0, place, at_least(mark.low_ns))
        if ready is not None:
            yield from split(place + 1, ready, (*due, clock))

    yield from split(1, zone, ())
