"""The text report of a run: what `simfw run` prints."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from textwrap import wrap
from typing import TYPE_CHECKING, Any, Literal

from simfw.gadget.fields import POINT_PARTS
from simfw.gadget.figures import Origins, figure_text, guesses, origins
from simfw.quantity import format_duration, format_percent, format_rough_time, format_si
from simfw.report.cautions import caution_lines
from simfw.report.ledger import SECOND_NS, YEAR_S

if TYPE_CHECKING:
    from simfw.engine.repeat import RepeatLife, TimeLeft
    from simfw.engine.run import ConsumerUse, Run, StateUse
    from simfw.gadget.model import Gadget

__all__ = [
    "bears_on",
    "columns",
    "count_text",
    "format_charge",
    "format_rough",
    "guess_block",
    "guess_keys",
    "guess_lines",
    "heading",
    "origin_lines",
    "origins_json",
    "plain",
    "text_report",
    "ticking_text",
    "what_is_kept",
]

DAY_S = 86_400.0
LINE = 108  # characters
TICKS = 4  # states of a mode that are all named
LARGEST = 3  # parts of the average current that are named beside it

SINGLE_GUESSES = 12  # that have a row each

Paint = Callable[[str, str], str]
Question = Literal["circuit", "life", "modes", "pins"]

_APART: dict[Question, str] = {  # keys of figures that the answer does not rest on
    "circuit": r"(buttons|chords|readings)\.|rules\[",
    "life": r"readings\.|rules\[",
    "modes": r"(buttons|chords)\.|rules\[|proximity\.\w+\.target\.",
    "pins": r"(?!cell\.(capacity|cut_off|resistance)|charger\.(float$|input\.)|lights\.|pins\.|"
            r"controller\.(limits\.|pull_up)|proximity\.\w+\.emitter\.)",
}
_NAMED_PARTS = ("lights", "loads", "buttons", "chords", "proximity", "pins", "behaviour")


def format_charge(charge_c: float) -> str:
    """Write a charge (C) in ampere-hours, as the trade does: "97.3 mAh"."""
    return format_si(charge_c / 3600.0, "Ah")


def columns(
    rows: Sequence[Sequence[str]], *, right: Iterable[int] = (), indent: int = 2, gap: int = 3
) -> list[str]:
    """Lay out rows of cells in aligned columns; the columns in `right` are set to the right.

    What stands in the last column goes on below itself where a line would grow too long.
    """
    if not rows:
        return []
    to_right = set(right)
    widths = [max(len(row[k]) for row in rows) for k in range(len(rows[0]))]
    lines = []
    for row in rows:
        cells = [
            cell.rjust(width) if k in to_right else cell.ljust(width)
            for k, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        line = (" " * indent + (" " * gap).join(cells)).rstrip()
        before = len(line) - len(row[-1].rstrip())
        if len(line) <= LINE or before > LINE // 2:
            lines.append(line)
            continue
        first, *more = _folded(line[before:], LINE - before)
        lines.append(line[:before] + first)
        lines += [" " * before + part for part in more]
    return lines


def _folded(text: str, width: int) -> list[str]:
    """`text` in lines of `width`, broken behind commas and semicolons where that will do."""
    lines = [""]
    for part in re.split(r"(?<=[,;]) ", text):
        joined = f"{lines[-1]} {part}".strip()
        if len(joined) <= width:
            lines[-1] = joined
        else:
            lines += wrap(part, width, break_long_words=False, break_on_hyphens=False)
    return [line for line in lines if line]


def plain(text: str, _tone: str) -> str:
    """The paint that leaves text as it is."""
    return text


def ticking_text(states: str) -> str:
    """The states of a region in a mode, joined by "/"; of many only the first and the last."""
    first, *others = states.split("/")
    return states if len(others) < TICKS else f"{first}/../{others[-1]}"


def heading(gadget: Gadget | None, title: str) -> str:
    """The gadget and, where the scenario or pattern has one, its title."""
    name = "" if gadget is None else gadget.head.name
    return ": ".join(part for part in (name, title) if part)


def bears_on(question: Question, key: str) -> bool:
    """Whether the answer of a command may rest on the figure with this key."""
    return re.match(_APART[question], key) is None


def guess_keys(gadget: Gadget, question: Question) -> list[str]:
    """The keys of the guesses that the answer to `question` may rest on, in file order."""
    return [entry.key for entry in guesses(gadget) if bears_on(question, entry.key)]


def origins_json(gadget: Gadget, question: Question) -> dict[str, Any]:
    """What a report says in its JSON about where its figures come from."""
    return {"guesses": guess_keys(gadget, question), "without_origin": origins(gadget).without}


def guess_lines(gadget: Gadget, question: Question, paint: Paint = plain) -> list[str]:
    """The block of the guesses that an answer may rest on, ended by `origin_lines`."""
    named = [(entry.key, figure_text(entry.figure)) for entry in guesses(gadget)
             if bears_on(question, entry.key)]
    return guess_block(named, gadget, paint)


def guess_block(
    named: Sequence[tuple[str, str]], gadget: Gadget, paint: Paint = plain
) -> list[str]:
    """Guesses by key and value, and how many figures of the file have no origin.

    Of many guesses those of one part of the gadget share a row. Empty where there is nothing to
    say.
    """
    tail = origin_lines(gadget)
    if not named:
        return ["", *tail] if tail else []
    rows = named if len(named) <= SINGLE_GUESSES else _by_part(named)
    return ["", paint("These figures rest on guesses", "head"), *columns(rows), *tail]


def origin_lines(gadget: Gadget) -> list[str]:
    """How many figures of the file do not say where they come from; no line where all do."""
    found = origins(gadget)
    if not found.without:
        return []
    return [f"  {count_text(found)}: `simfw figures GADGET` lists them"]


def count_text(found: Origins) -> str:
    """How many of a file's figures do not say where they come from, or that all do."""
    if not found.without:
        return f"Each of the file's {found.stated} figures says where it comes from"
    verb = "does not say where it comes" if found.without == 1 else "do not say where they come"
    return f"{found.without} of the file's {found.stated} figures {verb} from"


