"""The sections about stock parts: what each is, its figures in a table, its requirements."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from simfw.behaviour.expression import turning_level
from simfw.behaviour.region import STATUS_LEVELS
from simfw.behaviour.stock import burst_ns
from simfw.circuit.charger import ChargerMode, charger_model
from simfw.gadget.figures import figure_text, standing_text
from simfw.gadget.model import Button, Measure
from simfw.quantity import format_duration, format_percent, format_si
from simfw.report.specification.dials import dials
from simfw.report.specification.document import (
    Block,
    Bullets,
    Cell,
    Paragraph,
    Section,
    Table,
    cells,
)
from simfw.report.specification.first import code_below
from simfw.report.specification.stock import DESCRIBED
from simfw.report.specification.subject import Subject
from simfw.report.specification.tables import requirement_table, times_table
from simfw.report.specification.windows import rounded_down, rounded_up
from simfw.report.specification.words import in_words, slug

__all__ = ["parts"]

SETTLE = (
    "A contact counts once it has kept still for its debounce time: every change begins the time "
    "anew. What it then is, and whether it counts as pressed already, decides between press, "
    "release and nothing; a blip that is over sooner raises nothing."
)
SAMPLE = (
    "A contact that is read at intervals is read whatever its edges do. A read that differs from "
    "what the button counts as (closed while not pressed, open while pressed) is counted; a read "
    "that does not begins the count anew. From the first that differs to the end of the count the "
    "controller stays awake, in between it may sleep."
)
FIRST = (
    "A contact that counts its first edge is answered at once: the edge that differs from what the "
    "button counts as makes a press or a release, and the edges behind it are ignored for a time. "
    "If the contact differs when that time ends, that counts then, and the time begins anew."
)
HOLDS = (
    "Each length of a hold has an event of its own, told when it is reached. Repeats begin one "
    "period after the first of them and go on through the others. A press that is released in the "
    "very instant of its hold has none. A release in the very instant of a repeat comes too late "
    "for that one: `release` and then the repeat are raised, and none after it."
)
COUNTED = (
    "Presses in a row are counted as long as each follows the release before it in time. The "
    "highest count is told at its press, a smaller one when the time after its last release has "
    "run out.{holds} Behind {ended}, the next press is a first one, however soon it comes. So is a "
    "press in the very instant in which the time after a release ends: `press` and then the count "
    "so far are raised."
)
HOLD = (
    "A hold is told while the button is still down. A release in the very instant in which its "
    "time ends comes too late: `release` and then `hold` are raised, and no click."
)
DOUBLE = (
    "A click waits for a second press: it is told when the time has run out. The second press is "
    "told as a double click at once; its release is a release only{holds}. Behind {ended}, the "
    "next press is a first one, however soon it comes. A second press in the very instant in which "
    "the time ends is too late: `press` and then `click` are raised, and a new press has begun."
)
CHORD = (
    "A chord begins with the press of one of its buttons while no other of them is pressed; a "
    "further such press begins the time anew. It takes the place of click, double click and hold "
    "of its buttons until all of them are released; `press` and `release` are told all the same. A "
    "double click that was told before the chord stands; a press that would be a double click and "
    "completes a chord in one instant is the chord alone."
)
TOGGLE = (
    "A toggle stays where it is put, and is on where its contact is closed. What counts is the "
    "position in which it has kept still for its debounce time, whatever it does meanwhile: in a "
    "guard `NAME.on` and `NAME.off` are that position. From power-up the time runs as after a "
    "change; where the toggle then stands otherwise than it counts, that is told."
)
CONTESTED = (
    "Of chords that share buttons the one of more buttons wins: such a chord is told at the end "
    "of a dwell of no length, once every press of the instant has been heard."
)
SENSOR = (
    "A look is the receiver on, a time to settle, then a burst of the emitter; the answer is "
    "judged at the end of the burst, and what the receiver answered before that is not remembered. "
    "Echoes and misses are counted in a row; one of the other kind begins the count anew. After "
    "`far` the field is blocked until it has been clear for the re-arm time: near again before "
    "that is no new wave. In a blocked field an echo stops the re-arm time; the miss after it "
    "begins that time anew, any other miss does not. An echo in the very instant in which the time "
    "ends comes after its end. In a guard `NAME.near` holds from that "
    "event to `NAME.far`, and `NAME.blocked` from then until the field is clear or near again."
)
MEASURE = (
    "Something outside that is measured now and then, with thresholds that it has passed or not. "
    "In a guard the name of a measure is the number of thresholds passed. On a host, and in "
    "vectors, its value is told as `NAME.reached.K`, 1 where it is at least level K: the "
    "thresholds from below, then their return levels."
)
SAID: tuple[tuple[ChargerMode, str], ...] = (
    ("fast", "charging"), ("complete", "complete"), ("fault", "fault"), ("off", "no USB"),
)  # fmt: skip


# -- buttons and chords ----------------------------------------------------------------------------


def _button_times(name: str, button: Button) -> Iterator[tuple[str, str]]:
    key = f"buttons.{name}"
    if button.style == "sample":
        yield f"{key}.sample_every", f"from read to read; {button.samples} in a row count"
    else:
        first, release = button.style == "first-edge", button.debounce_release is not None
        what = "press" if release else "press or release"
        yield f"{key}.debounce", f"from a {what} to the next edge that counts" if first else (
            f"from the last change of the contact to {what}")
        if release:
            yield f"{key}.debounce_release", (
                "from a release to the next edge that counts" if first
                else "from the last change of the contact to release")
    for event, _ in button.hold_lengths:
        yield button.hold_key(name, event), f"from press to {event}"
    if button.repeat is not None:
        yield f"{key}.repeat", f"from {button.hold_lengths[0][0]} to repeat, and between repeats"
    if button.double is not None:
        yield f"{key}.double", "from release to click, or the second press" if (
            button.most_clicks == 2) else "from release to the count so far, or the next press"
    if button.second_hold is not None:
        yield f"{key}.second_hold", "from the second press to second_hold"


def _in_a_row(text: str, buttons: Sequence[Button]) -> str:
    """What is said of presses in a row, of holds where one of these buttons has any."""
    first = any(button.hold_lengths for button in buttons)
    second = any(button.second_hold is not None for button in buttons)
    if text is DOUBLE:
        return text.format(holds=", and it cannot become a hold" * first,
                           ended="it, or behind a hold" if first else "it")
    ended = ["the highest count", *["a hold"] * first, *["a second press that lasted"] * second]
    holds = " Only the first press can become a hold." * first
    if second:
        holds += " A second one that lasts is an event of its own where the table of times has it."
    return text.format(holds=holds, ended=in_words(ended, "or"))


def _buttons(subject: Subject) -> Section:
    buttons = subject.gadget.buttons.values()
    styles = {button.style for button in buttons}
    said = [text for text, is_so in (
        (SETTLE, "settle" in styles), (SAMPLE, "sample" in styles),
        (FIRST, "first-edge" in styles),
        (HOLD, any(button.hold_lengths for button in buttons)),
        (HOLDS, any(button.repeat or button.holds for button in buttons))) if is_so]  # fmt: skip
    counted = [button for button in buttons
               if button.most_clicks > 2 or button.second_hold is not None]
    doubled = [button for button in buttons if button.most_clicks == 2 and button not in counted]
    said += [_in_a_row(text, some) for text, some in ((DOUBLE, doubled), (COUNTED, counted))
             if some]  # fmt: skip
    endless = [f"`{name}`" for name, button in subject.gadget.buttons.items()
               if not button.hold_lengths and button.second_hold is None]
    if endless:
        has, them = ("has", "it") if len(endless) == 1 else ("have", "them")
        said.append(f"{in_words(endless)} {has} no hold: how long a press of {them} lasts changes "
                    "nothing.")  # fmt: skip
    blocks: list[Block] = [Paragraph(text) for text in said]
    blocks += times_table(subject, "Times of the buttons", (
        time for name, button in subject.gadget.buttons.items()
        for time in _button_times(name, button)))  # fmt: skip
    blocks += requirement_table(subject, "Requirements", subject.part(*(
        f"{name}.{what}" for name, button in subject.gadget.buttons.items()
        for what in ("contact", "gesture", *["repeats"] * (button.repeat is not None)))))
    return Section(anchor="buttons", title="Buttons", blocks=tuple(blocks))


def _toggles(subject: Subject) -> Section:
    toggles = subject.gadget.read_toggles
    firsts = in_words(f"`{name}` as {toggle.starts}" for name, toggle in toggles.items())
    return Section(anchor="toggles", title="Toggles", blocks=(
        Paragraph(f"{TOGGLE} At power-up it counts {firsts}."),
        *times_table(subject, "Times of the toggles", (
            (f"toggles.{name}.debounce", "from the last change of the contact")
            for name in toggles)),
        *requirement_table(subject, "Requirements", subject.part(*toggles)),
    ))  # fmt: skip


def _others(subject: Subject) -> list[Section]:
    """Stock regions that are told by their rows."""
    found = []
    for region in subject.system.regions:
        mine = subject.part(region.name)
        if region.group not in (*DESCRIBED, "behaviour"):
            found.append(Section(
                anchor=f"part-{slug(region.name)}", title=region.name, blocks=(
                    Paragraph(f"It begins in `{region.starts}`."),
                    *requirement_table(subject, "Its rows, in the order in which they are tried",
                                       mine))))  # fmt: skip
    return found


def _chords(subject: Subject) -> Section:
    chords = subject.gadget.chords
    return Section(anchor="chords", title="Chords", blocks=(
        Paragraph(CHORD),
        *[Paragraph(CONTESTED)] * any(
            len(one.buttons) != len(other.buttons) and set(one.buttons) & set(other.buttons)
            for one in chords.values() for other in chords.values()),
        *times_table(subject, "Times of the chords", (
            (f"chords.{name}.within", f"from the first press to the last of "
             f"{in_words(f'`{button}`' for button in chord.buttons)}")
            for name, chord in chords.items())),
        *requirement_table(subject, "Requirements", subject.part(*chords)),
    ))  # fmt: skip


# -- sensors ---------------------------------------------------------------------------------------


def _latency(subject: Subject) -> Table:
    """How long a hand waits to be noticed, and when it can be missed."""
    rows = []
    for name, sensor in subject.gadget.proximity.items():
        every, agree = subject.corners.timing(sensor.every), sensor.agree
        burst = burst_ns(sensor)
        look = subject.corners.of(*(time + burst for time in (
            sensor.settle.low_ns, sensor.settle.ns, sensor.settle.high_ns)))  # fmt: skip
        rows.append(
            cells(
                f"`{name}`",
                rounded_down((agree - 1) * every.low_ns),
                rounded_up((agree - 1) * every.high_ns + look.high_ns),
                rounded_up(agree * every.high_ns + look.high_ns),
            )
        )
    return Table(
        caption="How long a hand must stay to be noticed",
        head=("sensor", "may be missed below", "seen at the earliest phase after",
              "always seen after"),
        rows=tuple(rows),
    )  # fmt: skip


def _sensors(subject: Subject) -> Section:
    sensors = subject.gadget.proximity
    fixed = tuple(
        cells(f"`{name}`", f"`{sensor.enabled}`" if sensor.enabled else "always",
              f"{sensor.burst} cycles of {figure_text(sensor.carrier)}, "
              f"{figure_text(sensor.duty)} on", str(sensor.agree))
        for name, sensor in sensors.items())  # fmt: skip
    return Section(anchor="sensors", title="Proximity", blocks=(
        Paragraph(SENSOR),
        Table(caption="Sensors", head=("sensor", "looks while", "burst", "in a row"), rows=fixed),
        *times_table(subject, "Times of the sensors", (
            (f"proximity.{name}.{key}", meaning) for name in sensors for key, meaning in (
                ("every", "from the beginning of a look to that of the next"),
                ("settle", "from the receiver on to the burst"),
                ("clear", "re-arm: clear field until the next wave counts")))),
        _latency(subject),
        *requirement_table(subject, "Requirements", subject.part(*sensors)),
    ))  # fmt: skip


def _look_text(name: str, measure: Measure) -> str:
    """What the states are in which the specification names a measure's taking."""
    rest_ns = measure.every.ns - measure.settle.ns
    return (f"Region `{name}.look` is in `settling` from the beginning of a measurement to its "
            "judging, and else in `asleep`, from power-up on. There its time is what the "
            f"measurement leaves: {format_duration(rest_ns)}.")  # fmt: skip


