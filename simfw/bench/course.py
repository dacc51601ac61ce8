"""A course that was gone on the bench, seen as a whole: what was seen in it, and what differs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

from simfw.bench.repeating import Repeating
from simfw.engine.observer import Observer
from simfw.engine.prepared import Prepared
from simfw.engine.run import Run
from simfw.engine.simulator import simulate
from simfw.errors import UsageError
from simfw.formatting import format_duration
from simfw.report.differences import Moved, compare
from simfw.stimuli.scenario import Expect, Scenario

__all__ = [
    "MOST_LOGGED", "Differences", "EventLimit", "Otherwise", "Stay", "TooManyEvents",
    "differences", "seen_in", "stays_of",
]

MOST_LOGGED = 200_000
"""So many events of a course are kept."""

_LATER_NS = 10**9  # an expectation comes at most so long after what it is about
_EVEN_NS = (10**8, 10**7, 10**6, 10**5, 10**4, 10**3)
_NEAR_NS = 2_000  # what is as near to the next thing cannot be told from it


@dataclass(frozen=True, slots=True)
class Stay:
    """A written region or dial in one state, or going round in some, over [start_ns, end_ns)."""

    start_ns: int
    end_ns: int
    state: str


@dataclass(frozen=True, slots=True)
class Otherwise:
    """A region or dial that stands elsewhere over [start_ns, end_ns); None: there is no such."""

    region: str
    start_ns: int
    end_ns: int
    before: str | None
    after: str | None


@dataclass(frozen=True, slots=True)
class Differences:
    """What differs between two courses: events that moved, came or went; states; charges (0..1).

    With `events_left_out` there were too many events to be compared.
    """

    events: tuple[Moved, ...]
    states: tuple[Otherwise, ...]
    charge: tuple[float, float]
    events_left_out: bool = False

    @property
    def none(self) -> bool:
        """Whether nothing differs, as far as it was compared."""
        return not self.events and not self.states and self.charge[0] == self.charge[1]


class TooManyEvents(UsageError):
    """A course has more events than are kept."""


class EventLimit(Observer):
    """Stops a run that has more than `MOST_LOGGED` events: they would fill the memory."""

    def __init__(self) -> None:
        self._count = 0

    def event(self, time_ns: int, name: str) -> None:
        """One more."""
        del name
        self._count += 1
        if self._count > MOST_LOGGED:
            raise TooManyEvents(
                f"This course has more than {MOST_LOGGED} events by {format_duration(time_ns)}: "
                "too many to be listed.")


class _Seen(Observer):
    """The settled states after each thing that happened."""

    def __init__(self, repeating: Repeating) -> None:
        self._repeating = repeating
        self._last: tuple[str, ...] | None = None
        self.found: list[tuple[int, tuple[str, ...]]] = []

    def settled(self, time_ns: int, states: tuple[str, ...], happened: frozenset[str]) -> None:
        """Keep it where it is something."""
        last = self._last
        if last is None or self._repeating.tells(last, states, happened):
            self.found.append((time_ns, states))
        self._last = states


def seen_in(scenario: Scenario, prepared: Prepared, repeating: Repeating) -> list[Expect]:
    """What a run of `scenario` lets one expect: the states of the written regions, and the dials.

    Each is asked for a little after what led there, at an even time where there is one, so that
    times which come out a little otherwise (of a voltage crossing, folded) are as good.
    """
    expects = list(_expects(scenario, prepared, repeating))
    gadget = scenario.gadget
    assert gadget is not None
    # A region that something else drives round may have gone on unseen within a folded cycle.
    asked = replace(scenario, steps=(*scenario.steps, *expects))
    run = simulate(gadget, asked, prepared=prepared, trace=False, log=False)
    met = {(one.time_ns, one.expression) for one in run.expectations if one.met}
    return [one for one in expects if (one.at_ns, one.text) in met]


def _expects(
    scenario: Scenario, prepared: Prepared, repeating: Repeating
) -> Iterator[Expect]:
    gadget = scenario.gadget
    assert gadget is not None
    seen = _Seen(repeating)
    run = simulate(gadget, scenario, prepared=prepared, trace=False, log=False, observers=(seen,))
    ends = [time_ns for time_ns, _ in seen.found[1:]] + [scenario.lasts_ns]
    told: dict[str, str] = {}
    for (time_ns, states), end_ns in zip(seen.found, ends, strict=True):
        now = {name: states[number] for number, name in repeating.written
               if repeating.rests(name, states[number])}
        now |= {name: states[number] for number, name in repeating.dials}
        changed = [_stands(name, state, repeating) for name, state in now.items()
                   if told.get(name) != state]
        at_ns = _after(time_ns, end_ns)
        if changed and at_ns is not None:
            told = now
            yield Expect(at_ns=at_ns, text=" and ".join(changed))
    names = {name: run.final.regions[number].state for number, name in repeating.written}
    rests = [_stands(name, state, repeating) for name, state in names.items()
             if repeating.rests(name, state)]
    rests += [_stands(name, run.final.regions[number].state, repeating)
              for number, name in repeating.dials]
    if rests:
        yield Expect(at_ns=scenario.lasts_ns, text=" and ".join(rests))


def _stands(name: str, state: str, repeating: Repeating) -> str:
    """That a region is in a state, or a dial at a position, as an expression says it."""
    dial = any(name == one for _, one in repeating.dials)
    return f"{name} == {state}" if dial else f"{name}.{state}"


def _after(time_ns: int, end_ns: int) -> int | None:
    """A time between two, as even as it can be; None where they are too near to one another."""
    gap = end_ns - time_ns
    if gap <= _NEAR_NS:
        return None
    most = time_ns + min(gap // 2, _LATER_NS)
    for even in _EVEN_NS:
        at_ns = most // even * even
        if at_ns > time_ns + min(gap // 4, _LATER_NS // 4):
            return at_ns
    return most


def stays_of(run: Run, repeating: Repeating) -> dict[str, list[Stay]]:
    """Where each dial and written region of a run stood, and from when until when (ns)."""
    found: dict[str, list[Stay]] = {}
    for number, name in repeating.told:
        stays: list[Stay] = []
        for interval in run.intervals:
            state = repeating.label(name, interval.states[number])
            if stays and stays[-1].state == state:
                stays[-1] = Stay(stays[-1].start_ns, interval.end_ns, state)
            else:
                stays.append(Stay(interval.start_ns, interval.end_ns, state))
        found[name] = stays
    return found


def differences(before: Run, after: Run, old: Repeating, new: Repeating) -> Differences:
    """What differs between two runs; each is read with what goes round in its gadget."""
    events = [
        {"events": [{"name": event.name, "time_s": event.time_ns / 1e9} for event in run.events]}
        for run in (before, after)
    ]
    first, second = stays_of(before, old), stays_of(after, new)
    states: list[Otherwise] = []
    for name in dict.fromkeys((*first, *second)):
        states += _otherwise(name, first.get(name, []), second.get(name, []))
    return Differences(
        compare(*events).events, tuple(states), (before.end_charge, after.end_charge)
    )


def _otherwise(name: str, old: list[Stay], new: list[Stay]) -> Iterator[Otherwise]:
    """Where two courses of one region differ, neighbours joined."""
    turns = sorted({time for stay in (*old, *new) for time in (stay.start_ns, stay.end_ns)})
    last: Otherwise | None = None
    places = [0, 0]
    for start, end in pairwise(turns):
        states: list[str | None] = []
        for side, stays in enumerate((old, new)):
            while places[side] < len(stays) and stays[places[side]].end_ns <= start:
                places[side] += 1
            here = stays[places[side]] if places[side] < len(stays) else None
            states.append(here.state if here is not None and here.start_ns <= start else None)
        if last is not None and (last.before, last.after, last.end_ns) == (*states, start):
            last = Otherwise(name, last.start_ns, end, *states)
            continue
        if last is not None:
            yield last
        last = Otherwise(name, start, end, *states) if states[0] != states[1] else None
    if last is not None:
        yield last