def _by_part(named: Sequence[tuple[str, str]]) -> list[tuple[str, str]]:
    """Guesses by part of the gadget: its key, and the rest of each key with its value."""
    parts: dict[str, dict[str, str]] = {}
    for key, value in named:
        names = key.split(".")
        depth = 2 if names[0] in _NAMED_PARTS else 1
        if names[-1] in POINT_PARTS:  # both quantities of a point under the key of the point
            names.pop()
        part, rest = ".".join(names[:depth]), ".".join(names[depth:])
        texts = parts.setdefault(part, {})
        texts[rest] = f"{texts[rest]} @ {value}" if rest in texts else value
    return [
        (part, ", ".join(f"{rest} {value}" for rest, value in texts.items()))
        for part, texts in parts.items()
    ]


def text_report(
    run: Run, life: RepeatLife, left: TimeLeft, paint: Paint = plain, *, events: bool = False
) -> str:
    """The report of a run as text, lines ended by newlines.

    `life` and `left` come from `repeat_life(run)` and `time_left(run)`. `paint(text, tone)` may
    wrap a word in the colour of a tone ("head", "good", "bad", "faint"). With `events` the events
    are listed too, which the run must have kept.
    """
    lines = [
        paint(heading(run.gadget, run.scenario.title), "head"),
        f"{format_duration(run.duration_ns)} from {format_percent(run.start_charge)} charge"
        f", seed {run.seed}",
        "",
        *_summary(run, life, left),
        "",
        paint("Charge used by each consumer", "head"),
        *_consumers(run),
        *_fed(run, paint),
        "",
        paint("Charge used by the whole gadget in each state", "head"),
        *_states(run),
        *_kept(run, paint),
    ]
    if events:
        lines += ["", paint("Events", "head"), *_events(run)]
    lines += _expectations(run, paint)
    lines += _rules(run, paint)
    lines += guess_block([(guess.key, guess.value) for guess in run.guesses], run.gadget, paint)
    lines += ["", paint("Cautions", "head"), *caution_lines(run.gadget)]
    return "\n".join(lines) + "\n"


