"""The sections after the behaviour: faults, safety, requirements, tests, traces, open questions."""

from __future__ import annotations

from collections.abc import Iterator

from simfw.circuit.charger import charger_model
from simfw.gadget.figures import entries, figure_text, guesses, origins
from simfw.quantity import format_duration
from simfw.report.cautions import cautions
from simfw.report.specification.document import (
    Block,
    Bullets,
    Cell,
    Gap,
    Note,
    Paragraph,
    Section,
    Table,
    cells,
)
from simfw.report.specification.figures import changes
from simfw.report.specification.subject import Subject
from simfw.report.specification.words import in_words

__all__ = [
    "assumptions",
    "faults",
    "kept_data",
    "numbers",
    "requirement_list",
    "revision",
    "safety",
    "traces",
    "verification",
]


def _faults(subject: Subject) -> Iterator[tuple[str, str, str, str]]:
    """Fault, how it is detected, reaction, recovery, as far as the rows tell."""
    gadget, system = subject.gadget, subject.system
    gap = "to be filled in"
    yield (
        "supply lost and back, brown-out",
        "power-up",
        "every region begins anew, nothing kept",
        "by itself",
    )
    if gadget.cell.cut_off is not None:
        yield (
            "cell sinks below the cut-off under load and recovers at rest",
            "not detected",
            "the protection opens; at the restart voltage power-up, which may repeat"
            if gadget.cell.restart is not None
            else "the protection opens, and stays open"
            if gadget.charger is None
            else "the protection opens; power-up when the charger lifts the cell above the cut-off",
            gap,
        )
    for name, button in gadget.buttons.items():
        hold = (
            f"one `{name}.hold` after {format_duration(button.hold.ns)}, then nothing"
            if button.hold is not None
            else f"one `{name}.press`, then nothing"
        )
        yield (
            f"button `{name}` stuck closed",
            "not detected",
            hold,
            "when it opens: a release"
            + ("; no click after a hold" if button.hold is not None else " and a click"),
        )
        settles = (
            f"kept awake until still for {format_duration(button.debounce.ns)}"
            if button.style == "settle"
            else "each read may see either level"
        )
        yield (f"contact of `{name}` chatters without end", "not detected", settles, gap)
    for name, sensor in gadget.proximity.items():
        yield (
            f"`{name}`: something stays in front of the sensor",
            "not detected",
            f"one `{name}.wave` and `{name}.near`; no further wave until the field has been "
            f"clear for {format_duration(sensor.clear.ns)}",
            "by itself, when it is gone",
        )
        yield (
            f"`{name}`: receiver never answers, or always",
            "not detected",
            "as no hand, or as a hand that stays",
            gap,
        )
    if gadget.charger is not None:
        if any("charge.fault" in row.emit for region in system.regions for row in region.rows):
            yield (
                "charger reports a fault",
                "both levels of the status pin released",
                "`charge.fault`",
                "when the pin tells charging or complete again, or USB goes",
            )
        else:
            model = charger_model(gadget)
            assert model is not None
            alike = model.reads("fault", True) == model.reads("fast", True)
            yield (
                "charger reports a fault",
                "not detected",
                "not seen: no status pin"
                if gadget.charger.status is None
                else "looks like charging"
                if alike
                else "looks like complete, or waiting",
                gap,
            )
        yield (
            "USB makes and breaks several times while plugging",
            "not detected",
            "each edge is an event of its own",
            "by itself",
        )
    if gadget.gauge is not None:
        levels = (("low", gadget.gauge.low), ("flat", gadget.gauge.flat))
        word = "measured" if gadget.gauge.method == "voltage" else "counted"
        told = [(f"`cell.{name}`", figure_text(figure)) for name, figure in levels
                if figure is not None]  # fmt: skip
        yield (
            "cell runs down",
            "at each sample of the gauge",
            in_words(f"{event} below {level}" for event, level in told) or "fewer bars",
            f"`cell.back` when {word} above {told[0][1]} again"
            if told
            else "when the cell is charged",
        )
    yield ("clock off beyond its tolerance", "not detected", "all windows shift together", gap)


