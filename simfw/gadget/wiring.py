"""What the charger's limits, the pins and the cell's resistances must be.

Each check returns `Problem`s with key paths; the loader adds file and line.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from simfw.errors import Problem
from simfw.gadget.model import Cell, Charger, ChargerInput, Gadget, Pin

__all__ = ["wiring_problems"]


def wiring_problems(gadget: Gadget) -> list[Problem]:
    """Return what cannot be about limits, pins and resistances of `gadget`."""
    problems = list(_resistances(gadget.cell))
    if gadget.charger is not None:
        problems += _charger(gadget.charger)
    for name, sensor in gadget.proximity.items():
        receiver = sensor.receiver
        if receiver is not None and receiver.bursts is not None and receiver.gain_control:
            problems.append(_problem(f"proximity.{name}.receiver.gain_control",
                                     "the rules for bursts are written twice",
                                     "gain_control or bursts"))  # fmt: skip
    for name, pin in gadget.pins.items():
        problems += _pin(f"pins.{name}", pin)
    return problems


def _problem(key: str, text: str, allowed: str) -> Problem:
    return Problem(key=key, text=text, allowed=allowed)


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
        yield from _runs_throughout(charger, supply)
    warm_float = None if charger.windows is None else charger.windows.warm_float
    if warm_float is not None and warm_float.value > charger.float_.value:
        yield _problem(
            "charger.windows.warm_float",
            "a warm cell would be charged further than a cool one",
            f"charger.float ({charger.float_.text}) or less",
        )


def _runs_throughout(charger: Charger, supply: ChargerInput) -> Iterator[Problem]:
    """USB is in or out, at one voltage: a charger that would not run then cannot be simulated."""
    most_v = supply.voltage.value
    if most_v <= charger.float_.value:
        yield _problem("charger.input.voltage", "a linear charger does not raise its input: the "
                       "cell would never be full", f"more than float ({charger.float_.text})")
    for name in ("start", "stop"):
        level = getattr(supply, name)
        if level is not None and level.value > most_v:
            yield _problem(f"charger.input.{name}", "the charger would never run",
                           f"voltage ({supply.voltage.text}) or less")  # fmt: skip
    for name in ("start_above_cell", "stop_above_cell"):
        margin = getattr(supply, name)
        if margin is not None and charger.float_.value + margin.value > most_v:
            yield _problem(
                f"charger.input.{name}",
                "the charger would stand still before the cell is full",
                f"voltage less float ({most_v - charger.float_.value:.3g} V) or less",
            )
    currents = [one.value for one in (charger.current, supply.limit) if one is not None]
    if charger.current is None and charger.gain is not None and charger.program is not None:
        currents.append(charger.gain.value / charger.program.value)
    if supply.stop is None or supply.resistance is None or not currents:
        return
    least_v = most_v - min(currents) * supply.resistance.value
    if supply.hold is not None:
        least_v = max(least_v, supply.hold.value)
    if least_v < supply.stop.value <= most_v:
        yield _problem(
            "charger.input.stop",
            f"its own current would pull its input down to {least_v:.3g} V and stop it, again and "
            "again",
            f"{least_v:.3g} V or less, or hold above it",
        )


def _pin(key: str, pin: Pin) -> Iterator[Problem]:
    for name in ("to_ground", "to_supply"):
        ohm = getattr(pin, name)
        if ohm is not None and ohm.low <= 0:
            yield _problem(f"{key}.{name}", "a short circuit", "more than zero")
