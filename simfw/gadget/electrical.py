"""What the electrical parts of a description must be: checks that need more than one value.

Each check returns `Problem`s with key paths; the loader adds file and line.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator

from simfw.errors import Problem, nearest
from simfw.gadget.curve_file import NICKEL_CURVES, PRIMARY_CURVES, table_of
from simfw.gadget.fields import ForwardPoint
from simfw.gadget.model import (
    Cell,
    Charger,
    Controller,
    Gadget,
    Light,
    Load,
    Proximity,
    Regulator,
    Switch,
)
from simfw.quantity import Figure

__all__ = ["electrical_problems"]


def electrical_problems(gadget: Gadget) -> list[Problem]:
    """Return what cannot be about the electrical parts of `gadget`."""
    return [
        *_cell(gadget.cell),
        *_charger(gadget),
        *_controller(gadget),
        *(p for name, light in gadget.lights_.items() for p in _light(f"lights.{name}", light)),
        *(p for name in gadget.fed_lights for p in _fed(gadget, name)),
        *(p for name, load in gadget.loads.items() for p in _load(f"loads.{name}", load)),
        *(p for name, s in gadget.proximity.items() for p in _emitter(f"proximity.{name}", s)),
    ]


def _problem(key: str, text: str, allowed: str) -> Problem:
    return Problem(key=key, text=text, allowed=allowed)


def _below(low: Figure | None, high: Figure | None) -> bool:
    """Return whether `low` is below `high`, or one of them is not written."""
    return low is None or high is None or low.value < high.value


def _cell(cell: Cell) -> Iterator[Problem]:
    if cell.capacity.low <= 0:
        yield _problem("cell.capacity", "a cell without capacity", "more than zero")
    if cell.resistance is not None and cell.resistance_at_charge:
        yield _problem("cell.resistance", "the resistance is written twice",
                       "resistance or resistance_at_charge")  # fmt: skip
    if cell.cut_off is None and cell.restart is not None:
        yield _problem("cell.restart", "a restart without a cut_off", "cell.cut_off beside it")
    if not _below(cell.cut_off, cell.restart):
        assert cell.cut_off is not None
        yield _problem(
            "cell.restart",
            "the protection would close again before it opens",
            f"more than cell.cut_off ({cell.cut_off.text})",
        )


def _charger(gadget: Gadget) -> Iterator[Problem]:
    charger = gadget.charger
    if charger is None:
        return
    if table_of(gadget.cell.curve) in PRIMARY_CURVES:
        yield _problem(
            "cell.curve",
            "a primary cell must not be charged, and there is a [charger]",
            "the curve of a rechargeable cell, or no [charger]",
        )
    if table_of(gadget.cell.curve) in NICKEL_CURVES:
        yield _problem(
            "cell.curve",
            "a nickel cell is not charged to a float voltage, and there is a [charger]",
            "the curve of a lithium-ion cell, or no [charger]",
        )
    yield from _charging_current(charger)
    yield from _windows(charger)
    if charger.power_path:
        yield from _power_path(gadget)
    precharge = charger.precharge
    full = charger.float_.text
    if charger.float_.low <= 0:
        yield _problem("charger.float", "a float voltage of zero", "more than zero")
        return
    if precharge is not None and not _below(precharge.below, charger.float_):
        yield _problem(
            "charger.precharge.below", "precharge would never end", f"less than float ({full})"
        )
    if precharge is not None and precharge.rate.low <= 0:
        yield _problem("charger.precharge.rate", "no current flows", "more than 0 %")
    if precharge is not None and not _below(precharge.hysteresis, precharge.below):
        yield _problem(
            "charger.precharge.hysteresis",
            "the charger would never go back to precharge",
            f"less than below ({precharge.below.text})",
        )
    if not _below(charger.recharge, charger.float_):
        yield _problem(
            "charger.recharge", "charging would start again at once", f"less than float ({full})"
        )
    if not _below(gadget.cell.cut_off, charger.float_):
        yield _problem(
            "charger.float",
            "a full cell would be below the protection's cut-off",
            f"more than cell.cut_off ({gadget.cell.cut_off.text if gadget.cell.cut_off else ''})",
        )
    if charger.finish is not None and not 0 < charger.finish.value < 1:
        yield _problem(
            "charger.finish",
            "charging would end at once or never",
            "more than 0 % and less than 100 % of the constant current",
        )


def _power_path(gadget: Gadget) -> Iterator[Problem]:
    """What feeds past the cell needs an input, and a protection that tells of the cell."""
    charger, cell, controller = gadget.charger, gadget.cell, gadget.controller
    key, beside = "charger.power_path", "no power_path, or"
    if charger is not None and charger.input is None:
        yield _problem(key, "the supply that feeds the loads is not given",
                       'voltage = "5 V" in [charger.input]')
    if cell.cut_off is not None and cell.restart is None:
        yield _problem(key, "what closes the protection again is not given: the loads may take all "
                       "that would feed the cell", f"{beside} cell.restart beside cell.cut_off")
    for name in ("wake", "step"):
        if controller is not None and getattr(controller, name) is not None:
            yield _problem(f"controller.{name}", "the charge of a wake-up is taken from the cell, "
                           "and beside charger.power_path the input gives it",
                           f"{beside} the mean current of a wake-up in controller.asleep")


def _charging_current(charger: Charger) -> Iterator[Problem]:
    allowed = "program and gain (current = gain / program), or current"
    if charger.current is None:
        if charger.program is None and charger.gain is None:
            yield _problem("charger", "the constant current is not given", allowed)
        elif charger.gain is None:
            yield _problem("charger.gain", 'this is missing beside "program"', allowed)
        elif charger.program is None:
            yield _problem("charger.program", 'this is missing beside "gain"', allowed)
        elif charger.program.low <= 0:
            yield _problem("charger.program", "a resistor of zero", "more than zero")
    else:
        for name in ("program", "gain"):
            if getattr(charger, name) is not None:
                yield _problem(f"charger.{name}", "the current is written twice", allowed)
        if charger.current.low <= 0:
            yield _problem("charger.current", "no current flows", "more than zero")


def _windows(charger: Charger) -> Iterator[Problem]:
    windows = charger.windows
    if windows is None:
        return
    last: tuple[str, Figure] | None = None
    for name in ("cold", "cool", "warm", "hot"):
        edge: Figure | None = getattr(windows, name)
        if edge is None:
            continue
        if last is not None and edge.value <= last[1].value:
            yield _problem(
                f"charger.windows.{name}",
                "the temperatures do not rise from cold over cool and warm to hot",
                f"more than {last[0]} ({last[1].text})",
            )
        last = (name, edge)
    for name, needed in (("cool", "cool_rate"), ("warm", "warm_float")):
        for one, other in ((name, needed), (needed, name)):
            if getattr(windows, one) is not None and getattr(windows, other) is None:
                yield _problem(
                    f"charger.windows.{other}", f'this is missing beside "{one}"', "both or neither"
                )


def _step(controller: Controller) -> Iterator[Problem]:
    """What an instant takes is a number of cycles, of a clock, at a current."""
    for one, others in (("step", ("frequency", "awake")), ("frequency", ("step",))):
        if getattr(controller, one) is None:
            continue
        for other in others:
            if getattr(controller, other) is None:
                yield _problem(
                    f"controller.{other}", f'this is missing beside "{one}"', "step, frequency and "
                    "awake together: an instant takes step / frequency at the awake current"
                )
    awake, asleep = controller.awake, controller.asleep
    if (controller.step and awake and asleep) and awake.value < asleep.value:
        yield _problem("controller.awake", "less than asleep: a step would give charge back",
                       f"{asleep.text} or more beside step")


def _regulator(gadget: Gadget, regulator: Regulator) -> Iterator[Problem]:
    """What a regulator leaves of the gauge, and the base that would hang on it."""
    output = regulator.output
    if output.low <= 0:
        yield _problem("controller.regulator.output", "a supply of zero", "more than zero")
        return
    gauge = gadget.gauge
    if gauge is not None and gauge.method == "voltage":
        levels = [(f"gauge.thresholds[{k}]", level) for k, level in enumerate(gauge.thresholds)]
        levels += [(f"gauge.{name}", level) for name, level in (
            ("low", gauge.low), ("flat", gauge.flat)) if level is not None]
        for key, level in levels:
            if level.value >= output.value:
                yield _problem(
                    key, "the controller measures its own supply, which the regulator holds at "
                    f"{output.text}", 'less than that, or method = "counting"')
    switches = [(f"lights.{name}.switch", light.switch) for name, light in gadget.lights.items()]
    switches += [(f"proximity.{name}.emitter.switch", sensor.emitter.switch)
                 for name, sensor in gadget.proximity.items() if sensor.emitter is not None]
    for key, switch in switches:
        if switch is not None and switch.kind == "npn" and switch.saturation is None:
            yield _problem(key, "an npn with its base on the regulator and its collector on the "
                           "cell cannot be worked out", "a constant saturation")


def _controller(gadget: Gadget) -> Iterator[Problem]:
    controller = gadget.controller
    limits = None if controller is None else controller.limits
    if limits is not None and not _below(limits.input_low, limits.input_high):
        yield _problem(
            "controller.limits.input_high",
            "a voltage could be low and high at once",
            f"more than input_low ({limits.input_low.text if limits.input_low else ''})",
        )
    reference = None if controller is None else controller.reference
    if reference is not None and reference.low <= 0:
        yield _problem("controller.reference", "a reference of zero", "more than zero")
    if controller is not None:
        yield from _step(controller)
    if controller is not None and controller.regulator is not None:
        yield from _regulator(gadget, controller.regulator)
    sources = [
        "usb",
        "cell",
        *(["charger.status"] if gadget.charger is not None and gadget.charger.status else []),
        *(f"button.{name}" for name in gadget.buttons),
        *(f"toggle.{name}" for name in gadget.read_toggles),
        *(f"receiver.{name}" for name in gadget.proximity),
    ]
    for name, pin in gadget.pins.items():
        if pin.source not in sources:
            yield Problem(
                key=f"pins.{name}.source",
                text="the gadget has no such source",
                allowed=", ".join(sources),
                suggestion=nearest(pin.source, sources),
            )
        if pin.pull_up and (controller is None or controller.pull_up is None):
            yield _problem(
                f"pins.{name}.pull_up", "the controller has no pull-up", "controller.pull_up too"
            )


def _light(key: str, light: Light) -> Iterator[Problem]:
    yield from _forward(f"{key}.forward", light.forward)
    yield from _switch(f"{key}.switch", light.switch)
    driver = light.driver
    if driver is None:
        if light.resistor is None:
            yield _problem(f"{key}.resistor", "this is missing",
                           'for example resistor = "22R", or a driver')
        return
    if light.resistor is not None:
        yield _problem(f"{key}.resistor", "the current is set twice", "resistor or driver")
    if driver.current.low <= 0:
        yield _problem(f"{key}.driver.current", "no current flows", "more than zero")
    if light.switch is not None and light.switch.kind == "npn":
        yield _problem(f"{key}.switch", "a driver in series with an npn cannot be worked out",
                       'no switch, or one of kind "pin", "nmos" or "pmos"')


def _fed(gadget: Gadget, name: str) -> Iterator[Problem]:
    """What feeds a light beside the cell has to be told, and nothing switches it."""
    key, light, charger = f"lights.{name}", gadget.lights_[name], gadget.charger
    if charger is None or charger.input is None:
        yield _problem(f"{key}.fed_by", "the supply that feeds it is not given",
                       'voltage = "5 V" in [charger.input]')
    elif light.fed_by == "charger.status" and charger.status is None:
        yield _problem(f"{key}.fed_by", "the charger has no status pin", "charger.status, or usb")
    for word, there in (("segments", light.segments), ("driver", light.driver is not None),
                        ("switch", light.switch is not None)):
        if there:
            yield _problem(f"{key}.{word}", f"this has no meaning beside fed_by: {light.fed_by} "
                           "lights it through its resistor", "a resistor alone")


def _forward(key: str, points: tuple[ForwardPoint, ...]) -> Iterator[Problem]:
    ordered = sorted(points, key=lambda point: point.current_a.value)
    for before, after in itertools.pairwise(ordered):
        text = f'"{after.voltage_v.text} @ {after.current_a.text}"'
        if before.current_a.value == after.current_a.value:
            yield _problem(key, f"{text} is the second point at this current", "one point each")
        elif before.voltage_v.value >= after.voltage_v.value:
            yield _problem(
                key,
                f"{text} has more current at no more voltage than the point before",
                "a voltage that rises with the current",
            )


_SWITCH_KEYS = {
    "pin": ("resistance",),
    "nmos": ("on_resistance",),
    "pmos": ("on_resistance",),
    "npn": ("base", "gain", "reverse_gain", "saturation_current", "saturation", "storage"),
}


def _switch(key: str, switch: Switch | None) -> Iterator[Problem]:
    if switch is None:
        return
    for names in _SWITCH_KEYS.values():
        for name in names:
            if name not in _SWITCH_KEYS[switch.kind] and getattr(switch, name) is not None:
                yield _problem(
                    f"{key}.{name}",
                    f'a switch of kind "{switch.kind}" has no {name}',
                    ", ".join(_SWITCH_KEYS[switch.kind]),
                )
    for name in ("gain", "reverse_gain"):
        number = getattr(switch, name)
        if number is not None and not 0 < number < 1e6:
            yield _problem(f"{key}.{name}", "this is not a current gain", "a number above zero")
    if switch.kind == "npn":
        yield from _npn(key, switch)


def _npn(key: str, switch: Switch) -> Iterator[Problem]:
    if switch.base is None:
        yield _problem(key, 'the key "base" is missing', 'for example base = "1k"')
    elif switch.base.low <= 0:
        yield _problem(f"{key}.base", "a base resistor of zero", "more than zero")
    if switch.saturation is not None:
        for name in ("gain", "reverse_gain", "saturation_current"):
            if getattr(switch, name) is not None:
                yield _problem(
                    f"{key}.{name}",
                    'this has no meaning beside "saturation"',
                    "a constant saturation, or gain and saturation_current",
                )
        return
    for name in ("gain", "saturation_current"):
        if getattr(switch, name) is None:
            yield _problem(
                key,
                f'the key "{name}" is missing',
                "gain and saturation_current, or a constant saturation",
            )
    if switch.saturation_current is not None and switch.saturation_current.low <= 0:
        yield _problem(f"{key}.saturation_current", "a current of zero", "more than zero")


def _load(key: str, load: Load) -> Iterator[Problem]:
    if (load.current is None) == (load.resistance is None):
        yield _problem(
            key,
            "a load has neither current nor resistance"
            if load.current is None
            else "a load has both current and resistance",
            "exactly one of current and resistance",
        )
    if load.resistance is not None and load.resistance.low <= 0:
        yield _problem(f"{key}.resistance", "this is a short circuit", "more than zero")


def _emitter(key: str, sensor: Proximity) -> Iterator[Problem]:
    if sensor.emitter is not None:
        yield from _forward(f"{key}.emitter.forward", sensor.emitter.forward)
        yield from _switch(f"{key}.emitter.switch", sensor.emitter.switch)
