"""Faults that bear on power-up alone: every power-up is gone through, with and without the fault.

Where both then stand alike, whatever the pins and the readings were, nothing that follows differs.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import permutations, product

from simfw.behaviour.region import STATUS_LEVELS, Region, System
from simfw.engine.supply import found_at_pins
from simfw.errors import EndlessInstant
from simfw.vectors.around import Readings, asked_by
from simfw.vectors.exposing import drives_nothing
from simfw.vectors.faults import Fault
from simfw.vectors.twisted import Faulty

__all__ = ["starts_alike"]

MOST = 4_000  # power-ups that are gone through
MOST_CONTACTS = 4  # that may move in the very instant, in any order
PINS = ("usb", "status")


class _AskedError(Exception):
    """Something is asked for that is not known here."""


class _Pins:
    """What is found at power-up: the world of a stepper."""

    def __init__(self) -> None:
        self.levels: Mapping[str, int] = {}
        self.values: Mapping[str, float] = {}

    def flag(self, name: str) -> bool:
        """An input."""
        stem, _, tail = name.rpartition(".")
        if name == "usb":
            return bool(self.levels["usb"])
        if stem == "status":
            return STATUS_LEVELS[self.levels["status"]] == tail
        if tail == "closed" and stem in self.levels:
            return bool(self.levels[stem])
        raise _AskedError

    def quantity(self, name: str) -> float:
        """A number: none is known but by its levels."""
        del name
        raise _AskedError

    def below(self, quantity: str, level: float) -> bool:
        """Whether a reading is below a level."""
        if quantity not in self.values:
            raise _AskedError
        return self.values[quantity] < level


def starts_alike(system: System, fault: Fault) -> bool:
    """Whether a fault bears on power-up alone, and leaves it as it is."""
    if (system.clocks or system.powered_by or any(region.kept for region in system.regions)
            or len(system.contacts) > MOST_CONTACTS or fault.twist.edge or fault.twist.opened):
        return False
    early = frozenset[str]()
    if fault.kind == "awake":
        (name,) = fault.touched
        early = _early(system.region(name))
        if not _changed(system.region(name), fault.system.region(name)) <= early:
            return False
    elif fault.kind not in ("starts", "power-up"):
        return False
    model, other = _Pins(), _Pins()
    steppers = Faulty(system, model), Faulty(fault.system, other)
    told = drives_nothing(system)
    for number, (levels, values, moved) in enumerate(_found(system)):
        if number == MOST:
            return False
        model.levels = other.levels = levels
        model.values = other.values = values
        raw = [event for event in (f"{name}.edge" for name in moved)
               if event in system.raw_events]
        raw += found_at_pins(model.flag, system.raw_events)
        met = [event for event in raw if event != f"{fault.twist.unseen}.edge"]
        happened = []
        try:
            for stepper, events in zip(steppers, (raw, met), strict=True):
                stepper.clear()
                happened.append(stepper.run_instant(0, events, power_up=True))
        except (_AskedError, EndlessInstant):
            return False
        one, two = steppers
        if _stands(one) != _stands(two) or (told and happened[0] != happened[1]):
            return False
        if early and one.state_name(*fault.touched) in early:
            return False
    return True


def _found(system: System
           ) -> Iterator[tuple[Mapping[str, int], Mapping[str, float], Sequence[str]]]:
    """All that may be found at the pins and read at power-up; and the contacts that move with it,
    in any order.
    """
    values = Readings(asked_by(system.regions, system.conditions)).values()
    names = [*system.contacts, *PINS]
    orders = [order for count in range(len(system.contacts) + 1)
              for order in permutations(system.contacts, count)]
    for levels in product(*((0, 1) for _ in system.contacts), (0, 1),
                          range(len(STATUS_LEVELS))):
        for read in product(*values.values()):
            for moved in orders:
                yield (dict(zip(names, levels, strict=True)),
                       dict(zip(values, read, strict=True)), moved)


def _stands(stepper: Faulty) -> tuple[object, ...]:
    """All that decides how it goes on, and whether it was awake."""
    awake = any(table[state] for table, state
                in zip(stepper.awake, stepper.states, strict=True))
    return (tuple(stepper.states), tuple(stepper.dues), tuple(stepper.spent),
            tuple(stepper.memory), tuple(stepper.condition_values), awake, stepper.woke)


def _changed(region: Region, other: Region) -> set[str]:
    return {one.name for one, two in zip(region.states, other.states, strict=True) if one != two}


def _early(region: Region) -> frozenset[str]:
    """The states that a region is in at power-up only: none of them is entered from another."""
    early = {region.starts} - {to for row in region.rows for to in region.entered_by(row)}
    while early:
        more = {state.name for state in region.states if state.name not in early and (
            into := [row for row in region.rows if state.name in region.entered_by(row)])
            and all(early.issuperset(row.sources) for row in into)}
        if not more:
            break
        early |= more
    return frozenset(early)
