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
    suspect = np.ones(len(nodes) - 1, dtype=bool)
    ahead: Array | None = first  # the middles of the suspects, where they are solved already
    while suspect.any() and len(nodes) < _MOST_NODES:
        left = np.flatnonzero(suspect)
        middles = 0.5 * (nodes[left] + nodes[left + 1])
        quarters: Array | None = None
        if ahead is not None:
            exact = ahead
        elif len(left) > _MANY:
            exact = _stack(solve(middles))
        else:
            # Those that may be asked for next come along likewise.
            near = 0.5 * (nodes[left] + middles)
            far = 0.5 * (middles + nodes[left + 1])
            exact, *quarter = np.split(_stack(solve(np.concatenate([middles, near, far]))), 3, 1)
            quarters = np.stack(quarter, axis=2)
        wrong = np.abs(exact - 0.5 * (table[:, left] + table[:, left + 1]))
        total = np.abs(exact[:-1]).sum(axis=0)
        bound = np.maximum(relative_error * total, 1e-18)
        bad = (wrong[:-1] > bound).any(axis=0) | (wrong[-1] > 4.0 * relative_error)
        width = np.diff(nodes)[left]
        bad = (bad & (width > _FINEST)) | (width > _WIDEST)
        # Only pieces that err are halved, and only their halves are looked at again.
        halved = left[bad]
        count = len(nodes) + len(halved)
        old = np.ones(count, dtype=bool)
        old[halved + 1 + np.arange(len(halved))] = False
        nodes, table = _woven(old, nodes, middles[bad]), _woven(old, table, exact[:, bad])
        # Both halves of a piece: the one that ends at the new node, and the one that begins there.
        suspect = ~old[:-1] | ~old[1:]
        ahead = None if quarters is None else quarters[:, bad].reshape(len(table), -1)
    return nodes, table


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


def _woven(old: NDArray[np.bool_], before: Array, new: Array) -> Array:
    """Columns `before` in the places `old`, `new` in the others."""
    woven = np.empty((*before.shape[:-1], len(old)))
    woven[..., old] = before
    woven[..., ~old] = new
    return woven


def _stack(solution: Solution) -> Array:
    return np.vstack([solution.consumers_a, solution.charger_a, solution.voltage_v])
