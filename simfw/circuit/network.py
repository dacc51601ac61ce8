"""One node: all that is connected to the cell's terminals, solved together.

V = OCV - R (sum of currents at V - charger output). The currents rise with V, so the difference of
the two sides rises strictly and has one zero; Newton's rule inside a bracket finds it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from simfw.circuit.table import Current

__all__ = ["FADE_V", "ROUNDS", "Feed", "Gives", "Phase", "bracket", "fade", "newton_step", "settle"]

Array = NDArray[np.float64]

# A load of constant current cannot draw it from nothing: below this voltage it falls to 0 in
# proportion, so that every node has a solution at or above 0 V.
FADE_V = 0.1

_TOLERANCE_V = 1e-9
ROUNDS = 80  # at the most: halving alone takes 33 from 5 V to 1 nV


@dataclass(frozen=True, slots=True)
class Phase:
    """A part of the PWM period in which the same things are on.

    `weight` is its share of the period, `constant_a` all constant currents, `conductance_s` all
    plain resistances, `curve` all tabulated branches but the `limited` ones, whose sum is no table;
    `on` the rows of the consumers that are on.
    """

    weight: float
    constant_a: float
    conductance_s: float
    curve: Current | None
    on: frozenset[int]
    limited: tuple[Current, ...] = ()

    def current(self, voltage_v: Array) -> tuple[Array, Array]:
        """Sum of the currents (A) and its slope (S)."""
        if self.curve is None:
            amps, slope = np.zeros_like(voltage_v), np.zeros_like(voltage_v)
        else:
            amps, slope = self.curve.with_slope(voltage_v)
        for one in self.limited:
            more, steeper = one.with_slope(voltage_v)
            amps, slope = amps + more, slope + steeper
        # Seldom: most cells are cut off long before.
        fades = np.minimum.reduce(voltage_v, initial=FADE_V) < FADE_V
        constant_a = self.constant_a * fade(voltage_v) if fades else self.constant_a
        amps = amps + self.conductance_s * voltage_v + constant_a
        slope = slope + self.conductance_s
        if fades and self.constant_a:
            slope = slope + np.where(voltage_v < FADE_V, self.constant_a / FADE_V, 0.0)
        return amps, slope


def fade(voltage_v: Array) -> Array:
    """The share of its current that a constant load still draws."""
    return np.minimum(np.maximum(voltage_v / FADE_V, 0.0), 1.0)


class Gives(Protocol):
    """What feeds a node beside its cell: at most `most_a` (A)."""

    @property
    def most_a(self) -> float:
        """The most that it gives (A)."""
        ...

    def at(self, voltage_v: Array) -> tuple[Array, Array]:
        """What it gives (A) and its slope (S) at voltages of the node (V)."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Feed:
    """What a linear charger can put out at a terminal voltage.

    `most_a` by its setting and input; `heat_w` by the heat it may make, each ampere making
    `input_v` - V; `pass_s` by what its pass element and the supply in front of it let through
    (conductance), or `through` where that is no plain resistance. None where there is no such
    limit.
    """

    most_a: float
    input_v: float | None = None
    heat_w: float | None = None
    pass_s: float | None = None
    through: Current | None = None

    def at(self, voltage_v: Array) -> tuple[Array, Array]:
        """Output (A) and its slope (S) at the terminal voltages."""
        amps, slope = np.full_like(voltage_v, self.most_a), np.zeros_like(voltage_v)
        if self.input_v is None:
            return amps, slope
        drop = np.maximum(self.input_v - voltage_v, 1e-6)
        if self.heat_w is not None:
            warm = self.heat_w / drop
            amps, slope = _lesser(amps, slope, warm, warm / drop)
        if self.pass_s is not None:
            through = np.maximum(self.input_v - voltage_v, 0.0) * self.pass_s
            amps, slope = _lesser(amps, slope, through, -self.pass_s)
        if self.through is not None:
            amps, slope = _lesser(amps, slope, *self.through.with_slope(voltage_v))
        return amps, slope


def _lesser(
    amps: Array, slope: Array, others: Array, steep: Array | float
) -> tuple[Array, Array]:
    """Of two outputs (A) with their slopes (S) that which is less, at each voltage."""
    less = others < amps
    return np.where(less, others, amps), np.where(less, steep, slope)


def settle(
    phase: Phase, source_v: Array, resistance_ohm: Array | float, feed: Gives | None = None
) -> Array:
    """Node voltage (V) of a phase behind a source (V) with a resistance (ohm).

    `source_v` holds the open-circuit voltage less what is drawn inside the cell.
    """
    resistance = np.asarray(resistance_ohm, dtype=float)
    if resistance.shape != source_v.shape:
        resistance = np.broadcast_to(resistance, source_v.shape)
    if not resistance.any():
        return source_v.copy()
    low, high = bracket(source_v, resistance, feed)
    volts = high
    for _ in range(ROUNDS):
        drawn = phase.current(volts)
        moved, low, high = newton_step(volts, (low, high), drawn, source_v, resistance, feed)
        change = np.abs(moved - volts).max(initial=0.0)
        volts = moved
        if change < _TOLERANCE_V:
            break
    return volts


def bracket(source_v: Array, resistance_ohm: Array, feed: Gives | None) -> tuple[Array, Array]:
    """Voltages (V) between which each node settles: 0 V, and the source with all of the feed."""
    high = np.maximum(source_v, 0.0)
    if feed is not None:
        high = high + resistance_ohm * feed.most_a
    return np.zeros_like(source_v), high


def newton_step(
    here_v: Array, between_v: tuple[Array, Array], drawn: tuple[Array, Array], source_v: Array,
    resistance_ohm: Array, feed: Gives | None,
) -> tuple[Array, Array, Array]:
    """One step of Newton's rule: the voltages (V) moved to, and the narrowed bracket (V).

    `drawn` holds the currents (A) and slopes (S) of the loads at `here_v`. All arrays are of one
    shape, or `source_v` and `resistance_ohm` are a row of it.
    """
    amps, slope = drawn
    if feed is not None:
        given, given_slope = feed.at(here_v)
        amps, slope = amps - given, slope - given_slope
    off = here_v - source_v + resistance_ohm * amps
    moved = here_v - off / np.maximum(1.0 + resistance_ohm * slope, 0.1)
    below = off < 0.0
    low = np.where(below, here_v, between_v[0])
    high = np.where(below, between_v[1], here_v)
    outside = ((moved <= low) | (moved >= high)) & (moved != here_v)
    if outside.any():
        # Newton left the bracket, or came back to an end of it, as it does for ever on either side
        # of a sharp corner: halve it there instead.
        moved = np.where(outside, 0.5 * (low + high), moved)
    return moved, low, high
