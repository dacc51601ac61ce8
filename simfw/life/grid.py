"""The charges between which the hot loop has everything linear: the grid of a set of parts.

All sets of parts of one shape have as many nodes. Most lie where the cell's curve says; those near
the float voltage lie where it stands for these parts.
"""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray

from simfw.circuit.circuit import Circuit, LoadSet
from simfw.engine.clock import passing

__all__ = ["bent", "grid_of", "more_nodes"]

Array = NDArray[np.float64]

# The widest pieces of the grid, where the curve's own points do not lie closer: in the lowest
# LOW of the charge, where everything bends, and above.
LOW = 0.05
LOW_WIDTH = 1.0 / 800.0
WIDTH = 1.0 / 120.0
MOST_POINTS = 1000  # of a curve; of a denser one every second, third, ... is taken
BAND = 17  # nodes from where the charger first holds its float voltage to where it feeds no more
_TIP = 1e-7  # of the charge beyond both: without a resistance the two are one
_CLOSE = 1e-10  # two nodes lie further apart


def grid_of(points: Array) -> Array:
    """The charges that do not depend on the charger: the curve's points and more."""
    thinned = points[:: -(-len(points) // MOST_POINTS)]
    ends = np.unique(np.concatenate([thinned, points[-1:], [0.0, LOW, 1.0]]))
    pieces = [np.zeros(1)]
    for left, right in itertools.pairwise(ends.tolist()):
        width = LOW_WIDTH if right <= LOW else WIDTH
        count = max(1, int(np.ceil((right - left) / width - 1e-9)))
        pieces.append(left + (right - left) * np.arange(1, count + 1) / count)
    grid = np.concatenate(pieces)
    grid[-1] = 1.0
    return grid


def more_nodes(circuit: Circuit) -> int:
    """How many nodes `bent` adds: a band for each float voltage."""
    charger = circuit.charger
    if charger is None:
        return 0
    return BAND if charger.windows is None else 2 * BAND


def bent(grid: Array, circuit: Circuit) -> Array:
    """`grid` with more nodes where the charger's current falls off at its float voltage.

    It falls from the constant current to nothing between the charge at which the terminal reaches
    the float voltage and the one at which the open-circuit voltage does: over hardly any charge
    where the resistance is small. On a line over a wider piece it would fall much sooner, and a
    charge end much later.
    """
    charger = circuit.charger
    if charger is None:
        return grid
    rest_v = circuit.open_circuit_v(grid)
    risen_v = circuit.solve(LoadSet(charger="fast"), grid).voltage_v - rest_v
    floats_v = [charger.float_v]
    if charger.windows is not None:
        floats_v.append(charger.windows.warm_float_v)
    bands = []
    for float_v in floats_v:
        below = rest_v + risen_v < float_v - 1e-9
        last = int(np.argmin(below)) - 1 if not below.all() else len(grid) - 1
        reached = passing(grid, rest_v, float_v - (float(risen_v[last]) if last >= 0 else 0.0))
        ends = np.clip([reached - _TIP, passing(grid, rest_v, float_v) + _TIP], 0.0, 1.0)
        # Closer where it begins: with a load on, the cell has a little less, and it begins later.
        bands.append(ends[0] + (ends[1] - ends[0]) * np.linspace(0.0, 1.0, BAND) ** 2)
    return _filled(grid, np.concatenate(bands), len(grid) + more_nodes(circuit))


def _filled(grid: Array, more: Array, count: int) -> Array:
    """The nodes of both in order, those of `more` that are hardly any other left out, and, until
    there are `count`, the middle of the widest piece.
    """
    found = grid
    for node in more.tolist():
        place = int(np.searchsorted(found, node))
        near = found[max(place - 1, 0) : place + 1]
        if (np.abs(near - node) > _CLOSE).all():
            found = np.insert(found, place, node)
    while len(found) < count:
        widest = int(np.argmax(np.diff(found)))
        found = np.insert(found, widest + 1, 0.5 * (found[widest] + found[widest + 1]))
    return found
