"""Tables that several sections have: requirements with their vectors, times with their corners."""

from __future__ import annotations

from collections.abc import Iterable

from simfw.gadget.figures import Entry, entries
from simfw.quantity import Timing
from simfw.report.specification.document import Block, Cell, Table
from simfw.report.specification.requirements import Requirement
from simfw.report.specification.subject import Subject
from simfw.report.specification.words import in_words

__all__ = ["asked_tests", "linked_vectors", "requirement_table", "times_table"]

MOST_VECTORS = 3


def asked_tests(subject: Subject, one: Requirement) -> Cell:
    """The vectors that show a requirement; that there is none, or that none were asked for."""
    if one.is_rule:
        return Cell("analysis")
    if subject.vectors is None:
        return Cell("not asked for", faint=True)
    names = subject.tested[one.number]
    if not names:
        return Cell("open: none shows it", faint=True)
    more = len(names) - MOST_VECTORS
    return Cell(f"and {more} more" if more > 0 else "", after=True,
                links=tuple((name, f"vector-{name}") for name in names[:MOST_VECTORS]))  # fmt: skip


def linked_vectors(subject: Subject) -> set[str]:
    """The vectors that some requirement names."""
    return {name for one in subject.requirements if not one.is_rule
            for name in subject.tested[one.number][:MOST_VECTORS]}


def requirement_table(subject: Subject, caption: str, found: Iterable[Requirement]) -> list[Block]:
    """The sentences as a table, in their order; nothing where there are none."""
    rows = tuple(
        (Cell(one.number, anchor=one.anchor), Cell(one.text),
         Cell(in_words(f"`{pin}`" for pin in one.pins) or "what follows", faint=not one.pins),
         asked_tests(subject, one))
        for one in found)  # fmt: skip
    if not rows:
        return []
    return [Table(caption=caption, head=("number", "requirement", "pins", "tested by"),
                  rows=rows, widths=(15, 55, 15, 15))]  # fmt: skip


def times_table(
    subject: Subject, caption: str, times: Iterable[tuple[str, str]]
) -> list[Block]:
    """Times of the gadget file with their corners: (key, what it is)."""
    known: dict[str, Entry] = {entry.key: entry for entry in entries(subject.gadget)}
    rows = []
    for key, meaning in times:
        entry = known[key]
        assert isinstance(entry.figure, Timing)
        texts = subject.corners.timing(entry.figure).texts
        rows.append((Cell(f"`{key}`"), Cell(meaning),
                     *(Cell(text, numeric=True) for text in texts),
                     Cell(entry.origin_text)))  # fmt: skip
    if not rows:
        return []
    return [Table(caption=caption, head=("time", "what it is", "min", "typ", "max", "origin"),
                  rows=tuple(rows))]  # fmt: skip
