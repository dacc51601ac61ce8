"""What is played in time, for a search that goes through no steps.

Where two regions stand in the same state, and have entered it in the same instant, the same
sequences have begun in both at the same time, and drive the same from then on. So it is enough to
compare where they stand, and when they enter what plays: each row that does tells an event of its
own, which nobody hears. It counts whether the instant has it, and not where within: what is left
again in that very instant was never seen, and what goes on behind it has begun at its time.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

from simfw.behaviour.region import Region, System

__all__ = ["Playing", "still"]


def _begun(region: str) -> str:
    """The event of a region that enters a state which plays something."""
    return f"({region} plays)"


class Playing:
    """Which `outputs` a system plays, and the `events` by which `of` tells that it begins."""

    def __init__(self, system: System) -> None:
        mine = [region for region in system.regions
                if any(state.sequences for state in region.states)]
        self._plays = {_begun(region.name): (region.name, frozenset(
            state.name for state in region.states if state.sequences)) for region in mine}
        self.events = frozenset(self._plays)
        self.outputs = frozenset(name for region in mine for state in region.states
                                 for name in state.sequences)
        self._told: dict[int, tuple[Region, Region]] = {}  # by region, which is kept with it

    def of(self, system: System) -> System:
        """The system, or what a fault makes of it, with its events."""
        if not self.events:
            return system
        return replace(system, regions=tuple(map(self._telling, system.regions)),
                       internal_events=(*system.internal_events, *sorted(self.events)))

    def told(self, events: Collection[str]) -> dict[str, tuple[str, frozenset[str]]]:
        """By those of these events that tell what begins to play: the region, and its states that
        play. A fault never makes another state play.
        """
        return {event: one for event, one in self._plays.items() if event in events}

    def _telling(self, region: Region) -> Region:
        if _begun(region.name) not in self.events:
            return region
        if id(region) not in self._told:
            plays = {state.name for state in region.states if state.sequences}
            self._told[id(region)] = region, replace(region, rows=tuple(
                row if plays.isdisjoint(region.entered_by(row))
                else replace(row, emit=(*row.emit, _begun(region.name))) for row in region.rows))
        return self._told[id(region)][1]


def still(region: Region) -> Region:
    """The region without what it plays."""
    if not any(state.sequences for state in region.states):
        return region
    return replace(region, states=tuple(replace(state, sequences={}) for state in region.states))
