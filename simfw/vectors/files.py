"""Vectors as files: scenarios for `simfw run`, and tables of edges for a bench."""

from __future__ import annotations

import csv
import io
from bisect import bisect_right
from collections.abc import Iterator
from pathlib import Path

from simfw.stimuli.scenario import to_toml
from simfw.vectors.bands import Bands
from simfw.vectors.build import Vector, VectorSet
from simfw.vectors.clocked import seen
from simfw.vectors.replay import Replay

__all__ = ["edges_of", "vector_files"]

LIST = ("vector", "for", "why", "title", "ends_ns")
STIMULI = ("vector", "time_ns", "signal", "value", "code")
EXPECTED = ("vector", "signal", "value", "earliest_ns", "typical_ns", "latest_ns", "lowest_v",
            "highest_v")  # fmt: skip
REPEATS = ("vector", "after_ns", "up_to_ns", "period_ns")
ITEMS = ("item", "vectors")
CHARGE, GONE = "cell.charge", "gone"
BEFORE_NS = -1  # when a contact was closed that power-up finds closed


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
    return ((report.name, report.level, report.time_ns) for report in seen(replay.exchanges))


def _edges(vector: Vector, bands: Bands | None) -> Iterator[tuple[object, ...]]:
    """Every output edge with its windows: when a unit within the tolerance of its clock shows it,
    and the supplies that every unit reads alike where a bench has set one. Edges in stretches that
    are left out are those of the period before, again.
    """
    readings = [act for act in vector.acts if act.kind == "measured"]
    set_at = [act.at_ns for act in readings]
    edges = list(seen(vector.replay.exchanges))
    exact = [(edge.time_ns, edge.time_ns) for edge in edges]
    for report, (low, high) in zip(edges, vector.windows or exact, strict=True):
        place = bisect_right(set_at, report.time_ns) - 1
        volts = bands.window_v(readings[place].value) if bands and place >= 0 else None
        yield (vector.name, report.name, report.level, low, report.time_ns, high,
               *("" if end is None else f"{end:.3f}" for end in volts or (None, None)))


def _repeats(replay: Replay) -> list[tuple[int, int, int]]:
    """The stretches in which edges of outputs repeat: after, up to, and their period (ns)."""
    times = [edge.time_ns for edge in seen(replay.exchanges)]
    found: list[tuple[int, int, int]] = []
    for stretch in sorted(replay.repeats()):  # an inner one comes before the one around it
        after_ns, _, period_ns = stretch
        begins_ns = after_ns - period_ns
        if (bisect_right(times, after_ns) > bisect_right(times, begins_ns)
                or any(up_to_ns > begins_ns for _, up_to_ns, _ in found)):  # fmt: skip
            found.append(stretch)
    return found


def vector_files(vectors: VectorSet, folder: Path) -> dict[str, str]:
    """Files by name, to be put under `folder/vectors`."""
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
        LIST, ((vector.name, "host" if vector.for_host else "bench", vector.why, vector.title,
                vector.ends_ns) for vector in vectors.vectors))  # fmt: skip
    files["vectors/stimuli.csv"] = _csv(STIMULI, _stimuli(vectors))
    files["vectors/expected.csv"] = _csv(
        EXPECTED, (row for vector in vectors.vectors
                   for row in _edges(vector, vectors.bands)))  # fmt: skip
    files["vectors/repeats.csv"] = _csv(
        REPEATS, ((vector.name, *stretch) for vector in vectors.vectors
                  for stretch in _repeats(vector.replay)))  # fmt: skip
    files["vectors/coverage.csv"] = _csv(
        ITEMS, ((item, " ".join(names)) for item, names in covered.items()))  # fmt: skip
    return files
