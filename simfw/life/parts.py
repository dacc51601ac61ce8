"""One set of parts, tabulated on the grid of the hot loop as its load sets are met."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from simfw.behaviour.stock_measures import levels_of
from simfw.circuit.circuit import Circuit, LoadSet
from simfw.circuit.counting import Counter
from simfw.circuit.wake import wake_of
from simfw.engine.clock import passing, turning
from simfw.gadget.model import Gadget
from simfw.life import registers as k
from simfw.life.columns import Column, flat
from simfw.life.grid import bent
from simfw.life.layout import MODES, ROWS_FROM, rows_of
from simfw.life.store import Mix, Store

__all__ = ["PartTables"]

Array = NDArray[np.float64]

_REAL = frozenset({"volts", "turn_at", "step_at", "step_until", "rate", "use", "mark_at",
                   "mark_until"})
_GROWING = (*sorted(_REAL), "loads_slot", "mix_slot", "turn_start", "step_start", "step_rising",
            "step_to", "mark_start", "mark_rising", "mark_kind")
_ROUNDING_V = 1e-8  # what the voltage falls by less than that as the charge rises is rounding
_Due = tuple[int, float, float, int]  # rising, at, until, kind: as in `registers.Parts`
# The least charge at which the protection closes again. The loop's own grain is 1e-13: with so
# little, a load that takes more than the charger gives would switch it for ever.
_SOME = 1e-6


def _rows_from(gadget: Gadget) -> list[object]:
    """All that rows, and their times, are made from; None in the place of what it has not."""
    found: list[object] = []
    for key in ROWS_FROM:
        part: object = gadget
        for name in key.split("."):
            part = None if part is None else getattr(part, name)
        found.append(part)
    return found


class PartTables:
    """The tables of one set of parts.

    `reference_v` is the true value of the controller's reference where it is not the nominal one.
    `gadget` must be of the same shape as the store's: only values differ. `within_share`: by which
    share of them mean currents, and how long the cell lasts, may be off because what rests was
    added up (None: nothing was; see `engine.shares`).
    """

    def __init__(
        self, store: Store, gadget: Gadget, reference_v: float | None = None
    ) -> None:
        self.store = store
        self.gadget = gadget
        layout = store.layout
        self.circuit = circuit = Circuit(gadget, reference_v=reference_v)
        self.grid = bent(store.grid, circuit)
        made_from = _rows_from(gadget)
        # Users of one design differ in their circuit, most often in no time.
        if store.latest_rows is None or store.latest_rows[0] != made_from:
            system = (layout.system if made_from == _rows_from(layout.gadget)
                      else rows_of(gadget))
            store.latest_rows = made_from, layout.group_times(system)
        self._after: list[int] = store.latest_rows[1]
        fast = store.fast
        self._columns = {
            name: Column(fast, real=name in _REAL, start=[0] if name.endswith("_start") else ())
            for name in _GROWING
        }
        self._rates: list[Array] = []
        self._uses: list[Array] = []
        self._marks: list[list[_Due]] = []
        self._slots = 0
        self._mixes = 0
        self.within_share: float | None = None
        self._cycles: dict[tuple[tuple[int, int], ...], int] = {}
        cell = gadget.cell
        self._cut_off_v = cell.cut_off.value if cell.cut_off else None
        self._levels_v = [
            circuit.true_v_for(value) if name == "gauge.measured" else value
            for name, value in layout.levels
        ]
        self.levels = tuple(levels_of(measure) for measure in gadget.measures.values())
        controller = gadget.controller
        wake_c = wake_of(controller).charge_c
        awake_a, asleep_a = (
            0.0 if part is None else part.value for part in
            ((controller.awake, controller.asleep) if controller else (None,) * 2)
        )
        # Without a restart of its own the protection closes above its cut-off, if it has one.
        self._restarts = cell.restart is not None
        level = cell.restart or cell.cut_off
        restart = -math.inf
        if level is not None:
            restart = passing(self.grid, circuit.open_circuit_v(self.grid), level.value)
        self.restart_at = restart = max(_SOME, restart)
        self.feeds_below = math.inf
        if circuit.charger is not None and not self._restarts:
            self.feeds_below = passing(
                self.grid, circuit.open_circuit_v(self.grid), circuit.charger.float_v
            )
        starts = np.searchsorted(self.grid, np.arange(k.BUCKETS + 1) / k.BUCKETS, side="right") - 1
        starts[-1] = len(self.grid) - 2
        self._fixed: dict[str, Any] = {
            "real": flat([circuit.capacity_c, wake_c, restart, *_counting(circuit.counter),
                          awake_a - asleep_a, self.feeds_below], fast, real=True),
            "after": flat(self._after, fast),
            "range_m": flat(self._ranges(), fast, real=True),
            "charge_level": flat(layout.charge_levels, fast, real=True),
            "count_level": flat(layout.count_levels, fast, real=True),
            "grid": flat(self.grid, fast, real=True),
            "bucket": flat(starts, fast),
        }
        # All that other parts have met, at once: one by one it takes many times as long.
        self.add_all()

    def _ranges(self) -> list[float]:
        volts = k.RANGE_LOW_V + k.RANGE_STEP_V * np.arange(k.RANGE_NODES)
        found: list[float] = []
        for sensor in self.store.layout.sensors:
            for volt in volts.tolist():
                reach = self.circuit.range_m(sensor, volt)
                found.append(-1.0 if reach is None else reach)
        return found

    def parts(self) -> k.Parts:
        """The tables as they stand, with room for all that the store has."""
        columns = self._columns
        self._slots_of("loads_slot", len(self.store.loads))
        self._slots_of("mix_slot", len(self.store.mixes))
        return k.Parts(**{name: one.data for name, one in columns.items()}, **self._fixed)

    def add_all(self) -> None:
        """Tabulate every load set and mix that the store has."""
        store = self.store
        self._solve([n for n in range(len(store.loads)) if self.slot_of(n) < 0])
        # Of sums how far they may be off is told: they wait for those that meet them.
        self._mix([n for n, mix in enumerate(store.mixes)
                   if not mix.meetings and not self.has_mix(n)])

    def has_mix(self, number: int) -> bool:
        """Whether a mix is tabulated."""
        return int(self._slots_of("mix_slot", len(self.store.mixes))[number]) >= 0

    def slot_of(self, number: int) -> int:
        """The slot of a load set, -1 where it is not tabulated."""
        return int(self._slots_of("loads_slot", len(self.store.loads))[number])

    def _slots_of(self, name: str, known: int) -> Any:
        """A column of slots, with room for all that are known."""
        column = self._columns[name]
        if len(column) < known:
            column.extend([-1] * (known - len(column)))
        return column.data

    def add_loads(self, number: int) -> int:
        """Tabulate a load set, unless it is; its slot."""
        slot = self.slot_of(number)
        if slot >= 0:
            return slot
        self._solve([number])
        return self._slots - 1

    def _solve(self, numbers: list[int]) -> None:
        """Tabulate load sets."""
        if not numbers:
            return
        loads = [self.store.loads[number] for number in numbers]
        grid, columns, circuit = self.grid, self._columns, self.circuit
        found = circuit.totals(loads, grid)
        volts = np.maximum.accumulate(found.voltage_v, axis=1)
        falls = (volts - found.voltage_v).max(axis=1) > _ROUNDING_V
        volts[falls] = found.voltage_v[falls]
        self._rates += list((found.charger_a - found.consumed_a) / circuit.capacity_c)
        self._uses += list(found.consumed_a)
        columns["volts"].extend(self._supplied(loads, volts).ravel())
        cut_off, charger = self._cut_off_v, self.circuit.charger
        below = None if charger is None else charger.below_v
        wanted = [-math.inf if cut_off is None else cut_off, -math.inf if below is None else below,
                  *self._levels_v]
        # Nearly always the voltage rises: all levels of all load sets at once.
        plain = _passings(grid, volts, np.array(wanted))
        starts = []
        passed: list[float] = []
        turn_starts = []
        turned = len(columns["turn_at"])
        due: list[_Due] = []
        stepped = len(columns["step_at"])
        for row, (number, one) in enumerate(zip(numbers, loads, strict=True)):
            turns: list[tuple[float, ...]] = [(at,) for at in plain[row].tolist()]
            if falls[row]:
                turns = [turning(grid, volts[row], level) for level in wanted]
            turns[k.OPENING] = _opening(turns[k.OPENING]) if not one.protected else (-math.inf,)
            for charges in turns:
                passed += charges
                turn_starts.append(turned + len(passed))
            steps = self._steps(one, volts[row], found.charger_a[row],
                                float(found.consumed_a[row, -1]))
            due += steps
            starts.append(stepped + len(due))
            marks = [(rising, at, until, k.MARK_MODE + to) for rising, at, until, to in steps]
            if not one.protected:
                marks += _dues(turns[k.OPENING], False, k.MARK_OPEN)
            self._marks.append(marks)
            columns["loads_slot"].put(number, self._slots)
            self._slots += 1
        columns["turn_at"].extend(passed)
        columns["turn_start"].extend(turn_starts)
        self._add("step", due, "to")
        columns["step_start"].extend(starts)

    def _add(self, what: str, dues: list[_Due], last: str) -> None:
        """Add what is due somewhere to its columns."""
        for place, name in enumerate(("rising", "at", "until", last)):
            self._columns[f"{what}_{name}"].extend([due[place] for due in dues])

    def _supplied(self, loads: Sequence[LoadSet], volts: Array) -> Array:
        """What feeds the sensors (V): the terminal, of which `volts` has a row for each load set,
        or the input of a power path.
        """
        found = volts
        for row, one in enumerate(loads):
            if self.circuit.on_path(one) and self.store.layout.sensors:
                found = volts.copy() if found is volts else found
                found[row] = self.circuit.solve(one, self.grid).supply_v
        return found

    def _steps(
        self, loads: LoadSet, volts: Array, output_a: Array, full_a: float
    ) -> list[_Due]:
        """The charger's steps, with the modes. `full_a` is the load on a full cell (A)."""
        charger = self.circuit.charger
        if charger is None or loads.charger == "off":
            return []
        steps: list[_Due] = []
        for step in (self.circuit.steps(loads) if self.circuit.on_path(loads) else
                     charger.steps(loads.charger, loads.temperature_c, full_a)):
            turns: tuple[float, ...] = (step.level,)
            if step.quantity != "charge":
                values = volts if step.quantity == "voltage_v" else output_a
                turns = turning(self.grid, values, step.level)
            steps += _dues(turns, step.rising, MODES.index(step.to))
        return steps

    def add_mix(self, number: int) -> None:
        """Tabulate what a mix of load sets draws on average, and where something happens to it;
        unless it is.
        """
        if not self.has_mix(number):
            self._mix([number])

    def _mix(self, numbers: list[int]) -> None:
        if not numbers:
            return
        store, columns = self.store, self._columns
        mixes = [store.mixes[number] for number in numbers]
        needed = dict.fromkeys(loads for mix in mixes for _, loads, _ in mix.shares)
        needed |= dict.fromkeys(n for mix in mixes for met in mix.meetings for n in met[:3])
        self._solve([n for n in needed if self.slot_of(n) < 0])
        stays = [[self._after[group] for group in store.lap_groups(lap)]
                 for lap in range(len(store.laps))]
        periods = [float(sum(stay)) for stay in stays]
        shares: list[float] = []
        slots: list[int] = []
        rows: dict[int, int] = {}  # the slots that are needed, in order
        starts = [0]
        for mix in mixes:
            for times, loads, places in mix.shares:
                share = float(times)
                for lap, place in places:
                    share *= stays[lap][place] / periods[lap]
                shares.append(share)
                slots.append(self.slot_of(loads))
            starts.append(len(slots))
        # Each row is summed up in the order of its shares, whatever the others are.
        at = [rows.setdefault(slot, len(rows)) for slot in slots]
        summing = csr_array((shares, at, starts), shape=(len(mixes), len(rows)))
        rate = summing @ np.array([self._rates[slot] for slot in rows])
        columns["rate"].extend(rate.ravel())
        use = summing @ np.array([self._uses[slot] for slot in rows])
        columns["use"].extend(use.ravel())
        marks: list[_Due] = []
        ends = []
        for row, mix in enumerate(mixes):
            found = self._mix_marks(slots[starts[row] : starts[row + 1]],
                                    store.loads[mix.shares[0][1]], all_of=bool(mix.meetings))
            marks += found
            if mix.meetings:
                self._judge(mix, use[row], stays, _opening_of(found))
            ends.append(len(columns["mark_at"]) + len(marks))
        self._add("mark", marks, "kind")
        columns["mark_start"].extend(ends)
        for number in numbers:
            columns["mix_slot"].put(number, self._mixes)
            self._mixes += 1

    def _judge(self, mix: Mix, use: Array, stays: list[list[int]], opens_at: float) -> None:
        """Note how far what is made of a sum may be off. Its protection opens at `opens_at`."""
        uses = self._uses
        likely_a = uses[self.slot_of(mix.shares[0][1])]
        off_a = np.zeros(len(use))
        for both, one, other, places in mix.meetings:
            together, alone, its_alone = (uses[self.slot_of(n)] for n in (both, one, other))
            off_a += np.abs(together - alone - its_alone + likely_a) * min(
                stays[lap][place] / sum(stays[lap]) for lap, place in places)
        at = (self.grid >= opens_at) & (use > 0.0)
        off = float((off_a[at] / use[at]).max(initial=0.0))
        # All at their largest may open the protection long before what is on for most of the time.
        first_at = _opening_of(self._marks[self.slot_of(mix.shares[-1][1])])
        if opens_at < first_at < 1.0:
            off += (first_at - opens_at) / (1.0 - first_at)
        self.within_share = max(off, self.within_share or 0.0)

    def add_cycle(self, slots: Sequence[int], lasts_ns: Sequence[int]) -> int:
        """The row of what is drawn on average while rows take turns for so long each."""
        total: dict[int, int] = {}
        for slot, lasts in zip(slots, lasts_ns, strict=True):
            total[slot] = total.get(slot, 0) + lasts
        key = tuple(sorted(total.items()))
        if key not in self._cycles:
            nodes, whole = len(self.grid), sum(total.values())
            for name in ("rate", "use"):
                column = self._columns[name]
                rows = [np.array(column.data[slot * nodes : (slot + 1) * nodes])
                        * (lasts / whole) for slot, lasts in key]
                column.extend(np.sum(rows, axis=0))
            self._columns["mark_start"].append(len(self._columns["mark_at"]))
            self._cycles[key] = self._mixes
            self._mixes += 1
        return self._cycles[key]

    def _mix_marks(
        self, slots: list[int], one: LoadSet, *, all_of: bool = False
    ) -> list[_Due]:
        """Where something happens to the first of load sets that take turns, or to `all_of` them.

        `one` of them stands for all as to protection and charger.
        """
        best: dict[tuple[int, int], float] = {}
        marks: list[_Due] = []
        for mark in [mark for slot in slots for mark in self._marks[slot]]:
            rising, at, until, kind = mark
            if math.isfinite(until):
                marks.append(mark)
                continue
            found = best.get((rising, kind), at)
            best[rising, kind] = min(found, at) if rising != all_of else max(found, at)
        marks += [(rising, at, math.inf if rising else -math.inf, kind)
                  for (rising, kind), at in best.items()]
        if one.protected and (self._restarts or one.charger in ("precharge", "fast")):
            marks.append((1, self.restart_at, math.inf, k.MARK_RESTART))
        return marks


