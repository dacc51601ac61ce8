"""Puts the sections together."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from typing import TYPE_CHECKING

from simfw.behaviour.region import System
from simfw.report.specification import behaviour, closing, findings, first, interface
from simfw.report.specification.document import Document
from simfw.report.specification.events import events_of
from simfw.report.specification.markdown import to_markdown
from simfw.report.specification.page import to_html
from simfw.report.specification.parts import parts
from simfw.report.specification.pins import pins_of
from simfw.report.specification.power import Budget, power
from simfw.report.specification.subject import Subject, subject_of

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget
    from simfw.vectors import VectorSet
    from simfw.verify.finding import Report

__all__ = ["document_files", "document_of", "specification_files"]


def document_of(
    gadget: Gadget,
    system: System,
    *,
    budget: Budget | None = None,
    vectors: VectorSet | None = None,
    found: Report | None = None,
    old: Gadget | None = None,
) -> Document:
    """The whole document as a tree.

    `found` is what the check says; `old` is an earlier gadget to tell the differences from.
    """
    return _document(subject_of(gadget, system, budget=budget, vectors=vectors, found=found,
                                old=old))  # fmt: skip


def _document(subject: Subject) -> Document:
    gadget, system = subject.gadget, subject.system
    sections = (
        interface.scope(subject),
        first.first(subject),
        interface.interface(subject),
        interface.instant(subject),
        interface.start(subject),
        parts(subject),
        behaviour.regions(subject),
        behaviour.outputs(subject),
        interface.events(subject),
        findings.rules(subject),
        closing.faults(subject),
        power(subject),
        closing.safety(subject),
        closing.verification(subject),
        closing.assumptions(subject),
        closing.revision(subject),
        closing.numbers(subject),
    )
    return Document(
        title=gadget.head.name,
        subtitle=gadget.head.about or "What the firmware of this gadget does at its pins.",
        facts=(
            ("Document", "to be filled in: number, revision, date, author, approval"),
            ("Status", "draft"),
            ("Gadget file, SHA-256", f"`{gadget.digest}`" if gadget.digest else "none"),
            ("Holds", f"{len(system.regions)} regions, "
                      f"{sum(len(region.rows) for region in system.regions)} rows, "
                      f"{len(subject.requirements)} requirements"),
        ),
        sections=tuple(section for section in sections if section is not None),
    )  # fmt: skip


def specification_files(document: Document) -> dict[str, str]:
    """The document by file name: as Markdown, and as one page."""
    return {"specification.md": to_markdown(document), "specification.html": to_html(document)}


def _csv(head: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(head)
    writer.writerows(rows)
    return text.getvalue()


def document_files(subject: Subject) -> dict[str, str]:
    """The document and its tables for machines, by file name."""
    return {**specification_files(_document(subject)), **_table_files(subject)}


def _table_files(subject: Subject) -> dict[str, str]:
    """Pins, events and requirements for machines, by file name."""
    return {
        "tables/pins.csv": _csv(
            ("signal", "direction", "kind", "active", "idle", "asleep", "unpowered", "outside"),
            ((pin.signal, pin.direction, pin.kind, pin.active, pin.idle, pin.asleep, pin.unpowered,
              pin.outside.replace("`", "")) for pin in pins_of(subject.gadget))),
        "tables/events.csv": _csv(
            ("event", "min", "typ", "max", "decided_on", "heard_by", "requirements"),
            ((line.name, *line.times, line.decided.replace("`", ""), " ".join(line.heard),
              " ".join(one.number for one in line.requirements)) for line in events_of(subject))),
        "tables/requirements.csv": _csv(
            ("number", "pattern", "sentence", "seen_at", "items", "vectors"),
            ((one.number, one.pattern, one.text.replace("`", ""), " ".join(one.pins),
              " ".join((*one.keys, *one.items)), " ".join(subject.tested.get(one.number, ())))
             for one in subject.requirements)),
    }  # fmt: skip
