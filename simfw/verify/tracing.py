"""Runs that remember why: which rows fired at each instant, and which timings its time rests on.

An instant's time is the time of some stimulus plus dwells. `Cause.rests_on` counts, per timing of
the gadget file, how often it went into the instant's time, so one run tells how every edge would
move if a timing, the controller's clock or the moment of the start were a little different.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from simfw.behaviour.region import Row
from simfw.engine.cycle import Cycle
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
    """A run and the cause of each of its instants (folded ones aside)."""

    run: Run
    causes: Mapping[int, Cause]
    fired: Mapping[str, int] = field(default_factory=dict)  # how often each row fired

    def cause(self, time_ns: int) -> Cause | None:
        """Why something happened at `time_ns` (of the run), None inside a folded block."""
        return self.causes.get(time_ns)


_STIMULUS = Origin({}, 0.0)


class _Tracer(Simulation):
    """A simulation that notes the rows fired in each instant."""

    def __init__(self, prepared: Prepared, scenario: Scenario, fold: bool,
                 resume: Snapshot | None) -> None:
        super().__init__(prepared, scenario, 0, fold, True, (), resume)
        self.log: list[str] = []
        self.stepper.fired = self.log
        self.causes: dict[int, Cause] = {}
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
        super()._instant(raw, power_up=power_up)
        if self.log or power_up:
            self._note(power_up=power_up)

    def _note(self, *, power_up: bool) -> None:
        if power_up:
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
        self.causes[self.now] = Cause(self.now, tuple(self.log), moved, latest, self.phase.names)

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

    def _went_along(self, cycle: Cycle, passed_ns: int) -> None:
        for number in cycle.moving:
            self.origins[number] = self.origins[number].plus(FOLDED, passed_ns, passed_ns)


def traced(prepared: Prepared, scenario: Scenario, *, fold: bool = True,
           resume: Snapshot | None = None) -> Traced:
    """Simulate and remember why. Times count from the start of the run, resumed or not."""
    simulation = _Tracer(prepared, scenario, fold, resume)
    run = simulation.run()
    start = run.start_ns
    causes = {time - start: replace(cause, time_ns=time - start)
              for time, cause in simulation.causes.items()}
    return Traced(run, causes, simulation.counts)
