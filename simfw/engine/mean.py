"""What a period of a cycle draws on the mean, as a charge clock, and how good that mean is.

Within a period the charge moves, and an interval early in it sees more charge than one late in it;
each interval's current is therefore read at the charge which that interval sees, to first order in
the charge of one period (its current plus the current's slope times the interval's distance from
the middle). What is left is of second order. The mean depends on loads and their times alone, so
that cycles of all simulations with the same parts share it.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from simfw.engine.clock import APART, TWINS, Clock

__all__ = ["Block", "Grids", "Mean", "Period"]

Array = NDArray[np.float64]
_NS = 1e-9
_EACH = 1e-6  # of all that flows, in each period; a tenth of that bound is what a fold is off by
_ONCE = 4e-7  # and by all corners that it passes
_WORTH = 4.0  # periods that may be asked for without a closer look
_NOTHING_A = 1e-15
_TRIED = 8  # ever smaller numbers of periods
_MOST_MEANS = 256  # that are kept
_MOST_NUMBERS = 16_000_000  # that tables and means which are kept hold in all: then all begins anew
_OF_CLOCK = 32  # numbers for each node of a mean beside its rows: lists of objects are five each
_OF_PART = 3  # and for each clock that goes by in it


@dataclass(frozen=True, slots=True)
class Block:
    """A stretch of a period: one load set, or a shorter cycle that goes round, with its mean.

    `lasts_ns` is how long it takes, `wakes` whether the controller wakes up where it begins.
    """

    clock: Clock
    lasts_ns: int
    wakes: bool
    inner: Mean | None = None


@dataclass(frozen=True, slots=True)
class Period:
    """All that the mean depends on: the blocks of a period in their order, and its wakings.

    `wakes` counts all of them, `own` those that are in no shorter cycle. `first` tells whether
    there is one where the period begins, `wake_c` is what each takes (C). `idle_c` is what others
    take in it on the mean (C), that come evenly.
    """

    blocks: tuple[Block, ...]
    lasts_ns: int
    wakes: int
    own: int
    first: bool
    wake_c: float
    idle_c: float = 0.0


class Grids:
    """What the cycles of one set of parts share."""

    def __init__(self) -> None:
        self.tables: dict[frozenset[Clock], tuple[Array, dict[Clock, _Table]]] = {}
        self._means: dict[Period, Mean] = {}
        self._numbers = 0

    def make_room(self, numbers: int) -> None:
        """So many numbers more are to be kept: where there are too many, all is forgotten."""
        self._numbers += numbers
        if self._numbers > _MOST_NUMBERS:
            self.forget()
            self._numbers = numbers

    def forget(self) -> None:
        """All that is kept is forgotten: what is needed again comes out the same."""
        self.tables.clear()
        self._means.clear()
        self._numbers = 0

    def mean(self, period: Period) -> Mean:
        """The mean of a period."""
        found = self._means.get(period)
        if found is None:
            found = Mean(period, self)
            nodes, rows = len(found.clock.nodes), len(found.clock.consumers_a)
            self.make_room(nodes * (rows + _OF_CLOCK + _OF_PART * len(found.totals)))
            if len(self._means) < _MOST_MEANS:
                self._means[period] = found
        return found


class Mean:
    """The mean of a period: `clock` is the charge clock of its drain."""

    def __init__(self, period: Period, grids: Grids) -> None:
        self.period = period
        self._strained: tuple[Array, Array] | None = None
        self._rough: list[int] | None = None
        self._most: float | None = None
        period_s = period.lasts_ns * _NS
        blocks = period.blocks
        self.shares = [block.lasts_ns / period.lasts_ns for block in blocks]
        clocks = list(dict.fromkeys(block.clock for block in blocks))
        nodes, tables = _on_one_grid(clocks, grids)
        capacity_c = self._capacity_c = clocks[0].capacity_c
        wake = period.wake_c / capacity_c
        # Where each block lies within the period, in charge, as seen from the middle.
        reached = np.zeros(len(nodes))
        passed = wake * period.wakes + reached
        for block, part in zip(blocks, self.shares, strict=True):
            if block.wakes:
                reached = reached - wake
            moves = tables[block.clock].rates * (part * period_s)
            reached = reached + moves
            passed += np.abs(moves)
        self._moves = passed
        if period.first:
            reached = reached - wake
        shifts = {clock: np.zeros(len(nodes)) for clock in clocks}
        shares = dict.fromkeys(clocks, 0.0)
        self._tables: dict[Clock, _Table] | None = tables  # until the strain is known
        self._rates = {clock: table.rates for clock, table in tables.items()}
        self._reached = reached
        for block, part, apart in zip(blocks, self.shares, self.aparts(), strict=True):
            shifts[block.clock] += part * apart
            shares[block.clock] += part
        consumers = np.zeros((clocks[0].consumers_a.shape[0], len(nodes)))
        charger = np.zeros(len(nodes))
        voltage = np.full(len(nodes), np.inf)
        extra_a = 0.0
        for clock, table in tables.items():
            consumers += shares[clock] * table.consumers + table.consumers_slope * shifts[clock]
            charger += shares[clock] * table.charger + table.charger_slope * shifts[clock]
            voltage = np.minimum(voltage, table.voltage)
            extra_a += shares[clock] * clock.extra_drain_a
        extra_a += (period.own * period.wake_c + period.idle_c) / period_s
        self.clock = Clock(nodes, consumers, charger, voltage, capacity_c, extra_a)
        self.clock.of_cycle = True
        self.totals = {clock: table.totals for clock, table in tables.items()}

    def aparts(self) -> Iterator[Array]:
        """How far each block is from the middle of the period's charge, one after the other."""
        period = self.period
        wake, period_s = period.wake_c / self._capacity_c, period.lasts_ns * _NS
        middle = 0.5 * self._reached
        reached = np.zeros(len(middle))
        for block, part in zip(period.blocks, self.shares, strict=True):
            if block.wakes:
                reached = reached - wake
            moves = self._rates[block.clock] * (part * period_s)
            yield reached + 0.5 * moves - middle
            reached = reached + moves

    def strain(self) -> tuple[Array, Array]:
        """What the mean may be off by, as a share of all that flows, on each piece of its clock.

        First, at a corner, once where a fold passes it; then for each period: the second order of
        the charge moved in a period, which the mean leaves out. Both are nothing where all that
        goes by in a period moves the charge alike.
        """
        if self._strained is None:
            assert self._tables is not None
            self._strained = self._strain(self._tables)
            self._tables = None  # the largest of all that it holds
        return self._strained

    def _strain(self, tables: dict[Clock, _Table]) -> tuple[Array, Array]:
        nodes = self.clock.nodes
        # An upper bound does for most: what moves little within a period.
        share = _on_pieces(self._moves) * _steepest(tables)
        once, each = 2.0 * share, 2.0 * share * share
        if each.max() > _EACH or once.max() > _WORTH * _ONCE:
            once = self._uneven(tables)
            each = once * np.minimum(share, 1.0)
        centres = 0.5 * (nodes[:-1] + nodes[1:])
        for block in self.period.blocks:
            if block.inner is not None:
                inner = block.inner.clock.nodes
                place = np.clip(np.searchsorted(inner, centres) - 1, 0, len(inner) - 2)
                for own, of_inner in zip((once, each), block.inner.strain(), strict=True):
                    np.maximum(own, of_inner[place], out=own)
        return once, each

    def _uneven(self, tables: dict[Clock, _Table]) -> Array:
        """How much of what flows in a period is read beside where the charge is, on each piece."""
        count = len(self.clock.nodes)
        shares = dict.fromkeys(tables, 0.0)
        away = {clock: np.zeros(count) for clock in tables}
        uneven = np.zeros(count)
        gone = 0.0
        for block, part, apart in zip(self.period.blocks, self.shares, self.aparts(), strict=True):
            # Beside where the charge would be if it moved evenly through the period.
            even = self._reached * (gone + 0.5 * part - 0.5)
            uneven += part * np.abs(apart - even)
            away[block.clock] += part * np.abs(apart)
            shares[block.clock] += part
            gone += part
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
        rough = self._rough
        if rough is None:
            _, each = self.strain()
            rough = self._rough = np.flatnonzero(each > _EACH).tolist()
        if not rough:
            return -math.inf if falling else math.inf
        here = self.clock.piece(charge)
        if falling:
            k = bisect_right(rough, here) - 1
            return -math.inf if k < 0 else min(charge, float(self.clock.nodes[rough[k] + 1]))
        k = bisect_left(rough, here)
        return math.inf if k == len(rough) else max(charge, float(self.clock.nodes[rough[k]]))

    def worth(self, count: int, charge: float) -> tuple[int, float | None]:
        """How many of `count` periods from `charge` on are worth the corners that they pass.

        Where that is not all of them, also the charge from which on it is worth looking again: the
        corner in the way is behind it.
        """
        if count < 1 or (self._most is not None and count >= self._most):
            return max(count, 0), None
        once, _ = self.strain()
        period_s = self.period.lasts_ns * _NS
        if self._most is None:
            self._most = float(once.max()) / _ONCE
        rising = self.clock.rate(charge) > 0.0
        here = self.clock.piece(charge)
        again: float | None = None
        for _ in range(_TRIED):
            if count < 1 or count >= self._most:
                return max(count, 0), again
            change = self.clock.advance(charge, count * period_s)
            assert change is not None
            ends = sorted((charge, charge + change))
            low, high = self.clock.piece(ends[0]), self.clock.piece(ends[1])
            reach = float(max(self._moves[here], self._moves[here + 1]))
            if low == high and (
                self.clock.piece(ends[0] - reach) == self.clock.piece(ends[1] + reach)
            ):
                return count, again  # all is straight there
            first = max(low - 1, 0)
            rough = np.flatnonzero(once[first : high + 2] > count * _ONCE)
            if not len(rough):
                return count, again
            k = first + int(rough[0] if rising else rough[-1])
            before, behind = (k - 1, k + 2) if rising else (k + 2, k - 1)
            stop, again = self._node(before), self._node(behind)
            if (stop - charge if rising else charge - stop) <= reach:
                # It begins beside it: straight on to the end of the piece that it is on.
                end = self._node(here + 1 if rising else here)
                stop = end - 2.0 * reach if rising else end + 2.0 * reach
                again = end + 2.0 * reach if rising else end - 2.0 * reach
                if (stop <= charge) if rising else (stop >= charge):
                    return 0, again
            seconds = self.clock.time_to(charge, stop)
            if seconds == math.inf:
                # It comes to rest on this side of the corner.
                return (count if abs(stop - charge - change) > reach else 0), again
            count = min(count - 1, int(seconds / period_s) - 1)
        return 0, again

    def _node(self, number: int) -> float:
        nodes = self.clock.nodes
        return float(nodes[min(max(number, 0), len(nodes) - 1)])


