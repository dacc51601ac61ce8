"""The resting combinations of a gadget as text and as JSON: what `simfw modes` prints."""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

from simfw.engine.reachable import MOST_COMBINATIONS
from simfw.engine.supply import EMPTY, OPENED
from simfw.quantity import format_percent, format_rough_time, format_si
from simfw.report.cautions import caution_lines
from simfw.report.text import columns, guess_lines, origins_json, plain, ticking_text

if TYPE_CHECKING:
    from simfw.behaviour.cycles import Loop
    from simfw.engine.modes import Mode, Survey
    from simfw.gadget.model import Gadget

__all__ = ["current_text", "dial_lines", "left_out", "modes_json", "modes_text",
           "over_dials_text", "unmatched_readings"]  # fmt: skip

_UNTOLD = 1e-6  # of a current: no digit that is printed tells it

LARGEST = 3  # parts of a mean current that are named
MOST_BROUGHT = 4  # modes that are named for where they bring a dial
ENDLESS = "it does not end within 100 years"


def modes_json(gadget: Gadget, found: Survey, loops: Sequence[Loop] = ()) -> dict[str, Any]:
    """The modes as values for JSON; currents in ampere, times in second.

    `loops` are rows that lead round in no time.
    """
    modes, together = found.modes, found.together
    return {
        "gadget": gadget.head.name,
        "modes": [
            {
                "states": dict(mode.states),
                "outside": dict(mode.outside),
                "charge": mode.charge,
                "voltage_v": mode.voltage_v,
                "average_current_a": mode.current_a,
                "within_a": mode.within_a,
                "peak_a": mode.peak_a,
                "left_by": mode.left_by,
                "parts": [
                    {"name": name, "average_current_a": amps}
                    for name, amps in mode.parts_a.items()
                ],
                "dials": dict(mode.dials),
                "over_dials_a": None if mode.over_dials_a is None else list(mode.over_dials_a),
                "run_time_s": mode.run_time_s,
                "ends_by": mode.ends_by,
                "lights": [
                    {"name": name, "run_time_s": time.run_time_s, "reading_a": time.reading_a,
                     "ended_by": time.ended_by}
                    for name, time in mode.lights.items()
                ],
                "readings": [
                    {"key": key, "low_a": low, "value_a": value, "high_a": high,
                     "agrees": _agrees(mode, low, high)}
                    for key, (low, value, high) in mode.readings.items()
                ],
            }
            | ({"why": ENDLESS} if mode.run_time_s is None else {})
            | ({"run_time_about": True} if mode.run_time_about else {})
            for mode in modes
        ],
        "together": None if together is None else {
            "left_out": together.left_out,
            "sum_a": together.sum_a,
            "average_current_a": together.current_a,
        },
        "unlisted": found.unlisted,
        "whole": found.whole,
        "restless": list(found.restless),
        "endless": [{"rows": list(loop.rows)} for loop in loops],
        "readings_without_mode": unmatched_readings(gadget, modes),
        **origins_json(gadget, "modes"),
    }  # fmt: skip


def modes_text(
    gadget: Gadget, found: Survey, paint: Callable[[str, str], str] = plain,
    loops: Sequence[Loop] = (),
) -> str:
    """The modes as a table, a line each; `paint` as in `text_report`, the rest as in the JSON."""
    modes = found.modes
    endless = _endless(found.restless, loops, paint)
    if not modes:
        head = paint(f"{gadget.head.name}: no combination of states comes to rest", "head")
        return "\n".join([head, *endless]) + "\n"
    charge = format_percent(modes[0].charge)
    protected = gadget.cell.cut_off is not None
    regions = [*modes[0].states, *modes[0].outside]
    dialled = any(over_dials_text(mode) for mode in modes)
    peaks = any(mode.peak_a is not None for mode in modes)
    header = (*regions, "current", *(["peak"] * peaks), *(["by dial"] * dialled), "run time",
              "largest parts")
    rows = [
        (
            *(ticking_text(states) for states in mode.states.values()),
            *mode.outside.values(),
            current_text(mode),
            *([peak_text(mode)] * peaks),
            *([over_dials_text(mode)] * dialled),
            _run_time(mode),
            ", ".join(
                f"{name} {format_si(amps, 'A')}"
                for name, amps in list(mode.parts_a.items())[:LARGEST]
            ),
        )
        for mode in modes
    ]
    table = columns([header, *rows],
                    right=range(len(regions), len(regions) + 2 + dialled + peaks))
    lines = [
        paint(f"{gadget.head.name}: what it draws at rest", "head"),
        f"Mean current at {charge} charge, buttons and sensor left alone and no time-out ending "
        "the state;",
        f"run time from full to {'cut-off' if protected else 'empty'} if this state never ended.",
        "",
        paint(table[0], "head"),
        *table[1:],
    ]
    if peaks:
        lines += ["  Where states go round or a sequence plays, the current is the mean, and the "
                  "peak that of the", "    highest moment."]
    ended = _played_out(gadget, modes)
    if ended:
        lines += textwrap.wrap(
            f"A sequence that ends is over here, and its output is off: {', '.join(ended)}.", 98,
            initial_indent="  ", subsequent_indent="    ")
    for line in dial_lines(gadget, modes):
        lines += textwrap.wrap(line, 98, initial_indent="  ", subsequent_indent="    ")
    for line in left_out(found):
        lines += textwrap.wrap(line, 98, initial_indent="  ", subsequent_indent="    ")
    lines += _fading(modes)
    lines += _endings(modes, protected=protected)
    lines += endless
    lines += _readings(gadget, modes, paint)
    lines += guess_lines(gadget, "modes", paint)
    lines += ["", paint("Cautions", "head"), *caution_lines(gadget)]
    return "\n".join(lines) + "\n"


