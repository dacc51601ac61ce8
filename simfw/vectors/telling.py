"""A search for stimuli that tell a fault from the model: both run side by side until they part.

It goes on from paths on which the fault comes up, and tries what hands and a bench can do, moments
at the ends of times among it. What stands apart inside is gone on from first. Work is counted in
instants.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from heapq import heappop, heappush
from typing import TYPE_CHECKING

from simfw.behaviour.expression import Inside, levels_in, names_in
from simfw.behaviour.region import Row, System
from simfw.behaviour.stock import SAMPLED
from simfw.circuit.circuit import Circuit
from simfw.errors import EndlessInstant
from simfw.vectors.exposing import drives_nothing
from simfw.vectors.faults import Fault
from simfw.vectors.guide import FAR, Guide
from simfw.vectors.handled import handled
from simfw.vectors.items import READINGS
from simfw.vectors.moves import Change, Moves, Try
from simfw.vectors.nodes import Found
from simfw.vectors.pace import NEVER
from simfw.vectors.pair import MARK, Pair, TooDearError, paired
from simfw.vectors.search import SIDE, beside, middles, resting_hands
from simfw.vectors.sketch import Act, Saved
from simfw.vectors.twisted import TWICE
from simfw.verify.slicing import needed_regions

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget

__all__ = ["Teller"]

MS = 1_000_000
SOON_NS = 3 * MS
MOST_READINGS = 9
STRAYED, UNMOVED = 4, 10  # rows that it may take on top while nothing differs yet
STEEP = 3  # acts that are worth one row
LONG = 2_000  # instants of a search in which every start gets its turn
MOST_OF_ONE = 250  # instants of one try, and of one path that a search goes on from
LEAST_OF_ONE = 30  # where waiting has often been dear
ALONE_NS = 5_000 * MS  # from how long on time without an act counts as waiting
MORE_ENDS = 2  # of other regions, whose ends of times are waited for
DEEP = 3  # regions through which what leads to an event is followed
STALE = 6  # times the square of the steps that bring it no nearer than one before: what they cost
LATER = 9  # how much later all else is tried than what leads on by the rows


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
        self.hands = resting_hands(gadget, circuit)
        self.handled = handled(gadget, self.reading, self.hands)

    def tell(self, fault: Fault, guide: Guide, starts: Sequence[Found], most: int
             ) -> Found | None:
        """Stimuli after which the two have parted; None where `most` instants find none."""
        if fault.twist.last or fault.twist.opened or fault.kind in ("awake", "echo", "played"):
            return None
        both = paired(self.system, fault)
        if not (both.events if self.events else both.outputs):
            return None  # it bears on nothing that can be seen
        pair = Pair(both, fault, self.circuit, self.segments, self.events)
        try:
            return _Course(self, pair, fault, guide, most).run(starts)
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
        if fault is None:
            every = {*levels, *(figure.value + gauge.gap for figure in gauge.thresholds)}
            return tuple(beside(self.reading, level, away) for level in sorted(every)
                         for away in (-SIDE, SIDE))
        rows = [self.rows[fault.about]] if fault.about in self.rows else []
        mine = sorted({level for row in rows if row.when is not None
                       for level in levels_in(row.when, self.reading)})
        found = [beside(self.reading, level, away) for level in mine
                 for away in (0.0, SIDE, -SIDE, 0.015, -0.015)]
        # Where the gauge stands while its rows wait for the next sample.
        between = {f"bars.{bars}": middle for bars, middle in enumerate(middles(gauge), 1)}
        found += [between[source] for row in rows if row.after_ns for source in row.sources
                  if source in between]
        found += [beside(self.reading, levels[0], -SIDE),
                  beside(self.reading, levels[-1] + gauge.gap, SIDE)]
        if gauge.low is not None:
            found.append(beside(self.reading, gauge.low.value, -SIDE))
        return tuple(dict.fromkeys(found))[:MOST_READINGS]


class _Course:
    """The search for one fault. What stands nearer to where it shows is gone on from first: with
    what leads on by the rows, and later with everything.
    """

    def __init__(self, teller: Teller, pair: Pair, fault: Fault, guide: Guide, most: int) -> None:
        self.teller = teller
        self.gadget = teller.gadget
        self.pair = pair
        self.guide = guide
        self.most = pair.instants + most
        self.long = most >= LONG
        marked = {name + MARK for name in fault.touched}
        names = pair.stepper.region_names
        mine = sorted(number for number, name in enumerate(names)
                      if name in fault.touched or name in marked)
        own = [*mine, *(number for both in pair.numbers for number in both)]
        heard = guide.events()
        makes = [region.name for region in teller.system.regions
                 if any(heard.intersection(row.emit) for row in region.rows)]
        self.moves = Moves(teller.gadget, teller.system, pair, teller.hands, own,
                           [(teller.reading, value) for value in teller.readings(fault)],
                           teller.inputs_of([*fault.touched, *makes]))
        self.waiting: list[tuple[int, int, Saved, tuple[Act, ...], float, int]] = []
        self.known: set[object] = set()
        self.count = 0
        self.patience = MOST_OF_ONE  # with what only time brings; less with every time it was dear
        # How near the way to each place has come, and how many of its last steps brought it no
        # nearer.
        self.came: dict[int, tuple[int, int]] = {0: (FAR, 0)}
        self.before = 0
        looks = {f"{name}.look" for name in (*self.gadget.proximity, *self.gadget.measures)}
        self.kept = [number for number, name in enumerate(names)
                     if name not in looks and name != "gauge"]
        self.model = [(number, name) for number, name in enumerate(names)
                      if not name.endswith(MARK)]

    def run(self, starts: Sequence[Found]) -> Found | None:
        pair = self.pair
        for start in starts:
            if pair.instants >= self.most:
                return None
            pair.most = pair.instants + MOST_OF_ONE
            try:
                found = self.play(start)
            except (EndlessInstant, TooDearError):
                continue
            if found is not None:
                return found
        # In a long search every other turn is that of a start: what is near may lead nowhere.
        begun = deque(sorted(self.waiting))
        done: set[int] = set()
        while self.waiting and pair.instants < self.most:
            while begun and begun[0][1] in done:
                begun.popleft()
            again = bool(begun) and self.long and len(done) % 2 == 1
            rank, number, saved, acts, charge, turn = (
                begun.popleft() if again else heappop(self.waiting))
            if turn == 0:
                if number in done:
                    continue
                done.add(number)
            pair.load(saved)
            self.before = number
            # While nothing differs yet, only what bears on the fault can make it come up.
            tries = (self.leading() if turn == 0 else self.moves.tries(every=pair.apart()))
            far = NEVER  # how far from here nothing but time is too dear
            for ends, changes in list(tries):
                if pair.instants >= self.most:
                    return None
                alone = changes[0][0] if changes else ends  # until when only time passes
                if alone > far:
                    continue
                pair.load(saved)
                pair.most = pair.instants + (self.patience if alone > ALONE_NS else MOST_OF_ONE)
                more = tuple(Act(saved.now + at, kind, name, value)
                             for at, kind, name, value in changes)
                try:
                    parted = self.perform(more, saved.now + ends)
                except (EndlessInstant, TooDearError):
                    if pair.now - saved.now < alone:
                        far = pair.now - saved.now
                        self.patience = max(LEAST_OF_ONE, self.patience // 2)
                    continue
                if parted:
                    return self.found(acts, more, charge)
                self.keep((*acts, *more), charge, len(acts) + len(more))
            if turn == 0:
                heappush(self.waiting, (rank + LATER, number, saved, acts, charge, 1))
        return None

    def states(self) -> dict[str, str]:
        """Where the model stands."""
        stepper = self.pair.stepper
        return {name: stepper.state_names[number][stepper.states[number]]
                for number, name in self.model}

    def apart(self) -> list[tuple[str, str, str]]:
        """The regions that stand elsewhere than their copies, and where both stand."""
        stepper = self.pair.stepper
        names = stepper.state_names
        return [(stepper.region_names[one], names[one][stepper.states[one]],
                 names[other][stepper.states[other]])
                for one, other in self.pair.numbers
                if stepper.states[one] != stepper.states[other]]

    def rank(self) -> int:
        """How far it is from here until the fault shows, about."""
        guide, made, states = self.guide, self.teller.handled, self.states()
        if not self.pair.apart():
            return (UNMOVED + guide.before(states)
                    + guide.takes(guide.towards(states, strayed=False), states, made, DEEP))
        apart = self.apart()
        if apart:
            away, events, rows = guide.shows(apart, states)
            if rows:
                return away + guide.takes(rows, states, made, DEEP)
            asking = [(name, row) for name, one, other in apart
                      for row, standing in guide.readers(name)
                      if row.on in events and (one in standing) != (other in standing)]
            return away + min((guide.takes([row], states, made, 0, name) for name, row in asking),
                              default=0)
        if not self.pair.stepper.strayed:
            return 1
        again = max(0, TWICE - self.pair.stepper.count) if self.pair.stepper.count else 0
        return STRAYED * (1 + again) + self.guide.before(self.states(), strayed=True)

    def leading(self) -> Iterator[Try]:
        """What leads on by the rows: their events made, and the ends of their times."""
        guide, pair, moves, states = self.guide, self.pair, self.moves, self.states()
        apart, waits, due = self.apart(), pair.apart(), pair.stepper.due()
        events, rows = frozenset[str](), tuple[Row, ...]()
        if apart:
            _, events, rows = guide.shows(apart, states)
        else:
            rows = guide.towards(states, strayed=pair.stepper.strayed)
            if guide.lost and not waits and guide.before(states) == 0:
                yield from moves.supplied()
                yield from moves.supplied_anew()
        wanted = self.made_of(rows, states, DEEP)
        for event in sorted(events):
            wanted |= self.made_by(event, states, DEEP)
        for name, one, other in apart:
            for row in self.teller.system.region(name).rows:
                if row.on in events and not {one, other}.isdisjoint(row.sources):
                    wanted |= self.made_of(guide.lets(row, states), states, DEEP - 1)
            for row, standing in guide.readers(name):  # what else its guard asks for
                if row.on in events and (one in standing) != (other in standing):
                    wanted |= self.made_of(guide.lets(row, states, but=name), states, DEEP - 1)
        if waits or "" in wanted:
            whens = [when for when, _ in moves.ends()]
            if "" in wanted:  # what makes an event may be no part of the difference
                whens += sorted({due[number] for number in self.kept if due[number] < NEVER}
                                - set(whens))[:MORE_ENDS]
            for when in whens:
                yield when + MS - pair.now, ()
        for event in sorted(wanted & set(self.teller.handled)):
            yield from self.brought(event)
        if "status.edge" in wanted:
            yield from moves.pins()
        if wanted - set(self.teller.handled) - {""}:  # how to make it is not known
            yield from moves.moved(every=False)

    def made_of(self, rows: Iterable[Row], states: Mapping[str, str], deep: int) -> frozenset[str]:
        """The events to bring about so that one of some rows fires ("": wait)."""
        found = frozenset[str]()
        for row in rows:
            mine = self.teller.handled.keys() & set(row.emit)
            if deep:
                found |= self.made_of(self.guide.lets(row, states), states, deep - 1)
            # A sample tells by what it reads.
            if mine and (row.on not in self.teller.handled or row.on == SAMPLED):
                found |= mine
            else:
                found |= self.made_by(row.on or "", states, deep)
        return found

    def made_by(self, event: str, states: Mapping[str, str], deep: int) -> frozenset[str]:
        """The events to bring about so that one comes."""
        makers = self.guide.makers(event, states) if event and deep else ()
        found = frozenset([event]) if event in self.teller.handled or not makers else frozenset()
        first = [row for row in makers if event not in row.emit or not found]
        # What is measured has to change for a row on the way to fire, either way.
        stems = {row.on.removesuffix(".sampled") for row in first if row.on is not None}
        found |= {f"{stem}.{way}" for stem in stems & set(self.gadget.measures)
                  for way in ("up", "down")} & set(self.teller.handled)
        return found | self.made_of(first, states, deep - 1)

    def brought(self, event: str) -> Iterator[Try]:
        """An event brought about, soon; a measure by every value on the same side. A contact that
        is there already is first put back; one that would be put back after it also stays.
        """
        one = self.teller.handled[event]
        begins = SOON_NS - min((at for at, *_ in one.changes), default=0)
        back: tuple[Change, ...] = ()
        if one.changes and one.changes[0][1] == "contact":
            _, kind, name, level = one.changes[0]
            if self.pair.contacts.get(name, self.pair.system.contacts[name]) == bool(level):
                back = ((SOON_NS, kind, name, 1.0 - level),)
                settled = SOON_NS + self.moves.settled[name] + MS
                yield settled, back
                begins += settled
            if one.changes[-1][0] > 0:
                stays = tuple((begins + at, *what) for at, *what in one.changes[:-1])
                yield begins + MS, (*back, *stays)  # type: ignore[arg-type]
        values: list[float | None] = [None]
        if one.by in self.gadget.measures:
            now, up = self.pair.measured[one.by], event.endswith(".up")
            values = [value for value in self.teller.system.measures[one.by].between()
                      if (value > now) == up and value != now]
        for value in values:
            changes = tuple((begins + at, kind, name, old if value is None else value)
                            for at, kind, name, old in one.changes)
            ends = max([begins, *(at for at, *_ in changes)])
            yield ends + MS + one.every_ns, (*back, *changes)

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
        self.keep(start.acts, start.charge, 0)
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
        if key in self.known or (pair.stepper.over and not pair.apart_now()):
            return
        self.known.add(key)
        self.count += 1
        nearest, stale = self.came[self.before]
        near = self.rank()
        stale = 0 if near < nearest else stale + 1
        self.came[self.count] = min(near, nearest), stale
        rank = STEEP * near + depth
        if not pair.twist.third:  # which takes the same way round again
            rank += STALE * stale * stale
        heappush(self.waiting, (rank, self.count, pair.save(), acts, charge, 0))
