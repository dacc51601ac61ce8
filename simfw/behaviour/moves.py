"""What an instant makes of how the regions stand: told once, done again without running a row."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from simfw.behaviour.table import IDLE, Stepper

__all__ = ["Move", "Stand", "noted", "standing", "take"]

_T = TypeVar("_T")
Stand = tuple[tuple[int, ...], tuple[int, ...], tuple[int, ...], tuple[bool, ...]]
"""States, dwells of the stay that have expired, memory, and conditions that hold."""


@dataclass(frozen=True, slots=True)
class Move:
    """What an instant makes of how the regions stood before it.

    `sets` holds, of each region that moved, its number, its state, whether it was entered, how many
    dwells of the stay have expired, and after which time the next one does (ns; -1: none). `memory`
    and `conditions` hold (number, new value). `public` are the events, `fired` the rows.
    """

    sets: tuple[tuple[int, int, bool, int, int], ...]
    memory: tuple[tuple[int, int], ...]
    conditions: tuple[tuple[int, bool], ...]
    public: tuple[int, ...]
    moved: bool
    woke: bool
    fired: tuple[str, ...]


def standing(stepper: Stepper) -> Stand:
    """How the regions stand, but for times."""
    return (
        tuple(stepper.states), tuple(stepper.spent), tuple(stepper.memory),
        tuple(stepper.condition_values),
    )


def noted(stepper: Stepper, now_ns: int, raw_events: Iterable[str] = ()) -> Move:
    """Handle an instant, like `run_instant`, and tell what it made of how the regions stood."""
    _, waiting, memory, conditions = standing(stepper)
    serial = list(stepper.stays)
    told, stepper.fired = stepper.fired, []
    try:
        public = stepper.run_instant(now_ns, raw_events)
    finally:
        fired, stepper.fired = tuple(stepper.fired), told
        if told is not None:
            told.extend(fired)
    sets = []
    for number, state in enumerate(stepper.states):
        entered = stepper.stays[number] != serial[number]
        if entered or stepper.spent[number] != waiting[number]:
            groups, index = stepper.dwells[number][state], stepper.spent[number]
            after_ns = groups[index][0] if index < len(groups) else -1
            sets.append((number, state, entered, index, after_ns))
    return Move(
        sets=tuple(sets),
        memory=_changed(memory, stepper.memory),
        conditions=_changed(conditions, stepper.condition_values),
        public=tuple(public),
        moved=stepper.moved,
        woke=stepper.woke,
        fired=fired,
    )


def take(stepper: Stepper, now_ns: int, move: Move) -> None:
    """Do what `noted` told of an instant that began with the regions standing likewise."""
    states, entered, dues, waiting = stepper.states, stepper.entered_ns, stepper.dues, stepper.spent
    for number, state, enters, index, after_ns in move.sets:
        states[number] = state
        waiting[number] = index
        if enters:
            entered[number] = now_ns
        dues[number] = IDLE if after_ns < 0 else entered[number] + after_ns
    for number, value in move.memory:
        stepper.memory[number] = value
    for number, holds in move.conditions:
        stepper.condition_values[number] = holds
    if stepper.fired is not None:
        stepper.fired.extend(move.fired)
    stepper.moved = move.moved
    if move.moved:
        stepper.version += 1
    stepper.woke = move.woke
    if move.woke:
        stepper.on_wake(-1)


def _changed(before: Sequence[_T], after: Sequence[_T]) -> tuple[tuple[int, _T], ...]:
    """The places that hold something else now, and what."""
    pairs = zip(before, after, strict=True)
    return tuple((n, new) for n, (old, new) in enumerate(pairs) if old != new)