def _endless(
    restless: Sequence[str], loops: Sequence[Loop], paint: Callable[[str, str], str]
) -> list[str]:
    """What never comes to rest, and the rows that chase each other."""
    found = [f"  {name} never comes to rest." for name in restless]
    for loop in loops:
        found += textwrap.wrap(loop.text, 98, initial_indent="  ", subsequent_indent="    ",
                               break_on_hyphens=False)
    return ["", paint("Instants without end", "bad"), *found] if found else []


def _played_out(gadget: Gadget, modes: Sequence[Mode]) -> list[str]:
    """The states of these modes whose sequence has ended: what enters one again plays it anew."""
    return list(dict.fromkeys(
        f"{region}.{state}" for mode in modes for region, states in mode.states.items()
        for state in states.split("/")
        for output, level in gadget.behaviour[region].states[state].items()
        if level.named in gadget.sequences and gadget.sequences[level.named].times
        and mode.current_a is not None and not mode.parts_a.get(output)
    ))


def _named(mode: Mode) -> str:
    """The states of a mode, and how the toggles and measures stand that it was read with."""
    return " ".join([*(f"{region}.{ticking_text(state)}" for region, state in mode.states.items()),
                     *(f"{name}.{at}" for name, at in mode.outside.items())])


def unmatched_readings(gadget: Gadget, modes: Sequence[Mode]) -> list[str]:
    """The keys of the meter's readings that belong to no mode."""
    used = {key for mode in modes for key in mode.readings}
    return [key for key in gadget.readings if key not in used]


def current_text(mode: Mode) -> str:
    """The mean current, marked where it is not exact (constant currents just add up)."""
    if mode.current_a is None:
        return "-"
    return format_si(mode.current_a, "A") + (" ~" if _within_a(mode) else "")


def _within_a(mode: Mode) -> float | None:
    """How far the mean may be off (A), None where no digit that is printed would tell."""
    if mode.within_a is None or mode.within_a <= _UNTOLD * (mode.current_a or 0.0):
        return None
    return mode.within_a


def peak_text(mode: Mode) -> str:
    """The highest current of any moment where states go round or a sequence plays."""
    return "" if mode.peak_a is None else format_si(mode.peak_a, "A")


def over_dials_text(mode: Mode) -> str:
    """The mean current from the lowest to the highest values of the dials, where they differ."""
    if mode.over_dials_a is None:
        return ""
    low, high = (format_si(amps, "A") for amps in mode.over_dials_a)
    return f"{low} .. {high}" if low != high else ""


def dial_lines(gadget: Gadget, modes: Sequence[Mode]) -> list[str]:
    """Where the dials stand in a table of modes, in a sentence for those that stand where they
    start and one for those that modes bring elsewhere by themselves.
    """
    starting: dict[str, str] = {}
    brought: dict[str, list[str]] = {}
    for mode in modes:
        for name, place in mode.dials.items():
            levels = gadget.dials[name].levels
            value = levels[place]
            unit = "" if value.segments is None else f" segment{'s' * (value.segments != 1)}"
            said = f"{name} at {value.text}{unit}, position {place} (0 to {len(levels) - 1})"
            if place == gadget.dials[name].starts:
                starting[name] = said
            else:
                brought.setdefault(said, []).append(_named(mode))
    lines = []
    if starting:
        lines.append(f"Dials stand where they start: {'; '.join(starting.values())}.")
    for said, modes_there in brought.items():
        more = len(modes_there) - MOST_BROUGHT
        named = [*modes_there[:MOST_BROUGHT], *([f"{more} more"] if more > 0 else [])]
        lines.append("Where a mode moves a dial itself it counts as it stands in the end: "
                     f"{said} ({', '.join(named)}).")
    if any(over_dials_text(mode) for mode in modes):
        lines.append("By dial: the same with the dials of that line at their lowest values, and at "
                     "their highest.")
    return lines


