"""Where a gadget comes to by itself: what it does alone is waited out, and people act in each step.

A search that goes from one end of a time to the next does not get through a minute that is counted
by seconds. A person waits: until a light changes, or until all is still. From each place that is
new one goes on so, with what people do; whether a row just behind another one is lost, and what
happens while something else goes on, shows on such ways.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

from simfw.behaviour.region import System
from simfw.behaviour.sequences import steady
from simfw.circuit.circuit import Circuit
from simfw.errors import EndlessInstant
from simfw.vectors.closing import settle_ns
from simfw.vectors.courses import BEGINS_NS, SOON_NS, Courses
from simfw.vectors.doing import SIDE, beside, middles
from simfw.vectors.handled import Change
from simfw.vectors.nodes import Found, bears
from simfw.vectors.pace import NEVER
from simfw.vectors.sketch import Act, Saved, Sketch
from simfw.vectors.twisted import TWICE

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget

__all__ = ["Onward", "Place"]

MS = 1_000_000
WHILE_NS = 10_000 * MS
MOST_WAITED = 150  # ends of times of written regions that one wait goes through
MOST_COURSES = 150
MOST_MEETINGS = 40
MOST_PLACES = 20  # from which time alone is to lead behind a row
MOST_DEEP = 24  # moves from one row to the next
MOST_OF_ONE = 6_000  # instants of the search for one pair of rows
MOST_BEHIND = 3  # places behind a row
MOST_TOLD = 3  # events that are done at the end of a course


class _Noting(Sketch):
    """A sketch that notes which rows have fired, in their order, and where the `own` regions stood
    when one of the `wanted` events came.
    """

    def __init__(self, system: System, circuit: Circuit, gadget: Gadget) -> None:
        super().__init__(system, circuit, gadget.segments)
        self.log: list[str] = []
        self.changing: set[str] = set()  # of those fired, in whose region the state is another now
        self.met = set[object]()
        self.wanted: frozenset[str] = frozenset()
        self.own = [number for number, region in enumerate(self.system.regions)
                    if region.group == "behaviour"]

    def _instant(self, raw: list[str], *, power_up: bool = False) -> None:
        before, begins = tuple(self.stepper.states), len(self.log)
        stood = tuple([before[number] for number in self.own])
        super()._instant(raw, power_up=power_up)
        self.changing.update(key for key in self.log[begins:] if key in self._region_of
                             and before[self._region_of[key]]
                             != self.stepper.states[self._region_of[key]])
        self.meets(stood, [event for event in self.happened_now if event in self.wanted])

    def meets(self, stood: tuple[int, ...], events: Iterable[str]) -> None:
        """Note some events, with each two of the own regions as they stand."""
        self.met.update((event, *two) for event in events
                        for two in combinations(enumerate((*stood, -1)), 2))

    def _note_fired(self, fired: list[str], entered: tuple[int, ...]) -> None:
        self.log += fired
        super()._note_fired(fired, entered)


@dataclass(frozen=True, slots=True, eq=False)
class Place:
    """A moment to go on from."""

    saved: Saved
    acts: tuple[Act, ...]


class Onward(Courses):
    """Looks for such courses, in no more than `most` instants for all."""

    def __init__(self, gadget: Gadget, system: System, circuit: Circuit, most: int) -> None:
        super().__init__(gadget, system, circuit)
        self.sketch = self.noting = _Noting(steady(system), circuit, gadget)
        self.own = self.noting.own
        self.most = most
        self.region_of = {row.key: number for number, region
                          in enumerate(self.sketch.system.regions) for row in region.rows}
        self.begins: Place | None = None
        self.places: list[Place] = []  # all that are new, in their order
        self.behind: dict[str, list[Place]] = {}
        self.noting.wanted = frozenset(self.events)
        self.told = list(self._told())
        self.whole = list(self._told((".press", ".release")))[:MOST_TOLD]

    def _told(self, but: tuple[str, ...] = ()) -> Iterator[tuple[Change, ...]]:
        """What is done by hand: what written regions hear, and USB; not what ends with `but`."""
        heard = {row.on for region in self.sketch.system.regions if region.group == "behaviour"
                 for row in region.rows}
        heard |= {"usb.in", "usb.out"}
        names = {event.partition(".")[0] for event in heard if event}
        # A button that is clicked may as well stay pressed.
        heard |= {f"{name}.{what}" for name in names & set(self.gadget.buttons)
                  for what in ("press", "release")}
        return (one.changes for event, one in self.events.items() if event in heard
                and one.by not in ("gauge", "status") and not event.endswith(but))

    # -- all that comes ----------------------------------------------------------------------------

    def courses(self) -> Iterator[Found]:
        """Courses through what is new: an event where written regions stand as never before."""
        sketch = self.noting
        known = set[object]()
        met = set[object]()
        begins = self.powered_up()
        waiting: deque[Place] = deque([] if begins is None else [begins])
        ended, count = 0, 0
        while waiting and sketch.instants - ended < self.most and count < MOST_COURSES:
            place = waiting.popleft()
            for acts in self._moves(place):
                new = sketch.met - met
                met |= new
                here = Place(sketch.save(), (*place.acts, *acts))
                self._note(here)
                key = self._key()
                if key not in known and sketch.alive:
                    known.add(key)
                    waiting.append(here)
                    self.places.append(here)
                if new:
                    before, count = sketch.instants, count + 1
                    yield from self.ended(here)
                    ended += sketch.instants - before

    def powered_up(self) -> Place | None:
        """A while after power-up; None where a gadget never comes to that."""
        sketch = self.noting
        try:
            sketch.start(0.5)
            sketch.go_to(BEGINS_NS)
        except EndlessInstant:
            return None
        self.begins = Place(sketch.save(), ())
        return self.begins

    def meeting(self) -> Iterator[Found]:
        """Courses on which what people do is told just as what is driven changes by itself."""
        sketch = self.noting
        known = set[object]()
        count, until = 0, sketch.instants + 2 * self.most
        for place in self.places:
            if sketch.instants >= until:
                return
            self.load(place)
            try:
                comes = self._changes()
            except EndlessInstant:
                continue
            when_ns, stands = sketch.now - MS, tuple(sketch.stepper.states)
            for changes in self.told if comes else ():
                begins = place.saved.now
                moves = [(when_ns - begins + at, kind, name, value)
                         for at, kind, name, value in changes]
                if moves[0][0] <= 0 or (changes, stands) in known or count >= MOST_MEETINGS:
                    continue
                self.load(place)
                if not bears(sketch, Act(*moves[0])):
                    continue
                known.add((changes, stands))
                count += 1
                try:
                    acts = self._perform(moves)
                    sketch.go_to(max(sketch.now, when_ns) + MS)
                except EndlessInstant:
                    continue
                yield from self.ended(Place(sketch.save(), (*place.acts, *acts)))

    def _key(self) -> object:
        sketch = self.noting
        stepper = sketch.stepper
        return (tuple([stepper.states[number] for number in self.own]),
                stepper.bars(), *(sketch.state(name) for name in ("cell", "charge")
                                  if name in stepper.region_names),
                tuple(sorted(sketch.contacts.items())), tuple(sketch.hands), sketch.usb,
                tuple(sketch.measured.items()), tuple(stepper.memory))

    def _note(self, place: Place) -> None:
        """A place behind the rows that have fired last in written regions."""
        for number in self.own:
            last = self.sketch.last[number]
            places = self.behind.setdefault(last, [])
            if last and len(places) < MOST_BEHIND:
                places.append(place)

    def _moves(self, place: Place) -> Iterator[list[Act]]:
        """Everything that is done from a place: the sketch stands where it leads."""
        sketch = self.noting
        bounces = list(self._bounces(place))
        for changes, wait_ns in (*((changes, 0) for changes in (*self.told, *bounces)),
                                 *self._readings()):
            self.load(place)
            stood = tuple([sketch.stepper.states[number] for number in self.own])
            try:
                acts = self.done(changes, wait_ns)
            except EndlessInstant:
                continue
            if changes in bounces:  # which the model does not hear
                sketch.meets(stood, [""])
            if acts:
                yield acts
        for waits in (self._changes, self._runs_out, self._a_while):
            self.load(place)
            try:
                if waits():
                    yield []
            except EndlessInstant:
                continue

    def done(self, changes: Sequence[Change], wait_ns: int) -> list[Act]:
        """Bring something about, soon; nothing where its first change changes nothing."""
        sketch = self.noting
        begins = SOON_NS - min(at for at, *_ in changes)
        moves = [(begins + at, kind, name, value) for at, kind, name, value in changes]
        if not bears(sketch, Act(*moves[0])):
            return []
        acts = self._perform(moves)
        sketch.go_to(sketch.now + wait_ns + 2 * MS + max(
            (settle_ns(self.gadget, name) for _, kind, name, _ in moves if kind == "contact"),
            default=0))
        return acts

    def _bounces(self, place: Place) -> Iterator[tuple[Change, ...]]:
        """A button that is pressed opens for less than it takes to settle."""
        for name, closed in place.saved.contacts:
            if closed and name in self.gadget.buttons:
                yield ((0, "contact", name, 0.0),
                       (settle_ns(self.gadget, name) // 2, "contact", name, 1.0))

    def load(self, place: Place) -> None:
        """Stand at a place; nothing has fired and nothing has been met since."""
        sketch = self.noting
        sketch.load(place.saved)
        sketch.log.clear()
        sketch.changing.clear()
        sketch.met.clear()

    def _readings(self) -> list[tuple[tuple[Change, ...], int]]:
        """A reading for each number of bars, and below each level of the cell; how long it takes
        to be noticed.
        """
        gauge = self.gadget.gauge
        if gauge is None or not gauge.thresholds:
            return []
        levels = [figure.value for figure in (gauge.flat, gauge.low) if figure is not None]
        top = max(level.value for level in gauge.thresholds) + gauge.gap
        lowest = min([*levels, *(level.value for level in gauge.thresholds)])
        found = [beside(self.reading, level, -SIDE) for level in (*levels, lowest)]
        found += [*middles(gauge), beside(self.reading, top, SIDE)]
        return [(((0, "measured", self.reading, value),), 2 * gauge.every.ns)
                for value in dict.fromkeys(found)]

    def _changes(self) -> bool:
        """Wait until what is driven changes; whether that comes."""
        sketch = self.noting
        first = sketch.shown().drives
        for _ in range(MOST_WAITED):
            if not self._next():
                return False
            if sketch.shown().drives != first:
                sketch.go_to(sketch.now + MS)
                return True
        return False

    def _runs_out(self) -> bool:
        """Wait until no time of a written region runs, if that comes, and a while longer: what
        should have ended, and goes on, is seen by then. Whether any has.
        """
        sketch = self.noting
        seen = set[object]()
        for count in range(MOST_WAITED):
            if not self._next():
                sketch.go_to(sketch.now + BEGINS_NS)
                return count > 0
            if (key := self._key()) in seen:  # it goes on for ever
                return False
            seen.add(key)
        return False

    def _a_while(self) -> bool:
        """Wait as long as somebody does who looks elsewhere meanwhile."""
        sketch = self.noting
        due = sketch.stepper.due()
        runs = sketch.alive and any(due[number] < NEVER for number in self.own)
        if runs:
            sketch.go_to(sketch.now + WHILE_NS)
        return runs

    def _next(self) -> bool:
        """Go on to the next end of a time of a written region; whether there is one."""
        sketch = self.noting
        due = sketch.stepper.due()
        when = min(due[number] for number in self.own)
        if when >= NEVER or not sketch.alive:
            return False
        sketch.go_to(when)
        sketch.settle()
        return True

    # -- what tells --------------------------------------------------------------------------------

    def ended(self, place: Place) -> Iterator[Found]:
        """A course to its end: all runs out, and what people do is done once more."""
        sketch = self.noting
        self.load(place)
        acts = list(place.acts)
        try:
            self._rests(acts)
            self._runs_out()
            for changes in self.whole:
                done = self.done(changes, BEGINS_NS)
                if done:
                    acts += done
                    self._rests(acts)
                    self._runs_out()
        except EndlessInstant:
            return
        yield Found(charge=0.5, acts=tuple(acts), ends_ns=sketch.now + MS, covers=frozenset())

    def _rests(self, acts: list[Act]) -> None:
        """Let go of what is pressed."""
        sketch = self.noting
        for name, closed in list(sketch.contacts.items()):
            if name in self.gadget.buttons and closed != sketch.system.contacts[name]:
                acts += self._perform([(SOON_NS, "contact", name, float(not closed))])
                sketch.go_to(sketch.now + settle_ns(self.gadget, name) + MS)

    def following(self, first: str, then: str) -> Iterator[Found]:
        """Courses on which a row fires just behind another one of its region."""
        sketch = self.noting
        number = self.region_of[first]
        known = set[object]()
        waiting = deque((place, 0) for place in self._behind(first))
        until = sketch.instants + MOST_OF_ONE
        while waiting and sketch.instants < until:
            place, deep = waiting.popleft()
            for acts in self._moves(place):
                fired = [key for key in sketch.log if self.region_of.get(key) == number]
                here = Place(sketch.save(), (*place.acts, *acts))
                if fired:
                    if fired[0] == then:
                        yield from self.ended(here)
                        return
                    continue
                key = self._key()
                if key not in known and deep < MOST_DEEP and sketch.alive:
                    known.add(key)
                    waiting.append((here, deep + 1))

    def _behind(self, key: str) -> list[Place]:
        """Places behind a row: those noted, or where time alone comes by soonest."""
        sketch, number = self.noting, self.region_of[key]
        places = self.behind.get(key, [])
        for place in self.places[:MOST_PLACES] if not places else ():
            self.load(place)
            try:
                for _ in range(MOST_WAITED):
                    if sketch.last[number] == key:
                        return [Place(sketch.save(), place.acts)]
                    if not self._next():
                        break
            except EndlessInstant:
                continue
        if not places and self.begins is not None:
            found = self.again(self.begins, lambda: sketch.last[number] == key)
            places = [] if found is None else [found]
        return places

    def thrice(self, key: str) -> Iterator[Found]:
        """A course on which a row leads elsewhere for the third time."""
        sketch = self.noting
        region = sketch.system.regions[self.region_of[key]]
        row = next(row for row in region.rows if row.key == key)
        leads = bool(set(row.sources) - set(region.entered_by(row))) and row.to != "same"
        place = self.begins
        for _ in range(TWICE + 1):
            found = None if place is None else self.again(
                place, lambda: key in (sketch.changing if leads else sketch.log))
            if found is None:
                return
            place = found
        if place is not None:
            yield from self.ended(place)

    def again(self, begins: Place, there: Callable[[], bool]) -> Place | None:
        """The first place from another one on of which something holds."""
        sketch = self.noting
        until = sketch.instants + MOST_OF_ONE
        known = set[object]()
        waiting = deque([(begins, 0)])
        while waiting and sketch.instants < until:
            place, deep = waiting.popleft()
            for acts in self._moves(place):
                here = Place(sketch.save(), (*place.acts, *acts))
                if there():
                    return here
                stands = self._key()
                if stands not in known and deep < MOST_DEEP and sketch.alive:
                    known.add(stands)
                    waiting.append((here, deep + 1))
        return None
