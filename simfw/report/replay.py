"""A replay as text, as JSON, as a table, as a scenario."""

from __future__ import annotations

import csv
import io
import itertools
from collections.abc import Callable, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

from simfw.gadget.model import Gadget
from simfw.quantity import format_duration, format_rough_time, format_si
from simfw.stimuli.inputs import input_of
from simfw.stimuli.recording.mapfile import Signal
from simfw.stimuli.scenario import Expect, Scenario, Step
from simfw.verify.alignment import Pair
from simfw.verify.explaining import Divergence
from simfw.verify.replay import Replayed, SignalVerdict
from simfw.verify.timings import Measured, TimingReport

__all__ = ["as_scenario", "replay_csv", "replay_json", "replay_text"]

Paint = Callable[[str, str], str]

FORMAT = 1
LONG_NS = 10_000_000_000  # from here on a time is written in the largest unit that it fills
MOST = 12  # things to record next that are written out; --json has them all


def seconds(time_ns: float) -> str:
    """A time in seconds with six decimals."""
    return f"{time_ns / 1e9:.6f} s"


def level_text(level: float | None, signal: Signal) -> str:
    """A level as the gadget file would write it."""
    if level is None:
        return "unknown"
    if signal.kind == "segments":
        return f"{level:.0f} lit"
    if level in (0.0, 1.0):
        return "on" if level else "off"
    return f"{100 * level:.3g} %"


def step_text(step: Step) -> str:
    """A stimulus in words."""
    at = seconds(step.at_ns)
    kind = input_of(step)
    words = f"expect {step.text}" if isinstance(step, Expect) else ""
    return f"At {at}, {words if kind is None else kind.said(step, _milliseconds)}"


def _milliseconds(time_ns: float) -> str:
    if abs(time_ns) >= LONG_NS:
        return format_rough_time(time_ns / 1e9, 6)
    if 0 < abs(time_ns) < 1000:  # ns; no recorder is as fine, but nothing is hidden
        return f"{time_ns:.3g} ns"
    return f"{time_ns / 1e6:.4g} ms"


def _tick(tick_s: Fraction) -> str:
    """The tick of a recording: exact from a nanosecond on."""
    ns = tick_s * 10**9
    return format_duration(int(ns)) if ns == int(ns) else f"{float(tick_s):.6g} s"


def _counted(count: int, one: str, many: str) -> str:
    return f"{count} {one if count == 1 else many}"


# Text ----------------------------------------------------------------------------------------


def replay_text(replayed: Replayed, divergence: Divergence | None, timings: TimingReport | None,
                paint: Paint) -> str:
    """The whole report."""
    lines = [*_head(replayed), ""]
    rows = [("output", "verdict", "edges", "matched", "worst", "disagree")]
    for one in replayed.verdicts:
        matched = sum(pair.kind == "matched" for pair in one.pairs)
        wrong = len(one.disagreements) + (not one.start_agrees)
        rows.append((one.signal, one.verdict, str(len(one.pairs)), str(matched),
                     _milliseconds(one.worst_ns) if matched else "-", str(wrong) if wrong else "-"))
    lines += _table(rows, lambda row, text: paint(
        text, "head" if row == 0 else "good" if rows[row][1] == "matched" else "bad"))
    lines += [f"  {one.signal}: {_counted(one.undecided, 'edge', 'edges')} of the model within "
              "the tolerance of the recording's end, not judged"
              for one in replayed.verdicts if one.undecided]
    if divergence is not None:
        lines += ["", paint("First difference", "head"), *_divergence(replayed, divergence)]
    if timings is not None:
        lines += ["", paint("Timings", "head"), *_timings(timings)]
    odd = [str(remark) for remark in replayed.observed.remarks]
    odd += [f"not in the map: {name}" for name in replayed.observed.unmapped]
    if odd:
        lines += ["", paint("About the recording", "head"), *(f"  {text}" for text in odd)]
    lines += ["", _conclusion(replayed, paint)]
    return "\n".join(lines) + "\n"


