"""What the tests of the generated C share: random gadgets, the model's own account, compilers.

Everything here is a pure function of a seed. The account of the model is written in the lines of
the harness, so that the two are compared as text.
"""

from __future__ import annotations

import functools
import json
import random
import shutil
import subprocess
import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from simfw.behaviour.build import build_system, check
from simfw.behaviour.expression import levels_in
from simfw.behaviour.machine import ReferenceStepper
from simfw.behaviour.outputs import drives_of, is_awake
from simfw.behaviour.region import Drive, Region, System
from simfw.behaviour.sequences import clock_at
from simfw.behaviour.tree import View, is_answer
from simfw.errors import EndlessInstant
from simfw.gadget.model import Gadget
from simfw.report.source import harness_files
from simfw.report.source.plan import PPM

STRICT = ("-std=c99", "-Wall", "-Wextra", "-Wpedantic", "-Werror", "-Wconversion")
MS = 1_000_000


# -- random gadgets --------------------------------------------------------------------------------


def _time(rng: random.Random, *choices: str) -> str:
    return rng.choice(choices)


def _button(rng: random.Random) -> dict[str, object]:
    part: dict[str, object] = {"debounce": _time(rng, "0 ms", "1 ms", "5 ms", "20 ms")}
    if rng.random() < 0.25:
        part = {
            "style": "sample",
            "samples": rng.randint(1, 4),
            "sample_every": _time(rng, "5 ms", "20 ms"),
        }
    if "debounce" in part and rng.random() < 0.25:
        part["debounce_release"] = _time(rng, "2 ms", "5 ms", "30 ms")
    if "debounce" in part and part["debounce"] != "0 ms" and rng.random() < 0.3:
        part["style"] = "first-edge"
    if rng.random() < 0.6:
        part["hold"] = _time(rng, "50 ms", "100 ms", "1 s")
    if rng.random() < 0.3:
        part["holds"] = {"longer": _time(rng, "70 ms", "400 ms"), "longest": "1500 ms"}
    if rng.random() < 0.5 and {"hold", "holds"} & part.keys():
        part["repeat"] = _time(rng, "20 ms", "60 ms", "500 ms")
    if rng.random() < 0.5:
        part["double"] = _time(rng, "30 ms", "100 ms", "350 ms")
        if rng.random() < 0.4:
            part["clicks"] = rng.randint(2, 4)
        if rng.random() < 0.3:
            part["second_hold"] = _time(rng, "40 ms", "200 ms")
    return part


def _gestures(part: object) -> list[str]:
    """What a button may yield beside press, release and click."""
    assert isinstance(part, dict)
    found = [word for word in ("hold", "double", "repeat", "second_hold") if word in part]
    found += part.get("holds", {})
    return found + [f"clicks{count}" for count in range(3, part.get("clicks", 2) + 1)]


def _sensor(rng: random.Random) -> dict[str, object]:
    return {
        "every": _time(rng, "40 ms", "125 ms"),
        "settle": _time(rng, "0 ms", "2 ms"),
        "agree": rng.randint(1, 3),
        "clear": _time(rng, "80 ms", "250 ms", "600 ms"),
        "carrier": "38 kHz",
        "duty": "50 %",
        "burst": rng.randint(1, 30),
    }


def _measure(rng: random.Random) -> dict[str, object]:
    levels = sorted(rng.sample(range(5, 90, 5), rng.randint(1, 3)))
    return {
        "unit": "lx",
        "thresholds": [f"{level} lx" for level in levels],
        "hysteresis": _time(rng, "0 lx", "3 lx", "20 lx"),
        "every": _time(rng, "40 ms", "100 ms", "1 s"),
        "settle": _time(rng, "0 ms", "2 ms", "40 ms"),
        "supply": "150 uA",
        "agree": rng.randint(1, 3),
        "starts": rng.randint(0, len(levels)),
    }


