"""Trains of ticks: how many there are, and where they meet, without going along them.

A train is all times that leave the same rest when divided by a period. Two trains meet in a train,
or never (Chinese remainder theorem); how many ticks fall into windows that come again is a sum of
quotients, which is found in as many steps as the division algorithm of Euclid takes (any textbook
of number theory). All numbers are whole nanoseconds.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import combinations

__all__ = ["MOST_TRAINS", "Bundle", "Subset", "Train", "Windows", "bundled", "meeting", "quotients"]

MOST_TRAINS = 4
"""That are counted together: the ways in which they meet double with each."""


@dataclass(frozen=True, slots=True)
class Train:
    """Ticks at all times (ns) that leave `rest` when divided by `period`, 0 <= rest < period."""

    period: int
    rest: int

    def between(self, after: int, up_to: int) -> int:
        """How many ticks there are with after < time <= up_to."""
        return (up_to - self.rest) // self.period - (after - self.rest) // self.period

    def first_after(self, time_ns: int) -> int:
        """The first tick after a time."""
        return time_ns + 1 + (self.rest - time_ns - 1) % self.period

    def last_before(self, time_ns: int) -> int:
        """The last tick before a time."""
        return time_ns - 1 - (time_ns - 1 - self.rest) % self.period


def meeting(one: Train, other: Train) -> Train | None:
    """The ticks that two trains have in common; None where they never meet."""
    common = math.gcd(one.period, other.period)
    apart = other.rest - one.rest
    if apart % common:
        return None
    each, period = one.period // common, other.period // common
    times = apart // common * pow(each, -1, period) % period
    return Train(one.period * period, (one.rest + times * one.period) % (one.period * period))


def quotients(count: int, divisor: int, step: int, start: int) -> int:
    """The sum of (start + n * step) // divisor over 0 <= n < count, for a step that is not
    negative.
    """
    total, sign = 0, 1
    while count > 0:
        whole, step = divmod(step, divisor)
        total += sign * (whole * (count * (count - 1) // 2))
        whole, start = divmod(start, divisor)
        total += sign * whole * count
        # What is left counts points under a line: count them from the other axis.
        most = (start + (count - 1) * step) // divisor
        if most == 0:
            break
        total += sign * most * count
        sign = -sign
        count, divisor, step, start = most, step, divisor, divisor - start - 1 + step
    return total


@dataclass(frozen=True, slots=True)
class Windows:
    """The times after < time < before, and again each period."""

    after: int
    before: int
    period: int

    def ticks(self, train: Train, count: int) -> int:
        """How many ticks of a train are in the first `count` of them."""
        if self.before - self.after < 2:
            return 0
        return (quotients(count, train.period, self.period, self.before - 1 - train.rest)
                - quotients(count, train.period, self.period, self.after - train.rest))

    def mean(self, train: Train) -> Fraction:
        """How many are in one of them, on the mean of all."""
        count = train.period // math.gcd(train.period, self.period)
        return Fraction(self.ticks(train, count), count)

    def free_of(self, train: Train, count: int) -> int:
        """How many of the first `count`, from the first one on, have no tick of a train."""
        if not self.ticks(train, count):
            return count
        least, most = 0, count  # free, not free
        while most - least > 1:
            middle = (least + most) // 2
            if self.ticks(train, middle):
                most = middle
            else:
                least = middle
        return least


@dataclass(frozen=True, slots=True)
class Subset:
    """Where some trains meet: `all` are the regions that always tick there, theirs and those whose
    ticks hold all of these; `sign` is that of its count in the count of all ticks together.
    """

    train: Train
    all: frozenset[int]
    sign: int


@dataclass(frozen=True, eq=False, slots=True)
class Bundle:
    """Some trains, and where they meet."""

    trains: tuple[tuple[Train, frozenset[int]], ...]
    subsets: tuple[Subset, ...] = field(init=False)

    def __post_init__(self) -> None:
        found: list[Subset] = []
        for size in range(1, len(self.trains) + 1):
            for some in combinations(self.trains, size):
                train: Train | None = some[0][0]
                for other, _ in some[1:]:
                    train = None if train is None else meeting(train, other)
                if train is not None:
                    found.append(Subset(train, self.along(train), 1 if size % 2 else -1))
        object.__setattr__(self, "subsets", tuple(found))

    def along(self, train: Train) -> frozenset[int]:
        """The regions that tick at every tick of `train`."""
        return frozenset().union(
            *[regions for own, regions in self.trains if meeting(train, own) == train])

    def between(self, after: int, up_to: int) -> int:
        """How many times there are with after < time <= up_to at which any of them ticks."""
        return sum([one.sign * one.train.between(after, up_to) for one in self.subsets])

    def inside(self, windows: Windows, count: int) -> int:
        """How many times there are, in the first `count` windows, at which any of them ticks."""
        return sum([one.sign * windows.ticks(one.train, count) for one in self.subsets])

    def mean(self, windows: Windows) -> Fraction:
        """The same for one window, on the mean of all."""
        return sum([one.sign * windows.mean(one.train) for one in self.subsets], Fraction())


def bundled(ticks: Sequence[tuple[int, int, int]]) -> Bundle | None:
    """The trains of regions, each told by its number, its period and a time at which it ticks (ns);
    None where they are too many.
    """
    trains: dict[Train, set[int]] = {}
    for region, period, tick in ticks:
        trains.setdefault(Train(period, tick % period), set()).add(region)
    if len(trains) > MOST_TRAINS:
        return None
    return Bundle(tuple((train, frozenset(regions)) for train, regions in trains.items()))
