"""The charge clock: for one fixed set of loads, the cell's charge is a clock.

With a fixed load set the drain depends on the charge s alone, so ds/dt = f(s). f and the currents
of all consumers are taken as linear between nodes that lie as close as the wanted accuracy asks.
On each piece the motion is then an exponential in closed form, also towards a zero of f, which is
approached and never passed; times to cross, charges per consumer and their sum all follow from the
same pieces, so that the books balance to the last bits.

Formula on a piece: s(t) = s0 + f0 (exp(b t) - 1)/b with b = df/ds, the solution of a linear
differential equation of first order (any textbook).
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Sequence
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from simfw.circuit.charger import StepQuantity
from simfw.circuit.nodes import RELATIVE_ERROR

__all__ = ["APART", "SAME", "TWINS", "Clock", "Tally", "below", "passing", "turning"]

Array = NDArray[np.float64]
APART = 1e-10  # charge between both sides of a corner, where a table has a node for each
TWINS = 4.0 * APART
SAME = 1e-11  # charges that need not be told apart
_BEND = 8.0 * RELATIVE_ERROR  # twice what a smooth curve bends by between two of its pieces


class Tally:
    """How long a clock dwelt on each of its pieces, for the ledger.

    For piece i, `time_s[i]` sums the time spent on it and `moment[i]` sums the integral of
    (s - s_i) dt; `whole[i]` counts passages from one end to the other.
    """

    __slots__ = ("moment", "time_s", "whole")

    def __init__(self) -> None:
        self.time_s: dict[int, float] = {}
        self.moment: dict[int, float] = {}
        self.whole: dict[tuple[int, int], int] = {}

    def add(self, piece: int, time_s: float, moment: float) -> None:
        """Count `time_s` on `piece`."""
        try:
            self.time_s[piece] += time_s
            self.moment[piece] += moment
        except KeyError:
            self.time_s[piece] = time_s
            self.moment[piece] = moment

    def add_whole(self, first: int, last: int) -> None:
        """Count one passage of all pieces first..last (both included)."""
        key = (first, last)
        self.whole[key] = self.whole.get(key, 0) + 1

    def join(self, other: Tally, times: int = 1) -> None:
        """Count what another tally of the same clock holds too, `times` over."""
        for piece, time_s in other.time_s.items():
            self.add(piece, times * time_s, times * other.moment[piece])
        for key, count in other.whole.items():
            self.whole[key] = self.whole.get(key, 0) + times * count


class Clock:
    """One load set, tabulated.

    `nodes`: n charges, rising from 0 to 1. `rates`: ds/dt at the nodes (1/s). `consumers_a`: k x n
    mean currents. `charger_a`: n. `voltage_v`: n, terminal voltage in the lowest PWM phase.
    """

    def __init__(
        self,
        nodes: Array,
        consumers_a: Array,
        charger_a: Array,
        voltage_v: Array,
        capacity_c: float,
        extra_drain_a: float = 0.0,
    ) -> None:
        self.nodes = nodes
        self.consumers_a = consumers_a
        self.charger_a = charger_a
        self.voltage_v = voltage_v
        self.capacity_c = capacity_c
        self.extra_drain_a = extra_drain_a
        self.of_cycle = False  # whether it is the mean of a cycle, not a load set as such
        # The terminal voltage at a charge as solved, where a table is not near enough: see `_at`.
        self.solved_v: Callable[[float], float] | None = None
        self.like_v: Clock | None = None  # one whose terminal voltage is the same
        rates = -(consumers_a.sum(axis=0) - charger_a + extra_drain_a) / capacity_c
        self.rates = rates
        self._s: list[float] = nodes.tolist()
        self._f: list[float] = rates.tolist()
        self._b: list[float] = (np.diff(rates) / np.diff(nodes)).tolist()
        self._last = len(self._b) - 1
        self._near = 0  # the piece on which the latest charge lay
        self._v: list[float] = voltage_v.tolist()
        self._cumulative: list[float] | None = None
        self._walls: list[int] = []
        self._lasted: tuple[list[float], list[float]] | None = None
        self._levels: dict[float, float] = {}
        # Nearly always the voltage rises with the charge; it does not where the resistance falls
        # steeply and the cell is charged, or rises and the cell is drained.
        self._rising_v = np.maximum.accumulate(voltage_v)
        self._rises = bool((self._rising_v - voltage_v).max() == 0.0)
        self._turns: dict[float, tuple[float, ...]] = {}

    @cached_property
    def corners(self) -> Array:
        """The nodes at which a current bends sharply, with room for a second node beside them."""
        rows = np.vstack([self.consumers_a, self.charger_a])
        width = np.diff(self.nodes)
        slopes = np.diff(rows, axis=1) / width
        bend = np.abs(np.diff(slopes, axis=1)).max(axis=0)
        flow = np.abs(rows[:, 1:-1]).sum(axis=0)
        sharp = 0.5 * bend * np.maximum(width[:-1], width[1:]) > _BEND * flow
        found: Array = self.nodes[1:-1][sharp & (np.minimum(width[:-1], width[1:]) > TWINS)]
        return found

    def piece(self, charge: float) -> int:
        """The number of the piece on which `charge` lies: mostly that which was asked for last."""
        s, i = self._s, self._near
        if s[i] <= charge < s[i + 1]:
            return i
        i = self._near = min(max(bisect_right(s, charge) - 1, 0), self._last)
        return i

    def rate(self, charge: float) -> float:
        """ds/dt at `charge` (1/s)."""
        s, i = self._s, self._near  # as `piece`, which this is called more often than
        if not s[i] <= charge < s[i + 1]:
            i = self.piece(charge)
        return self._f[i] + self._b[i] * (charge - s[i])

    def voltage(self, charge: float) -> float:
        """The terminal voltage at `charge` (V), in the lowest PWM phase."""
        i = self.piece(charge)
        s, v = self._s, self._v
        return v[i] + (v[i + 1] - v[i]) * (charge - s[i]) / (s[i + 1] - s[i])

    def currents(self, charge: float) -> tuple[tuple[float, ...], float]:
        """Mean current of each consumer, and the charger's output, at `charge` (A)."""
        i = self.piece(charge)
        share = (charge - self._s[i]) / (self._s[i + 1] - self._s[i])
        parts = self.consumers_a[:, i] * (1.0 - share) + self.consumers_a[:, i + 1] * share
        charger = self.charger_a[i] * (1.0 - share) + self.charger_a[i + 1] * share
        return tuple(parts.tolist()), float(charger)

    def means(self, tally: Tally, time_s: float) -> tuple[tuple[float, ...], float]:
        """The same as means over `time_s`, in which it dwelt where `tally` says (A)."""
        if len(tally.time_s) == 1 and not tally.whole:
            # Straight on the one piece: the mean is what is drawn at the mean charge.
            ((piece, lasted),) = tally.time_s.items()
            s, mean = self._s, tally.moment[piece] / lasted
            share = mean / (s[piece + 1] - s[piece])
            part = lasted / time_s
            low, high = part * (1.0 - share), part * share
            parts = self.consumers_a[:, piece] * low + self.consumers_a[:, piece + 1] * high
            charger = self.charger_a[piece] * low + self.charger_a[piece + 1] * high
        else:
            weights, _ = self.weights(tally)
            parts, charger = self.consumers_a @ weights / time_s, self.charger_a @ weights / time_s
        return tuple(parts.tolist()), float(charger)

    def charge_at_voltage(self, voltage_v: float) -> float:
        """The charge at which the terminal voltage first passes `voltage_v`; below, it is lower.

        -inf when the voltage is never below that level, +inf when it always is.
        """
        if self.like_v is not None:
            return self.like_v.charge_at_voltage(voltage_v)
        found = self._levels.get(voltage_v)
        if found is None:
            found = self._at(passing(self.nodes, self._rising_v, voltage_v), voltage_v)
            self._levels[voltage_v] = found
        return found

    def charges_at_voltage(self, voltage_v: float) -> tuple[float, ...]:
        """The charges at which the terminal voltage passes `voltage_v`, rising: see `turning`."""
        if self.like_v is not None:
            return self.like_v.charges_at_voltage(voltage_v)
        if self._rises:
            return (self.charge_at_voltage(voltage_v),)
        found = self._turns.get(voltage_v)
        if found is None:
            turns = turning(self.nodes, self.voltage_v, voltage_v)
            found = self._turns[voltage_v] = tuple(self._at(turn, voltage_v) for turn in turns)
        return found

    def _at(self, charge: float, voltage_v: float) -> float:
        """Where the terminal passes a level, that the table has at `charge`: the table may be 1 uV
        off, which is more in charge the flatter the curve, and so is the time. A straight line
        from the voltage solved there to the node beyond the level leaves some nanovolts.
        """
        i = self.piece(charge)
        low, high = self._s[i], self._s[i + 1]
        if self.solved_v is None or min(charge - low, high - charge) < SAME:
            return charge
        volts = self.solved_v(charge)
        node = i + 1 if (volts < voltage_v) == (self._v[i] < self._v[i + 1]) else i
        there, beyond = self._s[node], self._v[node]
        if beyond == volts:
            return charge
        moved = charge + (voltage_v - volts) / (beyond - volts) * (there - charge)
        return min(max(moved, low), high)

    def charges_at(self, quantity: StepQuantity, level: float) -> tuple[float, ...]:
        """The charges at which what a step of the charger looks at passes `level`, rising."""
        if quantity == "charge":
            return (level,)
        if quantity == "voltage_v":
            return self.charges_at_voltage(level)
        return turning(self.nodes, self.charger_a, level)

    def is_below(self, voltage_v: float, charge: float) -> bool:
        """Whether the terminal voltage at `charge` is below a level: see `charges_at_voltage`."""
        return below(self.charges_at_voltage(voltage_v), charge)

    # -- motion ----------------------------------------------------------------------------------

    def advance(
        self,
        charge: float,
        time_s: float,
        tally: Tally | None = None,
        low: float = -math.inf,
        high: float = math.inf,
    ) -> float | None:
        """Return the *change* of charge over `time_s`, and count it in `tally`.

        The change rather than the new charge: a year of pulses is summed without losing digits.
        None, and nothing counted, when the new charge would not lie in low <= s < high.
        """
        s, f, b = self._s, self._f, self._b
        i = self._near
        if not s[i] <= charge < s[i + 1]:
            i = self.piece(charge)
        offset = charge - s[i]
        f0 = f[i] + b[i] * offset
        if f0 < 0.0 and offset == 0.0 and i > 0:
            i -= 1
            offset = charge - s[i]
        x = b[i] * time_s
        if -1e-4 < x < 1e-4:
            grown = 1.0 + x * (0.5 + x * (1 / 6 + x / 24))
            inner = 0.5 + x * (1 / 6 + x * (1 / 24 + x / 120))
        elif x < 300.0:
            power = math.expm1(x)
            grown = power / x
            inner = (power - x) / (x * x)
        else:
            grown = inner = math.inf
        change = f0 * time_s * grown
        if -offset <= change <= s[i + 1] - charge:
            if not low <= charge + change < high:
                return None
            if tally is not None:
                moment = offset * time_s + f0 * time_s * time_s * inner
                try:  # as `Tally.add`, which would take a third of all this
                    tally.time_s[i] += time_s
                    tally.moment[i] += moment
                except KeyError:
                    tally.add(i, time_s, moment)
            return change
        bound = low if f0 < 0.0 else high
        if math.isfinite(bound) and self.time_to(charge, bound) <= time_s:
            return None
        return self._long(charge, time_s, tally)

    def _long(self, charge: float, time_s: float, tally: Tally | None) -> float:
        """Advance over more than one piece: piece by piece to the node, then in bulk."""
        s, f, b = self._s, self._f, self._b
        start = charge
        left = time_s
        while left > 0.0:
            i = self._heading(charge)
            f0 = f[i] + b[i] * (charge - s[i])
            empty = f0 < 0.0 and charge <= s[0]
            if empty or f0 == 0.0 or (f0 > 0.0 and charge >= s[-1]):
                # An empty cell gives nothing, so nothing is counted.
                if tally is not None and not empty:
                    tally.add(i, left, (charge - s[i]) * left)
                return charge - start
            upward = f0 > 0.0
            end = i + 1 if upward else i
            reach = _time_to(s[end] - charge, f0, f[end])
            if reach > left:
                x = b[i] * left
                grown = math.expm1(x) / x if abs(x) > 1e-9 else 1.0 + 0.5 * x
                inner = (math.expm1(x) - x) / (x * x) if abs(x) > 1e-4 else 0.5 + x / 6
                change = f0 * left * grown
                if tally is not None:
                    tally.add(i, left, (charge - s[i]) * left + f0 * left * left * inner)
                return charge + change - start
            if tally is not None:
                # Over a whole stretch the integral of (s - s_i) dt follows from the charge moved.
                moved = s[end] - charge
                offset = charge - s[i]
                tally.add(i, reach, offset * reach + _moment(moved, reach, f0, b[i]))
            charge = s[end]
            left -= reach
            charge, left = self._bulk(end, upward, left, charge, tally)
        return charge - start

    def _heading(self, charge: float) -> int:
        """The piece ahead of `charge`: at a node, the one in the direction of motion."""
        i = self.piece(charge)
        if charge == self._s[i] and self._f[i] < 0.0 and i > 0:
            return i - 1
        return i

    def _bulk(
        self, node: int, upward: bool, left: float, charge: float, tally: Tally | None
    ) -> tuple[float, float]:
        """From `node` pass as many whole pieces as fit into `left` seconds."""
        if self._cumulative is None:
            self._cumulate()
        cumulative, walls = self._cumulative, self._walls
        assert cumulative is not None
        if upward:
            k = bisect_left(walls, node)
            stop = walls[k] if k < len(walls) else len(self._s) - 1
            if stop <= node:
                return charge, left
            target = cumulative[node] + left
            reached = min(bisect_right(cumulative, target, node, stop + 1) - 1, stop)
            if reached <= node:
                return charge, left
            if tally is not None:
                tally.add_whole(node, reached - 1)
            return self._s[reached], left - (cumulative[reached] - cumulative[node])
        k = bisect_right(walls, node - 1) - 1
        stop = walls[k] + 1 if k >= 0 else 0
        if stop >= node:
            return charge, left
        target = cumulative[node] - left
        reached = max(bisect_left(cumulative, target, stop, node + 1), stop)
        if reached >= node:
            return charge, left
        if tally is not None:
            tally.add_whole(reached, node - 1)
        return self._s[reached], left - (cumulative[node] - cumulative[reached])

    def _cumulate(self) -> None:
        """Tabulate the time from node to node; a piece on which f turns is a wall."""
        times, _ = self._passages()
        wall = ~np.isfinite(times)
        self._walls = np.flatnonzero(wall).tolist()
        self._cumulative = [0.0, *np.cumsum(np.where(wall, 0.0, times)).tolist()]

    def _passages(self) -> tuple[Array, Array]:
        """Time over each whole piece (s; inf where f turns), and its integral of (s - s_i) dt."""
        f0, f1 = self.rates[:-1], self.rates[1:]
        width = np.diff(self.nodes)
        with np.errstate(divide="ignore", invalid="ignore"):
            y = (f1 - f0) / f0
            # What is left of the rate, itself: 1 + y has none of its digits near a rest.
            logs = np.where(y < -0.5, np.log(np.abs(f1)) - np.log(np.abs(f0)), np.log1p(y))
            stretch = np.where(np.abs(y) > 1e-8, logs / y, 1.0 - 0.5 * y)
            times = width / f0 * stretch
            same = f0 * f1 > 0.0
            times = np.where(same, np.abs(times), np.inf)
            b = (f1 - f0) / width
            # Over an upward passage the integral of (s - s_i) dt is (width - f0 t) / b; for small b
            # the series of the same. A downward passage takes the same time at each s.
            signed = width / f0 * stretch
            exact = (width - f0 * signed) / b
            series = width * np.abs(signed) * (0.5 - y / 12.0)
            moments = np.where(np.abs(y) > 1e-4, np.abs(exact), np.abs(series))
        return times, np.where(same, moments, 0.0)

    def time_to(self, charge: float, target: float) -> float:
        """Seconds from `charge` until the charge is `target`; inf when it never gets there."""
        if target == charge:
            return 0.0
        s, f, b = self._s, self._f, self._b
        upward = target > charge
        total = 0.0
        i = self.piece(charge)
        if not upward and charge == s[i] and i > 0:
            i -= 1
        f0 = f[i] + b[i] * (charge - s[i])
        if f0 == 0.0 or (f0 > 0.0) != upward:
            return math.inf
        end = i + 1 if upward else i
        if (target <= s[end]) if upward else (target >= s[end]):
            return _time_to(target - charge, f0, f[i] + b[i] * (target - s[i]))
        total = _time_to(s[end] - charge, f0, f[end])
        if total == math.inf:
            return math.inf
        if self._cumulative is None:
            self._cumulate()
        cumulative = self._cumulative
        assert cumulative is not None
        last = self.piece(target)
        near = last if upward else last + 1
        first, final = (end, near) if upward else (near, end)
        k = bisect_left(self._walls, first)
        if k < len(self._walls) and self._walls[k] < final:
            return math.inf
        if (f[end] > 0.0) != upward or f[end] == 0.0:
            return math.inf
        total += abs(cumulative[near] - cumulative[end])
        if s[near] != target:
            goal = f[last] + b[last] * (target - s[last])
            total += _time_to(target - s[near], f[near], goal)
        return total

    # -- ledger ----------------------------------------------------------------------------------

    def weights(self, tally: Tally) -> tuple[Array, float]:
        """Turn a tally into weights w (n): the integral of g dt is g . w for any tabulated g.

        Also returns the time counted (s).
        """
        count = len(self._b)
        time_s = np.zeros(count)
        moment = np.zeros(count)
        for piece, value in tally.time_s.items():
            time_s[piece] += value
            moment[piece] += tally.moment[piece]
        if tally.whole:
            passed = np.zeros(count + 1)
            for (first, last), times in tally.whole.items():
                passed[first] += times
                passed[last + 1] -= times
            passes = np.cumsum(passed)[:-1]
            used = passes > 0
            times_s, moments = self._passages()
            time_s[used] += passes[used] * times_s[used]
            moment[used] += passes[used] * moments[used]
        upper = moment / np.diff(self.nodes)
        weights = np.zeros(count + 1)
        weights[:-1] += time_s - upper
        weights[1:] += upper
        return weights, float(time_s.sum())


    # -- how long, and at which charge -----------------------------------------------------------

    def lasted(self, tally: Tally) -> tuple[float, float]:
        """The time that a tally holds (s), and the integral of the charge over it (s)."""
        time_s = sum(tally.time_s.values())
        charge_s = sum(tally.moment.values())
        charge_s += sum(self._s[piece] * lasts for piece, lasts in tally.time_s.items())
        if tally.whole:
            if self._lasted is None:
                times, moments = self._passages()
                times = np.where(np.isfinite(times), times, 0.0)
                self._lasted = (
                    [0.0, *np.cumsum(times).tolist()],
                    [0.0, *np.cumsum(self.nodes[:-1] * times + moments).tolist()],
                )
            for (first, last), passed in tally.whole.items():
                time_s += passed * (self._lasted[0][last + 1] - self._lasted[0][first])
                charge_s += passed * (self._lasted[1][last + 1] - self._lasted[1][first])
        return time_s, charge_s


