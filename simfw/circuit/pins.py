"""The controller's input pins in every power state: levels, limits, clamps, leaks.

A pin is one node with a few resistors to known voltages, so its voltage is their mean weighted by
conductance. Where it leaves the range between ground and supply the pin's protection diodes carry
what the resistors deliver; with the controller off its supply is 0 V, and what the upper diode
carries then powers it from behind.

`check_pins` looks at every pin in every combination of controller state, USB, what the source
does and every corner of supply, resistors, source voltage and pin leakage.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from simfw.circuit.charger import charger_model
from simfw.circuit.circuit import ChargerMode, Circuit
from simfw.circuit.regulator import Regulator
from simfw.quantity import format_percent

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget, Pin, PinLimits
    from simfw.quantity import Figure

__all__ = ["Finding", "OutputRow", "PinReport", "PinRow", "check_pins"]

Power = Literal["running", "asleep", "off"]
Level = Literal["low", "high", "undefined", "floating", "analog"]

_RUNNING: tuple[Power, ...] = ("running", "asleep", "off")
_YEAR_S = 8766.0 * 3600.0
_STIFF_OHM = 1e-3
_WORTH_NOTING = 0.02  # of the capacity in a year: as much as self-discharge takes in a month


@dataclass(frozen=True, slots=True)
class Finding:
    """Something to look at. A `fault` breaks a limit; a note costs or leaves open."""

    fault: bool
    pin: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PinRow:
    """One pin in one state of the gadget, over all corners.

    `source` says what the source does. `low_v` .. `high_v` is the pin's voltage with its diodes
    carrying, `free_low_v` .. `free_high_v` what it would be without them. `levels` holds every
    level that the controller may read in some corner. `injected_a` is the greatest current through
    a protection diode (A; infinite where nothing in the file limits it: a source without a series
    resistor), `back_powers` whether it feeds a controller that is off, `cell_a` the
    most that the resistors draw from the cell (A).
    """

    pin: str
    power: Power
    usb: bool
    source: str
    low_v: float
    high_v: float
    free_low_v: float
    free_high_v: float
    levels: tuple[Level, ...]
    injected_a: float
    back_powers: bool
    cell_a: float


@dataclass(frozen=True, slots=True, kw_only=True)
class OutputRow:
    """A pin that feeds a light or a base: the most it carries (A), and what it may."""

    name: str
    current_a: float
    limit_a: float | None


@dataclass(frozen=True, slots=True)
class PinReport:
    """All rows, outputs and findings."""

    rows: tuple[PinRow, ...]
    outputs: tuple[OutputRow, ...]
    findings: tuple[Finding, ...]

    @property
    def faults(self) -> tuple[Finding, ...]:
        """The findings that break a limit."""
        return tuple(finding for finding in self.findings if finding.fault)


@dataclass(frozen=True, slots=True)
class _Situation:
    """What a source does: its voltage's corners (V), the supply itself, or neither while open.

    `at_cell`: the cell, which is the supply where no regulator stands between. `held` is the button
    that a hand holds closed in it, or the toggle that is put there. `brief`: it lasts for a moment.
    """

    name: str
    usb: bool
    wanted: Literal["low", "high", "any"]
    volts: tuple[float, ...] = ()
    at_supply: bool = False
    at_cell: bool = False
    held: str | None = None
    brief: bool = False


def check_pins(gadget: Gadget) -> PinReport:
    """Check every pin of the file, and every output pin that feeds a light, at every corner."""
    rows: list[PinRow] = []
    findings: list[Finding] = []
    held: dict[str, float] = {}
    for name, pin in gadget.pins.items():
        for power in _RUNNING:
            for situation in _situations(gadget, pin):
                if power == "off" and situation.usb and _keeps_on(gadget):
                    continue
                row = _row(gadget, name, pin, power, situation)
                rows.append(row)
                findings += _judge(gadget, row, situation)
                if situation.held is not None and power == "asleep":
                    held[situation.held] = row.cell_a
    outputs = tuple(_outputs(gadget))
    for output in outputs:
        if output.limit_a is not None and output.current_a > output.limit_a:
            text = f"carries {_ma(output.current_a)}, more than {_ma(output.limit_a)}"
            findings.append(Finding(True, output.name, text))
    findings += _sums(gadget, rows)
    findings += _held(gadget, held)
    findings += _missing(gadget)
    return PinReport(tuple(rows), outputs, tuple(dict.fromkeys(findings)))


# --- what the sources do


def _situations(gadget: Gadget, pin: Pin) -> Iterator[_Situation]:
    kind, _, part = pin.source.partition(".")
    usb = _usb_corners(gadget)
    if pin.source == "usb":
        yield _Situation("USB in", True, "high", volts=usb)
        # An unplugged input is pulled to ground by whatever is connected to it, but not stiffly.
        yield _Situation("USB out", False, "low")
    elif pin.source == "charger.status":
        yield from _status_situations(gadget, usb)
    elif kind in ("button", "toggle"):
        on, off = ("pressed", "released") if kind == "button" else ("on", "off")
        # A pin that only has a resistor to ground waits for a contact to the supply.
        to_supply = pin.to_ground is not None and pin.to_supply is None and not pin.pull_up
        if to_supply:
            yield _Situation(f"{part} {on}", False, "high", at_supply=True, held=part)
            yield _Situation(f"{part} {off}", False, "low")
        else:
            yield _Situation(f"{part} {on}", False, "low", volts=(0.0,), held=part)
            yield _Situation(f"{part} {off}", False, "high")
    elif kind == "receiver":
        yield _Situation(f"{part} answers", False, "low", volts=(0.0,), brief=True)
        yield _Situation(f"{part} silent", False, "high", at_supply=True)
    else:
        yield _Situation("cell", False, "any", at_cell=True)
        if gadget.power_path:
            yield _Situation("cell, USB in", True, "any", at_cell=True)


def _status_situations(gadget: Gadget, usb: tuple[float, ...]) -> Iterator[_Situation]:
    charger = charger_model(gadget)
    if charger is None:
        return
    charging: Literal["low", "high"] = "high" if charger.status("fast", True) == "high" else "low"
    # Told apart are charging and not charging; a floating pin has to read as the other.
    resting: Literal["low", "high"] = "low" if charging == "high" else "high"
    modes: tuple[tuple[ChargerMode, str], ...] = (
        ("fast", "charging"), ("complete", "complete"), ("off", "USB out")
    )
    for mode, said in modes:
        plugged = mode != "off"
        level = charger.status(mode, plugged)
        volts = {"low": (0.0,), "high": usb, "floating": ()}[level]
        wanted = charging if mode == "fast" else resting
        yield _Situation(f"status {level} ({said})", plugged, wanted, volts=volts)


def _keeps_on(gadget: Gadget) -> bool:
    """Whether the controller is never off while USB is in: a power path feeds it past the cell."""
    return gadget.power_path and not gadget.lets_go and not any(
        toggle.in_supply for toggle in gadget.toggles.values())


def _supplies(gadget: Gadget, power: Power, usb: bool) -> tuple[tuple[float, float], ...]:
    """Lowest and highest (supply, cell) in V: between cut-off and full; 0 V when off.

    With USB in, a power path feeds the controller from the input; what its resistance and limit
    leave of that is not told here.
    """
    if power == "off":
        return ((0.0, 0.0),)
    cells = _cell_corners(gadget)
    path = usb and gadget.power_path
    feeding = cells
    if path:
        corners_v = _usb_corners(gadget)
        feeding = (corners_v[0], corners_v[-1])
    written = None if gadget.controller is None else gadget.controller.regulator
    supplies = feeding
    if written is not None:
        regulator = Regulator.of(gadget.controller)
        supplies = (replace(regulator, output_v=written.output.low).supply_v(feeding[0]),
                    replace(regulator, output_v=written.output.high).supply_v(feeding[1]))
    if path:  # the cell is where it is, whatever USB gives
        return tuple(itertools.product(supplies, cells))
    return tuple(zip(supplies, cells, strict=True))


def _cell_corners(gadget: Gadget) -> tuple[float, float]:
    """Lowest and highest voltage (V) of the cell that a gadget runs on."""
    circuit = Circuit(gadget)
    curve = circuit.open_circuit_v([0.0, 1.0])
    low = float(curve[0]) if gadget.cell.cut_off is None else gadget.cell.cut_off.low
    high = float(curve[1])
    if gadget.charger is not None:
        high = max(high, gadget.charger.float_.high)
    return (low, high)


def _usb_corners(gadget: Gadget) -> tuple[float, ...]:
    """USB voltage at the charger: as the file says, else the span of the standard."""
    supply = None if gadget.charger is None else gadget.charger.input
    if supply is not None:
        return _ends(supply.voltage)
    # USB 2.0: 4.4 V at a low-power device's end up to 5.25 V at the port.
    return (4.4, 5.25)


# --- one pin in one situation


def _row(gadget: Gadget, name: str, pin: Pin, power: Power, situation: _Situation) -> PinRow:
    controller = gadget.controller
    limits = None if controller is None else controller.limits
    pull_up = controller.pull_up if controller is not None and pin.pull_up else None
    leak = 0.0 if limits is None or limits.leakage is None else limits.leakage.high
    clamped: list[float] = []
    free: list[float] = []
    levels: list[Level] = []
    injected = cell_a = 0.0
    over = False
    for (supply, cell), ohms, source_v, leakage in itertools.product(
        _supplies(gadget, power, situation.usb),
        itertools.product(
            *(_ends_or_none(part) for part in (pin.series, pin.to_ground, pin.to_supply, pull_up))
        ),
        situation.volts or (None,),
        (-leak, leak),
    ):
        source = supply if situation.at_supply else cell if situation.at_cell else source_v
        node = _node(ohms, supply, source, leakage, power)
        if not node.paths:
            levels.append("floating")
            continue
        free.append(node.free_v)
        volts, current = node.clamped(supply, limits)
        clamped.append(volts)
        if current > injected:
            injected, over = current, volts > supply
        levels.append(_level(pin, volts, supply, limits))
        from_cell = situation.at_supply or situation.at_cell
        cell_a = max(cell_a, node.from_supply(volts, source if from_cell else None))
    nothing = [0.0]
    return PinRow(
        pin=name,
        power=power,
        usb=situation.usb,
        source=situation.name,
        low_v=min(clamped or nothing),
        high_v=max(clamped or nothing),
        free_low_v=min(free or nothing),
        free_high_v=max(free or nothing),
        levels=tuple(dict.fromkeys(levels)),
        injected_a=injected,
        back_powers=power == "off" and over,
        cell_a=cell_a,
    )


@dataclass(frozen=True, slots=True)
class _Node:
    """Resistances to voltages, (V, ohm, whether it comes from the supply), and the input's draw."""

    paths: tuple[tuple[float, float, bool], ...]
    leakage_a: float
    stiff: bool  # a source without a resistor: what it can give is not known

    @property
    def free_v(self) -> float:
        """The node's voltage without protection diodes."""
        conductance = sum(1.0 / ohm for _, ohm, _ in self.paths)
        return (sum(v / ohm for v, ohm, _ in self.paths) - self.leakage_a) / conductance

    def into(self, volts: float) -> float:
        """What the resistances deliver (A) into the node held at `volts` (V)."""
        return sum((v - volts) / ohm for v, ohm, _ in self.paths)

    def from_supply(self, volts: float, source_v: float | None) -> float:
        """What flows (A) from the supply, so from the cell, into the node held at `volts` (V).

        With `source_v` (V) the source at that voltage is fed by the cell too.
        """
        return sum(
            max(v - volts, 0.0) / ohm
            for v, ohm, own in self.paths
            if own or (source_v is not None and v == source_v)
        )

    def clamped(self, supply_v: float, limits: PinLimits | None) -> tuple[float, float]:
        """The node's voltage with the diodes, and what a diode carries (A, or infinite)."""
        if limits is None:
            return self.free_v, 0.0
        top = _first(limits.clamp, limits.above)
        bottom = _first(limits.clamp, limits.below)
        over = top is not None and self.free_v > supply_v + top
        under = bottom is not None and self.free_v < -bottom
        if self.stiff and (over or under):
            # A diode does not hold such a source: the pin goes where the source goes.
            return self.free_v, math.inf
        if top is not None and over:
            return supply_v + top, self.into(supply_v + top)
        if bottom is not None and under:
            return -bottom, -self.into(-bottom)
        return self.free_v, 0.0


