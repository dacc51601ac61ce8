"""The charge clocks of load sets: tabulated, or mixed of others, and kept."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from simfw.circuit.circuit import Circuit, LoadSet, Solution
from simfw.circuit.nodes import RELATIVE_ERROR, Levels, filled, passed, refined
from simfw.engine.clock import SAME, Clock

__all__ = ["Clocks", "clock_of", "tabulate"]

Array = NDArray[np.float64]
_LEVEL_V = 1e-9
_NEARLY_EMPTY = 1e-9  # down to where a cell leaks as any other


class Clocks(dict[LoadSet, Clock]):
    """The charge clocks of one set of parts, by load set.

    `near` holds those of other parts of the same gadget: what is straight with those hardly bends
    with these, so that their nodes are a good guess.
    """

    def __init__(self, at: float | None = None) -> None:
        """`at`: the one charge (0..1) that is asked about, so that nothing is tabulated."""
        super().__init__()
        self.at = at
        self.near: Clocks | None = None
        # What lights give in a load set, at the nodes of its clock: charges and currents (A).
        self.lit: dict[tuple[str, LoadSet], tuple[list[float], list[float]]] = {}
        # The tables of load sets without PWM on the nodes of all, for those that are mixed of them.
        self.together: dict[tuple[LoadSet, ...], tuple[Array, list[Array]]] = {}

    def nodes(self, circuit: Circuit, loads: LoadSet) -> Array:
        """The nodes to begin with."""
        near, own = None if self.near is None else self.near.get(loads), circuit.charge_nodes
        if near is None:
            return own
        there = near.nodes[np.minimum(np.searchsorted(near.nodes, own), len(near.nodes) - 1)]
        return near.nodes if (there == own).all() else own


def clock_of(circuit: Circuit, loads: LoadSet, known: Clocks) -> Clock:
    """The charge clock of a load set, tabulated once and kept in `known`."""
    clock = known.get(loads)
    if clock is None:
        shares = circuit.levels_of(loads)
        if shares:
            clock = known[loads] = _mixed(circuit, shares, known)
            return clock
        if known.at is not None:
            clock = known[loads] = _still(circuit, loads, known.at)
            return clock
        feeds = circuit.feeds_on(loads)
        nodes = circuit.charge_nodes if feeds else known.nodes(circuit, loads)
        if circuit.on_path(loads):
            nodes = np.union1d(nodes, [_NEARLY_EMPTY])
        clock = known[loads] = tabulate(
            lambda charge: circuit.solve(loads, charge),
            nodes,
            circuit.capacity_c,
            feeds=feeds,
            levels=circuit.levels(loads),
            leaks=[n for n, name in enumerate(circuit.consumers) if name == "leakage"]
            if circuit.on_path(loads) else None,
        )
        clock.solved_v = lambda charge: circuit.terminal_v(loads, charge)
    return clock


def _still(circuit: Circuit, loads: LoadSet, charge: float) -> Clock:
    """The clock of a cell that stays as it is at one charge, whatever flows."""
    found = circuit.solve(loads, charge)
    both = np.ones(2)
    # Next to a cell without bounds whatever flows is nothing.
    return Clock(np.array([0.0, 1.0]), found.consumers_a * both, found.charger_a * both,
                 found.voltage_v * both, math.inf)


def _mixed(
    circuit: Circuit, shares: Sequence[tuple[float, LoadSet]], known: Clocks
) -> Clock:
    """The clock of a load set that is in each of some others for a share of the time, the one with
    the lowest voltage first. All duties of the same lights are mixed of the same tables.
    """
    key = tuple([loads for _, loads in shares])
    clocks = [clock_of(circuit, loads, known) for loads in key]
    found = known.together.get(key)
    if found is None:
        # As np.unique, which would load a part of NumPy that nothing else needs.
        nodes = np.sort(np.concatenate([clock.nodes for clock in clocks]))
        nodes = nodes[np.diff(nodes, prepend=-1.0) > SAME]
        found = known.together[key] = nodes, [
            np.stack([np.interp(nodes, clock.nodes, row) for row in
                      (*clock.consumers_a, clock.charger_a, clock.voltage_v)])
            for clock in clocks
        ]
    nodes, tables = found
    table = sum((share * one[:-1] for (share, _), one in zip(shares, tables, strict=True)),
                start=np.zeros_like(tables[0][:-1]))
    clock = Clock(nodes, table[:-1], table[-1], tables[0][-1], clocks[0].capacity_c)
    clock.like_v = clocks[0]
    return clock


def tabulate(
    solve: Callable[[Array], Solution],
    breakpoints: Array,
    capacity_c: float,
    relative_error: float = RELATIVE_ERROR,
    *,
    feeds: bool = False,
    levels: Levels = ((), ()),
    leaks: Sequence[int] | None = None,
) -> Clock:
    """Solve a load set on nodes close enough that linear pieces err less than `relative_error`.

    `feeds`: at charge 1 a charger goes on and feeds the load alone. Where voltage and output pass
    `levels` they are solved exactly. `leaks`: the rows of what only the cell gives, beside
    loads that USB feeds past it: an empty cell gives nothing, and their books go on.
    """
    if feeds:
        nodes, table = filled(solve, breakpoints, relative_error, levels)
    else:
        nodes, table = refined(solve, breakpoints, relative_error)
        nodes, table = passed(solve, nodes, table, levels)
    if leaks is not None:
        table[list(leaks), 0] = 0.0
        table[-2, 0] = max(table[-2, 0], table[:-2].sum(axis=0)[0])
    # What falls by less is rounding.
    rising = np.maximum.accumulate(table[-1])
    voltage = rising if (rising - table[-1]).max() < _LEVEL_V else table[-1]
    return Clock(nodes, table[:-2], table[-2], voltage, capacity_c)