def _time_to(distance: float, f0: float, f1: float) -> float:
    """Time over `distance` while the rate goes linearly from f0 to f1 (s)."""
    if f0 * f1 <= 0.0:
        return math.inf
    y = (f1 - f0) / f0
    if y < -0.5:  # what is left of the rate, itself: 1 + y has none of its digits near a rest
        stretch = (math.log(abs(f1)) - math.log(abs(f0))) / y
    else:
        stretch = math.log1p(y) / y if abs(y) > 1e-8 else 1.0 - 0.5 * y
    return distance / f0 * stretch


def _moment(moved: float, time_s: float, f0: float, b: float) -> float:
    """Integral of (s - s0) dt over a stretch that moves the charge by `moved` in `time_s`."""
    x = b * time_s
    if abs(x) > 1e-4:
        return (moved - f0 * time_s) / b
    return f0 * time_s * time_s * (0.5 + x * (1 / 6 + x / 24))


def passing(nodes: Array, values: Array, level: float) -> float:
    """The charge below which rising `values` are below `level`."""
    i = int(np.searchsorted(values, level, side="left"))
    if i == 0:
        return -math.inf
    if i == len(values):
        return math.inf
    low, high = float(values[i - 1]), float(values[i])
    share = (level - low) / (high - low)
    return float(nodes[i - 1]) + share * float(nodes[i] - nodes[i - 1])


def turning(nodes: Array, values: Array, level: float) -> tuple[float, ...]:
    """The charges, rising, at which `values` pass `level` either way: see `below`.

    They are below it before the first, not below it from there to the second, and so on; where they
    are not below it at the least charge the first is -inf.
    """
    low = values < level
    k = np.flatnonzero(low[:-1] != low[1:])
    share = (level - values[k]) / (values[k + 1] - values[k])
    found: list[float] = (nodes[k] + share * (nodes[k + 1] - nodes[k])).tolist()
    return tuple(found) if low[0] else (-math.inf, *found)


def below(turns: Sequence[float], charge: float) -> bool:
    """Whether what passes a level at the charges `turns` is below it at `charge`."""
    return bisect_right(turns, charge) % 2 == 0
