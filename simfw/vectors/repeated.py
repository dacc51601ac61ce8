"""A row that fires again and again, or just behind another: known paths gone over, or later.

A firmware may count what it has done, or run out of something. That shows where a row has to fire
for the third time, and then only if what it does is looked at.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace

from simfw.behaviour.region import System
from simfw.behaviour.sequences import steady
from simfw.circuit.circuit import Circuit
from simfw.errors import EndlessInstant
from simfw.gadget.model import Gadget
from simfw.vectors.closing import Closing
from simfw.vectors.courses import Courses
from simfw.vectors.handled import Handled
from simfw.vectors.nodes import Found, bears
from simfw.vectors.pace import NEVER
from simfw.vectors.search import SIDE, beside
from simfw.vectors.sketch import Act, Sketch
from simfw.vectors.twisted import TWICE

__all__ = ["Repeated"]

MS = 1_000_000
MOST_PATHS = 4  # that are tried for one row
MOST_TURNS = 8  # of one path
MOST_INSTANTS = 4_000  # of one course
BESIDE = ("held", "supply", "status")  # what is not done over and over


class _Counting(Sketch):
    """A sketch that counts how often each row has fired."""

    def __init__(self, system: System, circuit: Circuit, gadget: Gadget) -> None:
        super().__init__(system, circuit, gadget.segments)
        self.fired: Counter[str] = Counter()

    def _note_fired(self, fired: list[str], entered: tuple[int, ...]) -> None:
        self.fired.update(fired)
        super()._note_fired(fired, entered)


class Repeated(Courses):
    """Makes such courses of paths that are known."""

    def __init__(self, gadget: Gadget, system: System, circuit: Circuit) -> None:
        super().__init__(gadget, system, circuit)
        self.sketch = self.counting = _Counting(steady(system), circuit, gadget)
        self.own = [number for number, region in enumerate(self.sketch.system.regions)
                    if region.group == "behaviour"]
        self.closing = Closing(gadget, {})

    def of(self, key: str, paths: Sequence[Found]) -> Iterator[Found]:
        """Courses on which a row fires three times: then all comes to rest; and then it is done
        once more but for the last act, and what runs in written regions runs out.
        """
        plain = sorted((path for path in paths
                        if not any(act.kind in BESIDE for act in path.acts)),
                       key=lambda path: (len(path.acts), path.ends_ns))
        mine = [path for path in plain if f"row {key}" in path.covers]
        for path in [*self._read(key, plain)[:MOST_PATHS], *mine[:MOST_PATHS]]:
            try:
                if self._three_times(key, path):
                    yield self._made(path)
                    self._turn(path.acts[:-1], path.ends_ns)
                    self._run_out()
                    yield self._made(path)
            except EndlessInstant:
                continue

    def behind(self, first: str, then: str, paths: Sequence[Found]) -> Iterator[Found]:
        """Courses on which a reading makes one row fire just behind another of its region: all is
        done so much later that a sample of the gauge comes then.
        """
        gauge, one = self.gadget.gauge, self._reading_of(then)
        number = next(number for number, region in enumerate(self.sketch.system.regions)
                      for row in region.rows if row.key == first)
        mine = sorted((path for path in paths if f"row {first}" in path.covers and not any(
            act.at_ns == 0 or act.kind in (*BESIDE, "measured") for act in path.acts)),
            key=lambda path: (len(path.acts), path.ends_ns))
        for path in mine[:MOST_PATHS] if gauge is not None and one is not None else ():
            at = self._fires(first, path)
            if at is None or gauge is None or one is None:
                continue
            stays = self.sketch.stepper.due()[number] - at
            middle = at + min(stays, gauge.every.ns) // 2
            sampled = -(-middle // gauge.every.ns) * gauge.every.ns
            acts = [replace(act, at_ns=act.at_ns + sampled - middle) for act in path.acts
                    if act.at_ns <= at]
            acts += [Act(sampled - MS, kind, name, value) for _, kind, name, value in one.changes]
            yield Found(charge=path.charge, acts=tuple(sorted(acts, key=lambda act: act.at_ns)),
                        ends_ns=sampled + gauge.every.ns, covers=frozenset())

    def _fires(self, key: str, path: Found) -> int | None:
        """When a row fires first on a path."""
        sketch = self.counting
        sketch.start(path.charge)
        sketch.fired.clear()
        times = [*sorted({act.at_ns for act in path.acts}), path.ends_ns]
        for then in times:
            while (due := sketch.next_due()) < then:
                sketch.go_to(due)
                sketch.settle()
                if sketch.fired[key]:
                    return due
                if sketch.gone_through > MOST_INSTANTS:
                    return None
            sketch.go_to(then)
            sketch.act([act for act in path.acts if act.at_ns == then])
            if sketch.fired[key]:
                return then
        return None

    def _reading_of(self, key: str) -> Handled | None:
        """How a reading brings about the event that a row waits for; None for another event."""
        row = next(row for region in self.sketch.system.regions for row in region.rows
                   if row.key == key)
        one = self.events.get(row.on or "")
        return one if one is not None and one.by == "gauge" else None

    def _read(self, key: str, paths: Sequence[Found]) -> list[Found]:
        """Where a reading makes a row fire: paths that lead to its states, and that reading."""
        gauge = self.gadget.gauge
        region, row = next((region, row) for region in self.sketch.system.regions
                           for row in region.rows if row.key == key)
        one = self._reading_of(key)
        if gauge is None or one is None:
            return []
        leading = {f"row {other.key}" for other in region.rows
                   if not set(row.sources).isdisjoint(region.entered_by(other))}
        return [replace(path, ends_ns=path.ends_ns + 2 * gauge.every.ns, acts=(
                    *path.acts, *(Act(path.ends_ns + MS, kind, name, value)
                                  for _, kind, name, value in one.changes)))
                for path in paths if not leading.isdisjoint(path.covers)]

    def _made(self, path: Found) -> Found:
        return Found(charge=path.charge, acts=tuple(self.acts), ends_ns=self.sketch.now,
                     covers=frozenset())

    def _three_times(self, key: str, path: Found) -> bool:
        sketch = self.counting
        first = [act for act in path.acts if act.at_ns == 0]
        sketch.start(path.charge, first)
        sketch.fired.clear()
        self.acts = list(first)
        rest = [act for act in path.acts if act.at_ns > 0]
        for turn in range(MOST_TURNS):
            self._turn([*first, *rest] if turn else rest, path.ends_ns)
            if sketch.fired[key] > TWICE:
                return sketch.alive
            if not sketch.alive or sketch.gone_through > MOST_INSTANTS:
                return False
        return False

    def _turn(self, acts: Sequence[Act], ends_ns: int) -> None:
        """Do it once, and bring all inputs back to rest."""
        begins = self.sketch.now
        for act in acts:
            self._one(replace(act, at_ns=begins + act.at_ns))
        self._to(begins + ends_ns)
        for act in self._rests():
            self._one(replace(act, at_ns=self.sketch.now + MS))
            self._wait(self.closing.rest_ns(act.kind, act.name)
                       if act.kind in ("contact", "hand") else MS)
        gauge = self.gadget.gauge
        if gauge is not None and gauge.thresholds and any(
                act.kind == "measured" for act in acts):
            top = max(level.value for level in gauge.thresholds) + gauge.gap
            self._one(Act(self.sketch.now + MS, "measured", self.reading,
                          beside(self.reading, top, SIDE)))
            self._wait(2 * gauge.every.ns)

    def _rests(self) -> Iterator[Act]:
        """What brings the contacts, hands and USB back to rest."""
        sketch = self.sketch
        for name, closed in list(sketch.contacts.items()):
            if name in self.gadget.buttons and closed != sketch.system.contacts[name]:
                yield Act(0, "contact", name, float(not closed))
        for name in list(sketch.hands):
            yield Act(0, "hand", name, -1.0)
        if sketch.usb:
            yield Act(0, "usb", "usb", 0.0)

    def _one(self, act: Act) -> None:
        self._to(act.at_ns)
        if bears(self.sketch, act):
            self.sketch.act([act])
            self.acts.append(act)

    def _run_out(self) -> None:
        """Until the longest time that runs in a written region has ended."""
        due = self.sketch.stepper.due()
        self._to(max((due[number] for number in self.own if due[number] < NEVER),
                     default=self.sketch.now) + MS)

    def _to(self, then: int) -> None:
        self.sketch.go_to(max(then, self.sketch.now))
