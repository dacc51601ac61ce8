"""What the circuit says: sag against hysteresis, thresholds against the protection, charging.

Everything is worked out on the circuit as described, at nominal values unless the text says
otherwise, over the combinations of states that the search reached. A quantity that the gadget file
does not give leaves its check out: nothing electrical is assumed.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from simfw.behaviour.stock import burst_ns
from simfw.circuit.circuit import Circuit, LoadSet
from simfw.circuit.counting import counting_drift
from simfw.circuit.endurance import charge_time, discharge, empty_charge
from simfw.circuit.infrared import burst_rule, burst_verdict
from simfw.circuit.pins import check_pins
from simfw.gadget.model import Gadget
from simfw.quantity import format_duration, format_percent
from simfw.verify.finding import Finding
from simfw.verify.static import finding

__all__ = ["Loads", "electrical_checks"]

DAY_S = 86_400.0
YEAR_S = 365.25 * DAY_S
DRAINED = 0.02  # of the capacity in a year, as in the report on the pins
SHELF_DAYS = 90
FADED = 1 / 3
NS = 1_000_000_000

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Loads:
    """The load sets of the combinations that were reached.

    `rest` is the one with the least on; `charging` are those that can stand while charging.
    `left_out` counts the combinations that were too many to be worked out one by one.
    """

    rest: LoadSet
    all: tuple[LoadSet, ...]
    charging: tuple[LoadSet, ...]
    left_out: int = 0


def electrical_checks(gadget: Gadget, circuit: Circuit, loads: Loads) -> Iterator[Finding]:
    """Every check that needs the circuit."""
    yield from _bursts(gadget)
    yield from _pins(gadget)
    charge: Array = np.linspace(0.0, 1.0, 401)
    rest_v = circuit.solve(loads.rest, charge).voltage_v
    under = [circuit.solve(load, charge).voltage_v for load in loads.all]
    yield from _sag(gadget, circuit, charge, rest_v, under)
    yield from _flat(gadget, circuit, charge, rest_v, under)
    yield from _cut_off(gadget, circuit, charge, under)
    yield from _reserve(gadget, circuit, loads)
    yield from _charging(gadget, circuit, loads)
    yield from _fading(gadget, circuit, loads)


def _bursts(gadget: Gadget) -> Iterator[Finding]:
    for name, sensor in gadget.proximity.items():
        rule = burst_rule(sensor.receiver)
        if rule is None:
            continue
        gap = (sensor.every.ns - burst_ns(sensor)) * 1e-9 * sensor.carrier.value
        verdict = burst_verdict(rule, sensor.burst, gap, sensor.carrier.value)
        if not verdict.legal:
            yield finding("burst-rule", f"Sensor {name}: {'; '.join(verdict.why)}.",
                          [f"proximity.{name}.burst", f"proximity.{name}.every"])


def _pins(gadget: Gadget) -> Iterator[Finding]:
    report = check_pins(gadget)
    for found in report.faults:
        yield finding("pin-level", f"Pin {found.pin}: {found.text}.", [f"pins.{found.pin}"])
    drawn_a: dict[str, float] = {}
    for row in report.rows:
        # A divider draws for ever; a pressed button or a status pin only while it lasts.
        if row.power == "asleep" and not row.usb and gadget.pins[row.pin].source in (
            "cell", "usb",
        ):
            drawn_a[row.pin] = max(drawn_a.get(row.pin, 0.0), row.cell_a)
    for pin, amps in drawn_a.items():
        share = amps * YEAR_S / gadget.cell.capacity.value
        if share >= DRAINED:
            yield finding("divider-drain", f"What stands at pin {pin} draws {amps * 1e6:.3g} uA "
                          f"from the cell without end, {share * 100:.2g} % of its capacity in a "
                          f"year.", [f"pins.{pin}"])


def _measured(circuit: Circuit, volts: Array) -> Array:
    return np.array([circuit.measured_v(float(v)) for v in volts])


def _sag(
    gadget: Gadget, circuit: Circuit, charge: Array, rest_v: Array, under: Sequence[Array]
) -> Iterator[Finding]:
    gauge = gadget.gauge
    if gauge is None or not gauge.thresholds or gauge.method != "voltage":
        return
    sag = max((float(np.max(rest_v - volts)) for volts in under), default=0.0)
    gap = gauge.gap
    if sag > gap:
        yield finding("gauge-sag", f"The heaviest load pulls the cell down by {sag * 1e3:.0f} mV, "
                      f"more than the hysteresis of {gap * 1e3:.0f} mV: a bar goes out with the "
                      f"load and comes back without it.", ["gauge.hysteresis"])
    limits = np.array([threshold.value for threshold in gauge.thresholds])
    resting = np.searchsorted(limits, _measured(circuit, rest_v), side="right")
    most, where = 0, 0.0
    for volts in under:
        bars = np.searchsorted(limits, _measured(circuit, volts), side="right")
        place = int(np.argmax(resting - bars))
        if resting[place] - bars[place] > most:
            most, where = int(resting[place] - bars[place]), float(charge[place])
    if most >= 2:
        yield finding("gauge-sag-bars", f"At {where * 100:.0f} % charge the gauge shows {most} "
                      f"bars fewer with the heaviest load on than at rest.", ["gauge.thresholds"])


def _flat(
    gadget: Gadget, circuit: Circuit, charge: Array, rest_v: Array, under: Sequence[Array]
) -> Iterator[Finding]:
    gauge, controller = gadget.gauge, gadget.controller
    if gauge is None or gauge.flat is None:
        return
    if circuit.counter is not None:
        yield from _counted_flat(gadget, circuit, charge, rest_v)
        return
    flat, cut_off = gauge.flat.value, circuit.cut_off_v
    if cut_off is not None:
        references: list[float | None] = [None]
        if controller is not None and controller.reference is not None:
            references += [controller.reference.low, controller.reference.high]
        lowest = min(Circuit(gadget, reference_v=one).true_v_for(flat) for one in references)
        if lowest <= cut_off:
            yield finding("flat-below-cut-off", f"The controller may take the cell for flat only "
                          f"at {lowest:.2f} V, and the protection opens at {cut_off:.2f} V.",
                          ["gauge.flat", "controller.reference", "cell.cut_off"])
    line = gauge.low.value if gauge.low is not None else flat
    for volts in under:
        reached = np.flatnonzero(_measured(circuit, volts) < flat)
        if reached.size:
            place = int(reached[-1])
            recovered = circuit.measured_v(float(rest_v[place]))
            if recovered > line:
                yield finding("flat-hunting", f"At {charge[place] * 100:.0f} % charge the load "
                              f"pulls the cell below flat; without it {recovered:.2f} V are "
                              f"measured, above {line:.2f} V.", ["gauge.flat", "gauge.low"])
                return


def _counted_flat(
    gadget: Gadget, circuit: Circuit, charge: Array, rest_v: Array
) -> Iterator[Finding]:
    """Whether a gauge that counts from a full cell takes the cell for flat before it is."""
    drift, flat_at = counting_drift(gadget), _flat_charge(gadget, circuit)
    if drift is None or flat_at is None or circuit.counter is None:
        return
    least = 1.0 - (1.0 - flat_at) * circuit.counter.ratio / drift.scale[0]
    cut_off = circuit.cut_off_v
    opens = 0.0 if cut_off is None else float(np.interp(cut_off, rest_v, charge, left=0.0))
    if least <= opens:
        where = "the cell is empty" if cut_off is None else "the protection opens"
        yield finding("flat-below-cut-off", f"Counted from a full cell, {where} before the "
                      f"controller takes the cell for flat: its figure is "
                      f"{format_percent(1.0 / drift.scale[0])} of what the cell may hold.",
                      ["gauge.flat", "gauge.capacity", "cell.capacity"])


def _flat_charge(gadget: Gadget, circuit: Circuit) -> float | None:
    """The charge at which the gauge takes the resting cell for flat; None where it never does."""
    gauge = gadget.gauge
    if gauge is None or gauge.flat is None:
        return None
    if circuit.counter is not None:
        return circuit.counter.charge_at(gauge.flat.value)
    return _charge_at(circuit, gauge.flat.value)


def _cut_off(
    gadget: Gadget, circuit: Circuit, charge: Array, under: Sequence[Array]
) -> Iterator[Finding]:
    cut_off, restart = circuit.cut_off_v, gadget.cell.restart
    if cut_off is None or restart is None or not under:
        return
    gauge, flat_at = gadget.gauge, _flat_charge(gadget, circuit)
    for volts in under:
        reached = np.flatnonzero(volts < cut_off)
        if not reached.size:
            continue
        if circuit.counter is not None:
            if flat_at is not None and flat_at > charge[reached[-1]]:
                continue
        elif gauge is not None and gauge.flat is not None and gauge.flat.value > cut_off:
            continue
        recovered = float(circuit.open_circuit_v(charge[reached[-1]]))
        if recovered > restart.value:
            yield finding("cut-off-hunting", f"The protection opens under load and the cell "
                          f"recovers to {recovered:.2f} V, above the restart at "
                          f"{restart.value:.2f} V.", ["cell.cut_off", "cell.restart"])
            return


def _charge_at(circuit: Circuit, volts: float) -> float:
    low, high = 0.0, 1.0
    for _ in range(40):
        middle = (low + high) / 2
        if float(circuit.open_circuit_v(middle)) < volts:
            low = middle
        else:
            high = middle
    return high


def _reserve(gadget: Gadget, circuit: Circuit, loads: Loads) -> Iterator[Finding]:
    gauge = gadget.gauge
    if gauge is None or gauge.flat is None or circuit.cut_off_v is None:
        return
    if gadget.controller is None:
        return
    start, opens = _flat_charge(gadget, circuit), _charge_at(circuit, circuit.cut_off_v)
    if start is None or not opens < start < 1.0:
        return
    lasts = discharge(circuit, loads.rest, start=start).run_time_s
    if lasts is not None and lasts < SHELF_DAYS * DAY_S:
        yield finding("reserve-short", f"From flat to the protection's cut-off the cell lasts "
                      f"{_days(lasts)} at rest.", ["gauge.flat", "controller.asleep"])


def _days(seconds: float) -> str:
    if seconds >= DAY_S:
        return f"{seconds / DAY_S:.0f} days"
    return format_duration(round(seconds / 60) * 60 * NS)


def _charging(gadget: Gadget, circuit: Circuit, loads: Loads) -> Iterator[Finding]:
    charger = circuit.charger
    if charger is None:
        return
    if charger.finish_a is not None:
        for load in loads.charging:
            result = charge_time(circuit, replace(load, charger="off"), start=0.5)
            if not result.ends and result.why:
                on = ", ".join(name for name, _, _ in load.drives) or "the controller"
                yield finding("charge-never-ends", f"With {on} on a charge does not end: "
                              f"{result.why}.", ["charger.finish"])
                break
    if charger.recharge_v is not None:
        ended = charge_time(circuit, loads.rest, start=0.5)
        top = ended.end_charge if ended.ends else 1.0
        lasts = discharge(circuit, loads.rest, start=top, stop_v=charger.recharge_v).run_time_s
        if lasts is not None and lasts < DAY_S:
            yield finding("recharge-cycling", f"At rest on the charger the cell falls from full to "
                          f"the recharge voltage within {_days(lasts)}.", ["charger.recharge"])
    controller = gadget.controller
    awake = controller.awake if controller is not None else None
    # A waking controller draws this while the charger tries to revive the cell.
    if charger.precharge_a is not None and awake is not None and (
        awake.value >= charger.precharge_a
    ):
        yield finding("precharge-starved", f"Awake, the controller draws "
                      f"{awake.value * 1e3:.3g} mA, and the precharge gives "
                      f"{charger.precharge_a * 1e3:.3g} mA.",
                      ["charger.precharge", "controller.awake"])


def _limits(gadget: Gadget, name: str) -> str:
    """The key of what limits the current of a light."""
    return "resistor" if gadget.lights[name].driver is None else "driver.drop"


def _fading(gadget: Gadget, circuit: Circuit, loads: Loads) -> Iterator[Finding]:
    flat_at = _flat_charge(gadget, circuit)
    if flat_at is None and circuit.cut_off_v is None:
        return
    told: set[str] = set()
    for load in loads.all:
        for name, _, segments in load.drives:
            if name not in gadget.lights or name in told or segments >= 0:
                continue
            # Under this load: where the protection is open nobody sees how faint it would be.
            low = max(0.0 if flat_at is None else flat_at, empty_charge(circuit, load))
            amps = circuit.light_current_a(name, load, np.array([low, 1.0]))
            if amps[1] > 0 and amps[0] < FADED * amps[1]:
                told.add(name)
                yield finding("light-fades", f"{name} gives {amps[0] / amps[1] * 100:.0f} % of its "
                              f"full light when the cell is nearly empty.",
                              [f"lights.{name}.{_limits(gadget, name)}"])