def _gauge(rng: random.Random, charger: bool) -> dict[str, object]:
    volts = sorted(rng.sample(range(3200, 4100, 20), rng.randint(0, 4)))
    part: dict[str, object] = {
        "thresholds": [f"{volt} mV" for volt in volts],
        "hysteresis": _time(rng, "0 mV", "20 mV", "40 mV"),
        "every": _time(rng, "100 ms", "1 s"),
    }
    if volts:
        part["light"] = "bars"
    if rng.random() < 0.5:
        part["flat"] = "3.25 V"
    if rng.random() < 0.5:
        part["low"] = "3.45 V"
    if charger and volts and rng.random() < 0.6:
        part["blink"] = _time(rng, "50 ms", "300 ms")
    return part


def _by_dial(rng: random.Random, states: dict[str, dict[str, object]]) -> None:
    """Some of what states drive and scale goes by dials."""
    for levels in states.values():
        for name, level in levels.items():
            if name == "scale":
                assert isinstance(level, dict)
                for light in level:
                    if light != "bars" and rng.random() < 0.5:
                        level[light] = rng.choice(["dim", "tint"])
            elif name != "controller" and rng.random() < 0.5:
                levels[name] = "many" if name == "bars" else rng.choice(["dim", "tint"])


def _states(rng: random.Random, lights: list[str]) -> dict[str, dict[str, object]]:
    names = ["off", "on.full", "on.low", "on.third", "locked", "on"][: rng.randint(2, 6)]
    states = {}
    for name in names:
        levels: dict[str, object] = {}
        for light in lights:
            if rng.random() < 0.4:
                levels[light] = (
                    rng.choice(["on", "off", 1, 3])
                    if light == "bars"
                    else rng.choice(["on", "45 %", "4 %", "0.3 %"])
                )
        if rng.random() < 0.2:
            levels["controller"] = "awake"
        if rng.random() < 0.25:
            levels["scale"] = {
                light: "off" if light == "bars" else rng.choice(["off", "25 %", "70 %", "100 %"])
                for light in rng.sample(lights, rng.randint(1, len(lights)))
            }
        states[name] = levels
    return states


class _Guards:
    """Random guards over what a gadget has."""

    def __init__(self, rng: random.Random, atoms: list[str]) -> None:
        self.rng, self.atoms = rng, atoms

    def text(self, depth: int = 0) -> str:
        roll = self.rng.random()
        if depth > 1 or roll < 0.5:
            return self.rng.choice(self.atoms)
        if roll < 0.7:
            return f"not ({self.text(depth + 1)})"
        word = "and" if roll < 0.85 else "or"
        return f"({self.text(depth + 1)} {word} {self.text(depth + 1)})"


def random_gadget(seed: int) -> Gadget:
    """A random gadget that the loader accepts: stock parts and one to three regions of its own."""
    rng = random.Random(seed)
    while True:
        data = _draw(rng)
        _asked(random.Random(f"{seed} sample"), data)
        gadget = Gadget.model_validate(_counting(data) if seed % 4 == 3 else data)
        if not check(gadget) and comes_to_rest(build_system(gadget)):
            return gadget


def _asked(rng: random.Random, data: dict[str, object]) -> None:
    """Let some gauges be sampled while a region is in a state only. Drawn apart from the rest."""
    gauge, regions = data.get("gauge"), data.get("behaviour")
    if isinstance(gauge, dict) and isinstance(regions, dict) and rng.random() < 0.35:
        name = rng.choice(sorted(regions))
        state = rng.choice(sorted(regions[name]["states"]))
        gauge["sample"] = rng.choice(["", "not "]) + f"{name}.{state}"


