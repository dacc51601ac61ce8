"""The sections about what is specified, what an author asks first, the pins, and the events."""

from __future__ import annotations

from collections import Counter

from simfw.gadget.figures import Origin, entries, figure_text
from simfw.report.specification.document import Block, Cell, Gap, Paragraph, Section, Table, cells
from simfw.report.specification.events import EventLine, events_of, hearers
from simfw.report.specification.pins import OPEN, PinLine, pins_of
from simfw.report.specification.prose import prose, text_of
from simfw.report.specification.requirements import START
from simfw.report.specification.subject import Subject
from simfw.report.specification.tables import requirement_table
from simfw.report.specification.words import in_words

__all__ = ["events", "instant", "interface", "scope", "start", "supply_text"]

ORIGINS: dict[Origin, tuple[str, str]] = {  # of one figure, of more
    "measured": ("was measured", "were measured"),
    "reading": ("is a meter's reading", "are a meter's readings"),
    "published": ("is published", "are published"),
    "source": ("names a source and no standing", "name a source and no standing"),
    "demand": ("is the demand of a rule", "are demands of rules"),
    "default": ("stands at a default of this tool", "stand at a default of this tool"),
    "guess": ("is a guess", "are guesses"),
    "none": ("does not say where it comes from", "do not say where they come from"),
}


def _words(subject: Subject) -> Table:
    gadget = subject.gadget
    rows = [
        ("region", "one small state machine of the firmware; all regions run side by side"),
        ("row", "in a state, on an event or after a time, if its guard holds: the next state"),
        ("guard", "a condition, read at the moment of the event or at the end of the time"),
    ]
    if gadget.buttons:
        settles = "the contact has settled closed, or open"
        if any(button.style == "first-edge" for button in gadget.buttons.values()):
            settles += "; where a contact counts its first edge, that edge"
        rows += [("press, release", settles),
                 ("click", "a press and a release that became nothing else")]  # fmt: skip
    if gadget.proximity:
        rows += [("look", "one powered-up check of the proximity sensor"),
                 ("near, far, wave", "settled results of looks; a wave is one pass of a hand")]
    if gadget.gauge is not None:
        rows.append(("bars", "what the battery gauge counts, shown or not"))
    return Table(caption="Words", head=("word", "meaning"),
                 rows=tuple(cells(*row) for row in rows), widths=(20, 80))  # fmt: skip


def scope(subject: Subject) -> Section:
    """What is specified, from what, and the words used."""
    found = Counter(entry.origin for entry in entries(subject.gadget))
    counts = in_words(
        f"{found[name]} {one if found[name] == 1 else more}"
        for name, (one, more) in ORIGINS.items()
        if found[name]
    )
    return Section(
        anchor="scope",
        title="Scope",
        blocks=(
            Paragraph(
                "What the firmware does at the pins of the controller: which inputs it reads, what "
                "it takes for an event, which outputs it drives, and when. Mechanics, optics and "
                "the chemistry of the cell are not specified. The behaviour was described in own "
                "words from observation; no program was read or copied. Everything was written "
                f"out from one description of the gadget. Of its numbers, {counts}: the last "
                "section has each."
            ),
            _words(subject),
            Gap("Which units were examined, by whom and when, and which captures and data sheets "
                "this rests on.", "the author: serial numbers, checksums, revisions."),
        ),
    )  # fmt: skip


def instant(_subject: Subject) -> Section:
    """What happens in one instant: the same text as in the documentation."""
    return Section(anchor="instant", title="What happens in one instant",
                   blocks=prose(text_of("instant")))  # fmt: skip


# -- pins ------------------------------------------------------------------------------------------


def _pin(line: PinLine) -> tuple[Cell, ...]:
    texts = (line.direction, line.kind, line.active, line.idle, line.asleep, line.unpowered,
             line.outside)  # fmt: skip
    return (Cell(f"`{line.signal}`"), *(Cell(text, faint=text == OPEN) for text in texts))


