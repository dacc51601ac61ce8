"""What may be done from a node of the search for what is to be covered.

Whole gestures (a tap, a hold, a double click, a chord, a wave, USB), single changes at once and
after a rest, and single changes just before and after those ends of times whose two sides are not
covered yet.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING

from simfw.behaviour.region import STATUS_LEVELS, System
from simfw.behaviour.stock import burst_ns
from simfw.circuit.circuit import Circuit
from simfw.stimuli.inputs import settable
from simfw.vectors.closing import settle_ns
from simfw.vectors.items import CLOSE, READINGS
from simfw.vectors.pace import NEVER
from simfw.vectors.sketch import Sketch

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget, Gauge

__all__ = ["MS", "SIDE", "SOON_NS", "Doing", "beside", "hand_m", "middles", "resting_hands"]

MS = 1_000_000
SOON_NS = 3 * MS
RESTING_V = 3.8  # of a lithium cell about half full; common practice, no source
SIDE = 0.001  # V, or a share: how far from a level a bench sets it
LONG_NS = 2000 * MS  # a time that leaves room for a gesture in its last part
REACH = 0.5  # share of its range at which a hand is held before a sensor

Change = tuple[int, str, str, float]  # offset (ns), kind, name, value


def beside(reading: str, level: float, away: float) -> float:
    """What a bench sets to read `away` from a level: V, or a share of 0 to 1."""
    value = round(level + away, 6)
    return value if reading == "gauge.measured" else min(max(value, 0.0), 1.0)


def hand_m(circuit: Circuit, sensor: str, volts: float) -> float | None:
    """Where a hand is held before a sensor; None where it answers to none."""
    reach = circuit.range_m(sensor, volts)
    return max(0.01, round(REACH * reach, 3)) if reach else None


def resting_hands(gadget: Gadget, circuit: Circuit) -> dict[str, float | None]:
    """The same (m) for every sensor, with the cell at rest."""
    return {name: hand_m(circuit, name, RESTING_V) for name in gadget.proximity}


def middles(gauge: Gauge) -> list[float]:
    """The reading in the middle of each number of bars but none and all, whichever way it was
    reached: V, or a share of 0 to 1.
    """
    lost = sorted(level.value for level in gauge.thresholds)
    return [round((low + gauge.gap + high) / 2, 6) for low, high in pairwise(lost)]


def _later(changes: Sequence[Change], by_ns: int) -> tuple[Change, ...]:
    return tuple([(at + by_ns, kind, name, value) for at, kind, name, value in changes])


class Doing:
    """What can be done from where a sketch stands. `left` are the items that are still wanted; with
    `pins` it is what a bench can do beyond hands.
    """

    def __init__(self, gadget: Gadget, system: System, sketch: Sketch, left: set[str]) -> None:
        self.gadget = gadget
        self.system = system
        self.sketch = sketch
        self.left = left
        self.pins = False
        self.reading = READINGS[sketch.circuit.counter is not None]
        self.written = [number for number, region in enumerate(system.regions)
                        if region.group == "behaviour"]
        # What a bench can make a status pin read: nothing lets go of a pin that is pulled up.
        self.readable = [number for number, level in enumerate(STATUS_LEVELS)
                         if level != "released" or not gadget.status_pulled_up
                         ] if system.status_levels else []
        self.rest_ns = self._rest()

    def _rest(self) -> int:
        """How long everything that settles by itself takes, at most."""
        times = [1000 * MS]
        for name, button in self.gadget.buttons.items():
            times.append(2 * self._settle(name) + button.double_ns)
        for sensor in self.gadget.proximity.values():
            times.append((sensor.agree + 2) * sensor.every.ns + sensor.clear.ns)
        if self.gadget.gauge is not None:
            times.append(2 * self.gadget.gauge.every.ns)
        return min(max(times), 5000 * MS) + 11 * MS

    def _settle(self, name: str) -> int:
        return settle_ns(self.gadget, name)

    def levels(self) -> tuple[float, ...]:
        """The levels that the gauge compares with: volts as measured, or shares as counted."""
        gauge = self.gadget.gauge
        if gauge is None:
            return ()
        ways = {volts.value for volts in gauge.thresholds}
        ways |= {round(volts.value + gauge.gap, 12) for volts in gauge.thresholds}
        ways |= {figure.value for figure in (gauge.low, gauge.flat) if figure is not None}
        return tuple(sorted(ways))

    def _hand(self, name: str) -> float | None:
        return hand_m(self.sketch.circuit, name, self.sketch.volts())

    def toggles(self) -> Iterator[tuple[str, str, float]]:
        """Every change of an input that is possible now."""
        return self.sketch.toggles(self.gadget.proximity, self._hand)

    def gestures(self) -> Iterator[tuple[Change, ...]]:
        """Whole gestures, from inputs that are at rest."""
        sketch = self.sketch
        free = [name for name in self.gadget.buttons if not sketch.contacts.get(name, False)]
        for name in free:
            button, settle = self.gadget.buttons[name], self._settle(name)
            tap = settle + 20 * MS
            press, release = ("contact", name, 1.0), ("contact", name, 0.0)
            if button.style == "first-edge" and settle > CLOSE:
                # Let go within the time that the first edge takes: the release counts at its end.
                yield (0, *press), (settle // 2, *release)
                # A bounce after either edge, and one more press while that of the release lasts.
                yield ((0, *press), (settle // 4, *release), (settle // 2, *press),
                       (2 * tap, *release), (2 * tap + settle // 4, *press),
                       (2 * tap + settle // 2, *release), (4 * tap, *press),
                       (5 * tap, *release), (5 * tap + settle // 2, *press), (7 * tap, *release))
            if button.style == "settle" and settle > CLOSE:
                # A bounce: let go again in the last part of the debounce time.
                yield (0, *press), (settle - settle // (2 * CLOSE), *release)
                # Each change just after the last has settled, the third of them a bounce.
                step = settle + MS
                yield ((0, *press), (step, *release), (2 * step, *press),
                       (2 * step + settle // 2, *release), (3 * step + settle // 2, *press),
                       (3 * step + settle // 2 + tap, *release))  # fmt: skip
            if button.style == "sample":
                for count in range(1, button.samples):
                    blip = count * button.sample_every.ns
                    yield (0, *press), (blip, *release)
                    yield (0, *press), (tap, *release), (tap + blip, *press), (2 * tap, *release)
            yield (0, *press), (tap, *release)
            repeat = 0 if button.repeat is None else button.repeat.ns
            for _, timing in button.hold_lengths:
                yield (0, *press), (settle + timing.ns + 20 * MS, *release)
                if repeat:
                    yield (0, *press), (settle + timing.ns + 2 * repeat + 20 * MS, *release)
            if button.double is not None:
                again = tap + settle + button.double.ns // 2
                taps = [((k * again, *press), (k * again + tap, *release))
                        for k in range(button.most_clicks)]
                for count in range(2, button.most_clicks + 1):
                    yield tuple(change for pair in taps[:count] for change in pair)
                if button.second_hold is not None:
                    lasts = again + settle + button.second_hold.ns + 20 * MS
                    yield (0, *press), (tap, *release), (again, *press), (lasts, *release)
        for name in (name for kind, name in settable(self.gadget) if kind.contact):
            settle, closed = self._settle(name), sketch.flag(f"{name}.closed")
            there, back = ("contact", name, float(not closed)), ("contact", name, float(closed))
            yield (0, *there), (settle - settle // (2 * CLOSE), *back)
            yield (0, *there), (settle + 20 * MS, *back)
        for name, sensor in self.gadget.proximity.items():
            distance = self._hand(name)
            if name not in sketch.hands and distance is not None:
                yield (0, "hand", name, distance), ((sensor.agree + 1) * sensor.every.ns, "hand",
                                                    name, -1.0)  # fmt: skip
        for name, measure in self.gadget.measures.items():
            now, every = sketch.measured[name], measure.every.ns
            if measure.agree == 1:
                continue
            others = [value for value in self.system.measures[name].between() if value != now]
            for value in others:  # for one measurement only, and then the other way
                yield (0, "measure", name, value), (every, "measure", name, now)
                for other in others:
                    if (value < now) != (other < now):
                        yield ((0, "measure", name, value), (every, "measure", name, other),
                               (every * (measure.agree + 1), "measure", name, now))
        for chord in self.gadget.chords.values():
            for names in (chord.buttons, chord.buttons[::-1]):
                if not all(name in free for name in names):
                    continue
                step = chord.within.ns // (2 * len(names))
                down = [(k * step, "contact", name, 1.0) for k, name in enumerate(names)]
                again = max(self._settle(name) for name in names) + 30 * MS
                held = down[-1][0] + again
                up: list[Change] = [(k * 30 * MS, "contact", name, 0.0)
                                    for k, name in enumerate(names)]  # fmt: skip
                yield (*down, *_later(up, held))
                # One lets go and comes back before the other has let go.
                first = names[0]
                yield (*down, (held, "contact", first, 0.0), (held + again, "contact", first, 1.0),
                       *_later(up, held + 2 * again))  # fmt: skip

    def pin_changes(self) -> Iterator[tuple[str, str, float]]:
        """Levels that a bench sets at the pins: the status pin, and what the gauge measures."""
        sketch = self.sketch
        if "status.edge" in self.system.raw_events:
            now = sketch.status_level()
            yield from (("status", "status", float(level)) for level in self.readable
                        if level != now)
        for level in self.levels():
            yield "measured", self.reading, beside(self.reading, level, SIDE)
            yield "measured", self.reading, beside(self.reading, level, -SIDE)

    def moments(self) -> Iterator[tuple[int, int, str, bool, bool]]:
        """Ends of times ahead: when, how long, of which row, and which sides are still wanted."""
        sketch, stepper, left = self.sketch, self.sketch.stepper, self.left
        for when, after, key in sketch.ends():
            early = f"early {key}" in left
            late = not left.isdisjoint((f"late {key}", f"row {key}", f"after {key}"))
            if early or late:
                yield when, after, key, early, late
        for name, sensor in self.gadget.proximity.items():
            number = stepper.region_names.index(f"{name}.look")
            settled = stepper.due()[number] + sensor.settle.ns
            burst = burst_ns(sensor)
            if stepper.state_name(f"{name}.look") == "asleep" and settled < NEVER:
                for when, after, key in (
                    (settled, sensor.settle.ns, f"proximity.{name}.settle"),
                    (settled + burst, burst, f"proximity.{name}.burst#1"),
                ):
                    early, late = f"early {key}" in left, f"after {key}" in left
                    if after and (early or late):
                        yield when, after, key, early, late

    def times(self, kind: str, name: str) -> Iterator[int]:
        """When a single change is tried: soon, after a rest, and around the ends of times."""
        now = self.sketch.now
        yield now + SOON_NS
        yield now + self.rest_ns
        settle = self._settle(name) if kind == "contact" else 0
        for when, after, key, early, late in self.moments():
            inside = max(1, after // (2 * CLOSE))
            if early:
                yield from (when - back - inside for back in {0, settle})
            if late:
                yield when + MS
                if f"after {key}" in self.left:
                    yield from (when + inside - back for back in {0, settle})

    def tries(self) -> Iterator[tuple[int, tuple[Change, ...]]]:
        """Everything that is tried from the present node: when it ends, and the changes."""
        now, rest = self.sketch.now, self.rest_ns
        yield now + rest, ()
        waits = {when + MS for when, _, _, _, late in self.moments() if late}
        waits |= {when + MS for when in self.leading_ends()}
        for when in sorted(waits):
            yield when, ()
        if self.pins:
            if self.gadget.gauge is not None:
                rest = max(rest, 2 * self.gadget.gauge.every.ns)
            for change in self.pin_changes():
                yield now + rest, ((SOON_NS, *change),)
            if self.gadget.charger is not None:
                usb = float(self.sketch.usb)
                plug, back = ((SOON_NS, "usb", "usb", value) for value in (1.0 - usb, usb))
                yield now + rest, (plug,)
                if usb:
                    yield now + rest, (plug, back)
                for level in self.readable:  # the pin says so before USB comes
                    yield now + rest, ((MS, "status", "status", float(level)), plug)
            return
        for gesture in self.gestures():
            shifted = _later(gesture, rest)
            ends, kind, name, _ = shifted[-1]
            yield now + ends + rest, shifted
            yield now + ends + self.after(kind, name), shifted
        yield from self.timed_gestures()
        for kind, name, value in self.toggles():
            for at in sorted(set(self.times(kind, name))):
                if at > now:
                    yield at + self.after(kind, name), ((at - now, kind, name, value),)
            if kind == "usb" and not value:  # ends come first: to come and go at once is nothing
                there_and_back = ((SOON_NS, kind, name, value), (SOON_NS, kind, name, 1.0 - value))
                yield now + SOON_NS, there_and_back

    def aimed(self) -> Iterator[tuple[str, int, tuple[Change, ...]]]:
        """Of `tries` what is aimed at the ends of times that are wanted: each with the item that it
        is for, or "" for time that goes on.
        """
        now, moments = self.sketch.now, list(self.moments())
        waits = {when + MS for when, _, _, _, late in moments if late}
        waits |= {when + MS for when in self.leading_ends()}
        for when in sorted(waits):
            yield "", when, ()
        for kind, name, value in self.toggles():
            settle = self._settle(name) if kind == "contact" else 0
            for when, after, key, _, _ in moments:
                inside = max(1, after // (2 * CLOSE))
                for item, side in ((f"early {key}", -inside), (f"after {key}", inside)):
                    for at in sorted({when + side, when + side - settle}):
                        if item in self.left and at > now:
                            yield (item, at + self.after(kind, name),
                                   ((at - now, kind, name, value),))

    def leading_ends(self) -> Iterator[int]:
        """Ends of times that make an event which a row that has not fired yet waits for."""
        stepper = self.sketch.stepper
        due, names = stepper.due(), stepper.names()
        wanted = {row.on for region in self.system.regions for row in region.rows
                  if f"row {row.key}" in self.left}
        for number in self.written:
            rows = self.system.regions[number].rows
            if due[number] < NEVER and any(
                    row.after_ns and names[number] in row.sources and wanted.intersection(row.emit)
                    for row in rows):
                yield due[number]

    def timed_gestures(self) -> Iterator[tuple[int, tuple[Change, ...]]]:
        """Whole gestures whose event comes just before or after the end of a long time."""
        for when, after, key, early, _ in self.moments():
            if after < LONG_NS:
                continue
            inside = after // (2 * CLOSE)
            sides = [side for side, is_wanted in (
                (-inside, early), (inside, f"after {key}" in self.left)) if is_wanted]  # fmt: skip
            for gesture in self.gestures() if sides else ():
                last, kind, name, _ = gesture[-1]
                lasts = last + (self._click(name) if kind == "contact" else 0)
                for side in sides:
                    start = when + side - lasts - self.sketch.now
                    if start > 0:
                        yield when + max(side, 0) + MS, _later(gesture, start)

    def _click(self, name: str) -> int:
        """How long after its last change a button tells what it was."""
        button = self.gadget.buttons.get(name)
        return self._settle(name) + (0 if button is None else button.double_ns)

    def after(self, kind: str, name: str) -> int:
        """How long a change takes to be noticed: until then, nothing else is done."""
        if kind == "contact":
            return self._settle(name) + MS
        if kind == "measure":
            measure = self.gadget.measures[name]
            return (measure.agree + 1) * measure.every.ns + measure.settle.ns + MS
        if kind == "hand":
            sensor = self.gadget.proximity[name]
            return sensor.every.ns + sensor.settle.ns + burst_ns(sensor) + MS
        return MS
