"""Contacts about a power-up, and a contact that moves just as its time ends: driven on purpose.

A firmware that takes a contact for pressed since it is closed at power-up, or that keeps what was
pressed over a loss of the supply, hears no press where the model has one. That shows only where a
press does anything: what makes it show is done before.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from typing import TYPE_CHECKING

from simfw.behaviour.region import System
from simfw.circuit.circuit import Circuit
from simfw.vectors.closing import settle_ns
from simfw.vectors.courses import BEGINS_NS, Courses
from simfw.vectors.handled import TAP_NS, Change
from simfw.vectors.moves import WITHOUT_NS
from simfw.vectors.nodes import Found
from simfw.vectors.pace import NEVER
from simfw.vectors.search import SIDE, beside
from simfw.vectors.sketch import Act

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget

__all__ = ["Contacts"]

MS = 1_000_000
MOST_BUTTONS = 8
MOST_BESIDE = 4  # contacts that move as another one does


class Contacts(Courses):
    """The courses of a gadget's buttons."""

    def __init__(self, gadget: Gadget, system: System, circuit: Circuit) -> None:
        super().__init__(gadget, system, circuit)
        self.buttons = list(gadget.buttons)[:MOST_BUTTONS]

    # -- the courses -------------------------------------------------------------------------------

    def at_power_up(self) -> Iterator[tuple[str, Found]]:
        """For each button, in words and as a path: closed at power-up and open for less than it
        takes to settle; then closed as the supply is lost, open when it is back, and pressed.
        """
        for name in self.buttons:
            yield from self._found(f"{name} about a power-up", partial(self._power_up, name))

    def at_its_end(self) -> Iterator[tuple[str, Found]]:
        """For each button: it moves in the very instant in which the time of its contact ends."""
        for name in self.buttons:
            yield from self._found(f"{name} moves as its time ends", partial(self._own_end, name))

    def held(self) -> Iterator[Found]:
        """For each button: closed at power-up and since, let go of where a click would show; then
        closed as the supply is lost in the middle of its bounce, and let go of likewise.
        """
        for name in self.buttons:
            yield from (path for _, path in self._found("", partial(self._held, name)))

    def moved(self) -> Iterator[Found]:
        """For each contact: it moves in the very instant of power-up, and is let go of when that
        has told something, or after each length for which it can be held.
        """
        for name in self.buttons:
            lengths = [0, *(timing.ns for _, timing in self.gadget.buttons[name].hold_lengths)]
            for length in lengths:
                yield from (path for _, path in self._found("", partial(self._moved, name, length)))
        for name in self.gadget.read_toggles:
            yield from (path for _, path in self._found("", partial(self._thrown, name)))

    def together(self, name: str) -> Iterator[Found]:
        """A contact moves in the instants in which each other one does: both come, and both go;
        and it goes as the other comes. A button is tapped then: if it is taken for pressed still
        that is no press.
        """
        others = [other for other in (*self.buttons, *self.gadget.read_toggles) if other != name]
        for other in others[:MOST_BESIDE]:
            for both in (True, False):
                yield from (path for _, path in self._found("", partial(
                    self._together, name, other, both)))

    def first(self) -> Iterator[Found]:
        """For each button: what it does first of all is bounce, and it moves just behind the end of
        the time that has begun so: it is let go of, or pressed.
        """
        for name in self.buttons:
            for shares in (0, 2, 6, 10), (0, 2, 9):  # eighths of that time, open and closed in turn
                yield from (path for _, path in self._found("", partial(self._first, name, shares)))

    def flat(self) -> Iterator[tuple[str, Found]]:
        """The supply is lost with the cell flat, and comes back with the cell no more than low."""
        gauge = self.gadget.gauge
        if (self.cuts and gauge is not None and gauge.flat is not None and gauge.low is not None
                and gauge.low.value > gauge.flat.value):
            yield from self._found("flat before a loss of the supply, low after it", partial(
                self._flat, gauge.every.ns, gauge.flat.value, gauge.low.value))

    def _power_up(self, name: str) -> bool:
        settle, rest = self._times(name)
        self._start(Act(0, "held", name, 1.0))
        opens: Change = (0, "contact", name, 0.0)
        bounce = (opens, (settle // 4, "contact", name, 1.0),
                  (2 * settle + TAP_NS, "contact", name, 0.0))
        self._do(*self._before(name, (opens,), bounce, rest))
        self._do(*bounce)
        self._wait(rest)
        if not self.sketch.alive:
            return False
        if self.cuts:
            self._do((0, "contact", name, 1.0))
            self._wait(settle + TAP_NS)
            self._do((0, "supply", "supply", 0.0),
                     (WITHOUT_NS // 2, "contact", name, 0.0), (WITHOUT_NS, "supply", "supply", 1.0))
            self._wait(BEGINS_NS)
            tap = self._tap(name)
            self._do(*self._before(name, (), tap, rest))
            for _ in range(2):
                self._do(*tap)
                self._wait(rest)
        return self.sketch.alive

    def _held(self, name: str) -> bool:
        settle, rest = self._times(name)
        opens: Change = (0, "contact", name, 0.0)
        # Where a bounce shows, since it is heard as a press, opening alone does where it is one.
        bounce = (opens, (settle // 4, "contact", name, 1.0),
                  (2 * settle + TAP_NS, "contact", name, 0.0))
        self._start(Act(0, "held", name, 1.0))
        self._do(*self._before(name, (opens,), bounce, rest))
        self._do(opens)
        self._wait(rest)
        if self.cuts and self.sketch.alive:
            self._do((0, "contact", name, 1.0))
            self._wait(settle // 4)
            self._do((0, "supply", "supply", 0.0), (WITHOUT_NS, "supply", "supply", 1.0))
            self._wait(BEGINS_NS)
            self._do(*self._before(name, (opens,), bounce, rest))
            self._do(opens)
            self._wait(rest)
        return self.sketch.alive

    def _moved(self, name: str, held_ns: int) -> bool:
        settle, rest = self._times(name)
        self._start(Act(0, "contact", name, 1.0))
        self._wait(settle + held_ns + TAP_NS)
        self._do((0, "contact", name, 0.0))
        self._wait(rest)
        return self.sketch.alive

    def _thrown(self, name: str) -> bool:
        settle = settle_ns(self.gadget, name)
        self._start(Act(0, "contact", name, float(not self.sketch.system.contacts[name])))
        self._wait(settle + TAP_NS)
        return self.sketch.alive

    def _together(self, name: str, other: str, both: bool) -> bool:
        settles = max(settle_ns(self.gadget, one) for one in (name, other)) + TAP_NS
        rests = [self._times(one)[1] for one in (name, other) if one in self.gadget.buttons]

        def moves(one: str, *, away: bool) -> Change:
            return 0, "contact", one, float(away != self.sketch.system.contacts[one])

        pair = (moves(name, away=True), moves(other, away=True)), (
            moves(name, away=False), moves(other, away=False))
        turn = (moves(name, away=True),), (moves(name, away=False), moves(other, away=True)), (
            moves(other, away=False),)
        self._start()
        for changes in pair if both else turn:
            self._at_once(changes)
            self._wait(settles + max(rests, default=0))
        if name in self.gadget.buttons and self.sketch.alive:
            self._do(*self._tap(name))
            self._wait(settles + max(rests, default=0))
        return self.sketch.alive

    def _at_once(self, changes: Sequence[Change]) -> None:
        acts = [Act(self.sketch.now, kind, name, value) for _, kind, name, value in changes]
        self.sketch.act(acts)
        self.acts += acts

    def _first(self, name: str, shares: Sequence[int]) -> bool:
        settle, rest = self._times(name)
        bounce = tuple((share * settle // 8, "contact", name, float(1 - number % 2))
                       for number, share in enumerate(shares))
        self._start()
        self._do(*bounce)
        self._wait(settle + rest)
        self._do((0, "contact", name, 0.0))
        self._wait(settle + rest)
        return self.sketch.alive

    def _own_end(self, name: str) -> bool:
        button, settle, rest = self.gadget.buttons[name], *self._times(name)
        closes: Change = (0, "contact", name, 1.0)
        opens: Change = (0, "contact", name, 0.0)
        self._start()
        self._do(*self._before(name, (), self._tap(name), rest))
        if button.double is not None:  # what closes then is the second press
            for change in (closes, opens):
                self._do(change)
                self._wait(settle + TAP_NS)
        met = self._bounces(name, closes, opens)
        held = max([0, *(timing.ns for _, timing in button.hold_lengths)])
        self._wait(2 * (settle + TAP_NS) + held)
        self._do(opens)
        self._wait(rest)
        self._do(closes)
        self._wait(settle + TAP_NS)
        met |= self._bounces(name, opens, closes)
        self._wait(settle + TAP_NS + rest)
        self._do(closes)  # for just too short
        met |= self._at_end(name, opens)
        self._wait(rest)
        return met and self.sketch.alive

    def _bounces(self, name: str, change: Change, back: Change) -> bool:
        """Make a change, take it back, and make it again as the time of the contact ends."""
        self._do(change)
        self._wait(settle_ns(self.gadget, name) // 2)
        self._do(back)
        return self._at_end(name, change)

    def _flat(self, every_ns: int, flat: float, low: float) -> bool:
        self._start(Act(0, "measured", self.reading, beside(self.reading, flat, -SIDE)))
        self._wait(2 * every_ns + MS)
        self._do((0, "supply", "supply", 0.0),
                 (MS, "measured", self.reading, beside(self.reading, low, -SIDE)),
                 (WITHOUT_NS, "supply", "supply", 1.0))
        self._wait(2 * every_ns + MS)
        shown = next((changes for changes in self._some("") if self._shows((), changes, BEGINS_NS)),
                     ())
        self._do(*shown)
        self._wait(BEGINS_NS)
        return bool(shown) and self.sketch.alive

    # -- doing -------------------------------------------------------------------------------------

    def _tap(self, name: str) -> tuple[Change, ...]:
        return ((0, "contact", name, 1.0),
                (settle_ns(self.gadget, name) + TAP_NS, "contact", name, 0.0))

    def _times(self, name: str) -> tuple[int, int]:
        """How long a button takes to settle, and until a click has been told (ns)."""
        settle = settle_ns(self.gadget, name)
        return settle, settle + self.gadget.buttons[name].double_ns + 2 * TAP_NS

    def _at_end(self, name: str, change: Change) -> bool:
        """Make a change as the time of a contact ends; whether one was running."""
        stepper = self.sketch.stepper
        due = stepper.due()[stepper.region_names.index(f"{name}.contact")]
        if due < NEVER:
            self.sketch.go_to(due)
        self._do(change)
        return due < NEVER
