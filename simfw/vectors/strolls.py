"""Long mixed courses of stimuli, drawn, each of which brings many faults to light at once.

What is driven with a course are all faults that are left, each only where it comes up. That is far
cheaper than a search for each of them; what such courses leave is searched for one by one. (The
order is that of test generation for digital circuits, random patterns before deterministic ones;
common practice, no source.)
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from random import Random
from typing import TYPE_CHECKING

from simfw.behaviour.region import System
from simfw.circuit.circuit import Circuit
from simfw.errors import EndlessInstant
from simfw.vectors.moves import Moves, Try
from simfw.vectors.nodes import Found, bears
from simfw.vectors.places import Places
from simfw.vectors.sketch import Act, Sketch

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget

__all__ = ["Strolls"]

MS = 1_000_000
S = 1000 * MS
MOVES = 24  # of one course
FEW = 4  # of those of a course that is repeated
LOOPS = 3  # one of so many courses is
# How often each kind of move is drawn: gestures, single changes, those aimed at the ends of times
# (changes, gestures), waits, readings, levels of the status pin, the supply.
SHARES = (6, 3, 4, 3, 4, 2, 2, 1)
BENCH_FROM = 5  # the kinds from here on need a bench


class Strolls:
    """Courses by their numbers; even ones are for a scenario, odd ones for a bench."""

    def __init__(self, gadget: Gadget, system: System, circuit: Circuit,
                 segments: Mapping[str, int], hands: Mapping[str, float | None],
                 readings: list[tuple[str, float]]) -> None:  # fmt: skip
        self.gadget = gadget
        self.system = system
        self.sketch = Sketch(system, circuit, segments)
        ticking = {region.name for region in system.regions
                   if region.group == "gauge" or region.name.endswith(".look")}
        names = self.sketch.stepper.region_names
        own = sorted(range(len(names)), key=lambda number: (names[number] in ticking, -number))
        self.moves = Moves(gadget, system, self.sketch, hands, own, readings)

    def course(self, number: int, places: Places) -> Found | None:
        """The course of this number; None for one in which nothing is done. Where it comes by is
        noted among the `places`.
        """
        random = Random(number)
        sketch, by_bench = self.sketch, bool(number % 2)
        first: list[Act] = []
        if by_bench and number % 4 == 1:
            first = [Act(0, kind if kind != "contact" else "held", name, value)
                     for kind, name, value in self._found(random)]
        acts: list[Act] = list(first)
        try:
            sketch.start(0.5, first)
            sketch.go_to(S)
            # A few moves over and over: what goes well twice may not later.
            again = number % LOOPS == LOOPS - 1
            some: list[Try] = []
            for k in range(MOVES):
                drawn = (some[k % FEW] if again and k >= FEW
                         else self._draw(random, by_bench=by_bench))
                some.append(drawn)
                ends, changes = drawn
                more = [Act(sketch.now + at, kind, name, value)
                        for at, kind, name, value in changes]
                then = sketch.now + ends
                for at in sorted({act.at_ns for act in more}):
                    sketch.go_to(at)
                    now = [act for act in more if act.at_ns == at and bears(sketch, act)]
                    sketch.act(now)
                    acts += now
                sketch.go_to(max(then, sketch.now + MS))
                places.note(sketch, tuple(acts))
        except EndlessInstant:
            return None
        if not acts:
            return None
        return Found(charge=0.5, acts=tuple(acts), ends_ns=sketch.now, covers=frozenset())

    def _found(self, random: Random) -> Iterator[tuple[str, str, float]]:
        """What is found at power-up: about half of all that can be."""
        self.sketch.start(0.5)
        for kind, name, value in list(self.moves.toggles()):
            if kind in ("contact", "hand", "usb") and random.random() < 0.5:
                yield kind, name, value

    def _draw(self, random: Random, *, by_bench: bool) -> Try:
        """One move from where the sketch stands."""
        moves = self.moves
        if not self.sketch.powered:
            return random.choice(list(moves.unpowered(every=True)))
        kinds = (
            moves.gestured, moves.moved, moves.aimed, moves.aimed_gestures,
            lambda **_: moves.waits(), moves.read, lambda **_: moves.pins(),
            lambda **_: moves.supplied())
        count = len(kinds) if by_bench else BENCH_FROM
        (kind,) = random.choices(kinds[:count], SHARES[:count])
        tries = list(kind(every=True))
        return random.choice(tries) if tries else (moves.rest_ns, ())
