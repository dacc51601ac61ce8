"""What a real unit can tell apart: readings of the gauge as converter codes, and supply windows.

A converter yields whole codes (see `circuit.measure`), and the reference of a unit lies anywhere in
its range. Around each level there is so a band of supplies that some units read as below it and
others do not; 3.299 V and 3.301 V are the same code of most converters. A vector for the bench
keeps outside of these bands by a step of the converter, or 10 mV where none is known; one that does
not is for the host, where a reading is a number. There every reading is one that a code stands for,
but those that are a level exactly.

What the cell itself gives is read by the firmware, too: where a unit, or a reading a step off,
would let the vector come out otherwise, it begins with another charge, or is for the host.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

from simfw.behaviour.expression import levels_in
from simfw.behaviour.hold import holding
from simfw.circuit.circuit import LoadSet
from simfw.circuit.measure import Converter
from simfw.circuit.regulator import Regulator
from simfw.engine.clocks import clock_of
from simfw.vectors.around import asked_by
from simfw.vectors.exposing import Judge, drives_nothing
from simfw.vectors.faulty import Driven, Sound
from simfw.vectors.items import UV
from simfw.vectors.script import script_of
from simfw.vectors.sketch import NEARBY, Act

if TYPE_CHECKING:
    from simfw.engine.simulator import Prepared
    from simfw.stimuli.scenario import Scenario
    from simfw.vectors.build import Rehearsal, Vector
    from simfw.vectors.replay import Replay
    from simfw.vectors.whittle import Exposure

__all__ = ["FOR_THE_BENCH", "FOR_THE_HOST", "Bands", "for_real_units", "for_the_host",
           "named"]  # fmt: skip

FOR_THE_BENCH, FOR_THE_HOST = "for the bench: ", "for the host: "
READING = "gauge.measured"
WELL_OFF_V = 0.05  # how far below all levels, and above all, a bench goes
ALMOST_FULL = 0.98  # no vector begins with more charge


@dataclass(frozen=True, slots=True, kw_only=True)
class Bands:
    """The levels (V) that readings are compared with, and the converters of units: with the nominal
    reference, and with the least and the greatest of its range.
    """

    levels: tuple[float, ...]
    nominal: Converter
    least: Converter
    most: Converter
    regulator: Regulator

    @classmethod
    def of(cls, prepared: Prepared) -> Bands | None:
        """Those of a gadget; None where its firmware measures no voltage."""
        gadget, system = prepared.gadget, prepared.system
        if gadget.gauge is None or gadget.gauge.method != "voltage":
            return None
        levels = {round(level, 9) for one in asked_by(system.regions, system.conditions)
                  for level in levels_in(one, READING)}
        controller = gadget.controller
        nominal = Converter.of(controller)
        reference = None if controller is None else controller.reference
        return cls(
            levels=tuple(sorted(levels)), nominal=nominal,
            least=nominal if reference is None else Converter.of(controller, reference.low),
            most=nominal if reference is None else Converter.of(controller, reference.high),
            regulator=Regulator.of(controller),
        )  # fmt: skip

    @property
    def codes(self) -> float | None:
        """2^bits times the reference (V) that the firmware believes in; None where not known."""
        if self.nominal.steps is None or self.nominal.nominal_v is None:
            return None
        return self.nominal.steps * self.nominal.nominal_v

    def supply_v(self, level: float, unit: Converter) -> float:
        """The least supply (V at the cell) that a unit reads as at least a level (V)."""
        return self.regulator.cell_v_for(unit.true_v_for(level))

    def around(self, reading: float) -> tuple[float | None, float | None]:
        """The highest level that a reading (V) is not below, and the lowest that it is below."""
        under = [level for level in self.levels if level <= reading]
        over = [level for level in self.levels if level > reading]
        return (under[-1] if under else None), (over[0] if over else None)

    def code(self, reading: float) -> int | None:
        """The code that stands for a reading (V), None without a converter of known bits."""
        if self.codes is None or reading <= 0:
            return None
        return max(1, min(math.floor(self.codes / reading), (self.nominal.steps or 1) - 1))

    def step_v(self, reading: float) -> float:
        """How far two codes lie apart at a reading (V); without a converter what a bench can set,
        taken as 10 mV.
        """
        return NEARBY if self.codes is None else reading**2 / self.codes

    def coded(self, reading: float) -> float:
        """The reading (V, in whole microvolts) next to this one that a code stands for, on the same
        side of every level; this one where it is a level, or where no code is on its side.
        """
        if reading in self.levels:
            return reading
        sides = self.around(reading)
        near = [one / UV for one in self.nominal.readings_uv(reading)]
        fit = [value for value in near if self.around(value) == sides and value not in self.levels]
        return min(fit, key=lambda value: abs(value - reading), default=reading)

    def window_v(self, reading: float) -> tuple[float | None, float | None] | None:
        """The supplies (V at the cell, whole millivolts) that every unit reads on the same side of
        all levels: from, up to; None for an open end. None altogether where no supply is sure.
        """
        under, over = self.around(reading)
        low = None if under is None else self.supply_v(under, self.most)
        high = None if over is None else self.supply_v(over, self.least)
        if math.inf in (low, high):
            return None
        # What is above the lower level, and the last millivolt that is still below the upper one.
        from_mv = None if low is None else math.ceil(round(low * 1000, 6))
        to_mv = None if high is None else math.ceil(round(high * 1000, 6)) - 1
        if from_mv is not None and to_mv is not None and from_mv > to_mv:
            return None
        return (None if from_mv is None else from_mv / 1000), (
            None if to_mv is None else to_mv / 1000)  # fmt: skip

    def is_sure(self, reading: float) -> bool:
        """Whether every unit tells a reading (V) from all levels, with a step to spare."""
        window, supply = self.window_v(reading), self.supply_v(reading, self.nominal)
        if window is None or not 0 < supply < math.inf:
            return False
        low, high = window
        step = self.step_v(reading)
        return (low is None or supply >= low + step) and (high is None or supply <= high - step)

    def safe(self, reading: float) -> float | None:
        """What a bench sets instead of a reading (V): away from the level that it is next to, well
        inside of the next stretch between levels that every unit tells; None where there is none.
        """
        under, over = self.around(reading)
        up = over is None or (under is not None and reading - under <= over - reading)
        stretches = [(self.levels[0] - WELL_OFF_V, self.levels[0])] if self.levels else []
        stretches += list(pairwise((*self.levels, self.levels[-1] + WELL_OFF_V)))
        here = sum(level <= reading for level in self.levels)
        for low, high in stretches[here:] if up else stretches[here::-1]:
            found = self._inside((low + high) / 2)
            if found is not None:
                return found
        return None

    def charges(self, prepared: Prepared) -> list[float]:
        """Charges from which all units read the gadget at rest alike: those next to half full come
        first, one for each stretch between levels that every unit tells.
        """
        resting = clock_of(prepared.circuit, LoadSet(), prepared.clocks)
        edges = ((low + high) / 2 for low, high in pairwise(self.levels))
        ends = (self.levels[0] - WELL_OFF_V, self.levels[-1] + WELL_OFF_V) if self.levels else ()
        found = []
        for reading in filter(None, map(self._inside, (*ends, *edges))):
            charge = resting.charge_at_voltage(self.supply_v(reading, self.nominal))
            found.append(round(min(charge, ALMOST_FULL), 3))
        return sorted({charge for charge in found if charge > 0}, key=lambda one: abs(one - 0.5))

    def _inside(self, reading: float) -> float | None:
        """A reading in the middle of the supplies that all units read like this one."""
        window = self.window_v(reading)
        if window is None:
            return None
        low, high = window
        if low is not None and high is not None:
            supply = (low + high) / 2
        else:
            supply = low + WELL_OFF_V if low is not None else (high or 0.0) - WELL_OFF_V
        # The bench sets a supply; a vector tells what is read there.
        value = self.coded(reading + supply - self.supply_v(reading, self.nominal))
        return value if self.around(value) == self.around(reading) and self.is_sure(value) else None


class _Units:
    """Whether all units take what the cell gives in a vector alike: a sound firmware is told what
    the extremes of them read, a step of the converter further, and has to report the same.
    """

    def __init__(self, prepared: Prepared, bands: Bands) -> None:
        system, segments = holding(prepared.system), prepared.gadget.segments
        self.system, self.bands = system, bands
        self.sound = Sound(system, segments)
        self.firmware = Driven(system, segments,
                               asks=("event",) if drives_nothing(system) else ("out",))
        nominal = bands.nominal.nominal_v or 1.0
        self.sides = ((bands.least.true_v or nominal) / nominal, 1), (
            (bands.most.true_v or nominal) / nominal, -1)

    def agree(self, replay: Replay) -> bool:
        """Whether they report the same in this course."""
        script = script_of(replay, self.system)
        if not any(name == READING for one in script.messages for name, _ in one.values):
            return True
        for share, side in self.sides:
            messages = tuple(replace(one, values=tuple(
                (name, self._read(value, share, side) if name == READING else value)
                for name, value in one.values)) for one in script.messages)
            course = self.sound.course(replace(script, messages=messages))
            if self.firmware.parts(course, range(len(messages))) is not None:
                return False
        return True

    def _read(self, value: int, share: float, side: int) -> int:
        """What a unit with such a share of the nominal reference reads, and a step more or less."""
        return round((value / UV / share + side * self.bands.step_v(value / UV)) * UV)


def for_real_units(prepared: Prepared, model: Rehearsal, vectors: Sequence[Vector],
                   exposure: Exposure,
                   run: Callable[[Scenario], Replay | None]) -> list[Vector]:
    """The vectors with readings as converter codes, as far as they expose the same faults then;
    those that come too close to a level marked for the host, and of these one more for the bench
    each, further from the levels, where it covers something that no other there does. What hangs on
    what the cell gives begins with another charge, where it shows the same then (`run` plays it).
    """
    bands = Bands.of(prepared)
    if bands is None:
        return list(vectors)
    covering = Counter(item for vector in vectors for item in vector.covers)
    found = [_coded(prepared, model, bands, vector, exposure, covering) for vector in vectors]
    found = [for_the_host(vector, near=True) if not all(map(bands.is_sure, _readings(vector.acts)))
             else vector for vector in found]
    units, charges = _Units(prepared, bands), bands.charges(prepared)
    found = [vector if vector.for_host or units.agree(vector.replay) else
             _elsewhere(prepared, model, units, charges, vector, exposure, covering, run)
             or for_the_host(vector, near=True) for vector in found]
    seen = {item for vector in found if not vector.for_host for item in vector.covers}
    count = Counter(vector.scenario is None for vector in found)
    for near in [vector for vector in found if vector.near and not vector.exact]:
        twin = (_for_the_bench(model, bands, near) if near.scenario is None
                else _from_another(units, charges, near, run))
        if twin is not None and not twin.covers <= seen and units.agree(twin.replay):
            seen |= twin.covers
            count[twin.scenario is None] += 1
            found.append(named(twin, f"{'v' if twin.scenario else 'b'}"
                                     f"{count[twin.scenario is None]:02d}"))
    return found


def for_the_host(vector: Vector, *, near: bool = False, drifts: bool = False) -> Vector:
    """Marked so, and why."""
    title = vector.title
    title = title if title.startswith(FOR_THE_HOST) else f"{FOR_THE_HOST}{title}"
    return named(replace(vector, near=near, drifts=drifts, title=title), vector.name)


def named(vector: Vector, name: str) -> Vector:
    """Under another name, and its scenario with it."""
    scenario = vector.scenario
    if scenario is not None:
        scenario = replace(scenario, title=f"{name}: {vector.title}")
    return replace(vector, name=name, scenario=scenario)


def _readings(acts: Sequence[Act]) -> list[float]:
    return [act.value for act in acts if act.kind == "measured"]


def _coded(prepared: Prepared, model: Rehearsal, bands: Bands, vector: Vector, exposure: Exposure,
           covering: Counter[str]) -> Vector:  # fmt: skip
    """A vector with its readings as codes; as it is where it would not expose all that it exposes,
    or alone cover something no more. `covering` counts the vectors that cover an item.
    """
    acts = tuple(replace(act, value=bands.coded(act.value)) if act.kind == "measured" else act
                 for act in vector.acts)  # fmt: skip
    if acts == vector.acts:
        return vector
    played = model.played(vector.charge, acts, vector.ends_ns)
    if played is None:
        return vector
    if not _as_good(prepared, vector, played, exposure, covering):
        return vector
    return replace(vector, acts=acts, replay=played)


def _as_good(prepared: Prepared, vector: Vector, played: Replay, exposure: Exposure,
             covering: Counter[str]) -> bool:  # fmt: skip
    """Whether a course may take the place of a vector: it exposes what that does, and what it
    covers no more others do, which is counted.
    """
    lost = vector.covers - played.covers
    if any(covering[item] < 2 for item in lost):
        return False
    judge = Judge(prepared.system, prepared.gadget.segments)
    judge.add(played)
    mine = [fault for fault, name in exposure.exposed if name == vector.name]
    if any(judge.exposed(fault) is None and judge.woken(fault) is None for fault in mine):
        return False
    covering.subtract(lost)
    return True


def _elsewhere(prepared: Prepared, model: Rehearsal, units: _Units, charges: Sequence[float],
               vector: Vector, exposure: Exposure, covering: Counter[str],
               run: Callable[[Scenario], Replay | None]) -> Vector | None:
    """A vector from another charge, from which all units go through it alike; None where there is
    none from which it is as good.
    """
    for charge in charges:
        scenario = None if vector.scenario is None else replace(vector.scenario, charge=charge)
        played = (model.played(charge, vector.acts, vector.ends_ns) if scenario is None
                  else run(scenario))
        if (played is not None and units.agree(played)
                and _as_good(prepared, vector, played, exposure, covering)):
            return replace(vector, charge=charge, scenario=scenario, replay=played)
    return None


def _from_another(units: _Units, charges: Sequence[float], near: Vector,
                  run: Callable[[Scenario], Replay | None]) -> Vector | None:  # fmt: skip
    """A vector from another charge, from which all units go through it alike, whatever it shows."""
    assert near.scenario is not None
    title = f"{FOR_THE_BENCH}as {near.name}, from another charge"
    for charge in charges:
        scenario = replace(near.scenario, charge=charge)
        played = run(scenario)
        if played is not None and units.agree(played):
            return replace(near, title=title, charge=charge, scenario=scenario, replay=played,
                           near=False, adds=())
    return None


def _for_the_bench(model: Rehearsal, bands: Bands, near: Vector) -> Vector | None:
    """A vector with each reading well outside of the bands; None where no output shows it."""
    acts = []
    for act in near.acts:
        safe = bands.safe(act.value) if act.kind == "measured" else act.value
        if safe is None:
            return None
        acts.append(replace(act, value=safe))
    played = model.played(near.charge, acts, near.ends_ns)
    if played is None:
        return None
    first_ns = next((act.at_ns for act in acts if act.kind == "measured"), None)
    if first_ns is None:
        return None
    if not any(report.kind == "out" and report.time_ns >= first_ns for report in played.reports):
        return None
    title = f"{FOR_THE_BENCH}as {near.name}, further from the levels"
    return replace(near, title=title, acts=tuple(acts), replay=played, near=False, adds=())
