"""One LED channel as a current of the supply voltage: LEDs, resistors and the switch.

The same serves for lights and for the infra-red emitter.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from simfw.circuit.diode import Diode, NotADiodeError, fit_diode
from simfw.circuit.regulator import NO_REGULATOR, Regulator
from simfw.circuit.switch import Bipolar, npn_branch
from simfw.circuit.table import Current, Grid, hermite
from simfw.errors import DescriptionError, Problem

if TYPE_CHECKING:
    from simfw.gadget.fields import ForwardPoint
    from simfw.gadget.model import Emitter, Light, Switch

__all__ = ["Branch", "Channel", "emitter_channel", "light_channel"]

Array = NDArray[np.float64]

# The reverse gain that an npn has where the file gives none: the default of the model in the
# public circuit simulator (Nagel 1975, ERL-M520, table of bipolar parameters: BR = 1).
REVERSE_GAIN = 1.0

_KEPT = 64  # channels whose tables are kept (each about 100 kB), and diodes


@dataclass(frozen=True, slots=True)
class Branch:
    """What a channel draws: `total` includes a transistor's base, `leds` is all LEDs together."""

    total: Current
    leds: Current


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """A lit channel: `count` equal LEDs behind resistors (ohm) and a switch.

    `each_ohm` is one per LED, `shared_ohm` carries them all, `switch_ohm` is in the common path of
    all LEDs (`own_switch`: of one LED, each having its own). `drop_v` is a constant saturation
    voltage; `npn` the full transistor; `base_ohm` the base resistor beside a constant saturation,
    for which the base-emitter voltage is not known: all of the supply is taken to stand across it.
    `sink_a`: what all sinks of constant current together let through at the most; below that each
    is its resistance in drop-out, which is among the resistors. `on_pin`: the LEDs hang on a pin,
    so on what the `regulator` leaves of the cell's voltage, and so does a base.
    """

    diode: Diode
    count: int
    each_ohm: float
    shared_ohm: float
    switch_ohm: float
    own_switch: bool
    npn: Bipolar | None = None
    drop_v: float = 0.0
    base_ohm: float | None = None
    sink_a: float = math.inf
    on_pin: bool = False
    regulator: Regulator = NO_REGULATOR

    def branch(self, grid: Grid) -> Branch:
        """The channel tabulated over the grid: once for all gadgets that have the same."""
        return _branch(self, grid)

    def tabulated(self, grid: Grid) -> Branch:
        """Tabulate the channel over the grid."""
        volts = grid.nodes_v
        if self.on_pin:
            volts = self.regulator.below_cell_v(volts)
        if self.npn is not None:
            leds_a, base_a, leds_s, base_s = npn_branch(
                volts, self.diode, self.count, self.each_ohm,
                self.shared_ohm + self.switch_ohm, self.npn,
            )
            return Branch(
                hermite(grid, leds_a + base_a, leds_s + base_s), hermite(grid, leds_a, leds_s)
            )
        leds_a, leds_s = self.at(volts)
        limit_a = self.sink_a
        if self.on_pin and self.regulator.there:
            most_a, _ = self.at(np.array([self.regulator.output_v]))
            limit_a = min(limit_a, float(most_a[0]))
        leds = replace(hermite(grid, leds_a, leds_s), limit_a=limit_a)
        if self.base_ohm is None:
            return Branch(leds, leds)
        pin_v = self.regulator.below_cell_v(volts)
        held = pin_v >= self.regulator.output_v
        base_a = np.where(held, self.regulator.output_v, pin_v) / self.base_ohm
        base_s = np.where(held | (pin_v <= 0.0), 0.0, 1.0 / self.base_ohm)
        return Branch(hermite(grid, leds_a + base_a, leds_s + base_s), leds)

    def at(self, volts: Array) -> tuple[Array, Array]:
        """Current (A) of all LEDs behind plain resistances, and its slope (S), at voltages (V)."""
        amps, slope = self._one_led(volts)
        return amps * self.count, slope * self.count

    def _one_led(self, volts: Array) -> tuple[Array, Array]:
        """Current (A) and slope (S) of one LED of a channel behind plain resistances."""
        # n equal branches through one resistance see n times that resistance each.
        common = self.shared_ohm + (0.0 if self.own_switch else self.switch_ohm)
        ohm = self.each_ohm + (self.switch_ohm if self.own_switch else 0.0) + self.count * common
        inner = np.maximum(volts - self.drop_v, 0.0)
        current = self.diode.current_a(inner, ohm)
        slope = 1.0 / (self.diode.slope_ohm(current) + ohm)
        return current, np.where(volts > self.drop_v, slope, 0.0)