def _counting(data: dict[str, object]) -> dict[str, object]:
    """The same with a gauge that counts charge: 3.2 V to 4.1 V become 5 % to 95 %."""
    gauge = data.get("gauge")
    if not isinstance(gauge, dict):
        return data
    text = json.dumps(data).replace("gauge.measured < 3.5", "cell.charge < 0.35")
    made: dict[str, object] = json.loads(text)

    def share(volts: str) -> str:
        value = float(volts.split()[0]) / (1000 if volts.endswith("mV") else 1)
        return f"{5 + round((value - 3.2) * 100)} %"

    levels = {name: share(gauge[name]) for name in ("low", "flat") if name in gauge}
    made["gauge"] = {
        **made["gauge"], **levels,  # type: ignore[dict-item]
        "method": "counting", "capacity": "600 mAh", "power_up": "40 %",
        "thresholds": [share(volts) for volts in gauge["thresholds"]],
        "hysteresis": f"{int(gauge['hysteresis'].split()[0]) // 10} %",
    }
    return made


def comes_to_rest(system: System) -> bool:
    """Whether power-up ends with a full and with an empty cell (most endless gadgets fail here)."""
    for value in (3_000_000, 4_100_000):
        account = Account(system, {"bars": 5})
        account.outside.numbers |= {
            "gauge.measured": value,
            "gauge.counted": (value - 3_000_000) * PPM // 1_100_000,
            "cell.voltage": value,
            "cell.charge": 0,
        }
        try:
            account.power(0)
        except EndlessInstant:
            return False
    return True


def _draw(rng: random.Random) -> dict[str, object]:
    led = {"forward": ["2.75 V @ 5 mA", "3.0 V @ 20 mA"], "resistor": "22R"}
    lights: dict[str, object] = {"shelf": led, "marker": led}
    data: dict[str, object] = {
        "gadget": {"name": "Random"},
        "cell": {"curve": "lco", "capacity": "650 mAh"},
        "lights": lights,
    }
    events, atoms = (
        [],
        [
            "shelf > 0.4",
            "marker == 1",
            "shelf != marker",
            "cell.voltage < 3.4",
            "cell.charge >= 0.5",
            "0.04 < shelf",
            "True",
        ],
    )
    buttons = {name: _button(rng) for name in ("top", "side", "foot")[: rng.randint(0, 3)]}
    for name, button in buttons.items():
        events += [f"{name}.{what}" for what in ("press", "release", "click")]
        events += [f"{name}.{what}" for what in _gestures(button)]
        atoms += [f"{name}.pressed", f"{name}.closed"]
    data["buttons"] = buttons
    if len(buttons) > 1 and rng.random() < 0.6:
        data["chords"] = {
            "both": {"buttons": list(buttons)[: rng.randint(2, len(buttons))], "within": "60 ms"}
        }
        events.append("both.chord")
        if len(buttons) > 2 and rng.random() < 0.5:
            data["chords"]["more"] = {  # type: ignore[index]
                "buttons": ["side", "foot", "top"][: 5 - len(data["chords"]["both"]["buttons"])],  # type: ignore[index]
                "within": "80 ms",
            }
            events.append("more.chord")
    charger = rng.random() < 0.6
    status = rng.choice(
        [
            None,
            "low while charging",
            "high while charging",
            "low while charging, high when complete",
        ]
    )
    if charger:
        data["charger"] = {"current": "200 mA", "float": "4.2 V"} | (
            {"status": status} if status else {}
        )
        events += ["usb.in", "usb.out", "charge.started", "charge.completed"]
        atoms += ["usb", "charge.charging"]
    if rng.random() < 0.6:
        gauge = _gauge(rng, charger and status is not None)
        lights["bars"] = led | {"leds": 5, "segments": True}
        atoms += ["gauge > 1", "gauge == 2", "gauge.measured < 3.5", "bars >= 0.4"]
        if gauge["thresholds"]:
            events += ["gauge.up", "gauge.down"]
        if "low" in gauge:
            events.append("cell.low")
            atoms.append("cell.low")
        data["gauge"] = gauge
    sensors = {name: _sensor(rng) for name in ("wave", "foe")[: rng.choice([0, 0, 1, 1, 2])]}
    for name in sensors:
        events += [f"{name}.{what}" for what in ("near", "far", "wave")]
        atoms += [f"{name}.near", f"{name}.echo"]
    data["proximity"] = sensors
    if rng.random() < 0.35:
        data["toggles"] = {
            "slide": {"debounce": _time(rng, "0 ms", "5 ms", "20 ms"),
                      "starts": rng.choice(["on", "off"])},
            **({"mains": {"in_supply": True}} if rng.random() < 0.3 else {}),
        }
        events += ["slide.closed", "slide.opened"]
        atoms += ["slide.on", "slide.closed"]
    if rng.random() < 0.35:
        data["measures"] = {"light": _measure(rng)}
        events += ["light.up", "light.down"]
        atoms += ["light >= 1", "light != 0"]
    if rng.random() < 0.4:
        data["dials"] = {name: _dial(rng, events, segments=name == "many")
                         for name in ("dim", "tint", "many")[: 3 if "bars" in lights else 2]}
        atoms += ["dim == 0", "tint > 0", "dim.1"]
    plays = rng.random() < 0.4
    if plays:  # on a light of its own, which no guard reads
        lights["beam"] = led
        lights["row"] = led | {"leds": 4, "segments": True}
        data["sequences"] = {name: _sequence(rng, segments=name == "climb")
                             for name in ("hurry", "slow", "climb")}
    _draw_regions(rng, data, events, atoms, list(lights))
    for part in data["behaviour"].values() if plays else ():  # type: ignore[attr-defined]
        for levels in part["states"].values():
            for name in ("beam", "row"):
                levels.pop(name, None)
                if rng.random() < 0.5:
                    levels[name] = "climb" if name == "row" else rng.choice(["hurry", "slow"])
    return data


