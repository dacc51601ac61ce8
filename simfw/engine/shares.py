"""Parts that go round by themselves, put together: which of their places are taken at once, for
which share of the time.

A part is in each of its places for a share of the time. Together parts are in a combination of
places for the product of these: over a long time that is exact, where their periods do not lock.
Combinations are counted: of more than `MOST_JOINT`, what each part adds to the others where they
are likely to be is added up. Loads take from one another (the cell sags under them), so that a sum
is not what is drawn together. How far that may move the mean is bounded two by two: at worst two
parts meet whenever they can, or never.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import combinations, product
from typing import TypeVar

__all__ = ["MOST_JOINT", "are_joint", "meetings", "terms"]

MOST_JOINT = 1024  # combinations of parts that are solved together


Place = TypeVar("Place")


def are_joint(parts: Sequence[Sequence[Place]]) -> bool:
    """Whether parts with these places are few enough for each combination to be looked at."""
    return math.prod(len(places) for places in parts) <= MOST_JOINT


def terms(parts: Sequence[Sequence[Place]]) -> list[tuple[int, dict[int, Place]]]:
    """What is to be weighed to have the mean of parts with these places.

    Each tells some parts (by number) at a place each, the others being where they are likely to be,
    and how many times the product of the shares of these places it counts.
    """
    if are_joint(parts):
        return [(1, dict(enumerate(chosen))) for chosen in product(*parts)]
    return [(1 - len(parts), {})] + [
        (1, {n: place}) for n, places in enumerate(parts) for place in places
    ]


def meetings(
    parts: Sequence[Sequence[Place]], likely: Sequence[Place]
) -> Iterator[tuple[int, Place, int, Place]]:
    """Where two parts (each a number and a place) may draw together what they do not draw apart.

    The mean may be off by the sum of |together - the one alone - the other alone + all where they
    are likely to be|, each times the smaller of the two shares.
    """
    for i, j in combinations(range(len(parts)), 2):
        for place, its_place in product(parts[i], parts[j]):
            if place != likely[i] and its_place != likely[j]:
                yield i, place, j, its_place