def _measured(subject: Subject) -> Section:
    """What is measured now and then, and where its thresholds lie."""
    rows = []
    for name, measure in subject.gadget.measures.items():
        levels = subject.system.measures[name]
        count = len(levels.thresholds)
        for number, (figure, back) in enumerate(
            zip(measure.thresholds, levels.back, strict=True), 1
        ):
            rows.append(cells(
                f"`{name}`, threshold {number}", Cell(figure_text(figure), numeric=True),
                Cell(f"{back:.6g} {levels.unit}", numeric=True),
                f"`{name}.reached.{number}`, `{name}.reached.{count + number}`",
                standing_text(figure)))  # fmt: skip
    measures = subject.gadget.measures
    table = [Table(caption="Levels", head=("threshold", "passed no longer below", "passed again at",
                                           "read as", "origin"), rows=tuple(rows))] if rows else []
    starts = in_words(f"`{name}` with {measure.starts}" for name, measure in measures.items())
    return Section(anchor="measures", title="Measures", blocks=(
        Paragraph(f"{MEASURE} At power-up {starts} passed."),
        *(Paragraph(_look_text(name, measure)) for name, measure in measures.items()),
        *table,
        *times_table(subject, "Times of the measures", (
            (f"measures.{name}.{key}", meaning) for name in measures for key, meaning in (
                ("every", "from the beginning of a measurement to that of the next"),
                ("settle", "from the beginning of a measurement to its judging")))),
        *requirement_table(subject, "Requirements", subject.part(*measures)),
    ))  # fmt: skip


