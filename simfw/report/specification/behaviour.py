"""The sections about written regions and about outputs."""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import groupby

from simfw.behaviour.machine import diagram
from simfw.behaviour.region import Region, Row, State
from simfw.quantity import format_duration
from simfw.report.specification.diagram import Column, Line, state_diagram
from simfw.report.specification.document import (
    Block,
    Cell,
    Drawing,
    Paragraph,
    Section,
    Table,
    cells,
)
from simfw.report.specification.requirements import LISTED, OUTPUT, driven
from simfw.report.specification.sequences import played, sequence_blocks
from simfw.report.specification.subject import Subject
from simfw.report.specification.tables import requirement_table
from simfw.report.specification.words import cause, drive_text, effect, in_words, outputs_text, slug
from simfw.vectors.items import reached_states

__all__ = ["LARGEST_DRAWN", "outputs", "region_drawing", "regions"]

LARGEST_DRAWN = 24  # states up to which a diagram helps
MOST_COLUMNS = 6  # states side by side in a table
UNHANDLED = "unhandled"


def _plain(text: str) -> str:
    return text.replace("`", "")


def region_drawing(subject: Subject, region: Region) -> Drawing:
    """The state diagram of one region."""
    names = [state.name for state in region.states]
    lines = []
    for row in region.rows:
        text = _plain(cause(row)) + (f" when {row.when_text}" if row.when_text else "")
        if row.emit:
            text += f", emits {in_words(row.emit)}"
        if row.to in row.sources or row.to == "same":
            text += " (stays)" if row.to == "same" else " (begins again)"
        lines.append(
            Line(
                label=subject.by_key[row.key].number,
                text=text,
                targets=tuple(map(names.index, region.entered_by(row))),
                sources=tuple(names.index(source) for source in row.sources),
                timed=row.on is None,
            )
        )
    columns = [
        Column(
            name=state.name,
            drives=outputs_text(state, subject.segments),
            first=state.name == region.starts,
            awake=state.awake,
        )
        for state in region.states
    ]
    return Drawing(
        name=slug(region.name),
        svg=state_diagram(f"States of {region.name}", columns, lines),
        text=_without_styles(diagram(region, format_duration)),
        caption="A column is a state, a line is a row. Dots: from; arrowhead: to; loop: stays; "
        "hollow arrowheads, dashed: one of these, by mode memory; amber: after a time, or a state "
        "that keeps the controller awake. Thick frame: first state.",
    )


def _without_styles(text: str) -> str:
    """A Mermaid diagram in the colours of whatever shows it."""
    return "\n".join(line for line in text.splitlines()
                     if line.strip() and line.split()[0] not in ("classDef", "Class"))  # fmt: skip


def _cell(subject: Subject, region: Region, rows: Sequence[Row], *, timed: bool) -> Cell:
    """What one state makes of one event: every row that may fire, in order."""
    if not rows:
        return Cell("-" if timed else UNHANDLED, faint=True)
    parts: list[str] = []
    links: list[tuple[str, str]] = []
    for row in rows:
        one = subject.by_key[row.key]
        text = effect(region, row)
        links.append((one.number.removeprefix(_stem(region)), one.anchor))
        if row.when_text:
            parts.append(f"if `{row.when_text}`: {text}")
            continue
        parts.append(f"else {text}" if parts else text)
        break
    else:
        parts.append("else nothing")
    return Cell("; ".join(parts), links=tuple(links))


def _stem(region: Region) -> str:
    """What the numbers of a region's rows have in common."""
    return "".join(sign if sign.isalnum() else "-" for sign in region.name.upper()) + "-"


def _state_tables(subject: Subject, region: Region) -> list[Table]:
    """What each state makes of each event; alike states share a column, six stand side by side."""
    offers: list[tuple[str, bool, list[Row]]] = []
    for event in dict.fromkeys(row.on for row in region.rows if row.on is not None):
        offers.append((f"`{event}`", False, [row for row in region.rows if row.on == event]))
    for time in sorted({row.after_ns for row in region.rows if row.after_ns is not None}):
        rows = [row for row in region.rows if row.after_ns == time]
        offers.append((cause(rows[0]), True, rows))
    columns: dict[tuple[Cell, ...], list[str]] = {}
    for state in region.states:
        answers = tuple(
            _cell(subject, region, [row for row in rows if state.name in row.sources],
                  timed=timed or (name == f"`{region.name}.ended`" and not any(
                      one.times for one in state.sequences.values())))
            for name, timed, rows in offers)  # fmt: skip
        columns.setdefault(answers, []).append(state.name)
    found = []
    parts = list(columns.items())
    for first in range(0, len(parts), MOST_COLUMNS):
        some = parts[first : first + MOST_COLUMNS]
        found.append(Table(
            caption=f"`{region.name}`: what each state makes of each event",
            head=("event", *(in_words(f"`{name}`" for name in names) for _, names in some)),
            rows=tuple((Cell(name), *(answers[place] for answers, _ in some))
                       for place, (name, _, _) in enumerate(offers)),
        ))  # fmt: skip
    return found


def _notes(region: Region) -> list[Block]:
    """What the file says beside its rows."""
    said = [f"`{row.key}`: {row.note}" for row in region.rows if row.note]
    return [Paragraph("Notes of the file. " + "; ".join(said) + ".")] if said else []