def _fed(run: Run, paint: Paint) -> list[str]:
    """What lights that USB or the charger lights took beside the cell."""
    if not run.fed:
        return []
    rows = [("light", "charge", "on average")]
    rows += [(use.name, format_charge(use.charge_c),
              format_si(use.charge_c / (run.duration_ns / 1e9), "A")) for use in run.fed]
    return ["", paint("Taken from USB beside the cell, in no other figure", "head"),
            *columns(rows, right=(1, 2))]


def _events(run: Run) -> list[str]:
    """A line for each instant that has events: its time, and their names in order."""
    names: dict[int, list[str]] = {}
    for event in run.events:
        names.setdefault(event.time_ns, []).append(event.name)
    rows = [(format_duration(time_ns), ", ".join(found)) for time_ns, found in names.items()]
    return columns(rows, right=(0,)) if rows else ["  none"]


def _summary(run: Run, life: RepeatLife, left: TimeLeft) -> list[str]:
    duration_s = run.duration_ns / 1e9
    largest = sorted(run.consumers, key=lambda use: -use.charge_c)[:LARGEST]
    parts = ", ".join(
        f"{use.name} {format_si(use.charge_c / duration_s, 'A')}"
        for use in largest
        if use.charge_c > 0
    )
    rows = [
        ("average current", format_si(run.average_current_a, "A"), parts and f"largest: {parts}"),
        ("charge used", format_charge(run.charge_used_c), ""),
    ]
    if run.gadget.charger is not None:
        gave = format_charge(run.charger_charge_c) if run.charger_charge_c > 0 else "nothing"
        giver = "USB gave" if run.gadget.power_path else "charger gave"
        rows.append((giver, gave, ""))
    rows.append(
        (
            "cell at the end",
            format_percent(max(run.end_charge, 0.0)),  # one emptied is so up to rounding
            f"{format_si(run.end_voltage_v, 'V')} at its terminals, "
            f"{format_si(run.end_open_circuit_v, 'V')} open-circuit",
        )
    )
    if run.empty_at_ns is not None:
        opened = "cell was empty" if run.gadget.cell.cut_off is None else "protection opened"
        rows.append((opened, "at " + format_duration(run.empty_at_ns), ""))
    rows += _lives(life, "cell empty" if run.gadget.cell.cut_off is None else "protection opens")
    rows.append(("standby time left", *_left(left)))
    return columns(rows)


def _lives(life: RepeatLife, ends: str) -> list[tuple[str, str, str]]:
    """How long all is done that is asked, and how long until the supply `ends`."""
    if life.days is None and life.served_days is None:
        return [("battery life", "none", life.why or "")]
    rows = []
    if life.served_days is None:
        rows.append(("battery life", "no end", life.served_why or ""))
    else:
        note = "if this repeated from full, each time begun alike"
        note += _range(life.served_low_days, life.served_high_days)
        rows.append(("battery life", format_rough_time(life.served_days * DAY_S), note))
        rows.append(("", "", f"then {life.served_why}"))
    if life.unmet:
        what = "an expectation" if life.unmet == 1 else f"{life.unmet} expectations"
        verb = "does" if life.unmet == 1 else "do"
        rows.append(("", "", f"{what} that {verb} not hold from full {verb} not count"))
    if life.days is None:
        rows.append((ends, "never", life.why or ""))
    elif life.served_days is not None and life.days > life.served_days:
        note = "if it went on like that" + _range(life.low_days, life.high_days)
        rows.append((ends, format_rough_time(life.days * DAY_S), note))
    if life.left_out is not None:
        rows.append(("", "", life.left_out))
    return rows


def _range(low_days: float | None, high_days: float | None) -> str:
    if low_days is None and high_days is None:
        return ""
    low, high = (
        "no end" if days is None else format_rough_time(days * DAY_S)
        for days in (low_days, high_days)
    )
    if low == high:
        return "; the ranges in the file change it by less than a repetition"
    return f"; {low} .. {high} over the ranges in the file"


def _left(left: TimeLeft) -> tuple[str, str]:
    if left.beyond:
        return left.why or "", "after this run, if untouched"
    if left.seconds is None:
        return "none", left.why or ""
    shown = format_rough_time(left.seconds)
    if left.about:
        return f"about {shown}", "after this run, at the mean drain: its parts hardly come round"
    return shown, "after this run, if untouched"