# -- charger ---------------------------------------------------------------------------------------


def _meanings(subject: Subject) -> Table:
    """What each level that can be read at the status pin may stand for."""
    model = charger_model(subject.gadget)
    assert model is not None
    rows = []
    for level in subject.system.status_levels:
        said = [word for mode, word in SAID if model.reads(mode, mode != "off") == level]
        word = "neither: nothing drives it, and nothing pulls it" if level == "released" else level
        rows.append(cells(word, str(STATUS_LEVELS.index(level)), in_words(said, "or")))
    return Table(caption="What the status pin means",
                 head=("it reads", "in vectors and protocol", "the charger's state"),
                 rows=tuple(rows))  # fmt: skip


def _charger(subject: Subject) -> Section:
    charger = subject.gadget.charger
    assert charger is not None
    keeps = ("with USB in, its input feeds the gadget past the cell (a power path), also while the "
             "protection is open, and the cell alone ends the charge" if charger.power_path
             else "a steady load above the finish current keeps it from ending")
    blocks: list[Block] = [Paragraph(
        "The firmware sees the charger and does not steer it: limits of charge are those of "
        f"charger and protection. It charges to {figure_text(charger.float_)}; {keeps}. States: "
        "`unplugged`, `waiting` (USB is there, the pin has said nothing yet), `charging`, "
        "`complete`, `fault`.")]  # fmt: skip
    if charger.status is None:
        blocks.append(Paragraph("The firmware sees USB only; there is no status pin in the model."))
    else:
        blocks.append(_meanings(subject))
        blocks.append(Paragraph(
            "The pin is read on its changes, and once as a dwell of no length of `waiting`: a pin "
            "that says so already makes no edge. Each edge of USB and of the pin is judged by what "
            "both read as it is heard: what has gone and come back by then is as it was. Where no "
            "requirement takes `charge` on, it stays where it is."
            + (" Its pull-up makes it read high where nothing drives it." if
               subject.gadget.status_pulled_up else "")))  # fmt: skip
    for name, light in subject.gadget.fed_lights.items():
        by = ("USB as long as it is in" if light.fed_by == "usb"
              else "the charger while it charges, at its status pin")
        blocks.append(Paragraph(f"`{name}` is lit by {by}. It is fed from the charger's supply: "
                                "the firmware neither drives nor reads it."))
    blocks += requirement_table(subject, "Requirements", subject.part("charge"))
    return Section(anchor="charger", title="Charger", blocks=tuple(blocks))


