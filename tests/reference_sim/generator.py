"""Random gadgets and scenarios, as plain dictionaries of what the files hold.

Times lie on a coarse grid more often than not, so that things coincide. What is drawn hangs on the
seed alone.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from typing import Any

from tests.reference_sim.reading import si

LIGHTS = ("lamp", "mark", "glow")
LOADS = ("motor", "buzzer")
BUTTONS = ("power", "level", "mode")
GRID_MS = 10
COARSE_MS = 20
# What `simfw` does otherwise at present, each with a case of its own in the tests; to become empty.
KNOWN: set[str] = set()


@dataclass
class Case:
    """One gadget with one scenario."""

    gadget: dict[str, Any]
    scenario: dict[str, Any]
    curve: list[tuple[str, str]]


@dataclass
class Draw:
    """A generator and what has been drawn so far."""

    rng: random.Random
    gadget: dict[str, Any] = field(default_factory=dict)
    events: list[str] = field(default_factory=list)
    truths: list[str] = field(default_factory=list)
    numbers: list[tuple[str, str, str]] = field(default_factory=list)  # name, comparison, number
    guards: list[str] = field(default_factory=list)
    coarse: bool = False  # all times on a few values, so that nearly everything coincides

    def chance(self, share: float) -> bool:
        """True in that share of draws."""
        return self.rng.random() < share

    def pick(self, *items: Any) -> Any:
        """One of them."""
        return self.rng.choice(items)

    def ms(self, low: int, high: int, fine: float = 0.15) -> str:
        """A time between two numbers of milliseconds, mostly on the grid."""
        if self.coarse:
            step = next(one for one in (COARSE_MS, GRID_MS, 5, 1) if high // one * one >= low)
            return f"{self.rng.randint(-(-low // step), high // step) * step} ms"
        if self.chance(fine):
            return f"{self.rng.randint(low * 10**6, high * 10**6)} ns"
        step = GRID_MS if high - low >= 4 * GRID_MS else 1
        return f"{self.rng.randint(-(-low // step), high // step) * step} ms"

    def off(self) -> int:
        """Some ns beside the grid, now and then."""
        if self.chance(0.15):
            off = self.rng.randint(-(10**6), 10**6)
            return 0 if self.coarse else off
        return 0

    def number(self, low: float, high: float, digits: int = 3) -> str:
        """A decimal number."""
        return f"{self.rng.uniform(low, high):.{digits}f}"


def case(seed: int, coarse: bool = False) -> Case:
    """The gadget and scenario of a seed; `coarse`: another one, with all times on a few values."""
    draw = Draw(random.Random(f"{seed} coarse" if coarse else seed), coarse=coarse)
    g = draw.gadget
    g["gadget"] = {"name": f"Random {seed}"}
    lively = draw.chance(0.45)  # a cell so small that its voltage moves within the scenario
    curve = _curve(draw)
    g["cell"] = _cell(draw, lively, curve)
    if draw.chance(0.35):
        g["charger"] = _charger(draw, curve)
    if draw.chance(0.85):
        g["controller"] = _controller(draw)
    g["lights"] = {name: _light(draw) for name in LIGHTS[: draw.rng.randint(0, 3)]}
    g["loads"] = {name: _load(draw) for name in LOADS[: draw.rng.randint(0, 2)]}
    if not g["lights"] and not g["loads"]:
        g["loads"] = {"motor": _load(draw)}
    g["buttons"] = {name: _button(draw) for name in BUTTONS[: draw.rng.randint(1, 3)]}
    if len(g["buttons"]) > 1 and draw.chance(0.4):
        members = draw.rng.sample(sorted(g["buttons"]), draw.rng.randint(2, len(g["buttons"])))
        g["chords"] = {"both": {"buttons": members, "within": draw.ms(20, 120)}}
        if len(g["buttons"]) > 2 and draw.chance(0.5):
            members = draw.rng.sample(sorted(g["buttons"]), 5 - len(members))
            g["chords"]["more"] = {"buttons": members, "within": draw.ms(20, 120)}
    g["behaviour"] = {}
    if draw.chance(0.35):
        g["proximity"] = {"wave": _sensor(draw)}
    if draw.chance(0.3):
        g["toggles"] = _toggles(draw)
    if draw.chance(0.35):
        g["measures"] = _measures(draw)
    if draw.chance(0.4):
        g["gauge"] = _gauge(draw)
    if draw.chance(0.35):
        g["dials"] = {}  # stands before the regions; its rows are drawn when all events are known
    if draw.chance(0.35):
        g["sequences"] = _sequences(draw)
    _vocabulary(draw)
    if "dials" in g:
        _dials(draw)
    _behaviour(draw)
    _hear_ends(draw)
    if "controller" in g and draw.chance(0.2):
        _let_go(draw)
    if "proximity" in g and draw.chance(0.6):
        g["proximity"]["wave"]["enabled"] = _expression(draw, 1)
    for measure in g.get("measures", {}).values():
        if draw.chance(0.4):
            measure["enabled"] = _expression(draw, 1)
    if "light" in g.get("gauge", {}) and draw.chance(0.5):
        # The voltage hangs on whether the bars are lit: no comparisons here.
        g["gauge"]["show"] = draw.pick("", "not ") + _truth(draw)
    rules = [_rule(draw, k) for k in range(draw.rng.randint(0, 3))]
    if rules:
        g["rules"] = rules
    scenario = _scenario(draw, lively, curve)
    # Drawn apart, so that the rest of a seed stays what it was.
    apart = Draw(random.Random(f"{seed} supply"), g, truths=draw.truths)
    curve = _supplied(apart, curve)
    _past(Draw(random.Random(f"{seed} path"), g))
    return Case({name: values for name, values in g.items() if values}, scenario, curve)


def _past(draw: Draw) -> None:
    """A power path, where nothing stands against it."""
    charger, cell = draw.gadget.get("charger"), draw.gadget["cell"]
    if charger is None or not draw.chance(0.4) or (
        "cut_off" in cell and "restart" not in cell
    ):
        return
    for key in ("wake", "step", "frequency"):
        draw.gadget.get("controller", {}).pop(key, None)
    charger["power_path"] = True
    entry = charger.setdefault("input", {})
    entry["voltage"] = f"{si(charger['float']) + draw.rng.uniform(0.2, 1.5):.2f} V"
    entry.pop("limit", None)
    if draw.chance(0.8):
        entry["limit"] = f"{draw.rng.randint(20, 400)} mA"


def _supplied(draw: Draw, curve: list[tuple[str, str]]) -> list[tuple[str, str]]:
    """Drivers in the place of resistors, p-channel switches, cells in series."""
    for light in draw.gadget.get("lights", {}).values():
        switch = light.get("switch", {})
        if switch.get("kind") == "nmos" and draw.chance(0.3):
            switch["kind"] = "pmos"
        if switch.get("kind") != "npn" and draw.chance(0.25):
            del light["resistor"]
            driver = {"kind": "sink", "current": f"{draw.rng.randint(2, 60)} mA"}
            if draw.chance(0.8):
                driver["drop"] = f"{draw.rng.randint(50, 900)} mV"
            if draw.chance(0.6):
                driver["quiescent"] = f"{draw.rng.randint(20, 900)} uA"
            light["driver"] = driver
    if "charger" in draw.gadget and draw.chance(0.4):
        charger = draw.gadget["charger"]
        charger["input"] = {"voltage": "5 V"}
        if draw.chance(0.5):
            charger["input"]["limit"] = f"{draw.rng.randint(10, 250)} mA"
        sources = ["usb", *(["charger.status"] if "status" in charger else [])]
        for name, source in zip(("plug", "busy"), sources, strict=False):
            draw.gadget["lights"][name] = {
                "forward": _forward(draw), "resistor": draw.pick("470R", "1k"), "fed_by": source,
            }
    if "gauge" in draw.gadget and draw.chance(0.3):
        draw.gadget["gauge"]["sample"] = draw.pick("", "not ") + _truth(draw)
    if "controller" in draw.gadget and draw.chance(0.15):
        _regulated(draw)
    if not draw.chance(0.2):
        return curve
    series = draw.rng.randint(2, 3)
    draw.gadget["cell"]["series"] = series
    return [(charge, f"{float(volt) / series:.6f}") for charge, volt in curve]


def _regulated(draw: Draw) -> None:
    """A regulator, where what is there can stand beside one."""
    g = draw.gadget
    parts = [*g.get("lights", {}).values(),
             *(sensor["emitter"] for sensor in g.get("proximity", {}).values())]
    if any("gain" in part.get("switch", {}) for part in parts):
        return
    output = draw.rng.uniform(2.5, 3.9)
    gauge = g.get("gauge", {})
    if "method" not in gauge:
        levels = [*gauge.get("thresholds", []),
                  *(gauge[name] for name in ("low", "flat") if name in gauge)]
        output = max([output, *(float(level.split()[0]) + 0.01 for level in levels)])
    g["controller"]["regulator"] = {"output": f"{output:.3f} V"}
    if draw.chance(0.7):
        g["controller"]["regulator"]["drop"] = f"{draw.rng.randint(10, 300)} mV"
    if draw.chance(0.7):
        g["controller"]["regulator"]["quiescent"] = f"{draw.rng.randint(1, 60)} uA"


def _curve(draw: Draw) -> list[tuple[str, str]]:
    count = draw.rng.randint(3, 7)
    charges = [0.0, *sorted(draw.rng.uniform(0.02, 0.98) for _ in range(count - 2)), 1.0]
    low, high = draw.rng.uniform(2.8, 3.2), draw.rng.uniform(4.0, 4.3)
    volts = [low, *sorted(draw.rng.uniform(low, high) for _ in range(count - 2)), high]
    points = {f"{s:.4f}": f"{v:.4f}" for s, v in zip(charges, volts, strict=True)}
    return list(points.items())  # no charge is written twice


def _cell(draw: Draw, lively: bool, curve: list[tuple[str, str]]) -> dict[str, Any]:
    cell: dict[str, Any] = {"curve": "curve.csv"}
    if lively:
        cell["capacity"] = f"{draw.number(5, 60, 1)} uAh"
    else:
        cell["capacity"] = f"{draw.rng.randint(20, 800)} mAh"
    cell["resistance"] = draw.pick(f"{draw.rng.randint(80, 900)} mΩ", f"{draw.rng.randint(1, 9)}R")
    if draw.chance(0.15):
        del cell["resistance"]
        cell["resistance_at_charge"] = [
            f"{draw.rng.randint(900, 3000)} mΩ @ {draw.rng.randint(0, 20)} %",
            f"{draw.rng.randint(100, 800)} mΩ @ {draw.rng.randint(40, 100)} %",
        ]
    if draw.chance(0.15):
        cell["resistance_at_temperature"] = ["800 mΩ @ 0 degC", "300 mΩ @ 30 degC"]
    low = float(curve[0][1])
    if draw.chance(0.7):
        cut = low + draw.rng.uniform(0.0, 0.3)
        cell["cut_off"] = f"{cut:.3f} V"
        if draw.chance(0.7):
            cell["restart"] = f"{cut + draw.rng.uniform(0.05, 0.4):.3f} V"
    if draw.chance(0.5):
        cell["leakage"] = f"{draw.rng.randint(1, 20)} uA"
    if draw.chance(0.5):
        cell["self_discharge"] = f"{draw.rng.randint(1, 5)} %/month"
    return cell


def _charger(draw: Draw, curve: list[tuple[str, str]]) -> dict[str, Any]:
    high = float(curve[-1][1])
    float_v = high + draw.rng.uniform(-0.2, 0.05)
    charger: dict[str, Any] = {}
    if draw.chance(0.5):
        charger |= {"program": draw.pick("10k", "22k", "4k7"), "gain": "1000 V"}
    else:
        charger["current"] = f"{draw.rng.randint(20, 300)} mA"
    charger["float"] = f"{float_v:.3f} V"
    if draw.chance(0.8):
        charger["finish"] = f"{draw.rng.randint(3, 20)} %"
    if draw.chance(0.5):
        charger["precharge"] = {
            "below": f"{float(curve[0][1]) + draw.rng.uniform(0.1, 0.5):.3f} V",
            "rate": f"{draw.rng.randint(5, 30)} %",
        }
        if draw.chance(0.5):
            charger["precharge"]["hysteresis"] = f"{draw.rng.randint(20, 120)} mV"
    if draw.chance(0.6):
        charger["recharge"] = f"{float_v - draw.rng.uniform(0.05, 0.3):.3f} V"
    if draw.chance(0.8):
        charger["status"] = draw.pick(
            "low while charging", "high while charging", "low while charging, high when complete"
        )
        if draw.chance(0.15):
            pull = {"source": "charger.status", "to_supply": "100k"}
            draw.gadget["pins"] = {"status_pin": pull}
    if draw.chance(0.15):
        charger["windows"] = {"cold": "5 degC", "hot": "30 degC"}
    return charger


def _controller(draw: Draw) -> dict[str, Any]:
    controller: dict[str, Any] = {}
    if draw.chance(0.85):
        controller["awake"] = f"{draw.number(0.2, 3.0)} mA"
    if draw.chance(0.85):
        controller["asleep"] = f"{draw.number(1.0, 20.0)} uA"
    if draw.chance(0.3):
        controller["wake"] = f"{draw.rng.randint(10, 900)} nC"
    if "awake" in controller and draw.chance(0.25):
        frequency = draw.pick("32.768 kHz", "1 MHz", "8 MHz")
        controller |= {"step": f"{draw.rng.randint(100, 20_000)} cycles", "frequency": frequency}
    if draw.chance(0.5):
        controller |= {"reference": "1.1 V", "adc_bits": draw.pick(8, 10, 12)}
    if draw.chance(0.3):
        controller["pull_up"] = "35k"
    return controller


def _forward(draw: Draw, low: float = 1.7, high: float = 2.9) -> list[str]:
    first = draw.rng.uniform(low, high)
    small, large = draw.rng.randint(1, 5), draw.rng.randint(10, 30)
    second = first + draw.rng.uniform(0.02, 0.4)
    return [f"{first:.3f} V @ {small} mA", f"{second:.3f} V @ {large} mA"]


def _switch(draw: Draw, segments: bool) -> dict[str, Any]:
    kind = draw.rng.random()
    if kind < 0.35 or segments:
        return {"kind": "pin", "resistance": f"{draw.rng.randint(10, 60)}R"}
    if kind < 0.7:
        return {"kind": "nmos", "on_resistance": f"{draw.rng.randint(20, 900)} mΩ"}
    base = draw.pick("1k", "4k7", "22k")
    if kind < 0.9:
        return {"kind": "npn", "base": base, "saturation": f"{draw.rng.randint(60, 250)} mV"}
    return {
        "kind": "npn",
        "base": base,
        "gain": draw.rng.randint(80, 300),
        "saturation_current": "1e-14 A",
    }


def _light(draw: Draw) -> dict[str, Any]:
    light: dict[str, Any] = {"leds": draw.rng.randint(1, 4)}
    light["forward"] = _forward(draw)
    light["resistor"] = draw.pick("22R", "47R", "150R", "1k", "2k2")
    if draw.chance(0.25):
        light["shared"] = True
    if draw.chance(0.85):
        light["switch"] = _switch(draw, False)
    return light


def _load(draw: Draw) -> dict[str, Any]:
    if draw.chance(0.5):
        return {"current": f"{draw.number(0.5, 30)} mA"}
    return {"resistance": f"{draw.rng.randint(100, 3000)}R"}


def _button(draw: Draw) -> dict[str, Any]:
    button: dict[str, Any] = {}
    if draw.chance(0.25):
        button |= {"style": "sample", "samples": draw.rng.randint(1, 4)}
        button["sample_every"] = draw.pick("5 ms", "10 ms", "13 ms")
    elif draw.chance(0.8):
        lengths = ["0 s", "1 ms", "5 ms", "10 ms", "20 ms", "30 ms"]
        if draw.chance(0.35):
            button["style"] = "first-edge"
            del lengths[0]
        button["debounce"] = draw.pick(*lengths)
        if draw.chance(0.3):
            button["debounce_release"] = draw.pick(*lengths)
    if draw.chance(0.45):
        button["hold"] = draw.ms(100, 800)
    if draw.chance(0.3):
        lengths = draw.rng.sample(range(10, 90), draw.rng.randint(1, 3))
        if "hold" in button:  # no two of one length
            lengths = [n for n in lengths if button["hold"] != f"{n * GRID_MS} ms"]
        if lengths:
            button["holds"] = {f"long{k}": f"{n * GRID_MS} ms" for k, n in enumerate(lengths)}
    if ("hold" in button or "holds" in button) and draw.chance(0.5):
        button["repeat"] = draw.ms(40, 250)
    if draw.chance(0.45):
        button["double"] = draw.ms(60, 400)
        if draw.chance(0.4):
            button["clicks"] = draw.rng.randint(2, 4)
        if draw.chance(0.35):
            button["second_hold"] = draw.ms(60, 400)
    return button


def gestures_of(button: dict[str, Any]) -> list[str]:
    """What a button may yield beside press, release and click."""
    found = [event for event in ("hold", "double", "repeat", "second_hold") if event in button]
    found += button.get("holds", {})
    return found + [f"clicks{k}" for k in range(3, button.get("clicks", 2) + 1)]


def _sensor(draw: Draw) -> dict[str, Any]:
    return {
        "every": draw.ms(40, 160),
        "settle": draw.pick("1 ms", "2 ms", "5 ms"),
        "agree": draw.rng.randint(1, 3),
        "clear": draw.ms(50, 600),
        "carrier": draw.pick("38 kHz", "36 kHz", "40 kHz"),
        "duty": draw.pick("50 %", "33 %"),
        "burst": draw.rng.randint(10, 60),
        "receiver": {"supply": "0.37 mA", "threshold": "0.7 mW/m2"},
        "emitter": {
            "forward": ["1.2 V @ 20 mA", "1.35 V @ 100 mA"],
            "resistor": draw.pick("47R", "100R"),
            "intensity": "36 mW/sr @ 100 mA",
            "half_angle": "25 deg",
            "switch": _switch(draw, False),
        },
        "target": {"reflectance": "55 %", "area": "80 cm2"},
    }


def _toggles(draw: Draw) -> dict[str, Any]:
    found: dict[str, Any] = {}
    if draw.chance(0.8):
        slide: dict[str, Any] = {"debounce": draw.pick("0 s", "1 ms", "10 ms", "20 ms", "30 ms")}
        if draw.chance(0.3):
            slide["supply"] = f"{draw.rng.randint(1, 40)} uA"
        if draw.chance(0.4):
            slide["starts"] = draw.pick("on", "off")
        found["slide"] = slide
    if draw.chance(0.4) or not found:
        found["main"] = {"in_supply": True}
    return found


def _measures(draw: Draw) -> dict[str, Any]:
    count = draw.rng.randint(1, 3)
    levels = sorted(draw.rng.sample(range(5, 60), count))
    light: dict[str, Any] = {"unit": "lx", "thresholds": [f"{level} lx" for level in levels]}
    if draw.chance(0.6):
        light["hysteresis"] = f"{draw.rng.randint(0, 20)} lx"
    light["every"] = draw.ms(40, 200)
    if draw.chance(0.6):
        light["settle"] = draw.pick("0 s", "1 ms", "10 ms", "40 ms")
    if draw.chance(0.5):
        light["supply"] = f"{draw.rng.randint(10, 900)} uA"
    if draw.chance(0.5):
        light["agree"] = draw.rng.randint(1, 3)
    if draw.chance(0.3):
        light["starts"] = draw.rng.randint(0, count)
    found = {"light": light}
    if draw.chance(0.3):
        found["warmth"] = {
            "unit": "degC", "thresholds": [f"{draw.rng.randint(5, 35)} degC"],
            "every": draw.ms(50, 300), "source": "temperature",
        }
    return found


def _gauge(draw: Draw) -> dict[str, Any]:
    gauge: dict[str, Any] = {}
    count = draw.rng.randint(1, 5)
    levels = sorted(draw.rng.sample(range(300, 420), count))
    gauge["thresholds"] = [f"{level / 100:.2f} V" for level in levels]
    counting = draw.chance(0.25)
    if draw.chance(0.7):
        draw.gadget["lights"]["bars"] = {
            "leds": count,
            "segments": True,
            "forward": _forward(draw, 1.8, 2.2),
            "resistor": draw.pick("470R", "1k"),
            "switch": _switch(draw, True),
        }
        gauge["light"] = "bars"
        if draw.chance(0.6) and "status" in draw.gadget.get("charger", {}):
            gauge["blink"] = draw.ms(100, 500)
    if draw.chance(0.8):
        gauge["hysteresis"] = f"{draw.rng.randint(1, 60)} mV"
    if draw.chance(0.7):
        low = draw.rng.randint(310, 400)
        gauge["low"] = f"{low / 100:.2f} V"
        gauge["flat"] = f"{(low - draw.rng.randint(1, 40)) / 100:.2f} V"
    gauge["every"] = draw.ms(100, 1000)
    if counting:
        shares = sorted(draw.rng.sample(range(5, 94), count))
        gauge["method"] = "counting"
        gauge["thresholds"] = [f"{share} %" for share in shares]
        number, unit = draw.gadget["cell"]["capacity"].split()
        gauge["capacity"] = f"{float(number) * draw.rng.uniform(0.7, 1.2):.1f} {unit}"
        gauge["power_up"] = f"{draw.rng.randint(0, 100)} %"
        if "hysteresis" in gauge:
            gauge["hysteresis"] = f"{draw.rng.randint(1, 6)} %"
        if "low" in gauge:
            low = draw.rng.randint(10, 90)
            gauge["low"], gauge["flat"] = f"{low} %", f"{low - draw.rng.randint(1, 9)} %"
    return gauge


def _vocabulary(draw: Draw) -> None:
    """Events and names of the stock regions."""
    g = draw.gadget
    for name, button in g["buttons"].items():
        draw.events += [f"{name}.{e}" for e in ("press", "release", "click", "click")]
        draw.events += [f"{name}.{e}" for e in gestures_of(button)]
        if "repeat" in button:
            draw.truths.append(f"{name}.repeats.repeating")
        draw.truths += [f"{name}.pressed", f"{name}.pressed", f"{name}.up", f"{name}.closed"]
    for name in g.get("chords", {}):
        draw.events += [f"{name}.chord"] * 2
        draw.truths.append(f"{name}.active")
    if "slide" in g.get("toggles", {}):
        draw.events += ["slide.closed", "slide.opened"]
        draw.truths += ["slide.on", "slide.off", "slide.closed"]
    for name, measure in g.get("measures", {}).items():
        draw.events += [f"{name}.up", f"{name}.down"]
        draw.numbers.append((name, "<= >= == !=", f"0..{len(measure['thresholds'])}"))
    if "proximity" in g:
        draw.events += ["wave.near", "wave.far", "wave.wave", "wave.wave"]
        draw.truths += ["wave.near", "wave.clear", "wave.blocked"]
    if "charger" in g:
        draw.events += ["usb.in", "usb.out"]
        draw.truths += ["usb", "charge.unplugged", "charge.charging", "charge.waiting"]
        if "status" in g["charger"]:
            draw.events += ["charge.started", "charge.completed"]
            if "high when" in g["charger"]["status"]:
                draw.events.append("charge.fault")
            draw.truths += ["status.low", "status.high", "charge.complete"]
    if "gauge" in g:
        draw.events += ["gauge.up", "gauge.down"]
        top = len(g["gauge"]["thresholds"])
        draw.numbers.append(("gauge", "<= >= == !=", f"0..{top}"))
        if "low" in g["gauge"]:
            draw.events += ["cell.low", "cell.flat", "cell.back"]
            draw.truths += ["cell.low", "cell.flat"]
    draw.numbers.append(("cell.voltage", "< > <= >=", "3.1..4.1"))
    draw.numbers.append(("cell.charge", "< > <= >=", "0.05..0.95"))


def _dials(draw: Draw) -> None:
    """One or two dials; their rows hear what the stock parts emit, and each other."""
    g = draw.gadget
    for name in ("dim", "tint")[: draw.rng.randint(1, 2)]:
        dial: dict[str, Any] = {}
        if draw.chance(0.3):
            dial |= {"count": draw.rng.randint(2, 5), "from": f"{draw.rng.randint(1, 9)} %",
                     "to": draw.pick("100 %", "45 %"), "spacing": draw.pick("ratio", "even")}
            count = dial["count"]
        else:
            count = draw.rng.randint(2, 5)
            dial["values"] = [f"{draw.rng.randint(0, 100)} %" for _ in range(count)]
        if draw.chance(0.5):
            dial["starts"] = draw.rng.randrange(count)
        draw.events += [f"{name}.changed"] * 2 + [f"{name}.end"]
        draw.numbers.append((name, "<= >= == !=", f"0..{count - 1}"))
        draw.truths.append(f"{name}.{draw.rng.randrange(count)}")
        rows, known = [], sorted(set(draw.events) - {f"{name}.changed", f"{name}.end"})
        for _ in range(draw.rng.randint(1, 4)):
            on = draw.rng.sample(known, 2) if draw.chance(0.2) and len(known) > 1 else (
                draw.rng.choice(draw.events[: -3] or known))
            row: dict[str, Any] = {"on": on}
            if draw.chance(0.25):
                row["to"] = draw.rng.randrange(count)
            else:
                row["step"] = draw.pick(1, 1, -1, -1, 2, -3)
                if draw.chance(0.3) and row["step"] % count:
                    row["wrap"] = True
            if draw.chance(0.3):
                row["when"] = _expression(draw, 1)
            rows.append(row)
        dial["rows"] = rows
        if draw.chance(0.4):
            dial["kept"] = True
        g["dials"][name] = dial


def _sequences(draw: Draw) -> dict[str, Any]:
    """One to three, the last of them for bars."""
    found: dict[str, Any] = {}
    for name in ("hurry", "slow")[: draw.rng.randint(1, 2)]:
        if draw.chance(0.3):
            times = [0, *sorted(draw.rng.sample(range(1, 12), draw.rng.randint(1, 3)))]
            found[name] = {
                "points": [f"{draw.rng.randint(0, 100)} % @ {100 * at} ms" for at in times],
                "every": draw.pick("50 ms", "100 ms"),
            }
        else:
            levels = [draw.pick("on", "off", f"{draw.rng.randint(1, 99)} %")
                      for _ in range(draw.rng.randint(1, 4))]
            found[name] = {"steps": [f"{level} for {draw.ms(20, 600)}" for level in levels]}
        if draw.chance(0.4):
            found[name]["times"] = draw.rng.randint(1, 3)
    bars = draw.gadget["lights"].get("bars")
    if bars is not None and draw.chance(0.5):
        found["climb"] = {"steps": [f"{draw.rng.randint(0, bars['leds'])} for {draw.ms(50, 300)}"
                                    for _ in range(draw.rng.randint(1, 3))]}
    return found


def _hear_ends(draw: Draw) -> None:
    """Rows that hear the end of what their region plays."""
    finite = {name for name, one in draw.gadget.get("sequences", {}).items() if "times" in one}
    for name, region in draw.gadget["behaviour"].items():
        states = region["states"].values()
        plays = any(isinstance(level, str) and level in finite
                    for outputs in states for level in outputs.values())
        if plays and draw.chance(0.7):
            region["rows"].append({"on": f"{name}.ended", "from": "*",
                                   "to": draw.rng.choice([*region["states"], "same"])})
            if region["rows"][-1]["to"] == "same":
                region["rows"][-1]["emit"] = f"over{name}"


def _let_go(draw: Draw) -> None:
    """A state lets go of the supply; a contact or USB brings it back."""
    g = draw.gadget
    states = draw.rng.choice(list(g["behaviour"].values()))["states"]
    states[draw.rng.choice(list(states))]["controller"] = "unpowered"
    powering = [*g["buttons"], *(["slide"] if "slide" in g.get("toggles", {}) else []),
                *(["usb"] if "charger" in g else [])]
    g["controller"]["powered_by"] = draw.rng.sample(powering, draw.rng.randint(1, len(powering)))
    if draw.chance(0.6):
        g["controller"]["hold_up"] = draw.ms(10, 400)


def _behaviour(draw: Draw) -> None:
    g = draw.gadget
    regions = [f"r{k}" for k in range(draw.rng.randint(1, 3))]
    shapes: dict[str, list[str]] = {}
    for name in regions:
        states = ["idle", *draw.rng.sample(["busy", "shut", "lit.full", "lit.half", "lit.weak"],
                                           draw.rng.randint(1, 4))]
        shapes[name] = states
        draw.truths += [f"{name}.{state}" for state in states]
        if sum(s.startswith("lit.") for s in states) > 1:
            draw.truths.append(f"{name}.lit")
    own = {name: [f"{name}.done", f"{name}.tick"] for name in regions if draw.chance(0.5)}
    emitted = [event for events in own.values() for event in events]
    heard: dict[str, list[str]] = {}
    for name in regions:
        # What a region emits is heard by later regions only, so that no instant goes on for ever.
        heard[name] = draw.events + [
            e for other in regions[: regions.index(name)] for e in own.get(other, [])
        ]
        g["behaviour"][name] = _region(draw, name, shapes[name], heard[name], own.get(name, []))
    # An event that nobody emits must not be heard; what hears it may be all that emits another.
    unheard = set(emitted)
    while unheard:
        unheard = set(emitted) - {
            event
            for name in regions
            for row in g["behaviour"][name]["rows"]
            for event in row.get("emit", [])
        }
        emitted = [event for event in emitted if event not in unheard]
        for name in regions:
            g["behaviour"][name]["rows"] = [
                row for row in g["behaviour"][name]["rows"]
                if not unheard & {*(row["on"] if isinstance(row.get("on"), list)
                                    else [row.get("on")])}
            ]
    draw.events += emitted


def _region(
    draw: Draw, name: str, states: list[str], events: list[str], emits: list[str]
) -> dict[str, Any]:
    region: dict[str, Any] = {"starts": "idle"}
    lit = [s for s in states if s.startswith("lit.")]
    if lit and draw.chance(0.5):
        region["resume_points"] = lit
    if draw.chance(0.25):
        region["kept"] = draw.pick("state", "resume" if "resume_points" in region else "state")
    region["states"] = {
        state: {} if state == "idle" and draw.chance(0.7) else _outputs(draw) for state in states
    }
    rows: list[dict[str, Any]] = []
    seen = set()
    for _ in range(draw.rng.randint(2, 9)):
        row: dict[str, Any] = {}
        if draw.chance(0.15) and len(set(events)) > 1:
            row["on"] = draw.rng.sample(sorted(set(events)), 2)
        elif draw.chance(0.7):
            row["on"] = draw.rng.choice(events)
        else:
            row["after"] = draw.ms(20, 900) if draw.chance(0.93) else "0 s"
        row["from"] = _from(draw, states, lit)
        row["to"] = draw.rng.choice(states)
        if "resume_points" in region and draw.chance(0.3):
            row["to"] = "resume"
        elif draw.chance(0.12):
            row["to"] = "same"
        if draw.chance(0.35):
            row["when"] = _expression(draw, 1)
        if emits and draw.chance(0.5):
            row["emit"] = draw.rng.sample(emits, draw.rng.randint(1, 2))
        if row["to"] == "same" and "emit" not in row and "after" in row:
            continue
        if row.get("after") == "0 s" and row["to"] != "same":
            # Zero dwells lead towards the end of the list only: no circles.
            row["from"] = draw.rng.choice(states[:-1])
            row["to"] = draw.rng.choice(states[states.index(row["from"]) + 1 :])
        heard = row["on"] if isinstance(row.get("on"), list) else [row.get("on")]
        marks = {(event, row.get("after"), row.get("when")) for event in heard}
        if not marks & seen:
            seen |= marks
            rows.append(row)
    region["rows"] = rows
    return region


def _from(draw: Draw, states: list[str], lit: list[str]) -> Any:
    kind = draw.rng.random()
    if kind < 0.1:
        return "*"
    if kind < 0.25 and lit:
        return "lit.*"
    if kind < 0.4 and len(states) > 2:
        return draw.rng.sample(states, 2)
    return draw.rng.choice(states)


def _outputs(draw: Draw) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for name in [*draw.gadget["lights"], *draw.gadget["loads"]]:
        if draw.chance(0.6):
            continue
        played = [one for one in draw.gadget.get("sequences", {})
                  if (one == "climb") == (name == "bars")]
        if played and draw.chance(0.5):
            found[name] = draw.rng.choice(played)
        elif name == "bars":
            if draw.chance(0.3):
                found[name] = draw.rng.randint(0, draw.gadget["lights"]["bars"]["leds"])
        elif draw.gadget.get("dials") and draw.chance(0.5):
            found[name] = draw.pick(*draw.gadget["dials"])
        elif draw.chance(0.5):
            found[name] = f"{draw.rng.randint(1, 99)} %"
        else:
            found[name] = draw.pick("on", "on", "off")
    if draw.chance(0.1):
        found["controller"] = "awake"
    if draw.chance(0.2):
        names = [*draw.gadget["lights"], *draw.gadget["loads"]]
        scale = {
            name: "off" if name == "bars" or draw.chance(0.2) else f"{draw.rng.randint(1, 100)} %"
            for name in draw.rng.sample(names, draw.rng.randint(1, len(names)))
        }
        for name in scale:
            if name != "bars" and draw.gadget.get("dials") and draw.chance(0.3):
                scale[name] = draw.pick(*draw.gadget["dials"])
        found["scale"] = scale
    return found


def _expression(draw: Draw, depth: int) -> str:
    kind = draw.rng.random()
    if depth > 0 and kind < 0.3:
        word = draw.pick("and", "or")
        return f"{_expression(draw, depth - 1)} {word} {_expression(draw, depth - 1)}"
    if kind < 0.5:
        return f"not {_truth(draw)}"
    if kind < 0.65:
        return _comparison(draw)
    return _truth(draw)


def _truth(draw: Draw) -> str:
    return str(draw.rng.choice(draw.truths))


def _comparison(draw: Draw) -> str:
    name, signs, span = draw.rng.choice(draw.numbers)
    low, high = span.split("..")
    sign = draw.rng.choice(signs.split())
    if "." in span.replace("..", ""):
        return f"{name} {sign} {draw.rng.uniform(float(low), float(high)):.3f}"
    return f"{name} {sign} {draw.rng.randint(int(low), int(high))}"


def _level(draw: Draw) -> str:
    names = [*draw.gadget["lights"], *draw.gadget["loads"]]
    return f"{draw.rng.choice(names)} {draw.pick('>', '<=', '<', '>=')} 0.{draw.rng.randint(1, 9)}"


def _settled(draw: Draw) -> str:
    """An expression for rules and expectations, which may read levels too."""
    if draw.chance(0.2):
        return f"{_level(draw)} {draw.pick('and', 'or')} {_truth(draw)}"
    return _expression(draw, 1)


def _rule(draw: Draw, number: int) -> dict[str, Any]:
    rule: dict[str, Any] = {"name": f"rule {number}"}
    kind = draw.rng.random()
    if kind < 0.25:
        rule["never"] = f"{_settled(draw)} and {_truth(draw)}"
    elif kind < 0.4:
        rule["always"] = f"{_settled(draw)} or {_truth(draw)}"
    elif kind < 0.75:
        event = draw.rng.choice(draw.events)
        rule["when"] = event if draw.chance(0.4) else f"{event} and {_truth(draw)}"
        rule["then"] = _settled(draw)
        rule["within"] = draw.pick("0 s", draw.ms(10, 600))
    elif kind < 0.87:
        rule |= {"when": _expression(draw, 1), "then": _settled(draw), "within": draw.ms(10, 600)}
    else:
        rule |= {"stays": _expression(draw, 1), "for": draw.ms(10, 600)}
    if "when" in rule:
        words = rule["when"].replace("(", " ").replace(")", " ").split()
        if kind >= 0.75 and set(words) & set(draw.events):
            rule["when"] = "True" if "usb" not in draw.truths else "usb"
    return rule


def _ns(text: str) -> int:
    words = text.split()
    factors = [{"ns": 1, "ms": 10**6}[unit] for unit in words[1::2]]
    return sum(int(number) * factor for number, factor in zip(words[::2], factors, strict=True))


def _scenario(draw: Draw, lively: bool, curve: list[tuple[str, str]]) -> dict[str, Any]:
    g = draw.gadget
    lasts = draw.rng.randint(5, 18) * 100
    grid = COARSE_MS if draw.coarse else GRID_MS
    tens = grid * 10**6
    steps: list[dict[str, Any]] = []
    for name in g["buttons"]:
        time = 0 if draw.chance(0.1) else draw.rng.randint(1, 40) * grid * 10**6
        while time < lasts * 10**6 and len(steps) < 14:
            long = draw.pick(1, 2, 5, 8, 12, 30, 60, 100) * tens
            long += draw.off()
            step = {"at": f"{time} ns", "press": name, "for": f"{long} ns"}
            if draw.chance(0.25):
                step["bounce"] = f"{min(draw.rng.randint(1, 9) * 10**6, long)} ns"
            steps.append(step)
            end = time + long + int(step.get("bounce", "0 ns").split()[0])
            if draw.chance(0.15):
                time = end  # at the very moment the last one ends
            else:
                time = end + draw.pick(1, 3, 5, 10, 25, 50, 90) * tens
                time += draw.off()
    if "proximity" in g:
        time = draw.rng.randint(0, 40) * grid * 10**6
        while time < lasts * 10**6:
            long = draw.rng.randint(3, 60) * grid * 10**6
            steps.append(
                {
                    "at": f"{time} ns",
                    "wave": "wave",
                    "distance": draw.pick("8 cm", "12 cm", "2 m"),
                    "for": f"{long} ns",
                }
            )
            time += long + draw.pick(0, 5, 20, 60, 90) * tens
    for name in g.get("toggles", {}):
        time = draw.rng.randint(0, 40) * grid * 10**6
        while time < lasts * 10**6 and draw.chance(0.85):
            steps.append({"at": f"{time} ns", "toggle": name, "to": draw.pick("on", "off")})
            time += draw.pick(1, 2, 3, 10, 30, 60) * tens
            time += draw.off()
    if "measures" in g:
        time = draw.rng.randint(0, 20) * grid * 10**6
        while time < lasts * 10**6:
            value = f"{draw.rng.randint(0, 80)} lx"
            steps.append({"at": f"{time} ns", "measure": "light", "value": value})
            time += draw.pick(1, 4, 10, 20, 40) * tens
    if "charger" in g:
        time, there = draw.rng.randint(0, 60) * grid * 10**6, True
        while time < lasts * 10**6 and draw.chance(0.9):
            steps.append({"at": f"{time} ns", "usb": there})
            time, there = time + draw.rng.randint(1, 120) * grid * 10**6, not there
    if "charger" in g and draw.chance(0.3):
        at = draw.rng.randint(1, lasts // grid) * grid
        steps.append({"at": f"{at} ms", "fault": True})
        if draw.chance(0.7):
            at = draw.rng.randint(at // grid + 1, lasts // grid + 1) * grid
            steps.append({"at": f"{at} ms", "fault": False})
    if draw.chance(0.15):
        for at in draw.rng.sample(range(0, lasts, grid), draw.rng.randint(1, 2)):
            warm = f"{draw.rng.randint(1, 39)} degC"
            steps.append({"at": f"{at} ms", "temperature": warm})
    steps = [step for step in steps if _ns(step["at"]) <= lasts * 10**6]
    for _ in range(draw.rng.randint(0, 5)):
        at = draw.rng.randint(0, lasts // grid) * grid
        steps.append({"at": f"{at} ms", "expect": _settled(draw)})
    if draw.chance(0.5):
        draw.rng.shuffle(steps)
    charge = draw.rng.randint(2, 99) if not lively else draw.rng.randint(5, 95)
    found: dict[str, Any] = {"title": "random", "gadget": "gadget.toml", "charge": f"{charge} %"}
    return {**found, "lasts": f"{lasts} ms", "steps": steps}
