"""The linear charger: its steps, what it puts out, and what its status pin says."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget

__all__ = ["ChargerMode", "ChargerModel", "ChargerStep", "StatusLevel", "charger_model"]

ChargerMode = Literal["off", "precharge", "fast", "complete", "fault"]
StatusLevel = Literal["low", "high", "floating"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ChargerStep:
    """When the charger goes over to another mode.

    `quantity` is compared with `level`: the terminal voltage (V), or the charger's whole output
    (A), which feeds the cell and the load together. `rising`: the step is taken when the quantity
    reaches the level from below, otherwise when it falls below it.
    """

    quantity: Literal["voltage_v", "output_a"]
    rising: bool
    level: float
    to: ChargerMode


@dataclass(frozen=True, slots=True, kw_only=True)
class ChargerModel:
    """The charger of a gadget; None where the file does not give a threshold."""

    constant_current_a: float
    float_v: float
    finish_a: float | None
    below_v: float | None
    precharge_a: float | None
    recharge_v: float | None
    status_style: str | None
    pull_up: bool

    def output_limit_a(self, mode: ChargerMode) -> float:
        """The most (A) that the charger puts out in a mode while below the float voltage."""
        if mode == "fast":
            return self.constant_current_a
        if mode == "precharge":
            return self.precharge_a or 0.0
        return 0.0

    def start_mode(self, voltage_v: float) -> ChargerMode:
        """The mode in which charging begins with the terminal at a voltage (V)."""
        if self.below_v is not None and voltage_v < self.below_v:
            return "precharge"
        return "fast"

    def steps(self, mode: ChargerMode) -> tuple[ChargerStep, ...]:
        """The steps out of a mode while the supply stays in."""
        if mode == "precharge" and self.below_v is not None:
            return (
                ChargerStep(quantity="voltage_v", rising=True, level=self.below_v, to="fast"),
            )
        if mode == "fast" and self.finish_a is not None:
            return (
                ChargerStep(quantity="output_a", rising=False, level=self.finish_a, to="complete"),
            )
        if mode == "complete" and self.recharge_v is not None:
            return (
                ChargerStep(quantity="voltage_v", rising=False, level=self.recharge_v, to="fast"),
            )
        return ()

    def status(self, mode: ChargerMode, usb: bool) -> StatusLevel:
        """The status pin. Floating without supply, after a fault, and where the file says nothing.

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

    def reads_low(self, mode: ChargerMode, usb: bool) -> bool:
        """Whether the controller reads the status pin as low."""
        return self.status(mode, usb) == "low"

    def reads_high(self, mode: ChargerMode, usb: bool) -> bool:
        """Whether the controller reads it as high; the pull-up makes a floating pin high."""
        level = self.status(mode, usb)
        return level == "high" or (level == "floating" and self.pull_up)


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
    pre = charger.precharge
    return ChargerModel(
        constant_current_a=constant,
        float_v=charger.float_.value,
        finish_a=None if charger.finish is None else charger.finish.value * constant,
        below_v=None if pre is None else pre.below.value,
        precharge_a=None if pre is None else pre.rate.value * constant,
        recharge_v=None if charger.recharge is None else charger.recharge.value,
        status_style=charger.status,
        pull_up=gadget.controller is not None and gadget.controller.pull_up is not None,
    )
