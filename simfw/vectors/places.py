"""Where sketches have stood, each with a short way there: what a search for one fault begins with.

A fault shows soonest from where its region stands in the right state and the outputs are on.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass

from simfw.behaviour.expression import names_in
from simfw.behaviour.region import System
from simfw.vectors.nodes import Found
from simfw.vectors.sketch import Act, Sketch

__all__ = ["Place", "Places"]

MOST_PLACES = 4_000


@dataclass(frozen=True, slots=True)
class Place:
    """A moment at the end of a path: the state of each region; `driving` counts the written
    regions that have a say on an output then, `dear` the instants that it takes to come there.
    """

    states: Mapping[str, str]
    path: Found
    driving: int
    dear: int


class Places:
    """The moments noted so far, one for each combination of states."""

    def __init__(self, system: System) -> None:
        self.own = [region.name for region in system.regions if region.group == "behaviour"]
        self.read = sorted({name for one in self.own for row in system.region(one).rows
                            if row.when is not None for name in names_in(row.when).regions})
        self._says = {(name, state.name) for name in self.own
                      for state in system.region(name).states if state.touches}
        self._known: dict[tuple[str, ...], Place] = {}
        self.points = {name: system.region(name).resume_points for name in self.own}
        self._resuming = [name for name in self.own
                          if any(row.to == "resume" for row in system.region(name).rows)]
        # By region, where the written regions stand, and what it remembers then.
        self._remembered: dict[str, dict[tuple[tuple[str, ...], str], Place]] = {}

    def note(self, sketch: Sketch, acts: tuple[Act, ...]) -> None:
        """A sketch stands somewhere after some acts."""
        if not sketch.powered:
            return
        stepper = sketch.stepper
        names = tuple(stepper.names())
        known = self._known.get(names)
        states = dict(zip(stepper.region_names, names, strict=True))
        kept: list[tuple[dict[tuple[tuple[str, ...], str], Place], tuple[tuple[str, ...], str]]]
        kept = []
        for name in self._resuming:
            number = stepper.region_names.index(name)
            memory = stepper.memory[number]
            if memory >= 0:
                mine = self._remembered.setdefault(name, {})
                key = (tuple([states[own] for own in self.own]),
                       stepper.state_names[number][memory])
                if key not in mine or mine[key].dear > sketch.gone_through:
                    kept.append((mine, key))
        new = (len(self._known) < MOST_PLACES if known is None
               else known.dear > sketch.gone_through)
        if not new and not kept:
            return
        driving = sum((name, states[name]) in self._says for name in self.own)
        path = Found(charge=sketch.charge, acts=acts, ends_ns=sketch.now, covers=frozenset())
        place = Place(states, path, driving, sketch.gone_through)
        if new:
            self._known[names] = place
        for mine, key in kept:
            mine[key] = place

    def remembering(self, region: str, sources: Collection[str]) -> list[Found]:
        """The shortest path to each thing that a region remembers while it stands in one of some
        states: what it would go back to first comes last.
        """
        found: dict[str, Place] = {}
        for (_, memory), place in self._remembered.get(region, {}).items():
            if place.states[region] in sources and (
                    memory not in found or found[memory].dear > place.dear):
                found[memory] = place
        points = self.points[region]
        return [found[memory].path for memory in reversed(points) if memory in found]

    def best(self, away: Callable[[Mapping[str, str]], int], touched: frozenset[str], most: int
             ) -> list[Found]:
        """The paths to a few moments that are least `away` from something, those first in which
        most is on. Of moments that are alike for the regions `touched` and the written ones one
        comes before the others, which differ in what guards of the written ones read.
        """
        names = [*self.own, *sorted(touched - set(self.own))]
        # By what they are alike in: by what guards read, the best. All numbers differ.
        found: dict[tuple[str, ...], dict[tuple[str, ...], tuple[int, int, int, int, Found]]] = {}
        for number, place in enumerate(self._known.values()):
            alike = found.setdefault(tuple([place.states[name] for name in names]), {})
            key = tuple([place.states[name] for name in self.read])
            rank = (away(place.states), -place.driving, place.dear, number, place.path)
            alike[key] = min(rank, alike.get(key, rank))
        turns = sorted((rank[0], turn, rank) for alike in found.values()
                       for turn, rank in enumerate(sorted(alike.values())))
        return [path for _, _, (*_, path) in turns[:most]]
