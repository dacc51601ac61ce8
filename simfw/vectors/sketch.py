"""A quick stand-in for the simulator, for the search only: the cell's charge stands still.

The regions are the compiled table itself and the circuit is the real one, solved at one charge;
what is left out is the clock of the charge. Whatever the search finds is run by the simulator
afterwards, and only what happens there counts.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import cast

import numpy as np

from simfw.behaviour.binding import World
from simfw.behaviour.expression import reads_world
from simfw.behaviour.hold import HOLD, holding
from simfw.behaviour.outputs import drives_of
from simfw.behaviour.region import STATUS_LEVELS, Drive, System
from simfw.behaviour.table import Stepper
from simfw.circuit.circuit import ChargerMode, Circuit, LoadSet
from simfw.engine.supply import Latch, met_at_power_up
from simfw.stimuli.inputs import ROOM_C
from simfw.vectors.items import (
    CLOSE,
    READINGS,
    limits_of,
    may_be_cut,
    may_follow,
    scaled_levels,
)
from simfw.vectors.pace import NEVER, Pace, periods_of

__all__ = ["Act", "Saved", "Sketch"]

NEARBY = 0.01  # what is near a limit of the gauge (V, or a share of its capacity figure)


@dataclass(frozen=True, slots=True)
class Act:
    """One change: kind, name, value.

    Kinds: "contact" (0, 1), "usb" (0, 1), "hand" (distance in m, negative: gone), "measure" (what
    is measured, in its unit), and for a bench
    that has an adjustable supply and drives the status pin itself "measured" (what the gauge reads:
    V, or the share that a counter has left), "status" (0 released, 1 low, 2 high), "supply" (0
    taken away, 1 back) and, at power-up only, "held" (the contact was closed before). A replay adds
    "mode": the charger has gone over to mode `name`.
    """

    at_ns: int
    kind: str
    name: str
    value: float

    @property
    def text(self) -> str:
        """The change in words."""
        on = self.value > 0
        match self.kind:
            case "contact":
                return f"{self.name} {'closes' if on else 'opens'}"
            case "held":
                return f"{self.name} is {'closed' if on else 'open'} already"
            case "usb":
                return f"USB {'comes' if on else 'goes'}"
            case "hand" if on:
                return f"a hand at {self.value * 100:.3g} cm of {self.name}"
            case "hand":
                return f"the hand leaves {self.name}"
            case "measure":
                return f"{self.name} measures {self.value:g}"
            case "measured" if self.name == "gauge.counted":
                return f"the counter has {self.value * 100:.6g} % left"
            case "measured":
                return f"the gauge measures {self.value:.6g} V"
            case "status":
                return f"the status pin is {STATUS_LEVELS[int(self.value)]}"
            case "supply":
                return "the supply is back" if on else "the supply is taken away"
            case "mode":
                return f"the charger goes over to {self.name}"
        raise AssertionError(self.kind)


@dataclass(frozen=True, slots=True)
class Saved:
    """Everything that a sketch goes on from."""

    now: int
    states: tuple[int, ...]
    ages: tuple[int, ...]
    waiting: tuple[int, ...]
    due_in: tuple[int, ...]
    memory: tuple[int, ...]
    conditions: tuple[bool, ...]
    contacts: tuple[tuple[str, bool], ...]
    hands: tuple[tuple[str, float], ...]
    measured: tuple[tuple[str, float], ...]
    usb: bool
    mode: ChargerMode
    charge: float
    measured_ppm: int | None
    full: bool
    status: int | None
    powered: bool
    last: tuple[str, ...]
    hidden: tuple[int, ...] = ()
    latched: tuple[bool, bool, int | None, int] | None = None
    stood: tuple[tuple[int, int, int], ...] = ()
    anew: bool = False


@dataclass(slots=True)
class _Shown:
    """What one combination of states and gates switches on, and its voltage by charge."""

    drives: dict[str, Drive]
    loads: LoadSet
    volts: dict[float, float]


def settling(system: System, world: World) -> Stepper:
    """A stepper in a world that answers one question the same way throughout an instant."""
    return Stepper(system, world, settles=True)


class Sketch(Pace):
    """Regions and circuit at a standing charge. It is its own `World` and `View`.

    Unless it `notes`, it does not tell what has been `seen` of guards.
    """

    def __init__(self, system: System, circuit: Circuit, segments: Mapping[str, int],
                 make: Callable[[System, World], Stepper] = settling, *, notes: bool = True
                 ) -> None:  # fmt: skip
        self.system = system = holding(system)
        self.circuit = circuit
        self.segments = segments
        self.charge = 0.5
        self.charges: Sequence[float] = ()  # those that it will be started at, where known
        self.usb = False
        self.mode: ChargerMode = "off"
        self.measured_ppm: int | None = None  # what a bench sets instead of the circuit, x 10^6
        self.full = False  # whether a gauge that counts has seen the end of charging
        self.anew = False  # whether it has begun to count since the first power-up
        self.status: int | None = None  # likewise: 0 released, 1 low, 2 high
        self.powered = True  # whether a bench gives a supply
        self.released = False  # whether the firmware has let go of it
        self.latch = Latch(system.hold_up_ns, held=False)
        self.gone_through = self.instants = 0
        self.contacts: dict[str, bool] = {}
        self.hands: dict[str, float] = {}
        self.measured = self._rests()
        self.seen: set[str] = set()
        self.happened_now: list[str] = []
        self._gating = False
        self._shown: dict[tuple[object, ...], _Shown] = {}
        self._resting: dict[ChargerMode, _Shown] = {}
        self._levels_v: dict[float, float] = {}
        super().__init__(make(system, self), periods_of(system))
        if notes:
            self.stepper.watch(self._told)
        shows = [region.show for region in system.regions if region.show is not None]
        self._gates = [self.stepper.bind(show) for show in shows]
        # Where only states decide what shows, it is the same until one of them changes.
        self._steady = not any(reads_world(show) for show in shows)
        self._known: tuple[int, ChargerMode, _Shown] | None = None
        self._noted = -1
        self._limits = {row.key: limits for region in system.regions for row in region.rows
                        if (limits := limits_of(row))}  # fmt: skip
        self._region_of = {row.key: number for number, region in enumerate(system.every)
                           for row in region.rows}  # fmt: skip
        self._resuming = {row.key for region in system.regions for row in region.rows
                          if row.to == "resume"}  # fmt: skip
        self._driving = [
            (place, names, None if region.show is None else self.stepper.bind(region.show))
            for place, region in enumerate(system.regions)
            if (names := {number: f"drive {region.name}:{state.name}"
                          for number, state in enumerate(region.states)
                          if state.touches})
        ]  # fmt: skip
        self._letting = [
            (place, {number: f"goes {region.name}:{state.name}"
                     for number, state in enumerate(region.states) if state.unpowered})
            for place, region in enumerate(system.regions)]
        self._scaling = tuple(scaled_levels(system))
        keys = [row.key for region in system.regions for row in region.rows]
        self._rows = {key: f"row {key}" for key in keys}
        self._said = {(key, holds): f"{key} {'true' if holds else 'false'}"
                      for key in keys for holds in (False, True)}  # fmt: skip
        self._guards = {of: f"guard {text}" for of, text in self._said.items()}
        self.last = [""] * len(system.regions)
        self._just = {row.key: row.after_ns // CLOSE for region in system.regions
                      for row in region.rows if row.after_ns and may_follow(region, row)}
        self._timed = [
            [
                tuple(
                    (
                        row.after_ns,
                        row.after_ns - row.after_ns // CLOSE,
                        row.key,
                        may_be_cut(region, row),
                    )
                    for row in region.rows
                    if row.after_ns and state.name in row.sources
                )
                for state in region.states
            ]
            for region in system.every
        ]

    # -- the world of the regions ------------------------------------------------------------------

    def state(self, region: str) -> str:
        """The state of a region."""
        return self.stepper.state_name(region)

    def happened(self, event: str) -> bool:
        """Nothing here asks for events."""
        raise AssertionError(event)

    def toggles(
        self, sensors: Iterable[str], distance_of: Callable[[str], float | None]
    ) -> Iterator[tuple[str, str, float]]:
        """Every change of an input that is possible now: kind, name, value.

        `distance_of` a sensor is where a hand is seen by it (m), None where nowhere.
        """
        for name in self.system.contacts:
            yield "contact", name, float(not self.flag(f"{name}.closed"))
        for name in sensors:
            if name in self.hands:
                yield "hand", name, -1.0
            elif (distance_m := distance_of(name)) is not None:
                yield "hand", name, distance_m
        for name, levels in self.system.measures.items():
            for value in levels.between():
                if levels.reached(value) != levels.reached(self.measured[name]):
                    yield "measure", name, value
        if self.circuit.charger is not None:
            yield "usb", "usb", float(not self.usb)

    def flag(self, name: str) -> bool:
        """An input."""
        stem, _, tail = name.rpartition(".")
        if tail == "closed":
            return self.contacts.get(stem, self.system.contacts[stem])
        if tail == "echo":
            distance_m = self.hands.get(stem)
            return distance_m is not None and self.circuit.answers(stem, distance_m, self.volts())
        if (measure := name.partition(".")[0]) in self.system.measures:
            levels = self.system.measures[measure]
            return self.measured[measure] >= levels.all[int(tail) - 1]
        charger = self.circuit.charger
        if name == "usb":
            return self.usb
        if self.status is not None:
            return STATUS_LEVELS[self.status] == name.removeprefix("status.")
        if charger is None:
            return False
        return (charger.reads_low if name == "status.low" else charger.reads_high)(
            self.mode, self.usb
        )

    def quantity(self, name: str) -> float:
        """A level, or a number of the cell."""
        if name == "gauge":
            return float(self.stepper.bars() or 0)
        if name == "cell.charge":
            return self.charge
        if name == "cell.voltage":
            return self.volts()
        if name in READINGS and self.measured_ppm is not None:
            return self.measured_ppm / 1e6
        if name == "gauge.counted":
            return self.counted()
        if name == "gauge.measured":
            return self.circuit.measured_v(self.volts())
        if self._gating:
            return 0.0
        drive = self.shown().drives.get(name)
        if drive is None:
            return 0.0
        return drive.duty if drive.segments is None else drive.segments / self.segments[name]

    def below(self, quantity: str, level: float) -> bool:
        """Whether a number of the cell is below `level`."""
        if quantity == "gauge.measured" and self.measured_ppm is None:
            true_v = self._levels_v.get(level)
            if true_v is None:
                true_v = self._levels_v[level] = self.circuit.true_v_for(level)
            return self.volts() < true_v
        return self.quantity(quantity) < level

    def _rests(self) -> dict[str, float]:
        """What every measure measures before anything has changed it."""
        return {name: ROOM_C if one.source else one.rest
                for name, one in self.system.measures.items()}

    def counted(self) -> float:
        """The count of a gauge that has counted since full, by where the charge stands."""
        counter = self.circuit.counter
        assert counter is not None
        if self.full:
            return 1.0
        return counter.power_up if self.anew else counter.counted_at(self.charge)

    def shown(self) -> _Shown:
        """What the present states switch on."""
        stepper = self.stepper
        known = self._known
        if known is not None and known[0] == stepper.version and known[1] == self.mode:
            return known[2]
        self._gating = True
        key = (tuple(stepper.states), self.mode, *[gate() for gate in self._gates])
        found = self._shown.get(key)
        if found is None:
            names = {region.name: region.states[state].name
                     for region, state in zip(stepper.regions, stepper.states, strict=True)}
            drives = drives_of(self.system, names, self)
            awake = any(table[state] for table, state
                        in zip(stepper.awake, stepper.states, strict=True))  # fmt: skip
            loads = LoadSet(
                drives=tuple((name, drive.duty, -1 if drive.segments is None else drive.segments)
                             for name, drive in drives.items() if self.carries(name)),
                controller="awake" if awake else "asleep", charger=self.mode,
            )  # fmt: skip
            found = self._shown[key] = _Shown(drives, loads, {})
        self._gating = False
        if self._steady:
            self._known = (stepper.version, self.mode, found)
        return found

    def carries(self, name: str) -> bool:
        """Whether an output draws from the cell."""
        return name != HOLD

    def volts(self) -> float:
        """The terminal voltage."""
        if self._gating:
            shown = self._resting.get(self.mode)
            if shown is None:
                shown = self._resting[self.mode] = _Shown({}, LoadSet(charger=self.mode), {})
        else:
            shown = self.shown()
        found = shown.volts.get(self.charge)
        if found is None:
            # All charges that will be asked for come along: a solution hardly costs by its points.
            charges = [*self.charges, self.charge]
            solution = self.circuit.solve(shown.loads, np.array(charges))
            shown.volts.update(zip(charges, solution.voltage_v.tolist(), strict=True))
            found = shown.volts[self.charge]
        return found

    # -- time and inputs ---------------------------------------------------------------------------

    def _told(self, key: str, holds: bool) -> None:
        self.seen.add(self._guards[key, holds])
        if key in self._limits:
            reading = self.quantity(READINGS[self.circuit.counter is not None])
            # Near is within 10 mV, or the next code where another means the level itself.
            if any(abs(reading - level) <= max(NEARBY, 1.5 * self.circuit.step_v(level))
                   for level in self._limits[key]):  # fmt: skip
                self.seen.add(f"limit {self._said[key, holds]}")
                if self.now == 0 and self.measured_ppm is not None:
                    self.seen.add(f"first {self._said[key, holds]}")

    def start(self, charge: float, acts: Iterable[Act] = ()) -> None:
        """Power-up with nothing touched, or with what `acts` do by then."""
        self.stepper.forget()
        self.stepper.halt(0)
        self._gating = False
        self.now, self.charge, self.usb, self.mode = 0, charge, False, "off"
        self.contacts, self.hands, self.measured = {}, {}, self._rests()
        self.measured_ppm = self.status = None
        self.full, self.anew = False, False
        self.powered, self.released, self.goes_ns = True, False, NEVER
        self.seen, self._noted = set(), -1
        self.gone_through = 0  # instants since power-up
        self.last = [""] * len(self.last)
        acts = tuple(acts)
        raw = met_at_power_up(self._raw_of(acts), self.flag, self.stepper.event_ids)
        held = any(act.kind == "held" for act in acts)
        self.seen.add(f"power {'usb' if self.usb else 'held' if held else 'alone'}")
        self._instant(raw, power_up=True)

    def _instant(self, raw: list[str], *, power_up: bool = False) -> None:
        self.gone_through += 1
        self.instants += 1
        stepper = self.stepper
        states, entered = tuple(stepper.states), tuple(stepper.entered_ns)
        fired: list[str] = []
        stepper.fired = fired
        happened = self.run(raw, power_up=power_up)
        self.happened_now = [stepper.event_names[number] for number in happened]
        self.full |= "charge.completed" in self.happened_now
        if fired:
            self._note_fired(fired, entered)
        self._note_drives()
        if self.released:
            self.seen |= {names[stepper.states[place]] for place, names in self._letting
                          if stepper.states[place] in names}
        if power_up:
            return
        now, timed = self.now, self._timed
        for number, state in enumerate(states):
            for after, close, key, cut in timed[number][state]:
                stay = now - entered[number]
                if stay < close or stay > after:
                    continue
                if stay == after:
                    self.seen.add(f"late {key}")
                elif cut and (
                    stepper.states[number] != state or stepper.entered_ns[number] != entered[number]
                ):
                    self.seen.add(f"early {key}")

    def run(self, raw: list[str], *, power_up: bool) -> list[int]:
        """The public events of the instant; the supply is let go of behind it where that is due."""
        stepper = self.stepper
        if not stepper.may_let_go:
            return stepper.run_instant(self.now, raw, power_up=power_up)
        held, self.goes_ns = self.held, NEVER
        if power_up:
            self.latch.power_up(held)
        self.latch.look(self.now, held)
        stepper.settled(self.now)
        happened = stepper.run_instant(self.now, raw, power_up=power_up)
        if stepper.lets_go and not held:
            self.goes_ns = self.latch.goes_ns(self.now)
            if self.goes_ns == self.now:
                self.released, self.goes_ns = True, NEVER
                stepper.freeze()
        return happened

    @property
    def keeping(self) -> list[str]:
        """The contacts, and USB, that now keep a supply which the firmware may let go of."""
        return [name for name in self.system.powered_by
                if (self.usb if name == "usb" else self.flag(f"{name}.closed"))]

    @property
    def held(self) -> bool:
        """Whether anything keeps a supply that the firmware may let go of."""
        return bool(self.keeping)

    @property
    def alive(self) -> bool:
        """Whether the controller has its supply."""
        return self.powered and not self.released

    def _note_fired(self, fired: list[str], entered: tuple[int, ...]) -> None:
        stepper = self.stepper
        stood = set()
        for key in fired:
            if key not in self._rows:
                continue  # a step of a sequence
            self.seen.add(self._rows[key])
            number = self._region_of[key]
            before = self.last[number]
            if before:
                self.seen.add(f"pair {before} {key}")
            if number not in stood and 0 < self.now - entered[number] <= self._just.get(before, 0):
                self.seen.add(f"after {before}")
            stood.add(number)
            self.last[number] = key
            if key in self._resuming:
                state = stepper.state_names[number][stepper.states[number]]
                self.seen.add(f"resume {key} {state}")

    def _note_drives(self) -> None:
        if self._steady and self._noted == self.stepper.version:
            return
        self._noted = self.stepper.version
        states = self.stepper.states
        for number, names, gate in self._driving:
            name = names.get(states[number])
            if name is not None and (gate is None or gate()):
                self.seen.add(name)
        for (place, state), (other, driving), item in self._scaling:
            if states[place] == state and states[other] == driving:
                self.seen.add(item)

    def ends(self) -> Iterator[tuple[int, int, str]]:
        """The times that run now: when each ends, how long it is, and the row it belongs to."""
        stepper = self.stepper
        for number, when in enumerate(stepper.due()):
            for after, _, key, _ in self._timed[number][stepper.states[number]]:
                if stepper.entered_ns[number] + after == when:
                    yield when, after, key

    def act(self, acts: Iterable[Act]) -> None:
        """Change inputs now, in this order, together with the times that end now.

        Without a supply only the inputs change, and when it comes back all begins anew. A contact
        that brings back what the firmware has let go of was closed before, as it sees it.
        """
        acts = tuple(acts)
        alive = self.alive
        moved = self._raw_of(act for act in acts if act.kind != "supply")
        for act in acts:
            if act.kind == "supply":
                self.powered = bool(act.value)
        if alive:
            if self.powered:
                self._instant(moved)
            else:
                self.lose_supply()
        elif self.powered and (not self.released or self.held):
            if self.released:
                self.seen |= {f"back {name}" for name in self.keeping}
                moved = self.met_again()
            self.released = False
            self.full, self.anew, self.last = False, True, [""] * len(self.last)
            found = [name for name, level in (("usb", self.usb), ("status", self.status_level()))
                     if level and f"{name}.edge" in self.stepper.event_ids]
            moved = [event for event in moved if event not in ("usb.edge", "status.edge")]
            self._instant([*moved, *(f"{name}.edge" for name in found)], power_up=True)

    def met_again(self) -> list[str]:
        """The contacts that a firmware hears which gets back what it has let go of: none."""
        return []

    def lose_supply(self) -> None:
        """The supply is taken away now: what would end now does not."""
        self.goes_ns = NEVER
        self.stepper.halt(self.now)

    def _raw_of(self, acts: Iterable[Act]) -> list[str]:
        """Change inputs; the raw events that this makes and the regions hear."""
        raw = [event for act in acts for event in self._apply(act)]
        return [event for event in raw if event in self.stepper.event_ids]

    def _apply(self, act: Act) -> list[str]:
        kind, name, value = act.kind, act.name, act.value
        if kind in ("contact", "held"):
            moved = self.contacts.get(name, self.system.contacts[name]) != bool(value)
            self.contacts[name] = bool(value)
            return [f"{name}.edge"] if kind == "contact" and moved else []
        if kind == "measure":
            self.measured[name] = value
            return []
        if kind == "measured":
            self.measured_ppm = round(value * 1e6)
            return []
        if kind == "hand":
            self.hands.pop(name, None)
            if value >= 0:
                self.hands[name] = value
            return []
        before = self.status_level()
        raw = []
        if kind == "mode":
            self.mode = cast("ChargerMode", name)
        elif kind == "status":
            self.status = int(value)
        else:
            self.usb = bool(value)
            raw = ["usb.edge"]
            charger = self.circuit.charger
            if charger is not None:
                self.mode = self.begins() if value else "off"
        if self.status_level() != before:
            raw.append("status.edge")
        return raw

    def begins(self) -> ChargerMode:
        """The mode in which the charger begins now."""
        charger = self.circuit.charger
        assert charger is not None
        return charger.start_mode(self.volts(), self.charge)

    def status_level(self) -> int:
        """What the status pin reads now: its number in `STATUS_LEVELS`."""
        for level in ("low", "high"):
            if self.flag(f"status.{level}"):
                return STATUS_LEVELS.index(level)
        return 0

    def settle(self) -> None:
        """The instant now, with nothing but what is due."""
        if self.alive:
            self._instant([])

    # -- going back --------------------------------------------------------------------------------

    def remembered(self) -> tuple[int, ...]:
        """What decides how it goes on beside all that it knows itself."""
        return ()

    def save(self) -> Saved:
        """Everything, to go on from later."""
        stepper = self.stepper
        return Saved(
            self.now, tuple(stepper.states),
            tuple(self.now - entered for entered in stepper.entered_ns), stepper.waiting(),
            tuple(when - self.now if when < NEVER else NEVER for when in stepper.due()),
            tuple(stepper.memory), tuple(stepper.condition_values),
            tuple(self.contacts.items()), tuple(self.hands.items()),
            tuple(self.measured.items()), self.usb, self.mode,
            self.charge, self.measured_ppm, self.full, self.status, self.powered,
            tuple(self.last), self.remembered(), stood=stepper.stood(), anew=self.anew, latched=(
                None if not stepper.may_let_go else
                (self.released, self.latch.held, self.latch.open_ns, self.goes_ns)),
        )  # fmt: skip

    def load(self, saved: Saved) -> None:
        """Stand where `saved` was taken; nothing has been seen yet."""
        self.now, self.usb, self.mode, self.charge = saved.now, saved.usb, saved.mode, saved.charge
        self.contacts, self.hands = dict(saved.contacts), dict(saved.hands)
        self.measured = dict(saved.measured)
        self.measured_ppm = saved.measured_ppm
        self.full, self.anew = saved.full, saved.anew
        self.status, self.powered = saved.status, saved.powered
        self.last = list(saved.last)
        if saved.latched is not None:
            self.released, self.latch.held, self.latch.open_ns, self.goes_ns = saved.latched
            self.stepper.stand_again(saved.stood)
        self.stepper.place(saved.now, saved.states, range(len(saved.states)), saved.ages,
                           saved.waiting, saved.due_in, saved.memory, saved.conditions)  # fmt: skip
        self.seen, self._noted = set(), -1


