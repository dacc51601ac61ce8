"""The sections after the behaviour: faults, safety, tests, open questions, numbers."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from simfw.circuit.charger import charger_model
from simfw.gadget.figures import entries, figure_text, guesses
from simfw.quantity import Timing, format_duration
from simfw.report.cautions import DRIVEN_STATUS, cautions
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
from simfw.report.specification.tables import linked_vectors
from simfw.report.specification.words import in_words
from simfw.vectors.build import POWER_UPS, Vector
from simfw.verify.static import open_cells

__all__ = [
    "assumptions",
    "faults",
    "numbers",
    "revision",
    "safety",
    "verification",
]


def _kept(subject: Subject) -> str:
    """What outlives a loss of the supply, in words."""
    kept = [f"`{region.name}` ({'its state' if region.kept == 'state' else 'where it resumes'})"
            for region in subject.system.regions if region.kept is not None]
    return f"but what is kept: {', '.join(kept)}" if kept else "nothing kept"


def _faults(subject: Subject) -> Iterator[tuple[str, str, str, str]]:
    """Fault, how it is detected, reaction, recovery, as far as the rows tell."""
    gadget, system = subject.gadget, subject.system
    gap = "open"
    yield (
        "supply lost and back, brown-out",
        "power-up",
        "every region begins anew, " + _kept(subject),
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
        holds = [f"one `{name}.{word}` after {format_duration(timing.ns)}"
                 for word, timing in button.hold_lengths]
        last = "nothing" if button.repeat is None else (
            f"`{name}.repeat` every {format_duration(button.repeat.ns)}")
        hold = ", ".join([*(holds or [f"one `{name}.press`"]), f"then {last}"])
        yield (
            f"button `{name}` stuck closed since a press",
            "not detected",
            hold,
            "when it opens: a release"
            + ("; no click after a hold" if button.hold_lengths else " and a click"),
        )
        settles = (
            f"kept awake until still for {format_duration(button.busy_ns)}"
            if button.style == "settle"
            else "each read may see either level" if button.style == "sample"
            else f"kept awake; an edge may count every {format_duration(button.busy_ns)}"
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
    rows = tuple(tuple(Cell(text, faint=text in ("open", "not detected"))
                       for text in row) for row in _faults(subject))  # fmt: skip
    return Section(anchor="faults", title="Faults and abnormal conditions", blocks=(
        Paragraph("As far as the rows tell; whether *not detected* is right is a decision of the "
                  "author."),
        Table(caption="Faults", head=("fault", "detected by", "reaction", "recovery"), rows=rows),
    ))  # fmt: skip


def safety(subject: Subject) -> Section:
    """Cautions, and what must not rest on the firmware."""
    return Section(anchor="safety", title="Safety and hazards", blocks=(
        Bullets(tuple(text.partition(" More: ")[0] for text in cautions(subject.gadget))),
        Paragraph("By intent no protection rests on this firmware: limits of charge, discharge and "
                  "current are those of the charger and the cell's protection. Any function that "
                  "alone keeps something from harm (a step-down that keeps the case touchable, a "
                  "charge enable) would need a class of its own and is to be listed here."),
        Gap("Hazards of this gadget and the function relied on for each; standards that apply; who "
            "approves.", "the author, by local codes and licensed practice."),
    ))  # fmt: skip


def _item(subject: Subject, item: str) -> Cell:
    """What a vector is to cover, with the requirement that it is about."""
    word, _, rest = item.partition(" ")
    key, _, more = rest.partition(" ")
    one = subject.by_key.get(key)
    if one is None:
        return Cell(f"{word} `{rest}`" if ":" in rest else item)
    said = " ".join(part for part in (word, more) if part)
    where = _which(subject, key) if word != "pair" else ""
    return Cell(f"{said}, {where}:" if where else said, links=((one.number, one.anchor),))


def _which(subject: Subject, key: str) -> str:
    """Where a row stands and what it answers, if its requirement speaks of other rows too."""
    one = subject.by_key[key]
    if sum(other is one for other in subject.by_key.values()) < 2:
        return ""
    for region in subject.system.regions:
        for row in region.rows:
            if row.key == key:
                states = in_words(shortened([f"`{state}`" for state in row.sources]), "or")
                begins = f"`{row.on}`" if row.on else "after a time"
                return f"{begins} in {states}, to `{row.to}`"
    return ""


MOST_NAMED = 3


def _adds(subject: Subject, items: tuple[str, ...]) -> Cell:
    """The requirements that a vector is the first to be about."""
    found: dict[str, str] = {}
    for item in items:
        one = subject.by_key.get(item.split(" ")[1]) if " " in item else None
        if one is not None:
            found.setdefault(one.number, one.anchor)
    more = len(found) - MOST_NAMED
    ups = [item for item in items if item.startswith("power ")]
    text = in_words(POWER_UPS[item] for item in ups if item in POWER_UPS)
    if text and found:
        text = f"; {text}"
    if more > 0:
        text += f" and {more} more"
    return Cell(text.strip() or ("" if found else "outputs"), after=True,
                links=tuple(found.items())[:MOST_NAMED])  # fmt: skip


def _sets_status(subject: Subject) -> bool:
    """Whether a vector sets the status pin by hand."""
    return subject.vectors is not None and any(
        act.kind == "status" for vector in subject.vectors.vectors for act in vector.acts)


def _seconds(vectors: Iterable[Vector]) -> str:
    """How long they last together, to the second."""
    return format_duration(-(-sum(vector.ends_ns for vector in vectors) // 10**9) * 10**9)


def _names(vectors: Iterable[str]) -> str:
    """Names of a letter and a number, neighbours as a range: `b21, b22, b25 to b40, v22`."""
    found: list[list[str]] = []
    for name in sorted(vectors, key=lambda name: (name[0], int(name[1:]))):
        last = found[-1][-1] if found else ""
        if last[:1] == name[0] and int(last[1:]) + 1 == int(name[1:]):
            found[-1].append(name)
        else:
            found.append([name])
    return ", ".join(", ".join(run) if len(run) < 3 else f"{run[0]} to {run[-1]}" for run in found)


def verification(subject: Subject) -> Section:
    """Test vectors and how to judge them."""
    vectors = subject.vectors
    controller = subject.gadget.controller
    unknown = controller is None or controller.clock is None
    if vectors is None:
        return Section(anchor="tests", title="Verification", blocks=(
            Gap("No test vectors were asked for.", "`simfw spec` without `--no-vectors`."),
        ))  # fmt: skip
    shown = linked_vectors(subject) | {vector.name for vector in vectors.vectors if vector.adds}
    rows = tuple(
        (Cell(vector.name, anchor=f"vector-{vector.name}"), _adds(subject, vector.adds),
         Cell(format_duration(vector.ends_ns), numeric=True),
         Cell(str(len(vector.acts)), numeric=True),
         Cell(str(len(vector.adds)), numeric=True))
        for vector in vectors.vectors if vector.name in shown)  # fmt: skip
    others = [vector for vector in vectors.vectors if vector.name not in shown]
    blocks: list[Block] = [
        Paragraph("Those that begin with v are scenarios; those that begin with b need a bench "
                  "that sets the supply and drives the status pin itself. `README.md` beside this "
                  "document says how to run them and what is in each file."),
        *((Note(DRIVEN_STATUS),) if _sets_status(subject) else ()),
        Bullets(tuple(vectors.coverage_lines())),
        Table(caption="Test vectors", head=("vector", "it is the first about", "lasts", "steps",
                                            "items added"), rows=rows, widths=(9, 55, 16, 10, 10)),
        *((Paragraph(f"{len(others)} more are the first about nothing: they are there for the "
                     "faults that they expose, which `vectors/vectors.csv` names. They last "
                     f"{_seconds(others)} together: "
                     f"{_names(vector.name for vector in others)}."),) if others else ()),
        Paragraph("Pass: every edge of `expected.csv` within its earliest and latest time, and no "
                  "edge more. The windows are those of a clock within its tolerance"
                  + (", which is not known here: they are exact times" if unknown else "")
                  + ". What goes on by itself from power-up (looks, reads, samples, blinks) drifts "
                  "with the clock over the whole vector."),
    ]  # fmt: skip
    if vectors.missing:
        blocks.append(
            Table(
                caption="Not covered",
                head=("item", "why"),
                rows=tuple((_item(subject, item), Cell(why)) for item, why in vectors.missing),
            )
        )
    blocks.append(Gap("The bench: instruments, how stimuli are made, calibration.",
                      "the test house."))
    return Section(anchor="tests", title="Verification", blocks=tuple(blocks))


def _settled_by(key: str) -> str:
    """What would settle a guess, by what kind of quantity it is."""
    part, _, rest = key.partition(".")
    times = ("buttons", "chords", "toggles", "behaviour")
    if part in times or key in ("gauge.every", "gauge.blink"):
        return "a capture of the pins, both sides of the time"
    if part == "proximity" and rest.rpartition(".")[2] in ("every", "settle", "clear", "carrier",
                                                           "duty"):  # fmt: skip
        return "a capture of receiver supply and emitter"
    if part == "measures":
        return "the sensor's data sheet, and its reading beside a meter for the same"
    if part == "gauge":
        return "a bench supply in place of the cell, moved slowly past the level; cautions first"
    if part == "charger":
        return "the charger's data sheet and its resistor; one charge with a meter in series"
    if part == "cell":
        return "the cell's data sheet; the protection's part number"
    if part == "controller":
        return "the controller's data sheet; a meter in series with the cell"
    if part in ("pins", "lights", "proximity"):
        return "the part's marking and data sheet, or a meter with the board off"
    return "a meter in series, the part alone on"


def assumptions(subject: Subject) -> Section:
    """Every guess with what settles it, and what else is open."""
    groups: dict[str, list[str]] = {}
    for entry in guesses(subject.gadget):
        groups.setdefault(_settled_by(entry.key), []).append(
            f"`{entry.key}` {figure_text(entry.figure)}")  # fmt: skip
    blocks: list[Block] = [Gap(text, answer) for text, answer in subject.bench]
    if groups:
        blocks.append(Table(
            caption="Guesses", head=("settled by", "quantities"), widths=(28, 72),
            rows=tuple(cells(how, "; ".join(keys)) for how, keys in groups.items())))  # fmt: skip
    else:
        blocks.append(Paragraph("No quantity is marked as a guess."))
    pairs: dict[tuple[str, str], list[str]] = {}
    for pair in open_cells(subject.system):
        pairs.setdefault((pair.region, pair.event), []).append(f"`{pair.state}`")
    if pairs:
        blocks += [
            Paragraph("Unhandled pairs. Nothing happens there; was that seen, or was it never "
                      "tried? Trying it once on the old unit answers it, and a row that *stays* "
                      "writes it down."),
            Table(caption="Unhandled pairs", head=("region", "event", "in"), rows=tuple(
                cells(f"`{region}`", f"`{event}`", in_words(shortened(states), "or"))
                for (region, event), states in pairs.items())),
        ]  # fmt: skip
    untested = [one for one in subject.requirements
                if not one.is_rule and subject.vectors is not None
                and not subject.tested[one.number]]  # fmt: skip
    if untested:
        blocks.append(Table(
            caption="Requirements that no vector shows", head=("number", "sentence"),
            rows=tuple((Cell("", links=((one.number, one.anchor),)), Cell(one.text))
                       for one in untested)))  # fmt: skip
    defaults = [entry.key for entry in entries(subject.gadget) if entry.origin == "default"]
    if defaults:
        blocks.append(
            Paragraph(
                "Not written in the gadget file, at the default of this tool: "
                + in_words(f"`{key}`" for key in defaults)
                + ". A capture answers as for guesses."
            )
        )
    return Section(anchor="open", title="Open questions", blocks=tuple(blocks))


MOST_STATES = 8


def shortened(states: list[str]) -> list[str]:
    """States, where there are many the first ones and how many more."""
    if len(states) <= MOST_STATES:
        return states
    return [*states[: MOST_STATES - 1], f"{len(states) - MOST_STATES + 1} more"]


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
        blocks.append(Gap("The reason for each change.", "the author."))
    else:
        blocks.append(Paragraph("Nothing that is specified has changed."))
    return Section(anchor="revision", title="Revision", blocks=tuple(blocks))


def numbers(subject: Subject) -> Section:
    """Every number of the gadget file, with its origin."""
    rows = []
    for entry in entries(subject.gadget):
        if isinstance(entry.figure, Timing):
            window = subject.corners.timing(entry.figure)
            low, _, high = window.texts
            spread = "" if window.low_ns == window.high_ns else f"{low} to {high}"
        else:
            spread = entry.range_text
        rows.append((Cell(f"`{entry.key}`"), Cell(entry.value_text, numeric=True), Cell(spread),
                     Cell(entry.origin_text)))
    return Section(anchor="numbers", title="Numbers of the gadget", blocks=(
        Table(caption="Every quantity of the gadget file; times with the clock folded in",
              head=("quantity", "value", "range", "origin"), rows=tuple(rows),
              widths=(36, 14, 18, 32)),
    ))  # fmt: skip
