"""A scenario's steps as a list of input changes, in the one order in which they happen.

At one time ends come before beginnings (a fault is over, a contact opens, a hand leaves, USB goes),
and either kind in one order: temperature, fault, contacts and hands as the gadget file has them,
USB. Where a step stands in the scenario's file has no part in it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from simfw.gadget.model import Gadget
from simfw.stimuli.scenario import (
    ChargerFault,
    Expect,
    Press,
    Scenario,
    Temperature,
    Usb,
    Wave,
    raw_edges,
)

__all__ = ["ABSENT", "Change", "Kind", "in_turn", "timeline"]

Kind = Literal["contact", "hand", "usb", "temperature", "fault", "expect"]
ABSENT = -1.0  # the distance of a hand that is not there
_KINDS: tuple[Kind, ...] = ("temperature", "fault", "contact", "hand", "usb", "expect")


@dataclass(frozen=True, slots=True)
class Change:
    """One input takes a new value: contact 0/1, hand distance (m), usb 0/1, temperature (degC),
    fault of the charger 0/1.

    For kind "expect", `name` is the key of the step and `text` its expression.
    """

    time_ns: int
    kind: Kind
    name: str
    value: float
    text: str = ""

    @property
    def ends(self) -> bool:
        """Whether it is the end of something: a contact opens, a hand leaves, USB goes."""
        if self.kind == "hand":
            return self.value == ABSENT
        return self.kind in ("contact", "usb", "fault") and not self.value


def in_turn(changes: Iterable[Change], gadget: Gadget) -> list[Change]:
    """Changes by time, those of one time in the order in which they happen."""
    inputs = {name: number for number, name in enumerate((*gadget.buttons, *gadget.proximity))}

    def turn(change: Change) -> tuple[int, bool, int, int, float, str]:
        return (
            change.time_ns, not change.ends, _KINDS.index(change.kind),
            inputs.get(change.name, 0), change.value, change.text,
        )

    return sorted(changes, key=turn)


def timeline(scenario: Scenario, gadget: Gadget, start_ns: int = 0) -> list[Change]:
    """All changes of a scenario that begins at `start_ns`, in the order in which they happen."""
    changes: list[Change] = []
    for step in scenario.steps:
        at = start_ns + step.at_ns
        if isinstance(step, Press):
            changes += [
                Change(start_ns + time_ns, "contact", step.button, float(closed))
                for time_ns, closed in raw_edges(step)
            ]
        elif isinstance(step, Wave):
            changes.append(Change(at, "hand", step.sensor, step.distance_m))
            changes.append(Change(at + step.for_ns, "hand", step.sensor, ABSENT))
        elif isinstance(step, Usb):
            changes.append(Change(at, "usb", "usb", float(step.present)))
        elif isinstance(step, Temperature):
            changes.append(Change(at, "temperature", "temperature", step.temperature_c))
        elif isinstance(step, ChargerFault):
            changes.append(Change(at, "fault", "fault", float(step.present)))
        elif isinstance(step, Expect):
            changes.append(Change(at, "expect", step.key, 0.0, step.text))
    return in_turn(changes, gadget)
