"""The circuit of a gadget at a glance: lights, infra-red, charging, gauge, and what to beware of.

Everything is computed from the description alone, without running its behaviour: each light fully
on with the controller awake; for the gauge, asleep and between the least and the most that its
states can have on. What depends on the behaviour (how long the gadget lets a light shine) comes in.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from simfw.circuit.circuit import Circuit, LoadSet
from simfw.circuit.counting import CountingDrift, counting_drift
from simfw.circuit.endurance import (
    ChargeTime,
    LightRunTime,
    charge_at,
    charge_time,
    discharge,
    empty_charge,
    light_run_time,
)
from simfw.circuit.feeding import Feeding, feeding
from simfw.circuit.gauge import (
    GaugeBand,
    Suggestion,
    gauge_bands,
    gauge_loads,
    suggest_thresholds,
)
from simfw.circuit.infrared import (
    BurstVerdict,
    burst_rule,
    burst_verdict,
    catch_probability,
    certain_wave_s,
    echo_of,
    output_width_s,
    range_sensitivity,
)
from simfw.circuit.spread import LightSpread, light_spread
from simfw.quantity import format_percent

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from simfw.circuit.charger import ChargerMode
    from simfw.gadget.model import Gadget, Proximity

__all__ = [
    "ChargerFacts",
    "FedFacts",
    "LightFacts",
    "LoadFacts",
    "Note",
    "Overview",
    "SensorFacts",
    "light_on",
    "overview",
]

_ROUNDED = 1e-9  # of a chance: that much is rounding

# Excess of the emitter's average over carrier duty times on-current when a driven-hard npn carries
# 38 kHz: 10 % with 2.2 kohm from base to emitter, 13 % without, found in a circuit solver for a
# transistor with 240 ns storage time (see the accuracy page of the documentation).
NPN_EXCESS = 0.13


# A voltage by so much away from that of the cell is of another cell, or of one of several.
FAR = 1.08


@dataclass(frozen=True, slots=True)
class Note:
    """Something to know about a key of the file."""

    key: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LightFacts:
    """A light fully on, alone: supply current (A) at full charge and at the cut-off or empty.

    `full_v` and `low_v` are the terminal voltages there, `low_rest_v` is what the cell recovers to
    from the low end. `spread` is at the low end. `run_time` is that in the mode with the states
    `mode` and the dials of that mode in the positions `dials`, or with the light alone and the
    controller awake where `mode` is None.
    """

    name: str
    full_v: float
    full_a: float
    low_v: float
    low_a: float
    low_rest_v: float
    spread: LightSpread
    run_time: LightRunTime
    mode: Mapping[str, str] | None = None
    dials: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadFacts:
    """A load on, alone: what it takes (A) from a full cell, and at the cut-off or from an empty.

    `full_v`, `low_v`: terminal voltage then. `lasts_s`: from a full cell until `ended_by`
    ("protection", "empty"); None where it is "never".
    """

    name: str
    full_v: float
    full_a: float
    low_v: float
    low_a: float
    lasts_s: float | None
    ended_by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorFacts:
    """A proximity sensor.

    `emitter_full_a`, `emitter_low_a`: current while the carrier is on, at full charge and at the
    low end. `range_full_m`, `range_low_m`: None where it cannot be told; `range_light_m` in bright
    light at full charge. `range_power`: by which power of the emitter current the range grows.
    `output_width_s`: shortest and longest output of the receiver for one burst. `verdict`: by the
    receiver's gain control. `wave_s`, `caught`: a wave of that length is seen with that
    probability; `certain_wave_s`: the shortest that is sure to be seen.
    """

    name: str
    emitter_full_a: float
    emitter_low_a: float
    range_full_m: float | None
    range_low_m: float | None
    range_light_m: float | None
    range_power: float | None
    burst_s: float
    output_width_s: tuple[float, float]
    verdict: BurstVerdict | None
    wave_s: float
    caught: float
    certain_wave_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ChargerFacts:
    """The charger: settings (A, V), greatest heat (W) where its input is known, charge time."""

    constant_current_a: float
    float_v: float
    finish_a: float | None
    recharge_v: float | None
    heat_w: float | None
    charge_time: ChargeTime


@dataclass(frozen=True, slots=True, kw_only=True)
class FedFacts:
    """A light that USB or the charger (`by`) lights: what it takes from USB (A).

    `alone_a` with the charger at rest, None where it is dark then; `charging_a` while the charger
    gives all that it can to a cell at half charge.
    """

    name: str
    by: str
    alone_a: float | None
    charging_a: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Overview:
    """All of it."""

    lights: tuple[LightFacts, ...]
    loads: tuple[LoadFacts, ...]
    sensors: tuple[SensorFacts, ...]
    charger: ChargerFacts | None
    bands: tuple[GaugeBand, ...]
    suggestions: tuple[Suggestion, ...]
    drift: CountingDrift | None
    fed: tuple[FedFacts, ...]
    supply: Feeding | None
    notes: tuple[Note, ...]


def light_on(name: str) -> LoadSet:
    """A light, or a load, fully on with the controller awake, nothing else."""
    return LoadSet(drives=((name, 1.0, -1),), controller="awake")


RunTimes = dict[str, tuple["Mapping[str, str]", "Mapping[str, int]", LightRunTime]]


def overview(
    gadget: Gadget, *, wave_s: float = 0.15, run_times: RunTimes | None = None,
    charging: ChargeTime | None = None,
) -> Overview:
    """Compute the overview; `wave_s` is the length of the wave whose chance is told.

    `run_times` (by light: the states of its mode, where dials stand in it, its run time there) and
    `charging` are what the gadget's behaviour makes of them; without them each light is alone and a
    charge goes from the cut-off (from empty without one) to its end, with the controller asleep.
    """
    circuit = Circuit(gadget)
    known = run_times or {}
    lights = tuple(_light(gadget, circuit, name, known) for name in gadget.lights)
    sensors = tuple(
        _sensor(circuit, name, sensor, wave_s) for name, sensor in gadget.proximity.items()
    )
    by_voltage = gadget.gauge is not None and gadget.gauge.method == "voltage"
    found = Overview(
        lights=lights,
        loads=tuple(_load(circuit, name) for name in gadget.loads),
        sensors=sensors,
        charger=_charger(circuit, charging),
        bands=gauge_bands(gadget),
        suggestions=suggest_thresholds(gadget, gauge_loads(gadget, charging=False))
        if by_voltage else (),
        drift=counting_drift(gadget),
        fed=tuple(_fed(gadget, circuit)),
        supply=feeding(gadget, circuit),
        notes=(),
    )
    return replace(found, notes=tuple(_notes(gadget, circuit, found)))


def _light(gadget: Gadget, circuit: Circuit, name: str, known: RunTimes) -> LightFacts:
    loads = light_on(name)
    ends = circuit.solve(loads, [1.0, empty_charge(circuit, loads)])
    row = circuit.consumers.index(name)
    full_v, low_v = (float(volts) for volts in ends.voltage_v)
    mode, dials, run_time = known.get(name) or (None, {}, light_run_time(circuit, name, loads))
    return LightFacts(
        name=name,
        full_v=full_v,
        full_a=float(ends.consumers_a[row, 0]),
        low_v=low_v,
        low_a=float(ends.consumers_a[row, 1]),
        low_rest_v=float(ends.open_circuit_v[1]),
        spread=light_spread(gadget, name, low_v),
        run_time=run_time,
        mode=mode,
        dials=dials,
    )


def _load(circuit: Circuit, name: str) -> LoadFacts:
    loads = light_on(name)
    ends = circuit.solve(loads, [1.0, empty_charge(circuit, loads)])
    full_v, low_v = ends.voltage_v.tolist()
    full_a, low_a = ends.consumers_a[circuit.consumers.index(name)].tolist()
    walk = discharge(circuit, loads)
    return LoadFacts(name=name, full_v=full_v, full_a=full_a, low_v=low_v, low_a=low_a,
                     lasts_s=walk.run_time_s, ended_by=walk.ended_by)


def _sensor(circuit: Circuit, name: str, sensor: Proximity, wave_s: float) -> SensorFacts:
    drives = [(f"{name}.emitter", 1.0, -1), (f"{name}.receiver", 1.0, -1)]
    loads = LoadSet(drives=tuple(drives), controller="awake")
    ends = circuit.solve(loads, [1.0, empty_charge(circuit, loads)])
    full_v, low_v = (float(volts) for volts in ends.voltage_v)
    emitter_a = circuit.emitter_current_a(name, full_v)
    echo = echo_of(sensor)
    carrier = sensor.carrier.value
    burst_s = sensor.burst / carrier
    rule = burst_rule(sensor.receiver)
    gap = sensor.every.ns * 1e-9 * carrier - sensor.burst
    light = None
    receiver = sensor.receiver
    if echo is not None and receiver is not None and receiver.threshold_in_light is not None:
        light = echo.in_light(receiver.threshold_in_light.value).range_m(emitter_a)
    return SensorFacts(
        name=name,
        emitter_full_a=emitter_a,
        emitter_low_a=circuit.emitter_current_a(name, low_v),
        range_full_m=circuit.range_m(name, full_v),
        range_low_m=circuit.range_m(name, low_v),
        range_light_m=light,
        range_power=None if echo is None else range_sensitivity(echo, emitter_a),
        burst_s=burst_s,
        output_width_s=output_width_s(burst_s, carrier),
        verdict=None if rule is None else burst_verdict(rule, sensor.burst, gap, carrier),
        wave_s=wave_s,
        caught=catch_probability(wave_s, sensor.every.ns * 1e-9, sensor.agree),
        certain_wave_s=certain_wave_s(sensor.every.ns * 1e-9, sensor.agree),
    )


def _fed(gadget: Gadget, circuit: Circuit) -> Iterator[FedFacts]:
    if not circuit.fed:
        return
    given_a = circuit.solve(LoadSet(charger="fast"), [0.5]).charger_a
    alone = circuit.fed_a("complete", [0.0])[:, 0].tolist()
    charging = circuit.fed_a("fast", given_a)[:, 0].tolist()
    for name, alone_a, charging_a in zip(circuit.fed, alone, charging, strict=True):
        by = gadget.fed_lights[name].fed_by or ""
        yield FedFacts(name=name, by=by, alone_a=alone_a if by == "usb" else None,
                       charging_a=charging_a)


def _charger(circuit: Circuit, charging: ChargeTime | None) -> ChargerFacts | None:
    charger = circuit.charger
    if charger is None:
        return None
    return ChargerFacts(
        constant_current_a=charger.constant_current_a,
        float_v=charger.float_v,
        finish_a=charger.finish_a,
        recharge_v=charger.recharge_v,
        heat_w=_charger_heat_w(circuit),
        charge_time=charge_time(circuit, LoadSet(), start=empty_charge(circuit, LoadSet()))
        if charging is None else charging,
    )


def _charger_heat_w(circuit: Circuit) -> float | None:
    """The most that the charger turns into heat, from an empty cell to a full one: what its input
    is above the terminal times the current, in the mode that stands at each charge; None where its
    input is not known.
    """
    charger = circuit.charger
    if charger is None or charger.input_v is None:
        return None
    input_v, nodes = charger.input_v, circuit.charge_nodes

    def most_w(mode: ChargerMode, charges: Sequence[float]) -> float:
        found = circuit.solve(LoadSet(charger=mode), charges)
        return float(np.max((input_v - found.voltage_v) * found.charger_a))

    if charger.below_v is None:
        return most_w("fast", nodes.tolist())
    begins = charge_at(circuit, LoadSet(charger="precharge"), charger.below_v)
    slow_w = most_w("precharge", [0.0, begins]) if begins > 0.0 else 0.0
    fast_w = most_w("fast", [begins, *nodes[nodes > begins]]) if begins < 1.0 else 0.0
    return max(slow_w, fast_w)


def _notes(gadget: Gadget, circuit: Circuit, found: Overview) -> list[Note]:
    notes = list(_voltage_notes(gadget, float(circuit.open_circuit_v(0.0)),
                                float(circuit.open_circuit_v(1.0))))
    if gadget.cell.resistance is not None:
        notes.append(
            Note(
                "cell.resistance",
                "over minutes and hours a cell drops about three times the voltage that its "
                "resistance in the first second would make: enter the larger one",
            )
        )
    for light in found.lights:
        notes += _recovery_notes(gadget, light)
        spread = light.spread
        if spread.dark_below_v is not None and spread.dark_below_v > light.low_v:
            notes.append(
                Note(
                    f"lights.{light.name}.forward",
                    f"the worst part may not light below {spread.dark_below_v:.2f} V, and the "
                    f"cell goes down to {light.low_v:.2f} V",
                )
            )
    notes += _gate_notes(gadget, circuit, max(circuit.open_circuit_v([1.0])))
    for sensor in found.sensors:
        notes += _sensor_notes(gadget, sensor)
    charger = found.charger
    if charger is not None and not charger.charge_time.ends:
        notes.append(Note("charger", charger.charge_time.why))
    return notes


def _voltage_notes(gadget: Gadget, empty_v: float, full_v: float) -> Iterator[Note]:
    """Voltages of the file that are far from those of the cell, or of all cells in series."""
    series = gadget.cell.series
    cell = "the cell" if series == 1 else f"the {series} cells in series"
    cut_off, charger = gadget.cell.cut_off, gadget.charger
    if cut_off is not None and cut_off.value < empty_v / FAR:
        yield Note("cell.cut_off", f"{cell} rest{'s' * (series == 1)} at {empty_v:.3g} V when "
                   f"empty: only a load can bring {'it' if series == 1 else 'them'} down to "
                   f"{cut_off.text}")
    if charger is not None and not full_v / FAR < charger.float_.value < full_v * FAR:
        yield Note("charger.float", f"{cell} rest{'s' * (series == 1)} at {full_v:.3g} V when "
                   f"full, and charging ends at {charger.float_.text}: see the cell's own sheet")


def _gate_notes(gadget: Gadget, circuit: Circuit, full_v: float) -> Iterator[Note]:
    """A pin at the regulator's output does not take a p-channel gate up to the cell."""
    supply_v = circuit.regulator.supply_v(full_v)
    if supply_v >= full_v:
        return
    for name, light in gadget.lights.items():
        if light.switch is not None and light.switch.kind == "pmos":
            yield Note(f"lights.{name}.switch", f"a pin at {supply_v:.2f} V leaves "
                       f"{full_v - supply_v:.2f} V between gate and source on a full cell: the "
                       "transistor may not switch off")


