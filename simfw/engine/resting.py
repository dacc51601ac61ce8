"""A period that leaves the charge exactly as it was: it goes on so until something else happens.

A charger that goes on feeding the loads of a full cell holds the charge against its end, nearer to
it than two numbers tell apart, and no mean over a period is good so near a corner. But what leaves
everything as it was, to the last bit, comes again just so, and can be counted instead of run.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from simfw.engine.clock import Tally
from simfw.engine.cycle import Cycle
from simfw.engine.phase import Phase

__all__ = ["Stretch", "at_rest", "mean_of"]

_NS = 1e-9


@dataclass(frozen=True, slots=True)
class Stretch:
    """An interval of a period, and how it is counted: it comes `times` a period, with `wakes` of
    the controller at its beginnings.
    """

    phase: Phase
    lasts_ns: int
    tally: Tally
    times: int
    wakes: int


def at_rest(
    cycle: Cycle, index: int, base: float, moved: float, wake: float
) -> list[Stretch] | None:
    """The intervals of one period from the instant `index` on, at the charge `base` + `moved`.

    `wake` is what a waking takes, as a share of the cell. None where the period leaves another
    charge behind than it began with, or passes a mark.
    """
    order = (*cycle.members[index:], *cycle.members[:index])
    found: list[Stretch] = []
    here = moved
    for member, then in zip(order, (*order[1:], order[0]), strict=True):
        wakes = int(member.woke)
        if member.folded is not None:
            inner, place, count = member.folded
            within = at_rest(inner, place, base, here, wake)
            if within is None:
                return None
            found += [
                Stretch(one.phase, one.lasts_ns, one.tally, count * one.times, count * one.wakes)
                for one in within
            ]
        tally = Tally()
        charge, clock, lasts_s = base + here, member.phase.clock, member.lasts_ns * _NS
        change = clock.advance(charge, lasts_s, tally, cycle.low, cycle.high)
        if change is None:
            mark = cycle.low if clock.rate(charge) < 0.0 else cycle.high
            if clock.time_to(charge, mark) < math.inf:
                return None
            # As in a simulation: it comes as near as rounding tells apart, and never there.
            clock.advance(charge, lasts_s, tally)
            change = 0.0
        found.append(Stretch(member.phase, member.lasts_ns, tally, 1, wakes))
        for by in (change, -wake if then.woke else 0.0):
            here += by
            if not cycle.low <= base + here < cycle.high:
                return None
    return found if here == moved else None


def mean_of(
    stretches: Sequence[Stretch], wake_c: float
) -> tuple[tuple[tuple[float, ...], float], float]:
    """The mean currents of a period (A): of each consumer, of the charger, and what its wakings of
    `wake_c` (C) each come to.
    """
    period_s = sum(one.times * one.lasts_ns for one in stretches) * _NS
    consumers_a = np.zeros(len(stretches[0].phase.clock.consumers_a))
    charger_a = woken_c = 0.0
    for one in stretches:
        woken_c += one.wakes * wake_c
        if one.lasts_ns:
            lasts_s = one.lasts_ns * _NS
            share = one.times * lasts_s / period_s
            parts, output = one.phase.clock.means(one.tally, lasts_s)
            consumers_a += share * np.array(parts)
            charger_a += share * output
    return (tuple(consumers_a.tolist()), charger_a), woken_c / period_s
