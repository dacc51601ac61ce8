"""Which faults a set of vectors exposes: each is driven until its reports part from the model's.

What is compared are the outputs; for a state that keeps awake the wakes, and in a gadget that
drives nothing the events. What only an event shows is not exposed: a firmware need not tell its
events. It is `heard`, where they are told. A vector is gone through only where something of a fault
comes up.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from simfw.behaviour.region import System
from simfw.vectors.faults import Fault
from simfw.vectors.faulty import Bench, Sound
from simfw.vectors.replay import Replay
from simfw.vectors.script import (
    LOST,
    POWER,
    Course,
    cut,
    ending,
    happening,
    script_of,
    standing,
)

__all__ = ["Judge", "asks_of", "drives_nothing"]

MOST_HEARD = 1_500  # instants in which a fault may come up until an event is to show it


def drives_nothing(system: System) -> bool:
    """Whether no state drives anything: then only events tell what it does."""
    return not any(state.drives for region in system.regions for state in region.states)


def asks_of(fault: Fault) -> tuple[str, ...]:
    """The kinds of report by which a fault is judged."""
    if fault.kind == "awake":
        return ("wake",)
    if fault.kind == "drive":  # with its light left off the fault may drive nothing at all
        return ("out",)
    return ("event",) if drives_nothing(fault.system) else ("out",)


class Judge:
    """Drives faults with vectors. What it has been told of vectors is kept."""

    def __init__(self, system: System, segments: Mapping[str, int]) -> None:
        self.system = system
        self.segments = segments
        self.bench = Bench(system, segments)
        self.sound = Sound(system, segments)
        self.courses: list[Course] = []
        # What has to come up before each fault: a fault is kept with it, so that its id stays its.
        self._comes_up: dict[int, tuple[Fault, list[object] | None]] = {}
        self.spent = 0
        self.given_up: set[int] = set()  # the ids of faults for which a vector was too much work

    def add(self, replay: Replay) -> int:
        """One more vector; its number."""
        self.courses.append(self.sound.course(script_of(replay, self.system)))
        return len(self.courses) - 1

    def heard(self, fault: Fault) -> bool:
        """Whether a vector shows a fault by an event, if only by one."""
        return self.exposed(fault, most=MOST_HEARD, asks=("event",)) is not None

    def woken(self, fault: Fault) -> tuple[int, int] | None:
        """Like `exposed`, by a wake: whoever tells no events may still be seen to wake."""
        return self.exposed(fault, most=MOST_HEARD, asks=("wake",))

    def exposed(self, fault: Fault, among: Iterable[int] | None = None, most: int = 1 << 62,
                asks: tuple[str, ...] = ()) -> tuple[int, int] | None:  # fmt: skip
        """The first vector that exposes a fault, those first in which it comes up least, and when
        (ns).

        A fault that has come up in `most` instants without being told is given up; `spent` tells
        how many the last one took.
        """
        chosen = range(len(self.courses)) if among is None else among
        if id(fault) not in self._comes_up:
            self._comes_up[id(fault)] = fault, _comes_up(self.system, fault)
        _, what = self._comes_up[id(fault)]
        mine = []
        for number in chosen:
            course = self.courses[number]
            touched = (range(len(course.marks)) if what is None else course.touched(what))
            if touched:
                mine.append((len(touched), number, touched))
        mine.sort(key=lambda one: one[:2])
        self.spent = 0
        if not mine:
            return None
        firmware = self.bench.hold(fault, asks or asks_of(fault))
        before = firmware.instants
        for _, number, touched in mine:
            parts_ns = firmware.parts(self.courses[number], touched)
            self.spent = firmware.instants - before
            if firmware.gave_up:
                self.given_up.add(id(fault))
            if parts_ns is not None:
                return number, parts_ns
            if self.spent >= most:
                break
        return None


def _comes_up(system: System, fault: Fault) -> list[object] | None:
    """What has to come up before a fault can make any difference; None where it always may."""
    if fault.kind in ("show", "larger", "regions", "condition", "echo", "sequence"):
        return None
    if fault.kind == "met":
        return [happening(f"{fault.twist.met}.edge")]
    if fault.twist.missed:
        return [happening(f"{fault.twist.missed}.edge")]
    if fault.kind in ("power-up", "starts", "kept", "unkept"):
        return [LOST if fault.kind in ("kept", "unkept") else POWER]
    (name,) = fault.touched
    region, changed = system.region(name), fault.system.region(name)
    if fault.kind in ("drive", "awake"):
        states = [state.name for state, other in zip(region.states, changed.states, strict=True)
                  if state != other]
        # A state that keeps awake may be left in the instant in which it is entered.
        entering = [row.key for row in region.rows if not set(states).isdisjoint(
            region.entered_by(row))] if fault.kind == "awake" else []
        return [POWER, *entering, *(standing(name, state) for state in states)]
    if fault.kind == "memory" and region.resume_points != changed.resume_points:
        lost = set(region.resume_points) ^ set(changed.resume_points)
        return [standing(name, point) for point in lost]
    if fault.kind in ("expiry", "deaf", "eclipsed"):
        return [ending(name, state) for row in region.rows if row.key == fault.about
                for state in row.sources]
    if fault.kind == "lasts":
        if fault.twist.once:  # it is the first stay, whether it is cut or not
            return [standing(name, state) for row in region.rows if row.key == fault.about
                    for state in row.sources]
        return [cut(name)]
    if fault.kind == "follow":
        return [fault.twist.behind]
    found: list[object] = [fault.about]
    keys = {row.key for row in region.rows}
    # Nearly all rows are the very same, and comparing what they say would take most of the time.
    own, other = ({id(row): row for row in one.rows} for one in (region, changed))
    for row in {own[n] for n in own.keys() - other.keys()} ^ {
            other[n] for n in other.keys() - own.keys()}:
        if row.on is not None and row.key not in keys:
            found.append(happening(row.on))
        elif row.on is None:  # the stay that a time counts is another
            found += [standing(name, state) for state in row.sources]
        elif row.key != fault.about:  # one guard of several rows
            found.append(row.key)
    return found
