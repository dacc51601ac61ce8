"""What the model does with the inputs of a recording, in the recording's time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path

from simfw.behaviour.sequences import clock_at
from simfw.engine.levels import output_tracks
from simfw.engine.simulator import Prepared, simulate
from simfw.engine.snapshot import RegionState, Snapshot
from simfw.gadget.model import Gadget
from simfw.gadget.quantities import quantities
from simfw.quantity import Timing
from simfw.stimuli.recording.mapfile import Signal
from simfw.stimuli.recording.signals import Observed
from simfw.stimuli.scenario import Press, Scenario, Step, Wave
from simfw.verify.alignment import Edge
from simfw.verify.tracing import Cause, Origin, Traced, traced

__all__ = ["Begin", "Model", "Predicted"]

WORTH_FOLDING_NS = 30_000_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Begin:
    """Where the model begins: at power-up (`states` empty), or in these states.

    `lead_ns` is how long the states had been held when the recording begins.
    """

    charge: float
    states: Mapping[str, str] = field(default_factory=dict)
    lead_ns: int = 0

    def __str__(self) -> str:
        if not self.states:
            return "power-up"
        return ", ".join(f"{region}.{state}" for region, state in self.states.items())


@dataclass(frozen=True, slots=True, kw_only=True)
class Predicted:
    """What the model does with the recording's inputs, in the recording's time.

    `edges` per output; `origins` tells what edge k of an output rests on, `starts` its level at the
    beginning. `shift_ns` is when the run began, in the controller's time.
    """

    traced: Traced
    factor: float
    starts: Mapping[str, float | None]
    edges: Mapping[str, tuple[Edge, ...]]
    origins: Mapping[str, tuple[Origin, ...]]
    shift_ns: int = 0

    def cause(self, edge: Edge) -> Cause | None:
        """Why the model made this edge."""
        return self.traced.cause(round(edge.time_ns / self.factor) - self.shift_ns)

    def states_at(self, time_ns: float) -> dict[str, str]:
        """The state of each region just before this time of the recording."""
        at = time_ns / self.factor - self.shift_ns + self.traced.run.start_ns
        found = self.traced.run.intervals[0].states
        for interval in self.traced.run.intervals:
            if interval.start_ns >= at:
                break
            found = interval.states
        return dict(zip(self.traced.run.regions, found, strict=True))


class Model:
    """A gadget ready to be fed recordings. Parts that do not change are tabulated once."""

    def __init__(self, gadget: Gadget, observed: Observed, like: Model | None = None, *,
                 prepared: Prepared | None = None) -> None:
        """`like` lends its circuit where that is the same; `prepared` is the gadget made ready."""
        self.gadget = gadget
        self.observed = observed
        alike = like is not None and _electrical(like.gadget) == _electrical(gadget)
        self.prepared: Prepared = prepared or Prepared(
            gadget, like=like.prepared if like and alike else None)
        self.names = {name: _reading(signal) for name, signal in observed.signals.items()
                      if not signal.is_input}
        system = self.prepared.system
        self.drivers: dict[str, tuple[int, ...]] = {}
        for name, (output, _) in self.names.items():
            driving = [number for number, region in enumerate(system.regions)
                       if any(output in state.drives for state in region.states)]
            behaviour = [number for number, region in enumerate(system.regions)
                         if region.group == "behaviour"]
            self.drivers[name] = (*(n for n in behaviour if n in driving),
                                  *(n for n in behaviour if n not in driving), *driving)
        self.played = {
            name: tuple(number for number, clock in enumerate(system.clocks, len(system.regions))
                        if any(output in state.outputs for state in clock.states))
            for name, (output, _) in self.names.items()
        }
        self.sampled = _sampled(gadget)

    @property
    def reads_cell(self) -> bool:
        """Whether what the gadget does can depend on its cell."""
        gadget = self.gadget
        guards = [row.when for part in gadget.behaviour.values() for row in part.rows if row.when]
        return bool(gadget.gauge or gadget.proximity or gadget.charger or gadget.cell.cut_off
                    or any("cell." in guard for guard in guards))

    @cached_property
    def timings(self) -> dict[str, float]:
        """Every timing of the gadget file by key (ns)."""
        return {key: float(quantity.ns) for key, quantity in quantities(self.gadget).items()
                if isinstance(quantity, Timing)}

    def scenario(self, steps: Sequence[Step], lasts_ns: int, charge: float) -> Scenario:
        """A scenario of these steps for this gadget."""
        return Scenario(title="", gadget_path=Path(self.gadget.file or "gadget.toml"),
                        charge=charge, lasts_ns=max(1, lasts_ns), steps=tuple(steps),
                        gadget=self.gadget)

    def predict(self, begin: Begin, factor: float = 1.0, *, until_ns: float | None = None,
                since: tuple[Snapshot, int] | None = None, beyond_ns: float = 0.0) -> Predicted:
        """Run the recording's inputs through the model.

        `until_ns` stops early. `since` goes on from a snapshot taken at that time of the recording
        instead of the beginning. `beyond_ns` is how much later the model ends at least: a recorded
        edge just before the end may be one that the model makes just after it, or with the next
        sample.
        """
        end_ns = self.observed.end_ns if until_ns is None else min(until_ns, self.observed.end_ns)
        if beyond_ns:
            end_ns += beyond_ns + factor * max(self.sampled.values(), default=0)
        resume, start_ns = (None, 0) if since is None else since
        if since is None and begin.states:
            resume = self.snapshot(begin, factor)
        shift = round(start_ns / factor)
        steps = [later(_scaled(step, factor), -shift) for step in self.observed.steps
                 if start_ns <= step.at_ns < end_ns]
        scenario = self.scenario(steps, round((end_ns - start_ns) / factor), begin.charge)
        # In a short stretch, finding cycles costs more than it saves.
        found = traced(self.prepared, scenario, resume=resume,
                       fold=scenario.lasts_ns > WORTH_FOLDING_NS)
        tracks = output_tracks(found.run, self.names)
        edges: dict[str, tuple[Edge, ...]] = {}
        origins: dict[str, tuple[Origin, ...]] = {}
        for name, track in tracks.items():
            driving = (*self.played[name], *self.drivers[name])
            rests = tuple(found.origin(time, driving) for time in track.times_ns)
            before = [track.start, *track.levels][: len(track.levels)]
            edges[name] = tuple(
                Edge((time + shift) * factor, level, was, 0.0, number)
                for number, (time, level, was) in enumerate(
                    zip(track.times_ns, track.levels, before, strict=True)))
            origins[name] = rests
        return Predicted(traced=found, factor=factor, edges=edges, origins=origins, shift_ns=shift,
                         starts={name: track.start for name, track in tracks.items()})

    def with_slack(self, predicted: Predicted, doubt: float) -> Predicted:
        """The same with slack for edges that wait for a sample of a free-running clock.

        `doubt` is how uncertain the clock factor is; the slack is at most one sample.
        """
        edges = {
            name: tuple(replace(edge, slack_ns=self._slack(origin, doubt, predicted.factor))
                        for edge, origin in zip(edges, predicted.origins[name], strict=True))
            for name, edges in predicted.edges.items()
        }
        return replace(predicted, edges=edges)

    def snapshot_at(self, begin: Begin, factor: float, time_ns: int) -> Snapshot:
        """The simulation's state at this time of the recording."""
        steps = [_scaled(step, factor) for step in self.observed.steps if step.at_ns < time_ns]
        scenario = self.scenario(steps, round(time_ns / factor), begin.charge)
        resume = self.snapshot(begin, factor) if begin.states else None
        return simulate(self.gadget, scenario, prepared=self.prepared, resume=resume,
                        trace=False, log=False).final

    def _slack(self, origin: Origin, doubt: float, factor: float) -> float:
        period = sum(self.sampled[key] for key in origin.counts if key in self.sampled)
        return min(period * factor, doubt * origin.dwells_ns)

    def snapshot(self, begin: Begin, factor: float) -> Snapshot:
        """The state of a simulation that begins as `begin` says."""
        nothing = self.scenario((), 1, begin.charge)
        powered = simulate(self.gadget, nothing, prepared=self.prepared).final
        lead = round(begin.lead_ns / factor)
        now = powered.time_ns + lead
        regions = []
        for region, state in zip(self.prepared.system.regions, powered.regions, strict=True):
            wanted = begin.states.get(region.name)
            if wanted is None:
                # As at the power-up itself: the run that settled it took a nanosecond.
                regions.append(replace(state, entered_ns=state.entered_ns + now))
                continue
            dwells = {row.after_ns for row in region.rows
                      if row.after_ns is not None and wanted in row.sources}
            regions.append(RegionState(
                state=wanted, entered_ns=now - lead, spent=sum(after < lead for after in dwells),
                memory=wanted if wanted in region.resume_points else None))
        clocks = []
        for clock, state in zip(self.prepared.system.clocks, powered.clocks, strict=True):
            leader = begin.states.get(clock.follows)
            if leader is None:
                clocks.append(replace(state, entered_ns=state.entered_ns + now))
                continue
            place, age_ns = clock_at(clock, leader, lead)
            clocks.append(RegionState(place, now - age_ns, 0, None))
        return replace(powered, time_ns=now, regions=tuple(regions), clocks=tuple(clocks))

    def longest_lead(self, states: Mapping[str, str]) -> int:
        """How long these states can have been held already (ns); 0 where nothing is timed."""
        dwells = [row.after_ns for region in self.prepared.system.regions
                  for row in region.rows
                  if row.after_ns and states.get(region.name) in row.sources]
        dwells += [one.period_ns - 1 for region in self.prepared.system.regions
                   for state in region.states if states.get(region.name) == state.name
                   for one in state.sequences.values() if one.times is None]
        return min(dwells, default=0)