def _head(replayed: Replayed) -> list[str]:
    observed, recording = replayed.observed, replayed.observed.recording
    clock = f"tick {_tick(recording.tick_s)}"
    if recording.sample_hz is not None:
        clock = f"sampled at {format_si(float(recording.sample_hz), 'Hz', 6)}"
    elif recording.written_s > recording.tick_s:
        clock = f"times written to {_tick(recording.written_s)}"
    lines = [f"{recording.path.name}: {seconds(observed.end_ns)}, {clock}, "
             f"{_counted(len(observed.steps), 'stimulus', 'stimuli')}, "
             f"{_counted(len(observed.outputs), 'output', 'outputs')}; tolerance "
             f"{format_duration(replayed.options.tolerance_ns)}"]
    if replayed.options.factor is not None:
        lines.append(f"clock factor {replayed.clock.factor:.6g}, as given")
    elif replayed.clock.failed:
        lines.append(f"clock factor: the fit ran into its bound at {replayed.clock.factor:.3g}; "
                     "it has failed")
    elif replayed.clock.decided:
        lines.append(f"clock factor {replayed.clock.factor:.5f} ({replayed.clock.low:.5f} .. "
                     f"{replayed.clock.high:.5f}), from "
                     f"{_counted(replayed.clock.edges, 'edge', 'edges')} on "
                     + ", ".join(replayed.clock.timings))
        if len(replayed.clock.timings) == 1:
            lines.append("  one timing alone: the clock and this timing cannot be told apart")
    else:
        lines.append("clock factor not told by this recording; 1 is taken")
    begin = f"begins in {replayed.begin}"
    if replayed.begin.lead_ns:
        begin += f", held for {_milliseconds(replayed.begin.lead_ns)} before"
    lines.append(f"{begin}, charge {100 * replayed.begin.charge:.4g} %")
    lines += [f"  {text}" for text in replayed.said]
    lines += [f"  would fit as well: {begin}" for begin in replayed.also[:5]]
    if replayed.observed.started_on:
        lines.append("  on when the recording begins: " + ", ".join(replayed.observed.started_on)
                     + " (fed as if it began there)")
    return lines


def _table(rows: Sequence[tuple[str, ...]], paint: Callable[[int, str], str]) -> list[str]:
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    lines = []
    for number, row in enumerate(rows):
        cells = [cell.ljust(width) for cell, width in zip(row, widths, strict=True)]
        lines.append(paint(number, "  " + "  ".join(cells).rstrip()))
    return lines


def pair_text(pair: Pair, signal: Signal) -> str:
    """A disagreement in words."""
    def edge(which: str) -> str:
        found = pair.recorded if which == "recorded" else pair.model
        assert found is not None
        return (f"{level_text(found.before, signal)} -> {level_text(found.level, signal)} at "
                f"{seconds(found.time_ns)}")

    if pair.kind == "missing":
        return f"missing: the model goes {edge('model')}; the recording does not"
    if pair.kind == "extra":
        return f"extra: the recording goes {edge('recorded')}; the model does not"
    off = pair.off_ns or 0.0
    both = f"recorded {edge('recorded')}, model {edge('model')}"
    if pair.kind == "level":
        return f"other level: {both}"
    return f"{pair.kind} by {_milliseconds(abs(off))}: {both}"


def _divergence(replayed: Replayed, divergence: Divergence) -> list[str]:
    signal = replayed.observed.signals[divergence.signal]
    if divergence.pair is None:
        lines = [f"  {divergence.signal}: {level_text(divergence.starts_recorded, signal)} when "
                 f"the recording begins; the model: {level_text(divergence.starts_model, signal)}"]
    else:
        lines = [f"  {divergence.signal} {pair_text(divergence.pair, signal)}"]
    if divergence.inputs:
        lines.append("  the last inputs before it:")
        lines += [f"    {step_text(step)}" for step in divergence.inputs]
    lines.append("  the model stood in: " + ", ".join(
        f"{region}.{state}" for region, state in divergence.states.items()))
    if divergence.fired:
        lines.append("  rows that fired there: " + ", ".join(divergence.fired))
    if divergence.candidates:
        lines.append("  rows that could fire in that state:")
        for row in divergence.candidates:
            guard = f" when {row.guard}" if row.guard else ""
            lines.append(f"    {row.key}: {row.waits_for}{guard} -> {row.to}")
    if divergence.timing is not None:
        lines.append(f"  the one timing whose change would remove it: {divergence.timing.key}, "
                     f"{divergence.timing.change}")
    else:
        lines.append(f"  no change of one timing removes it ({divergence.tried} changes tried)")
    if divergence.suspects:
        lines.append("  single changes that remove it, most likely first:")
        for suspect in divergence.suspects:
            left = ("everything agrees then" if suspect.left == 0
                    else f"{suspect.left} later differences remain")
            lines.append(f"    {suspect.key}: {suspect.change} ({left})")
    return lines