def _node(
    ohms: tuple[float | None, ...],
    supply_v: float,
    source_v: float | None,
    leakage_a: float,
    power: Power,
) -> _Node:
    """The node of a pin from its resistances: series, to ground, to supply, own pull-up."""
    series, ground, external, internal = ohms
    paths = []
    if ground is not None:
        paths.append((0.0, ground, False))
    if external is not None:
        paths.append((supply_v, external, True))
    if internal is not None and power != "off":
        paths.append((supply_v, internal, True))
    if source_v is not None:
        # A source without a resistor is as stiff as it can be.
        paths.append((source_v, series or _STIFF_OHM, False))
    return _Node(tuple(paths), leakage_a, stiff=source_v is not None and not series)


def _level(pin: Pin, volts: float, supply_v: float, limits: PinLimits | None) -> Level:
    if pin.analog or supply_v <= 0.0:
        return "analog"
    if limits is None or limits.input_low is None or limits.input_high is None:
        return "undefined"
    if volts <= limits.input_low.low * supply_v:
        return "low"
    if volts >= limits.input_high.high * supply_v:
        return "high"
    return "undefined"


# --- judgement


def _judge(gadget: Gadget, row: PinRow, situation: _Situation) -> Iterator[Finding]:
    controller = gadget.controller
    limits = None if controller is None else controller.limits
    where = f"{row.power}, {row.source}"
    pin = gadget.pins[row.pin]
    if row.power != "off" and not pin.analog:
        if "floating" in row.levels:
            yield Finding(True, row.pin, f"{where}: nothing holds the pin, it floats")
        elif limits is not None and limits.input_low is not None and limits.input_high is not None:
            wrong = [level for level in row.levels if level != situation.wanted]
            if situation.wanted != "any" and wrong:
                text = f"{where}: reads {' or '.join(wrong)} in some corner, not {situation.wanted}"
                yield Finding(True, row.pin, f"{text} ({row.low_v:.2f} V .. {row.high_v:.2f} V)")
    if limits is None:
        return
    supply = _supplies(gadget, row.power, row.usb)[-1][0]
    if row.injected_a > 0.0:
        allowed = limits.injection
        said = "no injection is allowed for" if allowed is None else f"limit {_ma(allowed.low)}"
        breaks = allowed is None or row.injected_a > allowed.low
        does = (
            "into a controller that is off" if row.back_powers else "through the protection diode"
        )
        if row.injected_a == math.inf:
            text = (
                f"{where}: {row.high_v:.2f} V stand at the pin without a series resistor; nothing "
                f"in the file limits what flows {does} ({said})"
            )
        else:
            text = f"{where}: feeds {_ma(row.injected_a)} {does} ({said})"
        yield Finding(breaks, row.pin, text)
    if limits.above is not None and row.high_v > supply + limits.above.high + 1e-9:
        yield Finding(
            True, row.pin,
            f"{where}: {row.high_v:.2f} V is above the absolute maximum, "
            f"{supply + limits.above.high:.2f} V",
        )
    if limits.below is not None and row.low_v < -limits.below.high - 1e-9:
        yield Finding(
            True, row.pin,
            f"{where}: {row.low_v:.2f} V is below the absolute maximum, "
            f"-{limits.below.high:.2f} V",
        )
    # A receiver answers while a hand is there, and no longer.
    always = (row.power == "asleep" and not situation.usb and situation.held is None
              and not situation.brief)
    if always and (share := _yearly(gadget, row.cell_a)) >= _WORTH_NOTING:
        yield Finding(
            False, row.pin,
            f"{where}: draws up to {row.cell_a * 1e6:.3g} µA from the cell all the time "
            f"({format_percent(share, 2)} of the capacity a year)",
        )


