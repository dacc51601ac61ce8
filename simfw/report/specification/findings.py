"""The rules of the gadget, and what the check found in the rows."""

from __future__ import annotations

from collections.abc import Sequence

from simfw.report.specification.document import (
    Block,
    Bullets,
    Cell,
    Gap,
    Note,
    Paragraph,
    Section,
    Table,
)
from simfw.report.specification.requirements import RULES, is_of_the_whole
from simfw.report.specification.subject import Subject
from simfw.verify.finding import Finding

__all__ = ["rules"]

PAIRS = ("press-unanswered",)
"""Notes that only repeat the unhandled pairs, which have a table of their own."""
STANDINGS = {
    "proved": "holds",
    "coincidence": "holds, unless two things happen in the very same nanosecond",
    "broken": "broken by the rows",
    "unreproduced": "open: the search met a way that no run took",
    "open": "open: the search did not come to its end",
}


def _standing(subject: Subject, name: str) -> Cell:
    if subject.found is None:
        return Cell("not checked in this issue", faint=True)
    verdict = next((one for one in subject.found.verdicts if one.rule == name), None)
    if verdict is None:
        return Cell("not decided", faint=True)
    return Cell(STANDINGS[verdict.standing] + (
        verdict.of_supply if verdict.standing != "broken" else ""))


def _table(subject: Subject, caption: str, *, whole: bool) -> list[Block]:
    sentences = {one.origin: one for one in subject.part(RULES)}
    rows = tuple(
        (Cell(one.number, anchor=one.anchor), Cell(one.text), _standing(subject, rule.name))
        for rule in subject.rules
        if is_of_the_whole(rule) == whole and (one := sentences[rule.key])
    )
    if not rows:
        return []
    return [Table(caption=caption, head=("number", "statement", "by analysis of the rows"),
                  rows=rows, widths=(16, 54, 30))]  # fmt: skip


def _links(subject: Subject, keys: Sequence[str]) -> str:
    known = {**{one.origin: one for one in subject.part(RULES)}, **subject.by_key}
    found = dict.fromkeys(known[key].number if key in known else f"`{key}`" for key in keys)
    return f" Concerns: {', '.join(found)}." if found else ""


def _fault(subject: Subject, one: Finding) -> list[Block]:
    blocks: list[Block] = [Note(f"**Fault.** {one.text}{_links(subject, one.rows)}")]
    if one.witness is not None:
        blocks.append(Bullets(one.witness.list, ordered=True))
    return blocks


def rules(subject: Subject) -> Section:
    """The rules with their standing, then faults and notes."""
    blocks: list[Block] = []
    if subject.rules:
        blocks.append(Paragraph(
            "Statements that every run has to keep. They follow from the requirements above and "
            "are checked against them by a search; no vector shows them."))
        blocks += _table(subject, "What the firmware keeps", whole=False)
        blocks += _table(subject, "What the whole gadget keeps: cell and circuit have a part in "
                         "it, and the firmware cannot see them", whole=True)
    else:
        blocks.append(Paragraph("The gadget file states no rule."))
    report = subject.found
    if report is None:
        blocks.append(Gap("The rows were not checked in this issue.",
                          "`simfw spec` without `--no-check`."))  # fmt: skip
        return Section(anchor="rules", title="Rules and findings", blocks=tuple(blocks))
    faults = [one for one in report.findings if one.level == "fault"]
    if faults:
        blocks.append(Paragraph(
            "Each fault below is a rule that the rows break, or what `check` takes for a mistake "
            "without being told a rule, such as a light that is on at power-up. Until the author "
            "has decided what is wrong, a firmware that follows the rows is what the vectors ask "
            "for."))
    for one in faults:
        blocks += _fault(subject, one)
    notes = [one.text + _links(subject, one.rows) for one in report.findings
             if one.level == "note" and one.check not in PAIRS]  # fmt: skip
    if notes:
        blocks += [Paragraph("Notes, to be decided on by the author:"), Bullets(tuple(notes))]
    if not report.reached_all:
        blocks.append(Paragraph(
            f"The search was not finished after {report.reached} states; what it did not see may "
            "still be there."))  # fmt: skip
    return Section(anchor="rules", title="Rules and findings", blocks=tuple(blocks))
