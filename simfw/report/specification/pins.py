"""The pins of the controller, as far as the model knows them, as data."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from simfw.behaviour.hold import HOLD
from simfw.behaviour.stock import gauge_quantity
from simfw.gadget.figures import figure_text
from simfw.gadget.model import Driver, Switch

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget

__all__ = ["OPEN", "PinLine", "pins_of"]

OPEN = "not known"  # not "open": the word stands beside contacts
"""What the model does not know of a pin."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PinLine:
    """One signal of the controller. A text of `OPEN` is not known.

    `active` is the level that means pressed, present or on, `idle` the one without, `asleep` what
    the pin is while the controller sleeps, `unpowered` what stands at it while the controller has
    no supply and its neighbours do, `outside` the parts between the pin and what it serves.
    """

    signal: str
    direction: str
    kind: str
    active: str = OPEN
    idle: str = OPEN
    asleep: str
    unpowered: str
    outside: str = OPEN


def _driver(switch: Switch | None) -> tuple[str, str, str]:
    """Kind, active level and series part of an output with this switch."""
    if switch is None:
        return OPEN, OPEN, ""
    if switch.kind == "pin":
        inside = f", pin {figure_text(switch.resistance)}" if switch.resistance else ""
        return "push-pull, drives the LED itself", OPEN, inside
    if switch.kind in ("nmos", "pmos"):
        on = f", {figure_text(switch.on_resistance)} when on" if switch.on_resistance else ""
        active = "high" if switch.kind == "nmos" else "low (gate of a p-channel transistor)"
        return "push-pull", active, f", {switch.kind[0]}-channel transistor{on}"
    base = f", base {figure_text(switch.base)}" if switch.base else ""
    return "push-pull", "high", f", npn transistor{base}"


def _sink(driver: Driver, each: str) -> str:
    """A constant-current driver in words."""
    drop = f" (needs {figure_text(driver.drop)})" if driver.drop else ""
    own = f", {figure_text(driver.quiescent)} for itself" if driver.quiescent else ""
    return f"sink of {figure_text(driver.current)}{each}{drop}{own}"


def _wired(gadget: Gadget, source: str) -> tuple[str, bool]:
    """What stands between `source` and its pin, and whether the controller pulls the pin up."""
    for name, pin in gadget.pins.items():
        if pin.source != source:
            continue
        parts = [f"`pins.{name}`"]
        parts += [f"{word} {figure_text(figure)}" for word, figure in (
            ("series", pin.series), ("to ground", pin.to_ground), ("to supply", pin.to_supply))
            if figure is not None]  # fmt: skip
        if pin.pull_up:
            pull = gadget.controller.pull_up if gadget.controller else None
            parts.append("pull-up inside" + (f" {figure_text(pull)}" if pull else ""))
        return ", ".join(parts), pin.pull_up
    return OPEN, False


