"""The plant: circuit, cell, charger and inputs, as the regions see them.

It answers what expressions ask about the world, and it turns a combination of region states into a
`Phase`: the load set of that combination with its charge clock and its thresholds.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from simfw.behaviour.expression import Expression, reads_world, turning_levels
from simfw.behaviour.region import Drive
from simfw.behaviour.table import Stepper
from simfw.circuit.charger import StatusLevel
from simfw.circuit.circuit import ChargerMode, LoadSet
from simfw.engine.clock import Clock, Tally, below
from simfw.engine.clocks import clock_of
from simfw.engine.count import Count
from simfw.engine.learned import Question
from simfw.engine.phase import Phase
from simfw.engine.prepared import Prepared
from simfw.engine.supply import Supply, calm
from simfw.stimuli.inputs import INPUTS

if TYPE_CHECKING:
    from simfw.engine.gliding import Plain
    from simfw.engine.learned import Comb
    from simfw.engine.monitor import Monitor, Probe

__all__ = ["CONTACTS", "EMPTY", "CellNow", "Plant", "levels_read"]

# The charge that counts as none: the clock comes to rest at 0, and only what is left below a mark
# is seen to have crossed it.
EMPTY = 1e-15
CONTACTS = tuple(kind for kind, one in INPUTS.items() if one.contact)
"""The kinds of inputs that are contacts: closed or open, with an edge at each change."""
_FEEDS_A = 1e-12  # the least that a charger gives a cell
_SOME = 2.0 * EMPTY  # the least charge at which the protection closes again


# Region states, flags, hands, supply, charge moved, phases.
Standing = tuple[
    tuple[int, ...], dict[str, bool], dict[str, float], Supply, float,
    dict[tuple[object, ...], Phase],
]

# Context, flags, place, whether nothing but the cell makes a change due, and phases.
_Outside = tuple[
    tuple[object, ...], dict[str, bool], tuple[object, ...], bool,
    dict[tuple[object, ...], Phase],
]


class Plant:
    """Cell, charger, inputs and outputs of one gadget during a simulation."""

    def __init__(self, prepared: Prepared, watched: Sequence[Expression] = ()) -> None:
        gadget, circuit, system = prepared.gadget, prepared.circuit, prepared.system
        self.circuit = circuit
        self.capacity_c = circuit.capacity_c
        self._path = gadget.power_path
        self._contacts = {
            name: bool(INPUTS[kind].rest(gadget, name))
            for kind in CONTACTS for name in INPUTS[kind].members(gadget)
        }
        self._measures = system.measures
        self._powering = system.powered_by
        self._in_supply = tuple(n for n, toggle in gadget.toggles.items() if toggle.in_supply)
        self._clocks = prepared.clocks
        self._turning: dict[tuple[str, float], float] = {}
        self._supplies: dict[LoadSet, Clock] = {}
        self.monitors: list[Monitor] | None = None  # kept for the next simulation on this plant
        self.probes: dict[str, Probe] = {}  # likewise: those of its expectations, by their texts
        # Whether the next one finds all phases again: what was counted in them is then over.
        self.keeps_phases = False
        self.plains: dict[int, dict[Comb, Plain]] = {}
        self._phases: dict[tuple[object, ...], dict[tuple[object, ...], Phase]] = {}
        # By the supply, and for the one that stands: by everything else outside.
        self._seen: dict[Supply, dict[tuple[object, ...], _Outside]] = {}
        self.outputs = (*gadget.lights, *gadget.loads)
        self._segments = gadget.segments
        self.stepper = Stepper(system, self)
        shows = [(n, r.show) for n, r in enumerate(system.regions) if r.show is not None]
        self._gates = [(n, self.stepper.bind(show)) for n, show in shows]
        self.varies = any(reads_world(show) for _, show in shows)
        self._ticking = prepared.ticking
        self._all_shown = [True] * len(system.every)
        # The regions that have a say in what is switched on.
        self._telling = [n for n, region in enumerate(system.every)
                         if any(state.awake or state.touches for state in region.states)]
        # Guards are read at events only; these are read whenever a crossing makes them turn over.
        always = [*(c.when for c in system.conditions), *(show for _, show in shows), *watched]
        self.voltage_marks = sorted(
            levels_read(always, "cell.voltage")
            | {circuit.true_v_for(level) for level in levels_read(always, "gauge.measured")}
        )
        self.charge_marks = sorted(levels_read(always, "cell.charge"))
        watching = (tuple(self.voltage_marks), tuple(self.charge_marks))
        self._settings = prepared.settings.setdefault(watching, {})
        cell = gadget.cell
        self.cut_off_v = cell.cut_off.value if cell.cut_off else None
        self.restarts = cell.restart is not None
        # Without a restart of its own the protection closes above its cut-off, if it has one.
        level = cell.restart or cell.cut_off
        self._restart_at = _SOME
        if level is not None:
            resting = self.clock(LoadSet(controller="off", protected=True))
            self._restart_at = max(_SOME, self._open_circuit_charge(resting, level.value))
        self.begin()

    def begin(self) -> None:
        """Stand as at the beginning of a simulation: nothing touched, nothing counted."""
        self.base = 1.0  # charge = base + moved: `moved` keeps its digits over a year of pulses
        self.moved = 0.0
        self.supply = Supply(usb=False, mode="off", protected=False, temperature_c=25.0,
                             path=self._path)
        self.contacts: dict[str, bool] = dict(self._contacts)
        self.hands: dict[str, float] = {}
        self.measures = {name: one.rest for name, one in self._measures.items()
                         if one.source is None}
        if self.keeps_phases:
            for here in self._phases.values():
                for phase in here.values():
                    phase.tally, phase.lump_c = Tally(), 0.0
        else:
            self._phases, self._seen, self.plains = {}, {}, {}
        self._seen_here: tuple[Supply, dict[tuple[object, ...], _Outside]] | None = None
        # The charges at which what was read in this instant would have been read otherwise.
        self.turns: set[float] = set()
        # What is asked of the cell, with the answers, where somebody notes it; `untold` where the
        # count of a gauge was asked for.
        self.asked: dict[Question, bool] | None = None
        self.untold = False
        counter = self.circuit.counter
        self.count = None if counter is None else Count(counter, self.capacity_c)
        self._hiding = False
        self.refresh()

    def stand_outside_as(self, other: Plant) -> None:
        """Contacts, hands, what is measured and the temperature stand as in another plant of the
        gadget.
        """
        self.contacts.update(other.contacts)
        self.hands = dict(other.hands)
        self.measures.update(other.measures)
        self.supply = replace(self.supply, temperature_c=other.temperature_c)
        self.refresh()

    # -- inputs ----------------------------------------------------------------------------------

    @property
    def usb(self) -> bool:
        """Whether USB power is in."""
        return self.supply.usb

    @property
    def temperature_c(self) -> float:
        """The temperature (degC)."""
        return self.supply.temperature_c

    @property
    def charger_mode(self) -> ChargerMode:
        """What the charger does."""
        return self.supply.mode

    @property
    def status(self) -> StatusLevel | None:
        """The level of the charger's status pin, None without a charger."""
        charger = self.circuit.charger
        return None if charger is None else charger.status(self.charger_mode, self.usb)

    @property
    def protected(self) -> bool:
        """Whether the protection is open."""
        return self.supply.protected

    @property
    def held(self) -> bool:
        """Whether a contact, or USB, keeps the supply that the firmware may let go of."""
        return any(self.usb if name == "usb" else self.contacts[name] for name in self._powering)

    @property
    def dead(self) -> bool:
        """Whether the controller has no supply."""
        return self.supply.dead

    def touch(self, name: str, closed: bool) -> list[str]:
        """A contact closes or opens; the raw events of that."""
        if self.contacts[name] == closed:
            return []
        self.contacts[name] = closed
        if name not in self._in_supply:
            return [f"{name}.edge"]
        opened = not all(self.contacts[one] for one in self._in_supply)
        self.supply = replace(self.supply, opened=opened)
        return []

    @property
    def charge(self) -> float:
        """The cell's state of charge, 0..1."""
        return self.base + self.moved

    def advance(
        self, clock: Clock, time_s: float, tally: Tally, low: float = -math.inf,
        high: float = math.inf,
    ) -> float | None:
        """Let time go by on `clock`, counted in `tally`, and return the change of charge.

        None, and nothing done, when the new charge would not lie in low <= s < high. The change is
        left to the caller to add, the count of the gauge is not.
        """
        if self.count is None:
            return clock.advance(self.charge, time_s, tally, low, high)
        own = Tally()
        change = clock.advance(self.charge, time_s, own, low, high)
        if change is not None:
            self.count.move(clock, change, own)
            tally.join(own)
        return change

    def draw(self, charge_c: float) -> None:
        """Take a lump of charge (C) out of the cell, or what is left in it."""
        self.moved -= charge_c / self.capacity_c
        if self.charge < 0.0:
            self.moved = -self.base
            self.settle_at(0.0, falling=True)
        if self.count is not None:
            self.count.take(charge_c)

    def settle_at(self, mark: float, *, falling: bool) -> None:
        """Stand on the far side of `mark`, which has just been crossed."""
        if falling and self.charge >= mark:
            self.moved = mark - self.base
            while self.charge >= mark:
                self.moved = math.nextafter(self.moved, -math.inf) - 1e-17
        elif not falling and self.charge < mark:
            self.moved = mark - self.base
            while self.charge < mark:
                self.moved = math.nextafter(self.moved, math.inf) + 1e-17

    def refresh(self) -> None:
        """Take note of changed inputs: flags and the table of phases that belongs to them.

        `context` is then everything outside the regions that decides how they go on, and `place`
        what of it the rows see, but for the charge.
        """
        here = self._seen_here
        if here is None or here[0] is not self.supply:
            here = self._seen_here = (self.supply, self._seen.setdefault(self.supply, {}))
        inputs = (
            tuple(self.contacts.values()),
            tuple(sorted(self.hands.items())) if self.hands else (),
            tuple(self.measures.values()),
        )
        known = here[1].get(inputs)
        if known is None:
            known = here[1][inputs] = self._outside((*inputs, self.supply))
        self.context, self._flags, self.place, self.calm, self.here = known

    def _outside(self, context: tuple[object, ...]) -> _Outside:
        charger = self.circuit.charger
        flags = {"usb": self.usb}
        for name, closed in self.contacts.items():
            flags[f"{name}.closed"] = closed
        for name, levels in self._measures.items():
            value = self.measures.get(name, self.temperature_c)
            for number, reached in enumerate(levels.reached(value), start=1):
                flags[f"{name}.reached.{number}"] = reached
        if charger is not None:
            flags["status.low"] = charger.reads_low(self.charger_mode, self.usb)
            flags["status.high"] = charger.reads_high(self.charger_mode, self.usb)
        place = (tuple(flags.values()), context[1], self.supply)
        key = (self.charger_mode, self.protected, self.supply.dead, self.temperature_c, self.usb)
        return (context, flags, place, calm(charger, self.supply),
                self._phases.setdefault(key, {}))

    # -- looking back ----------------------------------------------------------------------------

    def standing(self) -> Standing:
        """Where regions, inputs and cell stand now, to be read later with `read_at`."""
        return (
            tuple(self.stepper.states), self._flags, dict(self.hands), self.supply, self.moved,
            self.here,
        )

    def read_at(self, standing: Standing, test: Callable[[], bool]) -> bool:
        """What `test` says where everything stands as it stood then."""
        now = self.standing()
        self._put(standing)
        try:
            return test()
        finally:
            self._put(now)

    def _put(self, standing: Standing) -> None:
        (
            self.stepper.states[:], self._flags, self.hands, self.supply, self.moved, self.here,
        ) = standing

    # -- what expressions ask --------------------------------------------------------------------

    def flag(self, name: str) -> bool:
        """The two-valued input `name` now."""
        value = self._flags.get(name)
        if value is not None:
            return value
        sensor, _, what = name.rpartition(".")
        if what == "echo":
            distance_m = self.hands.get(sensor)
            if distance_m is None:
                return False
            return self._ask(("echo", self.phase().loads, sensor, distance_m))
        return False

    def quantity(self, name: str) -> float:
        """The level 0..1 of the light or load `name` now; of the cell only `below` is asked."""
        return self.phase().levels[self.outputs.index(name)]

    def below(self, quantity: str, level: float) -> bool:
        """Whether a quantity of `CONTINUOUS` is below `level` now."""
        if quantity == "gauge.counted":
            assert self.count is not None
            self.untold = self.asked is not None
            return self.count.below(level)
        loads = None if quantity == "cell.charge" else self.phase().loads
        return self._ask((quantity, loads, "", level))

    def _ask(self, question: Question) -> bool:
        answer, turns = self.answer(question, self.charge)
        self.turns.update(turns)
        if self.asked is not None:
            self.asked[question] = answer
        return answer

    def answer(self, question: Question, charge: float) -> tuple[bool, Sequence[float]]:
        """What is answered at a charge, and at which charges the answer turns over."""
        quantity, loads, sensor, level = question
        if loads is None:
            return charge < level, (level,)
        clock = self.clock(loads)
        if quantity == "echo":
            at_v = self._turning_v(sensor, level)
            if self.circuit.on_path(loads):
                turns = self._supplied(loads, clock).charges_at_voltage(at_v)
                return not below(turns, charge), turns
            turns = clock.charges_at_voltage(at_v)
            return self.circuit.answers(sensor, level, clock.voltage(charge)), turns
        if quantity == "gauge.measured":
            level = self.circuit.true_v_for(level)
        return clock.is_below(level, charge), clock.charges_at_voltage(level)

    def _turning_v(self, sensor: str, distance_m: float) -> float:
        """The cell voltage from which on a sensor answers to a hand at a distance."""
        key = (sensor, distance_m)
        found = self._turning.get(key)
        if found is None:
            low, high = 0.0, self.circuit.top_v
            while high - low > 1e-9:
                middle = 0.5 * (low + high)
                if self.circuit.answers(sensor, distance_m, middle):
                    high = middle
                else:
                    low = middle
            found = self._turning[key] = high
        return found

    def _supplied(self, loads: LoadSet, clock: Clock) -> Clock:
        """The clock of a load set with what feeds its loads in place of the terminal's voltage."""
        found = self._supplies.get(loads)
        if found is None:
            volts = self.circuit.solve(loads, clock.nodes).supply_v
            found = self._supplies[loads] = Clock(
                clock.nodes, clock.consumers_a, clock.charger_a, volts, clock.capacity_c)
        return found

    # -- phases ----------------------------------------------------------------------------------

    def clock(self, loads: LoadSet) -> Clock:
        """The charge clock of a load set, tabulated once."""
        return clock_of(self.circuit, loads, self._clocks)

    def phase(self) -> Phase:
        """The phase of the present region states and inputs."""
        states = tuple(self.stepper.states)
        key: tuple[object, ...] = states
        if self.varies:
            if self._hiding:
                return self._hidden(states)
            self._hiding = True
            shown = [test() for _, test in self._gates]
            self._hiding = False
            key = (states, *shown)
        found = self.here.get(key)
        if found is None:
            if not self.varies:
                shown = [test() for _, test in self._gates]
            found = self.here[key] = self._phase(states, shown)
        return found

    def met(self) -> set[tuple[str, str]]:
        """Region and state of all that were stood in since `begin`."""
        names = self.stepper.region_names
        return {
            one for here in self._phases.values() for phase in here.values()
            for one in zip(names, phase.names, strict=False)
        }

    def _hidden(self, states: tuple[int, ...]) -> Phase:
        """The phase without any gated output: what a gate itself reads levels and voltage from."""
        key = (states, "hidden")
        found = self.here.get(key)
        if found is None:
            found = self.here[key] = self._phase(states, [False] * len(self._gates))
        return found

    def _phase(self, states: tuple[int, ...], shown: Sequence[bool]) -> Phase:
        # What the other regions do is the same with whatever is switched on.
        key = (tuple([states[n] for n in self._telling]), *shown, self.charger_mode,
               self.protected, self.supply.dead, self.temperature_c)
        known = self._settings.get(key)
        if known is None:
            known = self._settings[key] = self._make(states, shown)
        stepper = self.stepper
        return known.anew(states, stepper.names(states), stepper.bars(states), tuple([
            r for r, (n, ticking) in enumerate(zip(states, self._ticking, strict=True))
            if n in ticking
        ]))

    def _make(self, states: tuple[int, ...], shown: Sequence[bool]) -> Phase:
        stepper = self.stepper
        gates = list(self._all_shown)
        for (number, _), open_ in zip(self._gates, shown, strict=True):
            gates[number] = open_
        drives = {} if self.dead else stepper.drives(gates)
        awake = any(table[state] for table, state in zip(stepper.awake, states, strict=True))
        controller = "off" if self.dead else "awake" if awake else "asleep"
        loads = LoadSet(
            drives=tuple(
                sorted(
                    (name, drive.duty, -1 if drive.segments is None else drive.segments)
                    for name, drive in drives.items()
                    if (drive.duty if drive.segments is None else drive.segments) > 0
                )
            ),
            controller=controller,  # type: ignore[arg-type]
            charger=self.charger_mode,
            protected=self.protected,
            temperature_c=self.temperature_c,
        )
        clock = self.clock(loads)
        opens_at: tuple[float, ...] = (-math.inf,)
        marks = {0.0, 1.0}
        if not self.protected:
            opens_at = (EMPTY,)
            if self.cut_off_v is not None:
                at = clock.charges_at_voltage(self.cut_off_v)
                marks.update(at)
                opens_at = _opening(at)
            marks.add(opens_at[0] if opens_at else EMPTY)
        steps: list[tuple[bool, tuple[float, ...], ChargerMode]] = []
        for step in self.circuit.steps(loads):
            at = clock.charges_at(step.quantity, step.level)
            steps.append((not step.rising, at, step.to))
            marks.update(at)
        for level in self.voltage_marks:
            marks.update(clock.charges_at_voltage(level))
        if self.varies and any(shown):
            hidden = self._hidden(states).clock
            for level in self.voltage_marks:
                marks.update(hidden.charges_at_voltage(level))
        marks.update(self.charge_marks)
        restart_at = self._restart_at if self.protected else math.inf
        marks.add(restart_at)
        fed_at: tuple[float, ...] = (-math.inf,)
        if self.protected and not self.restarts and not self.supply.path:
            # A charger whose float voltage the cell stands above is on and feeds nothing.
            fed_at = clock.charges_at("output_a", _FEEDS_A)
            marks.update(fed_at)
        return Phase(
            states=states,
            names=(),
            loads=loads,
            clock=clock,
            levels=tuple(self._level(drives.get(name), name) for name in self.outputs),
            bars=None,
            marks=sorted(mark for mark in marks if math.isfinite(mark)),
            opens_at=opens_at,
            steps=tuple(steps),
            restart_at=restart_at,
            fed_at=fed_at,
            ticking=(),
        )

    def _level(self, drive: Drive | None, name: str) -> float:
        if drive is None:
            return 0.0
        if drive.segments is not None:
            return drive.segments / self._segments.get(name, 1)
        return drive.duty

    def _open_circuit_charge(self, resting: Clock, voltage_v: float) -> float:
        """The charge from which on the open-circuit voltage is at least `voltage_v`."""
        nodes = resting.nodes
        curve = self.circuit.open_circuit_v(nodes)
        if curve[-1] < voltage_v:
            return math.inf
        k = int((curve >= voltage_v).argmax())
        if k == 0:
            return 0.0
        share = (voltage_v - curve[k - 1]) / (curve[k] - curve[k - 1])
        return float(nodes[k - 1] + share * (nodes[k] - nodes[k - 1]))