def _steepest(tables: dict[Clock, _Table]) -> Array:
    """How steeply what flows changes with the charge, as a share of it, in the worst of them."""
    found, *others = [table.steepness for table in tables.values()]
    for other in others:
        found = np.maximum(found, other)
    return found


def _on_pieces(values: Array) -> Array:
    """The larger of the values at both ends of each piece."""
    larger: Array = np.maximum(values[:-1], values[1:])
    return larger


def _on_one_grid(clocks: list[Clock], grids: Grids) -> tuple[Array, dict[Clock, _Table]]:
    """The nodes of all `clocks` together, and each clock tabulated on them.

    The same loads come back in cycles that differ only in when what happens, so `grids` keeps
    them; the clock of a shorter cycle does not come back, and would only fill it.
    """
    key = frozenset(clocks)
    found = grids.tables.get(key)
    if found is None:
        # As np.unique, which would load a part of NumPy that nothing else needs.
        nodes = np.sort(np.concatenate(
            [nodes for clock in clocks for nodes in (clock.nodes, clock.corners + APART)]
        ))
        nodes = nodes[np.diff(nodes, prepend=-1.0) > 0.0]
        found = (nodes, {clock: _Table(clock, nodes) for clock in clocks})
        if not any(clock.of_cycle for clock in clocks):
            grids.make_room(_of_tables(len(nodes), len(clocks), len(clocks[0].consumers_a)))
            grids.tables[key] = found
    # In the order of these clocks: sums must not differ by what has been simulated before.
    return found[0], {clock: found[1][clock] for clock in clocks}


def _of_tables(nodes: int, clocks: int, rows: int) -> int:
    """How many numbers tables hold: rows, their slopes, mostly those of the pieces, and what is
    told of all rows together.
    """
    return 3 * nodes * clocks * (rows + 3)


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
        return self._sloped()

    def _sloped(self) -> Array:
        rows = np.vstack([self.consumers, self.charger])
        slopes: Array = np.diff(rows, axis=1) / np.diff(self._nodes)
        slopes[:, self._twins] = slopes[:, self._beyond]
        return slopes

    @cached_property
    def steepness(self) -> Array:
        """What all currents together change by per charge, as a share of them, on each piece."""
        flow = _on_pieces(self.consumers.sum(axis=0) + np.abs(self.charger))
        # Most tables are asked for no more of it than this, so it is not kept for them.
        share: Array = np.abs(self._sloped()).sum(axis=0) / np.maximum(flow, _NOTHING_A)
        return share
