"""A power path: with USB in, the input feeds what the gadget draws before it charges the cell.

The node of all loads is the charger's input then. What it takes comes first out of
`input.limit`, and the charger has the rest. Where the input cannot hold the node above the cell,
the node falls to the cell's terminal and the cell gives what is short: the node never stands below
it (an ideal switch between the two, with no drop of its own). With the protection open the cell
gives nothing, and the node falls until the loads take what there is.

Kirchhoff at the input's pin, behind `input.resistance`: pin and node are one but where the limit
holds the current, which stands between them. Lights that USB lights are connected to the pin.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from simfw.circuit.network import Feed, Phase

if TYPE_CHECKING:
    from simfw.circuit.cell import CellModel
    from simfw.circuit.charger import ChargerMode, ChargerModel
    from simfw.circuit.fed import Fed
    from simfw.gadget.model import Gadget

__all__ = ["Beside", "PowerPath", "ends_at", "power_path_of"]

Array = NDArray[np.float64]
Law = Callable[[Array], tuple[Array, Array]]
"""A current (A) and its slope (S) at voltages (V)."""

_ROUNDS = 100
_TOLERANCE_V = 1e-12


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerPath:
    """What stands between USB and the node of the loads.

    `input_v` is the supply (V), `source_ohm` what stands in front of the pin, `pass_ohm` the
    charger's own resistance. `limit_a` is the most that all together take, `ease_a` that from which
    on the charger eases off (A; infinite where the file names none). `fed`: the lights on the pin.
    """

    input_v: float
    source_ohm: float
    pass_ohm: float
    limit_a: float
    ease_a: float
    fed: Fed | None

    def lit_a(self, mode: ChargerMode, volts: Array) -> tuple[Array, Array]:
        """What the lights on the pin take at voltages of it (V)."""
        if self.fed is None:
            return np.zeros_like(volts), np.zeros_like(volts)
        return self.fed.drawn(self.fed.lit(mode), volts)

    def pin_v(self, taken_a: float) -> float:
        """The pin's voltage (V) while so much is taken from USB (A)."""
        return max(self.input_v - self.source_ohm * taken_a, 0.0)

    def left_a(self, mode: ChargerMode, taken_a: float) -> float:
        """What the lights on the pin leave of a current (A) that is taken from USB."""
        if taken_a == np.inf:
            return np.inf
        lit, _ = self.lit_a(mode, np.array([self.pin_v(taken_a)]))
        return max(taken_a - float(lit[0]), 0.0)


class Beside:
    """One phase of loads on the path, with the charger in a mode: a feed of the cell's terminal.

    Its output (A) is negative where the cell gives what the input is short of. `feed` is what the
    charger could put out by itself, `open_` whether the protection is open.
    """

    def __init__(
        self, path: PowerPath, mode: ChargerMode, loads: Phase, feed: Feed | None, *, open_: bool
    ) -> None:
        self.path = path
        self.mode = mode
        self.loads = loads
        self.open_ = open_
        self.share_a = path.left_a(mode, path.limit_a)
        self._feed = feed
        self.most_a = 0.0
        if feed is not None:
            ease_a = min(path.limit_a, path.ease_a)
            most = feed.most_a
            if ease_a < np.inf:
                drawn, _ = loads.current(np.array([path.pin_v(ease_a)]))
                most = min(most, max(path.left_a(mode, ease_a) - float(drawn[0]), 0.0))
            self.most_a = most
            pass_s = None if path.pass_ohm == 0.0 or path.source_ohm else 1.0 / path.pass_ohm
            self._feed = replace(feed, most_a=most, pass_s=pass_s, through=None)

    def given(self, volts: Array) -> tuple[Array, Array]:
        """What the input can give the node of the loads at voltages of it (V)."""
        path = self.path
        if path.source_ohm == 0.0:
            # Also above the input, where no terminal stands that the charger holds at its float.
            return np.full_like(volts, self.share_a), np.zeros_like(volts)
        lit, slope = path.lit_a(self.mode, volts)
        amps = (path.input_v - volts) / path.source_ohm - lit
        steep = -1.0 / path.source_ohm - slope
        held = amps > self.share_a
        return np.where(held, self.share_a, amps), np.where(held, 0.0, steep)

    def _short(self, terminal_v: Array) -> tuple[Array, Array]:
        """By how much the loads take more than the input gives with the node at the terminal."""
        drawn, slope = self.loads.current(terminal_v)
        amps, steep = self.given(terminal_v)
        return drawn - amps, slope - steep

    def at(self, voltage_v: Array) -> tuple[Array, Array]:
        """Output into the terminal (A) and its slope (S) at voltages of it."""
        short, steep = self._short(voltage_v)
        lacks = short > 0.0
        amps, slope = np.zeros_like(voltage_v), np.zeros_like(voltage_v)
        if self._feed is not None and self.most_a > 0.0:
            amps, slope = self._feed.at(voltage_v)
            if self.path.source_ohm:
                passed, passed_slope = self._through(voltage_v)
                amps, slope = np.where(passed < amps, [passed, passed_slope], [amps, slope])
        none = np.zeros_like(voltage_v)
        lent = (none, none) if self.open_ else (-short, -steep)
        return np.where(lacks, lent[0], amps), np.where(lacks, lent[1], slope)

    def _through(self, terminal_v: Array) -> tuple[Array, Array]:
        """What source, pin and charger let through (A) to the terminal."""
        path = self.path
        if path.pass_ohm == 0.0:
            short, slope = self._short(terminal_v)
            return np.maximum(-short, 0.0), np.where(short < 0.0, -slope, 0.0)
        through_s = 1.0 / path.pass_ohm

        def taken(volts: Array) -> tuple[Array, Array]:
            short, slope = self._short(volts)
            return short + through_s * (volts - terminal_v), slope + through_s

        volts = _zero(taken, terminal_v, np.full_like(terminal_v, path.input_v))
        _, slope = taken(volts)
        out = np.maximum((volts - terminal_v) * through_s, 0.0)
        return out, np.where(out > 0.0, (through_s / slope - 1.0) * through_s, 0.0)

    def node_v(self, terminal_v: Array, output_a: Array) -> Array:
        """The voltage of the loads' node (V), the charger putting out so much (A)."""
        short, _ = self._short(terminal_v)
        top = np.full_like(terminal_v, self.path.input_v)

        def taken(volts: Array) -> tuple[Array, Array]:
            over, slope = self._short(volts)
            return over + np.maximum(output_a, 0.0), slope

        low = np.zeros_like(terminal_v) if self.open_ else np.minimum(terminal_v, top)
        volts = _zero(taken, low, top)
        return volts if self.open_ else np.where(short > 0.0, terminal_v, volts)