def left_out(found: Survey) -> list[str]:
    """What the figures rest on, and what is not listed, a sentence each."""
    lines = []
    modes = found.modes
    causes = sorted({mode.left_by for mode in modes if mode.left_by is not None})
    if causes:
        charge = format_percent(modes[0].charge)
        lines.append(f"- cannot be held at {charge} charge: left at once, by {', '.join(causes)}")
    within = [off_a for mode in modes if (off_a := _within_a(mode)) is not None]
    if within:
        lines.append(
            "~ parts tick on periods that hardly come round together: shares of time are "
            f"multiplied; within {format_si(max(within), 'A')}"
        )
    together = found.together
    if together is not None:
        lines.append(
            f"{together.left_out} more combinations are not listed: what each of these lines adds "
            "to the first adds up; all at their largest: "
            f"{format_si(together.sum_a, 'A')} added up, "
            f"{format_si(together.current_a, 'A')} together"
        )
    if found.unlisted:
        lines.append(f"{found.unlisted} more modes are not listed")
    if not found.whole:
        lines.append(
            f"only {MOST_COMBINATIONS} combinations of states were looked at: there may be more "
            "modes"
        )
    return lines


def _run_time(mode: Mode) -> str:
    if mode.run_time_s is None:
        return "> 100 years"
    return run_time_text(mode) + ("" if mode.ends_by in (OPENED, EMPTY) else " *")


def run_time_text(mode: Mode) -> str:
    """How long a mode lasts that has an end; "about" where that rests on a mean drain."""
    assert mode.run_time_s is not None
    return ("about " if mode.run_time_about else "") + format_rough_time(mode.run_time_s)


def _fading(modes: Sequence[Mode]) -> list[str]:
    """The lights that fall to a tenth (FL 1) before their mode ends."""
    lines = []
    for mode in modes:
        for name, time in mode.lights.items():
            if time.ended_by == "10 %" and time.run_time_s is not None:
                lines.append(f"  {_named(mode)}: {name} is down to a tenth of its light (FL 1) "
                             f"after {format_rough_time(time.run_time_s)}")
    return lines


def _endings(modes: Sequence[Mode], *, protected: bool) -> list[str]:
    """What ended the modes that the gadget left by itself before its supply ended."""
    causes = sorted({mode.ends_by or EMPTY for mode in modes} - {EMPTY, OPENED})
    if not causes:
        return []
    end = "the protection opens" if protected else "the cell is empty"
    return textwrap.wrap(
        f"* until the gadget leaves this state on its own (event {' or '.join(causes)}), which is "
        f"before {end}", 98, initial_indent="  ", subsequent_indent="    ")


def _agrees(mode: Mode, low: float, high: float) -> bool | None:
    """Whether the model is within the reading's range; None for a reading without one."""
    return None if low == high or mode.current_a is None else low <= mode.current_a <= high


def _readings(
    gadget: Gadget, modes: Sequence[Mode], paint: Callable[[str, str], str]
) -> list[str]:
    rows = []
    often = Counter(key for mode in modes for key in mode.readings)
    for mode in modes:
        for key, (low, value, high) in mode.readings.items():
            agrees = _agrees(mode, low, high)
            verdict = {None: "", True: "within its range", False: "outside its range"}[agrees]
            off = ""
            if value and mode.current_a is not None:
                off = f"{100 * (mode.current_a / value - 1):+.1f} %"
            shown = format_si(value, "A")
            if agrees is not None:
                shown += f" ({format_si(low, 'A')} .. {format_si(high, 'A')})"
            where = "" if often[key] == 1 else " ".join(
                f"{region}.{state}" for region, state in mode.states.items()
                if f"{region}." not in f"{key}."
            )
            named = f"{key} ({where})" if where else key
            rows.append((named, shown, current_text(mode), off, verdict))
    unmatched = [f"  no resting combination is {key}" for key in unmatched_readings(gadget, modes)]
    if not rows and not unmatched:
        return []
    table = columns([("state", "meter", "model", "off by", ""), *rows], right=(1, 2, 3))
    return ["", paint("Beside the meter's readings", "head"), *table, *unmatched]