def _recovery_notes(gadget: Gadget, light: LightFacts) -> list[Note]:
    """Whether the protection closes again by itself once it has taken a light off the cell."""
    cut_off, restart = gadget.cell.cut_off, gadget.cell.restart
    if cut_off is None or restart is None or light.low_rest_v < restart.value:
        return []
    return [
        Note(
            "cell.restart",
            f"with {light.name} on the cell recovers to {light.low_rest_v:.3f} V once the "
            f"protection has opened, and it closes at {restart.value:.3f} V: it goes on and off",
        )
    ]


def _sensor_notes(gadget: Gadget, sensor: SensorFacts) -> list[Note]:
    notes = []
    key = f"proximity.{sensor.name}"
    if sensor.verdict is not None and not sensor.verdict.legal:
        why = "; ".join(sensor.verdict.why)
        notes.append(
            Note(f"{key}.burst", f"the receiver's gain control makes it less sensitive: {why}")
        )
    emitter = gadget.proximity[sensor.name].emitter
    switch = None if emitter is None else emitter.switch
    if switch is not None and switch.kind == "npn" and switch.storage is None:
        notes.append(
            Note(
                f"{key}.emitter.switch",
                "a saturated npn stays on a little longer each carrier cycle: the emitter may "
                f"draw up to {format_percent(NPN_EXCESS)} more than its duty says; give `storage` "
                "if known",
            )
        )
    if sensor.caught < 1.0 - _ROUNDED:
        missed = format_percent(1.0 - sensor.caught, 2)
        notes.append(
            Note(
                f"{key}.every",
                f"a wave of {sensor.wave_s * 1e3:g} ms is missed {missed} of the time; one of "
                f"{sensor.certain_wave_s * 1e3:g} ms is always seen",
            )
        )
    return notes
