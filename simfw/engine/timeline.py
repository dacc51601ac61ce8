"""A scenario's steps as a list of input changes by time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

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

__all__ = ["ABSENT", "Change", "Kind", "timeline"]

Kind = Literal["contact", "hand", "usb", "temperature", "fault", "expect"]
ABSENT = -1.0  # the distance of a hand that is not there


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


def timeline(scenario: Scenario, start_ns: int = 0) -> list[Change]:
    """All changes of a scenario that begins at `start_ns`, by time, file order kept."""
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
    return sorted(changes, key=lambda change: change.time_ns)