def _sequence(rng: random.Random, *, segments: bool) -> dict[str, object]:
    if not segments and rng.random() < 0.3:
        return {"points": ["0 % @ 0 s", f"{rng.randint(1, 100)} % @ 200 ms", "4 % @ 500 ms"],
                "every": rng.choice(["20 ms", "77 ms"])}
    levels = [0, 1, 3, 4] if segments else ["on", "off", "45 %"]
    lengths = ["20 ms", "40 ms", "77 ms", "100 ms"]
    steps = [f"{rng.choice(levels)} for {rng.choice(lengths)}" for _ in range(rng.randint(1, 4))]
    return {"steps": steps} | ({"times": rng.randint(1, 3)} if rng.random() < 0.4 else {})


def _dial(rng: random.Random, events: list[str], *, segments: bool) -> dict[str, object]:
    count = rng.randint(2, 6)
    rows: list[dict[str, object]] = []
    for _ in range(rng.randint(1, 3)):
        row: dict[str, object] = {"on": rng.choice([*events, "note.a"]), "note": "drawn"}
        row |= {"to": rng.randrange(count)} if rng.random() < 0.3 else {"step": rng.choice([1, -1])}
        if "step" in row and rng.random() < 0.4:
            row["wrap"] = True
        if rng.random() < 0.3:
            row["when"] = "shelf > 0.4"
        rows.append(row)
    values: list[object] = [rng.randint(0, 5) if segments else f"{rng.randint(0, 100)} %"
                            for _ in range(count)]
    return {"values": values, "starts": rng.randrange(count), "rows": rows}


