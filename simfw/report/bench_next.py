"""What to look at next as text, as JSON and as a folder of lists: what `simfw next` prints."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from simfw.quantity import format_rough_time
from simfw.report.bench_log import (
    answers_text,
    measured_text,
    narrowed_json,
    nearest_lines,
    span_text,
    wrapped,
)
from simfw.report.cautions import bearing, caution_block
from simfw.report.text import plain

if TYPE_CHECKING:
    from simfw.benchlog.experiments import Experiment, NextResult, Prediction, Untold

__all__ = ["next_files", "next_json", "next_text", "open_questions"]

MOST = 8  # experiments that are told

Paint = Callable[[str, str], str]


def _predicted(one: Prediction, unit: str) -> str:
    parts = list(one.sights)
    if one.low is not None and one.high is not None:
        low, high = measured_text(one.low, unit), measured_text(one.high, unit)
        parts.insert(0, low if low == high else f"{low} .. {high}")
    return " or ".join(parts) or "nothing"


def next_text(found: NextResult, paint: Paint = plain) -> str:
    """The report of `simfw next`."""
    log = found.narrowed.log
    gadget = next(iter(log.gadgets.values()))
    lines = [paint(": ".join(p for p in (gadget.head.name, log.title) if p), "head")]
    left = len(found.narrowed.possible)
    lines.append(f"{left} of {len(found.narrowed.rivals)} combinations of answers left; on the "
                 f"bench: {', '.join(found.kit)}")
    if not left:
        lines += nearest_lines(found.narrowed)
        lines += wrapped("`simfw narrow` tells what contradicts, and what the gadget file itself "
                         "may have wrong.", "  ", "  ")
        return "\n".join(lines) + "\n"
    lines += ["", paint("Most told for the least time", "head")]
    if not found.experiments:
        lines += wrapped("nothing in the library tells anything with this kit and time")
    for number, one in enumerate(found.experiments[:MOST], start=1):
        lines += wrapped(f"{number}. {one.name}", "  ", "     ")
        lines += wrapped(
            f"{format_rough_time(60.0 * one.minutes, 2)}, {', '.join(one.kit)}; "
            f"{_bits(one.bits)}", "     ", "     ")
        if number == 1:  # what is to be done first; the others stand in full in the written lists
            lines += wrapped(one.hands, "     ", "     ")
        told = [(answers_text(log, p.combination), _predicted(p, one.unit))
                for p in one.predictions]
        if len(told) == 1 or len({text for _, text in told}) == 1:
            lines += wrapped(f"predicted: {told[0][1]}", "     ", "       ")
        else:
            lines += [line for who, text in told
                      for line in wrapped(f"{text}   if {who}", "     ", "       ")]
    if len(found.experiments) > MOST:
        lines.append(f"  and {len(found.experiments) - MOST} more (--json)")
    if len(found.experiments) > 1:
        lines += wrapped("`--write DIR` says of each what hands do.", "  ", "  ")
    if found.expected_minutes:
        about = format_rough_time(60.0 * found.expected_minutes, 2)
        lines += wrapped(f"In this way {about} on average, until nothing here tells explanations "
                         "apart any more", "  ", "  ")
    if found.not_tellable:
        lines += ["", paint("Not surely told apart by one of these", "head")]
        for pair in found.not_tellable:
            both = f"{answers_text(log, pair.first)} / {answers_text(log, pair.second)}"
            lines += wrapped(f"{both}: {_untold_text(pair)}")
    if found.looks:
        lines += ["", *wrapped(
            f"Tried {found.looks} handlings side by side. What was not found may exist, where "
            "nothing is said to be proved.", "", "")]
    return "\n".join(lines) + "\n" + caution_block(gadget, "next", paint)


def _bits(bits: float) -> str:
    text = f"{bits:.2g}"
    return f"{text} bit" if text == "1" else f"{text} bits"


_PROVED = {
    "all": "proved equal: nothing that can be done shows a difference",
    "rows": "proved: they light and drive the same, whatever hands do, as long as both read the "
            "same of the cell; only a current could tell them apart",
}


def _untold_text(pair: Untold) -> str:
    """What is known of two explanations that no experiment with this kit tells apart."""
    if pair.would_tell:
        return f"would tell: {', '.join(pair.would_tell)}"
    not_told = f"not told apart by {pair.tried} experiments tried"
    if pair.proof is None:
        return not_told
    return _PROVED[pair.proof] + ("" if pair.proof == "all" else f"; {not_told}")


def next_json(found: NextResult) -> dict[str, Any]:
    """The same for JSON, with what `narrow` tells: s and A."""
    log = found.narrowed.log
    return narrowed_json(found.narrowed) | {
        "kit": list(found.kit),
        "experiments": [_experiment_json(found, one) for one in found.experiments],
        "expected_minutes": float(f"{found.expected_minutes:.6g}"),
        "not_tellable": [
            {"answers": [log.answers(pair.first), log.answers(pair.second)],
             "would_tell": list(pair.would_tell), "proved": pair.proof, "tried": pair.tried}
            for pair in found.not_tellable
        ],
        "handlings_tried": found.looks,
    }


def _experiment_json(found: NextResult, one: Experiment) -> dict[str, Any]:
    def number(value: float | None) -> float | None:
        return None if value is None or not math.isfinite(value) else float(f"{value:.6g}")

    return {
        "name": one.name, "kind": one.kind, "hands": one.hands, "minutes": number(one.minutes),
        "kit": list(one.kit), "bits": number(one.bits), "bits_per_minute": number(one.worth),
        "unit": one.unit, "read_within": number(one.blur), "entry": one.entry,
        "predictions": [
            {"answers": found.narrowed.log.answers(p.combination), "low": number(p.low),
             "high": number(p.high), "sights": list(p.sights)}
            for p in one.predictions
        ],
    }


def next_files(found: NextResult, gadget: str) -> dict[str, str]:
    """A list for hands, and for each handling a scenario of the gadget file at `gadget`."""
    from pathlib import Path

    from simfw.stimuli.scenario import Scenario, to_toml

    own = next(iter(found.narrowed.log.gadgets.values()))
    lines = ["# What to look at next", "", *(f"* {text}" for text in bearing(own, "next")), ""]
    files: dict[str, str] = {}
    for number, one in enumerate(found.experiments[:MOST], start=1):
        lines += [f"## {number}. {one.name}", "", one.hands, "",
                  f"It takes {format_rough_time(60.0 * one.minutes, 2)}; needed: "
                  f"{', '.join(one.kit)}.", ""]
        lines += ["| if | you see |", "|---|---|"]
        lines += [f"| {answers_text(found.narrowed.log, p.combination)} | "
                  f"{_predicted(p, one.unit)} |" for p in one.predictions]
        lines += ["", "Write it down in the bench log:", "", "```", "[[observations]]",
                  f'name = "{one.name}"', one.entry, "```", ""]
        if one.handling is not None:
            steps, at_ns = one.handling.steps()
            scenario = Scenario(title=one.name, gadget_path=Path(gadget), charge=0.8,
                                lasts_ns=at_ns + 2_000_000_000, steps=steps)
            files[f"{number}-handling.toml"] = to_toml(scenario, ".")
    files["list.md"] = "\n".join(lines)
    return files


def open_questions(found: NextResult) -> tuple[tuple[str, str], ...]:
    """What is open of a bench log, as (what, what would answer it): questions first, then figures.

    Of a question whose answers are still more than one, and of each unknown.
    """
    log = found.narrowed.log
    told: list[tuple[str, str]] = []
    left = [one.combination for one in found.narrowed.possible]
    for n, question in enumerate(log.questions):
        answers = sorted({combination[n] for combination in left})
        if len(answers) < 2:
            continue
        names = " or ".join(question.answers[k].name for k in answers)
        how = next((one for one in found.experiments if _decides(one, n)), None)
        told.append((
            f"{question.asks or question.name} Left: {names}.",
            "nothing in the library of experiments" if how is None else
            f"{how.hands} ({format_rough_time(60.0 * how.minutes, 2)})",
        ))
    for unknown, interval in zip(log.unknowns, found.narrowed.intervals, strict=True):
        by = dict.fromkeys((*interval.low_by, *interval.high_by))
        told.append((
            f"{unknown.key}: {span_text(unknown, interval.low, interval.high)}",
            f"known as far as {', '.join(by)} tell" if by else "not narrowed by what was seen",
        ))
    return tuple(told)


def _decides(one: Experiment, question: int) -> bool:
    """Whether answers to a question are predicted to look different."""
    seen: dict[int, set[str]] = {}
    for p in one.predictions:
        seen.setdefault(p.combination[question], set()).add(_predicted(p, one.unit))
    sets = list(seen.values())
    return all(not a & b for n, a in enumerate(sets) for b in sets[n + 1 :])
