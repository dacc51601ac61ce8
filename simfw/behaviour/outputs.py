"""What the states of all regions drive together."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import replace
from itertools import product

from simfw.behaviour.region import Drive, Group, State, System
from simfw.behaviour.tree import View, evaluate

__all__ = ["drives_of", "is_awake", "larger", "merged", "scaled", "ways"]


def larger(first: Drive, second: Drive) -> Drive:
    """The drive that wins where two regions drive one light: more segments, then more duty."""
    return max(first, second, key=lambda drive: (drive.segments or 0, drive.duty))


def scaled(drive: Drive, factors: Iterable[float]) -> Drive:
    """`drive` multiplied by factors (0..1), the same whatever their order."""
    factor = math.prod(sorted(factors))
    if drive.segments is not None:
        return drive if factor > 0 else Drive(drive.duty, 0)
    return Drive(drive.duty * factor)


def merged(standing: Iterable[tuple[Group, State, bool]]) -> dict[str, Drive]:
    """The drive of everything that is on, sorted by name: what states drive together.

    `standing` holds the group of each region, the state it is in, and whether its outputs show. A
    light driven by two regions takes the larger drive. `takes_out` lessens what the regions of one
    group light together, before the groups are joined; of two states that take out, the one that
    takes more counts. In the end everything is multiplied by the factors of all states that scale
    it; a factor of 0 blanks segments. What a dial gives is that of its position; of a dial that
    does not stand there its largest value, and no scale. Whatever comes out at zero is left out.
    """
    standing = tuple(standing)
    turned = {where.dial: where.drive for _, state, _ in standing
              if (where := state.position) is not None}
    groups: dict[str, dict[str, Drive]] = {}
    taken: dict[str, dict[str, int]] = {}
    factors: dict[str, list[float]] = {}
    for group, state, shown in standing:
        for name, factor in state.scales.items():
            factors.setdefault(name, []).append(factor)
        for name, dial in state.dial_scales.items():
            factors.setdefault(name, []).append(turned[dial].duty if dial in turned else 1.0)
        for light, count in state.takes_out.items():
            outs = taken.setdefault(group, {})
            outs[light] = max(outs.get(light, 0), count)
        if not shown:
            continue
        drives = groups.setdefault(group, {})
        for name, drive in state.outputs.items():
            if drive.dial is not None:
                drive = turned.get(drive.dial, Drive(drive.duty, drive.segments))
            drives[name] = larger(drives[name], drive) if name in drives else drive
    joined: dict[str, Drive] = {}
    for one, drives in groups.items():
        for name, drive in drives.items():
            out = taken.get(one, {}).get(name, 0)
            left = Drive(drive.duty, max(0, drive.segments - out)) if drive.segments else drive
            joined[name] = larger(joined[name], left) if name in joined else left
    for name, some in factors.items():
        if name in joined:
            joined[name] = scaled(joined[name], some)
    return {
        name: drive
        for name, drive in sorted(joined.items())
        if drive.duty > 0 and drive.segments != 0
    }


def ways(standing: Iterable[tuple[Group, State, bool]], name: str) -> tuple[Drive | None, ...]:
    """All that `name` may be driven at, each once: at every level of the sequences that drive it.

    `standing` as in `merged`; None where it is off.
    """
    choices = []
    for group, state, shown in standing:
        played = state.sequences.get(name)
        if played is None or not shown:
            choices.append([(group, state, shown)])
            continue
        choices.append([
            (group, replace(state, outputs={**state.outputs, name: drive}), shown)
            for drive in played.levels
        ])
    return tuple(dict.fromkeys(merged(way).get(name) for way in product(*choices)))


def drives_of(system: System, states: Mapping[str, str], view: View) -> dict[str, Drive]:
    """The drive of every light, load, emitter and receiver that is on (see `merged`).

    `states` gives the state of each region, and of the clocks of those sequences that count; `view`
    is read for `show` only.
    """
    clocks = (clock for clock in system.clocks if clock.name in states)
    found = ((region, region.state(states[region.name])) for region in (*system.regions, *clocks))
    return merged(
        (
            region.group, state,
            bool(state.outputs) and (region.show is None or evaluate(region.show, view)),
        )
        for region, state in found
    )


def is_awake(system: System, states: Mapping[str, str]) -> bool:
    """Whether any region is in a state that keeps the controller awake."""
    return any(region.state(states[region.name]).awake for region in system.regions)
