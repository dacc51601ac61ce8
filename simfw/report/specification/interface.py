"""The sections about what is specified, the pins, and the events."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from simfw.behaviour.region import Region, Row
from simfw.behaviour.stock import gauge_quantity
from simfw.gadget.figures import Origin, entries, figure_text
from simfw.gadget.model import Switch
from simfw.quantity import format_duration
from simfw.report.specification.document import (
    Block,
    Bullets,
    Cell,
    Gap,
    Paragraph,
    Section,
    Table,
    cells,
)
from simfw.report.specification.subject import Subject
from simfw.report.specification.windows import Window, rough_duration
from simfw.report.specification.words import in_words
from simfw.report.vectors.items import reached_states

__all__ = ["context", "events", "interface", "scope"]

UNKNOWN = "to be filled in"
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
SWITCHES = {
    "pin": "a pin of the controller",
    "nmos": "an n-channel transistor",
    "npn": "an npn transistor",
}


def _unknown() -> Cell:
    return Cell(UNKNOWN, faint=True)


def scope(subject: Subject) -> Section:
    """What is specified, from what, and the words used."""
    gadget = subject.gadget
    found = Counter(entry.origin for entry in entries(gadget))
    counts = in_words(
        f"{found[name]} {one if found[name] == 1 else more}"
        for name, (one, more) in ORIGINS.items()
        if found[name]
    )
    return Section(
        anchor="scope",
        title="Scope and sources",
        blocks=(
            Paragraph(
                "This document specifies what the firmware does at the pins of the controller: "
                "which inputs it reads, what it takes for an event, which outputs it drives, and "
                "when. Mechanics, optics and the chemistry of the cell are not specified. The "
                "behaviour was described in own words from observation of the gadget; no program "
                "was read or copied."
            ),
            Paragraph(
                "Everything below was written out from one description of the gadget. Of its "
                f"numbers, {counts}; the last section lists each with its origin."
            ),
            Gap(
                "Which units were examined (serial numbers, date codes), by whom and "
                "when; the captures "
                "that this description rests on, with their checksums; the data sheets, "
                "with revision."
            ),
            Table(
                caption="Words",
                head=("word", "meaning"),
                rows=tuple(
                    cells(*row)
                    for row in (
                        (
                            "region",
                            "one small state machine of the firmware; all regions run side by side",
                        ),
                        (
                            "row",
                            "in a state, on an event or after a time, if its guard "
                            "holds: the next state",
                        ),
                        (
                            "guard",
                            "a condition that is read at the moment of the event or at "
                            "the end of the "
                            "time",
                        ),
                        (
                            "instant",
                            "everything that happens at one time, worked off in a fixed order",
                        ),
                        ("press, release", "the contact has settled closed, or open"),
                        (
                            "click",
                            "a press that ended without becoming a hold, a double or "
                            "part of a chord",
                        ),
                        ("look", "one powered-up check of the proximity sensor"),
                        (
                            "near, far, wave",
                            "the settled result of looks; a wave is one pass of a hand",
                        ),
                        ("bars", "the lit segments of the battery gauge"),
                    )
                ),
            ),
        ),
    )


def context(subject: Subject) -> Section:
    """What is around the controller: supply, consumers, limits."""
    gadget = subject.gadget
    parts = [f"button contact `{name}`" for name in gadget.buttons]
    parts += [
        f"infra-red proximity sensor `{name}`: emitter, receiver" for name in gadget.proximity
    ]
    for name, light in gadget.lights.items():
        kind = "an unknown switch" if light.switch is None else SWITCHES[light.switch.kind]
        colour = f" {light.colour}" if light.colour else ""
        leds = f"{light.leds}{colour} LED{'' if light.leds == 1 else 's'}"
        parts.append(f"light `{name}`: {leds}, resistor {figure_text(light.resistor)}, on {kind}")
    parts += [f"load `{name}`" for name in gadget.loads]
    if gadget.charger is not None:
        parts.append(
            f"charger to {figure_text(gadget.charger.float_)}"
            + (f", status pin {gadget.charger.status}" if gadget.charger.status else "")
        )
    cell = gadget.cell
    blocks: list[Block] = [
        Bullets(tuple(parts)),
        Paragraph(
            f"Supply: one cell of {figure_text(cell.capacity)} (curve `{cell.curve}`)"
            + (f"; its protection opens at {figure_text(cell.cut_off)}" if cell.cut_off else "")
            + (f" and closes again at {figure_text(cell.restart)}" if cell.restart else "")
            + "."
        ),
    ]
    return Section(
        anchor="context",
        title="What is around the controller",
        blocks=(
            *blocks,
            Gap("Block diagram and power tree; the temperature range in which the gadget is used."),
        ),
    )


def _driver(switch: Switch | None) -> tuple[str, str, str]:
    """Type, active level and series part of an output with this switch."""
    if switch is None:
        return UNKNOWN, UNKNOWN, UNKNOWN
    if switch.kind == "pin":
        inside = figure_text(switch.resistance) if switch.resistance else UNKNOWN
        return "push-pull, drives the LED itself", UNKNOWN, f"pin {inside}"
    if switch.kind == "nmos":
        return "push-pull, gate of an n-channel transistor", "high", UNKNOWN
    base = figure_text(switch.base) if switch.base else UNKNOWN
    return "push-pull, base of an npn transistor", "high", f"base {base}"


def _pins(subject: Subject) -> Iterator[tuple[Cell | str, ...]]:
    gadget = subject.gadget
    pull = gadget.controller.pull_up if gadget.controller else None
    traced = "gadget file"
    for name in gadget.buttons:
        active = "low (contact to ground)" if pull else UNKNOWN
        yield (
            f"`{name}`",
            "in",
            "contact",
            active,
            "high" if pull else UNKNOWN,
            "input",
            "input, wakes",
            "must not be fed",
            figure_text(pull) + " inside" if pull else UNKNOWN,
            UNKNOWN,
            traced,
        )
    for name in gadget.proximity:
        yield (
            f"`{name}.receiver`",
            "out",
            "supply of the receiver",
            "high",
            "low",
            "input",
            "low",
            "low",
            "-",
            UNKNOWN,
            traced,
        )
        yield (
            f"`{name}.echo`",
            "in",
            "output of the receiver",
            UNKNOWN,
            UNKNOWN,
            "input",
            "input",
            "must not be fed",
            UNKNOWN,
            UNKNOWN,
            traced,
        )
        emitter = gadget.proximity[name].emitter
        if emitter is not None:
            kind, active, series = _driver(emitter.switch)
            yield (
                f"`{name}.emitter`",
                "out",
                f"{kind}, carrier",
                active,
                "off",
                "input",
                "off",
                "off",
                "-",
                series,
                traced,
            )
    for name, light in gadget.lights.items():
        kind, active, series = _driver(light.switch)
        pins = f"`{name}` (x{light.leds})" if light.segments else f"`{name}`"
        yield (
            pins,
            "out",
            kind,
            active,
            "off",
            "input",
            "off unless a state says so",
            "off",
            "-",
            f"LED {figure_text(light.resistor)}, {series}",
            traced,
        )
    for name in gadget.loads:
        yield (
            f"`{name}`",
            "out",
            UNKNOWN,
            UNKNOWN,
            "off",
            "input",
            "off unless a state says so",
            "off",
            "-",
            UNKNOWN,
            traced,
        )
    if gadget.charger is not None:
        yield (
            "`usb`",
            "in",
            "USB sense",
            "high",
            "low",
            "input",
            "input, wakes",
            "fed by USB: check the clamp current",
            UNKNOWN,
            UNKNOWN,
            traced,
        )
        if gadget.charger.status is not None:
            low, high = "low while" in gadget.charger.status, "high" in gadget.charger.status
            kind = "three levels" if low and high else "open drain" if low else "driven high"
            yield (
                "`status`",
                "in",
                f"charger status, {kind}",
                gadget.charger.status,
                "released",
                "input",
                "input, wakes",
                "follows the charger",
                UNKNOWN,
                UNKNOWN,
                traced,
            )
    if gadget.gauge is not None:
        counts = gadget.gauge.method == "counting"
        yield (
            f"`{gauge_quantity(gadget.gauge).name}`",
            "in",
            "counter of charge" if counts else "analogue, against the reference",
            "-",
            "-",
            "input",
            "goes on counting" if counts else "not read",
            "follows the charge" if counts else "follows the cell",
            UNKNOWN,
            UNKNOWN,
            traced,
        )


def interface(subject: Subject) -> Section:
    """The pin table."""
    head = (
        "signal",
        "direction",
        "type",
        "active level",
        "idle level",
        "level in reset",
        "level asleep",
        "level with the controller off",
        "pull",
        "series part",
        "origin",
    )
    rows = tuple(
        tuple(
            _unknown() if text == UNKNOWN else text if isinstance(text, Cell) else Cell(text)
            for text in row
        )
        for row in _pins(subject)
    )
    controller = subject.gadget.controller
    clock = controller.clock if controller else None
    blocks: list[Block] = [
        Paragraph(
            "One line for each signal that the model knows. Levels in reset are those of pins "
            "that come up as inputs; the parts outside must hold the outputs off until the "
            "firmware has begun."
        ),
        Table(caption="Pins", head=head, rows=rows),
        Gap(
            "Pin numbers and net names; input thresholds and output currents of the chosen "
            "controller; reset and brown-out levels; unused pins."
        ),
    ]
    if clock is None:
        blocks.append(
            Gap(
                'The tolerance of the clock. Write it as `clock = "10 %"` (either way) '
                "under `[controller]`; the windows below then widen by it."
            )
        )
    else:
        blocks.append(
            Paragraph(
                f"Clock: within {figure_text(clock)} either way; this is folded into "
                "every window below."
            )
        )
    return Section(anchor="pins", title="Electrical interface", blocks=tuple(blocks))


def _emitters(subject: Subject, event: str) -> list[tuple[Region, Row]]:
    return [
        (region, row)
        for region in subject.system.regions
        for row in region.rows
        if event in row.emit
    ]


def _hearers(subject: Subject, event: str) -> list[str]:
    return [
        region.name
        for region in subject.system.regions
        if any(row.on == event for row in region.rows)
    ]


def _never(subject: Subject, event: str, found: list[tuple[Region, Row]]) -> str:
    """Why an event is never emitted in this gadget; empty where it may be."""
    if any(reached_states(region) & set(row.sources) for region, row in found):
        return ""
    if found:
        states = dict.fromkeys(f"`{state}`" for _, row in found for state in row.sources)
        return f"never emitted here: no row leads to {in_words(states, 'or')}"
    charger = subject.gadget.charger
    if charger is None or not event.startswith("charge."):
        return "never emitted here: no row emits it"
    if charger.status is None:
        return "never emitted here: the charger has no status pin to tell it"
    if subject.gadget.status_pulled_up and "complete" in charger.status:
        return (
            "never emitted here: by the pull-up a released status pin reads high, so that a fault "
            "looks like complete"
        )
    return (
        f"never emitted here: a status pin that is {charger.status} has two levels, and a fault "
        "would be a third"
    )


def _sampled(subject: Subject, event: str) -> Window | None:
    """From a change of a sampled contact to its press or release: it may come just after a read."""
    name, _, what = event.rpartition(".")
    button = subject.gadget.buttons.get(name)
    if button is None or button.style != "sample" or what not in ("press", "release"):
        return None
    every, count = button.sample_every, button.samples
    return subject.corners.of(
        (count - 1) * every.low_ns, (2 * count - 1) * every.ns // 2, count * every.high_ns
    )


def _event_row(subject: Subject, event: str) -> tuple[Cell, ...]:
    found = _emitters(subject, event)
    notes = dict.fromkeys(row.note or row.key for _, row in found)
    sampled = _sampled(subject, event)
    windows = [sampled] if sampled is not None else [
        window for _, row in found if (window := subject.corners.row(row)) is not None and window.ns
    ]  # fmt: skip
    if windows:
        texts = (
            rough_duration(min(w.low_ns for w in windows)),
            " / ".join(dict.fromkeys(format_duration(w.ns) for w in windows)),
            rough_duration(max(w.high_ns for w in windows)),
        )
    else:
        texts = ("at once", "at once", "at once")
    places = dict.fromkeys(
        f"{region.name}: {in_words((f'`{s}`' for s in row.sources), 'or')}" for region, row in found
    )
    edges = dict.fromkeys(f"`{row.on}`" if row.on else "end of a time" for _, row in found)
    condition, causes, states = "; ".join(notes), ", ".join(edges), "; ".join(places)
    if sampled is not None:
        causes = "change of the contact"
    if never := _never(subject, event, found):
        condition, texts, causes, states = never, ("-", "-", "-"), "-", "-"
    heard = _hearers(subject, event)
    links = tuple(dict.fromkeys(link for _, row in found for link in subject.links(row)))
    return (
        Cell(f"`{event}`", anchor=f"event-{event.replace('.', '-')}"),
        Cell(condition),
        *(Cell(text, numeric=True) for text in texts),
        Cell(causes),
        Cell(states),
        Cell(in_words(f"`{name}`" for name in heard) or "nobody"),
        Cell("" if links else "-", links=links),
    )


def _latency(subject: Subject) -> Table | None:
    """How long a hand waits to be noticed, and when it can be missed."""
    rows = []
    for name, sensor in subject.gadget.proximity.items():
        from simfw.behaviour.stock import burst_ns

        every, agree = subject.corners.timing(sensor.every), sensor.agree
        look = subject.corners.of(
            *(
                time + burst_ns(sensor)
                for time in (sensor.settle.low_ns, sensor.settle.ns, sensor.settle.high_ns)
            )
        )
        rows.append(
            cells(
                f"`{name}`",
                format_duration(sensor.every.ns),
                str(agree),
                rough_duration((agree - 1) * every.low_ns),
                rough_duration((agree - 1) * every.high_ns + look.high_ns),
                rough_duration(agree * every.high_ns + look.high_ns),
            )
        )
    if not rows:
        return None
    return Table(
        caption="How long a hand must stay to be noticed, at the corners",
        head=(
            "sensor",
            "looks every",
            "echoes in a row",
            "a shorter stay may be missed or seen from",
            "seen at the earliest phase after",
            "always seen after",
        ),
        rows=tuple(rows),
    )


def events(subject: Subject) -> Section:
    """Raw signals, then what the firmware makes of them."""
    system = subject.system
    raw = tuple(
        cells(
            f"`{event}`",
            f"`{event.removesuffix('.edge')}`",
            "any change of the level; at power-up a level that is there counts as one"
            if event in ("usb.edge", "status.edge")
            else "any change of the contact; none is made up at power-up",
            in_words(f"`{name}`" for name in _hearers(subject, event)) or "nobody",
        )
        for event in system.raw_events
    )
    inner = tuple(Cell(f"`{event}`") for event in system.internal_events)
    blocks: list[Block] = []
    if raw:
        blocks.append(
            Table(
                caption="Raw signals", head=("event", "signal", "condition", "heard by"), rows=raw
            )
        )
    if system.events:
        blocks.append(
            Table(
                caption="Events and their windows",
                head=(
                    "event",
                    "condition",
                    "min",
                    "typ",
                    "max",
                    "decided on",
                    "in states",
                    "heard by",
                    "requirement",
                ),
                rows=tuple(_event_row(subject, event) for event in system.events),
            )
        )
    latency = _latency(subject)
    if latency is not None:
        blocks.append(latency)
    if inner:
        blocks.append(
            Paragraph(
                "Inside the firmware only, between stock regions: "
                + ", ".join(cell.text for cell in inner)
                + "."
            )
        )
    sampled = (
        "; for a contact that is read at intervals its change, just before a read or just after one"
        if any(button.style == "sample" for button in subject.gadget.buttons.values())
        else ""
    )
    blocks.append(
        Bullets(
            (
                "min, typ and max count from what decides: the last raw edge, or the "
                f"entry into the state{sampled}. "
                "A time that ends in the very instant of an event is worked off before "
                "it: the end of a "
                "window belongs to what happens without the event.",
                "A press that began before power-up makes no event until its contact changes.",
                "Inputs that change in one instant are taken in the order in which they "
                "are read; an event "
                "is offered to all regions before the next one is taken.",
            )
        )
    )
    return Section(anchor="events", title="Inputs and events", blocks=tuple(blocks))
