"""Runs that remember why: which rows fired at each instant, and which timings its time rests on.

An instant's time is the time of some stimulus plus dwells. `Origin.counts` counts, per timing of
the gadget file, how often it went into the instant's time, so one run tells how every edge would
move if a timing, the controller's clock or the moment of the start were a little different. Where
the simulation went along a cycle in one step, the rows of one period stand for those of the others:
what an instant rests on grows by the same amount from one period to the next.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Final

from simfw.behaviour.region import Row
from simfw.engine.cycle import Cycle
from simfw.engine.observer import Observer
from simfw.engine.phase import Phase
from simfw.engine.run import Run
from simfw.engine.simulator import Prepared, Simulation
from simfw.engine.snapshot import Snapshot
from simfw.stimuli.scenario import Scenario

__all__ = ["START", "Cause", "Origin", "Traced", "quantity_key", "traced"]

START = "(start)"
"""Stands in `counts` for how long the start state had been held before the recording."""
SPELT: Final = 3
"""Periods of a fold that are traced one by one; from then on each adds what the last one added."""


def quantity_key(row: Row) -> str:
    """The key of the gadget file's timing that this dwell row was built from."""
    key = row.key.partition("#")[0]
    return f"{key}.after" if key.startswith("behaviour.") else key


@dataclass(frozen=True, slots=True)
class Origin:
    """What a moment rests on: counts per timing, and nanoseconds of dwells in all.

    `dwells_ns` is the derivative of the moment to the length of the controller's clock tick.
    """

    counts: Mapping[str, float]
    dwells_ns: float

    def plus(self, key: str, dwell_ns: float, count: float = 1.0) -> Origin:
        """A moment later, `dwell_ns` built from the timing `key`."""
        return Origin({**self.counts, key: self.counts.get(key, 0.0) + count},
                       self.dwells_ns + dwell_ns)

    def ahead(self, before: Origin, periods: int) -> Origin:
        """A moment `periods` later, each of which adds what was added since `before`."""
        if self is before:
            return self
        counts = {key: count + periods * (count - before.counts.get(key, 0.0))
                  for key, count in self.counts.items()}
        return Origin(counts, self.dwells_ns + periods * (self.dwells_ns - before.dwells_ns))


_STIMULUS = Origin({}, 0.0)


@dataclass(frozen=True, slots=True)
class Block:
    """A stretch gone along in whole periods: (start, end], of which `SPELT` were traced."""

    start_ns: int
    end_ns: int
    period_ns: int


@dataclass(frozen=True, slots=True)
class Cause:
    """What happened in one instant: the rows that fired, in order, and what its time rests on.

    `origins` tells it per region that moved, by region number; `default` for everything else.
    """

    time_ns: int
    fired: tuple[str, ...]
    origins: Mapping[int, Origin]
    default: Origin

    def origin(self, regions: Iterable[int]) -> Origin:
        """What the time rests on for an output that these regions drive, the likeliest first."""
        for number in regions:
            if number in self.origins:
                return self.origins[number]
        return self.default


