"""What the specification says of sequences: their steps or lines, and when they are played."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from simfw.behaviour.region import System
from simfw.formatting import format_duration, format_percent
from simfw.gadget.model import Sequence
from simfw.report.specification.document import Block, Cell, Paragraph, Table
from simfw.report.specification.words import in_words

if TYPE_CHECKING:
    from simfw.report.specification.subject import Subject

__all__ = ["played", "played_text", "sequence_blocks"]

MEANING = (
    "A sequence begins with its first step in the instant in which its state is entered, also "
    "where a row enters the present state anew; where a row stays, it runs on. It repeats for "
    "ever, or as often as told: then it drives nothing more, after the last step in full. A step "
    "that ends takes effect just before the dwells of its region among all that ends at that "
    "time. Neither events nor guards depend on the step it is in."
)


def played(system: System) -> dict[str, dict[str, dict[str, list[str]]]]:
    """For each output, which sequences drive it in which states: by sequence and region."""
    found: dict[str, dict[str, dict[str, list[str]]]] = {}
    for region in system.regions:
        for state in region.states:
            for output, one in state.sequences.items():
                found.setdefault(output, {}).setdefault(one.name, {}).setdefault(
                    region.name, []).append(state.name)
    return found


def played_text(output: str, where: Mapping[str, Mapping[str, list[str]]], *, steady: bool) -> str:
    """The sentence of an output that sequences drive; `steady` where states drive it as well."""
    said = "; ".join(
        f"as the sequence `{sequence}` tells while " + in_words(
            (f"`{region}` is in {in_words((f'`{state}`' for state in states), 'or')}"
             for region, states in regions.items()), "or")
        for sequence, regions in where.items())
    text = f"The firmware shall drive `{output}` {said}"
    if steady:
        return f"{text}; where it is driven otherwise as well, at the larger level of the moment."
    several = len({region for regions in where.values() for region in regions}) > 1
    both = "; where more than one does, at the larger level of the moment" if several else ""
    return f"{text}{both}; and off otherwise."


def sequence_blocks(subject: Subject) -> list[Block]:
    """The sequences that are played, each with its times."""
    gadget = subject.gadget
    outputs: dict[str, str] = {}
    for output, where in played(subject.system).items():
        for name in where:
            outputs.setdefault(name, output)
    if not outputs:
        return []
    blocks: list[Block] = [Paragraph(MEANING)]
    for name, sequence in gadget.sequences.items():
        if name in outputs:
            blocks.append(_table(name, sequence, subject.segments.get(outputs[name])))
    return blocks


def _table(name: str, sequence: Sequence, segments: int | None) -> Table:
    ends = "for ever" if sequence.times is None else (
        "once" if sequence.times == 1 else f"{sequence.times} times")
    if sequence.points and sequence.every is not None:
        period = format_duration(sequence.points[-1].at.ns)
        return Table(
            caption=f"Sequence `{name}`: straight lines between these points, {ends}, {period} a "
                    f"round; every {format_duration(sequence.every.ns)} the level becomes that of "
                    "the line at that time",
            head=("time", "level"),
            rows=tuple((Cell(format_duration(point.at.ns), numeric=True),
                        Cell(format_percent(point.level), numeric=True))
                       for point in sequence.points),
        )
    period = format_duration(sum(step.lasts.ns for step in sequence.steps))
    rows = []
    for number, step in enumerate(sequence.steps, start=1):
        level = "off"
        if step.level.segments:
            level = f"{step.level.segments} segment{'' if step.level.segments == 1 else 's'}"
        elif step.level.duty == 1:
            level = "on" if segments is None else f"all {segments} segments"
        elif step.level.duty:
            level = format_percent(step.level.duty)
        rows.append((Cell(str(number), numeric=True), Cell(level, numeric=True),
                     Cell(format_duration(step.lasts.ns), numeric=True)))
    return Table(caption=f"Sequence `{name}`: its steps, {ends}, {period} a round",
                 head=("step", "level", "for"), rows=tuple(rows))
