"""The times of a region as the search has them: dwells are marks on the clock of a state.

The rows themselves are left to the stepper. Which of them are tried when something is due is said
by the number of a dwell group: the rows are handed to the stepper with a number of their own for
each time, in place of the time.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from simfw.behaviour.region import Region, Row
from simfw.verify.terms import Mark, Span

__all__ = ["LaidRegion", "lay_out"]


@dataclass(slots=True)
class LaidRegion:
    """A region; `marks`, `open_ended` and `groups` hold one entry per state.

    `marks` are the times at which something is due, in order. `open_ended` are the dwells that may
    expire at any time once ripe: (deadline, number of marks that ripen it). `groups` has the number
    of the stepper's dwell group for each deadline. `numbered` is the region as the stepper gets it.
    """

    name: str
    states: tuple[str, ...]
    starts: int
    resume: tuple[int, ...]
    marks: list[list[Mark]]
    open_ended: list[list[tuple[int, int]]]
    groups: list[tuple[int, ...]]
    numbered: Region


def lay_out(region: Region, spans: Mapping[str, Span]) -> LaidRegion:
    """Lay out the times of a region; `spans` replaces the dwell of the rows with these keys."""
    names = tuple(state.name for state in region.states)
    number = {name: i for i, name in enumerate(names)}
    codes: dict[object, int] = {}
    deadlines: list[dict[int, Span]] = [{} for _ in names]
    zero = [False] * len(names)
    rows: list[Row] = []
    for row in region.rows:
        if row.on is not None:
            rows.append(row)
            continue
        if row.after_ns == 0 and row.key not in spans:
            rows.append(row)
            for source in row.sources:
                zero[number[source]] = True
            continue
        span = spans.get(row.key, Span(row.after_ns or 0, row.after_ns or 0))
        # Rows of one dwell are tried in order; an open-ended row is free on its own.
        what = (span, row.key) if span.high_ns is None else span
        code = codes.setdefault(what, 1 + len(codes))
        rows.append(replace(row, after_ns=code))
        for source in row.sources:
            deadlines[number[source]].setdefault(code, span)
    laid = [_marks(list(of_state.values())) for of_state in deadlines]
    return LaidRegion(
        name=region.name, states=names, starts=number[region.starts],
        resume=tuple(number[name] for name in region.resume_points),
        marks=[marks for marks, _ in laid],
        open_ended=[ripe for _, ripe in laid],
        groups=[
            tuple(sorted(of_state).index(code) + first for code in of_state)
            for of_state, first in zip(deadlines, zero, strict=True)
        ],
        numbered=replace(region, rows=tuple(rows)),
    )


def _marks(spans: list[Span]) -> tuple[list[Mark], list[tuple[int, int]]]:
    due: dict[tuple[int, int], list[int]] = {}
    for i, span in enumerate(spans):
        if span.high_ns is not None:
            due.setdefault((span.high_ns, span.low_ns), []).append(i)
        elif span.low_ns > 0:
            due.setdefault((span.low_ns, span.low_ns), [])
    times = sorted(due)
    marks = [Mark(low, high, tuple(due[high, low])) for high, low in times]
    ripe = []
    for i, span in enumerate(spans):
        if span.high_ns is None:
            low = span.low_ns
            ripe.append((i, times.index((low, low)) + 1 if low > 0 else 0))
    return marks, ripe
