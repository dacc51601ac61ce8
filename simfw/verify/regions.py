"""A region as the search has it: names are numbers, guards are functions, dwells are marks.

What may happen in each state is laid out once, so that an instant only follows lists.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from simfw.behaviour import expression as ex
from simfw.behaviour.region import Region
from simfw.verify.guards import Guard
from simfw.verify.terms import Mark, Span

__all__ = ["CompiledRegion", "CompiledRow", "Deadline", "compile_region"]


@dataclass(slots=True)
class CompiledRow:
    """A row: its key, its guard, the number of the state it leads to, the events it emits."""

    key: str
    guard: Guard | None
    to: int  # state index, -1 same, -2 resume
    emit: tuple[int, ...]


@dataclass(slots=True)
class Deadline:
    """A dwell of a state, and the rows that are tried when it expires, in order."""

    span: Span
    rows: list[CompiledRow]


@dataclass(slots=True)
class CompiledRegion:
    """A region; `hears`, `deadlines`, `zero`, `marks` and `open_ended` hold one entry per state.

    `hears` has the rows by the number of the event, `zero` those of dwells of no length. `marks`
    are the times at which something is due, in order. `open_ended` are the dwells that may expire
    at any time once ripe: (deadline, number of marks that ripen it).
    """

    name: str
    states: tuple[str, ...]
    starts: int
    hears: dict[int, list[list[CompiledRow]]]
    deadlines: list[list[Deadline]]
    zero: list[list[CompiledRow]]
    marks: list[list[Mark]]
    open_ended: list[list[tuple[int, int]]]
    resume: tuple[int, ...]


def compile_region(
    region: Region,
    spans: Mapping[str, Span],
    compiled: Callable[[ex.Expression], Guard],
    event_id: Callable[[str], int],
) -> CompiledRegion:
    """Compile a region; `spans` replaces the dwell of the rows with these keys."""
    names = tuple(state.name for state in region.states)
    number = {name: i for i, name in enumerate(names)}
    hears: dict[int, list[list[CompiledRow]]] = {}
    deadlines: list[list[Deadline]] = [[] for _ in names]
    zero: list[list[CompiledRow]] = [[] for _ in names]
    for row in region.rows:
        made = CompiledRow(
            key=row.key,
            guard=None if row.when is None else compiled(row.when),
            to={"same": -1, "resume": -2}.get(row.to, number.get(row.to, -1)),
            emit=tuple(event_id(event) for event in row.emit),
        )
        for source in row.sources:
            place = number[source]
            if row.on is not None:
                table = hears.setdefault(event_id(row.on), [[] for _ in names])
                table[place].append(made)
            elif row.after_ns == 0 and row.key not in spans:
                zero[place].append(made)
            else:
                span = spans.get(row.key, Span(row.after_ns or 0, row.after_ns or 0))
                _add_deadline(deadlines[place], span, made)
    laid = [_marks(of_state) for of_state in deadlines]
    return CompiledRegion(
        name=region.name, states=names, starts=number[region.starts], hears=hears,
        deadlines=deadlines, zero=zero, marks=[marks for marks, _ in laid],
        open_ended=[ripe for _, ripe in laid],
        resume=tuple(number[name] for name in region.resume_points),
    )


def _add_deadline(deadlines: list[Deadline], span: Span, row: CompiledRow) -> None:
    for deadline in deadlines:
        # Rows of one dwell are tried in order; an open-ended row is free on its own.
        if deadline.span == span and span.high_ns is not None:
            deadline.rows.append(row)
            return
    deadlines.append(Deadline(span, [row]))


def _marks(deadlines: list[Deadline]) -> tuple[list[Mark], list[tuple[int, int]]]:
    due: dict[tuple[int, int], list[int]] = {}
    for i, deadline in enumerate(deadlines):
        low, high = deadline.span.low_ns, deadline.span.high_ns
        if high is not None:
            due.setdefault((high, low), []).append(i)
        elif low > 0:
            due.setdefault((low, low), [])
    times = sorted(due)
    marks = [Mark(low, high, tuple(due[high, low])) for high, low in times]
    ripe = []
    for i, deadline in enumerate(deadlines):
        if deadline.span.high_ns is None:
            low = deadline.span.low_ns
            ripe.append((i, times.index((low, low)) + 1 if low > 0 else 0))
    return marks, ripe
