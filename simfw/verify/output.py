"""A report as text and as JSON, and witnesses as files."""

from __future__ import annotations

import io
import itertools
import re
import textwrap
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from simfw.engine.simulator import simulate
from simfw.errors import RunError
from simfw.gadget.model import Gadget
from simfw.stimuli.inputs import lanes_of
from simfw.stimuli.scenario import to_toml
from simfw.verify.finding import Finding, Report, Witness
from simfw.writing import write_folder

__all__ = ["report_json", "report_text", "witness_files", "witness_names", "write_witnesses"]

Paint = Callable[[str, str], str]
FORMAT = 1
MOST_CELLS = 40
MOST_OF_FAMILY = 4


def witness_names(report: Report) -> dict[int, str]:
    """The file name (without ending) of each witness, by the place of its finding."""
    names: dict[int, str] = {}
    used: set[str] = set()
    for place, found in enumerate(report.findings):
        if found.witness is None:
            continue
        said = found.witness.rule if found.check in (
            "rule", "coincidence", "power-cut") else found.check
        base = re.sub(r"[^a-z0-9]+", "-", said.lower()).strip("-") or "witness"
        name, count = base, 1
        while name in used:
            count += 1
            name = f"{base}-{count}"
        used.add(name)
        names[place] = name
    return names


def report_text(report: Report, paint: Paint, folder: str | None = None) -> str:
    """The report for people. `folder` is where the witnesses were written, None if nowhere."""
    lines = [paint(f"Check of {report.gadget}", "head"), ""]
    count = f"{report.combinations} combinations"
    sets = f" in {report.sets} sets that do not meet" if report.sets > 1 else ""
    if report.reached_all:
        lines += _wrapped(f"All written regions: searched to the end{sets}, {count} in "
                          f"{report.reached} states, events in every order.", 0)
    else:
        lines += _wrapped(f"All written regions: not finished{sets} after {report.reached} states "
                          f"({count}); what was not seen may still be there.", 0)
    if report.loads_left_out:
        lines += _wrapped(f"Of what these sets draw together, {report.loads_left_out} combinations "
                          f"were not worked out: only the least, the heaviest, and each state with "
                          f"the others at their least and at their heaviest.", 0)
    if report.gestures:
        how = "in every order of two and of three" if report.gestures_all else (
            "not in every order of two and three")
        lines.append(f"Gestures, one after another {how}: {report.gestures} runs.")
    if report.timed_out:
        lines.append(paint("Stopped by --seconds before its work was done: run it again without, "
                           "or on another machine, and it may say more.", "bad"))
    if report.verdicts:
        lines += ["", paint(f"Rules: {_standings(report)}", "head")]
        for verdict in report.verdicts:
            tone = "good" if verdict.standing in ("proved", "coincidence") else "bad"
            mark = paint({"broken": "broken", "proved": "proved", "coincidence": "proved",
                          "unreproduced": "open", "open": "open"}[verdict.standing], tone)
            lines.append(f"  {mark:<8} {verdict.rule}")
            any_value = f"; any value: {', '.join(verdict.free)}" if verdict.free else ""
            for text in (verdict.text, f"({verdict.detail}{any_value})"):
                lines += _wrapped(text, 11)
    names = witness_names(report)
    for level, title in (("fault", "Faults"), ("note", "Notes")):
        chosen = [(place, one) for place, one in enumerate(report.findings) if one.level == level]
        lines += ["", paint(f"{title}: {len(chosen)}", "head")]
        for place, one in chosen:
            lines += _finding_lines(one, names.get(place), folder, paint)
    lines += _cell_lines(report, paint)
    return "\n".join(lines) + "\n"


def _standings(report: Report) -> str:
    """How many rules are proved, broken, and not decided."""
    words = {"proved": "proved", "coincidence": "proved", "broken": "broken",
             "unreproduced": "not decided", "open": "not decided"}
    counts: dict[str, int] = {}
    for verdict in report.verdicts:
        word = words[verdict.standing]
        counts[word] = counts.get(word, 0) + 1
    return ", ".join(f"{counts[word]} {word}" for word in ("proved", "broken", "not decided")
                     if word in counts)


def _finding_lines(
    one: Finding, name: str | None, folder: str | None, paint: Paint
) -> list[str]:
    first, *more = _wrapped(f"{one.check}: {one.text}", 2, 4)
    tone = "bad" if one.level == "fault" else "head"
    lines = [first.replace(one.check, paint(one.check, tone), 1), *more]
    if one.rows:
        lines += _wrapped(f"where: {', '.join(one.rows)}", 6, 13)
    if one.witness is not None:
        for number, line in enumerate(one.witness.list, 1):
            lines += _wrapped(f"{number}. {line}", 6, 9)
        if folder is not None and name is not None:
            lines.append(f"      witness: {Path(folder) / (name + '.toml')}")
    return lines


def _cell_lines(report: Report, paint: Paint) -> list[str]:
    if not report.open_cells:
        return []
    lines = ["", paint(f"Unhandled (state, event) pairs: {len(report.open_cells)}", "head"),
             "  To ignore one on purpose, add a row with to = \"same\"."]
    cells: dict[tuple[str, str], list[str]] = {}
    for cell in report.open_cells:
        cells.setdefault((cell.region, cell.event), []).append(cell.state)
    for (region, event), states in list(cells.items())[:MOST_CELLS]:
        lines += _wrapped(f"{region:<12} {event:<18} {', '.join(_in_spans(states))}", 2, 34)
    if len(cells) > MOST_CELLS:
        lines.append(f"  and {len(cells) - MOST_CELLS} more")
    return lines


