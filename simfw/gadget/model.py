"""The description of a gadget: frozen values, SI units, nothing that acts.

A `Gadget` is what a gadget file says and nothing more. Whatever is not written in the file is None
here (absent), with one exception: behaviour timings have documented defaults. Every electrical
number is a `Figure`, every time a `Timing`, so that range and standing go wherever the number goes.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from simfw.gadget.fields import (
    Amperes,
    Charge,
    Emits,
    ForwardPoint,
    Hertz,
    IntensityAt,
    Irradiance,
    Level,
    Name,
    Names,
    Ohms,
    PerMonth,
    PlaneAngle,
    Ratio,
    SquareMetres,
    Time,
    Volts,
    default_time,
)

__all__ = [
    "Behaviour",
    "Button",
    "Cell",
    "Charger",
    "Chord",
    "Controller",
    "Emitter",
    "Gadget",
    "Gauge",
    "Head",
    "Light",
    "Load",
    "Precharge",
    "Proximity",
    "Receiver",
    "Row",
    "Rule",
    "Switch",
    "Target",
]


class Part(BaseModel):
    """What all parts of a description have in common: frozen, strict, no unknown keys."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, populate_by_name=True,
                              arbitrary_types_allowed=True)

    @model_validator(mode="before")
    @classmethod
    def _tuples(cls, data: Any) -> Any:
        """Turn the lists of a file into tuples, which strict reading asks for."""
        if not isinstance(data, dict):
            return data
        return {key: tuple(v) if isinstance(v, list) else v for key, v in data.items()}


class Head(Part):
    """`[gadget]`: what the thing is called and what it is."""

    name: str
    about: str = ""


class Cell(Part):
    """`[cell]`. `curve` is the name of a built-in open-circuit curve or the path of a CSV file."""

    curve: str
    capacity: Charge
    resistance: Ohms | None = None
    cut_off: Volts | None = None
    restart: Volts | None = None
    leakage: Amperes | None = None
    self_discharge: PerMonth | None = None


class Precharge(Part):
    """`[charger] precharge`: `rate` (of the constant current) while the cell is below `below`."""

    below: Volts
    rate: Ratio


class Charger(Part):
    """`[charger]`. The constant current is `gain / program`, or `current` where that is written."""

    program: Ohms | None = None
    gain: Volts | None = None
    current: Amperes | None = None
    float_: Annotated[Volts, Field(alias="float")]
    finish: Ratio | None = None
    precharge: Precharge | None = None
    recharge: Volts | None = None
    status: Literal[
        "low while charging", "high while charging", "low while charging, high when complete"
    ] | None = None


class Controller(Part):
    """`[controller]`: supply current, the charge each wake-up costs, and how it measures."""

    awake: Amperes | None = None
    asleep: Amperes | None = None
    wake: Charge | None = None
    reference: Volts | None = None
    adc_bits: Annotated[int, Field(ge=1, le=24)] | None = None
    pull_up: Ohms | None = None


class Switch(Part):
    """What connects a light or emitter: a controller `pin`, an `nmos` or an `npn` transistor."""

    kind: Literal["pin", "nmos", "npn"]
    resistance: Ohms | None = None  # pin
    on_resistance: Ohms | None = None  # nmos
    base: Ohms | None = None  # npn
    gain: float | None = None  # npn, forward current gain
    reverse_gain: float | None = None  # npn
    saturation_current: Amperes | None = None  # npn, transport saturation current
    saturation: Volts | None = None  # npn, an explicit constant collector-emitter voltage


class Light(Part):
    """`[lights.NAME]`: one LED channel. `resistor` is one per LED unless `shared`."""

    leds: Annotated[int, Field(ge=1, le=1000)] = 1
    segments: bool = False
    colour: str = ""
    forward: Annotated[tuple[ForwardPoint, ...], Field(min_length=2)]
    resistor: Ohms
    shared: bool = False
    switch: Switch | None = None


class Load(Part):
    """`[loads.NAME]`: a plain constant current or a plain resistance that the firmware switches."""

    current: Amperes | None = None
    resistance: Ohms | None = None


