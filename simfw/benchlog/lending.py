"""Looks that hold for several combinations of answers: made once, and lent.

Only what is sure is lent. Two gadgets that differ in what some states drive show the same in a run
of steps that is never in one of these states (which ones a reading or a recording meets is not
known); two that differ in how the charger charges show the same where USB is never in. Whatever
else differs is looked at by each.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from simfw.benchlog.margin import Margin
from simfw.benchlog.model import BenchLog, Do, Observation, PinSeen, differ_in
from simfw.gadget.fields import Level
from simfw.gadget.model import Gadget
from simfw.gadget.part import Part
from simfw.stimuli.steps import Usb

__all__ = ["Lent", "Look", "Looks", "apart", "shares"]

States = frozenset[tuple[str, str]]

# What a charger does with USB in, and nothing without it.
_CHARGING = frozenset({"program", "program_open", "gain", "current", "float_", "finish",
                       "precharge", "recharge"})


@dataclass(frozen=True, slots=True)
class Look:
    """An exact look, and the states (region, state) that its steps met."""

    margins: tuple[Margin, ...]
    met: States


Looks = dict[tuple[bool, tuple[float, ...]], Look]
"""Looks at one observation by how they were made: near or not, and at which point."""


@dataclass(frozen=True, slots=True)
class Lent:
    """The looks of another combination at one observation.

    `apart`: the states that drive something else there, so that a look that met one is no use.
    """

    apart: States
    looks: Looks

    def find(self, near: bool, point: tuple[float, ...]) -> tuple[Margin, ...] | None:
        """The margins at a point; None where there is no look that holds here too."""
        look = self.looks.get((near, point))
        return None if look is None or look.met & self.apart else look.margins


def shares(log: BenchLog) -> Iterator[tuple[int, dict[tuple[int, ...], States]]]:
    """The observations of which some combinations may share looks.

    For each such group: the number of the observation, and for each combination of the group the
    states in which it differs from the first one.
    """
    for number, seen in enumerate(log.observations):
        groups: list[dict[tuple[int, ...], States]] = []
        for combination in log.combinations:
            for group in groups:
                states = apart(log.gadgets[next(iter(group))], log.gadgets[combination], seen)
                if states is not None:
                    group[combination] = states
                    break
            else:
                groups.append({combination: frozenset()})
        yield from ((number, group) for group in groups if len(group) > 1)


def apart(one: Gadget, other: Gadget, seen: Observation) -> States | None:
    """The states that drive something else in one gadget than in another, where an observation
    cannot tell any more of them apart; None where it might.
    """
    if differ_in(one, other) - {"charger", "behaviour"}:
        return None
    if one.charger != other.charger and (
        _with_usb(seen) or not _alike(one.charger, other.charger, _CHARGING)
    ):
        return None
    found = set()
    if list(one.behaviour) != list(other.behaviour):
        return None
    for name, region in one.behaviour.items():
        there = other.behaviour[name]
        if not _alike(region, there, frozenset({"states"})) or (
            list(region.states) != list(there.states)
        ):
            return None
        for state, drives in region.states.items():
            if drives != there.states[state]:
                if not all(map(_plain, (*drives.values(), *there.states[state].values()))):
                    return None
                found.add((name, state))
    if found and not seen.steps:
        return None  # which states a reading or a recording meets is not known
    return frozenset(found)


def _plain(level: Level) -> bool:
    """Whether a state asks for a level, and not for what changes more than what is drawn in it."""
    return not level.unpowered and (level.awake, level.named, level.scales) == (None, None, None)


def _alike(one: Part | None, other: Part | None, but: frozenset[str]) -> bool:
    """Whether two parts are the same but for some fields."""
    if one is None or other is None:
        return one is other
    return all(getattr(one, name) == getattr(other, name)
               for name in type(one).model_fields if name not in but)


def _with_usb(seen: Observation) -> bool:
    """Whether USB may be in, or the charger's pin is looked at."""
    return (
        seen.recorded is not None
        or (seen.reading is not None and (seen.reading.usb or bool(seen.reading.stock)))
        or any(isinstance(step, PinSeen) or (isinstance(step, Do) and isinstance(step.step, Usb))
               for step in seen.steps)
    )
