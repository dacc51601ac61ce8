"""From a way through zones to times on a clock.

A way says which dwells were due in which instant. Its instants' times then satisfy differences:
each running clock had not passed its mark, each due clock had reached it. The earliest times that
satisfy them all are shortest paths in the graph of these differences (R. Bellman, "On a routing
problem", Quarterly of Applied Mathematics 16, 1958).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from simfw.verify.explore import Step

__all__ = ["Difference", "earliest", "way_differences"]

Difference = tuple[int, int, int]
"""(i, j, w): time j - time i <= w."""


def way_differences(way: Sequence[Step], gap_ns: int = 1) -> list[Difference]:
    """The differences that the instants 0 (power-up) .. len(way) must keep.

    Two instants are at least 1 ns apart; an instant in which something is done from outside comes
    at least `gap_ns` after the one before it.
    """
    reset: dict[int, int] = {}
    found: list[Difference] = []
    for number, step in enumerate(way, 1):
        apart = gap_ns if step.chosen else 1
        found.append((number, number - 1, -apart))
        for clock, mark in step.clocks:
            since = reset.get(clock, 0)
            if clock in step.due:
                found.append((since, number, mark.high_ns))
                found.append((number, since, -mark.low_ns))
            else:
                found.append((since, number, mark.high_ns - 1))
        for clock in step.outcome.reset:
            reset[clock] = number
    return found


def earliest(count: int, differences: Iterable[Difference]) -> list[int] | None:
    """The earliest times of instants 0 .. count with time 0 at 0; None when none fit."""
    edges = list(differences)
    edges += [(number, 0, 0) for number in range(1, count + 1)]
    # The distance from each instant back to instant 0: time = -distance.
    distance: list[int | None] = [None] * (count + 1)
    distance[0] = 0
    for _ in range(count + 2):
        changed = False
        for start, end, weight in edges:
            # time end - time start <= weight: the path start -> end -> ... -> 0.
            onward = distance[end]
            if onward is None:
                continue
            here = distance[start]
            if here is None or weight + onward < here:
                distance[start] = weight + onward
                changed = True
        if not changed:
            break
    else:
        return None
    if distance[0] != 0:
        return None
    return [-(value if value is not None else 0) for value in distance]
