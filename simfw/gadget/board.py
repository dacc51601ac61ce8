"""What stands on the board: cell, charger, controller, lights and loads, as the file says it."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from simfw.gadget.fields import (
    Amperes,
    Celsius,
    Charge,
    Cycles,
    ForwardPoint,
    Hertz,
    KelvinPerWatt,
    Names,
    Ohms,
    OhmsAtCharge,
    OhmsAtTemperature,
    PerMonth,
    Ratio,
    Time,
    Volts,
    VoltsOrShare,
    shares_to_volts,
)
from simfw.gadget.part import Part

__all__ = [
    "Cell",
    "Charger",
    "ChargerHeat",
    "ChargerInput",
    "ChargerWindows",
    "Controller",
    "Driver",
    "Light",
    "Load",
    "PinLimits",
    "Precharge",
    "Regulator",
    "Switch",
]


class Cell(Part):
    """`[cell]`. `curve` is the name of a built-in open-circuit curve or the path of a CSV file.

    `curve`, `capacity`, the resistances and `self_discharge` are of one cell, of which there are
    `series` equal ones in series; every other voltage of a gadget is that of all together.
    """

    curve: str
    series: Annotated[int, Field(ge=1, le=24)] = 1
    capacity: Charge
    resistance: Ohms | None = None
    cut_off: Volts | None = None
    restart: Volts | None = None
    leakage: Amperes | None = None
    self_discharge: PerMonth | None = None
    resistance_at_charge: tuple[OhmsAtCharge, ...] = ()  # linear between, flat outside
    resistance_at_temperature: tuple[OhmsAtTemperature, ...] = ()  # scales it, 25 degC = 1


class Precharge(Part):
    """`[charger] precharge`: `rate` (of the constant current) while the cell is below `below`.

    The charger goes back to it `hysteresis` below `below`, at `below` itself without.
    """

    below: VoltsOrShare
    rate: Ratio
    hysteresis: Volts | None = None


class ChargerInput(Part):
    """`[charger.input]`: the supply of the charger and what it may take from it.

    `limit` is the most current; `hold` the input voltage (set by a divider at the charger) below
    which the charger eases off, `resistance` that of source and cable in front of it. The charger
    starts at `start` and `start_above_cell` over the cell, and stops below `stop` and
    `stop_above_cell`.
    """

    voltage: Volts
    resistance: Ohms | None = None
    limit: Amperes | None = None
    hold: Volts | None = None
    start: Volts | None = None
    stop: Volts | None = None
    start_above_cell: Volts | None = None
    stop_above_cell: Volts | None = None


class ChargerHeat(Part):
    """`[charger.heat]`: junction to ambient `resistance` and the junction `limit` it keeps."""

    resistance: KelvinPerWatt
    limit: Celsius


class ChargerWindows(Part):
    """`[charger.windows]`: cell temperatures between which it charges, and how.

    Below `cold` and above `hot` not at all; below `cool` with `cool_rate` of the current; above
    `warm` to `warm_float`.
    """

    cold: Celsius
    hot: Celsius
    cool: Celsius | None = None
    cool_rate: Ratio | None = None
    warm: Celsius | None = None
    warm_float: Volts | None = None


class Charger(Part):
    """`[charger]`. The constant current is `gain / program`, or `current` where that is written.

    `precharge.below` and `recharge` may be written as a share of `float` ("66.5 %"); they are
    volts once loaded. With `power_path` the input feeds the loads, and charges with the rest.
    """

    program: Ohms | None = None
    program_open: Ohms | None = None  # from this value of `program` on it is shut down
    gain: Volts | None = None
    current: Amperes | None = None
    float_: Annotated[Volts, Field(alias="float")]
    finish: Ratio | None = None
    precharge: Precharge | None = None
    recharge: VoltsOrShare | None = None
    status: Literal[
        "low while charging", "high while charging", "low while charging, high when complete"
    ] | None = None
    input: ChargerInput | None = None
    pass_resistance: Ohms | None = None
    power_path: bool = False
    heat: ChargerHeat | None = None
    windows: ChargerWindows | None = None

    @model_validator(mode="before")
    @classmethod
    def _shares_of_float(cls, data: object) -> object:
        return shares_to_volts(data)


class PinLimits(Part):
    """`[controller.limits]`: what the controller's pins understand and bear.

    `input_low` (highest low) and `input_high` (lowest high) are shares of the supply. `above` and
    `below` say how far a pin may go beyond supply and ground; `clamp` is where its protection
    diodes carry (same as `above` and `below` where absent); `injection` what these may carry;
    `leakage` what an input may draw or give; `pin_current` what an output may carry.
    """

    input_low: Ratio | None = None
    input_high: Ratio | None = None
    above: Volts | None = None
    below: Volts | None = None
    clamp: Volts | None = None
    injection: Amperes | None = None
    injection_sum: Amperes | None = None
    leakage: Amperes | None = None
    pin_current: Amperes | None = None


class Regulator(Part):
    """`[controller.regulator]`: a linear regulator between the cell and the controller.

    It feeds the controller, its pins and its reference with `output`, or with `drop` less than the
    cell has where that is lower; `quiescent` is its own current.
    """

    output: Volts
    drop: Volts | None = None
    quiescent: Amperes | None = None


class Controller(Part):
    """`[controller]`: supply current, the charge each wake-up costs, and how it measures.

    `step` is how many cycles of its clock of `frequency` an instant takes; see `circuit.wake`.
    `powered_by` names the contacts, or USB, that keep it supplied while the firmware does not, and
    bring the supply back; it goes `hold_up` after the last of them.
    """

    awake: Amperes | None = None
    asleep: Amperes | None = None
    wake: Charge | None = None
    step: Cycles | None = None
    frequency: Hertz | None = None
    reference: Volts | None = None
    adc_bits: Annotated[int, Field(ge=1, le=24)] | None = None
    pull_up: Ohms | None = None
    powered_by: Names = ()
    hold_up: Time | None = None
    clock: Ratio | None = None  # how far the clock may be off either way, for the specification
    limits: PinLimits | None = None
    regulator: Regulator | None = None


class Switch(Part):
    """What connects a light or emitter: a controller `pin`, or an `nmos`, `pmos` or `npn`."""

    kind: Literal["pin", "nmos", "pmos", "npn"]
    resistance: Ohms | None = None  # pin
    on_resistance: Ohms | None = None  # nmos, pmos
    base: Ohms | None = None  # npn
    gain: float | None = None  # npn, forward current gain
    reverse_gain: float | None = None  # npn
    saturation_current: Amperes | None = None  # npn, transport saturation current
    saturation: Volts | None = None  # npn, an explicit constant collector-emitter voltage
    storage: Time | None = None  # npn, how long it stays on after its base is switched off


class Driver(Part):
    """`driver` of a light: a sink of constant `current`.

    It needs `drop` across itself; below that it is the resistance `drop` / `current`. `quiescent`
    is its own supply current, which flows while the light has a level above 0, whatever the duty.
    """

    kind: Literal["sink"]
    current: Amperes
    drop: Volts | None = None
    quiescent: Amperes | None = None


class Light(Part):
    """`[lights.NAME]`: one LED channel, with a `resistor` or a `driver`.

    Either is one per LED unless `shared`; the driver's `quiescent` is that of all of them. One that
    is `fed_by` USB or the charger is lit by that, from its supply; the firmware has no part in it.
    """

    leds: Annotated[int, Field(ge=1, le=1000)] = 1
    segments: bool = False
    colour: str = ""
    forward: Annotated[tuple[ForwardPoint, ...], Field(min_length=2)]
    resistor: Ohms | None = None
    driver: Driver | None = None
    shared: bool = False
    switch: Switch | None = None
    fed_by: Literal["usb", "charger.status"] | None = None


class Load(Part):
    """`[loads.NAME]`: a plain constant current or a plain resistance that the firmware switches."""

    current: Amperes | None = None
    resistance: Ohms | None = None