def _draw_regions(
    rng: random.Random,
    data: dict[str, object],
    events: list[str],
    atoms: list[str],
    lights: list[str],
) -> None:
    regions = {
        name: _states(rng, lights) for name in ("lamp", "mode", "third")[: rng.randint(1, 3)]
    }
    for name, states in regions.items():
        if "dials" in data:
            _by_dial(rng, states)
        atoms += [f"{name}.{state}" for state in states]
    own = [f"note.{letter}" for letter in "abc"]
    guards = _Guards(rng, atoms)
    gauge = data.get("gauge")
    if isinstance(gauge, dict) and rng.random() < 0.7:
        gauge["show"] = guards.text(2).replace("bars >= 0.4", "True")
    sensors = {**dict(data["proximity"]), **dict(data.get("measures", {}))}  # type: ignore[call-overload]
    for sensor in sensors.values():
        if rng.random() < 0.7:
            sensor["enabled"] = guards.text()
    behaviour = {}
    for name, states in regions.items():
        points = [state for state in states if state.startswith("on.")]
        rows = []
        for _ in range(rng.randint(1, 8)):
            names = list(states)
            row: dict[str, object] = {
                "from": rng.choice(["*", rng.sample(names, rng.randint(1, len(names)))]),
                "to": rng.choice([*names, *names, "same", *(["resume"] if points else [])]),
            }
            if rng.random() < 0.35:
                row["after"] = rng.choice(
                    [
                        "20 ms",
                        "40 ms",
                        "100 ms",
                        "100 ms",
                        "1 s",
                        "77 ms",
                        *(["0 s"] if rng.random() < 0.3 else []),
                    ]
                )
            else:
                row["on"] = rng.choice([*events, *own])
            if rng.random() < 0.5:
                row["when"] = guards.text()
            # An event of its own leads to later ones only, so that chains of events end.
            later = [event for event in own if event > str(row.get("on", ""))]
            if str(row.get("on", "")) not in own:
                later = own
            if later and rng.random() < 0.4:
                row["emit"] = rng.sample(later, rng.randint(1, min(2, len(later))))
            rows.append(row)
        behaviour[name] = {
            "starts": rng.choice(list(states)),
            "states": states,
            "rows": rows,
            "resume_points": points,
        }
    emitted = {
        event
        for part in behaviour.values()
        for row in part["rows"]
        for event in row.get("emit", ())
    }
    for part in behaviour.values():
        part["rows"] = [
            row for row in part["rows"] if row.get("on") not in own or row["on"] in emitted
        ]
    data["behaviour"] = behaviour


# -- the model's own account -----------------------------------------------------------------------


@dataclass
class Outside:
    """Inputs and numbers as a view: scripted, so that model and C are told the same."""

    system: System
    segments: Mapping[str, int]
    flags: dict[str, bool] = field(default_factory=dict)
    numbers: dict[str, int] = field(default_factory=dict)
    stepper: Stepper | None = None
    gating: bool = False

    def __post_init__(self) -> None:
        self.ungated = System(regions=tuple(r for r in self.system.regions if r.show is None))

    def state(self, region: str) -> str:
        """The state of a region."""
        assert self.stepper is not None
        return self.stepper.states[region]

    def drives(self) -> dict[str, Drive]:
        """What all states drive together."""
        assert self.stepper is not None
        self.gating = True
        drives = drives_of(self.system, {**self.stepper.states, **self.stepper.clocks()}, self)
        self.gating = False
        return drives

    def flag(self, name: str) -> bool:
        """A scripted input."""
        return self.flags.get(name, False)

    def happened(self, event: str) -> bool:
        """Nothing here asks for events."""
        raise AssertionError(event)

    def quantity(self, name: str) -> float:
        """A scripted number, or a level worked out from the states."""
        if name in self.numbers:
            return self.numbers[name] / PPM
        assert self.stepper is not None
        if name == "gauge":
            tail = self.state("gauge").rpartition(".")[2]
            return float(tail) if tail.isdigit() else 0.0
        # A `show` that names a level reads it as it would be without the gated regions.
        system = self.ungated if self.gating else self.system
        gating, self.gating = self.gating, True
        drive = drives_of(system, self.stepper.states, self).get(name)
        self.gating = gating
        if drive is None:
            return 0.0
        return drive.duty if drive.segments is None else drive.segments / self.segments[name]