def _electrical(gadget: Gadget) -> tuple[object, ...]:
    """Everything of a gadget that its circuit is made of."""
    infrared = {name: (part.carrier, part.duty, part.burst, part.receiver, part.emitter,
                       part.target) for name, part in gadget.proximity.items()}
    return (gadget.cell, gadget.charger, gadget.controller, gadget.lights, gadget.loads, infrared,
            gadget.gauge)


def _reading(signal: Signal) -> tuple[str, int]:
    kinds = {"segments": 0, "segment": signal.segment}
    return signal.name, kinds.get(signal.kind, -1)


def _sampled(gadget: Gadget) -> dict[str, int]:
    """The timings of free-running samples (key -> period in ns)."""
    found = {f"proximity.{name}.every": sensor.every.ns
             for name, sensor in gadget.proximity.items()}
    found |= {f"buttons.{name}.sample_every": button.sample_every.ns
              for name, button in gadget.buttons.items() if button.style == "sample"}
    if gadget.gauge is not None:
        found["gauge.every"] = gadget.gauge.every.ns
    return found


def later(step: Step, by_ns: int) -> Step:
    """The stimulus `by_ns` later."""
    return replace(step, at_ns=step.at_ns + by_ns) if by_ns else step


def _scaled(step: Step, factor: float) -> Step:
    """The stimulus in the controller's time."""
    if factor == 1.0:
        return step
    at = round(step.at_ns / factor)
    if isinstance(step, Press | Wave):
        return replace(step, at_ns=at, for_ns=round((step.at_ns + step.for_ns) / factor) - at)
    return replace(step, at_ns=at)


