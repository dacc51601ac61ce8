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
from simfw.life.layout import MODES
from simfw.life.lookup import node_charges
from simfw.life.store import Store

__all__ = ["PartTables"]

Array = NDArray[np.float64]

GRID: Array = np.array(node_charges())


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
        self._after = layout.group_times(system)
        self._group_of = [
            [layout.model.group_start[layout.offset[r] + s] for s in range(len(region.states))]
            for r, region in enumerate(layout.regions)
        ]
        names = ("cross", "open_at", "step_start", "step_rising", "step_at", "step_to",
                 "start_cross", "mark_start", "mark_rising", "mark_at", "mark_kind",
                 "lap_period", "lap_stay")
        self._columns: dict[str, list[Any]] = {name: [] for name in names}
        # Whole grids: pieces of arrays where the loop is compiled, else one list.
        self._grids: dict[str, list[Any]] = {"volts": [], "rate": [], "use": []}
        self._columns["step_start"].extend([0])
        self._columns["mark_start"].extend([0])
        self._rates: list[Array] = []
        self._uses: list[Array] = []
        self._marks: list[tuple[float, list[tuple[int, float, int]]]] = []
        self._loads_slot: list[int] = []
        self._mix_slot: list[int] = []
        self._slots = 0
        self._laps = 0
        cell = gadget.cell
        self._cut_off_v = cell.cut_off.value if cell.cut_off else None
        self._levels_v = [
            circuit.true_v_for(value) if name == "gauge.measured" else value
            for name, value in layout.levels
        ]
        wake = gadget.controller.wake if gadget.controller else None
        restart = math.inf
        if cell.restart is not None:
            restart = _passing(circuit.open_circuit_v(GRID), cell.restart.value)
            restart = 0.0 if restart == -math.inf else restart
        self.restart_at = restart
        self._fixed: dict[str, Any] = {
            "real": [circuit.capacity_c, 0.0 if wake is None else wake.value],
            "after": self._after,
            "range_m": self._ranges(),
            "charge_level": list(layout.charge_levels),
            "restart_at": [restart],
        }

        if store.fast:
            # All that other parts have met, at once: each miss costs a way out of the loop.
            for number in range(len(store.loads)):
                self.add_loads(number)
            for number in range(len(store.mixes)):
                self.add_mix(number)

    def _ranges(self) -> list[float]:
        volts = k.RANGE_LOW_V + k.RANGE_STEP_V * np.arange(k.RANGE_NODES)
        found: list[float] = []
        for sensor in self.store.layout.sensors:
            for volt in volts.tolist():
                reach = self.circuit.range_m(sensor, volt)
                found.append(-1.0 if reach is None else reach)
        return found

    def parts(self) -> k.Parts:
        """The tables as they stand; laps that the store has found meanwhile are added."""
        store = self.store
        self._add_laps()
        self._loads_slot += [-1] * (len(store.loads) - len(self._loads_slot))
        self._mix_slot += [-1] * (len(store.mixes) - len(self._mix_slot))
        grids: dict[str, Any] = self._grids
        if store.fast:
            grids = {
                name: np.concatenate([*pieces, np.zeros(1)]) for name, pieces in grids.items()
            }
        return k.Parts(
            loads_slot=self._loads_slot, mix_slot=self._mix_slot,
            **grids, **self._columns, **self._fixed,
        )

    def _add_laps(self) -> None:
        for region, states in self.store.laps[self._laps :]:
            stays = [self._after[self._group_of[region][state]] for state in states]
            self._columns["lap_period"].extend([sum(stays)])
            self._columns["lap_stay"].extend(stays)
        self._laps = len(self.store.laps)

    def add_loads(self, number: int) -> int:
        """Tabulate a load set, unless it is; its slot."""
        self._loads_slot += [-1] * (len(self.store.loads) - len(self._loads_slot))
        if self._loads_slot[number] >= 0:
            return self._loads_slot[number]
        loads = self.store.loads[number]
        solution = self.circuit.solve(loads, GRID)
        consumed = solution.consumers_a.sum(axis=0)
        volts = np.maximum.accumulate(solution.voltage_v)
        capacity = self.circuit.capacity_c
        self._rates.append(-(consumed - solution.charger_a) / capacity)
        self._uses.append(consumed)
        columns = self._columns
        self._add_grid("volts", volts)
        columns["cross"].extend(_passing(volts, level) for level in self._levels_v)
        open_at = -1.0
        if not loads.protected:
            open_at = 0.0
            if self._cut_off_v is not None:
                open_at = max(0.0, _passing(volts, self._cut_off_v))
        columns["open_at"].extend([open_at])
        charger = self.circuit.charger
        start = -math.inf
        if charger is not None and charger.below_v is not None:
            start = _passing(volts, charger.below_v)
        columns["start_cross"].extend([start])
        steps = self._steps(loads, volts, solution.charger_a)
        for rising, at, to in steps:
            columns["step_rising"].extend([rising])
            columns["step_at"].extend([at])
            columns["step_to"].extend([to])
        columns["step_start"].extend([len(columns["step_at"])])
        self._marks.append((open_at, steps))
        self._loads_slot[number] = self._slots
        self._slots += 1
        return self._slots - 1

    def _steps(self, loads: LoadSet, volts: Array, output_a: Array) -> list[tuple[int, float, int]]:
        charger = self.circuit.charger
        if charger is None or loads.charger == "off":
            return []
        steps = []
        for step in charger.steps(loads.charger, loads.temperature_c):
            to = MODES.index(step.to)
            if step.quantity == "voltage_v":
                steps.append((int(step.rising), _passing(volts, step.level), to))
            else:
                # A falling output is a rising charge.
                steps.append((int(not step.rising), _fallen(output_a, step.level), to))
        if loads.charger in ("precharge", "fast") and not charger.suspended(loads.temperature_c):
            steps.append((1, 1.0, MODES.index("complete")))
        return steps

    def add_mix(self, number: int) -> None:
        """Tabulate what a mix of load sets draws on average, and where something happens to it."""
        self._add_laps()
        self._mix_slot += [-1] * (len(self.store.mixes) - len(self._mix_slot))
        mix = self.store.mixes[number]
        stays = self._columns["lap_stay"]
        periods = self._columns["lap_period"]
        rate: Array = np.zeros(len(GRID))
        use: Array = np.zeros(len(GRID))
        opens = -1.0
        steps: dict[tuple[int, int], float] = {}
        protected = False
        for loads, places in mix.shares:
            slot = self.add_loads(loads)
            share = 1.0
            for lap, place in places:
                share *= float(stays[place]) / float(periods[lap])
            rate += share * self._rates[slot]
            use += share * self._uses[slot]
            open_at, its_steps = self._marks[slot]
            opens = max(opens, open_at)
            protected = protected or self.store.loads[loads].protected
            for rising, at, to in its_steps:
                best = steps.get((rising, to), at)
                steps[rising, to] = min(best, at) if rising else max(best, at)
        wake_c = float(self._fixed["real"][1])
        woken_a = sum(count * wake_c / (float(periods[lap]) * 1e-9) for lap, count in mix.wakes)
        columns = self._columns
        self._add_grid("rate", rate - woken_a / self.circuit.capacity_c)
        self._add_grid("use", use + woken_a)
        marks = [(rising, at, k.MARK_MODE + to) for (rising, to), at in steps.items()]
        if protected:
            marks.append((1, self.restart_at, k.MARK_RESTART))
        else:
            marks.append((0, opens, k.MARK_OPEN))
        for rising, at, kind in marks:
            columns["mark_rising"].extend([rising])
            columns["mark_at"].extend([at])
            columns["mark_kind"].extend([kind])
        columns["mark_start"].extend([len(columns["mark_at"])])
        self._mix_slot[number] = len(columns["mark_start"]) - 2

    def _add_grid(self, name: str, values: Array) -> None:
        if self.store.fast:
            self._grids[name].append(values)
        else:
            self._grids[name] += values.tolist()

    def has_mix(self, number: int) -> bool:
        """Whether a mix is tabulated."""
        return number < len(self._mix_slot) and self._mix_slot[number] >= 0

    def band_of(self, loads: int, charge: float) -> int:
        """Which levels of voltage and charge the cell is above with a load set, as bits."""
        layout = self.store.layout
        levels = len(layout.levels)
        first = self._loads_slot[loads] * levels
        band = 0
        for n, at in enumerate(self._columns["cross"][first : first + levels]):
            band |= int(charge >= at) << n
        for n, level in enumerate(layout.charge_levels):
            band |= int(charge >= level) << (levels + n)
        return band


def _passing(values: Array, level: float) -> float:
    """The charge below which rising `values` are below `level`; infinite if never or always."""
    found = int(np.searchsorted(values, level, side="left"))
    if found == 0:
        return -math.inf
    if found == len(values):
        return math.inf
    low, high = float(values[found - 1]), float(values[found])
    share = (level - low) / (high - low)
    return float(GRID[found - 1] + share * (GRID[found] - GRID[found - 1]))


def _fallen(output_a: Array, level: float) -> float:
    """The charge from which on the charger's output stays below `level`; infinite if never."""
    over = np.flatnonzero(output_a >= level)
    if len(over) == 0:
        return -math.inf
    last = int(over[-1])
    if last == len(GRID) - 1:
        return math.inf
    high, low = float(output_a[last]), float(output_a[last + 1])
    share = (high - level) / (high - low)
    return float(GRID[last] + share * (GRID[last + 1] - GRID[last]))