class Stepper(ReferenceStepper):
    """The reference, which also notes whether an awake state was entered, and where sequences are:
    a plain function of the time since the state of their region was entered.
    """

    woke = False
    now = 0

    def _start_dwells(self, number: int, now_ns: int) -> None:
        super()._start_dwells(number, now_ns)
        machine = self.machines[number]
        self.woke = self.woke or machine.region.state(machine.state).awake
        self.begun = {**getattr(self, "begun", {}), machine.region.name: now_ns}

    def run_instant(self, now_ns: int, raw_events: Iterable[str], view: View) -> list[str]:
        """As the reference; the time is kept."""
        self.now = now_ns
        return super().run_instant(now_ns, raw_events, view)

    def _places(self) -> Iterator[tuple[Region, str, int]]:
        for clock in self.system.clocks:
            age_ns = self.now - self.begun[clock.follows]
            yield clock, *clock_at(clock, self.states[clock.follows], age_ns)

    def clocks(self) -> dict[str, str]:
        """The step of every clock."""
        return {clock.name: place for clock, place, _ in self._places()}

    def next_due(self) -> int | None:
        """When the next dwell or the next step ends."""
        steps = [self.now - age_ns + row.after_ns for clock, place, age_ns in self._places()
                 for row in clock.rows if place in row.sources and row.after_ns is not None]
        dwell = super().next_due()
        return min([*steps, *([] if dwell is None else [dwell])], default=None)


class Account:
    """Runs the model and writes, beside it, the lines for the harness (`asked`) and those that the
    harness must answer (`expected`).
    """

    def __init__(self, system: System, segments: Mapping[str, int]) -> None:
        self.system, self.segments = system, segments
        self.outside = Outside(system, segments)
        self.shown: dict[str, int] = {}
        self.asked: list[str] = []
        self.expected: list[str] = []
        self.names = list(
            dict.fromkeys(
                name
                for region in system.regions
                for state in region.states
                for name in state.drives
            )
        )
        self.signals = [event.removesuffix(".edge") for event in system.raw_events]

    def ask(self, line: str) -> None:
        """Send a line to the harness."""
        self.asked.append(line)

    def set(self, name: str, value: int) -> None:
        """A signal or number takes a value (before the next instant)."""
        self.ask(f"set {name} {value}")
        if name in ("gauge.measured", "gauge.counted", "cell.voltage", "cell.charge"):
            self.outside.numbers[name] = value
        elif is_answer(name):
            self.outside.flags[name] = bool(value)
        elif name == "status":
            self.outside.flags |= {"status.low": value == 1, "status.high": value == 2}
        else:
            self.outside.flags[name if name == "usb" else f"{name}.closed"] = bool(value)

    def _instant(self, now_ns: int, raw: list[str]) -> None:
        assert self.stepper is not None
        self.expected += [
            f"event {now_ns} {event}"
            for event in self.stepper.run_instant(now_ns, raw, self.outside)
        ]
        self.report(now_ns)

    def report(self, now_ns: int, power_up: bool = False) -> None:
        """Write what has changed, as the harness does."""
        states, woke = self.stepper.states, self.stepper.woke
        drives = self.outside.drives()
        awake = is_awake(self.system, states)
        for name in self.names:
            drive = drives.get(name)
            level = (
                0
                if drive is None
                else (round(drive.duty * PPM) if drive.segments is None else drive.segments)
            )
            if level != self.shown.get(name, 0):
                self.shown[name] = level
                self.expected.append(f"out {now_ns} {name} {level}")
        if not self.awake and (awake or woke):
            self.expected.append(f"wake {now_ns}")
        if not awake and (self.awake or woke or power_up):
            self.expected.append(f"sleep {now_ns}")
        self.awake = awake
        self.stepper.woke = False

    def mark(self) -> tuple[int, int, dict[str, int]]:
        """A place to come back to where an instant turns out to have no end."""
        return len(self.asked), len(self.expected), dict(self.shown)

    def back_to(self, mark: tuple[int, int, dict[str, int]]) -> None:
        """Forget what was asked and answered since `mark`."""
        del self.asked[mark[0] :], self.expected[mark[1] :]
        self.shown = mark[2]

    def off(self, now_ns: int) -> None:
        """The supply is lost."""
        self.ask(f"off {now_ns}")
        self.expected += [f"out {now_ns} {name} 0" for name in self.names if self.shown.get(name)]
        self.shown = {}
        self.expected.append("ok")

    def power(self, now_ns: int, moved: Sequence[str] = ()) -> None:
        """Power-up; `moved` are the contacts that move in this very instant."""
        self.ask(" ".join(["power", str(now_ns), *moved]))
        self.shown = {}
        self.awake = False
        self.stepper = self.outside.stepper = Stepper(self.system)
        self.stepper.woke = False
        self.stepper.reset(now_ns)
        flags = self.outside.flags
        raw = ["usb.edge"] if flags.get("usb") and "usb" in self.signals else []
        raw += (
            ["status.edge"]
            if "status" in self.signals and (flags.get("status.low") or flags.get("status.high"))
            else []
        )
        raw += [f"{name}.edge" for name in moved]
        # The order of signals is that of the system.
        raw.sort(key=self.system.raw_events.index)
        self.expected += [
            f"event {now_ns} {event}"
            for event in self.stepper.run_instant(now_ns, raw, self.outside)
        ]
        self.report(now_ns, power_up=True)
        self.expected.append("ok")

    def _until(self, now_ns: int) -> None:
        assert self.stepper is not None
        while (due := self.stepper.next_due()) is not None and due < now_ns:
            self._instant(due, [])

    def until(self, now_ns: int) -> None:
        """Let time go on to just before `now_ns`."""
        self.ask(f"until {now_ns}")
        self._until(now_ns)
        self.expected.append("ok")

    def step(self, now_ns: int, changed: list[str]) -> None:
        """The instant `now_ns`, with the signals that have changed."""
        self.ask(f"step {now_ns}")
        self._until(now_ns)
        self._instant(now_ns, [f"{name}.edge" for name in changed])
        self.expected.append("ok")


