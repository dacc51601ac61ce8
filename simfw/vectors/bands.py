"""What a real unit can tell apart: readings of the gauge as converter codes, and supply windows.

A converter yields whole codes (see `circuit.measure`), and the reference of a unit lies anywhere in
its range. Around each level there is so a band of supplies that some units read as below it and
others do not; 3.299 V and 3.301 V are the same code of most converters. A vector for the bench
keeps outside of these bands by a step of the converter, or 10 mV where none is known; one that does
not is for the host, where a reading is a number. There every reading is one that a code stands for,
but those that are a level exactly.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

from simfw.behaviour.expression import levels_in
from simfw.circuit.measure import Converter
from simfw.circuit.regulator import Regulator
from simfw.vectors.around import asked_by
from simfw.vectors.exposing import Judge
from simfw.vectors.items import UV
from simfw.vectors.sketch import NEARBY, Act

if TYPE_CHECKING:
    from simfw.engine.simulator import Prepared
    from simfw.vectors.build import Rehearsal, Vector
    from simfw.vectors.whittle import Exposure

__all__ = ["FOR_THE_BENCH", "FOR_THE_HOST", "Bands", "for_real_units"]

FOR_THE_BENCH, FOR_THE_HOST = "for the bench: ", "for the host: "
READING = "gauge.measured"
WELL_OFF_V = 0.05  # how far below all levels, and above all, a bench goes


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


def for_real_units(prepared: Prepared, model: Rehearsal, vectors: Sequence[Vector],
                   exposure: Exposure) -> list[Vector]:  # fmt: skip
    """The vectors with readings as converter codes, as far as they expose the same faults then;
    those that come too close to a level marked for the host, and of these one more for the bench
    each, further from the levels, where it covers something that no other there does.
    """
    bands = Bands.of(prepared)
    if bands is None:
        return list(vectors)
    covering = Counter(item for vector in vectors for item in vector.covers)
    found = [_coded(prepared, model, bands, vector, exposure, covering) for vector in vectors]
    found = [replace(vector, near=True, title=f"{FOR_THE_HOST}{vector.title}"
                     if not vector.title.startswith(FOR_THE_HOST) else vector.title)
             if not all(bands.is_sure(reading) for reading in _readings(vector.acts)) else vector
             for vector in found]  # fmt: skip
    seen = {item for vector in found if not vector.for_host for item in vector.covers}
    count = sum(vector.scenario is None for vector in found)
    for near in [vector for vector in found if vector.near and not vector.exact]:
        twin = _for_the_bench(model, bands, near)
        if twin is not None and not twin.covers <= seen:
            seen |= twin.covers
            count += 1
            found.append(replace(twin, name=f"b{count:02d}"))
    return found


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
    lost = vector.covers - played.covers
    if any(covering[item] < 2 for item in lost):
        return vector
    judge = Judge(prepared.system, prepared.gadget.segments)
    judge.add(played)
    mine = [fault for fault, name in exposure.exposed if name == vector.name]
    if any(judge.exposed(fault) is None for fault in mine):
        return vector
    covering.subtract(lost)
    return replace(vector, acts=acts, replay=played)


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
    first_ns = next(act.at_ns for act in acts if act.kind == "measured")
    if not any(report.kind == "out" and report.time_ns >= first_ns for report in played.reports):
        return None
    title = f"{FOR_THE_BENCH}as {near.name}, further from the levels"
    return replace(near, title=title, acts=tuple(acts), replay=played, near=False, adds=())