def interface(subject: Subject) -> Section:
    """The pin table."""
    lines = tuple(pins_of(subject.gadget))
    unknown = [f"`{line.signal}`" for line in lines if OPEN in (line.kind, line.active)]
    blocks: list[Block] = [
        Paragraph(
            "One line for each signal that the model knows. In reset every pin is taken for an "
            "input, so that the parts outside have to hold the outputs off until the firmware has "
            "begun."
        ),
        Table(
            caption="Pins",
            head=("signal", "", "type", "active", "idle", "asleep", "with the controller off",
                  "outside"),
            rows=tuple(map(_pin, lines)),
        ),
        Gap("Pin numbers and net names; unused pins.", "the schematic of the new board."),
    ]  # fmt: skip
    if unknown:
        blocks.append(Gap(f"Type or active level of {in_words(unknown)}.",
                          "tracing the net and one reading with a meter, active and idle; until "
                          "then test vectors go by active and idle only."))  # fmt: skip
    return Section(anchor="pins", title="Pins", blocks=tuple(blocks))


# -- events ----------------------------------------------------------------------------------------


def _event(line: EventLine) -> tuple[Cell, ...]:
    return (
        Cell(f"`{line.name}`", anchor=f"event-{line.name.replace('.', '-')}"),
        Cell(line.never, links=() if line.never else tuple(
            (one.number, one.anchor) for one in line.requirements)),
        *(Cell(text, numeric=True) for text in line.times),
        Cell("-" if line.never else line.decided),
        Cell(in_words(f"`{name}`" for name in line.heard) or "nobody", faint=not line.heard),
    )  # fmt: skip


def events(subject: Subject) -> Section:
    """Raw signals, then what the firmware makes of them."""
    system = subject.system
    raw = [(event, hearers(subject, event)) for event in system.raw_events]
    blocks: list[Block] = []
    if raw:
        blocks.append(Paragraph(
            "Raw events: "
            + in_words(f"`{event}` (a change of `{event.removesuffix('.edge')}`, heard by "
                       f"{in_words(f'`{name}`' for name in heard) or 'nobody'})"
                       for event, heard in raw)
            + "."))  # fmt: skip
    if system.internal_events:
        blocks.append(
            Paragraph(
                "Inside the firmware only, between stock regions: "
                + ", ".join(f"`{name}`" for name in system.internal_events)
                + "."
            )
        )
    if system.events:
        blocks += [
            Paragraph("min, typ and max count from what decides: the last change of the contact, "
                      "or the entry into the state; *at once* is in the instant of what decides."),
            Table(
                caption="Events and their windows",
                head=("event", "raised by", "min", "typ", "max", "decided on", "heard by"),
                rows=tuple(_event(line) for line in events_of(subject)),
                widths=(17, 27, 10, 10, 10, 13, 13),
            ),
        ]  # fmt: skip
    if system.conditions:
        from simfw.behaviour.expression import to_text

        blocks.append(
            Table(
                caption="Watched conditions",
                head=("condition", "raises when it begins to hold", "and when it ceases"),
                rows=tuple(
                    cells(f"`{to_text(item.when)}`", f"`{item.rises}`", f"`{item.falls}`")
                    for item in system.conditions
                ),
            )
        )
    return Section(anchor="events", title="Events", blocks=tuple(blocks))


def start(subject: Subject) -> Section:
    """Power-up and what is remembered."""
    blocks: list[Block] = list(requirement_table(subject, "Start", subject.part(START)))
    for caption, kept in (("Remembered until the supply is lost", False),
                          ("Remembered over a loss of the supply, too", True)):
        rows = tuple(cells(f"`{region.name}`", in_words(f"`{p}`" for p in region.resume_points),
                           f"`{region.resume_points[0]}`")
                     for region in subject.system.regions
                     if region.resume_points and (region.kept == "resume") == kept)
        if rows:
            blocks.append(Table(caption=caption, head=("region", "one of", "before any"),
                                rows=rows))  # fmt: skip
    return Section(anchor="start", title="Start and memory", blocks=tuple(blocks))


def supply_text(subject: Subject) -> str:
    """The cell and its protection in a sentence."""
    cell = subject.gadget.cell
    cells = "one cell" if cell.series == 1 else f"{cell.series} cells in series, each"
    return (f"{cells} of {figure_text(cell.capacity)} (curve `{cell.curve}`)"
            + (f"; its protection opens at {figure_text(cell.cut_off)}" if cell.cut_off else "")
            + (f" and closes again at {figure_text(cell.restart)}" if cell.restart else ""))