def _values(rng: random.Random, system: System) -> Iterator[tuple[str, int]]:
    flags = sorted({flag for flag in system.names.flags if is_answer(flag)})
    flags += [f"{name}.reached.{number}" for name, levels in system.measures.items()
              for number in range(1, len(levels.all) + 1)]
    yield "gauge.measured", rng.randrange(3_000_000, 4_200_000, 5_000)
    yield "cell.voltage", rng.randrange(3_000_000, 4_200_000, 5_000)
    if any(row.when and levels_in(row.when, "gauge.counted")
           for region in system.regions for row in region.rows):
        yield "gauge.counted", rng.randrange(0, PPM + 1, 5_000)
    yield "cell.charge", rng.randrange(0, PPM + 1, 125_000)
    for flag in flags:
        yield flag, int(rng.random() < 0.5)


def random_list(account: Account, rng: random.Random, steps: int, grid_ns: int = 1) -> bool:
    """One random event list, with ties aimed at; False where the model finds no end of an instant.

    Times are relative to power-up at a random instant, so that nothing depends on starting at 0,
    and whole multiples of `grid_ns`.
    """
    now = rng.choice([0, 5, 10**12 + 7]) // grid_ns * grid_ns
    account.outside.flags.clear()
    account.off(now)
    for name, value in _values(rng, account.system):
        account.set(name, value)
    levels = dict.fromkeys(account.signals, 0)
    for name in account.signals:
        levels[name] = rng.choice([0, 0, 1, 2 if name == "status" else 1])
        account.set(name, levels[name])
    mark = account.mark()
    try:
        contacts = [name for name in account.signals if name not in ("usb", "status")]
        account.power(now, [name for name in contacts if levels[name] and rng.random() < 0.5])
        for _ in range(steps):
            mark = account.mark()
            due = account.stepper.next_due()
            roll = rng.random()
            if due is not None and roll < 0.4:
                now = max(now, due + rng.choice([0, 0, 0, -1, 1]))
            else:
                now += rng.choice(
                    [
                        1,
                        3 * MS,
                        20 * MS,
                        40 * MS,
                        100 * MS,
                        rng.randrange(10**8),
                        rng.randrange(10**8),
                    ]
                )
            now = -(-now // grid_ns) * grid_ns
            account.until(now)
            for name, value in _values(rng, account.system):
                if rng.random() < 0.2:
                    account.set(name, value)
            changed = [name for name in account.signals if rng.random() < 0.45]
            for name in changed:
                levels[name] = (
                    rng.choice([level for level in (0, 1, 2) if level != levels[name]])
                    if name == "status"
                    else 1 - levels[name]
                )
                account.set(name, levels[name])
            account.step(now, changed)
    except EndlessInstant:
        account.back_to(mark)
        return False
    return True


# -- compilers -------------------------------------------------------------------------------------


def compiler(*names: str) -> str | None:
    """The first of these compilers that is installed."""
    return next((name for name in names if shutil.which(name)), None)


@functools.cache
def links(command: str, *flags: str) -> bool:
    """Whether a compiler makes a program with these flags: clang may lack its sanitizer runtime."""
    with tempfile.TemporaryDirectory() as folder:
        source = Path(folder) / "empty.c"
        source.write_text("int main(void) { return 0; }\n", encoding="utf-8")
        done = subprocess.run(
            [command, *flags, str(source), "-o", str(Path(folder) / "empty")],
            capture_output=True, check=False,
        )
    return done.returncode == 0


def write_harness(folder: Path, gadget: Gadget, system: System) -> None:
    """Write everything that the host program is compiled from."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in harness_files(system, gadget.segments, gadget.head.name).items():
        (folder / name).write_text(text, encoding="utf-8")


def compile_harness(folder: Path, command: str, *flags: str) -> Path:
    """Compile the host program in `folder`; its path."""
    program = folder / f"harness-{command}"
    subprocess.run(
        [
            command,
            *flags,
            "-DFW_HOST",
            "-o",
            program.name,
            "firmware.c",
            "tables.c",
            "names.c",
            "harness.c",
        ],
        cwd=folder,
        check=True,
        capture_output=True,
        text=True,
    )
    return program


def talk(program: Path, lines: list[str]) -> list[str]:
    """What the program answers to these lines."""
    done = subprocess.run(
        [str(program)],
        input="\n".join([*lines, "quit", ""]),
        text=True,
        capture_output=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    assert not done.stderr, done.stderr[-2000:]
    return done.stdout.splitlines()


def first_difference(account: Account, answered: list[str]) -> str | None:
    """Where the answer departs from the model, with what was asked; None where it does not."""
    if answered == account.expected:
        return None
    for index, (got, wanted) in enumerate(
        zip([*answered, "<end>"], [*account.expected, "<end>"], strict=False)
    ):
        if got != wanted:
            oks = account.expected[:index].count("ok")
            place = [i for i, line in enumerate(account.asked) if not line.startswith("set")][oks]
            return "\n".join(
                [
                    f"model: {wanted}",
                    f"C:     {got}",
                    "asked before:",
                    *account.asked[max(0, place - 12) : place + 1],
                    "answered before:",
                    *account.expected[max(0, index - 8) : index],
                ]
            )
    return "one is longer"


def build_case(seed: int) -> tuple[Gadget, System]:
    """The random gadget of a seed and its system."""
    gadget = random_gadget(seed)
    return gadget, build_system(gadget)
