"""What the gauge reads, asked about: each level from near, followed by what goes by it.

A limit that is a little off shows where somebody does what asks for the number of bars, or for how
low the cell is, just then. Where a row asks, the readings on both sides of a level are tried, from
each number of bars; those that lead to the same are left out.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import TYPE_CHECKING

from simfw.behaviour.expression import names_in
from simfw.behaviour.region import System
from simfw.circuit.circuit import Circuit
from simfw.errors import EndlessInstant
from simfw.vectors.doing import SIDE, beside
from simfw.vectors.handled import Change
from simfw.vectors.items import READINGS
from simfw.vectors.nodes import Found
from simfw.vectors.onward import Onward, Place

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget, Gauge

__all__ = ["Asking"]

MS = 1_000_000
MOST_ASKING = 12  # moments at which the gauge is asked for: a region, a state, an event
ON = (0.0,)  # on a level, not beside it
ASKED = frozenset({"gauge", "cell"})


class Asking(Onward):
    """The courses of a gadget with a gauge, looked for in no more than `most` instants."""

    def __init__(self, gadget: Gadget, system: System, circuit: Circuit, most: int) -> None:
        super().__init__(gadget, system, circuit, most)
        self.gauge = gadget.gauge
        self.every_ns = 0 if gadget.gauge is None else gadget.gauge.every.ns
        self.samples = next((number for number, region in enumerate(self.sketch.system.regions)
                             if region.name == "gauge"), -1)

    def asked(self) -> Iterator[Found]:
        """For each moment at which the gauge is asked for, one course beside the levels, and one
        on them.
        """
        gauge, begins = self.gauge, self.powered_up()
        if gauge is None or not gauge.thresholds or begins is None:
            return
        for region, state, changes in self._moments()[:MOST_ASKING]:
            stands = self._stands(gauge)
            asks = [(stand, level) for stand in stands for level in self._levels(gauge)]
            # What has been read once may be taken otherwise when it is read again.
            for sides, way in (((-SIDE, SIDE), asks), (ON, asks),
                               (ON, [(stand, stand) for stand in stands])):
                place = begins
                for stand, level in list(way):
                    if self.sketch.instants >= self.most:
                        break
                    then = self._asked(place, (region, state), changes, stand, level, sides)
                    if then is None and way is asks:
                        asks.remove((stand, level))
                    place = then or place
                if place.acts:
                    self.load(place)
                    yield Found(charge=0.5, acts=place.acts, ends_ns=self.sketch.now + MS,
                                covers=frozenset())

    def _moments(self) -> list[tuple[str, str, tuple[Change, ...]]]:
        """Where what people do asks for the gauge: region, state, and what is done."""
        found = []
        for region in self.sketch.system.regions:
            for row in region.rows if region.group == "behaviour" else ():
                one = self.events.get(row.on or "")
                if one is None or one.by in ("gauge", "status") or row.when is None:
                    continue
                names = names_in(row.when)
                if ASKED & names.regions or names.quantities & set(READINGS):
                    found += [(region.name, state, one.changes) for state in row.sources]
        return list(dict.fromkeys(found))

    def _stands(self, gauge: Gauge) -> list[float]:
        """A reading between each two levels, and beyond all."""
        levels = self._levels(gauge)
        return [beside(self.reading, levels[0], -2 * SIDE),
                *(beside(self.reading, (low + high) / 2, 0.0) for low, high in pairwise(levels)),
                beside(self.reading, levels[-1], 2 * SIDE)]

    def _levels(self, gauge: Gauge) -> list[float]:
        """Every level that a reading is held against."""
        lost = {level.value for level in gauge.thresholds}
        cell = {figure.value for figure in (gauge.low, gauge.flat) if figure is not None}
        return sorted({*lost, *cell, *(round(level + gauge.gap, 12) for level in lost)})

    def _asked(self, place: Place, stands: tuple[str, str], changes: tuple[Change, ...],
               stand: float, level: float, sides: tuple[float, ...]) -> Place | None:
        """Ask beside a level, coming from a reading, if it matters on which side of it that is.

        On a level nothing is left out. None where it does not matter, or where the place from which
        to ask is not found again.
        """
        if sides != ON:
            there = self._ready(place, *stands, stand)
            tried = [None if there is None else self._one(
                there, beside(self.reading, level, side), changes) for side in sides]
            if None in tried or len({self._shown(one) for one in tried}) == 1:
                return None
        then: Place | None = place
        for side in sides:
            there = None if then is None else self._ready(then, *stands, stand)
            then = None if there is None else self._one(
                there, beside(self.reading, level, side), changes)
        return then

    def _one(self, there: Place, value: float, changes: tuple[Change, ...]) -> Place | None:
        """A reading, or one sample more of the same, and what asks for it."""
        self.load(there)
        same = self.sketch.measured_ppm == round(value * 1e6)
        read = self._sampled(there) if same else self._read(there, value)
        return None if read is None else self._done(read, changes)

    def _shown(self, place: Place | None) -> object:
        assert place is not None
        self.load(place)
        return tuple(sorted((name, repr(drive))
                            for name, drive in self.noting.shown().drives.items()))

    def _ready(self, place: Place, region: str, state: str, stand: float) -> Place | None:
        """Where a region stands in a state and the gauge has read so much."""
        self.load(place)
        if self.sketch.state(region) != state:
            found = self.again(place, lambda: self.sketch.state(region) == state)
            if found is None:
                return None
            place = found
        there = self._read(place, stand)
        return there if there is not None and self.sketch.state(region) == state else None

    def _read(self, place: Place, value: float) -> Place | None:
        """The same place with another reading, once one sample has read it: a second one may put
        right what the first has got wrong.
        """
        after = self._sampled(place)
        one: Change = (0, "measured", self.reading, value)
        return None if after is None else self._done(after, (one,), self.every_ns)

    def _sampled(self, place: Place) -> Place | None:
        """The same place just after one more sample."""
        self.load(place)
        sampled = self.sketch.stepper.due()[self.samples]
        try:
            self.sketch.go_to(min(sampled, self.sketch.now + self.every_ns) + MS)
        except EndlessInstant:
            return None
        return Place(self.sketch.save(), place.acts)

    def _done(self, place: Place, changes: tuple[Change, ...], wait_ns: int = 0) -> Place | None:
        """The same place once something has been done."""
        self.load(place)
        try:
            acts = self.done(changes, wait_ns)
        except EndlessInstant:
            return None
        return Place(self.sketch.save(), (*place.acts, *acts)) if acts else None
