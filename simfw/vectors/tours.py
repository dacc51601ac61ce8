"""Walks through the rows of the written regions: each row again and again, from state after state.

A person who tries a gadget goes round in it. That is done here on purpose, because a search keeps
what is new and does nothing for a third time: a course goes on to the nearest row that is still to
be seen, from the state in which it is to be seen, until it has fired as often as that takes. Many
faults show on one such course. (Tours of the transitions of a machine: common practice, no source.)
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from simfw.behaviour.region import Region, Row, System
from simfw.behaviour.sequences import steady
from simfw.circuit.circuit import Circuit
from simfw.errors import EndlessInstant
from simfw.gadget.model import Gadget
from simfw.vectors.closing import Closing
from simfw.vectors.courses import BEGINS_NS, SOON_NS, Courses
from simfw.vectors.faults import Fault
from simfw.vectors.handled import Handled
from simfw.vectors.nodes import Found, bears
from simfw.vectors.pace import NEVER
from simfw.vectors.sketch import Act, Sketch
from simfw.vectors.twisted import TWICE

__all__ = ["Tours", "Wish", "wishes_of"]

MS = 1_000_000
MOST_STEPS = 150  # rows of one course
MOST_INSTANTS = 6_000  # of one course
MOST_AIMS = 4  # moments at which one event is tried to be told
MOST_MISSED = 2  # how often a row may not fire where it is to, until that is given up
LONGEST_NS = 60_000 * MS  # a time longer than this is not waited for
INTO_NS = 10 * MS  # how far into a stay something happens
MOST_SHOWN = 12  # events that are done at the end, one after the other
KINDS = ("row", "stay", "target", "source", "third")

_Step = tuple[str, str]  # the key of a row, and the state from which it fires


@dataclass(frozen=True, slots=True)
class Wish:
    """A row is to fire so many times, from one state or ("") wherever its region stands."""

    key: str
    source: str
    times: int


def wishes_of(system: System, faults: Sequence[Fault]) -> dict[str, list[Wish]]:
    """What is to be seen so that faults in the rows of written regions show, by region."""
    found: dict[str, dict[Wish, None]] = {}
    rows: dict[str, dict[str, Row]] = {}  # of each region, the first of each key
    for fault in faults:
        if fault.kind not in KINDS or len(fault.touched) != 1:
            continue
        region = system.region(next(iter(fault.touched)))
        if region.name not in rows:
            rows[region.name] = {row.key: row for row in reversed(region.rows)}
        row = rows[region.name].get(fault.about)
        if region.group != "behaviour" or row is None:
            continue
        times = TWICE + 1 if fault.twist.third else 1
        sources = [""]
        if fault.kind == "source":
            changed = next((one for one in fault.system.region(region.name).rows
                            if one.key == row.key), None)
            left = frozenset(changed.sources if changed is not None else ())
            sources = [name for name in row.sources if name not in left]
        for source in sources:
            found.setdefault(region.name, {})[Wish(row.key, source, times)] = None
    return {name: list(wishes) for name, wishes in found.items()}


class _Counting(Sketch):
    """A sketch that notes which rows have fired, since that was last asked."""

    def __init__(self, system: System, circuit: Circuit, gadget: Gadget) -> None:
        super().__init__(system, circuit, gadget.segments)
        self.just: list[str] = []

    def _note_fired(self, fired: list[str], entered: tuple[int, ...]) -> None:
        self.just += fired
        super()._note_fired(fired, entered)


class Tours(Courses):
    """Makes such courses."""

    def __init__(self, gadget: Gadget, system: System, circuit: Circuit) -> None:
        super().__init__(gadget, system, circuit)
        self.sketch = self.counting = _Counting(steady(system), circuit, gadget)
        self.closing = Closing(gadget, {})
        written = {row.on for region in self.sketch.system.regions if region.group == "behaviour"
                   for row in region.rows}
        self.done = [event for event, one in self.events.items()
                     if event in written and one.by not in ("gauge", "status")][:MOST_SHOWN]

    def course(self, name: str, wishes: Sequence[Wish]) -> Found | None:
        """A course on which rows of a region fire as they are wished; None where none does."""
        region = self.sketch.system.region(name)
        rows = {row.key: row for row in region.rows}
        number = self.sketch.stepper.region_names.index(name)
        fired: Counter[_Step] = Counter()
        missed: Counter[_Step] = Counter()
        left = [(wish.times, [(wish.key, source) for source in rows[wish.key].sources
                              if wish.source in ("", source)]) for wish in wishes]
        done = 0
        self.acts = []
        try:
            self._start()
            for _ in range(MOST_STEPS):
                if not self.sketch.alive or self.sketch.gone_through > MOST_INSTANTS:
                    break
                wanted = _wanted(left, fired)
                step = _next(region, self.sketch.state(name), wanted, [
                    one for one in missed if missed[one] >= MOST_MISSED], self.events)
                if step is None:
                    break
                self.counting.just = []
                if not self._take(number, rows[step[0]], step[1]):
                    missed[step] += 1
                    continue
                fired[step] += 1
                done += step in wanted
            self._shows_all()
        except EndlessInstant:
            return None
        if not done or not self.acts:
            return None
        return Found(charge=0.5, acts=tuple(self.acts), ends_ns=self.sketch.now + BEGINS_NS,
                     covers=frozenset())

    def _shows_all(self) -> None:
        """Do once all that written regions hear: where a region stands may show in others only."""
        for event in self.done:
            if self.sketch.alive:
                self._at_once(event)

    def _at_once(self, event: str) -> None:
        """Bring an event about as soon as can be, if the inputs can, and all back to rest."""
        changes = self._whole(self.events[event])
        begins = self.sketch.now + SOON_NS - min((at for at, *_ in changes), default=0)
        for at in sorted({at for at, *_ in changes}):
            self._done(begins + at, [Act(0, *what) for when, *what in changes if when == at])  # type: ignore[arg-type]
        self._rest()

    def _take(self, number: int, row: Row, source: str) -> bool:
        """Let a row fire from a state in which its region stands, or will."""
        sketch = self.sketch
        if row.on is None:
            due = sketch.stepper.due()[number]
            if due >= NEVER:  # all its times are over, and the guards at their ends have failed
                return False
            sketch.go_to(due)
            sketch.settle()
            return row.key in self.counting.just
        one, saved, acts = self.events[row.on], sketch.save(), list(self.acts)
        for aim in list(self._aims(number, source, one)):
            sketch.load(saved)
            self.acts = list(acts)
            if self._brought(number, row, source, one, aim):
                return True
        # It was not to be: time goes on a little, and what stands otherwise then is seen anew.
        sketch.load(saved)
        self.acts = acts
        self._wait(BEGINS_NS)
        return False

    def _aims(self, number: int, source: str, one: Handled) -> Iterator[int]:
        """When an event may be told so that its region is in a state then: soon, and shortly after
        the state is entered if nothing is done.
        """
        sketch, saved = self.sketch, self.sketch.save()
        least = sketch.now + SOON_NS - min((at for at, *_ in one.changes), default=0)
        yield least
        stepper = sketch.stepper
        for _ in range(MOST_AIMS):
            sketch.load(saved)
            due = stepper.due()[number]
            if due >= NEVER or due - sketch.now > LONGEST_NS:
                break
            sketch.go_to(due)
            sketch.settle()
            saved = sketch.save()
            if stepper.state_names[number][stepper.states[number]] == source:
                yield max(due + INTO_NS, least)

    def _brought(self, number: int, row: Row, source: str, one: Handled, at: int) -> bool:
        """Bring an event about at a time, and all inputs back to rest."""
        sketch, stepper = self.sketch, self.sketch.stepper
        acts: dict[int, list[Act]] = {}
        for when, *what in self._whole(one):
            acts.setdefault(at + when, []).append(Act(at + when, *what))  # type: ignore[arg-type]
        if min(acts, default=at) <= sketch.now:
            return False
        for when in sorted(when for when in acts if when < at):
            if not self._done(when, acts[when]):
                return False
        sketch.go_to(at)
        if stepper.state_names[number][stepper.states[number]] != source:
            return False
        self.counting.just = []
        if not self._done(at, acts.get(at, [])):
            sketch.settle()
        if row.key not in self.counting.just:
            return False
        for when in sorted(when for when in acts if when > at):
            self._done(when, acts[when])
        self._rest()
        return True

    def _whole(self, one: Handled) -> Sequence[tuple[int, str, str, float]]:
        """What brings an event about from rest: a release needs a press before it."""
        first = one.changes[0] if one.changes else None
        if first is None or first[1] != "contact" or first[3] > 0 or first[2] not in (
                self.gadget.buttons):
            return one.changes
        button = self.gadget.buttons[first[2]]
        down = first[0] - button.settles_ns(closing=True) - 2 * INTO_NS
        return ((down, "contact", first[2], 1.0), *one.changes)

    def _done(self, at: int, acts: Sequence[Act]) -> bool:
        """Do at one time those acts that change anything; whether all of them do, if any."""
        sketch = self.sketch
        sketch.go_to(at)
        mine = [replace(act, at_ns=at) for act in acts if bears(sketch, act)]
        if mine:
            sketch.act(mine)
            self.acts += mine
        return bool(mine) and len(mine) == len(acts)

    def _rest(self) -> None:
        """Let go of all buttons and take the hands away, until that has been noticed."""
        sketch, rests = self.sketch, list[int]()
        for name, closed in list(sketch.contacts.items()):
            if name in self.gadget.buttons and closed:
                self._done(sketch.now + INTO_NS, [Act(0, "contact", name, 0.0)])
        for name in list(sketch.hands):
            self._done(sketch.now + INTO_NS, [Act(0, "hand", name, -1.0)])
            rests.append(self.closing.rest_ns("hand", name))
        rests += [self.closing.rest_ns("contact", act.name) for act in self.acts[-4:]
                  if act.kind == "contact" and act.name in self.gadget.buttons]
        self._wait(max(rests, default=0) + MS)


def _wanted(left: list[tuple[int, list[_Step]]], fired: Mapping[_Step, int]) -> dict[_Step, int]:
    """The steps that are still to be seen, and how often they have been; what has been seen often
    enough is taken out of what is `left`: how often, and the steps that count for it.
    """
    found: dict[_Step, int] = {}
    still: list[tuple[int, list[_Step]]] = []
    for times, steps in left:
        count = sum([fired.get(one, 0) for one in steps])
        if count < times:
            still.append((times, steps))
            found |= dict.fromkeys(steps, count)
    left[:] = still
    return found


def _next(region: Region, state: str, wanted: Mapping[_Step, int], but: Sequence[_Step],
          events: Mapping[str, Handled]) -> _Step | None:
    """The next step on the shortest way to one that is wanted, of equally near ones to that which
    has been seen most; none of those in `but`.
    """
    first: dict[str, _Step | None] = {state: None}
    level, best = [state], None
    while level and best is None:
        onward: list[str] = []
        near: list[tuple[int, int, _Step]] = []
        for here in level:
            for place, row in enumerate(region.rows):
                step = (row.key, here)
                if here not in row.sources or step in but or (
                        row.on not in events if row.on is not None
                        else (row.after_ns or 0) > LONGEST_NS):
                    continue
                if step in wanted:
                    near.append((-wanted[step], place, first[here] or step))
                for to in region.entered_by(row) if row.to != "same" else ():
                    if to not in first:
                        first[to] = first[here] or step
                        onward.append(to)
        if near:
            best = min(near)[2]
        level = onward
    return best