def _zero(law: Law, low: Array, high: Array) -> Array:
    """Where a law that rises with the voltage passes 0, between two voltages (V), or the nearer."""
    volts = high
    off, slope = law(volts)
    low, high = low.copy(), high.copy()
    done = off <= 0.0
    for _ in range(_ROUNDS):
        if done.all():
            break
        low = np.where(off <= 0.0, volts, low)
        high = np.where(off > 0.0, volts, high)
        moved = volts - off / np.where(slope > 0.0, slope, np.inf)
        outside = (moved <= low) | (moved >= high)
        moved = np.where(outside, 0.5 * (low + high), moved)
        moved = np.where(done, volts, moved)
        done |= (np.abs(moved - volts) < _TOLERANCE_V) | (high - low < _TOLERANCE_V)
        volts = moved
        off, slope = law(volts)
    return volts


def ends_at(
    cell: CellModel, charger: ChargerModel, mode: ChargerMode, warmth_c: float, leakage_a: float
) -> float:
    """The charge (0..1) from which on the cell alone ends its charge.

    There, held at the float voltage, it would take less than the finish current, whatever the
    loads leave of the input. 1 where no current ends the charge.
    """
    finish_a = charger.finish_a
    if finish_a is None or mode != "fast":
        return 1.0
    float_v = charger.float_at(warmth_c)

    def ended(charge: Array) -> NDArray[np.bool_]:
        ohm = cell.series_ohm(charge, warmth_c)
        inner = cell.open_circuit_v(charge) - ohm * cell.self_discharge_a(charge)
        over: NDArray[np.bool_] = inner + ohm * (finish_a - leakage_a) > float_v
        return over

    nodes = cell.charge_nodes
    going = np.flatnonzero(~ended(nodes))
    if not going.size or going[-1] + 1 >= nodes.size:
        return 1.0 if going.size else 0.0
    low, high = float(nodes[going[-1]]), float(nodes[going[-1] + 1])
    while high - low > 1e-13:
        middle = 0.5 * (low + high)
        low, high = (low, middle) if ended(np.array([middle]))[0] else (middle, high)
    return high


def power_path_of(gadget: Gadget, fed: Fed | None) -> PowerPath | None:
    """The power path of a gadget, None without one."""
    charger = gadget.charger
    supply = None if charger is None else charger.input
    if charger is None or supply is None or not charger.power_path:
        return None
    source = 0.0 if supply.resistance is None else supply.resistance.value
    ease = np.inf
    if supply.hold is not None and source:
        ease = max(supply.voltage.value - supply.hold.value, 0.0) / source
    return PowerPath(
        input_v=supply.voltage.value,
        source_ohm=source,
        pass_ohm=0.0 if charger.pass_resistance is None else charger.pass_resistance.value,
        limit_a=np.inf if supply.limit is None else supply.limit.value,
        ease_a=ease,
        fed=fed,
    )
