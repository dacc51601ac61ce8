"""What is worked through on purpose, because a search that keeps what is new passes it by.

Three kinds of fault need a course that brings nothing new on its way:

- a fault of a chord shows only when a button of it is let go and pressed again within the time of
  the other;
- a row whose state is left again in the same instant hides behind what follows (items `alone`): a
  reading between two levels comes first;
- where the end of a time changes nothing that can be seen, a region that did not go on shows only
  when that time should run a second time (items `again`).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import takewhile
from typing import TYPE_CHECKING

from simfw.behaviour.stock import gauge_quantity
from simfw.vectors.nodes import Found
from simfw.vectors.search import SIDE, beside, middles, resting_hands
from simfw.vectors.sketch import Act

if TYPE_CHECKING:
    from simfw.circuit.circuit import Circuit
    from simfw.gadget.model import Chord, Gadget

__all__ = ["chord_drills", "courses_of", "in_two_steps", "jumps", "met_exactly", "staying",
           "twice"]  # fmt: skip

MS = 1_000_000
STAYS_NS = 300_000 * MS  # how long a hand stays before a sensor
QUIET_NS = 1000 * MS  # how long a drill waits for all that goes on before and between


# -- chords ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Contact:
    """How a contact is read: `grid_ns` between two reads, `close_ns` and `open_ns` until a change
    has settled, `least_ns` before the next can.
    """

    grid_ns: int
    close_ns: int
    open_ns: int
    least_ns: int

    def moved_for(self, settled_ns: int, *, closing: bool) -> int:
        """When the contact has to move for the change to have settled at `settled_ns`."""
        return settled_ns - (self.close_ns if closing else self.open_ns) - self.grid_ns // 4

    @property
    def back_ns(self) -> int:
        """The least time between two settled changes."""
        return self.least_ns + self.grid_ns if self.grid_ns else self.least_ns + MS


def _contact(gadget: Gadget, name: str) -> _Contact:
    button = gadget.buttons[name]
    if button.style == "sample":
        every = button.sample_every.ns
        least = (button.samples - 1) * every
        return _Contact(every, least, least, least)
    return _Contact(0, button.settles_ns(closing=True), button.settles_ns(closing=False),
                    button.busy_ns)


def _on_grid(time_ns: int, grid_ns: int) -> int:
    """`time_ns`, or the next instant at which contacts are read."""
    return -(-time_ns // grid_ns) * grid_ns


class _Drill:
    """The courses of one chord: `last` is one button, `first` are the others, moved together."""

    def __init__(self, gadget: Gadget, chord: Chord, last: str) -> None:
        self.first = [name for name in chord.buttons if name != last]
        self.last = last
        self.contacts = {name: _contact(gadget, name) for name in chord.buttons}
        self.within_ns = chord.within.ns
        self.grid_ns = max([MS, *(contact.grid_ns for contact in self.contacts.values())])
        self.back_ns = _on_grid(
            max(self.contacts[name].back_ns for name in self.first), self.grid_ns)  # fmt: skip
        # Two changes that settle in one instant are heard in the order of the buttons.
        order = list(gadget.buttons).index
        self.last_is_heard_first = order(last) < min(order(name) for name in self.first)

    def courses(self) -> Iterator[tuple[tuple[int, bool, bool], ...]]:
        """Each course: (time from its start, whether `last` moves or `first`, pressed or not)."""
        within, grid, back = self.within_ns, self.grid_ns, self.back_ns
        away = within + 4 * back
        # The last comes when the time has just run out, and then in its last part.
        yield (0, False, True), (_on_grid(within, grid), True, True)
        near = (within - max(1, within // 16)) // grid * grid
        if near > 0:
            # The first let go and come back while the last is still held.
            yield ((0, False, True), (near, True, True), (near + away, False, False),
                   (near + away + back, False, True))  # fmt: skip
        # The last comes when the first have just gone; they come back in its time, not in theirs.
        gone = back + (grid if self.last_is_heard_first else 0)
        again = max(2 * back, _on_grid(within, grid) + grid)
        if back <= gone < within and again < gone + within:
            yield (0, False, True), (back, False, False), (gone, True, True), (again, False, True)
        # The first were held for long; the last comes, and they let go and come back in time.
        left = away + (0 if self.last_is_heard_first else grid)
        if left + back < away + within:
            yield ((0, False, True), (away, True, True), (left, False, False),
                   (left + back, False, True))  # fmt: skip

    def acts(self, course: Sequence[tuple[int, bool, bool]], start_ns: int
             ) -> tuple[list[Act], int]:  # fmt: skip
        """A course whose first change settles at `start_ns`, all let go; when it is over."""
        start = _on_grid(start_ns, self.grid_ns)
        acts = []
        for at, is_last, is_pressed in course:
            for name in [self.last] if is_last else self.first:
                moved = self.contacts[name].moved_for(start + at, closing=is_pressed)
                acts.append(Act(moved, "contact", name, float(is_pressed)))
        now = start + course[-1][0] + self.within_ns + 4 * self.back_ns
        for name in (*self.first, self.last):  # every course ends with all of them pressed
            moved = self.contacts[name].moved_for(now, closing=False)
            acts.append(Act(moved, "contact", name, 0.0))
            now += self.back_ns + self.grid_ns
        order = sorted(range(len(acts)), key=lambda number: (acts[number].at_ns, number))
        return [acts[number] for number in order], now + QUIET_NS


def courses_of(gadget: Gadget, chord: str, start_ns: int) -> Iterator[tuple[list[Act], int]]:
    """Everything that the buttons of a chord can do to its time, one by one from the same time on:
    the acts, and when each is over.
    """
    for last in gadget.chords[chord].buttons:
        drill = _Drill(gadget, gadget.chords[chord], last)
        for course in drill.courses():
            yield drill.acts(course, start_ns)


def chord_drills(gadget: Gadget) -> list[Found]:
    """One path for each chord: everything that its buttons can do to its time."""
    paths = []
    for chord in gadget.chords.values():
        acts: list[Act] = []
        now = 2 * QUIET_NS
        for last in chord.buttons:
            drill = _Drill(gadget, chord, last)
            for course in drill.courses():
                more, now = drill.acts(course, now)
                acts += more
        paths.append(Found(charge=0.5, acts=tuple(acts), ends_ns=now, covers=frozenset()))
    return paths


# -- the gauge -------------------------------------------------------------------------------------


def jumps(gadget: Gadget, sweep: Found) -> Found:
    """The sweep of the gauge's levels, and then from each number of bars below all levels at once.

    What the cell's level is said to be is heard at each sample, whatever the bars were.
    """
    gauge = gadget.gauge
    if gauge is None or (gauge.low is None and gauge.flat is None):
        return sweep
    name = gauge_quantity(gauge).name
    ways = [beside(name, level.value + gauge.gap, SIDE) for level in gauge.thresholds]
    levels = [figure.value for figure in (*gauge.thresholds, gauge.low, gauge.flat)
              if figure is not None]  # fmt: skip
    bottom = beside(name, min(levels), -SIDE)
    wait = 2 * gauge.every.ns + MS
    acts, now = list(sweep.acts), sweep.ends_ns
    for way in ways:
        for reading in (way, bottom):
            acts.append(Act(now, "measured", name, reading))
            now += wait
    return replace(sweep, acts=tuple(acts), ends_ns=now)


def met_exactly(gadget: Gadget, sweep: Found) -> Found | None:
    """From each number of bars to each level, which is met exactly; None where nothing compares.

    Such a reading is for the host: no converter tells it from one a step away.
    """
    gauge = gadget.gauge
    if gauge is None or not gauge.thresholds:
        return None
    name = gauge_quantity(gauge).name
    lost = sorted(level.value for level in gauge.thresholds)
    back = [level + gauge.gap for level in lost]
    cell = [figure.value for figure in (gauge.low, gauge.flat) if figure is not None]
    below = {beside(name, level, -2 * SIDE) for level in (lost[0], *cell)}
    stands = [*sorted(below), *middles(gauge), beside(name, back[-1], 2 * SIDE)]
    wait = 2 * gauge.every.ns + MS
    acts = list(takewhile(lambda act: act.kind != "measured", sweep.acts))
    now = max([sweep.acts[0].at_ns, *(act.at_ns for act in acts)]) + MS
    for stand in stands:
        for level in sorted({*lost, *back, *cell}):
            for reading in (stand, beside(name, level, 0.0)):
                acts.append(Act(now, "measured", name, reading))
                now += wait
    return replace(sweep, acts=tuple(acts), ends_ns=now)


def in_two_steps(gadget: Gadget, path: Found) -> Found | None:
    """A path whose last reading below `flat` is led up to by one between `low` and `flat`."""
    gauge = gadget.gauge
    if gauge is None or gauge.low is None or gauge.flat is None:
        return None
    between = beside(gauge_quantity(gauge).name, gauge.low.value, -SIDE)
    wait = 2 * gauge.every.ns + MS
    for number in range(len(path.acts) - 1, -1, -1):
        act = path.acts[number]
        if act.kind == "measured" and act.at_ns > 0 and act.value < gauge.flat.value < between:
            later = [replace(one, at_ns=one.at_ns + wait) for one in path.acts[number:]]
            acts = (*path.acts[:number], replace(act, value=between), *later)
            return Found(charge=path.charge, acts=acts, ends_ns=path.ends_ns + wait,
                         covers=frozenset())  # fmt: skip
    return None


# -- what lasts ------------------------------------------------------------------------------------


def staying(gadget: Gadget, circuit: Circuit) -> list[Found]:
    """One path for each sensor that answers: a hand that stays before it for minutes."""
    paths = []
    for name, distance_m in resting_hands(gadget, circuit).items():
        if distance_m is not None:
            acts = (Act(QUIET_NS + 3 * MS, "hand", name, distance_m),
                    Act(STAYS_NS, "hand", name, -1.0))
            paths.append(Found(charge=0.5, acts=acts, ends_ns=STAYS_NS + QUIET_NS,
                               covers=frozenset()))  # fmt: skip
    return paths


# -- the same again --------------------------------------------------------------------------------


def twice(path: Found) -> Found | None:
    """A path, and its acts once more after its end; None where an input stays changed then."""
    resting: Mapping[str, float] = {"contact": 0.0, "usb": 0.0, "hand": -1.0}
    last = {(act.kind, act.name): act.value for act in path.acts}
    if any(value != resting.get(kind) for (kind, _), value in last.items()):
        return None
    again = [replace(act, at_ns=act.at_ns + path.ends_ns) for act in path.acts]
    return Found(charge=path.charge, acts=(*path.acts, *again), ends_ns=2 * path.ends_ns,
                 covers=frozenset())  # fmt: skip
