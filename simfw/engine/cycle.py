"""Cycles: a period that repeats, and what many of them in a row do to the cell.

N periods are one step of a charge clock with the period's mean drain: see `mean`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from simfw.behaviour.table import IDLE
from simfw.circuit.circuit import LoadSet
from simfw.engine.clock import Clock, Tally
from simfw.engine.mean import Block, Grids, Mean, Period
from simfw.engine.phase import Phase
from simfw.engine.snapshot import RuleStand

__all__ = ["Cycle", "Folded", "Member", "Turn"]

Array = NDArray[np.float64]
Part = tuple[Phase, int, int]
_NS = 1e-9
_NEAR = 1e-3  # charges so near one another move nearly alike


@dataclass(slots=True)
class Member:
    """One instant of a cycle and the interval that follows it.

    `ages`, `waiting`, `due_in`, `memory` are those of the cycle's moving regions only, `rules` is
    how each rule that looks at times stands. `folded` is a shorter cycle that goes round in this
    interval before the last `lasts_ns` of it.
    """

    phase: Phase
    lasts_ns: int
    states: tuple[int, ...]
    ages: tuple[int, ...]
    waiting: tuple[int, ...]
    due_in: tuple[int, ...]
    memory: tuple[int, ...]
    conditions: tuple[bool, ...]
    rules: tuple[RuleStand, ...]
    events: tuple[int, ...]
    woke: bool
    folded: Folded | None
    total_ns: int = field(init=False)
    """How long the interval lasts, with what is folded in it."""

    def __post_init__(self) -> None:
        folded = self.folded
        self.total_ns = self.lasts_ns + (folded[2] * folded[0].period_ns if folded else 0)


def stands(before: RuleStand, now: RuleStand, period_ns: int) -> bool:
    """Whether what a rule waits for at the begin of a period it still waits for at its end, since
    and until the same times: nothing has answered it, nothing more was demanded, and what is to
    stay has held all the while.
    """
    ends, held_ns, was = before
    return (
        bool(ends or held_ns >= 0)
        and tuple([end - period_ns for end in ends]) == now[0]
        and (held_ns + period_ns if held_ns >= 0 else held_ns) == now[1]
        and was == now[2]
    )


def _alike(one: RuleStand, other: RuleStand) -> bool:
    """Whether a rule waits in both, whatever the times."""
    return (bool(one[0]) == bool(other[0]) and (one[1] >= 0) == (other[1] >= 0)
            and one[2] == other[2])


@dataclass(eq=False)
class Cycle:
    """A period that repeats while low <= charge < high and count_low <= count < count_high.

    `moving` are the numbers of the regions that move within it. The count is that of a gauge that
    counts charge; it has no limits where nothing reads one. `held` tells of each rule that looks at
    times whether it waits all the while: its times do not go round with the cycle, they stand, and
    the cycle ends before they do. It is empty where none does. `idle_c` is what wakings take (C) in
    a period on the mean that are no instants of it: see `idling`.
    """

    period_ns: int
    moving: tuple[int, ...]
    members: tuple[Member, ...]
    wake_c: float
    low: float
    high: float
    count_low: float = -math.inf
    count_high: float = math.inf
    held: tuple[bool, ...] = ()
    idle_c: float = 0.0
    grids: Grids = field(default_factory=Grids)  # shared by the cycles of one gadget
    turns: dict[int, Turn] = field(default_factory=dict)
    # At which of its instants no period could be folded, and what charge had moved by then.
    stood: dict[int, float] = field(default_factory=dict)
    _parts: list[Part] | None = None
    _rates: list[tuple[Clock, float]] | None = None
    _events: frozenset[int] | None = None
    _wakes: int | None = None
    _margin: tuple[float, float] = (math.inf, 0.0)

    @cached_property
    def still(self) -> tuple[int, ...]:
        """The regions that do not move in it."""
        return tuple(r for r in range(len(self.members[0].states)) if r not in self.moving)

    @cached_property
    def instants(self) -> int:
        """How many there are in one period, those of shorter cycles in it included."""
        folded = [member.folded for member in self.members if member.folded is not None]
        return len(self.members) + sum(count * inner.instants for inner, _, count in folded)

    def holds_all(self, ticking: Sequence[int], dues: Sequence[int]) -> bool:
        """Whether all `ticking` regions that have a dwell ahead move within it."""
        moving = self.moving
        for r in ticking:  # noqa: SIM110 - asked at each instant that is looked at
            if r not in moving and dues[r] < IDLE:
                return False
        return True

    def parts(self) -> list[Part]:
        """Phase, time (ns) and wake-ups of each interval of a period, shorter cycles spelt out."""
        if self._parts is None:
            parts: list[Part] = []
            for member in self.members:
                parts.append((member.phase, member.lasts_ns, int(member.woke)))
                if member.folded is not None:
                    cycle, _, count = member.folded
                    parts += [(p, count * ns, count * wakes) for p, ns, wakes in cycle.parts()]
            self._parts = parts
        return self._parts

    @property
    def wakes(self) -> int:
        """How often the controller wakes up in one period."""
        if self._wakes is None:
            self._wakes = sum(wakes for _, _, wakes in self.parts())
        return self._wakes

    @cached_property
    def drives(self) -> tuple[tuple[LoadSet, int], ...]:
        """How long (ns) each load set is on in one period, in the order of the first instant."""
        of_phases: dict[Phase, int] = {}
        for phase, lasts_ns, _ in self.parts():
            of_phases[phase] = of_phases.get(phase, 0) + lasts_ns
        times: dict[LoadSet, int] = {}
        for phase, lasts_ns in of_phases.items():
            times[phase.loads] = times.get(phase.loads, 0) + lasts_ns
        return tuple(times.items())

    def course(self, index: int) -> list[tuple[Phase, int]]:
        """Phases and times (ns) of one period from its instant `index` on, equal ones joined."""
        course: list[tuple[Phase, int]] = []

        def add(phase: Phase, lasts_ns: int) -> None:
            if course and (course[-1][0].loads, course[-1][0].levels) == (
                phase.loads, phase.levels
            ):
                course[-1] = (course[-1][0], course[-1][1] + lasts_ns)
            else:
                course.append((phase, lasts_ns))

        for member in (*self.members[index:], *self.members[:index]):
            if member.folded is not None:
                cycle, place, count = member.folded
                inner = cycle.course(place)
                if len(inner) == 1:
                    add(inner[0][0], count * inner[0][1])
                else:
                    for phase, lasts_ns in inner * count:
                        add(phase, lasts_ns)
            add(member.phase, member.lasts_ns)
        return course

    @property
    def events(self) -> frozenset[int]:
        """The numbers of all public events of one period."""
        if self._events is None:
            folded = [m.folded[0].events for m in self.members if m.folded is not None]
            own = [number for member in self.members for number in member.events]
            self._events = frozenset(own).union(*folded)
        return self._events

    def happenings(
        self, index: int, count: int, start_ns: int
    ) -> Iterator[tuple[int, tuple[int, ...]]]:
        """When (ns) public events happen in `count` periods from the instant `index` on, and which.

        The period begins at `start_ns`, after the events of that instant, and ends with them.
        """
        order = (*self.members[index:], *self.members[:index])
        following = (*order[1:], order[0])
        for n in range(count):
            now_ns = start_ns + n * self.period_ns
            for member, then in zip(order, following, strict=True):
                if member.folded is not None:
                    inner, place, times = member.folded
                    if inner.events:
                        yield from inner.happenings(place, times, now_ns)
                now_ns += member.total_ns
                if then.events:
                    yield now_ns, then.events

    def turn(self, index: int) -> Turn:
        """The cycle as it goes round from its instant `index` on."""
        found = self.turns.get(index)
        if found is None:
            found = self.turns[index] = Turn(self, index)
        return found

    @property
    def any_turn(self) -> Turn | None:
        """The first of its turns: any tells how near a threshold it is."""
        return next(iter(self.turns.values()), None)

    def goes_on(
        self, index: int, memory: Sequence[int], conditions: tuple[bool, ...],
        rules: tuple[RuleStand, ...],
    ) -> bool:
        """Whether it goes on from its instant `index` where all else stands so, not only states and
        ages. `memory` is that of all regions.
        """
        member = self.members[index]
        return (
            member.conditions == conditions
            and self.fits(index, rules)
            and member.memory == tuple([memory[r] for r in self.moving])
        )

    def fits(self, index: int, rules: tuple[RuleStand, ...]) -> bool:
        """Whether it goes on from its instant `index` where the rules stand so."""
        known = self.members[index].rules
        if not self.held:
            return known == rules
        return all(_alike(one, other) if held else one == other
                   for one, other, held in zip(known, rules, self.held, strict=True))

    def nears(self, charge: float, clock: Clock, margin: float) -> bool:
        """Whether its mean drain, on `clock`, leads to a threshold less than `margin` ahead.

        Exactly there it is still gone along, interval by interval, though no period is left.
        """
        if charge < self.low + margin:
            return charge >= self.high - margin or clock.rate(charge) < 0.0
        return charge >= self.high - margin and clock.rate(charge) >= 0.0

    def times(self) -> list[tuple[Clock, float]]:
        """How long (s) each clock goes on in one period."""
        if self._rates is None:
            times: dict[Clock, float] = {}
            for phase, ns, _ in self.parts():
                times[phase.clock] = times.get(phase.clock, 0.0) + ns * _NS
            self._rates = list(times.items())
        return self._rates

    def margin(self, charge: float) -> float:
        """Twice as far as the charge may move within one period, both ways added up.

        What was found near a charge does for all of its neighbourhood.
        """
        at, found = self._margin
        if abs(charge - at) > _NEAR:
            moved = sum([abs(clock.rate(charge)) * seconds for clock, seconds in self.times()])
            woken_c = self.wakes * self.wake_c + self.idle_c
            moved += woken_c / self.members[0].phase.clock.capacity_c
            found = 2.0 * moved
            self._margin = (charge, found)
        return found


class Turn:
    """A cycle seen from one of its instants: the charge clock of its mean drain.

    `count` periods have gone by in it, counted on `clock` by `tally`.
    """

    def __init__(self, cycle: Cycle, index: int) -> None:
        self.cycle = cycle
        self.tally = Tally()
        self.count = 0
        self._sources: list[Phase | Turn] = []  # of each block
        blocks: list[Block] = []
        order = (*cycle.members[index:], *cycle.members[:index])
        plain: dict[int, Block] = {}  # of members that come more than once
        for member in order:
            wakes = member is not order[0] and member.woke
            if member.folded is not None:
                inner, place, count = member.folded
                turn = inner.turn(place)
                blocks.append(Block(turn.clock, count * inner.period_ns, wakes, turn.mean))
                self._sources.append(turn)
                wakes = False
            block = plain.get(id(member))
            if block is None or block.wakes != wakes:
                block = plain[id(member)] = Block(member.phase.clock, member.lasts_ns, wakes)
            blocks.append(block)
            self._sources.append(member.phase)
        self.mean: Mean = cycle.grids.mean(Period(
            tuple(blocks), cycle.period_ns, cycle.wakes,
            sum(member.woke for member in cycle.members), order[0].woke, cycle.wake_c,
            cycle.idle_c,
        ))

    @property
    def clock(self) -> Clock:
        """The charge clock of the mean drain."""
        return self.mean.clock

    def periods_left(self, charge: float, margin: float) -> float:
        """How many periods fit between `charge` and `margin` before what is ahead.

        That is a threshold of the cycle, or where its mean drain is not good enough any more.
        """
        cycle, clock = self.cycle, self.clock
        if cycle.nears(charge, clock, margin):
            return 0.0
        falling = clock.rate(charge) < 0.0
        even = self.mean.even(charge, falling=falling)
        goal = max(cycle.low, even) + margin if falling else min(cycle.high, even) - margin
        if (charge <= goal) if falling else (charge >= goal):
            return 0.0
        return clock.time_to(charge, goal) / (cycle.period_ns * _NS)

    def uses(self) -> list[tuple[Phase, int, int, float]]:
        """For each phase that went by: time (ns), wake-ups, and charge without wake-ups (C)."""
        weights, _ = self.clock.weights(self.tally)
        return self._shared_out(weights)

    def _shared_out(self, weights: Array) -> list[tuple[Phase, int, int, float]]:
        drawn: dict[Phase, float] = {}
        mean = self.mean
        for block, source, share, apart in zip(
            mean.period.blocks, self._sources, mean.shares, mean.aparts(), strict=True
        ):
            total, slope = mean.totals[block.clock]
            charge_c = share * float((total + slope * apart) @ weights)
            if isinstance(source, Phase):
                drawn[source] = drawn.get(source, 0.0) + charge_c
            else:
                for phase, part in source.proportions(self.clock.nodes, weights).items():
                    drawn[phase] = drawn.get(phase, 0.0) + part * charge_c
        times: dict[Phase, list[int]] = {}
        for phase, ns, wakes in self.cycle.parts():
            entry = times.setdefault(phase, [0, 0])
            entry[0] += ns * self.count
            entry[1] += wakes * self.count
        return [(phase, ns, wakes, drawn[phase]) for phase, (ns, wakes) in times.items()]

    def proportions(self, nodes: Array, weights: Array) -> dict[Phase, float]:
        """How its charge is shared among its phases where `nodes` were passed with `weights` (s).

        `nodes` hold all nodes of this turn's clock.
        """
        drawn = {
            phase: charge_c
            for phase, _, _, charge_c in self._shared_out(_onto(self.clock.nodes, nodes, weights))
        }
        total = sum(drawn.values())
        if total == 0.0:
            return dict.fromkeys(drawn, 0.0)
        return {phase: charge / total for phase, charge in drawn.items()}


def _onto(coarse: Array, nodes: Array, weights: Array) -> Array:
    """Weights on `coarse` that give what `weights` give for all that is linear between `coarse`."""
    left = np.clip(np.searchsorted(coarse, nodes, side="right") - 1, 0, len(coarse) - 2)
    share = (nodes - coarse[left]) / (coarse[left + 1] - coarse[left])
    onto = np.zeros(len(coarse))
    np.add.at(onto, left, weights * (1.0 - share))
    np.add.at(onto, left + 1, weights * share)
    return onto


Folded = tuple[Cycle, int, int]  # the cycle, the number of its instant here, how many periods
