"""Puts the sections together."""

from __future__ import annotations

from typing import TYPE_CHECKING

from simfw.behaviour.region import System
from simfw.report.specification import behaviour, closing, interface
from simfw.report.specification.battery import battery
from simfw.report.specification.document import Document
from simfw.report.specification.markdown import to_markdown
from simfw.report.specification.page import to_html
from simfw.report.specification.power import Budget, power
from simfw.report.specification.subject import subject_of

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget
    from simfw.report.vectors import VectorSet

__all__ = ["document_of", "specification_files"]


def document_of(
    gadget: Gadget,
    system: System,
    *,
    budget: Budget | None = None,
    vectors: VectorSet | None = None,
    old: Gadget | None = None,
) -> Document:
    """The whole document as a tree. `old` is an earlier gadget to tell the differences from."""
    subject = subject_of(gadget, system, budget=budget, vectors=vectors, old=old)
    return Document(
        title=gadget.head.name,
        subtitle=gadget.head.about or "What the firmware of this gadget does at its pins.",
        facts=(
            ("Document", "to be filled in: number, revision, date, author, approval"),
            ("Status", "draft"),
            ("Units examined", "to be filled in"),
            ("Gadget file, SHA-256", f"`{gadget.digest}`" if gadget.digest else "none"),
            ("Holds", f"{len(system.regions)} regions, "
                      f"{sum(len(region.rows) for region in system.regions)} rows, "
                      f"{len(subject.requirements)} requirements"),
        ),
        sections=(
            interface.scope(subject),
            interface.context(subject),
            interface.interface(subject),
            interface.events(subject),
            behaviour.regions(subject),
            behaviour.outputs(subject),
            behaviour.timing(subject),
            battery(subject),
            closing.faults(subject),
            power(subject),
            closing.kept_data(subject),
            closing.safety(subject),
            closing.requirement_list(subject),
            closing.verification(subject),
            closing.traces(subject),
            closing.assumptions(subject),
            closing.revision(subject),
            closing.numbers(subject),
        ),
    )  # fmt: skip


def specification_files(document: Document) -> dict[str, str]:
    """The files of the output folder by name."""
    files = {"specification.md": to_markdown(document), "specification.html": to_html(document)}
    for drawing in document.drawings():
        files[f"diagrams/{drawing.name}.svg"] = drawing.svg + "\n"
    return files
