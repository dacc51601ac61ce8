"""One run, instant by instant, every look, blink and sample for itself.

The order inside an instant is that of the page on one instant: stimuli (ends before beginnings),
electrical crossings, ended dwells, all into one queue; emitted events and zero dwells at its back;
then the watched conditions and the circuit, until nothing changes any more.
"""

from __future__ import annotations

import ast
import math
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from tests.reference_sim import electric
from tests.reference_sim.dials import values
from tests.reference_sim.expressions import name_of, parse, value
from tests.reference_sim.outside import at_rest
from tests.reference_sim.passing import Passing
from tests.reference_sim.reading import ns, point, si
from tests.reference_sim.regions import (
    INTERNAL,
    Region,
    Row,
    in_family,
    pulled_up,
    regions_of,
)
from tests.reference_sim.rules import Judge
from tests.reference_sim.sequences import level_at, next_edge

MOST_EVENTS = 10_000
MOST_CUTS = 1000
SOON_NS = 1_000_000
CLOSE = 2e-6  # a reading that nears a limit by this share may fall on either side of it


class EndlessInstant(Exception):
    """An instant that does not come to rest."""


@dataclass
class State:
    """Where a region is."""

    region: Region
    name: str
    entered_ns: int = 0
    stay: int = 0  # counts entries
    spent: set[int] = field(default_factory=set)
    memory: str | None = None
    changed_ns: int = -1  # the time of the last change,
    before: tuple[str, str | None] = ("", None)  # and how it stood before that time
    worth: str = ""  # the last settled state that is no unpowered one
    played_ns: int = 0  # up to when the edges of its sequences have been taken


@dataclass
class Result:
    """What a run gives."""

    events: list[tuple[int, str]] = field(default_factory=list)
    stretches: list[tuple[int, int, tuple[str, ...], dict[str, float], int, bool]] = field(
        default_factory=list
    )
    consumers: dict[str, float] = field(default_factory=dict)
    state_ns: dict[tuple[str, str], int] = field(default_factory=dict)
    state_c: dict[tuple[str, str], float] = field(default_factory=dict)
    rules: list[tuple[str, bool, int | None]] = field(default_factory=list)
    expectations: list[tuple[int, str, bool]] = field(default_factory=list)
    charger_c: float = 0.0
    fed_c: dict[str, float] = field(default_factory=dict)  # of lights on USB, beside the cell
    end_charge: float = 0.0
    end_volt: float = 0.0
    empty_ns: int | None = None
    close: list[str] = field(default_factory=list)  # readings too near a limit to be told
    crossed_ns: int | None = None  # the first crossing: later times hang on charge
    wakes: int = 0
    full: bool = False  # a charger went on at charge 1
    known: set[str] = field(default_factory=set)  # passed on the way: what `simfw` does otherwise


@dataclass(frozen=True)
class Seen:
    """What expressions read, frozen: states, inputs, levels, cell."""

    states: dict[str, str]
    inputs: dict[str, Any]
    levels: dict[str, float]
    status: str
    volt: float
    charge: float
    measured: float


