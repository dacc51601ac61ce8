"""A run written as a recording: every stimulus and every output's level against time.

Signals are called what the gadget file calls them, so the recording needs no map. What the wires
do not carry (start charge, seed, digest of the gadget file) stands in comment lines, and the last
row stands at the end of the run, so that reading the recording back gives the same run.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from vcd.writer import VCDWriter

import simfw
from simfw.engine.levels import output_tracks
from simfw.engine.run import Run
from simfw.engine.timeline import timeline
from simfw.errors import UsageError
from simfw.quantity import format_duration
from simfw.stimuli.inputs import INPUTS
from simfw.stimuli.recording.base import seconds_text
from simfw.stimuli.recording.mapfile import Signal, gadget_signals
from simfw.writing import check_file, write_whole

__all__ = ["check_record", "recording_text", "write_recording"]

KINDS = (".csv", ".vcd")


@dataclass(frozen=True, slots=True)
class _Change:
    time_ns: int
    signal: str
    value: float


def check_record(path: str | Path) -> None:
    """Raise `UsageError` where a recording cannot be written under this name, or not there."""
    if Path(path).suffix.lower() not in KINDS:
        raise UsageError(f"--record {path}: a recording ends in {' or '.join(KINDS)}.")
    check_file(path)


def write_recording(run: Run, path: str | Path) -> None:
    """Write the run whole or not at all. Raises `UsageError` where it cannot be written."""
    check_record(path)
    write_whole(path, recording_text(run, Path(path).suffix.lower()))


def recording_text(run: Run, kind: str) -> str:
    """The run as text of this kind, ".csv" or ".vcd"."""
    signals = {name: signal for name, signal in gadget_signals(run.gadget).items()
               if signal.kind != "infrared"}
    starts, changes = _changes(run, signals)
    notes = _notes(run, signals)
    writer = _csv if kind == ".csv" else _vcd
    return writer(signals, starts, changes, notes, run.duration_ns)


def _notes(run: Run, signals: Mapping[str, Signal]) -> list[tuple[str, str]]:
    notes = [
        ("recorded by", f"simfw {simfw.__version__}"),
        ("format", "1"),
        ("title", " ".join(run.scenario.title.split())),
        ("gadget", " ".join(run.gadget.head.name.split())),
        ("gadget digest", run.gadget.digest),
        ("charge", repr(run.start_charge)),
        ("seed", str(run.seed)),
        ("lasts", format_duration(run.duration_ns)),
        ("clock", "exact"),
    ]
    meanings = {"light": "level 0..1", "load": "level 0..1", "segments": "lit segments"}
    notes += [
        (f"column {name}", INPUTS[signal.kind].meant(run.gadget, signal.name)
         if signal.is_input else meanings[signal.kind])
        for name, signal in signals.items()
    ]
    return notes


def _changes(
    run: Run, signals: Mapping[str, Signal]
) -> tuple[dict[str, float], list[_Change]]:
    """Levels before anything happens, and all changes by time: stimuli in order, then outputs."""
    names = {(signal.kind, signal.name): name for name, signal in signals.items()}
    starts = {name: INPUTS[signal.kind].rest(run.gadget, signal.name) if signal.is_input else 0.0
              for name, signal in signals.items()}
    changes = [
        _Change(change.time_ns, names[change.kind, change.name], change.value)
        for change in timeline(run.scenario, run.gadget)
        if change.kind != "expect" and change.time_ns < run.duration_ns
    ]
    outputs = {name: (signal.name, 0 if signal.kind == "segments" else -1)
               for name, signal in signals.items() if not signal.is_input}
    for name, track in output_tracks(run, outputs).items():
        starts[name] = track.start or 0.0
        changes += [_Change(time, name, level)
                    for time, level in zip(track.times_ns, track.levels, strict=True)]
    changes.sort(key=lambda change: change.time_ns)
    return starts, changes


def _rows(
    signals: Mapping[str, Signal], changes: list[_Change]
) -> Iterator[tuple[int, list[_Change]]]:
    """Changes that may share a row: at most one stimulus, and then the outputs of that time."""
    row: list[_Change] = []
    for change in changes:
        if row and (change.time_ns != row[0].time_ns or signals[change.signal].is_input):
            yield row[0].time_ns, row
            row = []
        row.append(change)
    if row:
        yield row[0].time_ns, row


def _csv(signals: Mapping[str, Signal], starts: dict[str, float], changes: list[_Change],
         notes: list[tuple[str, str]], lasts_ns: int) -> str:
    lines = [f"# {key}: {value}" for key, value in notes]
    lines.append(",".join(["time_s", *signals]))
    cells = {name: _cell(signals[name], value) for name, value in starts.items()}
    tick = Fraction(1, 10**9)

    def put(time_ns: int) -> None:
        lines.append(",".join([seconds_text(time_ns, tick), *(cells[name] for name in signals)]))

    put(0)
    for time_ns, row in _rows(signals, changes):
        for change in row:
            cells[change.signal] = _cell(signals[change.signal], change.value)
        put(time_ns)
    put(lasts_ns)
    return "\n".join(lines) + "\n"


def _cell(signal: Signal, value: float) -> str:
    if signal.kind == "hand" and value < 0:
        return "none"
    return f"{value:.0f}" if value == round(value) else repr(value)


def _vcd(signals: Mapping[str, Signal], starts: dict[str, float], changes: list[_Change],
         notes: list[tuple[str, str]], lasts_ns: int) -> str:
    stream = io.StringIO()
    comment = "\n".join(f"  {key}: {value}" for key, value in notes).replace("$end", "$ end")
    with VCDWriter(stream, timescale="1 ns", date="", version=f"simfw {simfw.__version__}",
                   comment="\n" + comment) as writer:
        variables = {}
        for name, signal in signals.items():
            kind, bits = ("integer", 16) if signal.kind == "segments" else ("real", 64)
            if signal.is_input and INPUTS[signal.kind].two_valued:
                kind, bits = "wire", 1
            start = starts[name] if kind == "real" else int(starts[name])
            variables[name] = writer.register_var("gadget", name, kind, size=bits, init=start)
        for change in changes:
            real = variables[change.signal].type.value == "real"
            writer.change(variables[change.signal], change.time_ns,
                          change.value if real else int(change.value))
        writer.close(lasts_ns)
    return stream.getvalue()
