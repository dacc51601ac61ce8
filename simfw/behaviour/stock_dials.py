"""Stock region of a dial: a value that is counted up and down."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from simfw.behaviour.region import Drive, Position, State
from simfw.behaviour.stock_parts import Rows, Stock, region_of
from simfw.behaviour.tree import Expression
from simfw.gadget.fields import Level
from simfw.gadget.model import MOST_POSITIONS, Dial, DialRow, Gadget

__all__ = ["dial_drive", "dial_parts", "given"]


def given(level: Level) -> Drive:
    """What the value of a position gives."""
    return Drive(level.duty) if level.segments is None else Drive(1.0, level.segments)


def dial_drive(name: str, dial: Dial) -> Drive:
    """How a state drives something by this dial: the largest value, and whose it is."""
    most = max((given(level) for level in dial.levels), default=Drive(0.0),
               key=lambda drive: (drive.segments or 0, drive.duty))
    return replace(most, dial=name)


def _users(gadget: Gadget, name: str) -> tuple[str, ...]:
    """The lights and loads that states drive or scale by the dial called `name`."""
    found: dict[str, None] = {}
    for behaviour in gadget.behaviour.values():
        for levels in behaviour.states.values():
            for output, level in levels.items():
                if level.named == name:
                    found[output] = None
                for scaled, factor in level.scales or ():
                    if factor == name:
                        found[scaled] = None
    return tuple(found)


def dial_parts(
    name: str, dial: Dial, gadget: Gadget, when: Sequence[Expression | None] = ()
) -> Stock:
    """The region of a dial: one state for each position, called by its number.

    `when` are the guards of its rows. A step that would lead beyond an end stops at it and emits
    `NAME.end`, after `NAME.changed` if it moved; one with `wrap` goes round. What leads to the
    present position emits nothing.
    """
    # A dial of a file with slips may have no values: that is told of elsewhere.
    levels = dial.levels or (Level(duty=0.0),) * MOST_POSITIONS
    outputs, count = _users(gadget, name), len(levels)
    rows = Rows(
        State(name=str(place), position=Position(dial=name, drive=given(level), outputs=outputs))
        for place, level in enumerate(levels)
    )
    for index, row in enumerate(dial.rows):
        guard = when[index] if index < len(when) else None
        for event in row.on:
            for here in range(count):
                there, beyond = _target(row, here, count)
                emit = (f"{name}.changed",) * (there != here) + (f"{name}.end",) * beyond
                rows.add(f"dials.{name}.rows[{index}]", str(here),
                         "same" if there == here else str(there), on=event, when=guard, emit=emit,
                         note=row.note)
    return Stock(
        regions=(replace(region_of(name, "dials", rows), starts=str(min(dial.starts, count - 1)),
                         kept="state" if dial.kept else None),),
        conditions=(),
        events=(f"{name}.changed", f"{name}.end"),
        internal_events=(),
        raw_events=(),
        aliases={},
        shorthands={},
        flags=(),
        counts={name: {str(place): place for place in range(count)}},
    )


def _target(row: DialRow, here: int, count: int) -> tuple[int, bool]:
    """Where the row leads from position `here`, and whether it would lead beyond an end."""
    if row.step is None:
        return min(row.to or 0, count - 1), False
    there = here + row.step
    if row.wrap:
        return there % count, False
    within = min(max(there, 0), count - 1)
    return within, within != there