def _timings(report: TimingReport) -> list[str]:
    rows = [("timing", "written", "measured", "from", "")]
    told = [one for one in report.timings
            if one.finding not in ("not exercised", "not measured")]
    rows += [(one.key, one.written, measured_text(one), str(one.count) if one.count else "-",
              finding_text(one)) for one in told]
    lines = _table(rows, lambda _row, text: text) if told else []
    ran = [one for one in report.timings if one.finding == "not measured"]
    if ran:
        lines.append("  ran, but no recorded edge measures it: "
                     + ", ".join(one.key for one in ran[:MOST])
                     + (f" and {len(ran) - MOST} more" if len(ran) > MOST else ""))
    silent = len(report.timings) - len(told) - len(ran)
    if silent:
        lines.append(f"  {_counted(silent, 'timing', 'timings')} of the file not exercised")
    if report.to_record:
        lines.append("  To record next:")
        lines += [f"    {one.key}: {one.sequence}" for one in report.to_record[:MOST]]
        if len(report.to_record) > MOST:
            lines.append(f"    and {len(report.to_record) - MOST} more, listed by --json")
    return lines


def finding_text(one: Measured) -> str:
    """The finding; with it the timings that the recording does not tell apart from this one."""
    if not one.beside:
        return one.finding
    if one.finding == "doubtful":
        return f"doubtful: this or {' or '.join(one.beside)} is wrong"
    return f"{one.finding}, if {' and '.join(one.beside)} " \
           f"{'is' if len(one.beside) == 1 else 'are'} as written"


def measured_text(one: Measured) -> str:
    """The measured value: a spread, a bracket, or a dash."""
    if one.low_ns is None and one.high_ns is None:
        return "-"
    if one.low_ns is None:
        return f"below {_milliseconds(one.high_ns or 0)}"
    if one.high_ns is None:
        return f"above {_milliseconds(one.low_ns)}"
    if one.middle_ns is None:
        return f"between {_milliseconds(one.low_ns)} and {_milliseconds(one.high_ns)}"
    return (f"{_milliseconds(one.middle_ns)} ({_milliseconds(one.low_ns)} .. "
            f"{_milliseconds(one.high_ns)})")


def _conclusion(replayed: Replayed, paint: Paint) -> str:
    if replayed.agrees:
        return paint("The recording agrees with the gadget file.", "good")
    count = replayed.mismatches
    if not count:
        return paint("The clock factor could not be fitted.", "bad")
    return paint(f"The recording disagrees with the gadget file in {count} place"
                 f"{'' if count == 1 else 's'}.", "bad")


# JSON ----------------------------------------------------------------------------------------


def replay_json(replayed: Replayed, divergence: Divergence | None,
                timings: TimingReport | None) -> dict[str, Any]:
    """The report as plain values; the schema is docs/reference/replay-json.md."""
    observed, clock = replayed.observed, replayed.clock
    return {
        "format": FORMAT,
        "recording": str(observed.recording.path),
        "agrees": replayed.agrees,
        "disagreements": replayed.mismatches,
        "duration_s": observed.end_ns / 1e9,
        "tolerance_s": replayed.options.tolerance_ns / 1e9,
        "sample_rate_hz": (None if observed.recording.sample_hz is None
                           else float(observed.recording.sample_hz)),
        "tick_s": float(observed.recording.tick_s),
        "resolution_s": float(observed.recording.resolution_s),
        "clock": {
            "factor": clock.factor,
            "low": clock.low,
            "high": clock.high,
            "fitted": replayed.options.factor is None and clock.decided,
            "failed": clock.failed,
            "edges": clock.edges,
            "timings": list(clock.timings),
        },
        "start": {
            "states": dict(replayed.begin.states),
            "power_up": not replayed.begin.states,
            "charge": replayed.begin.charge,
            "offset_s": replayed.begin.lead_ns / 1e9,
            "also_fit": [dict(begin.states) for begin in replayed.also],
            "said": list(replayed.said),
        },
        "signals": [_signal_json(one) for one in replayed.verdicts],
        "first_difference": None if divergence is None else _divergence_json(divergence),
        "timings": None if timings is None else [
            {
                "key": one.key,
                "written_s": one.written_ns / 1e9,
                "measured_s": None if one.middle_ns is None else one.middle_ns / 1e9,
                "low_s": None if one.low_ns is None else one.low_ns / 1e9,
                "high_s": None if one.high_ns is None else one.high_ns / 1e9,
                "edges": one.count,
                "beside": list(one.beside),
                "finding": one.finding,
            }
            for one in timings.timings
        ],
        "not_exercised": None if timings is None else [
            {"key": one.key, "record": one.sequence} for one in timings.to_record
        ],
        "frames": [
            {"time_s": frame.end_ns / 1e9, "code": frame.code, "button": button,
             "repeats": len(frame.repeats_ns)}
            for button, frame in observed.frames
        ],
        "unmapped_wires": list(observed.unmapped),
        "remarks": [{"line": remark.line, "text": remark.text} for remark in observed.remarks],
    }


