"""What hands and a bench can do from a moment on: whole gestures, single changes, and both aimed at
the ends of times ahead.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from simfw.behaviour.region import System
from simfw.behaviour.stock import burst_ns
from simfw.vectors.closing import settle_ns
from simfw.vectors.pace import NEVER
from simfw.vectors.sketch import Sketch

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget

__all__ = ["Change", "Moves"]

MS = 1_000_000
SOON_NS = 3 * MS
EXACT_NS = 50 * MS  # a time at least this long has its end met to the nanosecond
MOST_ENDS = 5
LONG_NS = (10_000 * MS, 100_000 * MS)
WITHOUT_NS = 100 * MS  # how long the supply is away

Change = tuple[int, str, str, float]  # ns from now, kind, name, value
Try = tuple[int, tuple[Change, ...]]  # how long it takes, and the changes


def _later(changes: Sequence[Change], by_ns: int) -> tuple[Change, ...]:
    return tuple((at + by_ns, kind, name, value) for at, kind, name, value in changes)


class Moves:
    """What can be done from where a sketch stands.

    `own` are the regions whose times are aimed at, in their order; `readings` what a bench sets;
    `inputs` those that bear on what is looked for.
    """

    def __init__(self, gadget: Gadget, system: System, sketch: Sketch,
                 hands: Mapping[str, float | None], own: Sequence[int],
                 readings: Sequence[tuple[str, float]],
                 inputs: frozenset[str] = frozenset()) -> None:  # fmt: skip
        self.gadget = gadget
        self.system = system
        self.sketch = sketch
        self.hands = hands
        self.own = own
        self.readings = readings
        self.inputs = inputs
        self.settled = {name: settle_ns(gadget, name) for name in system.contacts}
        self.rest_ns = self._rest()

    def _rest(self) -> int:
        times = [200 * MS]
        for name, button in self.gadget.buttons.items():
            times.append(2 * settle_ns(self.gadget, name) + button.double_ns)
        for sensor in self.gadget.proximity.values():
            times.append((sensor.agree + 2) * sensor.every.ns)
        return min(max(times), 2000 * MS) + 11 * MS

    def bears(self, name: str, *, every: bool) -> bool:
        """Whether an input is to be tried."""
        return every or name in self.inputs

    def tries(self, *, every: bool) -> Iterator[Try]:
        """Everything; without `every` only what bears on what is looked for."""
        if not self.sketch.powered:
            yield from self.unpowered(every=every)
            return
        yield from self.waits()
        yield from self.read(every=every)
        yield from self.gestured(every=every)
        yield from self.moved(every=every)
        yield from self.aimed(every=every)
        yield from self.aimed_gestures(every=every)
        if self.bears("status", every=every):
            yield from self.pins()
        yield from self.supplied()

    def waits(self) -> Iterator[Try]:
        """Nothing but time."""
        ends = self.ends()
        yield self.rest_ns, ()
        for when, _ in ends:
            yield when + MS - self.sketch.now, ()
        if ends:  # what is counted takes long
            yield from ((wait, ()) for wait in LONG_NS)

    def read(self, *, every: bool) -> Iterator[Try]:
        """Readings of the gauge."""
        if self.gadget.gauge is not None and self.bears("gauge", every=every):
            for name, reading in self.readings:
                yield (2 * self.gadget.gauge.every.ns + SOON_NS,
                       ((SOON_NS, "measured", name, reading),))

    def gestured(self, *, every: bool) -> Iterator[Try]:
        """Whole gestures, soon and after a rest."""
        for gesture in self.gestures():
            if self.bears(gesture[0][2], every=every):
                for wait in (SOON_NS, self.rest_ns):
                    yield wait + gesture[-1][0] + self.rest_ns, _later(gesture, wait)

    def moved(self, *, every: bool) -> Iterator[Try]:
        """Single changes, until they have settled and not."""
        for kind, name, value in self.toggles():
            if not self.bears(name, every=every):
                continue
            settle = self.settled.get(name, 0)
            yield SOON_NS + settle + MS, ((SOON_NS, kind, name, value),)
            if settle > 2 * MS:
                yield SOON_NS + MS, ((SOON_NS, kind, name, value),)
            if kind == "usb":  # both edges in one instant
                yield (SOON_NS + MS, ((SOON_NS, kind, name, value),
                                      (SOON_NS, kind, name, 1.0 - value)))
            if kind == "measure":  # until it has been noticed
                measure = self.gadget.measures[name]
                yield ((measure.agree + 1) * measure.every.ns + SOON_NS,
                       ((SOON_NS, kind, name, value),))

    def aimed(self, *, every: bool, fine: bool = True) -> Iterator[Try]:
        """Single changes at the ends of times: without `fine` none within a few milliseconds."""
        now, ends = self.sketch.now, self.ends()
        for kind, name, value in self.toggles():
            if not self.bears(name, every=every):
                continue
            settle = self.settled.get(name, 0)
            for when, after in ends:
                aims = [when, when - MS, when + MS] if fine else []
                if after >= EXACT_NS:
                    aims += [when - after // 200, when + after // 200] if fine else []
                    aims += [when - after // 20, when + after // 20]
                if kind in ("hand", "measure"):  # so many looks have seen it by then
                    sensor = (self.gadget.proximity if kind == "hand"
                              else self.gadget.measures)[name]
                    aims += [when - looks * sensor.every.ns + sensor.every.ns // 2
                             for looks in range(1, sensor.agree + 2)]
                for aim in aims:
                    for back in {0, settle}:
                        at = aim - back - now
                        if at > 0:
                            yield at + settle + MS, ((at, kind, name, value),)
        for name in self.gadget.proximity if fine else ():
            if self.bears(name, every=every):
                for changes in self.in_looks(name):
                    yield changes[-1][0] + self.gadget.proximity[name].every.ns, changes

    def in_looks(self, name: str) -> Iterator[tuple[Change, ...]]:
        """A hand that comes or goes in the middle of a burst, look after look, or that is there
        between two looks only.
        """
        sensor, distance = self.gadget.proximity[name], self.hands[name]
        number = self.sketch.stepper.region_names.index(f"{name}.look")
        due = self.sketch.stepper.dues[number]
        if (distance is None or name in self.sketch.hands or due >= NEVER
                or self.sketch.stepper.state_name(f"{name}.look") != "asleep"):
            return
        burst = burst_ns(sensor)
        middle = due + sensor.settle.ns + burst // 2 - self.sketch.now
        between = sensor.every.ns - sensor.settle.ns - burst
        for begins, lasts in ((middle, burst), (middle - burst, burst),
                              (middle + burst, between // 2)):
            if begins > 0 and lasts > 0:
                yield tuple(change for k in range(sensor.agree) for change in (
                    (begins + k * sensor.every.ns, "hand", name, distance),
                    (begins + k * sensor.every.ns + lasts, "hand", name, -1.0)))

    def aimed_gestures(self, *, every: bool) -> Iterator[Try]:
        """Clicks, doubles and waves that are told at the ends of times."""
        now, ends = self.sketch.now, self.ends()
        for gesture, told in self.told():
            if self.bears(gesture[0][2], every=every):
                for when, after in ends:
                    for aim in (when, when - after // 2, when - MS, when + MS):
                        at = aim - told - now
                        if at > 0:
                            yield at + told + MS, _later(gesture, at)

    def supplied(self) -> Iterator[Try]:
        """The supply is taken away, and comes back."""
        if self.sketch.circuit.counter is not None or self.sketch.released:
            return  # what a counter has left after that only the simulator knows
        away = ("supply", "supply", 0.0)
        back = SOON_NS + WITHOUT_NS
        yield back + self.rest_ns, ((SOON_NS, *away), (back, "supply", "supply", 1.0))
        yield SOON_NS + MS, ((SOON_NS, *away),)

    def supplied_anew(self) -> Iterator[Try]:
        """The supply is taken away, and comes back with another reading: what the first sample
        finds would else be found again.
        """
        if self.sketch.circuit.counter is not None or self.sketch.released:
            return
        back = SOON_NS + WITHOUT_NS
        for name, reading in self.readings if self.bears("gauge", every=False) else ():
            yield back + self.rest_ns, (
                (SOON_NS, "supply", "supply", 0.0), (2 * SOON_NS, "measured", name, reading),
                (back, "supply", "supply", 1.0))

    def unpowered(self, *, every: bool) -> Iterator[Try]:
        """The supply comes back, with all as it is or with one input changed; what has come is
        there for long, or goes before it has settled.
        """
        back = ("supply", "supply", 1.0)
        yield WITHOUT_NS + self.rest_ns, ((WITHOUT_NS, *back),)
        for kind, name, value in self.toggles():
            if self.bears(name, every=every):
                settle = self.settled.get(name, 0)
                yield WITHOUT_NS + self.rest_ns, ((MS, kind, name, value), (WITHOUT_NS, *back))
                if settle > 2 * MS:
                    blip = WITHOUT_NS + settle // 2
                    yield (blip + self.rest_ns, ((MS, kind, name, value), (WITHOUT_NS, *back),
                                                 (blip, kind, name, 1.0 - value)))
                    yield (blip + self.rest_ns, ((MS, kind, name, value), (WITHOUT_NS, *back),
                                                 (blip, kind, name, 1.0 - value),
                                                 (blip + settle // 4, kind, name, value)))

    def ends(self) -> list[tuple[int, int]]:
        """The ends of times ahead: when, and how long the time is."""
        stepper = self.sketch.stepper
        due, entered = stepper.due(), stepper.entered_ns
        found: dict[int, int] = {}
        for number in self.own:
            if due[number] < NEVER:
                found.setdefault(due[number], due[number] - entered[number])
        return list(found.items())[:MOST_ENDS]

    def toggles(self) -> Iterator[tuple[str, str, float]]:
        """Every change of an input that is possible now."""
        return self.sketch.toggles(self.hands, self.hands.get)

    def pins(self) -> Iterator[tuple[int, tuple[Change, ...]]]:
        """Levels of the status pin, by themselves and just before USB comes or goes."""
        if "status.edge" not in self.system.raw_events:
            return
        usb = ("usb", "usb", float(not self.sketch.usb))
        for level in (0.0, 1.0, 2.0):
            if level != self.sketch.status_level() and (level or not self.gadget.status_pulled_up):
                pin = (SOON_NS, "status", "status", level)
                yield self.rest_ns, (pin,)
                yield self.rest_ns, (pin, (2 * SOON_NS, *usb))

    def told(self) -> Iterator[tuple[tuple[Change, ...], int]]:
        """Clicks, doubles and waves, each with how long after its beginning it is told."""
        for name, button in self.gadget.buttons.items():
            if self.sketch.contacts.get(name, False):
                continue
            settle = settle_ns(self.gadget, name)
            tap = settle + 20 * MS
            press, release = ("contact", name, 1.0), ("contact", name, 0.0)
            double = button.double_ns
            yield ((0, *press), (tap, *release)), tap + settle + double
            if double:
                again = tap + settle + double // 2
                yield (((0, *press), (tap, *release), (again, *press), (again + tap, *release)),
                       again + settle)
        for name, sensor in self.gadget.proximity.items():
            # Waves are told at looks: the last of as many as it takes comes at that moment.
            distance, lasts = self.hands[name], sensor.agree * sensor.every.ns
            before = lasts - sensor.every.ns // 2
            if name in self.sketch.hands:
                yield ((0, "hand", name, -1.0),), before
            elif distance is not None:
                yield ((0, "hand", name, distance),), before
                yield ((0, "hand", name, distance), (lasts, "hand", name, -1.0)), before

        for name, measure in self.gadget.measures.items():
            for value in self.system.measures[name].between():
                if value != self.sketch.measured[name]:
                    yield (((0, "measure", name, value),),
                           measure.agree * measure.every.ns - measure.every.ns // 2)

    def gestures(self) -> Iterator[tuple[Change, ...]]:
        """Whole gestures, from inputs that are at rest."""
        sketch, gadget = self.sketch, self.gadget
        for name, measure in gadget.measures.items():
            now = sketch.measured[name]
            for value in self.system.measures[name].between() if measure.agree > 1 else ():
                if value != now:  # for one measurement only
                    yield ((0, "measure", name, value), (measure.every.ns, "measure", name, now))
        free = [name for name in gadget.buttons if not sketch.contacts.get(name, False)]
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
                yield ((0, *press), (tap, *release), (tap + settle // 2, *press),
                       (tap + settle * 3 // 4, *release))
        for name in gadget.read_toggles:
            settle, closed = settle_ns(gadget, name), sketch.flag(f"{name}.closed")
            yield ((0, "contact", name, float(not closed)),
                   (settle + 20 * MS, "contact", name, float(closed)))
        for name, sensor in gadget.proximity.items():
            distance = self.hands[name]
            if name in sketch.hands and distance is not None:
                for looks in range(1, sensor.agree + 1):  # gone for so many
                    yield ((0, "hand", name, -1.0),
                           (looks * sensor.every.ns, "hand", name, distance))
            if name not in sketch.hands and distance is not None:
                for looks in range(sensor.agree + 1, 0, -1):
                    yield ((0, "hand", name, distance),
                           (looks * sensor.every.ns, "hand", name, -1.0))
        for chord in gadget.chords.values():
            for names in (chord.buttons, chord.buttons[::-1]):
                if all(name in free for name in names):
                    step = chord.within.ns // (2 * len(names))
                    down = [(k * step, "contact", name, 1.0) for k, name in enumerate(names)]
                    held = down[-1][0] + max(settle_ns(gadget, name) for name in names) + 30 * MS
                    yield (*down, *((held + k * 30 * MS, "contact", name, 0.0)
                                    for k, name in enumerate(names)))

