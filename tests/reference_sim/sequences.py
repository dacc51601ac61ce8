"""Sequences, from the pages on the gadget file and on behaviour alone: levels by elapsed time."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

from tests.reference_sim.reading import ns, si

_KNOWN: dict[int, tuple[dict[str, Any], list[tuple[int, Any]]]] = {}


def rounds(spec: dict[str, Any]) -> list[tuple[int, Any]]:
    """One round: how long each level lasts, as a state would have it written.

    It is asked for at every look at a level, so that of the last sequences is kept.
    """
    kept = _KNOWN.get(id(spec))
    if kept is None or kept[0] is not spec:
        if len(_KNOWN) > 64:
            _KNOWN.clear()
        kept = _KNOWN[id(spec)] = spec, _round(spec)
    return kept[1]


def _round(spec: dict[str, Any]) -> list[tuple[int, Any]]:
    if "steps" in spec:
        found: list[tuple[int, Any]] = []
        for text in spec["steps"]:
            level, _, lasts = text.partition(" for ")
            found.append((ns(lasts), int(level) if level.isdigit() else level))
        return found
    points = [(ns(at.strip()), si(level.strip())) for level, at in
              (text.split("@") for text in spec["points"])]
    every, end = ns(spec["every"]), points[-1][0]
    found = []
    for at in range(0, end, every):
        (start, low), (stop, high) = next(
            (one, other) for one, other in pairwise(points)
            if one[0] <= at < other[0])
        share = low + (high - low) * (at - start) / (stop - start)
        level, lasts = f"{100 * round(share, 6):.4f} %", min(every, end - at)
        if found and found[-1][1] == level:  # neighbours of one level are one step
            lasts += found.pop()[0]
        found.append((lasts, level))
    return found


def total_ns(spec: dict[str, Any]) -> int | None:
    """How long it takes in all, where it has an end."""
    if "times" not in spec:
        return None
    return int(spec["times"]) * sum(lasts for lasts, _ in rounds(spec))


def level_at(spec: dict[str, Any], elapsed: int) -> Any:
    """The level so long after its state was entered."""
    total = total_ns(spec)
    if total is not None and elapsed >= total:
        return "off"
    one = rounds(spec)
    elapsed %= sum(lasts for lasts, _ in one)
    for lasts, level in one:
        if elapsed < lasts:
            return level
        elapsed -= lasts
    raise AssertionError(spec)


def next_edge(spec: dict[str, Any], elapsed: int) -> int | None:
    """The first end of a step after so long a time, counted from the entry; None: there is none."""
    total = total_ns(spec)
    if total is not None and elapsed >= total:
        return None
    one = rounds(spec)
    period = sum(lasts for lasts, _ in one)
    begun = elapsed - elapsed % period
    for lasts, _ in one:
        begun += lasts
        if begun > elapsed:
            return begun
    raise AssertionError(spec)