def _region(subject: Subject, region: Region) -> Section:
    memory = (
        " Its resume points, of which it remembers the one that it entered last, "
        + ("over a loss of the supply, too: " if region.kept == "resume"
           else "until the supply is lost: ")
        + f"{in_words(f'`{p}`' for p in region.resume_points)}."
        if region.resume_points
        else ""
    )
    awake = [state.name for state in region.states if state.awake]
    wakes = (
        f" The controller is awake in {in_words(f'`{name}`' for name in awake)}." if awake else ""
    )
    reached = reached_states(region)
    apart = [f"`{state.name}`" for state in region.states if state.name not in reached]
    never = f" No row leads to {in_words(apart, 'or')} here." if apart and region.rows else ""
    blocks: list[Block] = [
        Paragraph(f"It begins in `{region.starts}`{', or as kept' * (region.kept == 'state')}."
                  f"{memory}{wakes}{never}")
    ]
    if not region.rows:
        blocks.append(Paragraph("It has no rows: its state never changes."))
    elif len(region.states) <= LARGEST_DRAWN:
        blocks += [region_drawing(subject, region), *_state_tables(subject, region)]
    blocks += requirement_table(subject, f"`{region.name}`: its rows, in the order in which they "
                                "are tried", subject.part(region.name))  # fmt: skip
    blocks += _notes(region)
    return Section(
        anchor=f"region-{slug(region.name)}", title=f"Region {region.name}", blocks=tuple(blocks)
    )


def _runs(names: Sequence[str]) -> list[str]:
    """State names in their order, those that only count further as "`bars.0` to `bars.5`"."""
    found: list[str] = []
    for family, run in groupby(names, lambda name: re.sub(r"(?<=\.)\d+$", "", name)):
        some = [f"`{name}`" for name in run]
        found += [f"{some[0]} to {some[-1]}"] if some[2:] and family.endswith(".") else some
    return found


def _all_regions(subject: Subject) -> Table:
    """All regions in their order, with the states that messages and titles of vectors name."""
    return Table(
        caption="Regions in their order",
        head=("region", "begins in", "its other states"),
        rows=tuple(
            cells(f"`{region.name}`", f"`{region.starts}`" + ", or as kept" * (
                      region.kept == "state"),
                  "below" if region.group == "behaviour" else
                  f"the other positions up to {len(region.states) - 1}" if region.group == "dials"
                  else in_words(_runs([state.name for state in region.states
                                       if state.name != region.starts])) or "-")
            for region in subject.system.regions),
    )  # fmt: skip


def regions(subject: Subject) -> Section | None:
    """One part for each written region, in the order in which events are offered to them."""
    written = [region for region in subject.system.regions if region.group == "behaviour"]
    if not written:
        return None
    open_ = any(UNHANDLED in cell.text for region in written if len(region.states) <= LARGEST_DRAWN
                for table in _state_tables(subject, region) for row in table.rows
                for cell in row)  # fmt: skip
    order = in_words(f"`{region.name}`" for region in subject.system.regions)
    stock = len(written) < len(subject.system.regions)
    text = (
        "An event is offered to the regions in the order of the first table. The states of stock "
        "regions are what messages and titles of vectors call them; a firmware need not have them."
        if stock else f"An event is offered to the regions in this order: {order}."
    ) + " *Begins again* is a state entered anew, its time with it; *stays* lets its time run on."
    if open_:
        text += (
            " *Unhandled*: no row handles it; nothing happens and the time runs on. Whether that "
            "is meant is an open question."
        )
    return Section(
        anchor="states",
        title="States and rows",
        blocks=(Paragraph(text), *[_all_regions(subject)] * stock),
        parts=tuple(_region(subject, region) for region in written),
    )


def _drives(region: Region, state: State, output: str) -> bool:
    """Whether a state drives an output, and is no passing one of a gauge's sample."""
    return output in state.outputs and not (
        region.group == "gauge" and state.name.startswith("reading."))  # fmt: skip


def outputs(subject: Subject) -> Section:
    """What drives each output, and the table of levels where the sentences do not hold them."""
    places = driven(subject.system)
    known = dict.fromkeys((*places, *played(subject.system)))
    blocks: list[Block] = list(requirement_table(
        subject, "Outputs", subject.part(*(f"{OUTPUT}{output}" for output in known))))  # fmt: skip
    blocks += sequence_blocks(subject)
    long = [output for output, found in places.items() if any(
        one.part == f"{OUTPUT}{output}" and LISTED in one.text for one in subject.requirements)]
    if long:
        rows = []
        for region in subject.system.regions:
            for state in region.states:
                if not any(_drives(region, state, output) for output in long):
                    continue
                levels = (
                    drive_text(state.outputs[output], subject.segments.get(output))
                    if output in state.outputs else "-" for output in long)  # fmt: skip
                rows.append((Cell(f"`{region.name}.{state.name}`"),
                             *(Cell(level, numeric=True) for level in levels)))  # fmt: skip
        blocks.append(Table(caption="Levels by state; what is not listed leaves them off",
                            head=("state", *(f"`{output}`" for output in long)),
                            rows=tuple(rows)))  # fmt: skip
    unused = [f"`{name}`" for name in (*subject.gadget.lights, *subject.gadget.loads)
              if name not in known]  # fmt: skip
    if unused:
        blocks.append(Paragraph(f"No state drives {in_words(unused, 'or')}."))
    return Section(anchor="outputs", title="Outputs", blocks=tuple(blocks))
