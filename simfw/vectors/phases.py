"""An event that comes as a long time ends, heard in one state after another of what runs meanwhile.

A lamp that breathes for three minutes stands somewhere when they are over, nearly always in the
same step. So what began the time is done once more, a little later: by as much as it takes until
the region that hears the event stands where it is wanted.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from simfw.behaviour.region import Region, Row, System
from simfw.circuit.circuit import Circuit
from simfw.errors import EndlessInstant
from simfw.gadget.model import Gadget
from simfw.vectors.closing import Closing, settle_ns
from simfw.vectors.courses import Courses
from simfw.vectors.faults import Fault
from simfw.vectors.nodes import Found, bears
from simfw.vectors.pace import NEVER
from simfw.vectors.sketch import Act

__all__ = ["Phases"]

MS = 1_000_000
REST_NS = 20 * MS  # what follows at once is seen by then
MOST_PATHS = 2  # on which the event comes, for one fault
MOST_LOOKED = 400  # instants before the event in which the region that hears it is looked at
WINDOW_NS = 20_000 * MS  # and the time
MOST_COURSES = 120  # in all
BESIDE = ("held", "supply", "status", "measured")  # done by a bench, or before power-up


class Phases(Courses):
    """Makes such courses of paths that are known."""

    def __init__(self, gadget: Gadget, system: System, circuit: Circuit) -> None:
        super().__init__(gadget, system, circuit)
        self.closing = Closing(gadget, {})
        self.made = 0

    def of(self, fault: Fault, paths: Sequence[Found]) -> Iterator[Found]:
        """Courses on which a row that is not heard in one state, or not behind another row, has its
        event there.
        """
        wanted = self._wanted(fault)
        if wanted is None:
            return
        region, row, states = wanted
        for other in self.sketch.system.regions:
            for maker in other.rows if other is not region else ():
                if row.on in maker.emit and maker.after_ns:
                    yield from self._met(region, states, other, maker, paths)

    def _wanted(self, fault: Fault) -> tuple[Region, Row, frozenset[str]] | None:
        """The region and row that have to hear, and in which states."""
        if len(fault.touched) != 1:
            return None
        (name,) = fault.touched
        region = self.sketch.system.region(name)
        rows = {row.key: row for row in region.rows}
        twist = fault.twist
        if twist.lost and not twist.failed:
            row, first = rows[twist.lost], rows[twist.behind]
            states = {*(first.sources if first.to == "same" else region.entered_by(first))}
            return region, row, frozenset(states.intersection(row.sources))
        changed = {row.key: row for row in fault.system.region(name).rows}
        for key, row in rows.items():
            left = set(row.sources) - set(changed[key].sources) if key in changed else None
            if fault.kind == "source" and left:
                return region, row, frozenset(left)
        return None

    def _met(self, region: Region, states: frozenset[str], other: Region, maker: Row,
             paths: Sequence[Found]) -> Iterator[Found]:  # fmt: skip
        mine = sorted((path for path in paths if f"row {maker.key}" in path.covers and not any(
            act.kind in BESIDE for act in path.acts)),
            key=lambda path: (len(path.acts), path.ends_ns))
        for path in mine[:MOST_PATHS]:
            if self.made == MOST_COURSES:
                return
            self.made += 1
            try:
                found = self._later(path, region, states, other, maker)
            except EndlessInstant:
                continue
            if found is not None:
                yield found

    def _later(self, path: Found, region: Region, states: frozenset[str], other: Region, maker: Row
               ) -> Found | None:  # fmt: skip
        """The path up to where the time of `maker` begins, and that begun again so much later that
        the region stands in one of the states as it ends; None where it then does not.
        """
        sketch, stepper = self.sketch, self.sketch.stepper
        hearing, making = (stepper.region_names.index(one.name) for one in (region, other))
        if not self._begins(path, making, maker):
            return None
        began, done = sketch.save(), list(self.acts)
        again = self._again(other, maker)
        ends = stepper.due()[making]
        if again is not None:
            self._do(*again)
            ends = stepper.due()[making]
        by = self._by(hearing, states, ends) if ends < NEVER else None
        if by is None:
            return None
        if again is None:  # all is done later: what runs by itself from power-up has run on by then
            self._start_with(path.charge, [replace(act, at_ns=act.at_ns + by) if act.at_ns else act
                                           for act in done])
        else:
            sketch.load(began)
            self.acts = done
            self._wait(by)
            self._do(*again)
        due = stepper.due()[making]
        if due >= NEVER:
            return None
        sketch.go_to(due)
        if stepper.state_names[hearing][stepper.states[hearing]] not in states or (
                stepper.due()[making] != due):
            return None
        sketch.settle()
        sketch.go_to(due + REST_NS)
        return Found(charge=path.charge, acts=tuple(self.acts), ends_ns=sketch.now,
                     covers=frozenset())

    def _start_with(self, charge: float, acts: Sequence[Act]) -> None:
        self.sketch.start(charge, [act for act in acts if act.at_ns == 0])
        self.acts = list(acts)
        for act in acts:
            if act.at_ns > 0:
                self.sketch.go_to(act.at_ns)
                self.sketch.act([act])

    def _begins(self, path: Found, making: int, maker: Row) -> bool:
        """Go along a path until the time of a row runs that is not to be cut any more."""
        sketch, stepper = self.sketch, self.sketch.stepper
        self._start_with(path.charge, [act for act in path.acts if act.at_ns == 0])
        for act in (act for act in path.acts if act.at_ns > 0):
            sketch.go_to(act.at_ns)
            if stepper.due()[making] <= sketch.now:
                break
            sketch.act([act])
            self.acts.append(act)
            # Where it has begun nothing more is needed, but that all is let go of.
            if self._runs(making, maker) and not any(
                    closed != sketch.system.contacts[name]
                    for name, closed in sketch.contacts.items()) and not sketch.hands:
                break
        for act in self.acts[-1:]:
            if act.kind == "hand" or act.name in self.gadget.buttons:
                self._wait(self.closing.rest_ns(act.kind, act.name))
            elif act.kind == "contact":
                self._wait(settle_ns(self.gadget, act.name))
        self._wait(MS)
        return sketch.alive and self._runs(making, maker)

    def _runs(self, making: int, maker: Row) -> bool:
        stepper = self.sketch.stepper
        due = stepper.due()[making]
        return (stepper.state_names[making][stepper.states[making]] in maker.sources
                and due - stepper.entered_ns[making] == maker.after_ns)

    def _again(self, other: Region, maker: Row) -> tuple[tuple[int, str, str, float], ...] | None:
        """What hands do so that the time of a row begins anew while it runs; None for nothing."""
        for row in other.rows:
            one = self.events.get(row.on or "")
            if (one is None or set(row.sources).isdisjoint(maker.sources)
                    or set(maker.sources).isdisjoint(other.entered_by(row))):
                continue
            begins = MS - min(at for at, *_ in one.changes)
            changes = [(begins + at, kind, name, value) for at, kind, name, value in one.changes]
            _, kind, name, value = changes[-1]
            if kind == "contact" and value != self.sketch.system.contacts.get(name):
                changes.append((max(begins, changes[-1][0]) + REST_NS, kind, name, 1.0 - value))
            if bears(self.sketch, Act(*changes[0])):
                return tuple(changes)
        return None

    def _by(self, hearing: int, states: frozenset[str], ends: int) -> int | None:
        """How much later a region stands in the middle of one of some states than it does as a time
        ends: it goes round before, and goes on so.
        """
        sketch, stepper = self.sketch, self.sketch.stepper
        sketch.go_to(max(sketch.now, ends - WINDOW_NS))
        names = stepper.state_names[hearing]
        came: list[tuple[int, int]] = []  # when it came into one of the states, for how long
        for _ in range(MOST_LOOKED):
            due, entered = stepper.due()[hearing], stepper.entered_ns[hearing]
            if names[stepper.states[hearing]] in states and due < NEVER and (
                    not came or came[-1][0] != entered):
                came.append((entered, due - entered))
            then = sketch.next_due()
            if then >= ends:
                break
            sketch.go_to(then)
            sketch.settle()
        if len(came) < 2:
            return None
        (before, _), (last, stays) = came[-2:]
        period = last - before
        return (last + stays // 2 - ends) % period
