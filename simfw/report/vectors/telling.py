"""A search for stimuli that tell a fault from the model: both run side by side until they part.

It goes on from paths on which the fault comes up, and tries what hands and a bench can do, moments
at the ends of times among it. What stands apart inside is gone on from first. Work is counted in
instants.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from heapq import heappop, heappush
from typing import TYPE_CHECKING

from simfw.behaviour.expression import Inside, levels_in, names_in
from simfw.behaviour.region import System
from simfw.circuit.circuit import Circuit
from simfw.errors import EndlessInstant
from simfw.report.vectors.closing import settle_ns
from simfw.report.vectors.exposing import drives_nothing
from simfw.report.vectors.faults import Fault
from simfw.report.vectors.items import READINGS
from simfw.report.vectors.nodes import Found
from simfw.report.vectors.pace import NEVER
from simfw.report.vectors.pair import MARK, Pair, paired
from simfw.report.vectors.search import SIDE, beside, hand_m
from simfw.report.vectors.sketch import Act, Saved
from simfw.verify.abstraction import needed_regions

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget

__all__ = ["Teller"]

MS = 1_000_000
SOON_NS = 3 * MS
EXACT_NS = 50 * MS  # a time at least this long has its end met to the nanosecond
MOST_READINGS = 9
MOST_ENDS = 5
LONG_NS = (10_000 * MS, 100_000 * MS)


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
        if fault.twist.last or fault.twist.opened or fault.kind == "awake":
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

    def readings(self, fault: Fault) -> tuple[float, ...]:
        """What a bench sets for this fault: about the levels that it reads, and beyond all."""
        gauge = self.gadget.gauge
        if gauge is None:
            return ()
        figures = [*gauge.thresholds, gauge.low, gauge.flat]
        levels = sorted(figure.value for figure in figures if figure is not None)
        if not levels:
            return ()
        rows = [self.rows[fault.about]] if fault.about in self.rows else []
        mine = sorted({level for row in rows if row.when is not None
                       for level in levels_in(row.when, self.reading)})
        gap = gauge.hysteresis.value if gauge.hysteresis is not None else 0.0
        found = [beside(self.reading, level, away) for level in mine
                 for away in (0.0, SIDE, -SIDE, 0.015, -0.015)]
        found += [beside(self.reading, levels[0], -SIDE),
                  beside(self.reading, levels[-1] + gap, SIDE)]
        if gauge.low is not None:
            found.append(beside(self.reading, gauge.low.value, -SIDE))
        return tuple(dict.fromkeys(found))[:MOST_READINGS]


Change = tuple[int, str, str, float]


def _later(changes: Sequence[Change], by_ns: int) -> tuple[Change, ...]:
    return tuple((at + by_ns, kind, name, value) for at, kind, name, value in changes)


class _Course:
    """The search for one fault."""

    def __init__(self, teller: Teller, pair: Pair, fault: Fault, most: int) -> None:
        self.teller = teller
        self.gadget = teller.gadget
        self.pair = pair
        self.most = most
        self.readings = teller.readings(fault)
        self.inputs = teller.inputs_of(fault.touched)
        marked = {name + MARK for name in fault.touched}
        self.mine = {number for number, name in enumerate(pair.stepper.region_names)
                     if name in fault.touched or name in marked}
        self.waiting: list[tuple[int, int, Saved, tuple[Act, ...], float]] = []
        self.known: set[object] = set()
        self.count = 0
        looks = {f"{name}.look" for name in self.gadget.proximity}
        names = pair.stepper.region_names
        self.kept = [number for number, name in enumerate(names) if name not in looks]
        self.rest_ns = self._rest()

    def _rest(self) -> int:
        times = [200 * MS]
        for name, button in self.gadget.buttons.items():
            times.append(2 * settle_ns(self.gadget, name)
                         + (button.double.ns if button.double else 0))
        for sensor in self.gadget.proximity.values():
            times.append((sensor.agree + 2) * sensor.every.ns)
        return min(max(times), 2000 * MS) + 11 * MS

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
            for ends, changes in list(self.tries(saved)):
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
            pair.measured_ppm, tuple(pair.measured.items()), tuple(pair.stepper.memory),
            tuple([due[one] - due[other] for one, other in pair.numbers]),
        )
        if key in self.known:
            return
        self.known.add(key)
        self.count += 1
        rank = 2 * depth + (0 if pair.apart() else 1)
        heappush(self.waiting, (rank, self.count, pair.save(), acts, charge))

    # -- what is tried -----------------------------------------------------------------------------

    def tries(self, saved: Saved) -> Iterator[tuple[int, tuple[Change, ...]]]:
        """Everything tried from a node: how long it takes, and the changes (ns from now)."""
        pair = self.pair
        pair.load(saved)
        now, rest = pair.now, self.rest_ns
        # While nothing differs yet, only what bears on the fault can make it come up.
        every = pair.apart()
        ends = self.ends()
        yield rest, ()
        for when, _ in ends:
            yield when + MS - now, ()
        if ends:  # what is counted takes long
            yield from ((wait, ()) for wait in LONG_NS)
        if every or "gauge" in self.inputs:
            for reading in self.readings:
                if self.gadget.gauge is not None:
                    yield (2 * self.gadget.gauge.every.ns + SOON_NS,
                           ((SOON_NS, "measured", self.teller.reading, reading),))
        for gesture in self.gestures():
            if every or gesture[0][2] in self.inputs:
                for wait in (SOON_NS, rest):
                    yield wait + gesture[-1][0] + rest, _later(gesture, wait)
        settled = {name: settle_ns(self.gadget, name) for name in self.teller.system.contacts}
        for kind, name, value in self.toggles():
            if not every and name not in self.inputs:
                continue
            settle = settled.get(name, 0)
            yield SOON_NS + settle + MS, ((SOON_NS, kind, name, value),)
            if settle > 2 * MS:
                yield SOON_NS + MS, ((SOON_NS, kind, name, value),)
            for when, after in ends:
                aims = [when, when - MS, when + MS]
                if after >= EXACT_NS:
                    aims += [when - after // 200, when + after // 200, when - after // 20,
                             when + after // 20]
                for aim in aims:
                    for back in {0, settle}:
                        at = aim - back - now
                        if at > 0:
                            yield at + settle + MS, ((at, kind, name, value),)
        for gesture, told in self.told():
            if every or gesture[0][2] in self.inputs:
                for when, after in ends:
                    for aim in (when, when - after // 2, when - MS, when + MS):
                        at = aim - told - now
                        if at > 0:
                            yield at + told + MS, _later(gesture, at)
        if every or "status" in self.inputs:
            yield from self.pins()

    def ends(self) -> list[tuple[int, int]]:
        """The ends of times ahead: when, and how long the time is; those of the fault first."""
        stepper = self.pair.stepper
        due, entered = stepper.due(), stepper.entered_ns
        numbers = [*sorted(self.mine),
                   *(number for both in self.pair.numbers for number in both)]
        found: dict[int, int] = {}
        for number in numbers:
            if due[number] < NEVER:
                found.setdefault(due[number], due[number] - entered[number])
        return list(found.items())[:MOST_ENDS]

    def toggles(self) -> Iterator[tuple[str, str, float]]:
        """Every change of an input that is possible now."""
        pair = self.pair
        for name in self.teller.system.contacts:
            yield "contact", name, float(not pair.flag(f"{name}.closed"))
        for name, distance in self.teller.hands.items():
            if name in pair.hands:
                yield "hand", name, -1.0
            elif distance is not None:
                yield "hand", name, distance
        for name, levels in self.teller.system.measures.items():
            for value in levels.between():
                if levels.reached(value) != levels.reached(pair.measured[name]):
                    yield "measure", name, value
        if self.gadget.charger is not None:
            yield "usb", "usb", float(not pair.usb)

    def pins(self) -> Iterator[tuple[int, tuple[Change, ...]]]:
        """Levels of the status pin, by themselves and just before USB comes or goes."""
        if "status.edge" not in self.teller.system.raw_events:
            return
        usb = ("usb", "usb", float(not self.pair.usb))
        for level in (0.0, 1.0, 2.0):
            if level != self.pair.status_level() and (level or not self.gadget.status_pulled_up):
                pin = (SOON_NS, "status", "status", level)
                yield self.rest_ns, (pin,)
                yield self.rest_ns, (pin, (2 * SOON_NS, *usb))

    def told(self) -> Iterator[tuple[tuple[Change, ...], int]]:
        """Clicks and doubles, each with how long after its beginning it is told."""
        for name, button in self.gadget.buttons.items():
            if self.pair.contacts.get(name, False):
                continue
            settle = settle_ns(self.gadget, name)
            tap = settle + 20 * MS
            press, release = ("contact", name, 1.0), ("contact", name, 0.0)
            double = button.double.ns if button.double is not None else 0
            yield ((0, *press), (tap, *release)), tap + settle + double
            if double:
                again = tap + settle + double // 2
                yield (((0, *press), (tap, *release), (again, *press), (again + tap, *release)),
                       again + settle)

    def gestures(self) -> Iterator[tuple[Change, ...]]:
        pair, gadget = self.pair, self.gadget
        free = [name for name in gadget.buttons if not pair.contacts.get(name, False)]
        for name in free:
            button, settle = gadget.buttons[name], settle_ns(gadget, name)
            tap = settle + 20 * MS
            press, release = ("contact", name, 1.0), ("contact", name, 0.0)
            yield (0, *press), (tap, *release)
            for _, timing in button.hold_lengths:
                yield (0, *press), (settle + timing.ns + 20 * MS, *release)
            if button.double is not None:
                again = tap + settle + button.double.ns // 2
                yield (0, *press), (tap, *release), (again, *press), (again + tap, *release)
            if settle > 8:
                # A bounce, let go again in the last part of the time, and one pressed again.
                yield (0, *press), (settle - settle // 16, *release)
                yield (0, *press), (settle - settle // 200 - 1, *release)
                yield ((0, *press), (settle // 2, *release), (settle * 3 // 4, *press),
                       (settle * 2 + tap, *release))
        for name in gadget.read_toggles:
            settle, closed = settle_ns(gadget, name), pair.flag(f"{name}.closed")
            yield ((0, "contact", name, float(not closed)),
                   (settle + 20 * MS, "contact", name, float(closed)))
        for name, sensor in gadget.proximity.items():
            distance = self.teller.hands[name]
            if name in pair.hands and distance is not None:
                # Gone for one look, and for just as many as it takes.
                yield (0, "hand", name, -1.0), (sensor.every.ns, "hand", name, distance)
                yield ((0, "hand", name, -1.0),
                       (sensor.agree * sensor.every.ns, "hand", name, distance))
            if name not in pair.hands and distance is not None:
                yield ((0, "hand", name, distance),
                       ((sensor.agree + 1) * sensor.every.ns, "hand", name, -1.0))
                yield (0, "hand", name, distance), (sensor.every.ns, "hand", name, -1.0)
        for chord in gadget.chords.values():
            for names in (chord.buttons, chord.buttons[::-1]):
                if all(name in free for name in names):
                    step = chord.within.ns // (2 * len(names))
                    down = [(k * step, "contact", name, 1.0) for k, name in enumerate(names)]
                    held = down[-1][0] + max(settle_ns(gadget, name) for name in names) + 30 * MS
                    yield (*down, *((held + k * 30 * MS, "contact", name, 0.0)
                                    for k, name in enumerate(names)))

