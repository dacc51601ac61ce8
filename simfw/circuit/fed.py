"""Lights that USB or the charger lights: fed by the charger's supply, beside the cell.

They hang behind `input.resistance` together with the charger's input, so each lowers what the other
has (Kirchhoff), and their current counts in `input.limit`. One on the charger's status pin is lit
while the charger charges, whichever level its pin shows that by.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from simfw.circuit.light import Channel, light_channel
from simfw.circuit.network import Feed
from simfw.circuit.table import Current, Grid, hermite

if TYPE_CHECKING:
    from simfw.circuit.charger import ChargerMode
    from simfw.gadget.model import Gadget

__all__ = ["Fed", "fed_of"]

Array = NDArray[np.float64]

_ROUNDS = 60
_TOLERANCE_V = 1e-12


@dataclass(frozen=True, slots=True, kw_only=True)
class Fed:
    """All of them. `sources` holds "usb" or "charger.status" for each of `channels`.

    `input_v` is the supply (V), `source_ohm` what stands in front of charger and lights,
    `pass_ohm` the charger's own resistance, `limit_a` what both may take together (A; None: any).
    """

    names: tuple[str, ...]
    sources: tuple[str, ...]
    channels: tuple[Channel, ...]
    input_v: float
    source_ohm: float
    pass_ohm: float
    limit_a: float | None

    def lit(self, mode: ChargerMode) -> tuple[int, ...]:
        """The numbers of those that are lit; the charger is "off" where USB is not in."""
        charging = mode in ("precharge", "fast")
        return tuple(k for k, source in enumerate(self.sources)
                     if charging or (source == "usb" and mode != "off"))

    def drawn(self, lit: Sequence[int], volts: Array) -> tuple[Array, Array]:
        """What the lit ones take together (A), and its slope (S), at voltages of the input (V)."""
        amps, slope = np.zeros_like(volts), np.zeros_like(volts)
        for k in lit:
            more, steeper = self.channels[k].at(volts)
            amps, slope = amps + more, slope + steeper
        return amps, slope

    def _settle(
        self, lit: Sequence[int], taken_a: Array, from_v: Array, with_s: float
    ) -> Array:
        """The input's voltage (V) with `taken_a` drawn, and a conductance (S) to `from_v`."""
        low, high = np.zeros_like(taken_a), np.full_like(taken_a, self.input_v)
        volts = high
        for _ in range(_ROUNDS):
            amps, slope = self.drawn(lit, volts)
            off = volts - self.input_v + self.source_ohm * (
                amps + taken_a + with_s * (volts - from_v))
            low, high = np.where(off < 0.0, volts, low), np.where(off < 0.0, high, volts)
            moved = volts - off / (1.0 + self.source_ohm * (slope + with_s))
            moved = np.where((moved < low) | (moved > high), 0.5 * (low + high), moved)
            change = np.abs(moved - volts).max(initial=0.0)
            volts = moved
            if change < _TOLERANCE_V:
                break
        return volts

    def current_a(self, mode: ChargerMode, charger_a: Array) -> Array:
        """What each takes (A), shape (lights, n), while the charger puts out n currents (A)."""
        found = np.zeros((len(self.names), charger_a.size))
        lit = self.lit(mode)
        if lit:
            volts = self._settle(lit, charger_a, charger_a, 0.0)
            for k in lit:
                found[k], _ = self.channels[k].at(volts)
        return found

    def beside(self, feed: Feed | None, mode: ChargerMode, grid: Grid) -> Feed | None:
        """What is left of what the charger can put out."""
        lit = self.lit(mode)
        if feed is None or not lit:
            return feed
        most = feed.most_a
        if self.limit_a is not None:
            at_limit = np.array([max(self.input_v - self.source_ohm * self.limit_a, 0.0)])
            most = min(most, max(self.limit_a - float(self.drawn(lit, at_limit)[0][0]), 0.0))
        if most <= 0.0:
            return None
        if self.source_ohm == 0.0:
            return replace(feed, most_a=most)
        return replace(feed, most_a=most, pass_s=None, through=self._through(lit, grid))

    def _through(self, lit: Sequence[int], grid: Grid) -> Current:
        """What source, cable and charger let through (A) to a terminal at a voltage (V)."""
        cell_v = grid.nodes_v
        if self.pass_ohm == 0.0:
            amps, slope = self.drawn(lit, cell_v)
            out = (self.input_v - cell_v) / self.source_ohm - amps
            steep = -1.0 / self.source_ohm - slope
        else:
            through_s = 1.0 / self.pass_ohm
            volts = self._settle(lit, np.zeros_like(cell_v), cell_v, through_s)
            _, slope = self.drawn(lit, volts)
            out = (volts - cell_v) * through_s
            steep = (through_s / (1.0 / self.source_ohm + slope + through_s) - 1.0) * through_s
        flows = out > 0.0
        return hermite(grid, np.where(flows, out, 0.0), np.where(flows, steep, 0.0))


def fed_of(gadget: Gadget) -> Fed | None:
    """The lights of a gadget that USB or the charger lights, None without any."""
    lights, charger = gadget.fed_lights, gadget.charger
    supply = None if charger is None else charger.input
    if not lights or charger is None or supply is None:
        return None
    source = 0.0 if supply.resistance is None else supply.resistance.value
    limits = [] if supply.limit is None else [supply.limit.value]
    if supply.hold is not None and source:
        limits.append(max(supply.voltage.value - supply.hold.value, 0.0) / source)
    return Fed(
        names=tuple(lights),
        sources=tuple(light.fed_by or "" for light in lights.values()),
        channels=tuple(light_channel(name, light, file=gadget.file)
                       for name, light in lights.items()),
        input_v=supply.voltage.value,
        source_ohm=source,
        pass_ohm=0.0 if charger.pass_resistance is None else charger.pass_resistance.value,
        limit_a=min(limits) if limits else None,
    )
