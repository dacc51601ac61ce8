"""The sections about regions, outputs and times."""

from __future__ import annotations

from collections.abc import Sequence

from simfw.behaviour.region import Region, Row, State
from simfw.gadget.figures import entries, figure_text
from simfw.quantity import Timing
from simfw.report.specification.diagram import Column, Line, state_diagram
from simfw.report.specification.document import (
    Block,
    Cell,
    Drawing,
    Paragraph,
    Section,
    Table,
)
from simfw.report.specification.subject import Subject
from simfw.report.specification.words import cause, effect, in_words, outputs_text, slug
from simfw.report.vectors.items import reached_states

__all__ = ["outputs", "regions", "timing"]


def _plain(text: str) -> str:
    return text.replace("`", "")


def region_drawing(subject: Subject, region: Region) -> Drawing:
    """The state diagram of one region."""
    names = [state.name for state in region.states]
    lines = []
    for row in region.rows:
        if row.to == "same":
            targets: tuple[int, ...] = ()
        elif row.to == "resume":
            targets = tuple(names.index(point) for point in region.resume_points)
        else:
            targets = (names.index(row.to),)
        text = _plain(cause(row)) + (f" when {row.when_text}" if row.when_text else "")
        if row.emit:
            text += f", emits {in_words(row.emit)}"
        if row.to in row.sources or row.to == "same":
            text += " (stays)" if row.to == "same" else " (begins again)"
        lines.append(
            Line(
                label=subject.by_origin[row.key].number,
                text=text,
                targets=targets,
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
        caption=f"`{region.name}`: a column is a state, a line is a row. Dots: from; arrowhead: "
        "to; loop: stays; hollow arrowheads, dashed: one of these, from memory; amber: after a "
        "time, or a state that keeps the controller awake. Thick frame: first state.",
    )


def _cell(subject: Subject, region: Region, rows: Sequence[Row]) -> Cell:
    """What one state makes of one event: every row that may fire, in order."""
    if not rows:
        return Cell("ignored", faint=True)
    parts: list[str] = []
    links: list[tuple[str, str]] = []
    for row in rows:
        text = effect(region, row)
        links += subject.links(row)
        if row.when_text:
            parts.append(f"if `{row.when_text}`: {text}")
            continue
        parts.append(f"else {text}" if parts else text)
        break
    else:
        parts.append("else ignored")
    return Cell("; ".join(parts), links=tuple(links))


def _state_table(subject: Subject, region: Region) -> Table:
    causes = list(dict.fromkeys(row.on for row in region.rows if row.on is not None))
    times = list(dict.fromkeys(row.after_ns for row in region.rows if row.after_ns is not None))
    body = []

    def offer(name: str, rows: Sequence[Row]) -> None:
        """What each state answers to one event or time."""
        answers = ([row for row in rows if state.name in row.sources] for state in region.states)
        body.append((Cell(name), *(_cell(subject, region, answer) for answer in answers)))

    for event in causes:
        offer(f"`{event}`", [row for row in region.rows if row.on == event])
    for time in sorted(times):
        rows = [row for row in region.rows if row.after_ns == time]
        offer(cause(rows[0]), rows)
    body.append((Cell("any other event"), *(Cell("ignored", faint=True) for _ in region.states)))
    return Table(
        caption=f"`{region.name}`: what each state makes of each event",
        head=("event", *(f"`{state.name}`" for state in region.states)),
        rows=tuple(body),
    )


def _row_table(subject: Subject, region: Region) -> Table:
    rows = []
    for row in region.rows:
        window = subject.corners.row(row)
        texts = window.texts if window is not None and window.ns else ("-", "-", "-")
        rows.append(
            (
                Cell("", links=subject.links(row)),
                Cell(in_words((f"`{s}`" for s in row.sources), "or")),
                Cell(cause(row)),
                *(Cell(text, numeric=True) for text in (texts[0], texts[2])),
                Cell(f"`{row.when_text}`" if row.when_text else "-"),
                Cell(effect(region, row)),
                Cell(row.note),
                Cell(f"`{row.key}`"),
            )
        )
    return Table(
        caption=f"`{region.name}`: its rows, in the order in which they are tried",
        head=("requirement", "from", "cause", "min", "max", "guard", "effect", "note", "origin"),
        rows=tuple(rows),
    )


GROUPS = {
    "buttons": "a stock region, built from the times of the button",
    "chords": "a stock region, built from the chord",
    "toggles": "a stock region, built from the time of the toggle",
    "proximity": "a stock region, built from the times of the sensor",
    "charge": "a stock region, built from the charger and its status pin",
    "gauge": "a stock region, built from the gauge",
    "behaviour": "written in the gadget file",
}


def _region(subject: Subject, region: Region) -> Section:
    memory = (
        f" It remembers which of {in_words((f'`{p}`' for p in region.resume_points), 'and')} "
        "it was in last, until the supply is lost."
        if region.resume_points
        else ""
    )
    gate = f" Its outputs count only while `{region.show_text}` holds." if region.show_text else ""
    awake = [state.name for state in region.states if state.awake]
    wakes = (
        f" The controller is awake in {in_words(f'`{name}`' for name in awake)}." if awake else ""
    )
    reached = reached_states(region)
    apart = [f"`{state.name}`" for state in region.states if state.name not in reached]
    never = f" No row leads to {in_words(apart, 'or')} here." if apart and region.rows else ""
    blocks: list[Block] = [
        Paragraph(
            f"{GROUPS[region.group][0].upper()}{GROUPS[region.group][1:]}. It begins in "
            f"`{region.starts}`.{memory}{gate}{wakes}{never}"
        )
    ]
    if region.rows:
        blocks += [
            region_drawing(subject, region),
            _state_table(subject, region),
            _row_table(subject, region),
        ]
    else:
        blocks.append(Paragraph("It has no rows: its state never changes."))
    return Section(
        anchor=f"region-{slug(region.name)}", title=f"Region {region.name}", blocks=tuple(blocks)
    )


def regions(subject: Subject) -> Section:
    """One part for each region, in the order in which events are offered to them."""
    order = in_words(f"`{region.name}`" for region in subject.system.regions)
    blocks: list[Block] = [
        Paragraph(
            f"{len(subject.system.regions)} regions run side by side. An event is "
            f"offered to them in "
            f"this order: {order}. In each, the first row fires whose state, event and guard match."
        )
    ]
    if subject.system.conditions:
        from simfw.behaviour.expression import to_text

        blocks.append(
            Table(
                caption="Watched conditions: read whenever an instant has come to rest",
                head=(
                    "condition",
                    "raises when it begins to hold",
                    "and when it ceases",
                    "requirement",
                ),
                rows=tuple(
                    (
                        Cell(f"`{to_text(item.when)}`"),
                        Cell(f"`{item.rises}`"),
                        Cell(f"`{item.falls}`"),
                        Cell(
                            "",
                            links=(
                                (
                                    subject.by_origin[item.key].number,
                                    subject.by_origin[item.key].anchor,
                                ),
                            ),
                        ),
                    )
                    for item in subject.system.conditions
                ),
            )
        )
    return Section(
        anchor="states",
        title="States and rows",
        blocks=tuple(blocks),
        parts=tuple(_region(subject, region) for region in subject.system.regions),
    )


def _drives(subject: Subject, region: Region, state: State) -> Cell:
    origin = f"{region.name}: {state.name}"
    found = subject.by_origin.get(origin)
    links = ((found.number, found.anchor),) if found else ()
    return Cell("", links=links)


def outputs(subject: Subject) -> Section:
    """What every state drives."""
    rows = tuple(
        (
            Cell(f"`{region.name}`"),
            Cell(f"`{state.name}`"),
            Cell(
                "; ".join(outputs_text(state, subject.segments)) or "nothing",
                faint=not (state.outputs or state.takes_out),
            ),
            Cell(f"`{region.show_text}`" if region.show_text else "always"),
            Cell("awake" if state.awake else "may sleep"),
            _drives(subject, region, state),
        )
        for region in subject.system.regions
        for state in region.states
    )
    return Section(
        anchor="outputs",
        title="Outputs",
        blocks=(
            Paragraph(
                "A percentage is the duty of a pulse-width modulation. An output that several "
                "regions drive gets the largest of their levels; what no state drives is off. The "
                "controller is awake while any state asks for it."
            ),
            Table(
                caption="What each state drives",
                head=("region", "state", "drives", "while", "controller", "requirement"),
                rows=rows,
            ),
        ),
    )


def _use(subject: Subject, key: str, used: set[str]) -> str:
    """What a time of the gadget file is for."""
    if key in used or key.endswith(".after"):
        return "rows"
    part, _, rest = key.partition(".")
    if part == "buttons":  # the time of the other style
        return f"nothing: `style` is {subject.gadget.buttons[rest.rpartition('.')[0]].style}"
    return "rule" if part.startswith("rules") else "other"


def timing(subject: Subject) -> Section:
    """Every time of the gadget with its corners."""
    rows = []
    used = {origin.rpartition("#")[0] or origin for origin in subject.by_origin}
    for entry in entries(subject.gadget):
        if isinstance(entry.figure, Timing):
            window = subject.corners.timing(entry.figure)
            rows.append(
                (
                    Cell(f"`{entry.key}`"),
                    *(Cell(text, numeric=True) for text in window.texts),
                    Cell(figure_text(entry.figure)),
                    Cell(entry.origin_text),
                    Cell(_use(subject, entry.key, used)),
                )
            )
    from simfw.behaviour.stock import burst_ns

    for name, sensor in subject.gadget.proximity.items():
        burst = burst_ns(sensor)
        rows.append(
            (
                Cell(f"`proximity.{name}.burst`"),
                *(
                    Cell(text, numeric=True)
                    for text in subject.corners.of(burst, burst, burst).texts
                ),
                Cell(f"{sensor.burst} cycles at {figure_text(sensor.carrier)}"),
                Cell("worked out"),
                Cell("rows"),
            )
        )
    clock = subject.corners.clock
    folded = (
        "the range of the time itself"
        if clock is None
        else f"the range of the time itself and a clock off by {float(clock) * 100:.3g} % "
        "either way"
    )
    return Section(
        anchor="timing",
        title="Timing",
        blocks=(
            Paragraph(f"min and max are the corners of {folded}."),
            Table(
                caption="Times",
                head=("time", "min", "typ", "max", "as written", "origin", "used by"),
                rows=tuple(rows),
            ),
        ),
    )