def _pair_json(pair: Pair) -> dict[str, Any]:
    recorded, model = pair.recorded, pair.model
    return {
        "kind": pair.kind,
        "recorded_s": None if recorded is None else recorded.time_ns / 1e9,
        "recorded_level": None if recorded is None else recorded.level,
        "model_s": None if model is None else model.time_ns / 1e9,
        "model_level": None if model is None else model.level,
        "off_s": None if pair.off_ns is None else pair.off_ns / 1e9,
    }


def _signal_json(one: SignalVerdict) -> dict[str, Any]:
    counts = dict.fromkeys(("matched", "early", "late", "missing", "extra", "level"), 0)
    for pair in one.pairs:
        counts[pair.kind] += 1
    return {
        "signal": one.signal,
        "verdict": one.verdict,
        **counts,
        "undecided": one.undecided,
        "worst_s": one.worst_ns / 1e9,
        "start_agrees": one.start_agrees,
        "start_recorded": one.starts_recorded,
        "start_model": one.starts_model,
        "edges": [_pair_json(pair) for pair in one.pairs],
    }


def _divergence_json(divergence: Divergence) -> dict[str, Any]:
    return {
        "signal": divergence.signal,
        "time_s": divergence.time_ns / 1e9,
        "edge": None if divergence.pair is None else _pair_json(divergence.pair),
        "inputs": [step_text(step) for step in divergence.inputs],
        "states": dict(divergence.states),
        "fired": list(divergence.fired),
        "candidates": [
            {"key": row.key, "waits_for": row.waits_for, "to": row.to, "guard": row.guard}
            for row in divergence.candidates
        ],
        "timing": None if divergence.timing is None else {
            "key": divergence.timing.key, "change": divergence.timing.change},
        "suspects": [
            {"key": suspect.key, "change": suspect.change, "timing": suspect.timing,
             "disagreements_left": suspect.left}
            for suspect in divergence.suspects
        ],
        "changes_tried": divergence.tried,
    }


# Table and scenario --------------------------------------------------------------------------


def replay_csv(replayed: Replayed) -> str:
    """One row per edge of every output."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(["signal", "kind", "recorded_s", "recorded_level", "model_s", "model_level",
                     "off_s"])
    for one in replayed.verdicts:
        for pair in one.pairs:
            values = _pair_json(pair)
            writer.writerow([one.signal, *(("" if values[key] is None else values[key]) for key in
                             ("kind", "recorded_s", "recorded_level", "model_s", "model_level",
                              "off_s"))])
    return stream.getvalue()


def as_scenario(replayed: Replayed, gadget: Gadget, gadget_path: Path) -> Scenario:
    """The recording as a scenario: its stimuli, and what the outputs were after each change.

    An expectation stands two tolerances after each change that no other follows for four: the edges
    of the gadget's run may be off by the tolerance.
    """
    observed = replayed.observed
    tolerance = replayed.options.tolerance_ns
    times = sorted({0, observed.end_ns, *(time for track in observed.outputs.values()
                                          for time in track.times_ns)})
    steps: list[Step] = list(observed.steps)
    for begin, end in itertools.pairwise(times):
        if end - begin < 4 * tolerance:
            continue
        at = begin + 2 * tolerance
        for name, track in observed.outputs.items():
            text = _expectation(replayed, gadget, name, track.at(at))
            if text is not None:
                steps.append(Expect(at_ns=at, text=text))
    steps.sort(key=lambda step: step.at_ns)
    return Scenario(
        title=f"Recorded in {observed.recording.path.name}", gadget_path=gadget_path,
        charge=replayed.begin.charge, lasts_ns=max(1, observed.end_ns), steps=tuple(steps),
        gadget=gadget)


def _expectation(replayed: Replayed, gadget: Gadget, name: str, level: float | None) -> str | None:
    signal = replayed.observed.signals[name]
    if level is None or signal.kind not in ("light", "load", "segments"):
        return None
    if signal.kind == "segments":
        level = level / gadget.lights[signal.name].leds
    if level == 0.0:
        return f"{signal.name} == 0"
    within = replayed.observed.within.get(name, 0.01)
    above = f"{signal.name} > {max(0.0, level - within):.4g}"
    return above if level + within > 1.0 else f"{above} and {signal.name} < {level + within:.4g}"
