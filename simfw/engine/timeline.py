"""A scenario's steps as a list of input changes, in the one order in which they happen.

At one time ends come before beginnings (a fault is over, a contact opens, a hand leaves, USB goes),
and either kind in one order: temperature, fault, contacts and hands as the gadget file has them,
USB. Where a step stands in the scenario's file has no part in it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise
from operator import attrgetter
from typing import Literal

from simfw.gadget.model import Gadget
from simfw.stimuli import inputs
from simfw.stimuli.inputs import INPUTS, input_of
from simfw.stimuli.scenario import Expect, Scenario

__all__ = ["ABSENT", "Change", "Kind", "in_turn", "timeline"]

Kind = Literal[inputs.Kind, "expect"]
ABSENT = inputs.NO_HAND  # the distance of a hand that is not there
_TURN = {kind: number for number, kind in enumerate((*INPUTS, "expect"))}


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
        return self.kind != "expect" and INPUTS[self.kind].ends(self.value)


def in_turn(changes: Iterable[Change], gadget: Gadget) -> list[Change]:
    """Changes by time, those of one time in the order in which they happen."""
    changes = sorted(changes, key=attrgetter("time_ns"))
    if all(one.time_ns < other.time_ns for one, other in pairwise(changes)):
        return changes  # most often no two come at one time
    places = {(kind, name): number for kind, one in INPUTS.items()
              for number, name in enumerate(one.members(gadget))}

    def turn(change: Change) -> tuple[int, bool, int, int, float, str]:
        return (
            change.time_ns, not change.ends, _TURN[change.kind],
            places.get((change.kind, change.name), 0), change.value, change.text,
        )

    return sorted(changes, key=turn)


def timeline(scenario: Scenario, gadget: Gadget, start_ns: int = 0) -> list[Change]:
    """All changes of a scenario that begins at `start_ns`, in the order in which they happen."""
    changes: list[Change] = []
    for step in scenario.steps:
        at = start_ns + step.at_ns
        if isinstance(step, Expect):
            changes.append(Change(at, "expect", step.key, 0.0, step.text))
        elif (one := input_of(step)) is not None:
            changes += [Change(start_ns + time_ns, one.kind, step.target, level)
                        for time_ns, level in one.changes(step)]
    return in_turn(changes, gadget)
