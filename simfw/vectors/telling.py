"""A search for stimuli that tell a fault from the model: both run side by side until they part.

It goes on from paths on which the fault comes up, and tries what hands and a bench can do, moments
at the ends of times among it. What stands apart inside is gone on from first. Work is counted in
instants.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from heapq import heappop, heappush
from typing import TYPE_CHECKING

from simfw.behaviour.expression import Inside, levels_in, names_in
from simfw.behaviour.region import System
from simfw.circuit.circuit import Circuit
from simfw.errors import EndlessInstant
from simfw.vectors.exposing import drives_nothing
from simfw.vectors.faults import Fault
from simfw.vectors.items import READINGS
from simfw.vectors.moves import Moves
from simfw.vectors.nodes import Found
from simfw.vectors.pair import MARK, Pair, paired
from simfw.vectors.search import SIDE, beside, hand_m
from simfw.vectors.sketch import Act, Saved
from simfw.verify.abstraction import needed_regions

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget

__all__ = ["Teller"]

MS = 1_000_000
MOST_READINGS = 9


class Teller:
    """Searches for one fault after another. `instants` is how many have been run in all."""

    def __init__(self, gadget: Gadget, system: System, circuit: Circuit,
                 segments: Mapping[str, int]) -> None:  # fmt: skip
        self.gadget = gadget
        self.system = system
        self.circuit = circuit
        self.segments = segments
        self.reading = READINGS[circuit.counter is not None]
        self.instants = 0
        self.events = drives_nothing(system)
        self._before: dict[str, frozenset[str]] = {}
        self.rows = {row.key: row for region in system.regions for row in region.rows}
        self.hands = {name: hand_m(circuit, name, 3.8) for name in gadget.proximity}

    def tell(self, fault: Fault, starts: Sequence[Found], most: int) -> Found | None:
        """Stimuli after which the two have parted; None where `most` instants find none."""
        if fault.twist.last or fault.twist.opened or fault.kind in ("awake", "echo"):
            return None
        both = paired(self.system, fault)
        if not (both.events if self.events else both.outputs):
            return None  # it bears on nothing that can be seen
        pair = Pair(both, fault, self.circuit, self.segments, self.events)
        try:
            return _Course(self, pair, fault, most).run(starts)
        finally:
            self.instants += pair.instants

    def inputs_of(self, names: Iterable[str]) -> frozenset[str]:
        """The inputs that can bear on some regions: contacts, sensors, usb, status, "gauge"."""
        found: frozenset[str] = frozenset()
        for name in names:
            if name not in self._before:
                region = self.system.region(name)
                states = frozenset(state.name for state in region.states)
                before = needed_regions(self.system, [Inside(name, states)])
                rows = [row for one in before for row in self.system.region(one).rows]
                inputs = {row.on.removesuffix(".edge") for row in rows
                          if row.on in self.system.raw_events and row.on is not None}
                for row in rows:
                    if row.when is not None:
                        mentioned = names_in(row.when)
                        inputs |= {flag.rpartition(".")[0] or flag for flag in mentioned.flags}
                        inputs |= {flag.partition(".")[0] for flag in mentioned.flags}
                        inputs |= {"gauge"} if mentioned.quantities & set(READINGS) else set()
                self._before[name] = frozenset(inputs)
            found |= self._before[name]
        return found

    def readings(self, fault: Fault | None) -> tuple[float, ...]:
        """What a bench sets for this fault: about the levels that it reads, and beyond all. For
        none: both sides of every level.
        """
        gauge = self.gadget.gauge
        if gauge is None:
            return ()
        figures = [*gauge.thresholds, gauge.low, gauge.flat]
        levels = sorted(figure.value for figure in figures if figure is not None)
        if not levels:
            return ()
        gap = gauge.hysteresis.value if gauge.hysteresis is not None else 0.0
        if fault is None:
            every = {*levels, *(figure.value + gap for figure in gauge.thresholds)}
            return tuple(beside(self.reading, level, away) for level in sorted(every)
                         for away in (-SIDE, SIDE))
        rows = [self.rows[fault.about]] if fault.about in self.rows else []
        mine = sorted({level for row in rows if row.when is not None
                       for level in levels_in(row.when, self.reading)})
        found = [beside(self.reading, level, away) for level in mine
                 for away in (0.0, SIDE, -SIDE, 0.015, -0.015)]
        found += [beside(self.reading, levels[0], -SIDE),
                  beside(self.reading, levels[-1] + gap, SIDE)]
        if gauge.low is not None:
            found.append(beside(self.reading, gauge.low.value, -SIDE))
        return tuple(dict.fromkeys(found))[:MOST_READINGS]


class _Course:
    """The search for one fault."""

    def __init__(self, teller: Teller, pair: Pair, fault: Fault, most: int) -> None:
        self.teller = teller
        self.gadget = teller.gadget
        self.pair = pair
        self.most = most
        marked = {name + MARK for name in fault.touched}
        mine = sorted(number for number, name in enumerate(pair.stepper.region_names)
                      if name in fault.touched or name in marked)
        own = [*mine, *(number for both in pair.numbers for number in both)]
        self.moves = Moves(teller.gadget, teller.system, pair, teller.hands, own,
                           [(teller.reading, value) for value in teller.readings(fault)],
                           teller.inputs_of(fault.touched))
        self.waiting: list[tuple[int, int, Saved, tuple[Act, ...], float]] = []
        self.known: set[object] = set()
        self.count = 0
        looks = {f"{name}.look" for name in self.gadget.proximity}
        names = pair.stepper.region_names
        self.kept = [number for number, name in enumerate(names) if name not in looks]

    def run(self, starts: Sequence[Found]) -> Found | None:
        pair = self.pair
        for start in starts:
            try:
                found = self.play(start)
            except EndlessInstant:
                continue
            if found is not None:
                return found
            self.keep(start.acts, start.charge, 0)
        while self.waiting and pair.instants < self.most:
            rank, _, saved, acts, charge = heappop(self.waiting)
            pair.load(saved)
            # While nothing differs yet, only what bears on the fault can make it come up.
            for ends, changes in list(self.moves.tries(every=pair.apart())):
                if pair.instants >= self.most:
                    return None
                pair.load(saved)
                more = tuple(Act(saved.now + at, kind, name, value)
                             for at, kind, name, value in changes)
                try:
                    parted = self.perform(more, saved.now + ends)
                except EndlessInstant:
                    continue
                if parted:
                    return self.found(acts, more, charge)
                self.keep((*acts, *more), charge, rank // 2 + 1)
        return None

    def found(self, acts: tuple[Act, ...], more: tuple[Act, ...], charge: float) -> Found:
        """The path to where they parted: what would have come later is left out."""
        now = self.pair.now
        done = tuple(act for act in more if act.at_ns <= now)
        return Found(charge=charge, acts=(*acts, *done), ends_ns=now + MS, covers=frozenset())

    def play(self, start: Found) -> Found | None:
        """Power up and follow a path; a path if they part on it."""
        pair = self.pair
        pair.parted = False
        first = [act for act in start.acts if act.at_ns == 0]
        pair.start(start.charge, first)
        rest = start.acts[len(first):]
        if pair.parted or self.perform(rest, start.ends_ns):
            return self.found(tuple(first), rest, start.charge)
        return None

    def perform(self, acts: Sequence[Act], ends_ns: int) -> bool:
        """Whether they part on the way."""
        pair = self.pair
        for at in sorted({act.at_ns for act in acts}):
            if at > pair.now:
                pair.go_to(at)
            if pair.parted:
                return True
            pair.act([act for act in acts if act.at_ns == at])
            if pair.parted:
                return True
        if ends_ns > pair.now:
            pair.go_to(ends_ns)
            if not pair.parted:
                pair.settle()
        return pair.parted

    def keep(self, acts: tuple[Act, ...], charge: float, depth: int) -> None:
        pair = self.pair
        states, due = pair.stepper.states, pair.stepper.due()
        key = (
            tuple([states[number] for number in self.kept]),
            tuple(sorted(pair.contacts.items())), tuple(pair.hands), pair.usb, pair.status,
            pair.powered, pair.released, pair.measured_ppm, tuple(pair.measured.items()),
            tuple(pair.stepper.memory), pair.stepper.hidden,
            tuple([due[one] - due[other] for one, other in pair.numbers]),
        )
        if key in self.known:
            return
        self.known.add(key)
        self.count += 1
        rank = 2 * depth + (0 if pair.apart() else 1)
        heappush(self.waiting, (rank, self.count, pair.save(), acts, charge))
