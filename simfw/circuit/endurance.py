"""How long it lasts: discharge under one load set, charging, and the run time of a light.

For one load set the current depends on the charge alone, so a time is an integral over charge,
dt = C ds / I(s). Between points that lie as close as `nodes` asks, the current is taken as linear
in charge, for which the integral is C ds ln(I1/I0) / (I1 - I0).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from simfw.circuit.nodes import filled, refined
from simfw.quantity import format_percent

if TYPE_CHECKING:
    from simfw.circuit.circuit import ChargerMode, Circuit, LoadSet

__all__ = [
    "FL1_READING_S",
    "FL1_SHARE",
    "ChargeTime",
    "Discharge",
    "LightRunTime",
    "charge_time",
    "discharge",
    "empty_charge",
    "fl1_end_s",
    "light_run_time",
    "longest_charge_s",
    "slow_end_s",
    "supply_table",
]

Array = NDArray[np.float64]

# ANSI/PLATO FL 1: the reading is taken 30 s after switch-on, and the run time ends where the light
# has fallen to 10 % of it (summaries of the standard by two lamp makers, elzetta.com/blog/
# FL1standards and ledlenser.com/support/ansi; one counts from switch-on, one from the reading).
FL1_READING_S = 30.0
FL1_SHARE = 0.10

_COMPARED_PER_H = 0.05  # of the capacity: the lowest finish current held against models
_EFOLD_S = 1800.0  # what each factor e below it may add


@dataclass(frozen=True, slots=True, kw_only=True)
class Discharge:
    """A discharge from full charge or less down to its end, a point per row.

    `time_s`, `charge` (0..1), `cell_a` (net current out of the cell), `voltage_v` (terminal).
    `ended_by`: "protection", "empty" or "never" (no net current leaves the cell).
    """

    time_s: Array
    charge: Array
    cell_a: Array
    voltage_v: Array
    ended_by: str

    @property
    def run_time_s(self) -> float | None:
        """Time (s) to the end, None if there is none."""
        return None if self.ended_by == "never" else float(self.time_s[-1])


def discharge(
    circuit: Circuit, loads: LoadSet, *, start: float = 1.0, stop_v: float | None = None
) -> Discharge:
    """Discharge from charge `start` until the terminal falls to `stop_v` (the cut-off if None)."""
    stop = circuit.cut_off_v if stop_v is None else stop_v
    walk = _walk(circuit, loads, 0.0, start)
    charge, volts = walk.charge[::-1], walk.voltage_v[::-1]
    cell_a = (walk.consumed_a - walk.charger_a)[::-1]
    ended_by = "empty"
    if stop is not None and volts[-1] < stop:
        ended_by = "protection"
        last = int(np.argmax(volts < stop))
        if last == 0:
            charge, cell_a, volts = charge[:1], cell_a[:1], volts[:1]
        else:
            share = (volts[last - 1] - stop) / (volts[last - 1] - volts[last])
            charge = _cut(charge, last, share)
            cell_a = _cut(cell_a, last, share)
            volts = _cut(volts, last, share)
    if np.any(cell_a <= 0.0):
        ended_by = "never"
        kept = int(np.argmax(cell_a <= 0.0))
        charge, cell_a, volts = charge[:kept], cell_a[:kept], volts[:kept]
    times = circuit.capacity_c * _times(-np.diff(charge), cell_a)
    return Discharge(
        time_s=times, charge=charge, cell_a=cell_a, voltage_v=volts, ended_by=ended_by
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class LightRunTime:
    """The FL 1 run time of a light.

    `run_time_s` counts from switch-on; take `FL1_READING_S` off to count from the reading.
    `reading_a` is the LED current at the reading, `ended_by` "10 %", "protection", "empty",
    "never" or "dark" (no light at the reading).
    """

    run_time_s: float | None
    reading_a: float
    ended_by: str


def light_run_time(
    circuit: Circuit, name: str, loads: LoadSet, *, start: float = 1.0
) -> LightRunTime:
    """Run time of a light by FL 1: until it gives 10 % of what it gave 30 s after switch-on.

    From charge `start` (0..1) with `loads` on. Light is taken in proportion to LED current; LEDs
    give rather more per ampere at low current, so the true time is a little longer.
    """
    walk = discharge(circuit, loads, start=start)
    if walk.charge.size == 0:
        return LightRunTime(run_time_s=None, reading_a=0.0, ended_by="never")
    amps = circuit.light_current_a(name, loads, walk.charge)
    reading = float(np.interp(FL1_READING_S, walk.time_s, amps))
    if reading <= 0.0:
        return LightRunTime(run_time_s=None, reading_a=0.0, ended_by="dark")
    end = fl1_end_s(walk.time_s, amps)
    if end is None:
        return LightRunTime(run_time_s=walk.run_time_s, reading_a=reading, ended_by=walk.ended_by)
    return LightRunTime(run_time_s=end, reading_a=reading, ended_by="10 %")


def fl1_end_s(time_s: Array, light: Array) -> float | None:
    """When (s) a light falls to 10 % of what it was at 30 s, by FL 1; None if it does not.

    Times rise from switch-on; the light is linear between them, in any unit.
    """
    limit = FL1_SHARE * float(np.interp(FL1_READING_S, time_s, light))
    fallen = (time_s > FL1_READING_S) & (light <= limit)
    if not fallen.any():
        return None
    last = int(np.argmax(fallen))
    share = (light[last - 1] - limit) / (light[last - 1] - light[last])
    return float(time_s[last - 1] + share * (time_s[last] - time_s[last - 1]))


@dataclass(frozen=True, slots=True, kw_only=True)
class ChargeTime:
    """A charge from `start` to the charger's own end.

    `time_s` is the time to the end, or until the cell is full; None where neither comes. `ends`
    says whether the charger ends by itself; where not, `why` says what keeps it. `longest_s`
    allows for what the model leaves out. `steps` holds (mode, time (s) and charge at its end).
    """

    time_s: float | None
    longest_s: float | None
    end_charge: float
    ends: bool = False
    steps: tuple[tuple[str, float, float], ...] = ()
    why: str = ""


def charge_time(circuit: Circuit, loads: LoadSet, *, start: float = 0.0) -> ChargeTime:
    """Time to charge from charge `start`, through the charger's steps, with `loads` drawing.

    The end of a charge is slowed by diffusion in the cell, which a resistance does not show:
    against electrochemical models the time comes out up to 1 % short at a fifth of the capacity
    per hour and up to 8 % short at half of it, down to a finish current of a twentieth of it.
    `longest_s` adds that, and what a lower finish current may add.
    """
    charger = circuit.charger
    if charger is None:
        return ChargeTime(time_s=None, longest_s=None, end_charge=start,
                          why="the gadget has no charger")
    if charger.suspended(loads.temperature_c):
        return ChargeTime(time_s=None, longest_s=None, end_charge=start,
                          why=f"the charger does not charge at {loads.temperature_c:g} °C")
    resting = circuit.solve(replace(loads, charger="off"), start)
    mode: ChargerMode = charger.start_mode(float(resting.voltage_v[0]), start)
    if mode == "complete":
        return ChargeTime(time_s=0.0, longest_s=0.0, end_charge=start, ends=True)
    time, here = 0.0, start
    steps: list[tuple[str, float, float]] = []
    for _ in range(8):
        part = _charge_step(circuit, replace(loads, charger=mode), here)
        time += part.time_s
        here = part.charge
        steps.append((mode, time, here))
        if part.why:
            return ChargeTime(time_s=None, longest_s=None, end_charge=here, steps=tuple(steps),
                              why=part.why)
        if part.to is None or part.to == "complete":
            break
        mode = part.to
    ends = part.to == "complete"
    why = "" if ends else f"full, but the load keeps the charger at {part.output_a * 1e3:.3g} mA"
    return ChargeTime(time_s=time, longest_s=longest_charge_s(circuit, time),
                      end_charge=here, ends=ends, steps=tuple(steps), why=why)


def longest_charge_s(circuit: Circuit, time_s: float) -> float:
    """The time (s) that a charge may take at most which the model lets end after `time_s`."""
    charger = circuit.charger
    if charger is None:
        return time_s
    longest_s = time_s * (1.0 + diffusion_share(
        charger.constant_current_a * 3600.0 / circuit.capacity_c
    ))
    if charger.finish_a is not None:
        longest_s += slow_end_s(charger.finish_a * 3600.0 / circuit.capacity_c)
    return longest_s


def diffusion_share(rate_per_h: float) -> float:
    """How much longer (share) a charge may take than computed, for a current of C times the rate.

    2 % up to C/5, 10 % from C/2, linear between: what was found against four published
    electrochemical parameter sets, rounded up (see the accuracy page of the documentation).
    """
    return float(np.interp(rate_per_h, [0.2, 0.5], [0.02, 0.10]))


def slow_end_s(finish_per_h: float) -> float:
    """How much longer (s) a charge may take to a finish current of C times `finish_per_h`.

    Nothing down to C/20, which is as far as the models went. Below, half an hour for each factor e:
    with that the times reach those published for low finish currents, 0.5C to 0.01C in about 3 h
    (large.net/news/91u43kj.html) and about 4 h of taper for 6.6 Ah from 1 A to 10 mA (from memory).
    """
    return _EFOLD_S * max(0.0, math.log(_COMPARED_PER_H / finish_per_h))


@dataclass(frozen=True, slots=True)
class _Step:
    time_s: float
    charge: float
    to: ChargerMode | None
    output_a: float = 0.0
    why: str = ""


def _charge_step(circuit: Circuit, loads: LoadSet, start: float) -> _Step:
    """One mode of the charger, from a charge to where the mode ends."""
    assert circuit.charger is not None
    walk = _walk(circuit, loads, start, 1.0)
    charge = walk.charge
    into = walk.charger_a - walk.consumed_a
    end, to = float(charge.size - 1), None
    for step in circuit.steps(loads):
        if step.quantity == "charge" and step.level >= charge[-1]:
            if to is None and charge[-1] >= step.level:
                to = step.to  # where the walk ends
            continue
        quantity = {"voltage_v": walk.voltage_v, "charge": charge}.get(
            step.quantity, walk.charger_a)
        met = quantity >= step.level if step.rising else quantity < step.level
        if not met.any():
            continue
        first = int(np.argmax(met))
        place = float(first)
        if first > 0:
            before, after = quantity[first - 1], quantity[first]
            place = first - 1 + (before - step.level) / (before - after)
        if place <= end and (place < end or to is None):
            end, to = place, step.to
    last = int(np.ceil(end))
    if last > 0:
        charge = _cut(charge, last, end - (last - 1))
        into = _cut(into, last, end - (last - 1))
    else:
        charge, into = charge[:1], into[:1]
    if to is None and _fills(circuit, loads):
        # At charge 1 the charger feeds the load alone: as near to it as makes no odds is full.
        spent = circuit.capacity_c * _times(np.diff(charge[:-1]), into[:-1])
        return _Step(float(spent[-1]), 1.0, None, float(walk.charger_a[-1]))
    if np.any(into <= 0.0):
        kept = int(np.argmax(into <= 0.0))
        if kept == 0:
            why = "the load takes all that the charger gives"
        else:
            stays = format_percent(float(charge[kept]), 3)
            why = f"the load keeps the charger from ending (charge stays near {stays})"
        spent = circuit.capacity_c * _times(np.diff(charge[:kept]), into[:kept])
        return _Step(float(spent[-1]) if kept else 0.0, float(charge[kept]), None, why=why)
    spent = circuit.capacity_c * _times(np.diff(charge), into)
    return _Step(float(spent[-1]), float(charge[-1]), to, float(walk.charger_a[-1]))


def _fills(circuit: Circuit, loads: LoadSet) -> bool:
    """Whether current flows into the cell up to its end, not ever less towards it."""
    solved = circuit.solve(loads, 1.0)
    return bool(solved.charger_a[0] > solved.consumers_a.sum())


def empty_charge(circuit: Circuit, loads: LoadSet) -> float:
    """The charge (0..1) at which the terminal meets the cut-off under a load set, 0 without one."""
    return 0.0 if circuit.cut_off_v is None else charge_at(circuit, loads, circuit.cut_off_v)


def charge_at(circuit: Circuit, loads: LoadSet, voltage_v: float) -> float:
    """The charge (0..1) from which on the terminal stands at `voltage_v` or above it under a load
    set; 1 where it never does.
    """
    walk = _walk(circuit, loads, 0.0, 1.0)
    below = np.flatnonzero(walk.voltage_v < voltage_v)
    if not below.size:
        return 0.0
    last = int(below[-1])
    if last + 1 == walk.charge.size:
        return 1.0
    ends = slice(last, last + 2)
    return float(np.interp(voltage_v, walk.voltage_v[ends], walk.charge[ends]))


def supply_table(
    circuit: Circuit, loads: LoadSet, *, points: int = 200
) -> dict[str, Array]:
    """What a load set draws against the cell, for plots.

    Columns: `charge` (0..1), `open_circuit_v`, `voltage_v`, a column `NAME_a` per consumer, and
    per light that is on `NAME_light`, its light relative to that at full charge.
    """
    charge = np.linspace(0.0, 1.0, points)
    solution = circuit.solve(loads, charge)
    table = {
        "charge": charge,
        "open_circuit_v": solution.open_circuit_v,
        "voltage_v": solution.voltage_v,
    }
    for name, amps in zip(circuit.consumers, solution.consumers_a, strict=True):
        table[f"{name}_a"] = amps
    for name, _, _ in loads.drives:
        if name in circuit.lights:
            amps = circuit.light_current_a(name, loads, charge)
            table[f"{name}_light"] = amps / amps[-1] if amps[-1] > 0.0 else amps
    return table


@dataclass(frozen=True, slots=True)
class _Walk:
    """One load set over rising charges (0..1), currents in A, terminal voltage in V."""

    charge: Array
    consumed_a: Array
    charger_a: Array
    voltage_v: Array


def _walk(circuit: Circuit, loads: LoadSet, low: float, high: float) -> _Walk:
    """A load set from charge low to high, at points close enough to integrate over."""
    nodes = circuit.charge_nodes
    inner = np.concatenate([[low], nodes[(nodes > low) & (nodes < high)], [high]])
    if high <= low:
        inner = inner[:1]
    fills = high >= 1.0 and circuit.feeds_on(loads)
    charge, table = (filled if fills else refined)(lambda at: circuit.solve(loads, at), inner)
    return _Walk(charge, table[:-2].sum(axis=0), table[-2], table[-1])


def _cut(values: Array, last: int, share: float) -> Array:
    """The values up to a point `share` of the way from `last - 1` to `last`."""
    end = values[last - 1] + share * (values[last] - values[last - 1])
    return np.append(values[:last], end)


def _times(pieces: Array, amps: Array) -> Array:
    """Running integral of dq / I over pieces, I linear in each; starts with 0."""
    first, second = amps[:-1], amps[1:]
    ratio = second / first
    near = np.abs(ratio - 1.0) < 1e-6
    spread = np.where(near, 1.0, second - first)
    mean = np.where(near, 2.0 / (first + second), np.log(ratio) / spread)
    return np.concatenate([[0.0], np.cumsum(pieces * mean)])