def faults(subject: Subject) -> Section:
    """What is detected and what is not."""
    rows = tuple(tuple(Cell(text, faint=text in ("to be filled in", "not detected"))
                       for text in row) for row in _faults(subject))  # fmt: skip
    return Section(anchor="faults", title="Faults and abnormal conditions", blocks=(
        Paragraph("As far as the rows tell. A fault that no row hears is written as not detected; "
                  "whether that is right is a decision of the author."),
        Table(caption="Faults", head=("fault", "detected by", "reaction", "recovery"), rows=rows),
        Gap("Watchdog: what resets the controller when the program hangs, and what the outputs do "
            "meanwhile. An emitter or a bright light that stays on must be limited by hardware."),
    ))  # fmt: skip


def kept_data(subject: Subject) -> Section:
    """What is remembered, and for how long."""
    rows = tuple(cells(f"`{region.name}`", in_words(f"`{p}`" for p in region.resume_points),
                       f"`{region.resume_points[0]}`", "until the supply is lost")
                 for region in subject.system.regions if region.resume_points)  # fmt: skip
    blocks: list[Block] = []
    if rows:
        blocks.append(
            Table(
                caption="Remembered states",
                head=("region", "one of", "before any", "kept"),
                rows=rows,
            )
        )
    else:
        blocks.append(Paragraph("No region remembers an earlier state."))
    blocks.append(
        Gap("Whether anything is kept without supply (the model keeps nothing), and where.")
    )
    return Section(anchor="kept", title="Data that is kept", blocks=tuple(blocks))


def safety(subject: Subject) -> Section:
    """Cautions, and what must not rest on the firmware."""
    return Section(anchor="safety", title="Safety and hazards", blocks=(
        *(Note(text) for text in cautions(subject.gadget)),
        Paragraph("By intent no protection rests on this firmware: limits of charge, discharge and "
                  "current are those of the charger and the cell's protection. Any function that "
                  "alone keeps something from harm (a step-down that keeps the case touchable, a "
                  "charge enable) would need a class of its own and is to be listed here."),
        Gap("Hazards of this gadget and the function relied on for each, by the author; the "
            "applicable standards and local codes; who approves."),
    ))  # fmt: skip


def requirement_list(subject: Subject) -> Section:
    """All requirement sentences."""
    tested = subject.vectors.by_origin() if subject.vectors is not None else {}
    rows = tuple(
        (Cell(item.number, anchor=item.anchor), Cell(item.pattern), Cell(item.text),
         Cell(f"`{item.origin}`"),
         Cell("test" if item.origin in tested or not tested else item.method
              if item.pattern != "always" else "test, analysis"))
        for item in subject.requirements)  # fmt: skip
    return Section(anchor="requirements", title="Requirements", blocks=(
        Paragraph("One behaviour each, in the patterns of the Easy Approach to Requirements Syntax "
                  "(A. Mavin and others, 2009). A number is made from what the sentence is about; "
                  "it stays when rows are moved or retimed."),
        Table(caption="Requirements", rows=rows,
              head=("number", "pattern", "sentence", "origin", "verified by")),
    ))  # fmt: skip


def verification(subject: Subject) -> Section:
    """Test vectors and how to judge them."""
    vectors = subject.vectors
    if vectors is None:
        return Section(anchor="tests", title="Verification", blocks=(
            Gap("No test vectors were asked for."),))  # fmt: skip
    rows = tuple(
        (Cell(vector.name, anchor=f"vector-{vector.name}"), Cell(vector.title),
         Cell(format_duration(vector.ends_ns), numeric=True),
         Cell(str(len(vector.acts)), numeric=True),
         Cell(str(len(vector.adds)), numeric=True))
        for vector in vectors.vectors)  # fmt: skip
    blocks: list[Block] = [
        Paragraph(f"{len(vectors.vectors)} test vectors beside this document (`vectors/`). Those "
                  "that begin with v are scenarios, to be replayed with `simfw run`; those that "
                  "begin with b need a bench with an adjustable supply that drives the status pin "
                  "itself. `stimuli.csv` and `expected.csv` hold all of them for a bench. They "
                  "were chosen greedily: each adds what no earlier one covers."),
        Bullets(tuple(vectors.coverage_lines())),
        Table(caption="Test vectors", head=("vector", "what it adds first", "lasts", "steps",
                                            "items added"), rows=rows),
        Paragraph("Pass: every output edge of `expected.csv` within its earliest and latest time "
                  "and no edge more. Stretches in which whole periods only repeat are not written "
                  "out; `repeats.csv` lists them with their period. The windows hold how far the "
                  "clock may be off since the last stimulus, at the times as they are written; "
                  "what goes on by itself from power-up (looks, reads, samples, blinks) drifts "
                  "with the clock over the whole vector."),
    ]  # fmt: skip
    if vectors.missing:
        blocks.append(
            Table(
                caption="Not covered",
                head=("item", "why"),
                rows=tuple(cells(f"`{item}`", why) for item, why in vectors.missing),
            )
        )
    blocks.append(Gap("The bench: instruments, how stimuli are made, calibration."))
    return Section(anchor="tests", title="Verification", blocks=tuple(blocks))


