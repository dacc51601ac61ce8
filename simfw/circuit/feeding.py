"""Which part of a gadget draws from what, and what draws where its supply is gone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from simfw.circuit.endurance import discharge, empty_charge
from simfw.circuit.loads import LoadSet

if TYPE_CHECKING:
    from simfw.circuit.circuit import Circuit
    from simfw.gadget.model import Gadget

__all__ = ["Feeding", "PartFeeding", "Shelf", "feeding"]

Source = Literal["cell", "charger", "input", "input alone", "usb", "charging"]
WITHOUT = LoadSet(controller="off")
"""What is on while the firmware has let go of its supply, or a toggle has cut it off."""
OWN = ("leakage", "self_discharge")
"""What the cell and its protection draw, whatever feeds the rest."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PartFeeding:
    """One consumer, or light that USB or the charger lights.

    `without_usb`, `with_usb`: what it draws from: "cell"; "charger" (its output, the cell gives
    what is short of that); "input" (of a power path, likewise) or "input alone" (nothing limits
    it); "usb"; "charging" (USB, and only while it charges). None: dark then. `dead_a`: what it
    draws from a full cell without USB while the supply is gone (A), None where it is dead then.
    """

    name: str
    without_usb: Source | None
    with_usb: Source
    dead_a: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Shelf:
    """The gadget with its supply gone and without USB: what leaves a full and a low cell (A).

    `lasts_s`: from a full cell until `ended_by` ("protection", "empty"); None where it is "never".
    """

    full_a: float
    low_a: float
    lasts_s: float | None
    ended_by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Feeding:
    """What feeds a gadget, and what takes its supply away.

    `power_path`: whether the input feeds the parts with USB in, first out of `limit_a` (A, None
    without one). `powered_by` keep the supply while the firmware does not, and `hold_up_s` longer;
    in the states `lets_go` the firmware does not. `cut_by`: the toggles that cut it off. `usb`:
    whether anything draws from USB. `shelf`: None where nothing takes the supply away.
    """

    power_path: bool
    limit_a: float | None
    powered_by: tuple[str, ...]
    hold_up_s: float
    lets_go: tuple[str, ...]
    cut_by: tuple[str, ...]
    usb: bool
    parts: tuple[PartFeeding, ...]
    shelf: Shelf | None


def feeding(gadget: Gadget, circuit: Circuit) -> Feeding | None:
    """What feeds `gadget`; None where that is the cell, or its charger, whatever happens."""
    controller, charger = gadget.controller, gadget.charger
    powered_by = () if controller is None else tuple(controller.powered_by)
    hold_up = None if controller is None else controller.hold_up
    lets_go = tuple(f"{region}.{state}" for region, state in gadget.unpowered)
    cut_by = tuple(name for name, toggle in gadget.toggles.items() if toggle.in_supply)
    if not (gadget.power_path or powered_by or lets_go or cut_by):
        return None
    goes = bool(lets_go or cut_by)
    supply = None if charger is None else charger.input
    limit = None if supply is None else supply.limit
    return Feeding(
        power_path=gadget.power_path,
        limit_a=limit.value if gadget.power_path and limit is not None else None,
        powered_by=powered_by,
        hold_up_s=0.0 if hold_up is None else hold_up.ns * 1e-9,
        lets_go=lets_go,
        cut_by=cut_by,
        usb=charger is not None or bool(circuit.fed),
        parts=tuple(_parts(gadget, circuit, goes=goes)),
        shelf=_shelf(circuit) if goes else None,
    )


def _parts(gadget: Gadget, circuit: Circuit, *, goes: bool) -> list[PartFeeding]:
    drawn = circuit.solve(WITHOUT, [1.0]).consumers_a[:, 0].tolist()
    charger = gadget.charger
    fed: Source = "cell" if charger is None else "charger"
    if charger is not None and charger.power_path and charger.input is not None:
        ends = charger.input.limit is not None or charger.input.resistance is not None
        fed = "input" if ends else "input alone"
    found = [
        PartFeeding(name=name, without_usb="cell", with_usb="cell" if name in OWN else fed,
                    dead_a=amps if goes and amps > 0.0 else None)
        for name, amps in zip(circuit.consumers, drawn, strict=True)
    ]
    return found + [
        PartFeeding(name=name, without_usb=None, dead_a=None,
                    with_usb="usb" if light.fed_by == "usb" else "charging")
        for name, light in gadget.fed_lights.items()
    ]


def _shelf(circuit: Circuit) -> Shelf:
    ends = circuit.solve(WITHOUT, [1.0, empty_charge(circuit, WITHOUT)])
    full_a, low_a = ends.consumers_a.sum(axis=0).tolist()
    walk = discharge(circuit, WITHOUT)
    return Shelf(full_a=full_a, low_a=low_a, lasts_s=walk.run_time_s, ended_by=walk.ended_by)
