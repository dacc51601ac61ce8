"""Many load sets on one node at once: the same equations as `network`, row by row of one array.

Each row is one phase of one load set over all charges. A row is done when it has settled, whatever
the others do, so what comes out for a load set does not hang on the company it was solved in.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simfw.circuit.network import FADE_V, ROUNDS, Gives, Phase, bracket, newton_step
from simfw.circuit.table import Current, Grid

__all__ = ["Rows", "Totals", "settle_rows"]

Array = NDArray[np.float64]
Indices = NDArray[np.intp]

# A step of Newton's rule shorter than this leaves an error far below 1 nV: the error of a step is
# about R I''/2 times the square of the one before, and R I'' stays below 100/V.
_TOLERANCE_V = 3e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Totals:
    """m load sets solved over n charges, all consumers together; shapes (m, n).

    `consumed_a`: mean current of all consumers with self-discharge (A). `charger_a`: charger output
    (A). `voltage_v`: terminal voltage in the lowest phase of the PWM period.
    """

    consumed_a: Array
    charger_a: Array
    voltage_v: Array


class Rows:
    """The currents of some phases as functions of one voltage each."""

    def __init__(self, phases: Sequence[Phase], grid: Grid) -> None:
        self.weight = np.array([phase.weight for phase in phases])
        self._constant_a = np.array([[phase.constant_a] for phase in phases])
        self._conductance_s = np.array([[phase.conductance_s] for phase in phases])
        self._per_v = grid.pieces / grid.top_v
        self._last = grid.pieces - 1
        tables: list[Array] = [np.zeros((grid.pieces, 4))]
        known: dict[int, int] = {}

        def first(curve: Current | None) -> int:
            """The first row of the pieces of a curve, put among the tables at its first use."""
            if curve is None:
                return 0
            if id(curve) not in known:
                known[id(curve)] = len(tables)
                tables.append(curve.pieces)
            return known[id(curve)] * grid.pieces

        self._first = _column([first(phase.curve) for phase in phases])
        # Those with a limit, so many to a row: the first row of pieces, and the limit (A).
        self._limited: list[tuple[Indices, Array]] = []
        for place in range(max((len(phase.limited) for phase in phases), default=0)):
            ones = [phase.limited[place] if place < len(phase.limited) else None
                    for phase in phases]
            limits = np.array([[0.0 if one is None else one.limit_a] for one in ones])
            self._limited.append((_column([first(one) for one in ones]), limits))
        # The four coefficients apart: each is taken up, and worked with, in one piece.
        self._tables = tuple(np.ascontiguousarray(column) for column in np.concatenate(tables).T)

    def __len__(self) -> int:
        return len(self.weight)

    def current(self, voltage_v: Array, rows: Indices) -> tuple[Array, Array]:
        """Currents (A) and slopes (S) of these rows at voltages (V), one line of them per row."""
        scaled = np.maximum(voltage_v, 0.0) * self._per_v
        index = np.minimum(scaled.astype(np.intp), self._last)
        part = scaled - index
        amps, slope = self._at(index + self._first[rows], part)
        for first, limits in self._limited:
            one, steep = self._at(index + first[rows], part)
            limit = limits[rows]
            amps += np.minimum(one, limit)
            slope += np.where(one < limit, steep, 0.0)
        constant = self._constant_a[rows]
        conductance = self._conductance_s[rows]
        fading = voltage_v < FADE_V
        amps += conductance * voltage_v + constant
        slope += conductance
        if fading.any():
            share = np.where(fading, np.maximum(voltage_v / FADE_V, 0.0), 1.0)
            amps += constant * (share - 1.0)
            slope += np.where(fading, constant / FADE_V, 0.0)
        return amps, slope

    def _at(self, pieces: Indices, part: Array) -> tuple[Array, Array]:
        """Currents (A) and slopes (S) so far (0..1) into pieces of the tables."""
        c0, c1, c2, c3 = (column.take(pieces) for column in self._tables)
        amps = ((c3 * part + c2) * part + c1) * part + c0
        return amps, ((3.0 * c3 * part + 2.0 * c2) * part + c1) * self._per_v


def _column(values: list[int]) -> Indices:
    return np.array(values, dtype=np.intp)[:, np.newaxis]


def settle_rows(
    rows: Rows, source_v: Array, resistance_ohm: Array, feed: Gives | None, float_v: float
) -> tuple[Array, Array]:
    """Node voltage (V) and charger output (A) of all rows behind one source, shape (rows, charges).

    `source_v` holds the open-circuit voltage less what is drawn inside the cell, `float_v` where
    the charger gives way.
    """
    every: Indices = np.arange(len(rows))
    volts = _newton(rows, every, source_v, resistance_ohm, feed)
    if feed is None:
        return volts, np.zeros_like(volts)
    output, _ = feed.at(volts)
    above = volts >= float_v
    if above.any():
        # Just so much that the terminal stays at the float voltage. Without resistance no current
        # moves it: at the float voltage only the load is fed, above it nothing is given.
        loaded, _ = rows.current(np.full((len(rows), 1), float_v), every)
        spare = float_v - source_v
        stiff = np.where(spare == 0.0, 0.0, np.copysign(np.inf, spare))
        into_cell = np.divide(spare, resistance_ohm, out=stiff, where=resistance_ohm > 0.0)
        needed = loaded + into_cell
        output = np.where(above, np.clip(needed, 0.0, output), output)
        volts = np.where(above, float_v, volts)
        beyond = above & (needed < 0.0)
        if beyond.any():
            alone = _newton(rows, every, source_v, resistance_ohm, None)
            volts = np.where(beyond, alone, volts)
    return volts, output


def _newton(
    rows: Rows, active: Indices, source_v: Array, resistance_ohm: Array, feed: Gives | None
) -> Array:
    source = np.broadcast_to(source_v, (len(active), source_v.size))
    if not resistance_ohm.any():
        return source.copy()
    low, high = bracket(source, resistance_ohm, feed)
    here = high
    volts = here.copy()
    for _ in range(ROUNDS):
        drawn = rows.current(here, active)
        moved, low, high = newton_step(here, (low, high), drawn, source_v, resistance_ohm, feed)
        going = np.abs(moved - here).max(axis=1) >= _TOLERANCE_V
        volts[active] = moved
        if not going.any():
            break
        active = active[going]
        here, low, high = moved[going], low[going], high[going]
    return volts