def _wrapped(text: str, indent: int, more: int | None = None) -> list[str]:
    """`text` in lines of at most 100 characters, the first indented by `indent`, others by `more`.

    Words are never broken, so that keys and paths can be copied.
    """
    return textwrap.wrap(
        text, 100, initial_indent=" " * indent,
        subsequent_indent=" " * (indent if more is None else more),
        break_long_words=False, break_on_hyphens=False,
    )


def _in_spans(states: Sequence[str]) -> list[str]:
    """The states, where more than four of one family stand together only the first and the last."""
    told: list[str] = []
    for _, group in itertools.groupby(states, key=lambda state: state.partition(".")[0]):
        names = list(group)
        many = len(names) > MOST_OF_FAMILY
        told += [f"{names[0]} .. {names[-1]} ({len(names)} states)"] if many else names
    return told


def report_json(report: Report, folder: str | None = None) -> dict[str, Any]:
    """The report with stable keys; see docs/reference/check-json.md."""
    names = witness_names(report)
    pairs = [{"region": cell.region, "state": cell.state, "event": cell.event}
             for cell in report.open_cells]
    return {
        "format": FORMAT,
        "gadget": report.gadget,
        "faults": len(report.faults),
        "notes": len(report.findings) - len(report.faults),
        "searched": {
            "states": report.reached,
            "combinations": report.combinations,
            "finished": report.reached_all,
            "sets": report.sets,
            "loads_left_out": report.loads_left_out,
            "gestures": report.gestures,
            "every_order": report.gestures_all,
            "timed_out": report.timed_out,
        },
        "rules": [
            {
                "name": verdict.rule,
                "standing": verdict.standing,
                "text": verdict.text,
                "states": verdict.states,
                "finished": verdict.finished,
                "detail": verdict.detail,
                "free": list(verdict.free),
                "replays": verdict.replays,
                "supply": verdict.supply,
            }
            for verdict in report.verdicts
        ],
        "findings": [
            {
                "check": one.check,
                "level": one.level,
                "text": one.text,
                "rows": list(one.rows),
                "witness": None if one.witness is None else _witness_json(
                    one.witness, None if folder is None else f"{names[place]}.toml"
                ),
            }
            for place, one in enumerate(report.findings)
        ],
        "unhandled_pairs": pairs,
        "open_cells": pairs,  # their name in reports of format 1 before; goes with the next one
    }


def _witness_json(witness: Witness, file: str | None) -> dict[str, Any]:
    return {
        "file": file,
        "steps": witness.steps,
        "time_s": witness.time_ns * 1e-9,
        "why": witness.why,
        "list": list(witness.list),
    }


def witness_files(
    gadget: Gadget, report: Report, folder: str | Path
) -> dict[str, str | bytes]:
    """Name -> content: for each witness a scenario, the plain list, and a timeline."""
    files: dict[str, str | bytes] = {}
    for place, name in witness_names(report).items():
        one = report.findings[place]
        assert one.witness is not None
        files[f"{name}.toml"] = to_toml(one.witness.scenario, folder)
        lines = [one.text, "", *(f"{n}. {line}" for n, line in enumerate(one.witness.list, 1))]
        files[f"{name}.txt"] = "\n".join(lines) + "\n"
        picture = _timeline(gadget, one.witness)
        if picture is not None:
            files[f"{name}.svg"] = picture
    return files


def write_witnesses(gadget: Gadget, report: Report, folder: str | Path) -> None:
    """Write all witnesses into `folder`, all or none; nothing where there are none."""
    files = witness_files(gadget, report, folder)
    if files:
        write_folder(folder, files)


def _timeline(gadget: Gadget, witness: Witness) -> bytes | None:
    """What is done and the states of the written regions against time, as SVG."""
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    try:
        run = simulate(gadget, witness.scenario)
    except RunError:
        return None
    lanes = [(name, [(begins * 1e-9, until * 1e-9, "") for begins, until in spans])
             for name, spans in lanes_of(run.scenario.steps, run.end_ns).items()]
    regions = [(i, name) for i, name in enumerate(run.regions) if name in gadget.behaviour]
    for place, name in regions:
        spans: list[tuple[float, float, str]] = []
        for interval in run.intervals:
            state = interval.states[place]
            start, end = interval.start_ns * 1e-9, interval.end_ns * 1e-9
            if spans and spans[-1][2] == state:
                spans[-1] = (spans[-1][0], end, state)
            else:
                spans.append((start, end, state))
        lanes.append((name, spans))
    with rc_context({"svg.hashsalt": "simfw", "svg.fonttype": "none"}):
        figure = Figure(figsize=(9.0, 0.8 + 0.45 * len(lanes)))
        axes = figure.subplots()
        for row, (_, spans) in enumerate(lanes):
            for number, (start, end, label) in enumerate(spans):
                axes.broken_barh([(start, end - start)], (row - 0.35, 0.7),
                                 facecolor=("#56B4E9", "#D9D9D9")[number % 2], edgecolor="#000000",
                                 linewidth=0.5)
                if end - start > 0.03 * witness.scenario.lasts_ns * 1e-9:
                    axes.text((start + end) / 2, row, label, ha="center", va="center", fontsize=7)
        axes.axvline(witness.time_ns * 1e-9, color="#D55E00", linestyle="--")
        axes.set_yticks(range(len(lanes)), [name for name, _ in lanes])
        axes.invert_yaxis()
        axes.set_xlim(0, witness.scenario.lasts_ns * 1e-9)
        axes.set_xlabel("time (s); dashed: where it breaks")
        axes.set_title(witness.scenario.title, fontsize=9)
        figure.tight_layout()
        stream = io.BytesIO()
        figure.savefig(stream, format="svg", metadata={"Date": None})
    return stream.getvalue()
