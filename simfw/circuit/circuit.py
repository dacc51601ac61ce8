"""The circuit of a gadget: what it draws, as a function of the cell's charge.

The engine asks three questions: `solve` (currents and voltages of one load set over a vector of
charges), `answers` (does the receiver answer with a hand at this distance) and `measured_v` (what
the controller's converter makes of a voltage). Everything else of the package serves these.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from simfw.circuit.batch import Rows, Totals, settle_rows
from simfw.circuit.cell import cell_model
from simfw.circuit.charger import ChargerMode, ChargerModel, ChargerStep, charger_model
from simfw.circuit.counting import Counter, counter_of
from simfw.circuit.fed import fed_of
from simfw.circuit.infrared import carried_share, echo_of
from simfw.circuit.light import Branch, emitter_channel, light_channel
from simfw.circuit.loads import LoadSet, Solution
from simfw.circuit.measure import Converter
from simfw.circuit.network import Feed, Gives, Phase, fade, settle
from simfw.circuit.nodes import Levels
from simfw.circuit.path import Beside, ends_at, power_path_of
from simfw.circuit.regulator import Regulator
from simfw.circuit.table import Current, Grid, add

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget

__all__ = ["ChargerMode", "ChargerModel", "ChargerStep", "Circuit", "LoadSet", "Solution"]

Array = NDArray[np.float64]

# Plans of load sets kept ready; a gadget has a few dozen load sets.
_PLANS = 512


@dataclass(frozen=True, slots=True)
class _Part:
    """One thing that is on during (a share of) the period: exactly one law is set."""

    row: int
    duty: float
    constant_a: float = 0.0
    conductance_s: float = 0.0
    branch: Branch | None = None


@dataclass(frozen=True, slots=True)
class _Plan:
    """`cell`: what is on the cell itself while a power path feeds `parts`, None without one."""

    parts: tuple[_Part, ...]
    phases: tuple[Phase, ...]
    cell: Phase | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Source:
    """The cell and the charger as seen from the node, per charge."""

    open_circuit_v: Array
    inner_v: Array
    lost_a: Array
    ohm: Array
    feed: Gives | None
    float_v: float


class Circuit:
    """The circuit of one gadget.

    `reference_v` is the true value of the controller's reference, where it is to differ from the
    nominal one. Raises `DescriptionError` where the file's figures make no circuit.

    `consumers`: the names of the rows of `Solution.consumers_a`. `capacity_c` (C).
    `charge_nodes`: the charges (0..1) between which the open-circuit voltage is linear.
    `charger`: the charger's steps and status, None without `[charger]`. `cut_off_v`: where the
    protection opens (V), None without. `regulator`: what the controller has of the cell's voltage.
    `fed`: the lights that USB or the charger lights.
    `top_v`: no voltage of cell or loads (V) is above it. `lights`:
    their names. `counter`: what a gauge that counts charge counts with, None where it does not.
    """

    def __init__(self, gadget: Gadget, *, reference_v: float | None = None) -> None:
        self._gadget = gadget
        self._on_cell = gadget.lights  # found anew whenever a gadget is asked for them
        self._cell = cell_model(gadget)
        self.cut_off_v: float | None = None if gadget.cell.cut_off is None else (
            gadget.cell.cut_off.value
        )
        self.lights: tuple[str, ...] = tuple(gadget.lights)
        self.capacity_c: float = self._cell.capacity_c
        self.charge_nodes: Array = self._cell.charge_nodes
        self.charger: ChargerModel | None = charger_model(gadget)
        self.counter: Counter | None = counter_of(gadget, self._cell)
        controller = gadget.controller
        self._converter = Converter.of(controller, reference_v)
        self.regulator = Regulator.of(controller)
        self._fed = fed_of(gadget)
        self.fed: tuple[str, ...] = () if self._fed is None else self._fed.names
        self._feeds: dict[tuple[ChargerMode, float], Feed | None] = {}
        self._path = power_path_of(gadget, self._fed)
        self._ends: dict[LoadSet, float] = {}
        self._steps: dict[LoadSet, tuple[ChargerStep, ...]] = {}
        top = float(self._cell.curve.voltage_v[-1])
        if self.charger is not None:
            top = max(top, self.charger.float_v)
        if self._path is not None:
            top = max(top, self._path.input_v)
        self.top_v: float = 1.05 * top
        self._grid = Grid(top_v=self.top_v)
        self._prefix = len(gadget.proximity) > 1
        self._lights = {
            name: light_channel(name, light, file=gadget.file, regulator=self.regulator)
            for name, light in gadget.lights.items()
        }
        self._emitters = {
            name: emitter_channel(name, sensor.emitter, gadget.file, self.regulator)
            for name, sensor in gadget.proximity.items()
            if sensor.emitter is not None
        }
        self._carried = {name: carried_share(sensor) for name, sensor in gadget.proximity.items()}
        self._echoes = {name: echo_of(sensor) for name, sensor in gadget.proximity.items()}
        self._branches: dict[tuple[str, int], Branch] = {}
        self._drives: dict[tuple[str, float, int], tuple[_Part, ...]] = {}
        self._plans: OrderedDict[LoadSet, _Plan] = OrderedDict()
        self._sums: dict[tuple[int, ...], Current | None] = {}
        self.consumers: tuple[str, ...] = tuple(self._names())
        self._rows = {name: row for row, name in enumerate(self.consumers)}

    def _names(self) -> list[str]:
        gadget = self._gadget
        names = [*gadget.lights, *gadget.loads]
        for sensor, proximity in gadget.proximity.items():
            if proximity.emitter is not None:
                names.append(self.consumer_of(f"{sensor}.emitter"))
            if proximity.receiver is not None and proximity.receiver.supply is not None:
                names.append(self.consumer_of(f"{sensor}.receiver"))
        names += [f"{name}.supply" for parts in (gadget.toggles, gadget.measures)
                  for name, one in parts.items() if one.supply is not None]
        controller = gadget.controller
        if controller is not None and any(
            part is not None
            for part in (controller.awake, controller.asleep, controller.wake, controller.step)
        ):
            names.append("controller")
        regulator = None if controller is None else controller.regulator
        if regulator is not None and regulator.quiescent is not None:
            names.append("regulator")
        if gadget.cell.leakage is not None:
            names.append("leakage")
        if gadget.cell.self_discharge is not None:
            names.append("self_discharge")
        return names

    def consumer_of(self, drive: str) -> str:
        """The consumer's name for a drive: `emitter` for `NAME.emitter` of the only sensor."""
        sensor, dot, part = drive.rpartition(".")
        return part if dot and sensor in self._gadget.proximity and not self._prefix else drive

    def open_circuit_v(self, charge: ArrayLike) -> Array:
        """Open-circuit voltage (V) at charge (0..1), same shape."""
        return self._cell.open_circuit_v(np.asarray(charge, dtype=float))

    def steps(self, loads: LoadSet) -> tuple[ChargerStep, ...]:
        """The charger's steps in a load set while its supply stays in; none without a charger."""
        found = self._steps.get(loads)
        if found is None:
            found = self._steps[loads] = self._steps_of(loads)
        return found

    def _steps_of(self, loads: LoadSet) -> tuple[ChargerStep, ...]:
        charger = self.charger
        if charger is None:
            return ()
        if self.on_path(loads):
            # The cell alone ends the charge, and gives nothing away before it is full.
            return tuple(
                replace(step, level=self._ends_at(loads)) if step.quantity == "charge" else step
                for step in charger.steps(loads.charger, loads.temperature_c, 0.0)
                if step.quantity != "output_a")
        load_a = 0.0
        if charger.finish_a is not None and loads.charger in ("precharge", "fast"):
            load_a = float(self.solve(loads, 1.0).consumers_a.sum())
        return charger.steps(loads.charger, loads.temperature_c, load_a)

    def on_path(self, loads: LoadSet) -> bool:
        """Whether the input feeds the consumers of a load set over a power path."""
        return self._path is not None and loads.charger != "off"

    def _ends_at(self, loads: LoadSet) -> float:
        """The charge (0..1) at which the charger of a power path ends its charge.

        While the loads take from the cell as well, only a full one ends it.
        """
        charger = self.charger
        assert charger is not None
        found = self._ends.get(loads)
        if found is None:
            leakage = self._gadget.cell.leakage
            found = ends_at(self._cell, charger, loads.charger, loads.temperature_c,
                            0.0 if leakage is None else leakage.value)
            if found < 1.0 and self.solve(loads, found).short.any():
                found = 1.0
            self._ends[loads] = found
        return found

    def levels(self, loads: LoadSet) -> Levels:
        """The voltages (V) and charger outputs (A) at which protection or charger take a step."""
        volts: list[float] = []
        amps: list[float] = []
        if self.cut_off_v is not None and not loads.protected:
            volts.append(self.cut_off_v)
        for step in self.steps(loads):
            if step.quantity != "charge":
                (volts if step.quantity == "voltage_v" else amps).append(step.level)
        return tuple(volts), tuple(amps)

    def levels_of(self, loads: LoadSet) -> tuple[tuple[float, LoadSet], ...]:
        """A load set with PWM as shares of the time in load sets without: everything on first.

        Empty where nothing is dimmed so, or where it cannot be told apart: beside a charger, and
        for what draws in the whole period or longer than it is driven.
        """
        dimmed = [(name, duty) for name, duty, _ in loads.drives if duty < 1.0]
        if not dimmed or (
            self.charger is not None
            and self._feed(self.charger, loads.charger, loads.temperature_c) is not None
        ):
            return ()
        if any((name not in self._gadget.loads and name not in self._on_cell)
               or self._quiescent_a(name) for name, _ in dimmed):
            return ()
        found, start = [], 0.0
        for end in sorted({duty for _, duty in dimmed} | {1.0}):
            on = tuple([(name, 1.0, segments) for name, duty, segments in loads.drives
                        if duty > start])
            found.append((end - start, replace(loads, drives=on)))
            start = end
        return tuple(found)

    def feeds_on(self, loads: LoadSet) -> bool:
        """Whether the charger of a load set goes on at charge 1 and feeds the load alone."""
        charging = loads.charger in ("precharge", "fast")
        return charging and all(step.quantity != "charge" for step in self.steps(loads))

    def solve(self, loads: LoadSet, charge: ArrayLike) -> Solution:
        """Currents and voltages of a load set at n charges (0..1), all consumers together.

        The PWM periods are aligned at switch-on and solved phase by phase; the currents are means
        over the period, the voltage is that of the phase with everything on.
        """
        s = np.atleast_1d(np.asarray(charge, dtype=float))
        plan = self._plan(loads)
        source = self._source(s, loads)
        consumers = np.zeros((len(self.consumers), s.size))
        charger = np.zeros(s.size)
        voltage = supply = source.open_circuit_v
        short = np.zeros(s.size, dtype=bool)
        for number, phase in enumerate(plan.phases):
            volts, output, node = self._settled(plan, phase, source, loads)
            before = consumers.sum(axis=0) if plan.cell is not None else None
            self._collect(plan, phase, node, consumers)
            if before is not None:
                short |= output < 0.0
                output = output + (consumers.sum(axis=0) - before) / phase.weight
            charger += phase.weight * output
            if plan.cell is not None and "leakage" in self._rows:
                leaks_a = plan.cell.constant_a * fade(volts)
                consumers[self._rows["leakage"]] += phase.weight * leaks_a
            if number == 0:
                voltage, supply = volts, node
        if "self_discharge" in self._rows:
            consumers[self._rows["self_discharge"]] = source.lost_a
        return Solution(
            consumers_a=consumers,
            charger_a=charger,
            voltage_v=voltage,
            open_circuit_v=source.open_circuit_v,
            supply_v=supply,
            short=short,
        )

    def terminal_v(self, loads: LoadSet, charge: float) -> float:
        """The terminal voltage (V) that `solve` finds for a load set at one charge (0..1)."""
        s = np.array([charge])
        plan = self._plan(loads)
        volts, _, _ = self._settled(plan, plan.phases[0], self._source(s, loads), loads)
        return float(volts[0])

    def totals(self, loads: Sequence[LoadSet], charge: ArrayLike) -> Totals:
        """What `solve` finds for many load sets at n charges (0..1), all consumers together.

        The same to about 1 nV, at a small part of the time. What comes out for a load set does not
        hang on the others.
        """
        s = np.atleast_1d(np.asarray(charge, dtype=float))
        shape = (len(loads), s.size)
        consumed, charger, voltage = np.zeros(shape), np.zeros(shape), np.zeros(shape)
        alike: dict[tuple[object, ...], list[int]] = {}
        for number, one in enumerate(loads):
            if self.on_path(one):  # each has a feed of its own there
                solved = self.solve(one, s)
                consumed[number] = solved.consumers_a.sum(axis=0)
                charger[number], voltage[number] = solved.charger_a, solved.voltage_v
                continue
            alike.setdefault((one.charger, one.temperature_c), []).append(number)
        for numbers in alike.values():
            source = self._source(s, loads[numbers[0]])
            pairs = [(n, phase) for n in numbers for phase in self._plan(loads[n]).phases]
            rows = Rows([phase for _, phase in pairs], self._grid)
            volts, output = settle_rows(rows, source.inner_v, source.ohm, source.feed,
                                        source.float_v)
            amps, _ = rows.current(volts, np.arange(len(rows)))
            before = -1
            for row, (n, phase) in enumerate(pairs):
                consumed[n] += phase.weight * amps[row]
                charger[n] += phase.weight * output[row]
                if n != before:
                    voltage[n] = volts[row]  # the first phase has everything on
                    before = n
            if "self_discharge" in self._rows:
                consumed[numbers] += source.lost_a
        return Totals(consumed_a=consumed, charger_a=charger, voltage_v=voltage)

    def _source(self, charge: Array, loads: LoadSet) -> _Source:
        cell, charger, warmth = self._cell, self.charger, loads.temperature_c
        ocv = cell.open_circuit_v(charge)
        lost = cell.self_discharge_a(charge)
        ohm = cell.series_ohm(charge, warmth)
        return _Source(
            open_circuit_v=ocv,
            inner_v=ocv - ohm * lost,
            lost_a=lost,
            ohm=np.full(charge.shape, ohm),
            feed=None if charger is None or self.on_path(loads) else (
                self._feed(charger, loads.charger, warmth)),
            float_v=np.inf if charger is None else charger.float_at(warmth),
        )

    def _feed(self, charger: ChargerModel, mode: ChargerMode, warmth: float) -> Feed | None:
        """What the charger can put out, with what else its supply feeds."""
        if self._fed is None:
            return charger.feed(mode, warmth)
        if (mode, warmth) not in self._feeds:
            self._feeds[mode, warmth] = self._fed.beside(
                charger.feed(mode, warmth), mode, self._grid)
        return self._feeds[mode, warmth]

    def fed_a(self, mode: ChargerMode, charger_a: ArrayLike) -> Array:
        """What each light of `fed` takes from USB (A), shape (lights, n).

        `charger_a`: n outputs of the charger (A) in its mode, which is "off" without USB.
        """
        amps = np.atleast_1d(np.asarray(charger_a, dtype=float))
        if self._fed is None:
            return np.zeros((0, amps.size))
        return self._fed.current_a(mode, amps)

    def _settled(
        self, plan: _Plan, phase: Phase, source: _Source, loads: LoadSet
    ) -> tuple[Array, Array, Array]:
        """Terminal voltage (V), charger output (A) and voltage of the loads (V) of one phase."""
        charger, path = self.charger, self._path
        if plan.cell is None or charger is None or path is None:
            volts, output = self._settle(phase, source)
            return volts, output, volts
        mode, warmth = loads.charger, loads.temperature_c
        feed = Beside(path, mode, phase, charger.feed(mode, warmth), open_=loads.protected)
        volts, output = self._settle(plan.cell, replace(source, feed=feed))
        return volts, output, feed.node_v(volts, output)

    def _settle(self, phase: Phase, source: _Source) -> tuple[Array, Array]:
        """Node voltage (V) and charger output (A) of one phase."""
        inner, ohm, feed = source.inner_v, source.ohm, source.feed
        if feed is None:
            return settle(phase, inner, ohm), np.zeros_like(inner)
        volts = settle(phase, inner, ohm, feed)
        output, _ = feed.at(volts)
        # Where the cell gives, it is not the charger that holds the terminal up.
        above = (volts >= source.float_v) & (output >= 0.0)
        if above.any():
            # The charger gives way: just so much that the terminal stays at the float voltage.
            held = np.full(int(above.sum()), source.float_v)
            loaded, _ = phase.current(held)
            spare = held - inner[above]
            # Without resistance no current moves the terminal: at the float voltage only the load
            # is fed, above it nothing is given.
            stiff = np.where(spare == 0.0, 0.0, np.copysign(np.inf, spare))
            into_cell = np.divide(spare, ohm[above], out=stiff, where=ohm[above] > 0.0)
            needed = loaded + into_cell
            output[above] = np.clip(needed, 0.0, output[above])
            volts[above] = held
            beyond = above.copy()
            beyond[above] = needed < 0.0
            if beyond.any():
                volts[beyond] = settle(phase, inner[beyond], ohm[beyond])
        return volts, output

    def _collect(self, plan: _Plan, phase: Phase, volts: Array, into: Array) -> None:
        faded = fade(volts)
        place = self._grid.place(volts)
        for number, part in enumerate(plan.parts):
            if number not in phase.on:
                continue
            if part.branch is not None:
                amps = np.maximum(part.branch.total.at(place), 0.0)
            else:
                amps = part.conductance_s * volts + part.constant_a * faded
            into[part.row] += phase.weight * amps

    def _plan(self, loads: LoadSet) -> _Plan:
        plan = self._plans.get(loads)
        if plan is None:
            plan = self._make_plan(loads)
            self._plans[loads] = plan
            if len(self._plans) > _PLANS:
                self._plans.popitem(last=False)
        return plan

    def _make_plan(self, loads: LoadSet) -> _Plan:
        parts, cell = self._parts(loads), None
        if self.on_path(loads):
            leakage = self._gadget.cell.leakage
            cell = Phase(1.0, 0.0 if leakage is None else leakage.value, 0.0, None, frozenset())
        edges = sorted({part.duty for part in parts if part.duty < 1.0} | {1.0})
        phases = []
        start = 0.0
        for end in edges:
            on = frozenset(k for k, part in enumerate(parts) if part.duty > start)
            chosen = [parts[k] for k in sorted(on)]
            branches = [part.branch for part in chosen if part.branch is not None]
            free = [one for one in branches if one.total.limit_a == np.inf]
            phases.append(
                Phase(
                    weight=end - start,
                    constant_a=sum(part.constant_a for part in chosen),
                    conductance_s=sum(part.conductance_s for part in chosen),
                    curve=self._sum(free),
                    on=on,
                    limited=tuple(
                        one.total for one in branches if one.total.limit_a < np.inf
                    ),
                )
            )
            start = end
        return _Plan(tuple(parts), tuple(phases), cell)

    def _sum(self, branches: Sequence[Branch]) -> Current | None:
        """The currents of some branches together; load sets have few different ones."""
        key = tuple(id(branch) for branch in branches)
        if key not in self._sums:
            self._sums[key] = add([branch.total for branch in branches])
        return self._sums[key]

    def _parts(self, loads: LoadSet) -> list[_Part]:
        gadget = self._gadget
        parts = []
        if gadget.cell.leakage is not None and not self.on_path(loads):
            parts.append(_Part(self._rows["leakage"], 1.0, constant_a=gadget.cell.leakage.value))
        if loads.protected and not self.on_path(loads):
            return parts
        controller = gadget.controller
        if controller is not None and loads.controller != "off":
            figure = controller.awake if loads.controller == "awake" else controller.asleep
            if figure is not None:
                parts.append(_Part(self._rows["controller"], 1.0, constant_a=figure.value))
            regulator = controller.regulator
            if regulator is not None and regulator.quiescent is not None:
                own_a = regulator.quiescent.value
                parts.append(_Part(self._rows["regulator"], 1.0, constant_a=own_a))
        for name, toggle in gadget.toggles.items():
            if toggle.supply is not None and loads.controller != "off":
                row = self._rows[f"{name}.supply"]
                parts.append(_Part(row, 1.0, constant_a=toggle.supply.value))
        for drive in loads.drives:
            if drive not in self._drives:
                self._drives[drive] = self._driven(*drive)
            parts += self._drives[drive]
        return parts

    def _driven(self, name: str, duty: float, segments: int) -> tuple[_Part, ...]:
        """What a drive makes draw."""
        part = self._drive(name, min(duty, 1.0), segments)
        if part is None or part.duty <= 0.0:
            return ()
        driver_a = self._quiescent_a(name)
        return (part, _Part(part.row, 1.0, constant_a=driver_a)) if driver_a else (part,)

    def _quiescent_a(self, name: str) -> float:
        """What the driver of a light takes for itself (A) as long as the light is on."""
        light = self._on_cell.get(name)
        driver = None if light is None else light.driver
        return 0.0 if driver is None or driver.quiescent is None else driver.quiescent.value

    def _drive(self, name: str, duty: float, segments: int) -> _Part | None:
        """What a drive draws, None where the file gives no current for it."""
        gadget = self._gadget
        if name in self._on_cell:
            if segments == 0:
                return None
            return _Part(self._rows[name], duty, branch=self._light(name, segments))
        if name in gadget.loads:
            load = gadget.loads[name]
            if load.current is not None:
                return _Part(self._rows[name], duty, constant_a=load.current.value)
            if load.resistance is not None:
                return _Part(self._rows[name], duty, conductance_s=1.0 / load.resistance.value)
            return None
        sensor, _, end = name.rpartition(".")
        row = self._rows.get(self.consumer_of(name))
        if row is None:
            return None
        if end == "emitter":
            longer = duty + self._carried[sensor] if duty < 1.0 else duty
            return _Part(row, min(longer, 1.0), branch=self._emitter(sensor))
        if end == "supply":
            supply = gadget.measures[sensor].supply
        else:
            receiver = gadget.proximity[sensor].receiver
            supply = None if receiver is None else receiver.supply
        return None if supply is None else _Part(row, duty, constant_a=supply.value)

    def _light(self, name: str, segments: int) -> Branch:
        light = self._on_cell[name]
        lit = segments if light.segments else -1
        if (name, lit) not in self._branches:
            channel = light_channel(name, light, lit, self._gadget.file, self.regulator)
            self._branches[name, lit] = channel.branch(self._grid)
        return self._branches[name, lit]

    def _emitter(self, sensor: str) -> Branch:
        key = (f"{sensor}.emitter", -1)
        if key not in self._branches:
            self._branches[key] = self._emitters[sensor].branch(self._grid)
        return self._branches[key]

    def light_current_a(self, name: str, loads: LoadSet, charge: ArrayLike) -> Array:
        """Mean current (A) through the LEDs of a light in a load set, without base current."""
        return self.light_currents_a((name,), loads, charge)[0]

    def light_currents_a(
        self, names: Sequence[str], loads: LoadSet, charge: ArrayLike
    ) -> list[Array]:
        """The same of several lights, in their order."""
        s = np.atleast_1d(np.asarray(charge, dtype=float))
        plan = self._plan(loads)
        source = self._source(s, loads)
        amps = {self._rows[name]: np.zeros(s.size) for name in names}
        for phase in plan.phases:
            _, _, volts = self._settled(plan, phase, source, loads)
            for number in phase.on:
                part = plan.parts[number]
                if part.row in amps and part.branch is not None:
                    amps[part.row] += phase.weight * np.maximum(part.branch.leds(volts), 0.0)
        return [amps[self._rows[name]] for name in names]

    def led_current_a(self, name: str, voltage_v: ArrayLike) -> Array:
        """Current (A) through all LEDs of a light that is fully on, at terminal voltages (V)."""
        volts = np.atleast_1d(np.asarray(voltage_v, dtype=float))
        return np.maximum(self._light(name, -1).leds(volts), 0.0)

    def pin_current_a(self, drive: str, voltage_v: float) -> float:
        """What the controller's pin carries (A) for a light or `NAME.emitter`, fully on.

        A pin that is the switch carries the LEDs (of a segmented light: one LED each), one that
        drives an npn its base.
        """
        volts = np.array([voltage_v])
        sensor, _, end = drive.rpartition(".")
        if end == "emitter" and sensor in self._emitters:
            channel, branch = self._emitters[sensor], self._emitter(sensor)
        else:
            channel, branch = self._lights[drive], self._light(drive, -1)
        total, leds = float(branch.total(volts)[0]), float(branch.leds(volts)[0])
        if channel.own_switch:
            return leds / channel.count
        return total - leds if total > leds else leds

    def emitter_current_a(self, sensor: str, voltage_v: float) -> float:
        """Emitter current (A) while the carrier is on, the terminal at a voltage (V)."""
        if sensor not in self._emitters:
            return 0.0
        return float(self._emitter(sensor).leds(np.array([voltage_v]))[0])

    def answers(self, sensor: str, distance_m: float, voltage_v: float) -> bool:
        """Whether the receiver answers to a hand at a distance (m), the terminal at a voltage (V).

        Where the file gives no emitter intensity, receiver threshold or target, any hand answers.
        """
        echo = self._echoes[sensor]
        if echo is None or distance_m <= 0.0:
            return True
        strength = echo.irradiance(self.emitter_current_a(sensor, voltage_v), distance_m)
        return strength >= echo.threshold_w_per_m2

    def range_m(self, sensor: str, voltage_v: float) -> float | None:
        """The greatest distance (m) at which a hand is answered, None where it cannot be told."""
        echo = self._echoes[sensor]
        if echo is None:
            return None
        return echo.range_m(self.emitter_current_a(sensor, voltage_v))

    def measured_v(self, true_v: float) -> float:
        """What the controller takes its supply for, the terminal at a voltage (V)."""
        return self._converter.measured_v(self.regulator.supply_v(true_v))

    def readings_uv(self, near_v: float) -> tuple[int, ...]:
        """The readings around one (V) that converter codes stand for, in whole microvolts."""
        return self._converter.readings_uv(near_v)

    def step_v(self, measured_v: float) -> float:
        """How far two codes of the converter lie apart at a reading (V); 0 without known bits."""
        return self._converter.step_v(measured_v)

    def true_v_for(self, measured_v: float) -> float:
        """The lowest terminal voltage (V) at which the controller reads at least `measured_v`.

        Infinite where its regulator never lets it read so much.
        """
        return self.regulator.cell_v_for(self._converter.true_v_for(measured_v))
