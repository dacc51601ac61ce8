"""Cycles: a period that repeats, and what many of them in a row do to the cell.

N periods are one step of a charge clock with the period's mean drain. Within a period the charge
moves too, and an interval early in it sees more charge than one late in it; each interval's current
is therefore read at the charge which that interval sees, to first order in the charge of one period
(its current plus the current's slope times the interval's distance from the middle). What is left
is of second order.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from simfw.engine.clock import APART, TWINS, Clock, Tally
from simfw.engine.phase import Phase
from simfw.engine.snapshot import RuleStand

__all__ = ["Cycle", "Folded", "Member", "Turn"]

Array = NDArray[np.float64]
Part = tuple[Phase, int, int]
_NS = 1e-9
_EACH = 1e-6  # of all that flows, in each period; a tenth of that bound is what a fold is off by
_ONCE = 4e-7  # and by all corners that it passes
_WORTH = 4.0  # periods that may be asked for without a closer look
_NOTHING_A = 1e-15


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

    @property
    def total_ns(self) -> int:
        """How long the interval lasts, with what is folded in it."""
        folded = self.folded
        return self.lasts_ns + (folded[2] * folded[0].period_ns if folded else 0)


@dataclass(slots=True, eq=False)
class Cycle:
    """A period that repeats while low <= charge < high and count_low <= count < count_high.

    `moving` are the numbers of the regions that move within it. The count is that of a gauge that
    counts charge; it has no limits where nothing reads one.
    """

    period_ns: int
    moving: tuple[int, ...]
    members: tuple[Member, ...]
    wake_c: float
    low: float
    high: float
    count_low: float = -math.inf
    count_high: float = math.inf
    grids: Grids = field(default_factory=dict)  # shared by the cycles of one gadget
    turns: dict[int, Turn] = field(default_factory=dict)
    _parts: list[Part] | None = None
    _rates: list[tuple[Clock, float]] | None = None
    _events: frozenset[int] | None = None
    _wakes: int | None = None

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

    def times(self) -> list[tuple[Clock, float]]:
        """How long (s) each clock goes on in one period."""
        if self._rates is None:
            times: dict[Clock, float] = {}
            for phase, ns, _ in self.parts():
                times[phase.clock] = times.get(phase.clock, 0.0) + ns * _NS
            self._rates = list(times.items())
        return self._rates

    def margin(self, charge: float) -> float:
        """How far the charge may move within one period, both ways added up."""
        moved = sum(abs(clock.rate(charge)) * seconds for clock, seconds in self.times())
        return moved + self.wakes * self.wake_c / self.members[0].phase.clock.capacity_c


@dataclass(slots=True, eq=False)
class _Block:
    """A stretch of a turn: one phase, or a shorter cycle going round."""

    clock: Clock
    share: float
    source: Phase | Turn
    apart: Array | float = 0.0


class Turn:
    """A cycle seen from one of its instants: the charge clock of its mean drain.

    `count` periods have gone by in it, counted on `clock` by `tally`.
    """

    clock: Clock

    def __init__(self, cycle: Cycle, index: int) -> None:
        self.cycle = cycle
        self.tally = Tally()
        self.count = 0
        period_s = cycle.period_ns * _NS
        self._blocks: list[_Block] = []
        self._strained: tuple[Array, Array] | None = None
        self._rough: NDArray[np.intp] | None = None
        self._most: float | None = None
        wakes: list[int] = []  # before which block the controller wakes up
        order = (*cycle.members[index:], *cycle.members[:index])
        for member in order:
            if member is not order[0] and member.woke:
                wakes.append(len(self._blocks))
            if member.folded is not None:
                inner, place, count = member.folded
                turn = inner.turn(place)
                share = count * inner.period_ns / cycle.period_ns
                self._blocks.append(_Block(turn.clock, share, turn))
            share = member.lasts_ns / cycle.period_ns
            self._blocks.append(_Block(member.phase.clock, share, member.phase))
        clocks = list(dict.fromkeys(block.clock for block in self._blocks))
        nodes, tables = _on_one_grid(clocks, cycle.grids)
        capacity_c = clocks[0].capacity_c
        wake = cycle.wake_c / capacity_c
        # Where each block lies within the period, in charge, as seen from the middle.
        reached = np.zeros(len(nodes))
        passed = wake * cycle.wakes + reached
        for number, block in enumerate(self._blocks):
            reached = reached - wake * wakes.count(number)
            moves = tables[block.clock].rates * (block.share * period_s)
            block.apart = reached + 0.5 * moves
            reached = reached + moves
            passed += np.abs(moves)
        self._moves = passed
        if order[0].woke:
            reached = reached - wake
        shifts = {clock: np.zeros(len(nodes)) for clock in clocks}
        shares = dict.fromkeys(clocks, 0.0)
        for block in self._blocks:
            block.apart = block.apart - 0.5 * reached
            shifts[block.clock] += block.share * block.apart
            shares[block.clock] += block.share
        consumers = np.zeros((clocks[0].consumers_a.shape[0], len(nodes)))
        charger = np.zeros(len(nodes))
        voltage = np.full(len(nodes), np.inf)
        extra_a = 0.0
        for clock, table in tables.items():
            consumers += shares[clock] * table.consumers + table.consumers_slope * shifts[clock]
            charger += shares[clock] * table.charger + table.charger_slope * shifts[clock]
            voltage = np.minimum(voltage, table.voltage)
            extra_a += shares[clock] * clock.extra_drain_a
        own = sum(member.woke for member in cycle.members)
        extra_a += own * cycle.wake_c / period_s
        self.clock = Clock(nodes, consumers, charger, voltage, capacity_c, extra_a)
        self.clock.of_cycle = True
        self._totals = {clock: table.totals for clock, table in tables.items()}
        self._tables = tables
        self._reached = reached

    def strain(self) -> tuple[Array, Array]:
        """What the mean may be off by, as a share of all that flows, on each piece of its clock.

        First, at a corner, once where a fold passes it; then for each period: the second order of
        the charge moved in a period, which the mean leaves out. Both are nothing where all that
        goes by in a period moves the charge alike.
        """
        if self._strained is None:
            self._strained = self._strain()
        return self._strained

    def _strain(self) -> tuple[Array, Array]:
        nodes = self.clock.nodes
        # An upper bound does for most: what moves little within a period.
        share = _on_pieces(self._moves) * self._steepest()
        once, each = 2.0 * share, 2.0 * share * share
        if each.max() > _EACH or once.max() > _WORTH * _ONCE:
            once = self._uneven()
            each = once * np.minimum(share, 1.0)
        centres = 0.5 * (nodes[:-1] + nodes[1:])
        for block in self._blocks:
            if isinstance(block.source, Turn):
                inner = block.source.clock.nodes
                place = np.clip(np.searchsorted(inner, centres) - 1, 0, len(inner) - 2)
                for own, of_inner in zip((once, each), block.source.strain(), strict=True):
                    np.maximum(own, of_inner[place], out=own)
        return once, each

    def _steepest(self) -> Array:
        """How steeply what flows changes with the charge, as a share of it, in the worst block."""
        found, *others = [table.steepness for table in self._tables.values()]
        for other in others:
            found = np.maximum(found, other)
        return found

    def _uneven(self) -> Array:
        """How much of what flows in a period is read beside where the charge is, on each piece."""
        tables, count = self._tables, len(self.clock.nodes)
        shares = dict.fromkeys(tables, 0.0)
        away = {clock: np.zeros(count) for clock in tables}
        uneven = np.zeros(count)
        gone = 0.0
        for block in self._blocks:
            # Beside where the charge would be if it moved evenly through the period.
            even = self._reached * (gone + 0.5 * block.share - 0.5)
            uneven += block.share * np.abs(block.apart - even)
            away[block.clock] += block.share * np.abs(block.apart)
            shares[block.clock] += block.share
            gone += block.share
        mean = np.zeros_like(next(iter(tables.values())).pieces)
        for clock, table in tables.items():
            mean += shares[clock] * table.pieces
        once = np.abs(mean).max(axis=0) * _on_pieces(uneven)
        for clock, table in tables.items():
            once += np.abs(table.pieces - mean).max(axis=0) * _on_pieces(away[clock])
        flow = _on_pieces(self.clock.consumers_a.sum(axis=0) + np.abs(self.clock.charger_a))
        share: Array = once / np.maximum(flow + self.clock.extra_drain_a, _NOTHING_A)
        return share

    def even(self, charge: float, *, falling: bool) -> float:
        """How far ahead of `charge` (0..1) the mean of a period is good enough for any number."""
        _, each = self.strain()
        rough = self._rough
        if rough is None:
            rough = self._rough = np.flatnonzero(each > _EACH)
        if not len(rough):
            return -math.inf if falling else math.inf
        here = self.clock.piece(charge)
        if falling:
            k = int(np.searchsorted(rough, here, side="right")) - 1
            return -math.inf if k < 0 else min(charge, float(self.clock.nodes[rough[k] + 1]))
        k = int(np.searchsorted(rough, here))
        return math.inf if k == len(rough) else max(charge, float(self.clock.nodes[rough[k]]))

    def enough(self, count: int, charge: float) -> bool:
        """Whether `count` periods from `charge` on are worth the corners that they pass."""
        once, _ = self.strain()
        if self._most is None:
            self._most = float(once.max()) / _ONCE
        if count >= self._most:
            return True
        change = self.clock.advance(charge, count * self.cycle.period_ns * _NS)
        assert change is not None
        ends = sorted((charge, charge + change))
        low, high = self.clock.piece(ends[0]), self.clock.piece(ends[1])
        if low == high:
            reach = float(self._moves[low : low + 2].max())
            if self.clock.piece(ends[0] - reach) == self.clock.piece(ends[1] + reach):
                return True  # all is straight there
        return count >= float(once[max(low - 1, 0) : high + 2].max()) / _ONCE

    def uses(self) -> list[tuple[Phase, int, int, float]]:
        """For each phase that went by: time (ns), wake-ups, and charge without wake-ups (C)."""
        weights, _ = self.clock.weights(self.tally)
        return self._shared_out(weights)

    def _shared_out(self, weights: Array) -> list[tuple[Phase, int, int, float]]:
        drawn: dict[Phase, float] = {}
        for block in self._blocks:
            total, slope = self._totals[block.clock]
            charge_c = block.share * float((total + slope * block.apart) @ weights)
            if isinstance(block.source, Phase):
                drawn[block.source] = drawn.get(block.source, 0.0) + charge_c
            else:
                for phase, part in block.source.proportions(self.clock.nodes, weights).items():
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


def _on_pieces(values: Array) -> Array:
    """The larger of the values at both ends of each piece."""
    larger: Array = np.maximum(values[:-1], values[1:])
    return larger


def _onto(coarse: Array, nodes: Array, weights: Array) -> Array:
    """Weights on `coarse` that give what `weights` give for all that is linear between `coarse`."""
    left = np.clip(np.searchsorted(coarse, nodes, side="right") - 1, 0, len(coarse) - 2)
    share = (nodes - coarse[left]) / (coarse[left + 1] - coarse[left])
    onto = np.zeros(len(coarse))
    np.add.at(onto, left, weights * (1.0 - share))
    np.add.at(onto, left + 1, weights * share)
    return onto


def _on_one_grid(clocks: list[Clock], grids: Grids) -> tuple[Array, dict[Clock, _Table]]:
    """The nodes of all `clocks` together, and each clock tabulated on them.

    The same loads come back in cycles that differ only in when what happens, so `grids` keeps
    them; the clock of a shorter cycle does not come back, and would only fill it.
    """
    key = frozenset(clocks)
    found = grids.get(key)
    if found is None:
        # As np.unique, which would load a part of NumPy that nothing else needs.
        nodes = np.sort(np.concatenate(
            [nodes for clock in clocks for nodes in (clock.nodes, clock.corners + APART)]
        ))
        nodes = nodes[np.diff(nodes, prepend=-1.0) > 0.0]
        found = (nodes, {clock: _Table(clock, nodes) for clock in clocks})
        if not any(clock.of_cycle for clock in clocks):
            grids[key] = found
    return found


class _Table:
    """A clock's currents on other nodes, with their slopes.

    A corner has two nodes, one for the slope on either side: a slope between the two would be
    wrong all along the pieces that meet there.
    """

    def __init__(self, clock: Clock, nodes: Array) -> None:
        count = len(clock.consumers_a)
        rows = np.empty((count + 1, len(nodes)))
        if len(nodes) == len(clock.nodes):  # they hold its own nodes, so they are its own
            rows[:count], rows[count] = clock.consumers_a, clock.charger_a
            self.voltage, self.rates = clock.voltage_v, clock.rates
        else:
            for row, currents in zip(rows, (*clock.consumers_a, clock.charger_a), strict=True):
                row[:] = np.interp(nodes, clock.nodes, currents) if currents.any() else 0.0
            self.voltage = np.interp(nodes, clock.nodes, clock.voltage_v)
            self.rates = np.interp(nodes, clock.nodes, clock.rates)
        slopes = np.zeros_like(rows)
        drawing = rows.any(axis=1)
        slopes[drawing] = np.gradient(rows[drawing], nodes, axis=1)
        self._nodes = nodes
        width = np.diff(nodes)
        self._twins, wide = np.flatnonzero(width < TWINS), np.flatnonzero(width >= TWINS)
        place = np.searchsorted(wide, self._twins)
        left = wide[np.maximum(place - 1, 0)]
        self._beyond = right = wide[np.minimum(place, len(wide) - 1)]
        slopes[:, self._twins] = (rows[:, left + 1] - rows[:, left]) / width[left]
        slopes[:, self._twins + 1] = (rows[:, right + 1] - rows[:, right]) / width[right]
        self.consumers, self.charger = rows[:count], rows[count]
        self.consumers_slope, self.charger_slope = slopes[:count], slopes[count]

    @cached_property
    def totals(self) -> tuple[Array, Array]:
        """The currents of all consumers together (A), and their slope."""
        return self.consumers.sum(axis=0), self.consumers_slope.sum(axis=0)

    @cached_property
    def pieces(self) -> Array:
        """The slopes of all currents on each piece (A)."""
        rows = np.vstack([self.consumers, self.charger])
        slopes: Array = np.diff(rows, axis=1) / np.diff(self._nodes)
        slopes[:, self._twins] = slopes[:, self._beyond]
        return slopes

    @cached_property
    def steepness(self) -> Array:
        """What all currents together change by per charge, as a share of them, on each piece."""
        flow = _on_pieces(self.consumers.sum(axis=0) + np.abs(self.charger))
        share: Array = np.abs(self.pieces).sum(axis=0) / np.maximum(flow, _NOTHING_A)
        return share


Grids = dict[frozenset[Clock], tuple[Array, dict[Clock, _Table]]]
Folded = tuple[Cycle, int, int]  # the cycle, the number of its instant here, how many periods