@lru_cache(maxsize=_KEPT)
def _branch(channel: Channel, grid: Grid) -> Branch:
    return channel.tabulated(grid)


def light_channel(
    name: str, light: Light, segments: int = -1, file: str = "",
    regulator: Regulator = NO_REGULATOR,
) -> Channel:
    """The channel of a light; of a segmented one with `segments` (-1: all) LEDs lit."""
    count = light.leds
    if light.segments and segments >= 0:
        count = min(segments, light.leds)
    driver = light.driver
    # In drop-out a sink is a resistance: min(set, V / R) meets the two points that the sheet of
    # onsemi NSI45030AZT1G gives (p. 2 and 4) within 1 % of the set current.
    ohm = 0.0 if light.resistor is None else light.resistor.value
    if driver is not None and driver.drop is not None:
        ohm = driver.drop.value / driver.current.value
    channel = _channel(
        f"lights.{name}", light.forward, count, ohm, light.shared, light.switch,
        light.segments, file, regulator,
    )
    if driver is None:
        return channel
    return replace(channel, sink_a=driver.current.value * (1 if light.shared else count))


def emitter_channel(
    sensor: str, emitter: Emitter, file: str = "", regulator: Regulator = NO_REGULATOR
) -> Channel:
    """The channel of a proximity sensor's emitter."""
    return _channel(
        f"proximity.{sensor}.emitter", emitter.forward, 1, emitter.resistor.value, False,
        emitter.switch, False, file, regulator,
    )


def _channel(
    key: str,
    forward: Sequence[ForwardPoint],
    count: int,
    resistor_ohm: float,
    shared: bool,
    switch: Switch | None,
    own_switch: bool,
    file: str,
    regulator: Regulator,
) -> Channel:
    each, common = (0.0, resistor_ohm) if shared else (resistor_ohm, 0.0)
    plain = Channel(
        diode=_diode(key, forward, file), count=count, each_ohm=each, shared_ohm=common,
        switch_ohm=0.0, own_switch=False, regulator=regulator,
        on_pin=switch is not None and switch.kind == "pin",
    )
    if switch is None:
        return plain
    series = switch.resistance if switch.kind == "pin" else switch.on_resistance
    ohm = 0.0 if series is None else series.value
    if switch.kind != "npn":
        return replace(plain, switch_ohm=ohm, own_switch=own_switch and switch.kind == "pin")
    if switch.saturation is None:
        return replace(plain, switch_ohm=ohm, npn=_bipolar(key, switch, file))
    return replace(
        plain,
        switch_ohm=ohm,
        drop_v=switch.saturation.value,
        base_ohm=None if switch.base is None else switch.base.value,
    )


_fitted = lru_cache(maxsize=_KEPT)(fit_diode)


def _diode(key: str, forward: Sequence[ForwardPoint], file: str) -> Diode:
    try:
        return _fitted(tuple([(point.voltage_v.value, point.current_a.value) for point in forward]))
    except NotADiodeError as error:
        text = f"these points are not a diode's: {error}"
        raise DescriptionError([Problem(key=f"{key}.forward", text=text, file=file)]) from error


def _bipolar(key: str, switch: Switch, file: str) -> Bipolar:
    base, gain, saturation = switch.base, switch.gain, switch.saturation_current
    if base is None or gain is None or saturation is None:
        given = {"base": base, "gain": gain, "saturation_current": saturation}
        missing = ", ".join(word for word, value in given.items() if value is None)
        allowed = "base, gain and saturation_current, or a constant saturation voltage"
        text = f"an npn needs {missing}"
        raise DescriptionError(
            [Problem(key=f"{key}.switch", text=text, file=file, allowed=allowed)]
        )
    return Bipolar(
        base_ohm=base.value,
        forward_gain=gain,
        reverse_gain=REVERSE_GAIN if switch.reverse_gain is None else switch.reverse_gain,
        saturation_a=saturation.value,
    )