# -- gauge -----------------------------------------------------------------------------------------

CODES = (
    "The codes are those of the nominal reference; the higher the supply, the lower the code. "
    "Vectors and protocol give `gauge.measured` in volts and microvolts: each such reading is one "
    "that a code stands for, rounded down, or a level exactly. A firmware may compare either."
)
EXCEEDED = (
    " One exception on a host: a reading that is exactly a level marked *above* does not exceed "
    "it, though the code that it would be rounded to does. No converter yields it; a firmware that "
    "compares codes takes it for the next higher code."
)
COUNT = (
    "The count is the share of `capacity` that is left. What the gadget draws takes from it, what "
    "the charger gives adds to it; it ends at 0 % and at 100 %. From the end of the instant in "
    "which `charge.completed` is emitted it is 100 %. It is lost with the supply and begins with "
    "`power_up`. Leakage of the protection and self-discharge flow past the counter."
)


def _bars(subject: Subject) -> Table | None:
    gadget = subject.gadget
    gauge = gadget.gauge
    assert gauge is not None
    counts = gauge.method == "counting"
    has_codes = not counts and code_below(gadget, 3.0) is not None
    rows = []

    def level(value: float) -> str:
        return format_percent(value, 4) if counts else format_si(value, "V", 4)

    def codes(value: float, *, below: bool) -> Cell:
        code = code_below(gadget, value)
        if code is None:
            return Cell("never" if below else "any", numeric=True)
        return Cell(f"≥ {code}" if below else f"≤ {code - 1}", numeric=True)

    for k, figure in enumerate(gauge.thresholds, 1):
        back = round(figure.value + gauge.gap, 12)
        line = [Cell(f"bar {k}"), Cell(figure_text(figure), numeric=True),
                Cell(level(back), numeric=True)]  # fmt: skip
        if has_codes:
            line += [codes(figure.value, below=True), codes(back, below=False)]
        rows.append((*line, Cell(standing_text(figure))))
    for meaning, warning in (("cell.low", gauge.low), ("cell.flat", gauge.flat)):
        if warning is None:
            continue
        ends = gauge.low or warning
        line = [Cell(f"`{meaning}`"), Cell(figure_text(warning), numeric=True),
                Cell(f"above {figure_text(ends)}", numeric=True)]  # fmt: skip
        if has_codes:
            line += [codes(warning.value, below=True),
                     codes(turning_level("gauge.measured", ">", ends.value), below=False)]
        rows.append((*line, Cell(standing_text(warning))))
    if not rows:
        return None
    head = ["level", "goes out, or begins, below", "comes back at, or ends"]
    head += ["code then", "code back"] * has_codes
    return Table(caption="Levels of the gauge (table `bars`)", head=(*head, "origin"),
                 rows=tuple(rows))  # fmt: skip