def _share(use: ConsumerUse, run: Run) -> str:
    if run.charge_used_c <= 0:
        return ""
    percent = 100 * use.charge_c / run.charge_used_c
    return "<0.1 %" if 0 < percent < 0.05 else f"{percent:.1f} %"


def _consumers(run: Run) -> list[str]:
    duration_s = run.duration_ns / 1e9
    rows = [("consumer", "charge", "share", "on average")]
    rows += [
        (
            use.name,
            format_charge(use.charge_c),
            _share(use, run),
            format_si(use.charge_c / duration_s, "A"),
        )
        for use in sorted(run.consumers, key=lambda use: -use.charge_c)
        if use.charge_c > 0
    ]
    idle = [use.name for use in run.consumers if use.charge_c == 0]
    lines = columns(rows, right=(1, 2, 3))
    if idle:
        lines.append(f"  nothing: {', '.join(idle)}")
    return lines


def _states(run: Run) -> list[str]:
    shown = [*run.gadget.behaviour, *(["charge"] if run.gadget.charger is not None else [])]
    rows = [("region", "state", "time", "charge", "on average")]
    for region in shown:
        uses = [use for use in run.states if use.region == region and use.time_ns > 0]
        rows += [_state_row(use, first=use is uses[0]) for use in uses]
    lines = columns(rows, right=(3, 4))
    if len(run.regions) > len(shown):
        lines.append("  built-in regions (buttons, sensors, gauge) appear in --json and --csv only")
    return lines


def _kept(run: Run, paint: Paint) -> list[str]:
    """What was written to survive a power loss, and how much that makes in a year."""
    if not run.kept:
        return []
    rows = [("region", "kept", "writes", "in a year at this rate")]
    for use in run.kept:
        per_year = use.writes * YEAR_S * SECOND_NS / run.duration_ns
        rows.append((use.region, what_is_kept(use.what), str(use.writes), format_rough(per_year)))
    return ["", paint("Kept over a power loss", "head"), *columns(rows, right=(2, 3))]


def what_is_kept(what: str) -> str:
    """What a region keeps over a power loss, in words."""
    return "its state" if what == "state" else "its last resume point"


def format_rough(count: float) -> str:
    """A count that is known to three digits: "1,230,000"."""
    if count < 1000:
        return f"{count:.3g}"
    digits = len(str(int(count))) - 3
    return f"{round(count / 10**digits) * 10**digits:,}"


def _state_row(use: StateUse, *, first: bool) -> tuple[str, str, str, str, str]:
    return (
        use.region if first else "",
        use.state,
        format_rough_time(use.time_ns / 1e9, 4),
        format_charge(use.charge_c),
        format_si(use.charge_c / (use.time_ns / 1e9), "A"),
    )


def _expectations(run: Run, paint: Paint) -> list[str]:
    if not run.expectations:
        return []
    met = sum(expected.met for expected in run.expectations)
    failed = [expected for expected in run.expectations if not expected.met]
    title = f"Expectations: {met} met" + (f", {len(failed)} not met" if failed else "")
    lines = ["", paint(title, "head")]
    for expected in failed:
        place = f"{expected.key}, {format_duration(expected.time_ns)}"
        lines.append(f"  {paint('not met', 'bad')}   {expected.expression}   ({place})")
        if expected.why:
            lines.append(f"            {expected.why}")
    return lines


def _rules(run: Run, paint: Paint) -> list[str]:
    if not run.rules:
        return []
    held = sum(rule.held for rule in run.rules)
    broken = len(run.rules) - held
    title = f"Rules: {held} held" + (f", {broken} broken" if broken else "")
    lines = ["", paint(title, "head")]
    for rule in run.rules:
        if rule.held:
            lines.append(f"  {paint('held', 'good')}     {rule.name}")
            continue
        at = "" if rule.time_ns is None else f"   (first at {format_duration(rule.time_ns)})"
        lines.append(f"  {paint('broken', 'bad')}   {rule.name}{at}")
        if rule.why:
            lines.append(f"           {rule.why}")
    return lines
