"""The search for stimuli that cover what is to be covered: kept where they bring something new.

A node is a moment of the sketch with the acts that led to it. From a node whole gestures are tried
(a tap, a hold, a double click, a chord, a wave, USB), single changes at once and after a rest, and
single changes just before and after those ends of times whose two sides are not covered yet. A node
is kept if it covers something new or shows a combination of states not seen before. The node to go
on from is the one that stands in most states that uncovered rows lead from.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from simfw.behaviour.expression import evaluate
from simfw.behaviour.region import STATUS_LEVELS, Region, Row, System
from simfw.behaviour.stock import burst_ns
from simfw.circuit.circuit import Circuit, LoadSet
from simfw.engine.clocks import Clocks, clock_of
from simfw.errors import EndlessInstant
from simfw.stimuli.inputs import settable
from simfw.vectors.closing import settle_ns
from simfw.vectors.items import CLOSE, READINGS, all_items, key_of
from simfw.vectors.nodes import Found, Node, Nodes
from simfw.vectors.pace import NEVER
from simfw.vectors.sketch import Act, Saved, Sketch

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget

__all__ = ["SIDE", "beside", "hand_m", "search"]

MS = 1_000_000
SOON_NS = 3 * MS
# Of what the gauge reads: V, or a share of its capacity figure.
NEAR = 0.003  # how far from a threshold of the gauge a start is placed
SIDE = 0.001  # how far from a level a bench sets it
LONG_NS = 2000 * MS  # a time that leaves room for a gesture in its last part
LEAST_CHARGE = 0.001  # below, a start is not worth a vector
REACH = 0.5  # share of its range at which a hand is held before a sensor
TIRED = 2  # how often a wish for one row may be followed without anything new
MOST = 300  # nodes that are gone on from, for each of the two kinds of act

Change = tuple[int, str, str, float]  # offset (ns), kind, name, value


def beside(reading: str, level: float, away: float) -> float:
    """What a bench sets to read `away` from a level: V, or a share of 0 to 1."""
    value = round(level + away, 6)
    return value if reading == "gauge.measured" else min(max(value, 0.0), 1.0)


def _standing(region: Region, row: Row) -> frozenset[tuple[str, str]]:
    """The states in which a row can be waited for: for a passing state, those that lead to it.

    A state passes that a zero dwell leaves whatever its guard; one that only guards may hold back
    passes for the zero dwells themselves, and can be waited in for all other rows.
    """
    passing = {state for other in region.rows if other.after_ns == 0 and other.when is None
               for state in other.sources}  # fmt: skip
    states: set[str] = set()
    for source in row.sources:
        if source in passing or row.after_ns == 0:
            states |= {state for other in region.rows if other.to == source
                       for state in other.sources}  # fmt: skip
        else:
            states.add(source)
    if not states - passing:
        states = {state.name for state in region.states}
    return frozenset((region.name, state) for state in states)


def _leading(region: Region, row: Row) -> frozenset[tuple[str, str]]:
    """The states from which another row leads to where a row can be waited for."""
    return frozenset((region.name, state) for other in region.rows if other.to in row.sources
                     for state in other.sources)  # fmt: skip


def hand_m(circuit: Circuit, sensor: str, volts: float) -> float | None:
    """Where a hand is held before a sensor; None where it answers to none."""
    reach = circuit.range_m(sensor, volts)
    return max(0.01, round(REACH * reach, 3)) if reach else None


def _later(changes: Sequence[Change], by_ns: int) -> tuple[Change, ...]:
    return tuple([(at + by_ns, kind, name, value) for at, kind, name, value in changes])


class _Search:
    def __init__(self, gadget: Gadget, system: System, circuit: Circuit,
                 segments: Mapping[str, int], clocks: Clocks) -> None:  # fmt: skip
        self.gadget = gadget
        self.resting = clock_of(circuit, LoadSet(), clocks)
        self.system = system
        self.sketch = Sketch(system, circuit, segments)
        self.left = set(all_items(system))
        self.resumes: dict[str, list[str]] = {}
        for item in self.left:
            if item.startswith("resume "):
                self.resumes.setdefault(key_of(item), []).append(item)
        self.known: set[tuple[object, ...]] = set()
        self.nodes = Nodes()
        self.found: list[Found] = []
        self.pins = False
        self.reading = READINGS[circuit.counter is not None]
        self.ticking = {f"{name}.look" for name in (*gadget.proximity, *gadget.measures)}
        self.ticking.add("gauge")
        self.rests = dict(self.sketch.measured)
        self.rows = {row.key: row for region in system.regions for row in region.rows}
        self.sources = {row.key: _standing(region, row)
                        for region in system.regions for row in region.rows}  # fmt: skip
        self.leading = {row.key: _leading(region, row)
                        for region in system.regions for row in region.rows}  # fmt: skip
        for region in system.regions:
            everywhere = frozenset((region.name, state.name) for state in region.states)
            self.sources |= {f"{region.name}:{state.name}": everywhere for state in region.states}
        self.region_of = {row.key: number for number, region in enumerate(system.regions)
                          for row in region.rows}  # fmt: skip
        self.electrical = {row.key for region in system.regions for row in region.rows
                           if region.group in ("charge", "gauge")}  # fmt: skip
        self.electrical |= {f"{region.name}:{state.name}" for region in system.regions
                            for state in region.states
                            if region.group in ("charge", "gauge")}  # fmt: skip
        self.own = {(region.name, state.name) for region in system.regions
                    if region.group == "behaviour" for state in region.states}  # fmt: skip
        # What a bench can make a status pin read: nothing lets go of a pin that is pulled up.
        self.readable = [number for number, level in enumerate(STATUS_LEVELS)
                         if level != "released" or not gadget.status_pulled_up
                         ] if system.status_levels else []
        self.standing: dict[tuple[str, str], Node] = {}  # the first node at rest in each of them
        self.tired: dict[str, int] = {}
        self.rest_ns = self._rest()
        self.quiet = Found(charge=0.5, acts=(), ends_ns=0, covers=frozenset())

    def _rest(self) -> int:
        """How long everything that settles by itself takes, at most."""
        times = [1000 * MS]
        for name, button in self.gadget.buttons.items():
            times.append(2 * self._settle(name) + (button.double.ns if button.double else 0))
        for sensor in self.gadget.proximity.values():
            times.append((sensor.agree + 2) * sensor.every.ns + sensor.clear.ns)
        if self.gadget.gauge is not None:
            times.append(2 * self.gadget.gauge.every.ns)
        return min(max(times), 5000 * MS) + 11 * MS

    def _settle(self, name: str) -> int:
        return settle_ns(self.gadget, name)

    # -- where to start ----------------------------------------------------------------------------

    def levels(self) -> tuple[float, ...]:
        """The levels that the gauge compares with: volts as measured, or shares as counted."""
        gauge = self.gadget.gauge
        if gauge is None:
            return ()
        gap = gauge.hysteresis.value if gauge.hysteresis else 0.0
        ways = {volts.value for volts in gauge.thresholds}
        ways |= {round(volts.value + gap, 12) for volts in gauge.thresholds}
        ways |= {figure.value for figure in (gauge.low, gauge.flat) if figure is not None}
        return tuple(sorted(ways))

    def charges(self) -> Iterator[float]:
        """Start charges: half full, and both sides of every level that a first reading meets."""
        yield 0.5
        gauge = self.gadget.gauge
        figures = () if gauge is None else (*gauge.thresholds, gauge.low, gauge.flat)
        for level in sorted({figure.value for figure in figures if figure is not None}):
            for away in (NEAR, -NEAR):
                charge = self._charge_at(level, away)
                if charge is not None:
                    yield charge

    def _charge_at(self, level: float, away: float) -> float | None:
        """The charge at which the gauge of the gadget at rest reads `away` from a level."""
        circuit = self.sketch.circuit
        cut_off = circuit.cut_off_v
        if circuit.counter is not None:
            charge = circuit.counter.charge_at(level + away)
            least = 0.0 if cut_off is None else self.resting.charge_at_voltage(cut_off)
            if charge <= least:
                return None
        else:
            volts = circuit.true_v_for(level) + away
            if cut_off is not None and volts <= cut_off:
                return None
            charge = self.resting.charge_at_voltage(volts)
        return round(charge, 6) if LEAST_CHARGE < charge < 1.0 else None

    # -- what may be done --------------------------------------------------------------------------

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
        for when, _, _, _, late in self.moments():
            if late:
                yield when + MS, ()
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
        double = None if button is None else button.double
        return self._settle(name) + (double.ns if double is not None else 0)

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

    # -- the search itself -------------------------------------------------------------------------

    def keep(self, found: Found) -> bool:
        """Make a node of the present moment of the sketch, if it is worth it."""
        sketch, stepper = self.sketch, self.sketch.stepper
        news = self.left & sketch.seen
        states = frozenset(zip(stepper.region_names, stepper.names(), strict=True))
        key = (
            frozenset(item for item in states if item[0] not in self.ticking),
            tuple(sketch.contacts.items()), tuple(sketch.hands), sketch.usb,
            tuple(sketch.measured.items()),
            (stepper.bars(), sketch.status) if self.pins else None, tuple(stepper.memory),
        )  # fmt: skip
        if not news and key in self.known and found.acts:
            return False
        self.known.add(key)
        found = Found(charge=found.charge, acts=found.acts, ends_ns=sketch.now,
                      covers=found.covers | sketch.seen)  # fmt: skip
        if news:
            self.left -= news
            self.found.append(found)
        node = Node(sketch.save(), found, states)
        self.nodes.add(node)
        if not (any(sketch.contacts.get(name, rest) != rest
                    for name, rest in self.system.contacts.items())
                or sketch.hands or sketch.usb or sketch.measured != self.rests):
            for place in states & self.own:
                self.standing.setdefault(place, node)
        return bool(news)

    def expand(self, node: Node) -> bool:
        """Try everything from a node; whether anything new came of it."""
        sketch = self.sketch
        sketch.load(node.saved)
        news = False
        # Many tries begin alike: what lies before their first act, and before their last, is kept.
        kept: dict[object, tuple[Saved, set[str]]] = {}
        for ends, changes in list(self.tries()):
            sketch.load(node.saved)
            acts = tuple([Act(node.saved.now + offset, kind, name, value)
                          for offset, kind, name, value in changes])  # fmt: skip
            try:
                if acts:
                    self.perform(acts, kept)
                if ends > sketch.now:
                    sketch.go_to(ends)
                    sketch.settle()
            except EndlessInstant:
                continue
            news |= self.keep(Found(charge=node.found.charge, acts=(*node.found.acts, *acts),
                                    ends_ns=ends, covers=node.found.covers))  # fmt: skip
        return news

    def perform(self, acts: tuple[Act, ...], kept: dict[object, tuple[Saved, set[str]]]) -> None:
        """Go through some acts from a node, or take over what was kept of the same."""
        sketch = self.sketch
        if acts in kept:
            self.take(kept[acts])
            return
        first = acts[0].at_ns
        if first in kept:
            self.take(kept[first])
        else:
            sketch.go_to(first)
            kept[first] = sketch.save(), set(sketch.seen)
        for at in sorted({act.at_ns for act in acts}):
            if at > sketch.now:
                sketch.go_to(at)
            sketch.act(act for act in acts if act.at_ns == at)
        kept[acts] = sketch.save(), set(sketch.seen)

    def take(self, kept: tuple[Saved, set[str]]) -> None:
        """Stand where something was kept, having seen what had been seen."""
        self.sketch.load(kept[0])
        self.sketch.seen = set(kept[1])

    def choose(self) -> tuple[Node, str] | None:
        """The next node to go on from, and the uncovered row it is for."""
        wishes = {key_of(item) for item in self.left
                  if not item.startswith(("pair ", "power ", "back "))}
        if not self.pins:
            # What depends on cell and charger alone is reached from the starts, or not at all.
            wishes -= self.electrical
        for key in sorted(wishes, key=lambda key: (self.tired.get(key, 0), key)):
            if self.tired.get(key, 0) >= TIRED:
                break
            node = self.best(key)
            if node is not None:
                return node, key
        return None

    def fitting(self, key: str) -> Iterator[Node]:
        """The nodes in which a row can be waited for, from the first on."""
        return self.nodes.standing_in(self.sources[key])

    def best(self, key: str) -> Node | None:
        """The first fitting node that goes back to where it never went back to, or else where the
        guard says what it was never heard to say.
        """
        first = next(self.fitting(key), None)
        if first is None:
            # Nowhere yet: go on from where a row leads there.
            before = self.leading.get(key, frozenset())
            return next(self.nodes.standing_in(before), None)
        places = {item.split(" ")[2] for item in self.resumes.get(key, ()) if item in self.left}
        if places:
            number = self.region_of[key]
            names = self.sketch.stepper.state_names[number]
            for node in self.fitting(key):
                remembered = node.saved.memory[number]
                if remembered >= 0 and names[remembered] in places:
                    return node
        guard = self.rows[key].when if key in self.rows else None
        wanted = [outcome for outcome in (False, True)
                  if f"guard {key} {'true' if outcome else 'false'}" in self.left]  # fmt: skip
        if guard is not None and len(wanted) == 1:
            for node in self.fitting(key):
                self.sketch.load(node.saved)
                if evaluate(guard, self.sketch) == wanted[0]:
                    return node
        return first

    def quietest(self) -> Found:
        """The shortest way to where least ticks beside the gauge: its samples stand alone there."""
        own = self.sketch.stepper.region_names.index("gauge") if self.gadget.gauge else -1

        def rank(node: Node) -> tuple[int, int, int]:
            running = sum(due < NEVER for number, due in enumerate(node.saved.due_in)
                          if number != own)  # fmt: skip
            return running, len(node.found.acts), node.found.ends_ns

        free = [node for node in self.nodes if not node.saved.usb and not node.saved.hands
                and all(closed == self.system.contacts[name]
                        for name, closed in node.saved.contacts)
                and node.found.charge == 0.5]  # fmt: skip
        return min(free, key=rank).found if free else Found(
            charge=0.5, acts=(), ends_ns=0, covers=frozenset())  # fmt: skip

    def sweep(self) -> Found | None:
        """Every level of the gauge from both sides, up and down, for a bench that sets them."""
        gauge = self.gadget.gauge
        if gauge is None:
            return None
        levels = self.levels()
        begins = self.quiet
        now = begins.ends_ns
        usb = [Act(now + SOON_NS, "usb", "usb", 1.0)] if self.gadget.charger is not None else []
        sides = [beside(self.reading, level, side * SIDE) for level in levels for side in (-1, 1)]
        wait = 2 * gauge.every.ns + MS
        acts = (*begins.acts, *usb,
                *(Act(now + 2 * SOON_NS + k * wait, "measured", self.reading, value)
                  for k, value in enumerate([*sides, *reversed(sides)])))  # fmt: skip
        ends = now + 2 * SOON_NS + (2 * len(sides) + len(usb) + 1) * wait
        return Found(charge=0.5, acts=acts, ends_ns=ends, covers=frozenset())

    def explore(self) -> None:
        """Go on from nodes until nothing is left, or nothing helps."""
        for _ in range(MOST):
            chosen = self.choose()
            if chosen is None:
                return
            node, key = chosen
            self.nodes.remove(node)
            if self.expand(node):
                self.tired[key] = 0
            else:
                self.tired[key] = self.tired.get(key, 0) + 1

    def power_ups(self) -> None:
        """Power-up with USB, with contacts closed, with the supply at every level of the gauge."""
        wait = self.rest_ns
        if self.gadget.gauge is not None:
            wait = max(wait, 2 * self.gadget.gauge.every.ns + MS)
        if self.gadget.charger is not None:
            self.power_up(wait, [Act(0, "usb", "usb", 1.0)])
        for level in self.levels():
            for side in (-SIDE, SIDE):
                # From the other side it shows which level the first reading has led to.
                first, then = (Act(at, "measured", self.reading, beside(self.reading, level, away))
                               for at, away in ((0, side), (wait, -side)))  # fmt: skip
                self.power_up(wait, [first], [then])
        rests = self.system.contacts
        held = [Act(0, "held", name, float(not closed)) for name, closed in rests.items()]
        self.power_up(wait, held, [Act(wait, "contact", name, float(closed))
                                   for name, closed in rests.items()])

    def power_up(self, wait: int, acts: Sequence[Act], later: Sequence[Act] = ()) -> None:
        """Power-up after some acts, until all has settled, and again after the later ones."""
        sketch = self.sketch
        if not acts:
            return
        try:
            sketch.start(0.5, acts)
            sketch.go_to(wait)
            sketch.act(later)
            if later:
                sketch.go_to(2 * wait)
                sketch.settle()
        except EndlessInstant:
            return
        if self.left & sketch.seen:
            self.keep(Found(charge=0.5, acts=(*acts, *later), ends_ns=0, covers=frozenset()))
            self.nodes.pop()

    def run(self) -> None:
        """Search with what a scenario can do, then with what a bench can do beyond it."""
        roots = []
        charges = self.sketch.charges = tuple(self.charges())
        for charge in charges:
            try:
                self.sketch.start(charge)
            except EndlessInstant:
                continue
            self.keep(Found(charge=charge, acts=(), ends_ns=0, covers=frozenset()))
            roots.append(self.nodes.pop())
        for root in roots:
            self.expand(root)
        self.explore()
        self.power_ups()
        self.quiet = self.quietest()
        self.pins = True
        self.tired.clear()
        plugged = [node for node in self.nodes if node.saved.usb and not node.saved.contacts]
        # What a voltage does to the gadget's own states is tried from each of them.
        self.nodes = Nodes([*roots[:1], *plugged[:2], *self.standing.values()])
        self.explore()


def search(gadget: Gadget, system: System, circuit: Circuit, segments: Mapping[str, int],
           clocks: Clocks) -> list[Found]:  # fmt: skip
    """Paths from power-up, each of which covered something that no earlier one did.

    The last is the sweep of the gauge's levels, if there is a gauge; its coverage is not told.
    `clocks` are charge clocks known already.
    """
    searching = _Search(gadget, system, circuit, segments, clocks)
    searching.run()
    swept = searching.sweep()
    return [*searching.found, *([swept] if swept is not None else [])]