def _gauge(subject: Subject) -> Section:
    gauge = subject.gadget.gauge
    assert gauge is not None
    counts = gauge.method == "counting"
    of = ("of the count of charge" if counts
          else "of the terminal voltage under what is drawn at that moment")
    text = (
        f"A comparator with {len(gauge.thresholds)} threshold{'s' * (len(gauge.thresholds) != 1)}"
        + (f" and a hysteresis of {figure_text(gauge.hysteresis)}" if gauge.hysteresis else "")
        + f", {of}. A sample may move several bars, and emits one event then."
        if gauge.thresholds else
        f"A comparator {of}. It counts no bars; each level is as its line says, without hysteresis."
    )  # fmt: skip
    if gauge.light:
        text += (f" Shown on `{gauge.light}`" + (f" while `{gauge.show}`" if gauge.show else "")
                 + "; samples go on all the same.")  # fmt: skip
    if gauge.low is not None or gauge.flat is not None:
        told = [name for name, level in (("`cell.low`", gauge.low), ("`cell.flat`", gauge.flat))
                if level is not None]  # fmt: skip
        order = ", ".join([*told, "`cell.back`"])
        text += (f" The events of one sample come in the order {order}"
                 + (", then that of the bars; bars and `cell` have both changed"
                    if gauge.thresholds else "; `cell` has changed")
                 + " before the first of them is heard: taking the sample is one step, which "
                 "stands in the queue like an event that a row emits. It goes to the back when the "
                 "end of its time, or what else calls for it, has had its turn. What stands before "
                 "it then is judged with the bars and the `cell` of before, what comes behind it "
                 "with those after.")
    blocks: list[Block] = [Paragraph(text)]
    if counts and gauge.capacity is not None and gauge.power_up is not None:
        blocks += [Paragraph(COUNT), Bullets((
            f"`capacity`: {figure_text(gauge.capacity)} ({standing_text(gauge.capacity)})",
            f"`power_up`: {figure_text(gauge.power_up)} ({standing_text(gauge.power_up)})"))]
    if (table := _bars(subject)) is not None:
        blocks.append(table)
    if not counts and code_below(subject.gadget, 3.0) is not None:
        exceeded = gauge.low is not None or gauge.flat is not None
        blocks.append(Paragraph(CODES + (EXCEEDED if exceeded else "")))
    blocks += times_table(subject, "Times of the gauge", [
        ("gauge.every", "from sample to sample"),
        *([("gauge.blink", "the top bar, lit and out while charging")] if gauge.blink else []),
    ])  # fmt: skip
    blocks += requirement_table(subject, "Requirements", subject.part("gauge", "cell"))
    return Section(anchor="gauge", title="Gauge", blocks=tuple(blocks))


def parts(subject: Subject) -> Section | None:
    """The stock parts that the gadget has; None without any."""
    gadget = subject.gadget
    found = [make(subject) for make, is_there in (
        (_buttons, bool(gadget.buttons)), (_chords, bool(gadget.chords)),
        (_toggles, bool(gadget.read_toggles)), (_sensors, bool(gadget.proximity)),
        (_measured, bool(gadget.measures)),
        (_charger, gadget.charger is not None),
        (_gauge, gadget.gauge is not None),
        (dials, bool(gadget.dials))) if is_there]  # fmt: skip
    title = in_words([one.title for one in found]) or "Parts"
    found += _others(subject)
    if not found:
        return None
    return Section(anchor="parts", title=title[0] + title[1:].lower(), parts=tuple(found))
