"""Charges between which what a load set draws is as good as linear.

Every time over charge is an integral over pieces, so the pieces decide how exact it is: the points
of the cell's curve say where it bends, not how close the pieces have to lie.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from simfw.circuit.circuit import Solution

__all__ = ["RELATIVE_ERROR", "Levels", "filled", "passed", "refined"]

Array = NDArray[np.float64]
Solve = Callable[[Array], "Solution"]
Levels = tuple[tuple[float, ...], tuple[float, ...]]  # of the voltage (V), of the output (A)
RELATIVE_ERROR = 3e-7
_MOST_NODES = 60_000
_MANY = 100  # points above which a solution costs by its points
_AHEAD = 126  # points that cost as good as nothing beside the call that brings them
_FEW_LEVELS, _MOST_LEVELS = 3, 6  # halvings that are solved for in one call: the first time, later
_FINEST = 1e-9  # width of the narrowest piece: a kink is closed in no further
_SAME = 1e-11  # charges that need not be told apart
_CLOSER = 3  # times that a straight line is drawn to where something passes a level
_FULL = 1e-6  # over this last share of the charge the current into a full cell goes to nothing
_WIDEST = 0.125  # of the widest: over more, what bends both ways may look straight at its middle


def refined(
    solve: Solve, nodes: Array, relative_error: float = RELATIVE_ERROR
) -> tuple[Array, Array]:
    """More charges between rising `nodes`, and the table of what `solve` finds at them.

    The rows of the table (k + 2 by n) are the consumers' currents (A), the charger's output (A) and
    the terminal voltage (V). A piece is halved until its middle errs less than `relative_error` of
    the largest current there; the voltage is held to four times that share of 1 V.
    """
    # A call costs more than its points: the first middles come along.
    both = _stack(solve(np.concatenate([nodes, 0.5 * (nodes[:-1] + nodes[1:])])))
    table, first = both[:, : len(nodes)], both[:, len(nodes) :]
    found, columns, count = [nodes], [table], len(nodes)
    # The pieces that are looked at: their ends, and what was found there.
    low, high, at_low, at_high = nodes[:-1], nodes[1:], table[:, :-1], table[:, 1:]
    # What was found at their middles, at those of their halves and so on, where it is solved.
    ahead = [first]
    levels = _FEW_LEVELS
    while count < _MOST_NODES:
        middles = 0.5 * (low + high)
        if not ahead:
            # Those that may be asked for next come along likewise. What errs for long has a corner,
            # and is closed in to the finest.
            most = max(2, (_AHEAD // len(low) + 1).bit_length() - 1)
            several = 1 if len(low) > _MANY else min(levels, most)
            ahead = _solved_ahead(solve, low, high, several)
            levels = _MOST_LEVELS
        exact = ahead[0].reshape(len(table), len(low))
        wrong = np.abs(exact - 0.5 * (at_low + at_high))
        total = np.abs(exact[:-1]).sum(axis=0)
        bound = np.maximum(relative_error * total, 1e-18)
        bad = (wrong[:-1] > bound).any(axis=0) | (wrong[-1] > 4.0 * relative_error)
        width = high - low
        bad = (bad & (width > _FINEST)) | (width > _WIDEST)
        if not bad.any():
            break
        # Only pieces that err are halved, and only their halves are looked at again.
        middles, exact = middles[bad], exact[:, bad]
        found.append(middles)
        columns.append(exact)
        count += len(middles)
        low, high = _paired(low[bad], middles), _paired(middles, high[bad])
        at_low, at_high = _paired(at_low[:, bad], exact), _paired(exact, at_high[:, bad])
        ahead = [one[:, bad].reshape(len(table), len(low), -1) for one in ahead[1:]]
    if len(found) == 1:
        return nodes, table
    nodes = np.concatenate(found)
    order = np.argsort(nodes)
    return nodes[order], np.concatenate(columns, axis=1)[:, order]


def filled(
    solve: Solve, nodes: Array, relative_error: float = RELATIVE_ERROR, levels: Levels = ((), ())
) -> tuple[Array, Array]:
    """The same for a charger that goes on at charge 1 (`Circuit.feeds_on`): the cell takes no more.

    However far the charger's voltage stands above the end of the cell's curve, at charge 1 the
    charger feeds the load alone: there its output falls to the load, and ends the charge or not.
    """
    nodes = np.unique(np.concatenate([nodes, [max(1.0 - _FULL, nodes[0])]]))
    nodes, table = refined(solve, nodes, relative_error)
    nodes, table = passed(solve, nodes, table, levels)
    table[-2, -1] = min(table[-2, -1], table[:-2].sum(axis=0)[-1])
    return nodes, table


def passed(
    solve: Solve, nodes: Array, table: Array, levels: Levels
) -> tuple[Array, Array]:
    """More charges: those at which voltage and output pass `levels`.

    What a straight line errs by in voltage is far more in charge where the curve is flat, and with
    a level that ends something, so does the time at which it ends.
    """
    for _ in range(_CLOSER):
        found: list[float] = []
        for row, wanted in zip((-1, -2), levels, strict=True):
            values = table[row]
            for level in wanted:
                low = values < level
                k = np.flatnonzero(low[:-1] != low[1:])
                share = (level - values[k]) / (values[k + 1] - values[k])
                width = nodes[k + 1] - nodes[k]
                inside = (share * width > _SAME) & ((1.0 - share) * width > _SAME)
                found += (nodes[k] + share * width)[inside].tolist()
        if not found:
            break
        new = np.sort(found)
        new = new[np.diff(new, prepend=-1.0) > _SAME]
        into = np.searchsorted(nodes, new)
        nodes = np.insert(nodes, into, new)
        table = np.insert(table, into, _stack(solve(new)), axis=1)
    return nodes, table


def _solved_ahead(solve: Solve, low: Array, high: Array, levels: int) -> list[Array]:
    """What `solve` finds at the middles of n pieces, at those of their halves and so on.

    For each of the `levels` the columns of each piece (rows by n by 1, 2, 4, ...), rising.
    """
    found: list[Array] = []
    ends = np.stack([low, high], axis=1)
    for _ in range(levels):
        middles = 0.5 * (ends[:, :-1] + ends[:, 1:])
        found.append(middles)
        both = np.empty((len(low), 2 * ends.shape[1] - 1))
        both[:, ::2], both[:, 1::2] = ends, middles
        ends = both
    table = _stack(solve(np.concatenate([one.ravel() for one in found])))
    parts, start = [], 0
    for one in found:
        parts.append(table[:, start : start + one.size].reshape(len(table), *one.shape))
        start += one.size
    return parts


def _paired(some: Array, others: Array) -> Array:
    """Of each of some columns and of others the one beside the other."""
    return np.stack([some, others], axis=-1).reshape(*some.shape[:-1], -1)


def _stack(solution: Solution) -> Array:
    return np.vstack([solution.consumers_a, solution.charger_a, solution.voltage_v])