class Simulator(Passing):
    """One gadget and one scenario."""

    def __init__(
        self, gadget: dict[str, Any], scenario: dict[str, Any], curve: list[tuple[float, float]]
    ) -> None:
        """Plain dictionaries of the two files, and the cell's curve."""
        self.gadget, self.scenario = gadget, scenario
        self.electrics = electric.Electrics(gadget, curve)
        self.regions = [State(region, region.starts) for region in regions_of(gadget)]
        self.by_name = {state.region.name: state for state in self.regions}
        self.lights = {name: spec for name, spec in gadget.get("lights", {}).items()
                       if "fed_by" not in spec}
        self.outputs = [*self.lights, *gadget.get("loads", {})]
        self.sensors = gadget.get("proximity", {})
        self.toggles = gadget.get("toggles", {})
        self.measures = gadget.get("measures", {})
        self.dials = gadget.get("dials", {})
        self.sequences = gadget.get("sequences", {})
        self.in_supply = [name for name, spec in self.toggles.items() if spec.get("in_supply")]
        self.gauge = gadget.get("gauge", {})
        self.show = parse(self.gauge["show"]) if "show" in self.gauge else None
        self.conditions: list[tuple[str, ast.expr | None]] = [
            (f"{name}.enable {name}.disable", parse(spec["enabled"]) if "enabled" in spec else None)
            for name, spec in (*self.sensors.items(), *self.measures.items())
        ]
        if "sample" in gadget.get("gauge", {}):
            wanted = parse(gadget["gauge"]["sample"])
            self.conditions.append(("gauge.sample.on gauge.sample.off", wanted))
        if "gauge.blink" in self.by_name:
            has_charge = "charger" in gadget
            wanted = parse("charge.charging") if has_charge else parse("False")
            self.conditions.append(("gauge.blink.on gauge.blink.off", wanted))
        self.held = [False] * len(self.conditions)
        buttons = gadget.get("buttons", {})
        self.inputs: dict[str, Any] = {f"{name}.closed": False for name in buttons}
        self.inputs |= {
            f"{name}.closed": name in self.in_supply or spec.get("starts") == "on"
            for name, spec in self.toggles.items()
        }
        self.inputs |= {f"{name}.hand": None for name in self.sensors}
        self.inputs |= {f"{name}.value": at_rest(spec) for name, spec in self.measures.items()}
        self.inputs |= {"usb": False, "celsius": 25.0, "fault": False}
        self.s = si(scenario["charge"])
        self.now = 0
        counter = self.gauge.get("method") == "counting"
        self.counter_c = si(self.gauge["capacity"]) if counter else 0.0
        # A gauge that counts charge has counted from a full cell down to where the scenario begins.
        used = (1.0 - self.s) * self.electrics.capacity_c
        self.counted = max(0.0, 1.0 - used / self.counter_c) if counter else 0.0
        self.alive = True
        latch = gadget.get("controller", {})
        self.powering = list(latch.get("powered_by", []))
        self.hold_up = ns(latch.get("hold_up", "0 s"))
        self.released = False
        self.was_held = False
        self.open_ns: int | None = None  # since when nothing powers it; None: never since power-up
        self.release_at: int | None = None
        self.protected = False
        self.cut = False
        self.mode = "off"
        self.pulled = pulled_up(gadget)
        self.pin = "high" if self.pulled else "open"
        self.queue: deque[tuple[Any, ...]] = deque()
        self.result = Result()
        self.happened: list[str] = []
        self.handled = 0  # events of this instant, since the latest power-up
        self.woke = False
        self.lasts = ns(scenario["lasts"])
        self.judge = Judge(gadget.get("rules", []))
        self.watched_limits = _limits(self.judge.expressions())
        self.condition_limits = _limits([w for _, w in self.conditions if w is not None])
        self.consumed: dict[str, float] = {}
        self.chatter = 0  # how often the protection has opened right after it had closed
        self.closed_ns = -SOON_NS
        self.over_corner = 0.0  # length of the step that leads over a corner
        self.lump_c = 0.0  # what waking cost in the instant just settled

    # ---- what expressions read ----

    def drives(self) -> electric.Drives:
        """The load set of this moment."""
        on: list[tuple[str, float, int]] = []
        for name, level in self.levels().items():
            if level > 0.0:
                spec = self.lights.get(name, {})
                if spec.get("segments"):
                    lit = round(level * spec.get("leds", 1))
                    on.append((name, 1.0, lit))
                else:
                    on.append((name, level, 0))
        for name, spec in self.sensors.items():
            look = self.by_name[f"{name}.look"].name
            before = f"{name}." if len(self.sensors) > 1 else ""
            if look != "asleep" and f"{before}receiver" in self.electrics.laws:
                on.append((f"{before}receiver", 1.0, 0))
            if look == "emitting" and f"{before}emitter" in self.electrics.laws:
                on.append((f"{before}emitter", si(spec["duty"]), 0))
        laws = self.electrics.laws
        on += [(f"{name}.supply", 1.0, 0) for name in self.toggles if f"{name}.supply" in laws]
        on += [(f"{name}.supply", 1.0, 0) for name in self.measures if f"{name}.supply" in laws
               and self.by_name[f"{name}.look"].name == "settling"]
        return electric.Drives(
            tuple(on), self.is_awake(), self.alive, self.mode, self.inputs["celsius"],
            self.protected and self.electrics.path,
        )

    def is_awake(self) -> bool:
        """Whether any state keeps the controller awake."""
        return self.alive and any(r.name in r.region.awake for r in self.regions)

    def bars(self) -> int:
        """Bars of the gauge, shown or not."""
        state = self.by_name["gauge"].name if "gauge" in self.by_name else "unread"
        return int(state.split(".")[1]) if "." in state else 0

    def levels(self) -> dict[str, float]:
        """Level 0..1 of each light and load."""
        found = dict.fromkeys(self.outputs, 0.0)
        if not self.alive:
            return found
        for state in self.regions:
            for name, written in state.region.outputs.get(state.name, {}).items():
                if written in self.sequences:
                    elapsed = state.played_ns - state.entered_ns
                    written = level_at(self.sequences[written], elapsed)
                found[name] = max(found[name], self._level(name, written))
        light = self.gauge.get("light")
        if light is not None and (self.show is None or value(self.show, self.lookup)):
            bars = self.bars()
            if "gauge.blink" in self.by_name and self.by_name["gauge.blink"].name == "out":
                bars = max(0, bars - 1)
            found[light] = max(found[light], bars / self.lights[light].get("leds", 1))
        # What comes out after the largest driver, and after the gauge, is multiplied.
        for state in self.regions:
            for name, written in state.region.scales.get(state.name, {}).items():
                found[name] *= self._level(name, written)
        return found

    def _level(self, name: str, written: Any) -> float:
        if written in self.dials:
            written = values(self.dials[written])[int(self.by_name[written].name)]
        if isinstance(written, int) and not isinstance(written, bool):
            return written / self.lights[name].get("leds", 1)
        return {"on": 1.0, "off": 0.0}.get(written) if written in ("on", "off") else si(written)  # type: ignore[return-value]

    def solution(self) -> electric.Solution:
        """The circuit at this moment."""
        return self.electrics.solve(self.s, self.drives())

    def lookup(self, name: str) -> Any:
        """A name of an expression, read now."""
        if name in ("cell.voltage", "gauge.measured"):
            volt = self.solution().volt
            return volt if name == "cell.voltage" else self.electrics.measured(volt)
        if name == "cell.charge":
            return self.s
        if name == "gauge.counted":
            return self.counted
        if name == "gauge":
            return self.bars()
        if name in self.outputs:
            return self.levels()[name]
        if name in self.dials:
            return int(self.by_name[name].name)
        if name in self.measures:
            return int(self.by_name[name].name.split(".")[1])
        if name.endswith(".value"):
            follows = "source" in self.measures[name.removesuffix(".value")]
            return self.inputs["celsius" if follows else name]
        if name.endswith(".echo") and name[:-5] in self.sensors:
            return self.echo(name[:-5])
        return read(name, {r.region.name: r.name for r in self.regions}, self.inputs, self.pin)

    def seen(self) -> Seen:
        """Everything an expression can read, frozen."""
        volt = self.solution().volt
        return Seen(
            {r.region.name: r.name for r in self.regions},
            dict(self.inputs),
            self.levels(),
            self.pin,
            volt,
            self.s,
            self.electrics.measured(volt),
        )

    def echo(self, name: str) -> bool:
        """Whether the receiver would answer: E = rho Ie min(A, Omega d2) / (pi d4)."""
        spec, distance = self.sensors[name], self.inputs[f"{name}.hand"]
        if distance is None or not self.alive:
            return False
        before = f"{name}." if len(self.sensors) > 1 else ""
        drives = self.drives()
        lamps = tuple(d for d in drives.on if d[0] != f"{before}emitter")
        drives = electric.Drives(
            (*lamps, (f"{before}emitter", si(spec["duty"]), 0)),
            drives.awake,
            drives.alive,
            drives.charger,
            drives.celsius,
            drives.open,
        )
        volt = self.electrics.solve(self.s, drives).node
        # The diode's current, without the base current of a transistor, would be exact; hands are
        # placed far from the edge of the range, so that the difference does not matter.
        current = self.electrics.laws[f"{before}emitter"](volt, 0)
        intensity, at = point(spec["emitter"]["intensity"])
        omega = 2.0 * math.pi * (1.0 - math.cos(math.radians(si(spec["emitter"]["half_angle"]))))
        target = spec["target"]
        filled = min(si(target["area"]), omega * distance**2)
        irradiance = (
            si(target["reflectance"]) * intensity * current / at * filled / (math.pi * distance**4)
        )
        threshold = si(spec["receiver"]["threshold"])
        if abs(irradiance / threshold - 1.0) < 0.02:
            self.result.close.append(f"echo of {name} at {self.now}")
        return irradiance >= threshold

    def compared(self, names: set[str], op: ast.cmpop, left: float, right: float) -> None:
        """Note where a reading is too near a limit to be told."""
        if "gauge.measured" in names and self.electrics.steps:
            volt = self.solution().volt
            sides = [self.electrics.measured(volt * (1.0 + e)) for e in (-CLOSE, CLOSE)]
            if (sides[0] < right) != (sides[1] < right):
                self.result.close.append(f"measured at {self.now}")
        elif names & {"gauge.measured", "gauge.counted", "cell.voltage", "cell.charge"} and abs(
            left - right
        ) <= CLOSE * max(abs(left), abs(right)):
            self.result.close.append(f"{names} at {self.now}")

    def holds(self, guard: ast.expr | None) -> bool:
        """A guard, now."""
        return guard is None or bool(value(guard, self.lookup, self.compared))

    # ---- stimuli ----

    def stimuli(self) -> list[tuple[int, int, int, int, tuple[Any, ...]]]:
        """(time, 0 for an end, kind, place in the gadget file, what), sorted.

        Ends: a fault that is over, contacts that open, hands that leave, USB that goes. Then:
        temperature, a fault, buttons, toggles, hands, measures, USB.
        """
        found = []
        for step in self.scenario.get("steps", []):
            at = ns(step["at"])
            if "press" in step:
                edges = [(at, True), (at + ns(step["for"]), False)]
                if "bounce" in step:
                    length = ns(step["bounce"])
                    for start, level in tuple(edges):
                        for k in range(1, 5):
                            edges.append((start + length * k // 5, level == (k % 2 == 0)))
                place = list(self.gadget["buttons"]).index(step["press"])
                closed = f"{step['press']}.closed"
                for time, level in edges:
                    found.append((time, int(level), 2, place, ("contact", closed, level)))
            elif "wave" in step:
                place = list(self.sensors).index(step["wave"])
                hand = f"{step['wave']}.hand"
                found.append((at, 1, 4, place, ("set", hand, si(step["distance"]))))
                found.append((at + ns(step["for"]), 0, 4, place, ("set", hand, None)))
            elif "toggle" in step:
                place, on = list(self.toggles).index(step["toggle"]), step["to"] == "on"
                closed = f"{step['toggle']}.closed"
                kind = "set" if step["toggle"] in self.in_supply else "contact"
                found.append((at, int(on), 3, place, (kind, closed, on)))
            elif "measure" in step:
                place = list(self.measures).index(step["measure"])
                found.append((at, 1, 5, place, ("set", f"{step['measure']}.value",
                                                si(step["value"]))))
            elif "usb" in step:
                found.append((at, int(step["usb"]), 6, 0, ("usb", step["usb"])))
            elif "fault" in step:
                found.append((at, int(step["fault"]), 1, 0, ("set", "fault", step["fault"])))
            elif "temperature" in step:
                found.append((at, 1, 0, 0, ("set", "celsius", si(step["temperature"]))))
        return sorted(found, key=lambda item: item[:4])

    # ---- the run ----

    def run(self) -> Result:
        """Simulate from 0 to `lasts`."""
        outside = deque(self.stimuli())
        expects = deque(
            sorted(
                (ns(step["at"]), place, step["expect"])
                for place, step in enumerate(self.scenario.get("steps", []))
                if "expect" in step
            )
        )
        first = True
        self.protected = self.circuit_holds("open", self.s)
        self.alive = not self.protected
        if self.protected:
            self.result.empty_ns = 0
        crossing: str | None = None
        while True:
            before = self.seen()
            while outside and outside[0][0] == self.now:
                self.stimulus(outside.popleft()[4])
            if first:
                self.cut = self.opened()
                self.alive = not self.protected and not self.cut
            self.release_at = None
            lived = self.alive
            if self.switched() or (self.released and self.latched()):
                pass
            elif crossing is not None:
                self.circuit_step(crossing)
            else:
                self.circuit_changed()
            if first and lived and self.alive:
                self.power_up()
            elif not first:
                self.ended_dwells()
            self.instant()
            for state in self.regions:
                if state.name not in state.region.unpowered:
                    state.worth = state.name
            if "charge.completed" in self.happened:
                self.counted = 1.0
            self.judge.instant(self.now, before, self.seen(), self.happened)
            while expects and expects[0][0] == self.now:
                self.expect(*expects.popleft())
            first = False
            coming = [item[0][0] for item in (outside, expects) if item]
            coming += [] if self.release_at is None else [self.release_at]
            until = min([self.lasts, *coming, *self.due()])
            crossing = self.advance(until)
            self.woke = self.is_awake()
            if self.now == self.lasts:
                break
        while expects and expects[0][0] == self.lasts:
            self.expect(*expects.popleft())
        self.result.rules = self.judge.verdicts(self.lasts)
        self.result.consumers = dict(self.consumed)
        self.result.end_charge = self.s
        self.result.end_volt = self.solution().volt
        return self.result

    def expect(self, time: int, place: int, text: str) -> None:
        """Judge one expectation."""
        met = bool(value(parse(text), self.lookup, self.compared))
        self.result.expectations.append((time, text, met))

    def due(self) -> Iterator[int]:
        """Times of all running dwells."""
        if not self.alive:
            return
        for state in self.regions:
            for spec in self.played(state):
                edge = next_edge(spec, self.now - state.entered_ns)
                if edge is not None:
                    yield state.entered_ns + edge
            for index, row in enumerate(state.region.rows):
                if row.after_ns is None or state.name not in row.sources or index in state.spent:
                    continue
                if state.entered_ns + row.after_ns > self.now:
                    yield state.entered_ns + row.after_ns

    def ended_dwells(self) -> None:
        """Queue what ends now, in region and row order; steps of sequences before dwells."""
        if not self.alive:
            return
        for state in self.regions:
            elapsed = self.now - state.entered_ns
            if any(next_edge(spec, elapsed - 1) == elapsed for spec in self.played(state)):
                self.queue.append(("edge", state, state.stay))
            for index, row in enumerate(state.region.rows):
                if (
                    row.after_ns
                    and state.name in row.sources
                    and index not in state.spent
                    and state.entered_ns + row.after_ns == self.now
                ):
                    self.queue.append(("dwell", state, index, state.stay))

    def played(self, state: State) -> list[dict[str, Any]]:
        """The sequences of the state that a region is in."""
        outputs = state.region.outputs.get(state.name, {})
        return [self.sequences[written] for written in outputs.values()
                if written in self.sequences]

    def power_up(self) -> None:
        """All regions enter their start states; what is found at the pins; zero dwells."""
        self.handled = 0  # events are counted from here
        if not self.alive and self.counter_c:
            self.counted = si(self.gauge["power_up"])
        self.alive = not self.unsupplied()
        self.woke = False
        if not self.alive:
            return
        if self.electrics.every_instant:
            self.wake()
        self.held = [False] * len(self.conditions)
        # What opens in this very instant was open before the power-up.
        self.open_ns, self.was_held = None, self.powered()
        for state in self.regions:
            self.enter(state, *self.left(state))
        if self.inputs["usb"]:
            self.queue.append(("event", "usb.edge"))
        if self.pin != "open":
            self.queue.append(("event", "status.edge"))
        for state in self.regions:
            self.zero_dwells(state)

    def unsupplied(self) -> bool:
        """Whether nothing supplies the controller."""
        past = self.electrics.path and self.mode != "off"
        return self.cut or self.released or (self.protected and not past)

    def opened(self) -> bool:
        """Whether a toggle in the supply stands open."""
        return not all(self.inputs[f"{name}.closed"] for name in self.in_supply)

    def switched(self) -> bool:
        """A toggle in the supply cuts it off, or gives it back."""
        if self.cut == self.opened():
            return False
        self.cut = self.opened()
        self.queue.clear()
        if self.cut:
            self.go_dead()
            return True
        self.give_back()
        return True

    def give_back(self) -> None:
        """The controller gets its supply back, unless the protection is open."""
        # USB that comes or goes at the same time has set the charger going before that.
        cut, self.cut = self.cut, True
        for kind in self.circuit_kinds():
            if kind in ("plug", "unplug", "fault"):
                self.circuit_step(kind)
        self.cut = cut
        self.queue.clear()
        if not self.unsupplied():
            self.power_up()

    def go_dead(self) -> None:
        """The controller has no supply: memory is lost."""
        if self.released:
            return  # it had none before, and stands as it was left
        self.alive = False
        for state in self.regions:
            self.enter(state, *self.left(state))

    def left(self, state: State) -> tuple[str, str | None]:
        """What a region is left with: what stood before this time, where that is kept."""
        stood = state.before if state.changed_ns == self.now else (state.name, state.memory)
        if stood[0] in state.region.unpowered:
            stood = (state.worth or state.region.starts, stood[1])
        kept = state.region.kept
        return (stood[0] if kept == "state" else state.region.starts,
                stood[1] if kept == "resume" else None)

    def powered(self) -> bool:
        """Whether a contact or USB holds the supply."""
        return any(self.inputs["usb"] if name == "usb" else self.inputs[f"{name}.closed"]
                   for name in self.powering)

    def latched(self) -> bool:
        """The firmware lets go of its supply, or a contact or USB gives it back."""
        held = self.powered()
        if self.was_held and not held:
            self.open_ns = self.now
        self.was_held = held
        if self.released:
            if held:
                self.released = False
                self.give_back()
            return held
        if held or not self.alive:
            return False
        if not any(state.name in state.region.unpowered for state in self.regions):
            return False
        at = self.now if self.open_ns is None else self.open_ns + self.hold_up
        if at > self.now:
            self.release_at = at
            return False
        self.released, self.alive = True, False
        self.queue.clear()
        return True

    def power_down(self) -> None:
        """The protection opens: controller and memory are gone, unless the input feeds it."""
        self.protected = True
        self.chatter = self.chatter + 1 if self.now - self.closed_ns < SOON_NS else 0
        if self.chatter > MOST_CUTS:
            raise EndlessInstant(self.result.known)
        self.crossed()
        if self.result.empty_ns is None:
            self.result.empty_ns = self.now
        if self.unsupplied():
            self.alive = False
            self.queue.clear()
            self.go_dead()

    def crossed(self) -> None:
        """The circuit has crossed something: times may hang on the charge from here on."""
        if self.result.crossed_ns is None:
            self.result.crossed_ns = self.now

    def enter(self, state: State, name: str, *memory: str | None) -> None:
        """Enter a state anew; with `memory` with that alone to resume."""
        if state.changed_ns != self.now:
            state.changed_ns, state.before = self.now, (state.name, state.memory)
        if memory:
            state.memory = memory[0]
        state.name, state.entered_ns, state.played_ns = name, self.now, self.now
        state.stay += 1
        state.spent = set()
        if name in state.region.resume_points:
            state.memory = name
        if self.alive and name in state.region.awake:
            self.wake()

    def zero_dwells(self, state: State) -> None:
        """Queue the zero dwells of the present state."""
        for index, row in enumerate(state.region.rows):
            if row.after_ns == 0 and state.name in row.sources:
                self.queue.append(("dwell", state, index, state.stay))

    def instant(self) -> None:
        """Take everything from the queue until nothing changes any more."""
        self.happened = []
        self.handled = 0
        while True:
            while self.queue:
                self.handled += 1
                if self.alive and self.electrics.every_instant:
                    self.wake()
                if self.handled > MOST_EVENTS:
                    raise EndlessInstant(self.result.known)
                self.take(self.queue.popleft())
            if not (self.conditions_changed() or self.circuit_changed() or self.latched()):
                break
            self.handled += 1
            if self.handled > MOST_EVENTS:
                raise EndlessInstant(self.result.known)

    def stimulus(self, what: tuple[Any, ...]) -> None:
        """An input changes; its edge is queued."""
        kind, *rest = what
        name, level = ("usb", *rest) if kind == "usb" else rest
        if level == self.inputs[name]:
            return
        self.inputs[name] = level
        if kind == "contact":
            self.queue.append(("event", name.removesuffix(".closed") + ".edge"))
        elif kind == "usb":
            self.queue.append(("event", "usb.edge"))

    def take(self, item: tuple[Any, ...]) -> None:
        """One thing from the queue."""
        match item:
            case ("event", name):
                self.offer(name)
            case ("edge", state, stay):
                if state.stay == stay:
                    state.played_ns = self.now
            case ("dwell", state, index, stay):
                row = state.region.rows[index]
                if state.stay == stay and index not in state.spent:
                    state.spent.add(index)
                    if self.holds(row.when):
                        self.fire(state, row)

    def offer(self, name: str) -> None:
        """Offer an event to every region in order."""
        if not self.alive:
            return
        if not name.endswith(INTERNAL):
            self.result.events.append((self.now, name))
            self.happened.append(name)
        for state in self.regions:
            for row in state.region.rows:
                if row.on == name and state.name in row.sources and self.holds(row.when):
                    self.fire(state, row)
                    break

    def fire(self, state: State, row: Row) -> None:
        """A row fires."""
        to = row.to
        if to == "resume":
            to = state.memory or state.region.resume_points[0]
        for name in row.emit:
            self.queue.append(("event", name))
        if to == "same":
            return
        self.enter(state, to)
        self.zero_dwells(state)

    def wake(self) -> None:
        """One step from asleep to awake costs its charge; an instant has one at most."""
        if self.woke:
            return
        self.woke = True
        self.result.wakes += 1
        self.spend("controller", self.electrics.wake_c)
        self.lump_c += self.electrics.wake_c
        self.s = max(0.0, self.s - self.electrics.wake_c / self.electrics.capacity_c)
        self.count_up()

    def conditions_changed(self) -> bool:
        """Read the watched conditions; a change puts its event into the queue."""
        if not self.alive:
            return False
        changed = False
        for index, (events, wanted) in enumerate(self.conditions):
            holds = self.holds(wanted)
            if holds != self.held[index]:
                self.held[index] = holds
                self.queue.append(("event", events.split()[0 if holds else 1]))
                changed = True
        return changed


def read(name: str, states: dict[str, str], inputs: dict[str, Any], pin: str) -> bool:
    """A name that is true or false."""
    if name == "usb":
        return bool(inputs["usb"])
    if name in ("status.low", "status.high"):
        return pin == name.split(".")[1]
    head, _, tail = name.partition(".")
    if tail == "closed":
        return bool(inputs[name])
    if name == "cell.low":
        return states["cell"] in ("low", "flat")
    part, _, rest = tail.partition(".")
    if rest and f"{head}.{part}" in states:
        return in_family(states[f"{head}.{part}"], rest)
    for region in (f"{head}.gesture", f"{head}.field", head):
        if region not in states:
            continue
        if tail == "pressed":
            return not any(in_family(states[region], rest) for rest in ("up", "waiting"))
        return in_family(states[region], tail)
    raise KeyError(name)


def _limits(nodes: list[ast.expr]) -> list[tuple[str, float]]:
    """Numbers that cell.voltage or cell.charge are held against."""
    found = []
    for node in nodes:
        for part in ast.walk(node):
            if isinstance(part, ast.Compare):
                sides = [part.left, *part.comparators]
                named = [name_of(x) for x in sides if isinstance(x, ast.Attribute)]
                numbers = [x.value for x in sides if isinstance(x, ast.Constant)]
                for name in named:
                    if name in ("cell.voltage", "cell.charge"):
                        found += [(name, float(number)) for number in numbers]
    return found
