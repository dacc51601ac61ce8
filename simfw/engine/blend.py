"""What a gadget draws on average whose parts tick on periods that hardly come round together.

Each set of regions that do not meet is run alone until it comes round; how long it is in which
states is then exact. Together they are in each combination for the product of their shares of the
time, or just add up where these are too many (see `shares`). Whatever the phases are, only what
loads take from one another (the sag of the cell under the others) depends on them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from simfw.behaviour.region import Region
from simfw.behaviour.table import IDLE
from simfw.engine.clock import Clock
from simfw.engine.cycle import Cycle
from simfw.engine.meeting import apart, spontaneous
from simfw.engine.phase import Phase
from simfw.engine.prepared import Prepared
from simfw.engine.shares import meetings, terms
from simfw.engine.simulation import Simulation
from simfw.engine.supply import emptied_by
from simfw.stimuli.scenario import Scenario

__all__ = ["LONGEST_S", "Blend", "blend", "rest_of", "whole_cycle"]

MOST_INSTANTS = 20_000  # in which a part has to come round
LONGEST_S = 631_152_000  # twenty years: in which all has to come round, in so many instants
_States = tuple[int, ...]  # of the regions of a part


@dataclass(frozen=True, slots=True, kw_only=True)
class Blend:
    """Mean current and its parts (A) at one charge, the lowest terminal voltage (V) there, how far
    the mean may be off whatever the phases (A), the highest current of any moment (A), and the
    time from full until the cell is empty or a falling cell ends it (s; None: never), with what
    ends it and the charge then. `moving`: the numbers of the regions that do not stay where they
    are.
    """

    moving: frozenset[int]
    current_a: float
    parts_a: Mapping[str, float]
    voltage_v: float
    within_a: float
    peak_a: float
    run_time_s: float | None
    ends_by: str | None
    end_charge: float


def whole_cycle(simulation: Simulation) -> Cycle | None:
    """The latest cycle that was found in which all goes round that ticks now."""
    folder, dues = simulation.folder, simulation.stepper.dues
    ticking = simulation.phase.ticking
    for cycle in reversed(folder.cycles):
        if cycle.holds_all(ticking, dues):
            return cycle
    return None


@dataclass(frozen=True, slots=True)
class _Part:
    """Regions (by number) that come round together: the share of the time in each of their states,
    and how often a second they wake the controller.
    """

    regions: tuple[int, ...]
    shares: Mapping[_States, float]
    wakes_hz: float


def blend(
    prepared: Prepared, simulation: Simulation, charge: float, *, start: float = 1.0,
    to_the_end: bool = False,
) -> Blend:
    """The mean of what `simulation`, of `prepared`, does at its end, at `charge` (0..1).

    The time counts from the charge `start`; with `to_the_end`, until the protection opens,
    whatever the gauge tells before.
    """
    parts = [
        part for regions in _sets(prepared, simulation)
        if (part := _alone(prepared, regions, simulation, charge)) is not None
    ]
    mix = _Mix(simulation, parts)
    weighed = mix.weighed()
    amps = np.zeros(len(prepared.circuit.consumers))
    for share, found in weighed:
        amps += share * np.array(found.clock.currents(charge)[0])
    drawn = dict(zip(prepared.circuit.consumers, amps.tolist(), strict=True))
    woken_a = simulation.wake_c * mix.wakes_hz()
    if woken_a:
        drawn["controller"] = drawn.get("controller", 0.0) + woken_a
    phases = [*(found for _, found in weighed), mix.heaviest(charge)]
    mean = _mean_clock(weighed, phases, woken_a)
    end, ends_by = _end(prepared, phases, to_the_end=to_the_end)
    seconds: float | None = 0.0 if end >= start else mean.time_to(start, max(end, 0.0))
    if seconds == math.inf:
        seconds = ends_by = None
    return Blend(
        moving=frozenset(number for part in parts for place, number in enumerate(part.regions)
                         if len({states[place] for states in part.shares}) > 1),
        current_a=sum(drawn.values()),
        parts_a=drawn,
        voltage_v=min(found.clock.voltage(charge) for found in phases),
        within_a=mix.within_a(charge),
        peak_a=_total(phases[-1], charge),
        run_time_s=seconds,
        ends_by=ends_by,
        end_charge=max(end, 0.0),
    )


def rest_of(prepared: Prepared, simulation: Simulation) -> Blend:
    """How a simulation that is left off goes on until the protection opens, on the mean."""
    charge = simulation.plant.charge
    return blend(prepared, simulation, charge, start=charge, to_the_end=True)


class _Mix:
    """The parts together: `_likely` is where each is for longest, `_single` holds the phases of
    each part while the others are there.
    """

    def __init__(self, simulation: Simulation, parts: Sequence[_Part]) -> None:
        self._simulation = simulation
        self._stands = tuple(simulation.stepper.states)
        self._parts = parts
        self._places = [tuple(part.shares) for part in parts]
        self._likely = [max(part.shares, key=lambda one, p=part: p.shares[one]) for part in parts]  # type: ignore[misc]
        self._base = self._phase(self._likely)
        self._single = [
            {one: self._phase(self._with({n: one})) for one in part.shares}
            for n, part in enumerate(parts)
        ]

    def _with(self, chosen: Mapping[int, _States]) -> list[_States]:
        return [chosen.get(n, likely) for n, likely in enumerate(self._likely)]

    def _phase(self, chosen: Sequence[_States]) -> Phase:
        """The phase in which each part stands as `chosen` says."""
        states = list(self._stands)
        for part, inner in zip(self._parts, chosen, strict=True):
            for place, state in zip(part.regions, inner, strict=True):
                states[place] = state
        stepper = self._simulation.stepper
        stepper.states[:] = states
        found = self._simulation.plant.phase()
        stepper.states[:] = self._stands
        return found

    def weighed(self) -> list[tuple[float, Phase]]:
        """Phases with their weights: shares of the time (see `shares`)."""
        parts = self._parts
        return [
            (times * math.prod(parts[n].shares[one] for n, one in chosen.items()),
             self._phase(self._with(chosen)))
            for times, chosen in terms(self._places)
        ]

    def heaviest(self, charge: float) -> Phase:
        """Each part where it draws most."""
        return self._phase(
            [max(alone, key=lambda one, a=alone: _total(a[one], charge))  # type: ignore[misc]
             for alone in self._single]
        )

    def within_a(self, charge: float) -> float:
        """How far the mean may be off (A). What two parts draw together is not what each draws
        alone: at worst they meet whenever they can, or never.
        """
        base_a = _total(self._base, charge)
        own_a = [{one: _total(found, charge) - base_a for one, found in alone.items()}
                 for alone in self._single]
        within_a = 0.0
        for i, one, j, other in meetings(self._places, self._likely):
            joint = self._phase(self._with({i: one, j: other}))
            apart_a = _total(joint, charge) - base_a - own_a[i][one] - own_a[j][other]
            within_a += abs(apart_a) * min(self._parts[i].shares[one], self._parts[j].shares[other])
        return within_a

    def wakes_hz(self) -> float:
        """How often a second the controller wakes: where no other part keeps it awake."""
        asleep = [
            sum(share for one, share in part.shares.items()
                if alone[one].loads.controller != "awake")
            for part, alone in zip(self._parts, self._single, strict=True)
        ]
        return sum(
            part.wakes_hz * math.prod(asleep[:n] + asleep[n + 1 :])
            for n, part in enumerate(self._parts)
        )


def _total(phase: Phase, charge: float) -> float:
    return sum(phase.clock.currents(charge)[0])


def _sets(prepared: Prepared, simulation: Simulation) -> list[list[Region]]:
    """The regions in sets that do not meet. A clock is with the region that it follows where that
    begins it anew: it comes round by itself, or is moved by what does. Else it goes round alone.
    """
    system, stepper = prepared.system, simulation.stepper
    sets = apart(system, system.regions)
    # With nobody there and one charge, what is made of inputs and readings tells nothing.
    told = [spontaneous(region for region in one if region.written) for one in sets]
    due = stepper.due()
    for number, clock in enumerate(system.clocks, start=len(system.regions)):
        leader = stepper.region_names.index(clock.follows)
        region = system.regions[leader]
        own, events = next(
            both for both in zip(sets, told, strict=True) if region in both[0])
        ticks = due[leader] < IDLE and stepper.states[leader] in prepared.ticking[leader]
        stands = stepper.state_names[leader][stepper.states[leader]]
        if ticks or any(row.on in events and row.to != "same" and stands in row.sources
                        for row in region.rows):
            own.append(clock)
        elif due[number] < IDLE:
            sets.append([clock])
    return sets


def _alone(
    prepared: Prepared, regions: Sequence[Region], simulation: Simulation, charge: float
) -> _Part | None:
    """What a set of regions does by itself; None where nothing in it ticks."""
    system, stepper = prepared.system, simulation.stepper
    every = system.every
    places = tuple(n for n, region in enumerate(every) if region in regions)
    due = stepper.due()
    if all(due[n] >= IDLE or stepper.states[n] not in prepared.ticking[n] for n in places):
        return None
    standing = tuple(
        replace(every[n], starts=stepper.state_names[n][stepper.states[n]])
        for n in places
    )
    events = {row.on for region in standing for row in region.rows}
    alone = prepared.with_system(replace(
        system, regions=tuple(one for one in standing if not one.follows),
        clocks=tuple(one for one in standing if one.follows),
        conditions=tuple(one for one in system.conditions if {one.rises, one.falls} & events),
    ))
    rest = Scenario(title="rest", gadget_path=Path(), charge=charge, lasts_ns=LONGEST_S * 10**9)
    watched = Simulation(alone.held_at(charge), rest, 0, True, False, (), None, log=False,
                         still=True)
    watched.plant.stand_outside_as(simulation.plant)
    watched.glide.fits = False  # each instant is looked at, so that it is seen to come round
    spent, wakes = _spent(watched)
    whole = sum(spent.values())
    return _Part(places, {states: ns / whole for states, ns in spent.items() if ns},
                 wakes / (whole * 1e-9))


_Spent = tuple[dict[_States, int], float]  # time (ns) in each of the states, and wakings


def _spent(watched: Simulation) -> _Spent:
    """The time that regions spend in their states, and how often they wake the controller, until
    they come round; where they do not in so many instants, over whole rounds of what changes most
    seldom of what comes again: part of a round would count what comes once in it too often, or too
    seldom.
    """
    stepper = watched.stepper
    before = tuple(stepper.states)
    # How often each region has come to each state, and what was gone by then, at first and last.
    entries: dict[tuple[int, int], tuple[int, _Gone, _Gone]] = {}
    for _ in range(MOST_INSTANTS):
        if watched.go(1):
            break
        states = tuple(stepper.states)
        if states != before:
            gone: _Gone | None = None
            for moved in enumerate(states):
                if moved[1] == before[moved[0]]:
                    continue
                gone = _Gone(watched) if gone is None else gone
                count, first, _ = entries.get(moved, (0, gone, gone))
                entries[moved] = count + 1, first, gone
            before = states
    cycle = whole_cycle(watched)
    if cycle is not None:
        spent: dict[_States, int] = {}
        for phase, lasts_ns, _ in cycle.parts():
            spent[phase.states] = spent.get(phase.states, 0) + lasts_ns
        return spent, cycle.wakes
    all_gone = _Gone(watched)
    rounds = [(count, first, last) for count, first, last in entries.values()
              if 2 * (last.now - first.now) >= all_gone.now]
    if not rounds:
        return all_gone.since(None)
    _, first, last = min(rounds, key=lambda one: one[0])
    return last.since(first)


class _Gone:
    """What has gone by in a simulation until now."""

    def __init__(self, watched: Simulation) -> None:
        self.now = watched.now
        self._wake_c = watched.wake_c
        self._times = dict(watched.time_in)
        self._lumps = [phase.lump_c for phase in self._times]
        # What was gone along in one step is counted there and nowhere else.
        self._turns = [(inner, turn.count) for inner in watched.folder.cycles
                       for turn in inner.turns.values()]

    def since(self, earlier: _Gone | None) -> _Spent:
        """The time (ns) in each of the states, and the wakings, since then; None: in all."""
        spent: dict[_States, int] = {}
        wakes = 0.0
        for gone, sign in ((self, 1), (earlier, -1)):
            if gone is None:
                continue
            for (phase, lasts_ns), lump_c in zip(gone._times.items(), gone._lumps, strict=True):
                spent[phase.states] = spent.get(phase.states, 0) + sign * lasts_ns
                if self._wake_c:
                    wakes += sign * round(lump_c / self._wake_c)
            for inner, count in gone._turns:
                for phase, lasts_ns, woken in inner.parts():
                    spent[phase.states] = spent.get(phase.states, 0) + sign * count * lasts_ns
                    wakes += sign * count * woken
        return spent, wakes


def _mean_clock(
    weighed: Sequence[tuple[float, Phase]], phases: Sequence[Phase], woken_a: float
) -> Clock:
    """The charge clock of the mean drain."""
    ends = (phases[0], phases[-1])
    nodes = np.unique(np.concatenate([found.clock.nodes for found in ends]))
    total = np.full(len(nodes), woken_a)
    for share, found in weighed:
        clock = found.clock
        total += share * np.interp(nodes, clock.nodes, clock.consumers_a.sum(axis=0))
    nothing = np.zeros(len(nodes))
    return Clock(nodes, total[np.newaxis, :], nothing, nothing, phases[0].clock.capacity_c)


def _end(
    prepared: Prepared, phases: Sequence[Phase], *, to_the_end: bool
) -> tuple[float, str | None]:
    """The charge at which it ends, and by what: the cell's voltage is the lowest of any
    combination.
    """
    ends = [(max(found.open_at for found in phases), emptied_by(prepared.gadget))]
    gauge = prepared.gadget.gauge
    heard = {row.on for region in prepared.system.regions if region.group == "behaviour"
             for row in region.rows if row.to != "same"}
    for event in ("low", "flat"):
        level = None if gauge is None or to_the_end else getattr(gauge, event)
        if level is not None and f"cell.{event}" in heard:
            at = level.value
            if gauge is not None and gauge.method == "voltage":
                volts = prepared.circuit.true_v_for(level.value)
                at = max(found.clock.charge_at_voltage(volts) for found in phases)
            ends.append((at, f"cell.{event}"))
    return max(ends)