class CellNow:
    """What the charge clock of a phase says of the cell now: see `supply.Cell`."""

    def __init__(self, plant: Plant, phase: Phase) -> None:
        self.plant = plant
        self.phase = phase

    def opens(self) -> bool:
        """Whether the protection has to open."""
        return self.phase.opens(self.plant.charge)

    def closes(self) -> bool:
        """Whether the open protection may close."""
        charge = self.plant.charge
        return charge >= self.phase.restart_at and not below(self.phase.fed_at, charge)

    def full(self) -> bool:
        """Whether the cell is full."""
        return self.plant.charge >= 1.0

    def low(self) -> bool:
        """Whether charging begins with precharge."""
        plant = self.plant
        charger = plant.circuit.charger
        if charger is None or charger.below_v is None:
            return False
        volts = float(plant.circuit.open_circuit_v(plant.charge))
        if not plant.protected:
            volts = self.phase.clock.voltage(plant.charge)
        return volts < charger.below_v

    def step(self) -> ChargerMode | None:
        """The mode to which the charger goes over now."""
        return self.phase.step(self.plant.charge)


def _opening(at: tuple[float, ...]) -> tuple[float, ...]:
    """Where the protection opens, of a voltage that passes its cut-off at the charges `at`.

    It opens at the cut-off itself, whichever way the voltage falls to it.
    """
    if not at:
        return ()
    falling = [math.nextafter(turn, -math.inf) for turn in at[1::2]]
    rising = at[2::2]
    return tuple(sorted((max(EMPTY, at[0]), *falling, *rising)))


def levels_read(expressions: Sequence[Expression], quantity: str) -> set[float]:
    """The levels of `quantity` at which any of the expressions turns over."""
    return {level for one in expressions for level in turning_levels(one, quantity)}
