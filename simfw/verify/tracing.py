"""Runs that remember why: which rows fired at each instant, and which timings its time rests on.

An instant's time is the time of some stimulus plus dwells. `Cause.rests_on` counts, per timing of
the gadget file, how often it went into the instant's time, so one run tells how every edge would
move if a timing, the controller's clock or the moment of the start were a little different.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from simfw.behaviour.region import Row
from simfw.engine.observer import Observer
from simfw.engine.phase import Phase
from simfw.engine.run import Run
from simfw.engine.simulator import Prepared, Simulation
from simfw.engine.snapshot import Snapshot
from simfw.stimuli.scenario import Scenario

__all__ = [
    "FOLDED",
    "START",
    "Cause",
    "Origin",
    "Traced",
    "quantity_key",
    "traced",
]

START = "(start)"
"""Stands in `rests_on` for how long the start state had been held before the recording."""
FOLDED = "(folded)"
"""Stands in `rests_on` for nanoseconds of repeated cycles, whatever timings they consist of."""


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


Block = tuple[int, int, Mapping[int, Origin]]
_STIMULUS = Origin({}, 0.0)


@dataclass(frozen=True, slots=True)
class Cause:
    """What happened in one instant: the rows that fired, in order, and what its time rests on.

    `origins` tells it per region that moved, by region number; `default` for everything else.
    `states` are those after the instant.
    """

    time_ns: int
    fired: tuple[str, ...]
    origins: Mapping[int, Origin]
    default: Origin
    states: tuple[str, ...]

    def origin(self, regions: Iterable[int]) -> Origin:
        """What the time rests on for an output that these regions drive, the likeliest first."""
        for number in regions:
            if number in self.origins:
                return self.origins[number]
        return self.default


@dataclass(frozen=True, slots=True)
class Traced:
    """A run and the cause of each of its instants (folded ones aside).

    `fired` counts how often each row fired. `blocks` are the stretches gone along in cycles:
    (start, end, what each moving region's stay rested on at the start), by time.
    """

    run: Run
    causes: Mapping[int, Cause]
    fired: Mapping[str, int] = field(default_factory=dict)
    blocks: tuple[Block, ...] = ()

    def cause(self, time_ns: int) -> Cause | None:
        """Why something happened at `time_ns` (of the run), None inside a folded block."""
        return self.causes.get(time_ns)

    def origin(self, time_ns: int, regions: Sequence[int]) -> Origin:
        """What an edge at `time_ns` rests on, for an output that these regions drive."""
        cause = self.causes.get(time_ns)
        if cause is not None:
            return cause.origin(regions)
        number = bisect_right(self.blocks, time_ns, key=lambda block: block[0]) - 1
        if number < 0:
            return _STIMULUS
        start, _, origins = self.blocks[number]
        since = next((origins[region] for region in regions if region in origins),
                     next(iter(origins.values()), _STIMULUS))
        return since.plus(FOLDED, time_ns - start, time_ns - start)


class _Notes(Observer):
    """Tells a tracer that an instant has come to rest, before any folding goes on from it."""

    tracer: _Tracer

    def settled(self, time_ns: int, states: tuple[str, ...], happened: frozenset[str]) -> None:
        """Called by the simulation."""
        del happened  # which rows fired tells more
        self.tracer.note(time_ns, states)


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
        self.blocks: list[Block] = []
        self.counts: dict[str, int] = {}
        begun = _STIMULUS if resume is None else Origin({START: -1.0}, 0.0)
        self.origins = [begun] * len(prepared.system.regions)
        self.rows: dict[str, tuple[int, Row]] = {
            row.key: (number, row)
            for number, region in enumerate(prepared.system.regions) for row in region.rows
        }
        self.raw_events = frozenset(prepared.system.raw_events)
        self.looks = {f"proximity.{name}.every": name for name in prepared.gadget.proximity}

    def _instant(self, raw: list[str], *, power_up: bool = False) -> None:
        self.log.clear()
        self.powering_up = power_up
        super()._instant(raw, power_up=power_up)

    def note(self, time_ns: int, states: tuple[str, ...]) -> None:
        """Take note of an instant: the rows in the log have fired in it."""
        if self.powering_up:
            self.origins = [_STIMULUS] * len(self.origins)
        emitted: dict[str, Origin] = {}
        moved: dict[int, Origin] = {}
        latest = _STIMULUS
        for key in self.log:
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
                self.origins[number] = moved[number] = latest
            self.counts[key] = self.counts.get(key, 0) + 1
        if self.log:
            self.causes[time_ns] = Cause(time_ns, tuple(self.log), moved, latest, states)

    def _dwelt(self, since: Origin, row: Row) -> Origin:
        assert row.after_ns is not None
        key = quantity_key(row)
        origin = since.plus(key, row.after_ns)
        if key in self.looks:
            # The pause after a look is what `every` leaves: start to start it is `every` alone.
            name = self.looks[key]
            origin = origin.plus(f"proximity.{name}.settle", 0.0, -1.0)
            origin = origin.plus(f"proximity.{name}.burst", 0.0, -1.0)
        return origin

    def _try_fold(self, phase: Phase, public: tuple[int, ...], woke: bool) -> None:
        before = self.now
        entered = tuple(self.stepper.entered_ns)
        resting = tuple(self.origins)
        super()._try_fold(phase, public, woke)
        passed = self.now - before
        if passed:
            moving = [number for number, since in enumerate(self.stepper.entered_ns)
                      if since != entered[number]]
            # A stay began before the block did; what it rests on is told for the block's start.
            self.blocks.append((before, self.now, {
                number: resting[number].plus(FOLDED, before - entered[number],
                                             before - entered[number]) for number in moving}))
            for number in moving:
                span = self.stepper.entered_ns[number] - entered[number]
                self.origins[number] = resting[number].plus(FOLDED, span, span)


def traced(prepared: Prepared, scenario: Scenario, *, fold: bool = True,
           resume: Snapshot | None = None) -> Traced:
    """Simulate and remember why. Times count from the start of the run, resumed or not."""
    simulation = _Tracer(prepared, scenario, fold, resume)
    run = simulation.run()
    start = run.start_ns
    causes = {time - start: replace(cause, time_ns=time - start)
              for time, cause in simulation.causes.items()}
    blocks = tuple((since - start, until - start, origins)
                   for since, until, origins in simulation.blocks)
    return Traced(run, causes, simulation.counts, blocks)
