"""The linear charger: its steps, what it puts out, and what its status pin says."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from simfw.circuit.network import Feed

if TYPE_CHECKING:
    from simfw.gadget.model import Charger, Gadget
    from simfw.quantity import Figure

__all__ = [
    "ChargerMode", "ChargerModel", "ChargerStep", "StatusLevel", "StatusReading",
    "StepQuantity", "Windows", "charger_model",
]

ChargerMode = Literal["off", "precharge", "fast", "complete", "fault"]
StatusLevel = Literal["low", "high", "floating"]
StatusReading = Literal["low", "high", "released"]
StepQuantity = Literal["voltage_v", "output_a", "charge"]
_ROUNDING_V = 1e-9  # at most what the tables of two modes differ by where they ought to be equal


@dataclass(frozen=True, slots=True, kw_only=True)
class ChargerStep:
    """When the charger goes over to another mode.

    `quantity` is compared with `level`: the terminal voltage (V), the charger's whole output (A),
    which feeds the cell and the load together, or the cell's charge (0..1). `rising`: the step is
    taken when the quantity reaches the level from below, otherwise when it falls below it.
    """

    quantity: StepQuantity
    rising: bool
    level: float
    to: ChargerMode


@dataclass(frozen=True, slots=True, kw_only=True)
class Windows:
    """Cell temperatures (degrees Celsius) and what they allow; see `ChargerWindows`."""

    cold_c: float
    cool_c: float
    warm_c: float
    hot_c: float
    cool_rate: float
    warm_float_v: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ChargerModel:
    """The charger of a gadget; None where the file does not give a threshold."""

    constant_current_a: float
    float_v: float
    finish_a: float | None = None
    below_v: float | None = None
    precharge_a: float | None = None
    hysteresis_v: float | None = None
    recharge_v: float | None = None
    status_style: str | None = None
    pull_up: bool = False
    input_v: float | None = None
    input_a: float | None = None
    pass_ohm: float | None = None
    heat_k_per_w: float | None = None
    heat_limit_c: float | None = None
    windows: Windows | None = None
    start_v: float = 0.0
    stop_v: float = 0.0
    start_margin_v: float = 0.0
    stop_margin_v: float = 0.0

    @property
    def falls_back_v(self) -> float | None:
        """The terminal voltage (V) below which it goes back to precharge, None without precharge.

        Without a hysteresis that is `below_v` itself, but for rounding: precharge that has just
        lifted the terminal to `below_v` is over.
        """
        if self.below_v is None:
            return None
        return self.below_v - max(self.hysteresis_v or 0.0, _ROUNDING_V)

    def runs(self, input_v: float, cell_v: float, running: bool) -> bool:
        """Whether the charger runs at an input and a cell voltage (V), given whether it did.

        Off to on at `start` and `start_above_cell`, on to off below `stop` and `stop_above_cell`;
        a programming resistor that is open keeps it off (state chart of Microchip DS20001984,
        section 4).
        """
        if self.constant_current_a <= 0.0:
            return False
        level, margin = (
            (self.stop_v, self.stop_margin_v) if running
            else (self.start_v, self.start_margin_v)
        )  # fmt: skip
        return input_v >= level and input_v >= cell_v + margin

    def suspended(self, temperature_c: float) -> bool:
        """Whether the cell is too cold or too hot to be charged at all."""
        window = self.windows
        return window is not None and not window.cold_c <= temperature_c <= window.hot_c

    def float_at(self, temperature_c: float) -> float:
        """The float voltage (V) at a cell temperature: lower for a warm cell."""
        if self.windows is not None and temperature_c > self.windows.warm_c:
            return self.windows.warm_float_v
        return self.float_v

    def feed(self, mode: ChargerMode, temperature_c: float = 25.0) -> Feed | None:
        """What the charger can put out below the float voltage; None if nothing.

        Heat: the junction may reach `heat_limit_c`, so (input - V) I <= (limit - ambient) / Rth
        (thermal regulation: e.g. Texas Instruments SLUS940B, p. 6).
        """
        if mode not in ("fast", "precharge") or self.suspended(temperature_c):
            return None
        most = self.constant_current_a if mode == "fast" else self.precharge_a or 0.0
        if self.windows is not None and temperature_c < self.windows.cool_c:
            most *= self.windows.cool_rate
        if self.input_a is not None:
            most = min(most, self.input_a)
        heat = None
        if self.heat_k_per_w is not None and self.heat_limit_c is not None:
            heat = max(self.heat_limit_c - temperature_c, 0.0) / self.heat_k_per_w
        if most <= 0.0:
            return None
        return Feed(
            most_a=most,
            input_v=self.input_v,
            heat_w=heat,
            pass_s=None if self.pass_ohm is None else 1.0 / self.pass_ohm,
        )

    def begin(
        self, full: Callable[[], bool], low: Callable[[], bool], temperature_c: float = 25.0,
        *, faulty: bool = False,
    ) -> ChargerMode:
        """The mode in which the charger begins: when its supply comes in, or after a fault.

        `full` tells whether the cell is full, which takes nothing; `low` whether its terminal
        stands below `below_v`. Outside its temperature windows, and while it is `faulty`, the
        charger stands still.
        """
        if faulty or self.suspended(temperature_c):
            return "fault"
        if full():
            return "complete"
        return self.starts(low)

    def starts(self, low: Callable[[], bool]) -> ChargerMode:
        """The mode in which a charge starts, and a finished one starts again; see `begin`."""
        return "precharge" if self.below_v is not None and low() else "fast"

    def start_mode(self, voltage_v: float, charge: float = 0.0,
                   temperature_c: float = 25.0) -> ChargerMode:  # fmt: skip
        """The mode in which it begins with the terminal at a voltage (V) and a charge (0..1)."""
        return self.begin(
            lambda: charge >= 1.0,
            lambda: self.below_v is not None and voltage_v < self.below_v,
            temperature_c,
        )

    def ends_full(self, load_a: float) -> bool:
        """Whether a full cell ends the charge while the load takes `load_a` (A) at charge 1.

        The cell takes no more there, so the output is the load: one that ends by its output ends
        where that is below `finish_a`, and goes on feeding the load where it is not.
        """
        return self.finish_a is None or load_a < self.finish_a

    def steps(
        self, mode: ChargerMode, temperature_c: float = 25.0, full_load_a: float = math.inf
    ) -> tuple[ChargerStep, ...]:
        """The steps out of a mode while the supply stays in; none while suspended.

        `full_load_a`: what the load takes at charge 1 (A), see `ends_full`.
        """
        if self.suspended(temperature_c):
            return ()
        steps = []
        if mode == "precharge" and self.below_v is not None:
            steps.append(
                ChargerStep(quantity="voltage_v", rising=True, level=self.below_v, to="fast")
            )
        elif mode == "fast":
            if self.finish_a is not None:
                steps.append(
                    ChargerStep(
                        quantity="output_a", rising=False, level=self.finish_a, to="complete"
                    )
                )
            if self.falls_back_v is not None:
                steps.append(
                    ChargerStep(
                        quantity="voltage_v", rising=False, level=self.falls_back_v, to="precharge"
                    )
                )
        elif mode == "complete" and self.recharge_v is not None:
            steps.append(
                ChargerStep(quantity="voltage_v", rising=False, level=self.recharge_v, to="fast")
            )
        if mode in ("precharge", "fast") and self.ends_full(full_load_a):
            steps.append(ChargerStep(quantity="charge", rising=True, level=1.0, to="complete"))
        return tuple(steps)

    def status(self, mode: ChargerMode, usb: bool) -> StatusLevel:
        """The status pin. Floating without supply, in a fault, and where the file says nothing.

        In a fault the charger lets go of the pin: both outputs of a TP4056 are off then (its
        maker's page, tp4056.com/d/tp4056.html), a cell outside its temperature window included.
        The two low-while-charging styles are those of the two parts in the state table of
        Microchip DS20001984 (section 5.2): high or floating when complete.
        """
        if not usb or mode in ("off", "fault") or self.status_style is None:
            return "floating"
        charging = mode in ("precharge", "fast")
        if self.status_style == "high while charging":
            return "high" if charging else "low"
        if charging:
            return "low"
        return "high" if self.status_style.endswith("high when complete") else "floating"

    def reads(self, mode: ChargerMode, usb: bool) -> StatusReading:
        """How the controller reads the status pin; a pull-up makes a floating pin high."""
        level = self.status(mode, usb)
        if level != "floating":
            return level
        return "high" if self.pull_up else "released"

    def reads_low(self, mode: ChargerMode, usb: bool) -> bool:
        """Whether the controller reads the status pin as low."""
        return self.reads(mode, usb) == "low"

    def reads_high(self, mode: ChargerMode, usb: bool) -> bool:
        """Whether the controller reads it as high."""
        return self.reads(mode, usb) == "high"


def charger_model(gadget: Gadget) -> ChargerModel | None:
    """Read the `[charger]` section, None without one."""
    charger = gadget.charger
    if charger is None:
        return None
    if charger.current is not None:
        constant = charger.current.value
    elif charger.gain is not None and charger.program is not None:
        # I = gain / R: Microchip DS20001984, section 5.1.2 (1000 V there).
        constant = charger.gain.value / charger.program.value
    else:
        constant = 0.0
    program, opened = charger.program, charger.program_open
    if program is not None and opened is not None and program.value >= opened.value:
        constant = 0.0
    pre, supply, heat = charger.precharge, charger.input, charger.heat
    source = None if supply is None or supply.resistance is None else supply.resistance.value
    limits = []
    if supply is not None and supply.limit is not None:
        limits.append(supply.limit.value)
    if supply is not None and supply.hold is not None and source:
        # The charger eases off where source and cable have taken the input down to `hold`.
        limits.append(max(supply.voltage.value - supply.hold.value, 0.0) / source)
    path = [ohm for ohm in (source, _value(charger.pass_resistance)) if ohm is not None]
    return ChargerModel(
        constant_current_a=constant,
        float_v=charger.float_.value,
        finish_a=None if charger.finish is None else charger.finish.value * constant,
        below_v=None if pre is None else pre.below.value,
        precharge_a=None if pre is None else pre.rate.value * constant,
        hysteresis_v=None if pre is None else _value(pre.hysteresis),
        recharge_v=_value(charger.recharge),
        status_style=charger.status,
        pull_up=gadget.status_pulled_up,
        input_v=None if supply is None else supply.voltage.value,
        input_a=min(limits) if limits else None,
        pass_ohm=sum(path) if supply is not None and sum(path) > 0.0 else None,
        heat_k_per_w=None if heat is None or supply is None else heat.resistance.value,
        heat_limit_c=None if heat is None or supply is None else heat.limit.value,
        windows=_windows(charger),
        start_v=0.0 if supply is None else _value(supply.start) or 0.0,
        stop_v=0.0 if supply is None else _value(supply.stop) or 0.0,
        start_margin_v=0.0 if supply is None else _value(supply.start_above_cell) or 0.0,
        stop_margin_v=0.0 if supply is None else _value(supply.stop_above_cell) or 0.0,
    )


def _windows(charger: Charger) -> Windows | None:
    window = charger.windows
    if window is None:
        return None
    warm_float = charger.float_ if window.warm_float is None else window.warm_float
    return Windows(
        cold_c=window.cold.value,
        cool_c=(window.cold if window.cool is None else window.cool).value,
        warm_c=(window.hot if window.warm is None else window.warm).value,
        hot_c=window.hot.value,
        cool_rate=1.0 if window.cool_rate is None else window.cool_rate.value,
        warm_float_v=warm_float.value,
    )


def _value(figure: Figure | None) -> float | None:
    return None if figure is None else figure.value
