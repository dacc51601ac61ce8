"""Which faults a set of vectors exposes: each is driven until its reports part from the model's.

What is compared are the outputs; for a state that keeps awake the wakes, and in a gadget that
drives nothing the events. A vector in which nothing of a fault comes up is not tried.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from simfw.behaviour.region import System
from simfw.report.vectors.faults import Fault
from simfw.report.vectors.faulty import Bench, Script, script_of
from simfw.report.vectors.replay import Replay

__all__ = ["Judge", "asks_of", "drives_nothing"]


def drives_nothing(system: System) -> bool:
    """Whether no state drives anything: then only events tell what it does."""
    return not any(state.drives for region in system.regions for state in region.states)


def asks_of(fault: Fault) -> tuple[str, ...]:
    """The kinds of report by which a fault is judged."""
    if fault.kind == "awake":
        return ("wake",)
    return ("event",) if drives_nothing(fault.system) else ("out",)


@dataclass(frozen=True, slots=True)
class _Course:
    """A vector: its script, and what comes up in it."""

    script: Script
    covers: frozenset[str]


class Judge:
    """Drives faults with vectors. What it has been told of vectors is kept."""

    def __init__(self, system: System, segments: Mapping[str, int]) -> None:
        self.system = system
        self.segments = segments
        self.bench = Bench(system, segments)
        self.courses: list[_Course] = []

    def add(self, replay: Replay) -> int:
        """One more vector; its number."""
        self.courses.append(_Course(script_of(replay, self.system), replay.covers))
        return len(self.courses) - 1

    def exposed(self, fault: Fault, among: Iterable[int] | None = None) -> tuple[int, int] | None:
        """The first vector that exposes a fault, the short ones first, and when (ns)."""
        chosen = range(len(self.courses)) if among is None else among
        may = _may_expose(fault)
        mine = [number for number in chosen if may(self.courses[number].covers)]
        mine.sort(key=lambda number: len(self.courses[number].script.messages))
        if not mine:
            return None
        firmware = self.bench.hold(fault, asks_of(fault))
        for number in mine[:MOST_TRIED]:
            parts_ns = firmware.parts(self.courses[number].script)
            if parts_ns is not None:
                return number, parts_ns
        return None


MOST_TRIED = 100
FIRED = ("stay", "target", "source", "emit", "clock", "anew", "resume")
ASKED = ("guard", "turned", "sign", "limit")


def _may_expose(fault: Fault) -> Callable[[frozenset[str]], bool]:
    """Tells by what comes up in a vector whether it can expose a fault at all."""
    key = fault.about
    if fault.kind in FIRED:
        needed = {f"row {key}"}
    elif fault.kind in ASKED:
        needed = {f"guard {key} true", f"guard {key} false"}
    elif fault.kind == "row":
        needed = {f"row {key}"}
    elif fault.kind == "again":
        needed = {f"guard {key} false"}
    elif fault.kind in ("time", "step", "expiry"):
        needed = {f"late {key}", f"early {key}", f"row {key}"}
    elif fault.kind in ("drive", "sequence"):
        region = next(iter(fault.touched))
        needed = {f"drive {region}:{key.removeprefix(region + '.')}"}
    elif fault.twist.edge or fault.twist.opened:
        needed = {"power held"}
    else:
        return lambda _: True
    return lambda covers: not needed.isdisjoint(covers)
