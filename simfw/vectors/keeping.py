"""The supply is lost about changes of what is kept over that, and comes back as a contact moves.

A firmware writes what it keeps at a change, which takes its time, or as the supply goes, for which
it needs a rest of it; it reads it at power-up, before or after what else there is to be heard then.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from simfw.behaviour.region import Region, System
from simfw.circuit.circuit import Circuit
from simfw.gadget.model import Gadget
from simfw.vectors.closing import settle_ns
from simfw.vectors.contacts import Contacts
from simfw.vectors.courses import BEGINS_NS, SOON_NS
from simfw.vectors.handled import TAP_NS, Change
from simfw.vectors.moves import WITHOUT_NS
from simfw.vectors.nodes import Found, bears
from simfw.vectors.sketch import Act

__all__ = ["Keeping"]

MS = 1_000_000
BEHIND_NS = MS  # how soon behind a change the supply goes
MOST_LOSSES = 8  # of those, each behind a change by another row
MOST_PATHS = 3  # for one row
MOST_INSTANTS = 400  # that a change is waited for


class Keeping(Contacts):
    """Makes such courses. `paths` are some that are known."""

    def __init__(self, gadget: Gadget, system: System, circuit: Circuit, paths: Sequence[Found]
                 ) -> None:  # fmt: skip
        super().__init__(gadget, system, circuit)
        self.kept: list[tuple[int, Region]] = [
            (number, region) for number, region in enumerate(self.sketch.system.regions)
            if region.kept is not None]  # fmt: skip
        self.ways = [*self._gestures(), *self._known(paths)] if self.kept else []

    def courses(self) -> Iterator[tuple[str, Found]]:
        """The supply goes 1 ms behind a change of what is kept, by each of its rows; then it comes
        back in the very instant in which a contact moves, for each of them.
        """
        if self.cuts and (self.kept or self.buttons or self.gadget.read_toggles):
            title = "the supply comes back as a contact moves"
            if self.kept:
                title = f"the supply goes just behind a change of what is kept; {title}"
            yield from self._found(title, self._about)

    def _about(self) -> bool:
        self._start()
        done: set[str] = set()
        for number, _ in self.kept:
            for way in self.ways:
                if len(done) < MOST_LOSSES and self.sketch.alive:
                    self._just_behind(number, way, done)
        for name in (*self.buttons, *self.gadget.read_toggles):
            for away in (True, False):
                self._leaves_its_start()
                if self.sketch.alive:
                    self._comes_back(name, away=away)
        return self.sketch.alive

    # -- changes of what is kept -------------------------------------------------------------------

    def _gestures(self) -> Iterator[tuple[Change, ...]]:
        """What brings about one event each, with what may yet come of it."""
        for one in self.events.values():
            begins = SOON_NS - min((at for at, *_ in one.changes), default=0)
            if one.changes:
                last = begins + max(0, *(at for at, *_ in one.changes)) + one.after_ns
                yield (*((begins + at, kind, name, value) for at, kind, name, value in one.changes),
                       (last, "", "", 0.0))

    def _known(self, paths: Sequence[Found]) -> Iterator[tuple[Change, ...]]:
        """Paths, the shortest first, on which rows of what is kept fire."""
        rows = dict.fromkeys(f"row {row.key}" for _, region in self.kept for row in region.rows)
        plain = sorted((path for path in paths if path.acts and all(
            act.at_ns > 0 and act.kind != "supply" for act in path.acts)),
            key=lambda path: (len(path.acts), path.ends_ns))
        found = dict.fromkeys(path for row in rows
                              for path in [one for one in plain if row in one.covers][:MOST_PATHS])
        for path in found:
            yield (*((act.at_ns, act.kind, act.name, act.value) for act in path.acts),
                   (path.ends_ns, "", "", 0.0))

    def _stands(self, number: int) -> int:
        """Where a region that is kept stands, or what it would go back to."""
        stepper = self.sketch.stepper
        region = self.sketch.system.regions[number]
        return (stepper.memory if region.kept == "resume" else stepper.states)[number]

    def _begins(self, region: Region) -> int:
        """The same of one that has kept nothing."""
        return -1 if region.kept == "resume" else [
            state.name for state in region.states].index(region.starts)

    def _goes(self, number: int, way: Sequence[Change]) -> bool:
        """Go a way up to where what a region keeps has changed; whether it has."""
        sketch, before, count = self.sketch, self._stands(number), self.sketch.gone_through
        begins = sketch.now
        for at in sorted({one[0] for one in way}):
            while (due := sketch.next_due()) < begins + at:
                sketch.go_to(due)
                sketch.settle()
                if self._stands(number) != before:
                    return True
                if sketch.gone_through - count > MOST_INSTANTS:
                    return False
            sketch.go_to(begins + at)
            now = [one for one in way if one[0] == at and one[1] and bears(sketch, Act(*one))]
            if now:
                self._at_once(now)
            if self._stands(number) != before:
                return True
        return False

    def _tried(self, number: int, way: Sequence[Change]) -> bool:
        """The same, and all as it was where nothing has changed."""
        saved, acts = self.sketch.save(), list(self.acts)
        if self.sketch.alive and self._goes(number, way):
            return True
        self.sketch.load(saved)
        self.acts = acts
        return False

    def _change(self, number: int | None = None) -> bool:
        """Bring about some change, of one region or of any; whether there was a way to it."""
        numbers = [one for one, _ in self.kept] if number is None else [number]
        for one in numbers:
            for place, way in enumerate(self.ways):
                if self._tried(one, way):
                    self.ways.insert(0, self.ways.pop(place))  # it may do so again
                    self._rest()
                    return self.sketch.alive
        return False

    def _leaves_its_start(self) -> None:
        """Make something that is kept another thing than what all begins with."""
        if self.kept and all(self._stands(number) == self._begins(region)
                             for number, region in self.kept):
            self._change()

    # -- losses ------------------------------------------------------------------------------------

    def _just_behind(self, number: int, way: Sequence[Change], done: set[str]) -> None:
        """Lose the supply behind a change by a row that has made none before."""
        saved, acts = self.sketch.save(), list(self.acts)
        if self._tried(number, way):
            row = self.sketch.last[number].partition("#")[0]
            if row not in done:
                done.add(row)
                self._wait(BEHIND_NS)
                self._lose(WITHOUT_NS)
                return
        self.sketch.load(saved)
        self.acts = acts

    def _lose(self, away_ns: int) -> None:
        """The supply is away for so long, all comes to rest meanwhile, and then it shows."""
        self._do((0, "supply", "supply", 0.0))
        self._wait(SOON_NS)
        self._do(*((0, act.kind, act.name, act.value) for act in self._rests()))
        self._wait(away_ns - SOON_NS)
        self._do((0, "supply", "supply", 1.0))
        self._wait(BEGINS_NS)

    def _comes_back(self, name: str, *, away: bool) -> None:
        """The supply comes back in the instant in which a contact leaves its rest, or takes it."""
        rest = self.sketch.system.contacts[name]
        waits_ns = settle_ns(self.gadget, name) + TAP_NS
        waits_ns += self._times(name)[1] if name in self.gadget.buttons else 0
        self._do((0, "supply", "supply", 0.0))
        self._wait(SOON_NS)
        if not away:
            self._do((0, "contact", name, float(not rest)))
        self._wait(WITHOUT_NS - SOON_NS)
        self._at_once([(0, "supply", "supply", 1.0), (0, "contact", name, float(rest != away))])
        self._wait(waits_ns)
        if away:
            self._do((0, "contact", name, float(rest)))
            self._wait(waits_ns)

    def _rests(self) -> Iterator[Act]:
        """What brings contacts, hands and USB back to rest."""
        sketch = self.sketch
        for name, closed in list(sketch.contacts.items()):
            if closed != sketch.system.contacts[name]:
                yield Act(0, "contact", name, float(not closed))
        yield from (Act(0, "hand", name, -1.0) for name in list(sketch.hands))
        if sketch.usb:
            yield Act(0, "usb", "usb", 0.0)

    def _rest(self) -> None:
        """Let go of everything, and wait until that has been heard."""
        for act in list(self._rests()):
            self._wait(TAP_NS)
            self._do((0, act.kind, act.name, act.value))
            self._wait(self._times(act.name)[1] + settle_ns(self.gadget, act.name)
                       if act.name in self.gadget.buttons else BEGINS_NS)