def traces(subject: Subject) -> Section:
    """Requirement, origin, test: and what has none."""
    tested = subject.vectors.by_origin() if subject.vectors is not None else {}
    untested = "none" if subject.vectors is not None else "not asked for"
    rows = []
    for item in subject.requirements:
        names = tested.get(item.origin, ())
        shown = names[:6]
        links = tuple((name, f"vector-{name}") for name in shown)
        text = "" if names else untested if item.method == "test" else item.method
        more = f"and {len(names) - len(shown)} more" if len(names) > len(shown) else ""
        rows.append(
            (
                Cell("", links=((item.number, item.anchor),)),
                Cell(f"`{item.origin}`"),
                Cell(text, links=links, faint=not names),
                Cell(more),
            )
        )
    return Section(anchor="traces", title="Traceability", blocks=(
        Paragraph("From each requirement to the place in the gadget file it was made from, and to "
                  "the vectors that run through it. Captures that show it are to be added."),
        Table(caption="Requirements, origins and tests",
              head=("requirement", "origin", "vectors", ""), rows=tuple(rows)),
    ))  # fmt: skip


def assumptions(subject: Subject) -> Section:
    """Every guess, and every number without an origin."""
    found = guesses(subject.gadget)
    blocks: list[Block] = []
    if found:
        blocks.append(Table(caption="Guesses",
                            head=("quantity", "value", "origin", "what settles it"),
                            rows=tuple((Cell(f"`{entry.key}`", anchor=f"guess-{n}"),
                                        Cell(figure_text(entry.figure)),
                                        Cell(entry.origin_text),
                                        Cell("to be filled in", faint=True))
                                       for n, entry in enumerate(found, 1))))  # fmt: skip
    else:
        blocks.append(Paragraph("No quantity is marked as a guess."))
    silent = origins(subject.gadget).without
    if silent:
        blocks.append(
            Paragraph(
                f"{silent} quantities do not say where they come from (marked "
                "`not stated` in the list of numbers)."
            )
        )
    defaults = [entry.key for entry in entries(subject.gadget) if entry.origin == "default"]
    if defaults:
        blocks.append(
            Paragraph(
                "Times that are not written and stand at the default of this tool: "
                + in_words(f"`{key}`" for key in defaults)
                + "."
            )
        )
    return Section(anchor="open", title="Assumptions and open questions", blocks=tuple(blocks))


def revision(subject: Subject) -> Section:
    """What has changed since an earlier gadget file."""
    if subject.old is None:
        return Section(anchor="revision", title="Revision", blocks=(
            Paragraph("First issue, or no earlier gadget file was given (`--since`)."),
        ))  # fmt: skip
    found = changes(subject.old, subject.gadget)
    blocks: list[Block] = [Paragraph(
        f"Compared with the gadget file of SHA-256 `{subject.old.digest}`.")]  # fmt: skip
    if found:
        blocks.append(Table(caption="Changes", head=("where", "before", "now"), rows=tuple(
            cells(f"`{item.key}`", Cell(item.old or "-", faint=not item.old),
                  Cell(item.new or "-", faint=not item.new)) for item in found)))  # fmt: skip
        blocks.append(Gap("The reason for each change."))
    else:
        blocks.append(Paragraph("Nothing that is specified has changed."))
    return Section(anchor="revision", title="Revision", blocks=tuple(blocks))


def numbers(subject: Subject) -> Section:
    """Every number of the gadget file, with its origin."""
    return Section(anchor="numbers", title="Numbers of the gadget", blocks=(
        Table(caption="Every quantity of the gadget file",
              head=("quantity", "value", "origin"), rows=tuple(
                  cells(f"`{entry.key}`", figure_text(entry.figure), entry.origin_text)
                  for entry in entries(subject.gadget))),
    ))  # fmt: skip
