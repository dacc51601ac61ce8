"""What the charger's limits, the pins and the cell's resistances must be to each other.

Each check returns `Problem`s with key paths; the loader adds file and line.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

from simfw.errors import Problem, nearest
from simfw.gadget.model import Cell, Charger, ChargerWindows, Gadget, Pin

__all__ = ["wiring_problems"]


def wiring_problems(gadget: Gadget) -> list[Problem]:
    """Return what cannot be about limits, pins and resistances of `gadget`."""
    problems = list(_resistances(gadget.cell))
    if gadget.charger is not None:
        problems += _charger(gadget.charger)
    problems += _limits(gadget)
    for name, pin in gadget.pins.items():
        problems += _pin(gadget, f"pins.{name}", pin)
    return problems


def _problem(key: str, text: str, allowed: str, suggestion: str | None = None) -> Problem:
    return Problem(key=key, text=text, allowed=allowed, suggestion=suggestion)


def _resistances(cell: Cell) -> Iterator[Problem]:
    lists: tuple[tuple[str, str, Sequence[float]], ...] = (
        ("resistance_at_charge", "charge", [p.charge.value for p in cell.resistance_at_charge]),
        (
            "resistance_at_temperature",
            "temperature",
            [p.temperature_c.value for p in cell.resistance_at_temperature],
        ),
    )
    for key, what, places in lists:
        if len(set(places)) < len(places):
            yield _problem(f"cell.{key}", f"two values at one {what}", "one value each")
    for number, point in enumerate(cell.resistance_at_temperature):
        if point.resistance_ohm.low <= 0:
            key = f"cell.resistance_at_temperature[{number}]"
            yield _problem(key, "a resistance of zero scales nothing", "more than zero")


def _charger(charger: Charger) -> Iterator[Problem]:
    supply = charger.input
    if supply is None:
        for name in ("heat", "pass_resistance"):
            if getattr(charger, name) is not None:
                yield _problem(
                    f"charger.{name}", "the input voltage is not given", "charger.input beside it"
                )
    else:
        if supply.hold is not None and supply.resistance is None:
            yield _problem(
                "charger.input.hold",
                "what is in front of the charger is not given",
                "charger.input.resistance beside it",
            )
        for on, off in (("start", "stop"), ("start_above_cell", "stop_above_cell")):
            high, low = getattr(supply, on), getattr(supply, off)
            if high is not None and low is not None and low.value > high.value:
                yield _problem(
                    f"charger.input.{off}",
                    "the charger would stop before it starts",
                    f"{on} ({high.text}) or less",
                )
    if charger.windows is not None:
        yield from _windows(charger, charger.windows)


def _windows(charger: Charger, windows: ChargerWindows) -> Iterator[Problem]:
    names = [n for n in ("cold", "cool", "warm", "hot") if getattr(windows, n) is not None]
    for lower, upper in pairwise(names):
        low, high = getattr(windows, lower), getattr(windows, upper)
        if low.value >= high.value:
            yield _problem(
                f"charger.windows.{upper}", f"not above {lower}", f"more than {low.text}"
            )
    for edge, rule in (("cool", "cool_rate"), ("warm", "warm_float")):
        if (getattr(windows, edge) is None) != (getattr(windows, rule) is None):
            given, missing = (edge, rule) if getattr(windows, rule) is None else (rule, edge)
            yield _problem(
                f"charger.windows.{given}", f'this has no meaning without "{missing}"', "both"
            )
    if windows.warm_float is not None and windows.warm_float.value > charger.float_.value:
        yield _problem(
            "charger.windows.warm_float",
            "a warm cell would be charged further than a cool one",
            f"charger.float ({charger.float_.text}) or less",
        )


def _limits(gadget: Gadget) -> Iterator[Problem]:
    limits = None if gadget.controller is None else gadget.controller.limits
    if limits is None or limits.input_low is None or limits.input_high is None:
        return
    if limits.input_low.value >= limits.input_high.value:
        yield _problem(
            "controller.limits.input_high",
            "the lowest high level is not above the highest low level",
            f"more than input_low ({limits.input_low.text})",
        )


def _pin(gadget: Gadget, key: str, pin: Pin) -> Iterator[Problem]:
    sources = [
        "usb",
        "cell",
        *(["charger.status"] if gadget.charger is not None else []),
        *(f"button.{name}" for name in gadget.buttons),
        *(f"receiver.{name}" for name in gadget.proximity),
    ]
    if pin.source not in sources:
        yield _problem(
            f"{key}.source", f'there is no source "{pin.source}"', ", ".join(sources),
            nearest(pin.source, sources),
        )  # fmt: skip
    if pin.pull_up and (gadget.controller is None or gadget.controller.pull_up is None):
        yield _problem(
            f"{key}.pull_up", "the controller's pull-up is not given", "controller.pull_up, or none"
        )
    for name in ("to_ground", "to_supply"):
        ohm = getattr(pin, name)
        if ohm is not None and ohm.low <= 0:
            yield _problem(f"{key}.{name}", "a short circuit", "more than zero")
