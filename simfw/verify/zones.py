"""Zones: sets of clock values that one matrix of difference bounds describes exactly.

A zone over clocks x1 .. xn is the set of points that satisfy x_i - x_j < c or <= c for every pair,
with x_0 = 0 standing for "now minus now". It is kept as one flat tuple of (n + 1)^2 whole numbers.
A bound `x < c` is the number 2c and `x <= c` is 2c + 1, so that a smaller number is a tighter
bound and no rounding ever takes place; c is in nanoseconds. All zones here are closed (no bound
can be tightened by going through a third clock), which makes equal sets equal tuples.

Method: D. L. Dill, "Timing assumptions and verification of finite-state concurrent systems", 1989;
J. Bengtsson and W. Yi, "Timed automata: semantics, algorithms and tools", LNCS 3098, 2004,
section 4. The code and the way bounds are packed are our own arithmetic on those definitions.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import isqrt
from operator import le

__all__ = [
    "INFINITY",
    "LE_ZERO",
    "Zone",
    "add",
    "at_least",
    "at_most",
    "below",
    "close",
    "constrain",
    "delay",
    "includes",
    "move",
    "origin",
    "passing",
    "size",
    "sooner",
    "text",
]

Zone = tuple[int, ...]

INFINITY = 1 << 80
"""No bound. Larger than any sum of bounds of real times (2^63 ns are 292 years)."""

LE_ZERO = 1
"""The bound `<= 0`."""


def at_most(limit_ns: int) -> int:
    """The bound `<= limit_ns`."""
    return 2 * limit_ns + 1


def below(limit_ns: int) -> int:
    """The bound `< limit_ns`."""
    return 2 * limit_ns


def at_least(limit_ns: int) -> int:
    """The bound on `0 - x` that says `x >= limit_ns`."""
    return -2 * limit_ns + 1


def sooner(limit_ns: int) -> int:
    """The bound on `0 - x` that says `x > limit_ns`."""
    return -2 * limit_ns


def add(first: int, second: int) -> int:
    """The bound that follows from two in a row: strict when either of them is."""
    if first >= INFINITY or second >= INFINITY:
        return INFINITY
    return first + second - ((first | second) & 1)


def size(zone: Sequence[int]) -> int:
    """Rows of the matrix: the number of clocks plus one."""
    return isqrt(len(zone))


def origin(clocks: int) -> Zone:
    """The point where all `clocks` clocks are 0."""
    return (LE_ZERO,) * ((clocks + 1) * (clocks + 1))


def close(bounds: Sequence[int]) -> Zone | None:
    """Tighten every bound through every third clock; None when nothing satisfies them all.

    The shortest-path closure of Floyd and Warshall, O(n^3). Only for zones from outside: every
    operation below keeps a closed zone closed by itself.
    """
    n = size(bounds)
    zone = list(bounds)
    for k in range(n):
        for i in range(n):
            through = zone[i * n + k]
            if through >= INFINITY:
                continue
            for j in range(n):
                candidate = add(through, zone[k * n + j])
                if candidate < zone[i * n + j]:
                    zone[i * n + j] = candidate
    if any(zone[i * n + i] < LE_ZERO for i in range(n)):
        return None
    return tuple(zone)


def constrain(zone: Zone, left: int, right: int, bound: int) -> Zone | None:
    """The part of `zone` where `x_left - x_right` keeps `bound`; None when there is none.

    Bengtsson and Yi 2004, "and(D, x - y < m)": O(n^2).
    """
    n = size(zone)
    place = left * n + right
    if zone[place] <= bound:
        return zone
    back = zone[right * n + left]
    if back < INFINITY and add(back, bound) < LE_ZERO:
        return None
    result = list(zone)
    result[place] = bound
    for i in range(n):
        to_left = result[i * n + left]
        if to_left >= INFINITY:
            continue
        start = to_left + bound - ((to_left | bound) & 1)
        row = i * n
        if start < result[row + right]:
            result[row + right] = start
        for j in range(n):
            onward = result[right * n + j]
            if onward < INFINITY:
                candidate = start + onward - ((start | onward) & 1)
                if candidate < result[row + j]:
                    result[row + j] = candidate
    return tuple(result)


def delay(zone: Zone) -> Zone:
    """All points reached by letting some time, more than none, pass.

    Upper bounds go; lower bounds become strict, since two instants never share a time: whatever
    happens at one time belongs to one instant. The result of a closed zone is closed.
    """
    n = size(zone)
    result = list(zone)
    for i in range(1, n):
        result[i * n] = INFINITY
        result[i] = result[i] & ~1
    return tuple(result)


def passing(zone: Zone) -> Zone:
    """All points reached by letting some time pass, or none."""
    n = size(zone)
    result = list(zone)
    for i in range(1, n):
        result[i * n] = INFINITY
    return tuple(result)


def move(zone: Zone, sources: Sequence[int]) -> Zone:
    """A zone over other clocks: clock k + 1 takes the value of old clock `sources[k]`, 0 for reset.

    Dropping a clock, renumbering and resetting are all of this one form, and the result of a closed
    zone is closed (a reset clock is a second copy of the reference).
    """
    n = size(zone)
    rows = [0, *(source * n for source in sources)]
    columns = (0, *sources)
    return tuple([zone[row + column] for row in rows for column in columns])


def includes(wider: Zone, narrower: Zone) -> bool:
    """Whether every point of `narrower` is in `wider` (both closed, over the same clocks)."""
    return all(map(le, narrower, wider))


def text(zone: Zone, names: Sequence[str]) -> str:
    """The bounds of each clock and each pair, for people: `a in [0, 20) ms`-like, in ns."""
    n = size(zone)
    parts = []
    for i in range(1, n):
        low, high = zone[i], zone[i * n]
        opening = "[" if low & 1 else "("
        closing = "inf)" if high >= INFINITY else f"{high >> 1}{']' if high & 1 else ')'}"
        parts.append(f"{names[i - 1]} in {opening}{-(low >> 1)}, {closing} ns")
    return "; ".join(parts)
