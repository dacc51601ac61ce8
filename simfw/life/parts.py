"""One set of parts, tabulated on the grid of the hot loop as its load sets are met."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simfw.behaviour.build import build_system
from simfw.circuit.circuit import Circuit, LoadSet
from simfw.gadget.model import Gadget
from simfw.life import registers as k
from simfw.life.columns import Column, flat
from simfw.life.layout import MODES
from simfw.life.store import Store

__all__ = ["PartTables"]

Array = NDArray[np.float64]

_REAL = frozenset({"volts", "cross", "open_at", "start_cross", "step_at", "rate", "use", "mark_at"})
_GROWING = (*sorted(_REAL), "loads_slot", "mix_slot", "step_start", "step_rising", "step_to",
            "mark_start", "mark_rising", "mark_kind")

class PartTables:
    """The tables of one set of parts.

    `reference_v` is the true value of the controller's reference where it is not the nominal one.
    `gadget` must be of the same shape as the store's: only values differ.
    """

    def __init__(
        self, store: Store, gadget: Gadget, reference_v: float | None = None
    ) -> None:
        self.store = store
        self.gadget = gadget
        layout = store.layout
        self.circuit = circuit = Circuit(gadget, reference_v=reference_v)
        system = layout.system if gadget is layout.gadget else build_system(gadget)
        self.grid = store.grid
        self._after: list[int] = layout.group_times(system)
        fast = store.fast
        self._columns = {
            name: Column(fast, real=name in _REAL, start=[0] if name.endswith("_start") else ())
            for name in _GROWING
        }
        self._rates: list[Array] = []
        self._uses: list[Array] = []
        self._marks: list[tuple[float, list[tuple[int, float, int]]]] = []
        self._slots = 0
        self._mixes = 0
        cell = gadget.cell
        self._cut_off_v = cell.cut_off.value if cell.cut_off else None
        self._levels_v = [
            circuit.true_v_for(value) if name == "gauge.measured" else value
            for name, value in layout.levels
        ]
        wake = gadget.controller.wake if gadget.controller else None
        self._wake_c = 0.0 if wake is None else wake.value
        restart = math.inf
        if cell.restart is not None:
            restart = _passing(self.grid, circuit.open_circuit_v(self.grid), cell.restart.value)
            restart = 0.0 if restart == -math.inf else restart
        self.restart_at = restart
        starts = np.searchsorted(self.grid, np.arange(k.BUCKETS + 1) / k.BUCKETS, side="right") - 1
        starts[-1] = len(self.grid) - 2
        self._fixed: dict[str, Any] = {
            "real": flat([circuit.capacity_c, self._wake_c, restart], fast, real=True),
            "after": flat(self._after, fast),
            "range_m": flat(self._ranges(), fast, real=True),
            "charge_level": flat(layout.charge_levels, fast, real=True),
            "grid": flat(self.grid, fast, real=True),
            "bucket": flat(starts, fast),
        }
        if fast:
            # All that other parts have met, at once: each miss costs a way out of the loop.
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
        for name, known in (("loads_slot", self.store.loads), ("mix_slot", self.store.mixes)):
            columns[name].extend([-1] * (len(known) - len(columns[name])))
        return k.Parts(**{name: one.data for name, one in columns.items()}, **self._fixed)

    def add_all(self) -> None:
        """Tabulate every load set and mix that the store has."""
        for number in range(len(self.store.loads)):
            self.add_loads(number)
        for number in range(len(self.store.mixes)):
            self.add_mix(number)

    def slot_of(self, number: int) -> int:
        """The slot of a load set, -1 where it is not tabulated."""
        column = self._columns["loads_slot"]
        column.extend([-1] * (len(self.store.loads) - len(column)))
        return int(column.data[number])

    def add_loads(self, number: int) -> int:
        """Tabulate a load set, unless it is; its slot."""
        slot = self.slot_of(number)
        if slot >= 0:
            return slot
        loads = self.store.loads[number]
        solution = self.circuit.solve(loads, self.grid)
        self._add_solved(number, solution.consumers_a.sum(axis=0), solution.charger_a,
                         solution.voltage_v)
        return self._slots - 1

    def _add_solved(
        self, number: int, consumed_a: Array, charger_a: Array, voltage_v: Array
    ) -> None:
        loads = self.store.loads[number]
        volts = np.maximum.accumulate(voltage_v)
        self._rates.append((charger_a - consumed_a) / self.circuit.capacity_c)
        self._uses.append(consumed_a)
        columns = self._columns
        columns["volts"].extend(volts)
        columns["cross"].extend([_passing(self.grid, volts, level) for level in self._levels_v])
        open_at = -1.0
        if not loads.protected:
            open_at = 0.0
            if self._cut_off_v is not None:
                open_at = max(0.0, _passing(self.grid, volts, self._cut_off_v))
        columns["open_at"].append(open_at)
        charger = self.circuit.charger
        start = -math.inf
        if charger is not None and charger.below_v is not None:
            start = _passing(self.grid, volts, charger.below_v)
        columns["start_cross"].append(start)
        steps = self._steps(loads, volts, charger_a)
        for rising, at, to in steps:
            columns["step_rising"].append(rising)
            columns["step_at"].append(at)
            columns["step_to"].append(to)
        columns["step_start"].append(len(columns["step_at"]))
        self._marks.append((open_at, steps))
        columns["loads_slot"].put(number, self._slots)
        self._slots += 1

    def _steps(self, loads: LoadSet, volts: Array, output_a: Array) -> list[tuple[int, float, int]]:
        charger = self.circuit.charger
        if charger is None or loads.charger == "off":
            return []
        steps = []
        for step in charger.steps(loads.charger, loads.temperature_c):
            to = MODES.index(step.to)
            if step.quantity == "voltage_v":
                steps.append((int(step.rising), _passing(self.grid, volts, step.level), to))
            else:
                # A falling output is a rising charge.
                steps.append((int(not step.rising), _fallen(self.grid, output_a, step.level), to))
        if loads.charger in ("precharge", "fast") and not charger.suspended(loads.temperature_c):
            steps.append((1, 1.0, MODES.index("complete")))
        return steps

    def add_mix(self, number: int) -> None:
        """Tabulate what a mix of load sets draws on average, and where something happens to it;
        unless it is.
        """
        columns, store = self._columns, self.store
        slots = columns["mix_slot"]
        slots.extend([-1] * (len(store.mixes) - len(slots)))
        if slots.data[number] >= 0:
            return
        mix = store.mixes[number]
        rate: Array = np.zeros(len(self.grid))
        use: Array = np.zeros(len(self.grid))
        opens = -1.0
        steps: dict[tuple[int, int], float] = {}
        protected = False
        stays: dict[int, list[int]] = {}
        for lap in {*(lap for _, places in mix.shares for lap, _ in places),
                    *(lap for lap, _ in mix.wakes)}:
            stays[lap] = [self._after[group] for group in store.lap_groups(lap)]
        for loads, places in mix.shares:
            slot = self.add_loads(loads)
            share = 1.0
            for lap, place in places:
                share *= float(stays[lap][place]) / float(sum(stays[lap]))
            rate += share * self._rates[slot]
            use += share * self._uses[slot]
            open_at, its_steps = self._marks[slot]
            opens = max(opens, open_at)
            protected = protected or store.loads[loads].protected
            for rising, at, to in its_steps:
                best = steps.get((rising, to), at)
                steps[rising, to] = min(best, at) if rising else max(best, at)
        woken_a = sum(
            count * self._wake_c / (float(sum(stays[lap])) * 1e-9) for lap, count in mix.wakes
        )
        columns["rate"].extend(rate - woken_a / self.circuit.capacity_c)
        columns["use"].extend(use + woken_a)
        marks = [(rising, at, k.MARK_MODE + to) for (rising, to), at in steps.items()]
        if protected:
            marks.append((1, self.restart_at, k.MARK_RESTART))
        else:
            marks.append((0, opens, k.MARK_OPEN))
        for rising, at, kind in marks:
            columns["mark_rising"].append(rising)
            columns["mark_at"].append(at)
            columns["mark_kind"].append(kind)
        columns["mark_start"].append(len(columns["mark_at"]))
        slots.put(number, self._mixes)
        self._mixes += 1


def _passing(grid: Array, values: Array, level: float) -> float:
    """The charge below which rising `values` are below `level`; infinite if never or always."""
    found = int(np.searchsorted(values, level, side="left"))
    if found == 0:
        return -math.inf
    if found == len(values):
        return math.inf
    low, high = float(values[found - 1]), float(values[found])
    share = (level - low) / (high - low)
    return float(grid[found - 1] + share * (grid[found] - grid[found - 1]))


def _fallen(grid: Array, output_a: Array, level: float) -> float:
    """The charge from which on the charger's output stays below `level`; infinite if never."""
    over = np.flatnonzero(output_a >= level)
    if len(over) == 0:
        return -math.inf
    last = int(over[-1])
    if last == len(grid) - 1:
        return math.inf
    high, low = float(output_a[last]), float(output_a[last + 1])
    share = (high - level) / (high - low)
    return float(grid[last] + share * (grid[last + 1] - grid[last]))
