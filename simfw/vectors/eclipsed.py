"""What is lost where a time ends in the same instant: one of two is served.

A firmware that serves one compare match, one timer or one interrupt at a time loses the other. It
shows nowhere but where the two end together, and a time of half an hour ends with the one by which
a click is told only where hands are made to: such courses are made here. What each does by itself
is shown by all vectors.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from functools import cached_property
from itertools import islice, product

from simfw.behaviour.region import Region, Row, System
from simfw.errors import EndlessInstant
from simfw.vectors.faults import Fault, Twist
from simfw.vectors.handled import TAP_NS, Change
from simfw.vectors.items import repeats
from simfw.vectors.meetings import LATER_NS, MOST_PLACES, MS, REST_NS, Meetings
from simfw.vectors.nodes import Found
from simfw.vectors.sketch import Act, Saved

__all__ = ["Eclipses", "eclipses"]

FINGERS = ("buttons", "chords")
MOST = 48  # pairs of times of one gadget; in those with more nothing is looked for
MOST_TRIED = 12  # courses for one pair
MOST_WAITED_OUT = 3  # of them that are gone on until a time behind them has ended
MOST_READINGS = 60  # of a contact, as one of which two times are to end together
HELD_NS = 200 * MS  # a contact that is to open has been closed for so long

Clock = tuple[Region, Row]


def _with(row: Row, rows: Sequence[Row]) -> list[Row]:
    """Those of some rows of its region whose times end with that of a row."""
    return [one for one in rows if one.after_ns == row.after_ns
            and not set(row.sources).isdisjoint(one.sources)]


def _clocks(region: Region) -> list[Clock]:
    """The times of a region, each by the first row of those that end together."""
    timed = [row for row in region.rows if row.after_ns and not repeats(region, row)]
    return [(region, row) for number, row in enumerate(timed) if not _with(row, timed[:number])]


def _together(clock: Clock) -> list[Row]:
    """The rows whose times end with that of a clock."""
    region, row = clock
    return _with(row, region.rows)


def _hidden(lost: Clock, other: Clock) -> bool:
    """Whether what the other time tells leads where it would whether the end is lost or not."""
    region, row = lost
    if row.emit or row.when is not None or row.to in ("same", "resume"):
        return False
    told = {event for one in _together(other) for event in one.emit}
    for event in told:
        def leads(state: str, event: str = event) -> str:
            rows = [one for one in region.rows if one.on == event and state in one.sources]
            if not rows:
                return ""
            return rows[0].to if rows[0].when is None and not rows[0].emit else "?"

        ends_in = leads(row.to) or row.to
        if ends_in not in ("?", "same", "resume") and any(
                leads(source) == ends_in for source in row.sources):
            return True
    return False


def _fingers(system: System) -> list[Clock]:
    return [clock for region in system.regions if region.group in FINGERS
            for clock in _clocks(region)]


def _written(system: System) -> list[Clock]:
    """Those of regions that people write; what tells of the end of a sequence is none."""
    return [clock for region in system.regions if region.group == "behaviour"
            for clock in _clocks(region) if not clock[1].key.startswith("sequences.")]


def _stem(clock: Clock) -> str:
    return clock[0].name.partition(".")[0]


def _pairs(system: System) -> list[tuple[Clock, Clock]]:
    """The times of written regions, each with those of fingers; and those of one button each with
    those of others.
    """
    fingers = _fingers(system)
    found = [(lost, other) for lost in _written(system) for other in fingers
             if not _hidden(lost, other)]
    found += [(lost, other) for lost in fingers for other in fingers
              if "chords" not in (lost[0].group, other[0].group) and _stem(lost) != _stem(other)
              and any(row.emit for row in _together(lost))]
    return found if len(found) <= MOST else []


def _edges(system: System) -> list[tuple[str, Clock]]:
    """The contacts of buttons whose edges are heard, each with the times of all else."""
    buttons = [region for region in system.regions if region.group == "buttons"]
    found = [(name, clock) for name in system.contacts
             if any(region.name == f"{name}.contact"
                    and any(row.on == f"{name}.edge" for row in region.rows) for region in buttons)
             for clock in (*_fingers(system), *_written(system))
             if clock[0].group != "chords" and clock[0].name != f"{name}.contact"]
    return found if len(found) <= MOST else []


def eclipses(system: System) -> Iterator[Fault]:
    """The faults of this kind."""
    for (region, row), (_, other) in _pairs(system):
        yield Fault("eclipsed", row.key,
                    f"its end is lost where the time of {other.key} ends in the same instant",
                    system, frozenset([region.name]), Twist(eclipsed=row.key, behind=other.key))
    for name, (_, row) in _edges(system):
        hearing = frozenset(region.name for region in system.regions
                            if any(one.on == f"{name}.edge" for one in region.rows))
        yield Fault("eclipsed", name,
                    f"its edge is lost where the time of {row.key} ends in the same instant",
                    system, hearing, Twist(missed=name, behind=row.key))


def _held(changes: Sequence[Change]) -> Sequence[Change]:
    """What closes a contact that is opened later."""
    (_, kind, name, value), *others = changes[:2]
    return changes[:1] if kind == "contact" and value and any(
        one[2] == name and not one[3] for one in others) else ()


class Eclipses(Meetings):
    """Makes courses on which two times end in one instant."""

    def together(self, fault: Fault) -> Iterator[Found]:
        """Courses for a fault of this kind."""
        twist = fault.twist
        moved = self._by_edge.get((twist.missed, twist.behind))
        both = self._by_pair.get((twist.eclipsed, twist.behind))
        courses = (self._moved(twist.missed, moved) if moved is not None
                   else self._both(*both) if both is not None else iter(()))
        made = list[Found]()
        for path in islice(courses, MOST_TRIED):
            made.append(path)
            yield path
        for path in made[:MOST_WAITED_OUT]:
            later = self.waited(path, twist.missed)
            if later is not None:
                yield later

    @cached_property
    def _by_edge(self) -> dict[tuple[str, str], Clock]:
        """The times as which an edge is lost, by contact and row."""
        return {(name, clock[1].key): clock for name, clock in _edges(self.system)}

    @cached_property
    def _by_pair(self) -> dict[tuple[str, str], tuple[Clock, Clock]]:
        """The pairs of times, by their rows."""
        return {(lost[1].key, other[1].key): (lost, other) for lost, other in _pairs(self.system)}

    def _both(self, lost: Clock, other: Clock) -> Iterator[Found]:
        """Two times that end together."""
        if lost[0].group in FINGERS:
            for mine, others in product(self._ways(lost), self._ways(other)):
                for path in self._paths({}, ()):
                    yield from self._meeting(path, None, "", (lost, other), (*mine, *others))
            return
        for source, changes in product(lost[1].sources, self._ways(other)):
            for path in self._paths({lost[0].name: source}, (other,)):
                yield from self._meeting(path, lost, source, (lost, other), changes)
        # What closes a contact may begin the other time anew: it is held from before that.
        for source, changes in product(lost[1].sources, self._ways(other)):
            held = _held(changes)
            for path in self._paths({lost[0].name: source}, (other,)) if held else ():
                yield from self._meeting(path, lost, source, (lost, other), changes[1:], held)

    def _moved(self, name: str, clock: Clock) -> Iterator[Found]:
        """A contact that moves as a time ends."""
        def moves(changes: Sequence[Change]) -> tuple[Change, ...]:
            level = next((value for at, _, what, value in reversed(changes)
                          if what == name and at <= 0), 0.0)
            rest = tuple(one for one in changes if one[2] != name or one[0] <= 0)
            return (*rest, (0, "contact", name, 1.0 - level), (3 * TAP_NS, "contact", name, level),
                    *(((5 * TAP_NS, "contact", name, 0.0),) if level else ()))

        written = clock[0].group == "behaviour"
        for source in clock[1].sources if written else ("",):
            for changes in ((),) if written else self._ways(clock):
                for path in self._paths({clock[0].name: source} if written else {}, ()):
                    yield from self._meeting(path, clock if written else None, source, (clock,),
                                             moves(changes))

    def _paths(self, wanted: Mapping[str, str], without: Sequence[Clock]) -> list[Found]:
        """Paths to where regions stand as is wanted, and some times do not run."""
        def away(states: Mapping[str, str]) -> int:
            return (2 * sum(states[name] != state for name, state in wanted.items())
                    + sum(states[region.name] in row.sources for region, row in without))

        return self.places.best(away, frozenset([*wanted, *(one.name for one, _ in without)]),
                                MOST_PLACES)

    def _ways(self, other: Clock) -> list[tuple[Change, ...]]:
        """What fingers do so that a time of theirs ends: about that moment."""
        region, row = other
        lasts = row.after_ns or 0
        stem, _, tail = region.name.rpartition(".")
        every = self._every(region)
        if every:  # what closes between two readings is read by the next one
            button = self.gadget.buttons[stem]
            reads = (button.samples if tail == "gesture"
                     else int(row.sources[0].partition(".")[2] or 0) + 1)
            before = (reads - 1) * every + every // 2 + (lasts if tail == "gesture" else 0)
            return [((-before, "contact", stem, 1.0), (TAP_NS, "contact", stem, 0.0))]
        if tail == "contact":
            if any(name.endswith("opening") for name in row.sources):
                return [((-lasts - HELD_NS, "contact", stem, 1.0), (-lasts, "contact", stem, 0.0))]
            closes = ((-lasts, "contact", stem, 1.0), (TAP_NS + lasts, "contact", stem, 0.0))
            opens = ((-lasts - HELD_NS, "contact", stem, 1.0), (-lasts, "contact", stem, 0.0))
            return [closes] if any(name.endswith("closing") for name in row.sources) else [
                closes, opens]
        told = [self.events[event].changes for one in _together(other) for event in one.emit
                if event in self.events]
        if told:
            return told
        # A time that follows on one that is told: what keeps on repeating it.
        begins = [leads.changes[0] for before in region.rows
                  if (leads := self.events.get(before.on or "")) is not None
                  and not set(region.entered_by(before)).isdisjoint(row.sources)]
        return [((at - lasts, kind, name, value), (TAP_NS, kind, name, 1.0 - value))
                for at, kind, name, value in begins]

    def _timed(self, saved: Saved, clocks: Sequence[Clock], changes: Sequence[Change], due: int
               ) -> list[Act] | None:  # fmt: skip
        """What is done so that the times of `clocks` end together at some time, all but what is
        done then and after it; None where they do not.
        """
        sketch = self.sketch
        keys = {row.key for _, row in clocks}
        first, sooner = min(at for at, *_ in changes), 0
        for _ in range(2):  # what was made too late, since edges are ignored, is made sooner
            sketch.load(saved)
            acts = sorted([Act(due + at - sooner, kind, name, value)
                           for at, kind, name, value in changes], key=lambda act: act.at_ns)
            self._act([act for act in acts if act.at_ns < due])
            sketch.go_to(due)
            ends = {key: when for when, _, key in sketch.ends() if key in keys}
            if set(ends) == keys and set(ends.values()) == {due}:
                return acts
            sooner = max(ends.values(), default=due) - due
            if sooner <= 0 or due + first - sooner <= saved.now:
                break
        return None

    def _every(self, region: Region) -> int:
        """The time from one reading of the contact of a button to the next; 0 where it settles by
        its edges.
        """
        button = self.gadget.buttons.get(region.name.rpartition(".")[0])
        return 0 if button is None or button.style != "sample" else button.sample_every.ns

    def _grid(self, clocks: Sequence[Clock], due: int) -> list[int]:
        """When times may end together that begin as contacts are read, from some time on."""
        periods = sorted({every for region, _ in clocks if (every := self._every(region))})
        if not periods:
            return [due]
        begins = -(-due // periods[0]) * periods[0]
        return [begins + turn * periods[0] for turn in range(MOST_READINGS)]

    def _done(self, path: Found, changes: Sequence[Change]) -> Found:
        """The path after which something is done at once."""
        acts = tuple(Act(path.ends_ns + MS, *change[1:]) for change in changes)
        self._act(acts)
        self.sketch.go_to(path.ends_ns + HELD_NS)
        return replace(path, acts=(*path.acts, *acts), ends_ns=self.sketch.now)

    def _meeting(self, path: Found, runs: Clock | None, source: str, clocks: Sequence[Clock],
                 changes: Sequence[Change], before: Sequence[Change] = ()
                 ) -> Iterator[Found]:  # fmt: skip
        """The path, gone on so that the times of `clocks` end together; that of `runs` runs. What
        is done `before` is done at once.
        """
        sketch = self.sketch
        first = min(at for at, *_ in changes)
        try:
            self._go_along(path)
            if not sketch.alive:
                return
            firsts = {change[2]: change for change in reversed([*before, *changes])}
            for change in firsts.values():
                path = self._let_go(path, (change,), LATER_NS)
            if before:
                path = self._done(path, before)
            saved = sketch.save()
            dues: Sequence[int] = self._grid(clocks, saved.now + MS - first)
            if runs is not None:
                number = sketch.stepper.region_names.index(runs[0].name)
                dues = [end for end in self._ends(number, runs[1], source)
                        if end + first > saved.now][:1]
            made = next((acts for due in dues
                         if (acts := self._timed(saved, clocks, changes, due)) is not None), None)
            if made is None:
                return
            acts, due = made, sketch.now
            now = [act for act in acts if act.at_ns == due]
            if now:
                sketch.act(now)
            else:
                sketch.settle()
            self._act([act for act in acts if act.at_ns > due])
            # What is lost of a gesture shows when that is told.
            seen = runs is not None and len(clocks) > 1
            sketch.go_to(sketch.now + (REST_NS if seen else LATER_NS))
        except EndlessInstant:
            return
        yield Found(charge=path.charge, acts=(*path.acts, *acts), ends_ns=sketch.now,
                    covers=frozenset())
