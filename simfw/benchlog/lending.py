"""Looks that hold for several combinations of answers: made once, and lent.

Only what is sure is lent. Two gadgets that differ in what some states drive, or in how long it is
until one of them is left by itself, show the same in a run of steps that is never in one of these
states (which ones a reading or a recording meets is not known); two that differ in how the charger
charges, or in what its pin tells, show the same where USB is never in, and two that differ in how
many echoes make a hand where no hand is there. Whatever else differs is looked at by each.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from simfw.behaviour.build import build_system
from simfw.benchlog.margin import Margin
from simfw.benchlog.model import BenchLog, Do, Observation, PinSeen, differ_in
from simfw.benchlog.world import tick_ns
from simfw.gadget.fields import Level
from simfw.gadget.model import Gadget
from simfw.gadget.part import Part
from simfw.stimuli.steps import Usb, Wave

__all__ = ["Lent", "Look", "Looks", "apart", "shares"]

States = frozenset[tuple[str, str]]

# What a charger does with USB in, and nothing without it.
_CHARGING = frozenset({"program", "program_open", "gain", "current", "float_", "finish",
                       "precharge", "recharge"})
# The same where nothing pulls up the pin that it lets go of.
_TELLING = _CHARGING | {"status"}
# What a sensor counts that sees something, and nothing else.
_COUNTING = frozenset({"agree"})


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
    rows = not any(one.key.startswith("behaviour.") for one in log.unknowns)
    for number, seen in enumerate(log.observations):
        groups: list[dict[tuple[int, ...], States]] = []
        for combination in log.combinations:
            for group in groups:
                states = apart(log.gadgets[next(iter(group))], log.gadgets[combination], seen,
                               rows=rows)
                if states is not None:
                    group[combination] = states
                    break
            else:
                groups.append({combination: frozenset()})
        yield from ((number, group) for group in groups if len(group) > 1)


def apart(
    one: Gadget, other: Gadget, seen: Observation, *, rows: bool = True
) -> States | None:
    """The states that drive something else in one gadget than in another, or that are left by
    themselves after another time, where an observation cannot tell any more of them apart; None
    where it might. Without `rows` no row may differ: figures name them by their numbers.
    """
    if differ_in(one, other) - {"charger", "behaviour", "proximity"}:
        return None
    if one.charger != other.charger and (
        _with_usb(seen) or not _alike(one.charger, other.charger, _told(one, other))
    ):
        return None
    if one.proximity != other.proximity and not _unseen(one, other, seen):
        return None
    found = set()
    if list(one.behaviour) != list(other.behaviour):
        return None
    for name, region in one.behaviour.items():
        there = other.behaviour[name]
        if not _alike(region, there, frozenset({"states", "rows"})) or (
            list(region.states) != list(there.states)
        ):
            return None
        if region.rows != there.rows:
            left = _left_otherwise(one, other, name) if rows else None
            if left is None:
                return None
            found |= {(name, state) for state in left}
        for state, drives in region.states.items():
            if drives != there.states[state]:
                if not all(map(_plain, (*drives.values(), *there.states[state].values()))):
                    return None
                found.add((name, state))
    if found and not seen.steps:
        return None  # which states a reading or a recording meets is not known
    return frozenset(found)


def _told(one: Gadget, other: Gadget) -> frozenset[str]:
    """What of two chargers shows with USB in only."""
    pins = [gadget.charger is not None and gadget.charger.status is not None
            and not gadget.status_pulled_up for gadget in (one, other)]
    return _TELLING if all(pins) else _CHARGING


def _unseen(one: Gadget, other: Gadget, seen: Observation) -> bool:
    """Whether two gadgets differ only in how many echoes of sensors make a hand, before which none
    is held in an observation.
    """
    if seen.recorded is not None or list(one.proximity) != list(other.proximity):
        return False
    differ = [name for name, sensor in one.proximity.items() if sensor != other.proximity[name]]
    held = () if seen.reading is None else seen.reading.held
    stock = () if seen.reading is None else seen.reading.stock
    waves = {step.sensor for step in (*held, *(one.step for one in seen.steps
                                               if isinstance(one, Do)))
             if isinstance(step, Wave)}
    return all(
        _alike(one.proximity[name], other.proximity[name], _COUNTING) and name not in waves
        and not any(region.startswith(f"{name}.") for region, _ in stock) for name in differ)


def _left_otherwise(one: Gadget, other: Gadget, name: str) -> set[str] | None:
    """The states of a region that a dwell leaves after another time, or to elsewhere; None where it
    differs in more than that, or the controller's clock counts in other steps.

    A run that comes to rest in none of them never sees such a dwell end: what lasts no time does
    not last that long.
    """
    if tick_ns(one) != tick_ns(other):
        return None
    here, there = (build_system(gadget).region(name) for gadget in (one, other))
    left = set()
    for state in here.states:
        at_once, later = ([
            [(row.on, row.after_ns, row.when, row.to, row.emit) for row in region.rows
             if state.name in row.sources and bool(row.after_ns) == dwells]
            for region in (here, there)] for dwells in (False, True))
        if at_once[0] != at_once[1]:
            return None
        if later[0] != later[1]:
            left.add(state.name)
    return left


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
