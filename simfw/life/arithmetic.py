"""The arithmetic of the hot loop: looking up, and letting the charge run down.

Plain functions on flat sequences, compiled or as they stand; see `kernel`.
"""

from __future__ import annotations

import math

from simfw.life.registers import (
    BUCKETS,
    QUARTER_NS,
    QUARTERS,
    RANGE_LOW_V,
    RANGE_NODES,
    RANGE_STEP_V,
    Ints,
    Reals,
)

__all__ = ["advance", "answers", "between", "find", "lay", "next_mode", "piece", "turn_after"]


def find(keys: Ints, values: Ints, last: int, key: int) -> int:
    """The value of a key in an open hash table with places 0..last, -1 where it is not there."""
    at = ((key ^ (key >> 15) ^ (key >> 31)) * 40503) & last
    while True:
        here = keys[at]
        if here == key:
            return values[at]
        if here < 0:
            return -1
        at = (at + 1) & last


def piece(grid: Reals, bucket: Ints, charge: float) -> int:
    """The number of the grid's piece on which a charge lies; a node belongs to the piece above."""
    at = int(charge * BUCKETS)
    if at < 0:
        return 0
    if at >= BUCKETS:
        at = BUCKETS - 1
    k = bucket[at]
    last = bucket[BUCKETS]
    while k < last and charge >= grid[k + 1]:
        k += 1
    return k


def between(grid: Reals, values: Reals, base: int, k: int, charge: float) -> float:
    """A value that is linear between the nodes, on piece k."""
    low = values[base + k]
    left = grid[k]
    return low + (values[base + k + 1] - low) * ((charge - left) / (grid[k + 1] - left))


def answers(range_m: Reals, sensor: int, distance_m: float, voltage_v: float) -> bool:
    """Whether a hand at a distance is answered, the terminal at a voltage."""
    base = sensor * RANGE_NODES
    if range_m[base] < 0.0:
        return True
    x = (voltage_v - RANGE_LOW_V) / RANGE_STEP_V
    if x < 0.0:
        x = 0.0
    k = int(x)
    if k > RANGE_NODES - 2:
        k = RANGE_NODES - 2
    low = range_m[base + k]
    return distance_m <= low + (range_m[base + k + 1] - low) * (x - k)


def turn_after(turn_start: Ints, turn_at: Reals, place: int, charge: float) -> int:
    """The first turn of a place above `charge`, where its last is not above it the one behind.

    It is below the level where an even number of turns comes before that one.
    """
    k = turn_start[place]
    while k < turn_start[place + 1] and turn_at[k] <= charge:
        k += 1
    return k


def next_mode(
    step_start: Ints, step_rising: Ints, step_at: Reals, step_until: Reals, step_to: Ints,
    slot: int, charge: float,
) -> int:
    """The mode to which the charger goes over now, -1 if it stays as it is."""
    for k in range(step_start[slot], step_start[slot + 1]):
        at, until = step_at[k], step_until[k]
        if (at <= charge < until) if step_rising[k] == 1 else (until <= charge < at):
            return step_to[k]
    return -1


def advance(
    grid: Reals, bucket: Ints, rate: Reals, base: int, charge: float, time_s: float,
    low: float, high: float, more: float,
) -> tuple[float, float]:
    """Let time pass: (new charge, seconds passed). Stops where the charge reaches low or high.

    `more` is added to the rate everywhere. On a piece, s(t) = s0 + f0 (exp(b t) - 1) / b with the
    rate f linear in s and b its slope.
    """
    last = bucket[BUCKETS]
    left = time_s
    while left > 0.0:
        k = piece(grid, bucket, charge)
        start = grid[k]
        width = grid[k + 1] - start
        slope = (rate[base + k + 1] - rate[base + k]) / width
        f0 = rate[base + k] + slope * (charge - start) + more
        if f0 == 0.0:
            return charge, time_s
        if f0 < 0.0 and charge <= start:
            if k == 0:
                return charge, time_s
            k -= 1
            start = grid[k]
            width = grid[k + 1] - start
            slope = (rate[base + k + 1] - rate[base + k]) / width
        x = slope * left
        if -1e-4 < x < 1e-4:
            change = f0 * left * (1.0 + x * (0.5 + x * (1.0 / 6.0 + x / 24.0)))
        elif x < 300.0:
            change = f0 * math.expm1(x) / slope
        else:
            change = f0 * 1e30
        goal = start if f0 < 0.0 else grid[k + 1]
        bound = False
        if f0 < 0.0 and low >= goal:
            goal = low
            bound = True
        if f0 > 0.0 and high <= goal:
            goal = high
            bound = True
        if (charge + change > goal) if f0 < 0.0 else (charge + change < goal):
            return charge + change, time_s
        f1 = f0 + slope * (goal - charge)
        if f0 * f1 <= 0.0:
            # The rate dies away on the way: the goal is approached and never reached.
            return charge + change, time_s
        y = (f1 - f0) / f0
        stretch = math.log1p(y) / y if y > 1e-6 or y < -1e-6 else 1.0 - 0.5 * y
        reach = (goal - charge) / f0 * stretch
        left -= reach
        charge = goal
        if bound:
            return charge, time_s - left
        if f0 > 0.0 and k == last:
            return charge, time_s
        if f0 < 0.0 and k == 0:
            return charge, time_s
    return charge, time_s


def lay(heat: Reals, start: int, end: int, charge_c: float) -> None:
    """Spread a charge over the quarters of an hour of the week in which it was drawn."""
    quarter = start // QUARTER_NS
    last = (end - 1) // QUARTER_NS
    if quarter == last:
        heat[quarter % QUARTERS] += charge_c
        return
    per_ns = charge_c / (end - start)
    heat[quarter % QUARTERS] += per_ns * ((quarter + 1) * QUARTER_NS - start)
    heat[last % QUARTERS] += per_ns * (end - last * QUARTER_NS)
    quarter += 1
    per_quarter = per_ns * QUARTER_NS
    weeks = (last - quarter) // QUARTERS
    if weeks > 0:  # in whole weeks each quarter gets as much
        per_week = per_quarter * weeks
        for each in range(QUARTERS):
            heat[each] += per_week
        quarter += weeks * QUARTERS
    while quarter < last:
        heat[quarter % QUARTERS] += per_quarter
        quarter += 1
