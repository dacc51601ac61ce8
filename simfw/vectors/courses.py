"""Courses that are driven on purpose: what is done, and what is done first to make it show."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING

from simfw.behaviour.region import System
from simfw.behaviour.sequences import steady
from simfw.circuit.circuit import Circuit
from simfw.errors import EndlessInstant
from simfw.vectors.handled import Change, handled, of_chords
from simfw.vectors.items import READINGS
from simfw.vectors.nodes import Found, bears
from simfw.vectors.search import resting_hands
from simfw.vectors.sketch import Act, Sketch

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget

__all__ = ["BEGINS_NS", "SOON_NS", "Courses"]

MS = 1_000_000
BEGINS_NS = 1000 * MS
SOON_NS = 3 * MS
MOST_BEFORE = 12  # what is tried to be done first so that a press shows


class Courses:
    """Makes courses: `acts` are what has been done since the last start."""

    def __init__(self, gadget: Gadget, system: System, circuit: Circuit) -> None:
        self.gadget = gadget
        self.sketch = Sketch(steady(system), circuit, gadget.segments)
        self.reading = READINGS[circuit.counter is not None]
        self.hands = resting_hands(gadget, circuit)
        self.events = {**handled(gadget, self.reading, self.hands), **of_chords(gadget)}
        # What a counter has left after a loss of the supply only the simulator knows.
        self.cuts = circuit.counter is None
        self.acts: list[Act] = []

    def _found(self, title: str, course: Callable[[], bool]) -> Iterator[tuple[str, Found]]:
        self.acts = []
        try:
            done = course()
        except EndlessInstant:
            return
        if done:
            yield title, Found(charge=0.5, acts=tuple(self.acts), ends_ns=self.sketch.now,
                               covers=frozenset())  # fmt: skip

    # -- what makes a press show -------------------------------------------------------------------

    def _before(self, name: str, one: Sequence[Change], other: Sequence[Change], rest: int
                ) -> tuple[Change, ...]:  # fmt: skip
        """What is done first so that the outputs tell one course of a button from another."""
        if self._shows(one, other, rest):
            return ()
        saved = self.sketch.save()
        for changes in self._some(name):
            self.sketch.load(saved)
            self._perform(changes)
            self.sketch.go_to(self.sketch.now + BEGINS_NS)
            told = self._shows(one, other, rest)
            self.sketch.load(saved)
            if told:
                return (*changes, (changes[-1][0] + BEGINS_NS, "", "", 0.0))
        return ()

    def _some(self, name: str) -> list[tuple[Change, ...]]:
        """What can be brought about without a button, the gauge aside."""
        found = []
        for event, one in self.events.items():
            if one.by in (name, "gauge", "status") or event.endswith((".press", ".release")):
                continue
            begins = SOON_NS - min(at for at, *_ in one.changes)
            found.append(tuple((begins + at, kind, what, value)
                               for at, kind, what, value in one.changes))
        return [moves for moves in found if bears(self.sketch, Act(*moves[0]))][:MOST_BEFORE]

    def _shows(self, one: Sequence[Change], other: Sequence[Change], rest: int) -> bool:
        """Whether the outputs are others in the end if this is done and not that."""
        sketch, saved = self.sketch, self.sketch.save()
        last = sketch.now + max((at for at, *_ in (*one, *other)), default=0)
        found = []
        for changes in (one, other):
            sketch.load(saved)
            self._perform(changes)
            sketch.go_to(last + rest)
            found.append(dict(sketch.shown().drives) if sketch.alive else None)
        sketch.load(saved)
        return found[0] != found[1]

    # -- doing -------------------------------------------------------------------------------------

    def _start(self, *acts: Act) -> None:
        self.sketch.start(0.5, acts)
        self.acts = list(acts)
        self._wait(BEGINS_NS)

    def _wait(self, ns: int) -> None:
        self.sketch.go_to(self.sketch.now + ns)

    def _do(self, *changes: Change) -> None:
        self.acts += self._perform(changes)

    def _perform(self, changes: Sequence[Change]) -> list[Act]:
        """Do changes from now on, the last at their end; one without a kind is time alone."""
        begins, acts = self.sketch.now, []
        for at, kind, name, value in sorted(changes, key=lambda one: one[0]):
            self.sketch.go_to(begins + at)
            if kind:
                acts.append(Act(begins + at, kind, name, value))
                self.sketch.act(acts[-1:])
        return acts
