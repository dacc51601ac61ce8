"""Modes: the resting combinations of states of a gadget, and what each costs.

A mode is one combination of states of the `[behaviour.*]` regions with everything else at rest: no
button, no hand, no USB. Regions that tick by their own dwells (a blink) count with all states they
tick through. Dwells that would end the mode (an automatic switch-off) are left out, so that the
figure is that of the mode itself.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from simfw.behaviour.expression import All, Any, Constant, Expression, Inside, Not
from simfw.behaviour.region import Region, Row, System
from simfw.circuit.endurance import LightRunTime
from simfw.engine.lasting import lasting
from simfw.engine.simulator import Prepared, Simulation
from simfw.engine.ticking import ticking_states
from simfw.errors import EndlessInstant
from simfw.gadget.firmware import states_of_reading
from simfw.gadget.model import Gadget
from simfw.stimuli.scenario import Scenario

__all__ = ["Mode", "combinations", "light_run_times", "modes", "modes_of_states", "ticking_groups"]

Combination = tuple[str, ...]
_WARM_UPS_NS = tuple(seconds * 10**9 for seconds in (5, 60, 600, 6000))  # to find the period in
_MOST = 4096


@dataclass(frozen=True, slots=True, kw_only=True)
class Mode:
    """One resting combination.

    `states` maps each behaviour region to its state (states joined by `/` where it ticks).
    `current_a` is the mean current at `charge`, `parts_a` its parts by consumer, largest first.
    `run_time_s` is the time from full until the gadget leaves the mode by itself or the protection
    opens; `ends_by` says which; both None when neither happens within a hundred years.
    `lights` holds the FL 1 run time of each light that is on in it, bars left out.
    `readings` are the meter's readings (A: low, value, high) for states of this mode, by key.
    """

    states: Mapping[str, str]
    charge: float
    current_a: float
    parts_a: Mapping[str, float]
    voltage_v: float
    run_time_s: float | None
    ends_by: str | None
    lights: Mapping[str, LightRunTime]
    readings: Mapping[str, tuple[float, float, float]]


def modes(
    gadget: Gadget, *, charge: float = 1.0, prepared: Prepared | None = None,
    restless: list[str] | None = None,
) -> list[Mode]:
    """All modes of `gadget`, the one it starts in first, then in the order of the file.

    `charge` (0..1) is where the mean current is read. `prepared` lends its tabulated circuit.
    Raises DescriptionError and EndlessInstant like `simulate`; with `restless`, combinations that
    never come to rest are left out and put there by name.
    """
    prepared = Prepared(gadget) if prepared is None else prepared
    regions = _behaviour(prepared.system)
    found = []
    for allowed, combination in _found(prepared.system):
        try:
            found.append(_mode(prepared, regions, allowed, combination, charge))
        except EndlessInstant:
            if restless is None:
                raise
            named = zip(regions, allowed, strict=True)
            restless.append(", ".join(
                f"{region.name}.{'/'.join(s.name for s in region.states if s.name in group)}"
                for region, group in named
            ))
    return found


def modes_of_states(
    gadget: Gadget, states: Sequence[tuple[str, str]], *, charge: float = 1.0,
    prepared: Prepared | None = None,
) -> dict[tuple[str, str], Mode]:
    """The mode of each of some (region, state): the one that `modes` lists for it.

    Of several that hold the state it is the first in which most other regions are where they start;
    where none can be reached, all others are.
    """
    prepared = Prepared(gadget) if prepared is None else prepared
    regions = _behaviour(prepared.system)
    starts = {region.name: region.starts for region in regions}
    known, ticking = _found(prepared.system), ticking_groups(regions)
    made: dict[tuple[frozenset[str], ...], Mode] = {}
    result = {}
    for name, state in states:
        held = {**starts, name: state}
        wanted = tuple(held[region.name] for region in regions)
        place = list(starts).index(name)
        holding = [item for item in known if state in item[0][place]]
        item = max(
            holding or [_item(ticking, wanted)],
            key=lambda one: sum(s in group for s, group in zip(wanted, one[0], strict=True)),
        )
        if item[0] not in made:
            made[item[0]] = _mode(prepared, regions, *item, charge)
        result[name, state] = made[item[0]]
    return result


def light_run_times(
    gadget: Gadget, *, prepared: Prepared | None = None
) -> dict[str, tuple[Mode, LightRunTime]]:
    """For each light that some mode drives, the mode in which it is brightest, and its run time.

    Of several modes it is the one in which most regions are where they start, as in
    `modes_of_states`; bars are left out.
    """
    prepared = Prepared(gadget) if prepared is None else prepared
    starts = {region.name: region.starts for region in _behaviour(prepared.system)}

    def moved(mode: Mode) -> int:
        return sum(starts[name] not in group.split("/") for name, group in mode.states.items())

    found: dict[str, tuple[Mode, LightRunTime]] = {}
    for mode in sorted(modes(gadget, prepared=prepared), key=moved):
        for name, time in mode.lights.items():
            # Another part of the mode may make it a little brighter: that is no other brightness.
            if name not in found or time.reading_a > 1.01 * found[name][1].reading_a:
                found[name] = (mode, time)
    return found


_Item = tuple[tuple[frozenset[str], ...], Combination]
Ticking = dict[str, dict[str, frozenset[str]]]


def _behaviour(system: System) -> list[Region]:
    return [region for region in system.regions if region.group == "behaviour"]


def _item(ticking: Ticking, combination: Combination) -> _Item:
    """A combination with the states that each region ticks through in it."""
    return tuple(
        groups.get(state, frozenset([state]))
        for groups, state in zip(ticking.values(), combination, strict=True)
    ), combination


def _found(system: System) -> list[_Item]:
    """The modes that may be reached, the one it starts in first, then in the order of the file."""
    regions = _behaviour(system)
    ticking = ticking_groups(regions)
    found: dict[tuple[frozenset[str], ...], Combination] = {}
    for combination in combinations(system):
        found.setdefault(*_item(ticking, combination))
    first, *others = found.items()
    order = [{state.name: n for n, state in enumerate(region.states)} for region in regions]
    others.sort(key=lambda item: [rank[s] for rank, s in zip(order, item[1], strict=True)])
    return [first, *others]


def _mode(
    prepared: Prepared,
    regions: list[Region],
    allowed: tuple[frozenset[str], ...],
    combination: Combination,
    charge: float,
) -> Mode:
    gadget = prepared.gadget
    starts = {region.name: state for region, state in zip(regions, combination, strict=True)}
    system = _resting(prepared.system, starts, dict(zip(starts, allowed, strict=True)))
    rested = prepared.with_system(system)
    for lasts_ns in _WARM_UPS_NS:
        warm = _simulation(rested, charge, lasts_ns)
        before = warm.run()
        if warm.folder.cycles or not warm.phase.ticks:
            break
    period = max((cycle.period_ns for cycle in warm.folder.cycles), default=10**9)
    run = Simulation(
        rested, _scenario(before.end_charge, period), 0, True, False, (), before.final, log=False
    ).run()
    seconds = period * 1e-9
    parts = {use.name: use.charge_c / seconds for use in run.consumers if use.charge_c > 0.0}
    places = tuple(run.regions.index(region.name) for region in regions)
    lasts = lasting(rested, places, allowed)
    names = {
        region.name: "/".join(s.name for s in region.states if s.name in group)
        for region, group in zip(regions, allowed, strict=True)
    }
    readings = {
        key: (figure.low, figure.value, figure.high)
        for key, figure in gadget.readings.items()
        if _is_reading_of(key, regions, allowed)
    }
    return Mode(
        states=names,
        charge=charge,
        current_a=run.charge_used_c / seconds,
        parts_a=dict(sorted(parts.items(), key=lambda item: -item[1])),
        voltage_v=run.end_voltage_v,
        run_time_s=lasts.run_time_s,
        ends_by=lasts.ends_by,
        lights=lasts.lights,
        readings=readings,
    )


def _is_reading_of(
    key: str, regions: list[Region], allowed: tuple[frozenset[str], ...]
) -> bool:
    """Whether the reading called `key` (region.state, several joined by blanks) is of this mode."""
    wanted = states_of_reading(key)
    groups = {region.name: group for region, group in zip(regions, allowed, strict=True)}
    for name in wanted:
        region, _, state = name.partition(".")
        group = groups.get(region)
        if group is None or not any(s == state or s.startswith(state + ".") for s in group):
            return False
    return bool(wanted)


def _scenario(charge: float, lasts_ns: int) -> Scenario:
    return Scenario(title="rest", gadget_path=Path(), charge=charge, lasts_ns=lasts_ns)


def _simulation(prepared: Prepared, charge: float, lasts_ns: int) -> Simulation:
    return Simulation(prepared, _scenario(charge, lasts_ns), 0, True, False, (), None, log=False)


def ticking_groups(regions: Sequence[Region]) -> Ticking:
    """For each region, the states it ticks through by itself, by state."""
    result: Ticking = {}
    numbers = ticking_states(System(regions=tuple(regions)))
    for region, ticks in zip(regions, numbers, strict=True):
        names = {region.states[n].name for n in ticks}
        groups: dict[str, frozenset[str]] = {}
        for name in names:
            reached = {name}
            ahead = [name]
            while ahead:
                here = ahead.pop()
                for row in region.rows:
                    ticks_on = row.after_ns is not None and here in row.sources
                    if ticks_on and row.to in names and row.to not in reached:
                        reached.add(row.to)
                        ahead.append(row.to)
            groups[name] = frozenset(reached)
        result[region.name] = groups
    return result


def _resting(
    system: System, starts: Mapping[str, str], allowed: Mapping[str, frozenset[str]]
) -> System:
    """The same system, starting in the mode, without the dwells that would end it."""
    regions = []
    for region in system.regions:
        if region.name in starts:
            inside = allowed[region.name]
            rows = tuple(
                row for row in region.rows if row.after_ns is None or row.to in inside
            )
            region = replace(region, starts=starts[region.name], rows=rows)
        regions.append(region)
    return replace(system, regions=tuple(regions))


# -- reachable combinations ------------------------------------------------------------------------


def combinations(system: System) -> list[Combination]:
    """State combinations of the behaviour regions that events and dwells may lead to.

    Guards over behaviour states are read exactly; what depends on buttons, sensors, cell or USB may
    go either way. The start comes first.
    """
    regions = [region for region in system.regions if region.group == "behaviour"]
    start = tuple(region.starts for region in regions)
    seen = {start: None}
    ahead = deque([start])
    while ahead and len(seen) < _MOST:
        here = ahead.popleft()
        for there in _successors(regions, system, here):
            if there not in seen:
                seen[there] = None
                ahead.append(there)
    return list(seen)


def _successors(
    regions: list[Region], system: System, here: Combination
) -> Iterator[Combination]:
    for event in system.events:
        if not any(event in row.emit for region in regions for row in region.rows):
            yield from _offer(regions, here, (event,), 0)
    for number, region in enumerate(regions):
        for row in region.rows:
            if row.after_ns is None or here[number] not in row.sources:
                continue
            if _maybe(row.when, regions, here) is not False:
                for there in _targets(region, row, here, number):
                    yield from _offer(regions, there, row.emit, 0)


def _offer(
    regions: list[Region], here: Combination, queue: tuple[str, ...], depth: int
) -> Iterator[Combination]:
    """Offer queued events to all regions; branch where a guard may go either way."""
    if not queue or depth > 32:
        yield here
        return
    event, rest = queue[0], queue[1:]
    branches: list[tuple[Combination, tuple[str, ...]]] = [(here, rest)]
    for number, region in enumerate(regions):
        following: list[tuple[Combination, tuple[str, ...]]] = []
        for state, later in branches:
            certain = False
            for row in region.rows:
                if row.on != event or state[number] not in row.sources:
                    continue
                may = _maybe(row.when, regions, state)
                if may is False:
                    continue
                following += [
                    (there, later + row.emit) for there in _targets(region, row, state, number)
                ]
                if may is True:
                    certain = True
                    break
            if not certain:
                following.append((state, later))
        branches = following
    for state, later in branches:
        yield from _offer(regions, state, later, depth + 1)


def _targets(
    region: Region, row: Row, here: Combination, number: int
) -> Iterator[Combination]:
    if row.to == "same":
        yield here
        return
    for name in region.resume_points if row.to == "resume" else (row.to,):
        yield (*here[:number], name, *here[number + 1 :])


def _maybe(
    expression: Expression | None, regions: list[Region], here: Combination
) -> bool | None:
    """True, False, or None where the expression may go either way."""
    match expression:
        case None:
            return True
        case Constant(value):
            return value
        case Inside(name, states):
            for region, state in zip(regions, here, strict=True):
                if region.name == name:
                    return state in states
            return None
        case Not(part):
            inner = _maybe(part, regions, here)
            return None if inner is None else not inner
        case All(parts):
            read = [_maybe(part, regions, here) for part in parts]
            return False if False in read else None if None in read else True
        case Any(parts):
            read = [_maybe(part, regions, here) for part in parts]
            return True if True in read else None if None in read else False
    return None