def pins_of(gadget: Gadget) -> Iterator[PinLine]:
    """The signals: inputs first, then outputs, each group in the order of the gadget file."""
    pull = gadget.controller.pull_up if gadget.controller else None
    for name, button in gadget.buttons.items():
        outside, pulled = _wired(gadget, f"button.{name}")
        if outside == OPEN and pull is not None:
            outside, pulled = f"pull-up inside {figure_text(pull)}", True
        yield PinLine(
            signal=name, direction="in", kind="contact",
            active="low (contact to ground)" if pulled else OPEN, idle="high" if pulled else OPEN,
            asleep="input, read at intervals" if button.style == "sample" else "input, wakes",
            unpowered="must not be fed", outside=outside,
        )  # fmt: skip
    for name in gadget.read_toggles:
        outside, pulled = _wired(gadget, f"toggle.{name}")
        yield PinLine(
            signal=name, direction="in", kind="contact that stays",
            active="low (contact to ground)" if pulled else OPEN, idle="high" if pulled else OPEN,
            asleep="input, wakes", unpowered="must not be fed", outside=outside,
        )  # fmt: skip
    for name in gadget.proximity:
        yield PinLine(signal=f"{name}.echo", direction="in", kind="output of the receiver",
                      asleep="input", unpowered="must not be fed",
                      outside=_wired(gadget, f"receiver.{name}")[0])  # fmt: skip
    for name, measure in gadget.measures.items():
        yield PinLine(signal=name, direction="in", kind=f"measure, in {measure.unit}", active="-",
                      idle="-", asleep="not read", unpowered="must not be fed")  # fmt: skip
    if gadget.charger is not None:
        yield PinLine(signal="usb", direction="in", kind="USB sense", active="high", idle="low",
                      asleep="input, wakes", unpowered="fed by USB: mind the clamp current",
                      outside=_wired(gadget, "usb")[0])  # fmt: skip
        if gadget.charger.status is not None:
            low, high = "low while" in gadget.charger.status, "high" in gadget.charger.status
            kind = "three levels" if low and high else "open drain" if low else "driven high"
            yield PinLine(signal="status", direction="in", kind=f"charger status, {kind}",
                          active=gadget.charger.status,
                          idle="high" if gadget.status_pulled_up else "released",
                          asleep="input, wakes", unpowered="follows the charger",
                          outside=_wired(gadget, "charger.status")[0])  # fmt: skip
    if gadget.gauge is not None:
        counts = gadget.gauge.method == "counting"
        yield PinLine(
            signal=gauge_quantity(gadget.gauge).name, direction="in",
            kind="counter of charge" if counts else "converter", active="-", idle="-",
            asleep="goes on counting" if counts else "not read",
            unpowered="follows the charge" if counts else "follows the cell",
            outside=_wired(gadget, "cell")[0],
        )  # fmt: skip
    for name, sensor in gadget.proximity.items():
        yield PinLine(signal=f"{name}.receiver", direction="out", kind="supply of the receiver",
                      active="high", idle="low", asleep="low", unpowered="low")  # fmt: skip
        emitter = sensor.emitter
        if emitter is not None:
            kind, active, parts = _driver(emitter.switch)
            yield PinLine(signal=f"{name}.emitter", direction="out", kind=f"{kind}, carrier",
                          active=active, idle="off", asleep="off", unpowered="off",
                          outside=f"LED {figure_text(emitter.resistor)}{parts}")  # fmt: skip
    for name, measure in gadget.measures.items():
        if measure.supply is not None:
            yield PinLine(signal=f"{name}.supply", direction="out", kind="supply of the measure",
                          active="high", idle="low", asleep="low", unpowered="low")  # fmt: skip
    for name, light in gadget.lights.items():
        kind, active, parts = _driver(light.switch)
        colour = f"{light.colour} " if light.colour else ""
        leds = f"{light.leds} {colour}LED{'' if light.leds == 1 else 's'}"
        each = "" if light.leds == 1 else " in common" if light.shared else " each"
        limit = (f"{figure_text(light.resistor)}{each}" if light.resistor is not None
                 else _sink(light.driver, each) if light.driver is not None else OPEN)
        many = f", {light.leds} pins, one for each segment" if light.segments else ""
        yield PinLine(signal=name, direction="out", kind=f"{kind}{many}", active=active,
                      idle="off", asleep="as the states say", unpowered="off",
                      outside=f"{leds}, {limit}{parts}")  # fmt: skip
    for name, load in gadget.loads.items():
        figure = load.current or load.resistance
        yield PinLine(signal=name, direction="out", kind=OPEN, idle="off",
                      asleep="as the states say", unpowered="off",
                      outside=f"a load of {figure_text(figure)}" if figure else OPEN)  # fmt: skip
    if gadget.lets_go:
        yield PinLine(signal=HOLD, direction="out", kind="hold of the supply", idle="off",
                      asleep="as the states say", unpowered="off",
                      outside="what switches the supply (a latch)")
