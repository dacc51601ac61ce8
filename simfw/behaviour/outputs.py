"""What the states of all regions drive together."""

from __future__ import annotations

from collections.abc import Mapping

from simfw.behaviour.region import Drive, System
from simfw.behaviour.tree import View, evaluate

__all__ = ["drives_of", "is_awake", "larger"]


def larger(first: Drive, second: Drive) -> Drive:
    """The drive that wins where two regions drive one light: more segments, then more duty."""
    return max(first, second, key=lambda drive: (drive.segments or 0, drive.duty))


def drives_of(system: System, states: Mapping[str, str], view: View) -> dict[str, Drive]:
    """The drive of every light, load, emitter and receiver that is on, sorted by name.

    `states` gives the state of each region; `view` is read for `show` only. A light driven by two
    regions takes the larger drive. `takes_out` lessens what the regions of one group light
    together, before the groups are joined. Whatever comes out at zero is left out.
    """
    groups: dict[str, dict[str, Drive]] = {}
    taken: dict[str, dict[str, int]] = {}
    for region in system.regions:
        state = region.state(states[region.name])
        for light, count in state.takes_out.items():
            outs = taken.setdefault(region.group, {})
            outs[light] = max(outs.get(light, 0), count)
        if not state.outputs or (region.show is not None and not evaluate(region.show, view)):
            continue
        drives = groups.setdefault(region.group, {})
        for name, drive in state.outputs.items():
            drives[name] = larger(drives[name], drive) if name in drives else drive
    joined: dict[str, Drive] = {}
    for group, drives in groups.items():
        for name, drive in drives.items():
            out = taken.get(group, {}).get(name, 0)
            left = Drive(drive.duty, max(0, drive.segments - out)) if drive.segments else drive
            joined[name] = larger(joined[name], left) if name in joined else left
    return {
        name: drive
        for name, drive in sorted(joined.items())
        if drive.duty > 0 and drive.segments != 0
    }


def is_awake(system: System, states: Mapping[str, str]) -> bool:
    """Whether any region is in a state that keeps the controller awake."""
    return any(region.state(states[region.name]).awake for region in system.regions)
