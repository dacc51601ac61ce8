"""The inputs of a random gadget: buttons, sensors, toggles, measures and the gauge."""

from __future__ import annotations

from typing import Any

from tests.reference_sim.drawing import GRID_MS, Draw
from tests.reference_sim.drawn_circuit import draw_forward, draw_switch


def draw_button(draw: Draw) -> dict[str, Any]:
    """A button with its gestures."""
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


def draw_sensor(draw: Draw) -> dict[str, Any]:
    """A proximity sensor."""
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
            "switch": draw_switch(draw, False),
        },
        "target": {"reflectance": "55 %", "area": "80 cm2"},
    }


def draw_toggles(draw: Draw) -> dict[str, Any]:
    """One or two slide switches."""
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


def draw_measures(draw: Draw) -> dict[str, Any]:
    """Measured quantities with their thresholds."""
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


def draw_gauge(draw: Draw) -> dict[str, Any]:
    """A gauge with its levels."""
    gauge: dict[str, Any] = {}
    count = draw.rng.randint(1, 5)
    levels = sorted(draw.rng.sample(range(300, 420), count))
    gauge["thresholds"] = [f"{level / 100:.2f} V" for level in levels]
    counting = draw.chance(0.25)
    if draw.chance(0.7):
        draw.gadget["lights"]["bars"] = {
            "leds": count,
            "segments": True,
            "forward": draw_forward(draw, 1.8, 2.2),
            "resistor": draw.pick("470R", "1k"),
            "switch": draw_switch(draw, True),
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
