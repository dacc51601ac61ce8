"""Times that end in the very instant in which something else happens: made on purpose.

Which of the two comes first is seen nowhere else, and a search that keeps what is new passes such
instants by. What happens is aimed at the end of a time that runs: an event brought about by hand so
that it is told then, and for a sample of the gauge a reading that is set just before.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import TYPE_CHECKING

from simfw.behaviour.region import Region, Row, System
from simfw.circuit.circuit import Circuit
from simfw.errors import EndlessInstant
from simfw.vectors.closing import settle_ns
from simfw.vectors.handled import Change, Handled
from simfw.vectors.nodes import Found, bears
from simfw.vectors.pace import NEVER
from simfw.vectors.places import Places
from simfw.vectors.search import SIDE, beside, middles
from simfw.vectors.sketch import Act, Sketch

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget

__all__ = ["Meeting", "Meetings"]

MS = 1_000_000
REST_NS = 20 * MS  # what follows at once is seen by then
MOST_PLACES = 3  # from which one meeting is tried
MOST_OF_ONE = 40  # turns for one row: a place, and an event
MOST_TURNS = 1_000  # for all rows
MOST_ENDS = 30  # of a time that begins again and again
MOST_AHEAD = 60  # instants that are looked ahead for them
MOST_WAITED = 3_000  # instants in which a time is waited out that runs behind a meeting
LATER_NS = 1_500 * MS  # a gesture is told by then


@dataclass(frozen=True, slots=True)
class Meeting:
    """A path on which a time ends as something happens: the key of the row, the event; the keys of
    all rows whose times end in that instant.
    """

    key: str
    event: str
    path: Found
    ends: frozenset[str] = frozenset()


class Meetings:
    """Makes meetings. `events` are those that can be brought about, `places` where paths come by,
    `reading` what the gauge reads.
    """

    def __init__(self, gadget: Gadget, system: System, circuit: Circuit,
                 events: Mapping[str, Handled], places: Places, reading: str) -> None:
        self.gadget = gadget
        self.system = system
        self.sketch = Sketch(system, circuit, gadget.segments)
        self.turns = 0
        self.events = {event: one for event, one in events.items() if one.by != "gauge"}
        self.made = events
        self.longest_ns = max([0, *(-at for one in self.events.values() for at, *_ in one.changes)])
        self.places = places
        self.reading = reading

    def rows(self) -> list[tuple[Region, Row]]:
        """The rows whose time may end as something happens that their region hears, the gauge's
        aside.
        """
        return [(region, row) for region in self.system.regions for row in region.rows
                if row.after_ns and self.heard(region, row)]

    def heard(self, region: Region, row: Row) -> list[str]:
        """The events that a region hears where a time of it runs, or where the end of it leads."""
        leads = {*row.sources, *region.entered_by(row)}
        heard = {one.on for one in region.rows if not leads.isdisjoint(one.sources)}
        return [event for event in self.events if event in heard]

    def told(self) -> list[str]:
        """All that people do, as written regions hear it."""
        heard = {row.on for region in self.system.regions if region.group == "behaviour"
                 for row in region.rows}
        return [event for event in self.events if event in heard]

    def extras(self, region: Region) -> list[tuple[Change, ...]]:
        """What is changed before the end of a time of a region, so that it matters what comes of
        it: readings of the gauge, a hand that is near by then.
        """
        if region.group == "gauge":
            gauge = self.gadget.gauge
            if gauge is None:
                return []
            values = [beside(self.reading, figure.value, -SIDE)
                      for figure in (gauge.flat, gauge.low) if figure is not None]
            values += [beside(self.reading, top.value, SIDE) for top in gauge.thresholds[-1:]]
            return [((-MS, "measured", self.reading, value),) for value in values]
        near = self.events.get(f"{region.name.partition('.')[0]}.near")
        return [()] if near is None else [near.changes, ()]

    def of(self, region: Region, row: Row, events: Sequence[str],
           extras: Sequence[tuple[Change, ...]] = ((),)) -> Iterator[Meeting]:  # fmt: skip
        """The end of the time of a row together with each of some events, after each of `extras`.

        What comes of a time is heard by others: from each state of the first of those.
        """
        hearing = next((other for other in self.system.regions if other is not region
                        for one in other.rows if one.on in row.emit), None)
        company = [""] if hearing is None else [state.name for state in hearing.states]
        most = MOST_PLACES if hearing is None else 1
        turns = 0
        for event, source, state in product(events, row.sources, company):
            if turns >= MOST_OF_ONE or self.turns >= MOST_TURNS:
                return
            wanted = {region.name: source} | ({} if hearing is None else {hearing.name: state})
            for path in self._places(wanted, event)[:most]:
                turns += 1
                self.turns += 1
                yield from self._from(path, region, row, source, event, extras)

    def remembered(self, region: Region, row: Row, events: Sequence[str],
                   extras: Sequence[tuple[Change, ...]]) -> Iterator[Meeting]:  # fmt: skip
        """The same where a written region remembers something, and an event leads it to where it
        remembers that: what comes first then shows only when it resumes.
        """
        turns = 0
        for event, other in product(events, self.system.regions):
            hearing = {source for one in other.rows if one.on == event
                       and one.to in other.resume_points for source in one.sources}
            for path in self.places.remembering(other.name, hearing) if hearing else ():
                for source in row.sources:
                    if turns >= MOST_OF_ONE or self.turns >= MOST_TURNS:
                        return
                    turns += 1
                    self.turns += 1
                    yield from self._from(self._ready(path, region, source), region, row, source,
                                          event, extras)

    def gauged(self, region: Region, row: Row) -> Iterator[Meeting]:
        """The end of the time of a row in the instant of a sample that tells what its region hears:
        what is done before is done later, until the two meet.
        """
        gauge = self.gadget.gauge
        if gauge is None or not row.after_ns:
            return
        events = [event for event, one in self.made.items() if one.by == "gauge" and one.changes
                  and event in {one.on for one in region.rows}]
        ends = [beside(self.reading, level, side) for level, side in (
            (max([one.value for one in gauge.thresholds], default=0.0) + gauge.gap, SIDE),
            (min([one.value for one in (*gauge.thresholds, gauge.flat, gauge.low) if one],
                 default=0.0), -SIDE))]
        # Something else is read before, so that the sample brings news; or, where the time is too
        # short for that, what the cell has.
        extras: list[tuple[Change, ...]] = [
            ((-gauge.every.ns * 5 // 2, "measured", self.reading, value),) for value in ends]
        extras.append(())
        for event, source in product(events, row.sources):
            for path in self._places({region.name: source}, event)[:1]:
                self.turns += 1
                if self.turns >= MOST_TURNS:
                    return
                yield from self._from(self._on_grid(path, region, row, source), region, row,
                                      source, event, extras)

    def waited(self, path: Found, tapped: str = "") -> Found | None:
        """A path gone on until the longest time that then runs in a written region has ended, and
        a contact that is `tapped` then; None where none does, or too much happens meanwhile.

        What a meeting has left otherwise may show no sooner.
        """
        sketch = self.sketch
        try:
            self._go_along(path)
            dues = [due for region, due in zip(self.system.regions, sketch.stepper.due(),
                                               strict=False)
                    if region.group == "behaviour" and due < NEVER]
            if not dues or not sketch.alive:
                return None
            ends = max(dues)
            for _ in range(MOST_WAITED):
                then = sketch.next_due()
                if then >= ends:
                    break
                sketch.go_to(then)
                sketch.settle()
            else:
                return None
            sketch.go_to(ends + REST_NS)
            moves = () if not tapped else (
                *((0.0,) if sketch.flag(f"{tapped}.closed") else ()), 1.0, 0.0)
            acts = [Act(sketch.now + number * LATER_NS, "contact", tapped, value)
                    for number, value in enumerate(moves)]
            self._act(acts)
            sketch.go_to(sketch.now + REST_NS)
        except EndlessInstant:
            return None
        return replace(path, acts=(*path.acts, *acts), ends_ns=sketch.now)

    def _on_grid(self, path: Found, region: Region, row: Row, source: str) -> Found:
        """The path with all that is done so much later that a time ends as a sample is due."""
        sketch, gauge = self.sketch, self.gadget.gauge
        assert gauge is not None
        names = sketch.stepper.region_names
        try:
            self._go_along(path)
            ends = self._ends(names.index(region.name), row, source) if sketch.alive else []
        except EndlessInstant:
            return path
        due = sketch.stepper.due()[names.index("gauge")]
        if not ends or due >= NEVER:
            return path
        later = (due - ends[0]) % gauge.every.ns
        return replace(path, ends_ns=path.ends_ns + later, acts=tuple(
            replace(act, at_ns=act.at_ns + later) if act.at_ns else act for act in path.acts))

    def _go_along(self, path: Found) -> None:
        self.sketch.start(path.charge, [act for act in path.acts if act.at_ns == 0])
        self._act([act for act in path.acts if act.at_ns > 0])
        self.sketch.go_to(path.ends_ns)

    def _ready(self, path: Found, region: Region, source: str) -> Found:
        """A path after which the gauge shows so many bars."""
        gauge = self.gadget.gauge
        if gauge is None or region.name != "gauge":
            return path
        values = [*middles(gauge), beside(self.reading, max(
            level.value for level in gauge.thresholds) + gauge.gap, SIDE)]
        bars = dict(zip([f"bars.{number}" for number in range(1, len(values) + 1)], values,
                        strict=True))
        if source not in bars:
            return path
        act = Act(path.ends_ns + MS, "measured", self.reading, bars[source])
        return replace(path, acts=(*path.acts, act), ends_ns=act.at_ns + gauge.every.ns + MS)

    def _places(self, wanted: Mapping[str, str], event: str) -> list[Found]:
        """Paths to where regions stand as is wanted, and a written one goes on with an event."""
        heard = [(region.name, one.sources) for region in self.system.regions
                 if region.group == "behaviour" for one in region.rows if one.on == event]

        def away(states: Mapping[str, str]) -> int:
            return (2 * sum(states[name] != state for name, state in wanted.items())
                    + (bool(heard) and not any(states[name] in sources for name, sources in heard)))

        return self.places.best(away, frozenset(wanted), MOST_PLACES)

    def _from(self, path: Found, region: Region, row: Row, source: str, event: str,
              extras: Sequence[tuple[Change, ...]]) -> Iterator[Meeting]:  # fmt: skip
        sketch = self.sketch
        number = sketch.stepper.region_names.index(region.name)
        try:
            self._go_along(path)
            path = self._let_go(path, self.made[event].changes)
            saved = sketch.save()
            ends = self._ends(number, row, source) if sketch.alive else []
        except EndlessInstant:
            return
        for extra in extras:
            moves = (*extra, *self.made[event].changes)
            leads = -min(at for at, *_ in moves)
            due = next((end for end in ends if end - leads > saved.now), None)
            if due is None:
                continue
            sketch.load(saved)
            acts = sorted([Act(due + at, kind, name, value) for at, kind, name, value in moves],
                          key=lambda act: act.at_ns)
            try:
                met = self._meets(acts, number, due, event)
            except EndlessInstant:
                continue
            if met:
                yield Meeting(row.key, event, Found(
                    charge=path.charge, acts=(*path.acts, *acts), ends_ns=sketch.now,
                    covers=frozenset()), met)  # fmt: skip

    def _let_go(self, path: Found, changes: Sequence[Change], rest_ns: int = 0) -> Found:
        """The path after which a contact is as it is before it is changed: the way there may have
        been to hold it. Then it rests, without `rest_ns` until it has settled.
        """
        sketch = self.sketch
        first = Act(path.ends_ns + MS, *changes[0][1:]) if changes else None
        if first is None or first.kind != "contact" or bears(sketch, first):
            return path
        act = replace(first, value=1.0 - first.value)
        self._act([act])
        sketch.go_to(act.at_ns + (rest_ns or settle_ns(self.gadget, act.name) + MS))
        return replace(path, acts=(*path.acts, act), ends_ns=sketch.now)

    def _ends(self, number: int, row: Row, source: str) -> list[int]:
        """When the time of a row ends from now on if nothing is done, for the first few times."""
        stepper, found, begins = self.sketch.stepper, list[int](), self.sketch.now
        for _ in range(MOST_AHEAD):
            due = stepper.due()[number]
            if (due < NEVER and stepper.state_names[number][stepper.states[number]] == source
                    and due - stepper.entered_ns[number] == row.after_ns and due not in found):
                found.append(due)
            if len(found) == MOST_ENDS or (found and found[-1] - begins > self.longest_ns):
                break
            then = self.sketch.next_due()
            if then >= NEVER or not self.sketch.alive:
                break
            self.sketch.go_to(then)
            self.sketch.settle()
        return found

    def _meets(self, acts: Sequence[Act], number: int, due: int, event: str) -> frozenset[str]:
        """Do some acts; if the event happens at the end of the time, and it was to end, the keys of
        all rows whose times were.
        """
        sketch = self.sketch
        if not bears(sketch, acts[0]):
            return frozenset()
        self._act([act for act in acts if act.at_ns < due])
        sketch.go_to(due)
        if sketch.stepper.due()[number] != due:
            return frozenset()
        ended = frozenset(key for when, _, key in sketch.ends() if when == due)
        now = [act for act in acts if act.at_ns == due]
        if now:
            sketch.act(now)
        else:
            sketch.settle()
        if event not in sketch.happened_now:
            return frozenset()
        self._act([act for act in acts if act.at_ns > due])
        sketch.go_to(sketch.now + REST_NS)
        return ended

    def _act(self, acts: Sequence[Act]) -> None:
        for at in sorted({act.at_ns for act in acts}):
            self.sketch.go_to(at)
            self.sketch.act([act for act in acts if act.at_ns == at])