def _opening_of(marks: Sequence[_Due]) -> float:
    """The charge at which the protection opens on a cell that runs down, 0 where it is empty."""
    return max((at for rising, at, _, kind in marks if kind == k.MARK_OPEN and not rising),
               default=0.0)


def _dues(turns: Sequence[float], rising: bool, kind: int) -> list[_Due]:
    """Where something is due: below a level that is passed at `turns`, or `rising` not below it."""
    bounds = [*([] if rising else [-math.inf]), *turns, math.inf]
    found: list[_Due] = []
    for start, end in zip(bounds[::2], bounds[1::2], strict=False):
        if start == -math.inf < end < math.inf:
            found.append((0, end, start, kind))
        elif start < end:
            found.append((1, start, end, kind))
    return found


def _opening(turns: Sequence[float]) -> tuple[float, ...]:
    """The same for a protection that opens at its cut-off itself, and on an empty cell."""
    if not turns:
        return ()
    return (math.nextafter(max(0.0, turns[0]), math.inf), *turns[1:])


def _counting(counter: Counter | None) -> list[float]:
    """What the hot loop counts with, from `registers.RATIO` on."""
    if counter is None:
        return [0.0, 0.0, 0.0, 0.0]
    return [counter.ratio, counter.power_up, counter.leakage_a / counter.capacity_c,
            counter.self_discharge_a / counter.capacity_c]


def _passings(grid: Array, values: Array, levels: Array) -> Array:
    """`passing` for several rows of values and several levels, shape (rows, levels)."""
    found = np.count_nonzero(values[:, np.newaxis, :] < levels[:, np.newaxis], axis=2)
    count = len(grid)
    inner = np.clip(found, 1, count - 1)
    low = np.take_along_axis(values, inner - 1, axis=1)
    high = np.take_along_axis(values, inner, axis=1)
    share = np.divide(levels - low, high - low, out=np.zeros(found.shape), where=high > low)
    at = grid[inner - 1] + share * (grid[inner] - grid[inner - 1])
    return np.where(found == 0, -np.inf, np.where(found == count, np.inf, at))