def _yearly(gadget: Gadget, current_a: float) -> float:
    """The share of the cell's capacity that a steady current takes in a year."""
    return current_a * _YEAR_S / gadget.cell.capacity.value


def _held(gadget: Gadget, held_a: Mapping[str, float]) -> Iterator[Finding]:
    """What held buttons draw: nothing for a hand, something for a key that sticks. Toggles stay
    where they are put. Each kind is told once.
    """
    for toggles, while_, if_ in ((False, "while it is held", ", if it sticks"),
                                 (True, "while it is on", "")):
        costly = {n: a for n, a in held_a.items()
                  if (n in gadget.toggles) == toggles and _yearly(gadget, a) >= _WORTH_NOTING}
        if costly:
            most = max(costly.values())
            yield Finding(
                False, " and ".join(costly),
                f"{'each ' if len(costly) > 1 else ''}draws up to {most * 1e6:.3g} µA {while_} "
                f"({format_percent(_yearly(gadget, most), 2)} of the capacity in a year{if_})",
            )


def _sums(gadget: Gadget, rows: list[PinRow]) -> Iterator[Finding]:
    """The sum of injected currents, which counts every pin's amount whatever its sign."""
    limits = None if gadget.controller is None else gadget.controller.limits
    if limits is None or limits.injection_sum is None:
        return
    for power in _RUNNING:
        worst = sum(
            max(
                (row.injected_a for row in rows if row.pin == name and row.power == power
                 and row.injected_a < math.inf),
                default=0.0,
            )
            for name in gadget.pins
        )
        if worst > limits.injection_sum.low:
            text = (
                f"{power}: all pins together inject up to {_ma(worst)} "
                f"(limit {_ma(limits.injection_sum.low)})"
            )
            yield Finding(True, "all pins", text)