@dataclass(frozen=True, slots=True)
class Traced:
    """A run and the cause of each of its instants.

    `fired` counts how often each row fired. `blocks` are the stretches gone along in cycles, by
    start; those that lie within a period of another one are a level deeper.
    """

    run: Run
    causes: Mapping[int, Cause]
    fired: Mapping[str, int] = field(default_factory=dict)
    blocks: tuple[tuple[Block, ...], ...] = ()

    def cause(self, time_ns: int) -> Cause | None:
        """Why something happened at `time_ns` (of the run), None where nothing did.

        Of an instant inside a fold the rows are told; `origin` tells what it rests on.
        """
        found = self.causes.get(time_ns)
        if found is None:
            same, _, periods = self._spelt(time_ns)
            return self.cause(same) if periods else None
        return found

    def origin(self, time_ns: int, regions: Sequence[int]) -> Origin:
        """What an edge at `time_ns` rests on, for an output that these regions drive."""
        cause = self.causes.get(time_ns)
        if cause is not None:
            return cause.origin(regions)
        same, period, periods = self._spelt(time_ns)
        if not periods:
            return _STIMULUS
        return self.origin(same, regions).ahead(self.origin(same - period, regions), periods)

    def _spelt(self, time_ns: int) -> tuple[int, int, int]:
        """The instant that stands for this one: its time, the period, and how many lie between."""
        for level in self.blocks:
            place = bisect_left(level, time_ns, key=lambda block: block.start_ns) - 1
            if place < 0 or time_ns > level[place].end_ns:
                continue
            block = level[place]
            beyond = time_ns - block.start_ns - SPELT * block.period_ns
            if beyond > 0:
                periods = -(-beyond // block.period_ns)
                return time_ns - periods * block.period_ns, block.period_ns, periods
        return time_ns, 0, 0


@dataclass(frozen=True, slots=True)
class _Script:
    """The rows that fire in one period of a cycle, by the time since the instant it begins at.

    An entry is the rows of an instant, or a shorter cycle that goes round so many times.
    """

    period_ns: int
    entries: tuple[tuple[int, tuple[str, ...] | _Round], ...]

    def begun_at(self, offset_ns: int) -> _Script:
        """The same period, begun at another of its instants."""
        later = [(at - offset_ns, what) for at, what in self.entries
                 if _first(at, what) > offset_ns]
        earlier = [(at - offset_ns + self.period_ns, what) for at, what in self.entries
                   if _first(at, what) <= offset_ns]
        return _Script(self.period_ns, (*later, *earlier))


@dataclass(frozen=True, slots=True)
class _Round:
    script: _Script
    count: int


def _first(at_ns: int, what: tuple[str, ...] | _Round) -> int:
    """The time that sorts an entry: what goes round begins just after the instant it starts at."""
    return at_ns + 1 if isinstance(what, _Round) else at_ns


class _Notes(Observer):
    """Tells a tracer that an instant has come to rest, before any folding goes on from it."""

    tracer: _Tracer

    def settled(self, time_ns: int, states: tuple[str, ...], happened: frozenset[str]) -> None:
        """Called by the simulation."""
        del states, happened  # which rows fired tells more
        self.tracer.note(time_ns)


class _Tracer(Simulation):
    """A simulation that notes the rows fired in each instant."""

    def __init__(self, prepared: Prepared, scenario: Scenario, fold: bool,
                 resume: Snapshot | None) -> None:
        notes = _Notes()
        super().__init__(prepared, scenario, 0, fold, True, (notes,), resume)
        notes.tracer = self
        self.powering_up = False
        self.log: list[str] = []
        self.stepper.fired = self.log
        self.causes: dict[int, Cause] = {}
        self.blocks: list[list[Block]] = []
        self.counts: dict[str, int] = {}
        self.entries: list[tuple[int, tuple[str, ...] | _Round]] = []
        self.scripts: dict[int, _Script] = {}
        begun = _STIMULUS if resume is None else Origin({START: -1.0}, 0.0)
        every = prepared.system.every
        self.origins = [begun] * len(every)
        self.rows: dict[str, tuple[int, Row]] = {
            row.key: (number, row)
            for number, region in enumerate(every) for row in region.rows
        }
        self.clocks = {
            region.name: [number for number, clock in enumerate(every)
                          if clock.follows == region.name]
            for region in prepared.system.regions
        }
        self.names = [region.name for region in every]
        self.raw_events = frozenset(prepared.system.raw_events)
        # Dwells that are what a written time leaves after others.
        self.rests: dict[str, tuple[str, ...]] = {
            f"proximity.{name}.every": (f"proximity.{name}.settle", f"proximity.{name}.burst")
            for name in prepared.gadget.proximity
        }
        for name, button in prepared.gadget.buttons.items():
            keys = [button.hold_key(name, event) for event, _ in button.hold_lengths]
            self.rests |= {longer: (shorter,) for shorter, longer in pairwise(keys)}

    def _instant(
        self, raw: list[str], *, power_up: bool = False, turned: bool = False
    ) -> None:
        self.log.clear()
        self.powering_up = power_up
        super()._instant(raw, power_up=power_up, turned=turned)

    def note(self, time_ns: int) -> None:
        """Take note of an instant: the rows in the log have fired in it."""
        if self.powering_up:
            self.origins = [_STIMULUS] * len(self.origins)
        if self.log:
            fired = tuple(self.log)
            self.entries.append((time_ns, fired))
            self._fire(time_ns, fired)

    def _fire(self, time_ns: int, fired: tuple[str, ...]) -> None:
        """Let rows fire: what the regions' stays rest on from now on."""
        emitted: dict[str, Origin] = {}
        moved: dict[int, Origin] = {}
        latest = _STIMULUS
        for key in fired:
            number, row = self.rows[key]
            if row.after_ns is not None:
                latest = self._dwelt(self.origins[number], row)
            elif row.on in self.raw_events:
                latest = _STIMULUS
            else:
                latest = emitted.get(row.on or "", latest)
            for name in row.emit:
                emitted[name] = latest
            if row.to != "same":
                for one in (number, *self.clocks.get(self.names[number], ())):
                    self.origins[one] = moved[one] = latest
            self.counts[key] = self.counts.get(key, 0) + 1
        self.causes[time_ns] = Cause(time_ns, fired, moved, latest)

    def _dwelt(self, since: Origin, row: Row) -> Origin:
        assert row.after_ns is not None
        key = quantity_key(row)
        origin = since.plus(key, row.after_ns)
        for passed in self.rests.get(key, ()):
            # Start to start of a look it is `every` alone, and from a press to a hold that length.
            origin = origin.plus(passed, 0.0, -1.0)
        return origin

    # -- folds -----------------------------------------------------------------------------------

    def _try_fold(
        self, phase: Phase, public: tuple[int, ...], woke: bool,
        found: tuple[Cycle, int] | None = None,
    ) -> None:
        known, now = len(self.folder.cycles), self.now
        super()._try_fold(phase, public, woke, found)
        for cycle in self.folder.cycles[known:]:
            self._script(cycle, now)

    def _script(self, cycle: Cycle, closed_ns: int) -> _Script:
        """What fires in a period of a cycle, as was seen in the one that ended at `closed_ns`."""
        found = self.scripts.get(id(cycle))
        if found is None:
            start = closed_ns - cycle.period_ns
            first = bisect_right(self.entries, start, key=lambda entry: _first(*entry))
            last = bisect_right(self.entries, closed_ns, key=lambda entry: _first(*entry))
            found = self.scripts[id(cycle)] = _Script(
                cycle.period_ns,
                tuple((at - start, what) for at, what in self.entries[first:last]))
        return found

    def went_along(self, cycle: Cycle, index: int, passed_ns: int) -> None:
        super().went_along(cycle, index, passed_ns)
        start = self.now - passed_ns
        offset = sum(member.total_ns for member in cycle.members[:index])
        script = self._script(cycle, start).begun_at(offset)
        count, rest = divmod(passed_ns, script.period_ns)
        if count:
            self.entries.append((start, _Round(script, count)))
            self._go_round(script, count, start, 0)
        start += count * script.period_ns
        for at, what in script.entries:
            if _first(at, what) > rest:
                break
            self.entries.append((start + at, what))
            self._repeat(what, start + at, 0)

    def _repeat(self, what: tuple[str, ...] | _Round, time_ns: int, level: int) -> None:
        if isinstance(what, _Round):
            self._go_round(what.script, what.count, time_ns, level)
        else:
            self._fire(time_ns, what)

    def _go_round(self, script: _Script, count: int, start_ns: int, level: int) -> None:
        """Let `count` periods of a cycle go by: the first few in full, the others in one step."""
        end_ns = start_ns + count * script.period_ns
        while len(self.blocks) <= level:
            self.blocks.append([])
        self.blocks[level].append(Block(start_ns, end_ns, script.period_ns))
        before, counts = list(self.origins), dict(self.counts)
        for number in range(min(count, SPELT)):
            before, counts = list(self.origins), dict(self.counts)
            for at, what in script.entries:
                self._repeat(what, start_ns + number * script.period_ns + at, level + 1)
        more = count - SPELT
        if more > 0:
            self.origins = [now.ahead(was, more)
                            for now, was in zip(self.origins, before, strict=True)]
            for key, now in self.counts.items():
                self.counts[key] = now + more * (now - counts.get(key, 0))


def traced(prepared: Prepared, scenario: Scenario, *, fold: bool = True,
           resume: Snapshot | None = None) -> Traced:
    """Simulate and remember why. Times count from the start of the run, resumed or not."""
    simulation = _Tracer(prepared, scenario, fold, resume)
    run = simulation.run()
    start = run.start_ns
    causes = {time - start: replace(cause, time_ns=time - start)
              for time, cause in simulation.causes.items()}
    blocks = tuple(
        tuple(replace(block, start_ns=block.start_ns - start, end_ns=block.end_ns - start)
              for block in level)
        for level in simulation.blocks)
    return Traced(run, causes, simulation.counts, blocks)
