"""The specification as a tree of plain blocks, before it is Markdown or HTML.

Text in blocks is plain, with `backticks` for names as they stand in the gadget file, `**bold**` and
`*slanted*`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

__all__ = [
    "Block", "Bullets", "Cell", "Document", "Drawing", "Gap", "Note", "Paragraph", "Section",
    "Table", "cells",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell of a table: text, and where wanted an anchor of its own or the anchor it links to.

    `links` holds further (text, anchor) pairs that follow the text; with `after` the text follows.
    """

    text: str
    anchor: str | None = None
    links: tuple[tuple[str, str], ...] = ()
    numeric: bool = False
    faint: bool = False
    after: bool = False


def cells(*values: Cell | str) -> tuple[Cell, ...]:
    """A table row; plain texts become cells."""
    return tuple(value if isinstance(value, Cell) else Cell(value) for value in values)


@dataclass(frozen=True, slots=True)
class Paragraph:
    """Running text."""

    text: str


@dataclass(frozen=True, slots=True)
class Bullets:
    """A list, numbered where `ordered`."""

    items: tuple[str, ...]
    ordered: bool = False


@dataclass(frozen=True, slots=True)
class Note:
    """Text that is set apart: a caution or a reservation."""

    text: str


@dataclass(frozen=True, slots=True)
class Gap:
    """An open question, marked, and what would answer it."""

    text: str
    answer: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table. `caption` says what it is of; every row has as many cells as `head`.

    `widths`, where given, are the shares of its columns in percent.
    """

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    widths: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        assert not self.widths or len(self.widths) == len(self.head)
        for row in self.rows:
            if len(row) != len(self.head):
                raise AssertionError(f"{self.caption}: {len(row)} cells under {self.head}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """A drawing: as SVG for the page, as Mermaid text for the Markdown."""

    name: str
    svg: str
    text: str
    caption: str


Block = Paragraph | Bullets | Note | Gap | Table | Drawing


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A numbered section; `anchor` is unique in the document."""

    anchor: str
    title: str
    blocks: tuple[Block, ...] = ()
    parts: tuple[Section, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """The whole specification. `facts` stand on the cover as (name, value)."""

    title: str
    subtitle: str
    facts: tuple[tuple[str, str], ...]
    sections: tuple[Section, ...] = field(default=())

    def numbered(self) -> Iterator[tuple[str, int, Section]]:
        """All sections depth first as (number, depth, section)."""

        def walk(
            sections: Sequence[Section], prefix: str, depth: int
        ) -> Iterator[tuple[str, int, Section]]:
            for count, section in enumerate(sections, 1):
                number = f"{prefix}{count}"
                yield number, depth, section
                yield from walk(section.parts, f"{number}.", depth + 1)

        yield from walk(self.sections, "", 0)

    def drawings(self) -> tuple[Drawing, ...]:
        """All drawings in order."""
        return tuple(
            block
            for _, _, section in self.numbered()
            for block in section.blocks
            if isinstance(block, Drawing)
        )