class Button(Part):
    """`[buttons.NAME]`."""

    debounce: Time = default_time("20 ms")
    hold: Time | None = None
    double: Time | None = None
    style: Literal["settle", "sample"] = "settle"
    samples: Annotated[int, Field(ge=1, le=64)] = 4
    sample_every: Time = default_time("5 ms")


class Chord(Part):
    """`[chords] NAME = { buttons = [...], within = ... }`."""

    buttons: Annotated[tuple[Name, ...], Field(min_length=2)]
    within: Time = default_time("60 ms")


class Receiver(Part):
    """The infra-red receiver: supply current while on, and irradiance it needs to answer."""

    supply: Amperes | None = None
    threshold: Irradiance | None = None


class Emitter(Part):
    """The infra-red emitter with its resistor and switch."""

    forward: Annotated[tuple[ForwardPoint, ...], Field(min_length=2)]
    resistor: Ohms
    intensity: IntensityAt | None = None
    half_angle: PlaneAngle | None = None
    switch: Switch | None = None


class Target(Part):
    """The hand: what share it reflects, and its area."""

    reflectance: Ratio
    area: SquareMetres


class Proximity(Part):
    """`[proximity.NAME]`. `burst` counts carrier cycles."""

    enabled: str | None = None
    every: Time = default_time("125 ms")
    settle: Time = default_time("2 ms")
    agree: Annotated[int, Field(ge=1, le=64)] = 2
    clear: Time = default_time("600 ms")
    carrier: Hertz
    duty: Ratio
    burst: Annotated[int, Field(ge=1)]
    receiver: Receiver | None = None
    emitter: Emitter | None = None
    target: Target | None = None


class Gauge(Part):
    """`[gauge]`. `thresholds[k]` is where bar k+1 goes out; it returns `hysteresis` above that."""

    light: Name | None = None
    method: Literal["voltage", "counting"] = "voltage"
    thresholds: tuple[Volts, ...] = ()
    hysteresis: Volts | None = None
    low: Volts | None = None
    flat: Volts | None = None
    every: Time = default_time("1 s")
    show: str | None = None
    blink: Time | None = None  # while charging the top bar toggles with this half period


class Row(Part):
    """One row of a region. `from_` and `emit` are tuples once loaded; `from_` may hold `"*"`."""

    on: Name | None = None
    after: Time | None = None
    from_: Annotated[Names, Field(alias="from")]
    to: str
    when: str | None = None
    emit: Emits = ()
    note: str = ""


class Behaviour(Part):
    """`[behaviour.NAME]`: a region. `states[name]` maps a light or load to its level there.

    A level is `Level`: "on", "off", a percentage or a whole number of segments. The key
    `controller` may stand in a state with the value "awake" or "asleep".
    """

    starts: str
    resume_points: tuple[str, ...] = ()
    states: dict[str, dict[str, Level]]
    rows: tuple[Row, ...] = ()


class Rule(Part):
    """`[[rules]]`: exactly one of `never`, `always`, `when`+`then`+`within`, `stays`+`for`."""

    name: str
    never: str | None = None
    always: str | None = None
    when: str | None = None
    then: str | None = None
    within: Time | None = None
    stays: str | None = None
    for_: Annotated[Time | None, Field(alias="for")] = None


class Gadget(Part):
    """The whole gadget, as its file says. `file` and `folder` tell where it came from."""

    head: Annotated[Head, Field(alias="gadget")]
    cell: Cell
    charger: Charger | None = None
    controller: Controller | None = None
    lights: dict[str, Light] = {}
    loads: dict[str, Load] = {}
    buttons: dict[str, Button] = {}
    chords: dict[str, Chord] = {}
    proximity: dict[str, Proximity] = {}
    gauge: Gauge | None = None
    behaviour: dict[str, Behaviour] = {}
    rules: tuple[Rule, ...] = ()
    readings: dict[str, Amperes] = {}
    file: Annotated[str, Field(exclude=True)] = ""
    digest: Annotated[str, Field(exclude=True)] = ""  # SHA-256 of the file's bytes, hex
    # (charge 0..1, volts) of the curve file that `cell.curve` names; empty for a built-in curve
    curve_points: Annotated[tuple[tuple[float, float], ...], Field(exclude=True)] = ()
