"""The circuit of a random gadget: cell, charger, controller, lights and loads."""

from __future__ import annotations

from typing import Any

from tests.reference_sim.drawing import Draw, draw_truth
from tests.reference_sim.reading import si


def draw_past(draw: Draw) -> None:
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


def draw_supplied(draw: Draw, curve: list[tuple[str, str]]) -> list[tuple[str, str]]:
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
                "forward": draw_forward(draw), "resistor": draw.pick("470R", "1k"),
                "fed_by": source,
            }
    if "gauge" in draw.gadget and draw.chance(0.3):
        draw.gadget["gauge"]["sample"] = draw.pick("", "not ") + draw_truth(draw)
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


def draw_curve(draw: Draw) -> list[tuple[str, str]]:
    """A curve of the open-circuit voltage."""
    count = draw.rng.randint(3, 7)
    charges = [0.0, *sorted(draw.rng.uniform(0.02, 0.98) for _ in range(count - 2)), 1.0]
    low, high = draw.rng.uniform(2.8, 3.2), draw.rng.uniform(4.0, 4.3)
    volts = [low, *sorted(draw.rng.uniform(low, high) for _ in range(count - 2)), high]
    points = {f"{s:.4f}": f"{v:.4f}" for s, v in zip(charges, volts, strict=True)}
    return list(points.items())  # no charge is written twice


def draw_cell(draw: Draw, lively: bool, curve: list[tuple[str, str]]) -> dict[str, Any]:
    """A cell with its curve."""
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


def draw_charger(draw: Draw, curve: list[tuple[str, str]]) -> dict[str, Any]:
    """A charger that fits the curve."""
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


def draw_controller(draw: Draw) -> dict[str, Any]:
    """A controller with its currents."""
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


def draw_forward(draw: Draw, low: float = 1.7, high: float = 2.9) -> list[str]:
    """Two points of the forward voltage of a light."""
    first = draw.rng.uniform(low, high)
    small, large = draw.rng.randint(1, 5), draw.rng.randint(10, 30)
    second = first + draw.rng.uniform(0.02, 0.4)
    return [f"{first:.3f} V @ {small} mA", f"{second:.3f} V @ {large} mA"]


def draw_switch(draw: Draw, segments: bool) -> dict[str, Any]:
    """What switches a light."""
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


def draw_light(draw: Draw) -> dict[str, Any]:
    """A light."""
    light: dict[str, Any] = {"leds": draw.rng.randint(1, 4)}
    light["forward"] = draw_forward(draw)
    light["resistor"] = draw.pick("22R", "47R", "150R", "1k", "2k2")
    if draw.chance(0.25):
        light["shared"] = True
    if draw.chance(0.85):
        light["switch"] = draw_switch(draw, False)
    return light


def draw_load(draw: Draw) -> dict[str, Any]:
    """A load other than a light."""
    if draw.chance(0.5):
        return {"current": f"{draw.number(0.5, 30)} mA"}
    return {"resistance": f"{draw.rng.randint(100, 3000)}R"}
