"""Rows of a dial as steps: one entry for all positions from which it goes on by as many.

A dial of many positions has a row for each of them that differs from its neighbour's in where it
leads alone. In the tables such rows are one, whose target is a distance.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from simfw.behaviour.region import Region, Row

__all__ = ["Leap", "grouped", "leaps", "reach"]


@dataclass(frozen=True, slots=True)
class Leap:
    """Rows of neighbouring positions, from `first` to `last`, that do the same: they stay (`to` and
    `by` None), go to one position, or on by a distance.
    """

    first: int
    last: int
    row: Row
    to: int | None = None
    by: int | None = None


def leaps(region: Region, rows: Sequence[Row]) -> Iterator[Leap]:
    """The rows of one event of one row of the file, from the first position on."""
    places = {state.name: place for place, state in enumerate(region.states)}
    found = sorted(((places[row.sources[0]], row) for row in rows), key=lambda one: one[0])
    run: list[tuple[int, Row]] = []
    for place, row in found:
        if run and _alike(places, [*run, (place, row)]) is None:
            yield _leap(places, run)
            run = []
        run.append((place, row))
    if run:
        yield _leap(places, run)


def _alike(
    places: dict[str, int], run: Sequence[tuple[int, Row]]
) -> tuple[int | None, int | None] | None:
    """Where all of a run lead, or by how much they go on; None where they differ."""
    first, (_, model) = run[0][0], run[0]
    for number, (place, row) in enumerate(run):
        if place != first + number or (row.emit, row.when) != (model.emit, model.when):
            return None
    targets = {row.to for _, row in run}
    if targets == {"same"}:
        return None, None
    if "same" in targets:
        return None
    if len(targets) == 1:
        return places[model.to], None
    distances = {places[row.to] - place for place, row in run}
    return (None, distances.pop()) if len(distances) == 1 else None


def _leap(places: dict[str, int], run: Sequence[tuple[int, Row]]) -> Leap:
    alike = _alike(places, run)
    assert alike is not None
    return Leap(run[0][0], run[-1][0], run[0][1], *alike)


def reach(regions: Sequence[Region]) -> tuple[int, int]:
    """How far steps lead down and up at most, 0 and 0 where no entry is a distance."""
    distances = [leap.by for region in regions if region.group == "dials"
                 for rows in grouped(region).values() for leap in leaps(region, rows)
                 if leap.by is not None]
    return max([0, *(-by for by in distances)]), max([0, *distances])


def grouped(region: Region) -> dict[tuple[str, str], list[Row]]:
    """The rows of a dial by the row of the file, and the event, that they were made from."""
    found: dict[tuple[str, str], list[Row]] = {}
    for row in region.rows:
        found.setdefault((row.key.partition("#")[0], row.on or ""), []).append(row)
    return found