def _outputs(gadget: Gadget) -> Iterator[OutputRow]:
    """Lights on a pin, and the bases of transistors."""
    limits = None if gadget.controller is None else gadget.controller.limits
    limit = None if limits is None or limits.pin_current is None else limits.pin_current.low
    circuit = Circuit(gadget)
    high = _cell_corners(gadget)[1]
    if gadget.power_path:
        high = max(high, *_usb_corners(gadget))
    for name, light in gadget.lights.items():
        if light.switch is not None and light.switch.kind in ("pin", "npn"):
            current = circuit.pin_current_a(name, high)
            yield OutputRow(name=f"lights.{name}", current_a=current, limit_a=limit)
    for name, sensor in gadget.proximity.items():
        switch = None if sensor.emitter is None else sensor.emitter.switch
        if switch is not None and switch.kind in ("pin", "npn"):
            current = circuit.pin_current_a(f"{name}.emitter", high)
            yield OutputRow(
                name=f"proximity.{name}.emitter", current_a=current, limit_a=limit
            )


def _missing(gadget: Gadget) -> Iterator[Finding]:
    """What the file does not say and the check would need."""
    if not gadget.pins:
        yield Finding(False, "pins", "the file describes no input pins ([pins.NAME])")
        return
    limits = None if gadget.controller is None else gadget.controller.limits
    if limits is None:
        yield Finding(False, "pins", "no [controller.limits]: levels and limits are not judged")
        return
    for word in ("input_low", "input_high", "above"):
        if getattr(limits, word) is None:
            yield Finding(False, "pins", f"controller.limits.{word} is not given: not judged")
    if limits.clamp is None and limits.above is None:
        yield Finding(False, "pins", "no clamp voltage is given: back-powering is not judged")


def _first(*figures: Figure | None) -> float | None:
    return next((figure.value for figure in figures if figure is not None), None)


def _ends(figure: Figure) -> tuple[float, ...]:
    return tuple(dict.fromkeys((figure.low, figure.high)))


def _ends_or_none(figure: Figure | None) -> tuple[float | None, ...]:
    return (None,) if figure is None else _ends(figure)


def _ma(amps: float) -> str:
    return f"{amps * 1e3:.3g} mA"
