"""The description of a gadget: frozen values, SI units, nothing that acts.

What stands on the board is in `board.py`: cell, charger, controller, lights and loads.

A `Gadget` is what a gadget file says and nothing more. Whatever is not written in the file is None
here (absent), with one exception: behaviour timings have documented defaults. Every electrical
number is a `Figure`, every time a `Timing`, so that range and standing go wherever the number goes.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from simfw.gadget.board import (
    Cell,
    Charger,
    ChargerHeat,
    ChargerInput,
    ChargerWindows,
    Controller,
    Driver,
    Light,
    Load,
    PinLimits,
    Precharge,
    Regulator,
    Switch,
)
from simfw.gadget.fields import (
    Amperes,
    Charge,
    DialValue,
    Emits,
    Events,
    ForwardPoint,
    GaugeLevel,
    Hertz,
    IntensityAt,
    InUnit,
    Irradiance,
    Level,
    Name,
    Names,
    Ohms,
    PlaneAngle,
    Ratio,
    SequencePoint,
    SequenceStep,
    SquareMetres,
    Time,
    Unit,
    default_time,
)
from simfw.gadget.part import Part
from simfw.quantity import Timing

__all__ = [
    "MOST_CLICKS",
    "MOST_POSITIONS",
    "Behaviour",
    "Bursts",
    "Button",
    "Cell",
    "Charger",
    "ChargerHeat",
    "ChargerInput",
    "ChargerWindows",
    "Chord",
    "Controller",
    "Dial",
    "DialRow",
    "Driver",
    "Emitter",
    "Gadget",
    "Gauge",
    "Head",
    "Light",
    "Load",
    "Measure",
    "Pin",
    "PinLimits",
    "Precharge",
    "Proximity",
    "Receiver",
    "Regulator",
    "Row",
    "Rule",
    "Sequence",
    "Switch",
    "Target",
    "Toggle",
]


MOST_CLICKS = 9
"""How many presses in a row a button may tell apart."""


MOST_POSITIONS = 64
"""How many positions a dial may have."""


class Head(Part):
    """`[gadget]`: what the thing is called and what it is."""

    name: Annotated[str, Field(min_length=1)]
    about: str = ""


class Button(Part):
    """`[buttons.NAME]`."""

    debounce: Time = default_time("20 ms")
    debounce_release: Time | None = None  # of the opening edge, where it differs
    hold: Time | None = None
    holds: dict[str, Time] = Field(default={})  # further lengths; each emits an event of its name
    repeat: Time | None = None
    double: Time | None = None
    clicks: Annotated[int, Field(ge=2, le=MOST_CLICKS)] | None = None  # with `double` as the window
    second_hold: Time | None = None
    style: Literal["settle", "first-edge", "sample"] = "settle"
    samples: Annotated[int, Field(ge=1, le=64)] = 4
    sample_every: Time = default_time("5 ms")

    @property
    def unused(self) -> tuple[str, ...]:
        """The keys that no row of its style uses."""
        if self.style == "sample":
            return ("debounce", "debounce_release")
        return ("samples", "sample_every")

    def settles_ns(self, *, closing: bool) -> int:
        """How long after its edge a change of the contact counts, at most."""
        if self.style == "sample":
            return self.samples * self.sample_every.ns
        return 0 if self.style == "first-edge" else self.quiet_ns(closing=closing)

    def quiet_ns(self, *, closing: bool) -> int:
        """How long a contact must keep still after an edge to have no say in what follows."""
        if self.style == "sample":
            return self.samples * self.sample_every.ns
        release = self.debounce_release
        return (self.debounce if closing or release is None else release).ns

    @property
    def settling_ns(self) -> int:
        """How long a contact must keep still, or be read alike, to count; the longer of the two."""
        return max(self.settles_ns(closing=True), self.settles_ns(closing=False))

    @property
    def busy_ns(self) -> int:
        """How long after an edge the contact is kept an eye on, at most."""
        return max(self.quiet_ns(closing=True), self.quiet_ns(closing=False))

    @property
    def again_ns(self) -> int:
        """The least time from a settled release to the next settled press."""
        return self.quiet_ns(closing=self.style != "first-edge")

    @property
    def most_clicks(self) -> int:
        """How many presses in a row are told apart."""
        return 1 if self.double is None else 2 if self.clicks is None else self.clicks

    @property
    def double_ns(self) -> int:
        """How long after a release another press may still follow; 0 where none is waited for."""
        return 0 if self.double is None else self.double.ns

    @property
    def hold_lengths(self) -> tuple[tuple[str, Timing], ...]:
        """Every hold with the name of its event, the shortest first."""
        found = [*([] if self.hold is None else [("hold", self.hold)]), *self.holds.items()]
        return tuple(sorted(found, key=lambda one: one[1].ns))

    def hold_key(self, name: str, event: str) -> str:
        """The key in the file of one of `hold_lengths` of the button `name`."""
        inside = "hold" if event not in self.holds else f"holds.{event}"
        return f"buttons.{name}.{inside}"


class Toggle(Part):
    """`[toggles.NAME]`: a contact with two positions, on where it is closed.

    `supply` is the current of a contact that needs one (a Hall part). One that is `in_supply` sits
    behind the cell, its protection and the charger and cuts the rest off: the firmware does not
    read it. `starts` is the position before anything is known.
    """

    debounce: Time = default_time("20 ms")
    supply: Amperes | None = None
    in_supply: bool = False
    starts: Literal["on", "off"] = "off"

    @property
    def unused(self) -> tuple[str, ...]:
        """The keys that say nothing of such a contact."""
        return ("debounce", "supply", "starts") if self.in_supply else ()


class Chord(Part):
    """`[chords] NAME = { buttons = [...], within = ... }`."""

    buttons: Annotated[tuple[Name, ...], Field(min_length=2)]
    within: Time = default_time("60 ms")


class Bursts(Part):
    """What bursts the receiver's gain control takes (carrier cycles; `most` per second).

    A burst has at least `shortest` cycles. Up to `short` cycles it needs a gap of `gap` cycles
    after it, a longer one a gap of `long_gap` times its own length.
    """

    shortest: Annotated[int, Field(ge=1)]
    short: Annotated[int, Field(ge=1)]
    gap: Annotated[int, Field(ge=0)]
    long_gap: Annotated[float, Field(ge=0)]
    most: Annotated[float, Field(gt=0)] | None = None


class Receiver(Part):
    """The infra-red receiver: supply current while on, and irradiance it needs to answer.

    `threshold_in_light` is what it needs in bright ambient light. `gain_control` is a published
    kind ("AGC2", "AGC4"), `bursts` the same in figures.
    """

    supply: Amperes | None = None
    threshold: Irradiance | None = None
    threshold_in_light: Irradiance | None = None
    gain_control: Literal["AGC2", "AGC4"] | None = None
    bursts: Bursts | None = None


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


class Measure(Part):
    """`[measures.NAME]`: something outside that is measured every now and then.

    `thresholds[k]`, in `unit`, is where it no longer counts as passed; it counts again `hysteresis`
    above that. `supply` flows from the start of a measurement until it is judged, `settle` later.
    `starts` is how many count as passed before anything is known; with `source` the value is that
    of another input.
    """

    unit: Unit  # first: it says what the levels are
    thresholds: Annotated[tuple[InUnit, ...], Field(max_length=16)] = ()
    hysteresis: InUnit | None = None
    every: Time = default_time("1 s")
    settle: Time = default_time("0 s")
    supply: Amperes | None = None
    enabled: str | None = None
    agree: Annotated[int, Field(ge=1, le=16)] = 1
    starts: Annotated[int, Field(ge=0)] = 0
    source: Literal["temperature"] | None = None

    @property
    def gap(self) -> float:
        """The hysteresis in `unit`; 0 where there is none."""
        return 0.0 if self.hysteresis is None else self.hysteresis.value


class Gauge(Part):
    """`[gauge]`. `thresholds[k]` is where bar k+1 goes out; it returns `hysteresis` above that.

    With the method "voltage" they are volts as measured, with "counting" shares of `capacity`, the
    charge that the firmware takes for a full cell; `power_up` is the count it begins with. Samples
    are taken while `sample` holds, the first at once.
    """

    light: Name | None = None
    method: Literal["voltage", "counting"] = "voltage"  # first: it says what the levels are
    # The rows of the gauge grow with the square of the number of its bars.
    thresholds: Annotated[tuple[GaugeLevel, ...], Field(max_length=64)] = ()
    hysteresis: GaugeLevel | None = None
    low: GaugeLevel | None = None
    flat: GaugeLevel | None = None
    capacity: Charge | None = None
    power_up: Ratio | None = None
    every: Time = default_time("1 s")
    sample: str | None = None
    show: str | None = None
    blink: Time | None = None  # while charging the top bar toggles with this half period

    @property
    def gap(self) -> float:
        """The hysteresis, V or a share as the levels are; 0 where there is none."""
        return 0.0 if self.hysteresis is None else self.hysteresis.value


class Pin(Part):
    """`[pins.NAME]`: an input of the controller and what it is connected to.

    `source` is "usb", "cell", "charger.status", "button.NAME", "toggle.NAME" or "receiver.NAME";
    `series` stands
    between source and pin, `to_ground` and `to_supply` at the pin; `pull_up` uses the controller's
    own. `analog` inputs have no logic level.
    """

    source: str
    series: Ohms | None = None
    to_ground: Ohms | None = None
    to_supply: Ohms | None = None
    pull_up: bool = False
    analog: bool = False


class Sequence(Part):
    """`[sequences.NAME]`: how a light goes on and off in time, by `steps` or by `points`.

    `points` are joined by straight lines, along which the level changes in steps of `every`; the
    time of the last is the period. `times` is how often it goes round (None: for ever).
    """

    steps: tuple[SequenceStep, ...] = ()
    points: tuple[SequencePoint, ...] = ()
    every: Time | None = None
    times: Annotated[int | None, Field(ge=1)] = None


class Row(Part):
    """One row of a region, or one for each event of `on`.

    `on`, `from_` and `emit` are tuples once loaded; `on` is empty in a row that has a dwell, and
    `from_` may hold `"*"`.
    """

    on: Events = ()
    after: Time | None = None
    from_: Annotated[Names, Field(alias="from")]
    to: str
    when: str | None = None
    emit: Emits = ()
    note: str = ""


class DialRow(Part):
    """One row of a dial, or one for each event of `on`: by how much it moves, or where to."""

    on: Events
    step: int | None = None
    to: int | None = None
    wrap: bool = False
    when: str | None = None
    note: str = ""


class Dial(Part):
    """`[dials.NAME]`: a value that is counted up and down.

    Its positions are `values`, or `count` of them from `from` to `to`: with `spacing` "ratio" each
    is as many times the one before it. `starts` is the position at power-up, counted from 0.
    """

    values: Annotated[tuple[DialValue, ...], Field(max_length=MOST_POSITIONS)] = ()
    count: Annotated[int, Field(ge=2, le=MOST_POSITIONS)] | None = None
    from_: Annotated[DialValue | None, Field(alias="from")] = None
    to: DialValue | None = None
    spacing: Literal["even", "ratio"] = "even"
    starts: Annotated[int, Field(ge=0)] = 0
    kept: bool = False  # over a power loss
    rows: tuple[DialRow, ...] = ()

    @property
    def levels(self) -> tuple[Level, ...]:
        """The value of each position, parts per million where they are counted from ends."""
        if self.values or self.count is None or self.from_ is None or self.to is None:
            return self.values
        first, last, most = self.from_.duty, self.to.duty, self.count - 1
        if self.spacing == "ratio" and first > 0:
            shares = [first * (last / first) ** (place / most) for place in range(self.count)]
        else:
            shares = [first + (last - first) * place / most for place in range(self.count)]
        return tuple(Level(duty=share, text=f"{round(100 * share, 4):g} %")
                     for share in (round(share, 6) for share in shares))

    @property
    def counts_segments(self) -> bool:
        """Whether its values are numbers of segments."""
        return bool(self.values) and self.values[0].segments is not None


class Behaviour(Part):
    """`[behaviour.NAME]`: a region. `states[name]` maps a light or load to its level there.

    A level is `Level`: "on", "off", a percentage, a whole number of segments or a dial. The key
    `controller` may stand in a state with the value "awake" or "asleep".
    """

    starts: str
    resume_points: tuple[str, ...] = ()
    kept: Literal["state", "resume"] | None = None  # over a power loss
    states: dict[str, dict[str, Level]]
    rows: tuple[Row, ...] = ()


class Rule(Part):
    """`[[rules]]`: exactly one of `never`, `always`, `when`+`then`+`within`, `stays`+`for`."""

    name: Annotated[str, Field(min_length=1)]
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
    lights_: dict[str, Light] = Field(default={}, alias="lights")
    loads: dict[str, Load] = Field(default={})
    buttons: dict[str, Button] = Field(default={})
    chords: dict[str, Chord] = Field(default={})
    toggles: dict[str, Toggle] = Field(default={})
    proximity: dict[str, Proximity] = Field(default={})
    measures: dict[str, Measure] = Field(default={})
    gauge: Gauge | None = None
    dials: dict[str, Dial] = Field(default={})
    pins: dict[str, Pin] = Field(default={})
    sequences: dict[str, Sequence] = Field(default={})
    behaviour: dict[str, Behaviour] = Field(default={})
    rules: tuple[Rule, ...] = ()
    readings: dict[str, Amperes] = Field(default={})
    file: Annotated[str, Field(exclude=True)] = ""
    digest: Annotated[str, Field(exclude=True)] = ""  # SHA-256 of the file's bytes, hex
    # (charge 0..1, volts) of the curve file that `cell.curve` names; empty for a built-in curve
    curve_points: Annotated[tuple[tuple[float, float], ...], Field(exclude=True)] = ()

    @property
    def lights(self) -> dict[str, Light]:
        """The lights that the firmware drives, on the cell."""
        if all(light.fed_by is None for light in self.lights_.values()):
            return self.lights_
        return {name: light for name, light in self.lights_.items() if light.fed_by is None}

    @property
    def fed_lights(self) -> dict[str, Light]:
        """The lights that USB or the charger lights."""
        return {name: light for name, light in self.lights_.items() if light.fed_by is not None}

    @property
    def power_path(self) -> bool:
        """Whether the input feeds the loads past the cell while USB is in."""
        return self.charger is not None and self.charger.power_path

    @property
    def unpowered(self) -> tuple[tuple[str, str], ...]:
        """The states that let go of the controller's supply, each behind its region."""
        return tuple((name, state) for name, region in self.behaviour.items()
                     for state, levels in region.states.items()
                     if "controller" in levels and levels["controller"].unpowered)

    @property
    def lets_go(self) -> bool:
        """Whether a state lets go of the controller's supply."""
        return bool(self.unpowered)

    @property
    def segments(self) -> dict[str, int]:
        """How many segments each segmented light has."""
        return {name: light.leds for name, light in self.lights.items() if light.segments}

    @property
    def read_toggles(self) -> dict[str, Toggle]:
        """The toggles that the firmware reads."""
        return {name: one for name, one in self.toggles.items() if not one.in_supply}

    @property
    def status_pulled_up(self) -> bool:
        """Whether a status pin that the charger lets go of reads high.

        By the controller's own pull-up, or by a resistor to the supply at the pin.
        """
        own = self.controller is not None and self.controller.pull_up is not None
        return own or any(
            pin.source == "charger.status" and pin.to_supply is not None
            for pin in self.pins.values()
        )
