"""Vectors as files: scenarios for `simfw run`, and tables of edges for a bench."""

from __future__ import annotations

import csv
import io
from bisect import bisect_right
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

from simfw.stimuli.scenario import to_toml
from simfw.vectors.bands import Bands
from simfw.vectors.build import Vector, VectorSet
from simfw.vectors.replay import Replay, Report

__all__ = ["edges_of", "vector_files"]

LIST = ("vector", "for", "why", "title", "ends_ns")
STIMULI = ("vector", "time_ns", "signal", "value", "code")
EXPECTED = ("vector", "signal", "value", "earliest_ns", "typical_ns", "latest_ns", "lowest_v",
            "highest_v")  # fmt: skip
REPEATS = ("vector", "after_ns", "up_to_ns", "period_ns")
ITEMS = ("item", "vectors")
CHARGE, GONE = "cell.charge", "gone"
ORDER, READING = "order", "reading"  # why a vector is for the host
BEFORE_NS = -1  # when a contact was closed that power-up finds closed
WHY = ("", ORDER, READING)


def _csv(head: tuple[str, ...], rows: Iterator[tuple[object, ...]]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(head)
    writer.writerows(rows)
    return text.getvalue()


def _stimuli(vectors: VectorSet) -> Iterator[tuple[object, ...]]:
    for vector in vectors.vectors:
        yield vector.name, 0, CHARGE, f"{vector.charge:.6g}", ""
        for act in vector.acts:
            value: object = int(act.value)
            code: object = ""
            if act.kind == "hand":
                value = GONE if act.value < 0 else f"{act.value:.6g} m"
            elif act.kind == "measure":
                value = f"{act.value:.6g}"
            elif act.kind == "measured":
                unit = " V" if act.name == "gauge.measured" else ""
                value = f"{act.value:.7g}{unit}"
                found = None if vectors.bands is None else vectors.bands.code(act.value)
                code = "" if found is None else found
            at_ns = BEFORE_NS if act.kind == "held" else act.at_ns
            yield vector.name, at_ns, act.name, value, code


def edges_of(replay: Replay) -> Iterator[tuple[str, int, int]]:
    """Every edge of an output that the table expects: signal, value, typical time (ns)."""
    return ((report.name, report.level, report.time_ns) for report in _seen(replay))


def _seen(replay: Replay) -> Iterator[Report]:
    """Every edge of an output that a capture shows: what a firmware tells, and that outputs which
    are on go off with the supply, whoever lets go of it, which it need not tell.
    """
    levels: dict[str, int] = {}
    for exchange in replay.exchanges:
        for report in exchange.reports:
            if report.kind == "out":
                levels[report.name] = report.level
                yield report
        if exchange.lines[-1].startswith("off "):
            yield from (Report("out", exchange.ends_ns, name) for name, on in levels.items() if on)
            levels.clear()


def _edges(vector: Vector, clock: Fraction, bands: Bands | None) -> Iterator[tuple[object, ...]]:
    """Every output edge with its windows: what has passed since the last stimulus, at the corners
    of the clock, and the supplies that every unit reads alike where a bench has set one. Edges in
    stretches that are left out are those of the period before, again.
    """
    readings = [act for act in vector.acts if act.kind == "measured"]
    set_at = [act.at_ns for act in readings]
    off, below = clock.numerator, clock.denominator
    times = sorted({0, *(act.at_ns for act in vector.acts)})
    for report in _seen(vector.replay):
        since = times[bisect_right(times, report.time_ns) - 1]
        passed = report.time_ns - since
        # passed / (1 + clock) rounded down, and passed / (1 - clock) rounded up, in whole numbers
        low = since + passed * below // (below + off)
        high = since - -passed * below // (below - off)
        place = bisect_right(set_at, report.time_ns) - 1
        volts = bands.window_v(readings[place].value) if bands and place >= 0 else None
        yield (vector.name, report.name, report.level, low, report.time_ns, high,
               *("" if end is None else f"{end:.3f}" for end in volts or (None, None)))


def vector_files(vectors: VectorSet, folder: Path, clock: Fraction = Fraction(0)) -> dict[str, str]:
    """Files by name, to be put under `folder/vectors`. `clock` is how far a clock may be off."""
    inside = folder / "vectors"
    files = {
        f"vectors/{vector.name}.toml": to_toml(vector.scenario, inside)
        for vector in vectors.vectors
        if vector.scenario is not None
    }
    covered: dict[str, list[str]] = {item: [] for item in vectors.items}
    for vector in vectors.vectors:
        for item in vector.covers & covered.keys():
            covered[item].append(vector.name)
    files["vectors/vectors.csv"] = _csv(
        LIST, ((vector.name, "host" if vector.for_host else "bench",
                ORDER if vector.exact else READING if vector.near else "", vector.title,
                vector.ends_ns) for vector in vectors.vectors))  # fmt: skip
    files["vectors/stimuli.csv"] = _csv(STIMULI, _stimuli(vectors))
    files["vectors/expected.csv"] = _csv(
        EXPECTED, (row for vector in vectors.vectors
                   for row in _edges(vector, clock, vectors.bands)))  # fmt: skip
    files["vectors/repeats.csv"] = _csv(
        REPEATS, ((vector.name, *stretch) for vector in vectors.vectors
                  for stretch in vector.replay.repeats()))  # fmt: skip
    files["vectors/coverage.csv"] = _csv(
        ITEMS, ((item, " ".join(names)) for item, names in covered.items()))  # fmt: skip
    return files
