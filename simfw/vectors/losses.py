"""The supply is lost while a region stands somewhere, and then all is done that people do.

A firmware that keeps what it should not, or does not look again at what it finds, answers the first
of these otherwise; which of them is the first is varied.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial

from simfw.behaviour.region import System
from simfw.circuit.circuit import Circuit
from simfw.gadget.model import Gadget
from simfw.vectors.moves import WITHOUT_NS
from simfw.vectors.nodes import Found
from simfw.vectors.places import Places
from simfw.vectors.sketch import Act
from simfw.vectors.tours import Tours

__all__ = ["Losses"]

MS = 1_000_000
MOST_STATES = 6  # of one region, in which the supply is lost
MOST_FIRST = 6  # events that are the first behind it


class Losses(Tours):
    """Makes such courses. `places` are the moments that are known."""

    def __init__(self, gadget: Gadget, system: System, circuit: Circuit, places: Places) -> None:
        super().__init__(gadget, system, circuit)
        self.places = places

    def of(self, name: str, only: str = "") -> Iterator[Found]:
        """The courses of one region: the supply is lost in one of its states after the other, or in
        one `only`.
        """
        region = self.sketch.system.region(name)
        states = [only] if only else [
            state.name for state in region.states if state.name != region.starts]
        for state in states[:MOST_STATES] if self.cuts else ():
            def away(stands: object, state: str = state) -> int:
                return int(stands[name] != state)  # type: ignore[index]

            for start in self.places.best(away, frozenset([name]), 1):
                for first in range(min(MOST_FIRST, len(self.done))):
                    events = (*self.done[first:], *self.done[:first])
                    yield from (path for _, path in self._found("", partial(
                        self._lost, name, state, start, events)))

    def _lost(self, name: str, state: str, start: Found, events: Sequence[str]) -> bool:
        sketch = self.sketch
        if start.charge != 0.5 or not self._gone(start) or sketch.state(name) != state:
            return False
        self._done(sketch.now + MS, [Act(0, "supply", "supply", 0.0)])
        self._done(sketch.now + MS, list(self._rests()))
        self._done(sketch.now + WITHOUT_NS, [Act(0, "supply", "supply", 1.0)])
        for event in events:
            self._at_once(event)
            if not sketch.alive:
                return False
        return True

    def _gone(self, path: Found) -> bool:
        """Go a path; whether the firmware has its supply at the end."""
        first = [act for act in path.acts if act.at_ns == 0]
        self.sketch.start(path.charge, first)
        self.acts = list(first)
        for at in sorted({act.at_ns for act in path.acts if act.at_ns > 0}):
            self._done(at, [act for act in path.acts if act.at_ns == at])
        self.sketch.go_to(max(path.ends_ns, self.sketch.now))
        return self.sketch.alive

    def _rests(self) -> Iterator[Act]:
        """What brings buttons, hands and USB back to rest."""
        sketch = self.sketch
        for name, closed in list(sketch.contacts.items()):
            if name in self.gadget.buttons and closed:
                yield Act(0, "contact", name, 0.0)
        for name in list(sketch.hands):
            yield Act(0, "hand", name, -1.0)
        if sketch.usb:
            yield Act(0, "usb", "usb", 0.0)
