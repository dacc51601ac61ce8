"""The search of all written regions: sets of them that do not meet are searched one by one.

Sets that share no region, event, input or reading cannot tell of each other: what one may do does
not depend on the states of the others, and nothing is done to two of them at once. So every state
of one set can stand together with every state of the others, a way leads to it in one set as in
all of them together, and the states to search are the sum over the sets instead of the product.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import prod

from simfw.behaviour.region import System
from simfw.engine.meeting import apart
from simfw.verify.abstraction import Reduced, reduce_system
from simfw.verify.budget import MOST_BYTES, Budget
from simfw.verify.detail import LADDER, Detail
from simfw.verify.explore import Explored, explore

__all__ = ["Part", "Whole", "search_whole"]


@dataclass(frozen=True, slots=True)
class Part:
    """Written regions that no others meet, as a machine, and what its search saw."""

    reduced: Reduced
    search: Explored


@dataclass(frozen=True, slots=True)
class Whole:
    """All written regions, in sets that do not meet; each set in file order, at the first region.

    `states` and `combinations` are those that were searched: the sum over the sets.
    """

    parts: tuple[Part, ...]

    @property
    def states(self) -> int:
        """How many states were searched."""
        return sum(part.search.states for part in self.parts)

    @property
    def combinations(self) -> int:
        """How many settled combinations were seen."""
        return sum(part.search.combinations for part in self.parts)

    @property
    def finished(self) -> bool:
        """Whether every set was searched to the end."""
        return all(part.search.finished for part in self.parts)

    @property
    def endless(self) -> tuple[tuple[str, ...], ...]:
        """The loops of power-ups that never come to rest."""
        return tuple(loop for part in self.parts for loop in part.reduced.endless)

    @property
    def free(self) -> tuple[str, ...]:
        """The numbers and inputs that may have any value."""
        return tuple(sorted({name for part in self.parts for name in part.reduced.free}))

    @property
    def detail(self) -> Detail:
        """What is exact in the search."""
        return self.parts[0].reduced.detail


def search_whole(
    system: System,
    *,
    segments: Mapping[str, int] | None = None,
    budget: Budget | None = None,
    limit: int | None = None,
) -> Whole:
    """The search of all written regions, with events in every order.

    Of `budget`, and of the memory of one search, each set gets an equal share of what is left, the
    smallest set first; `limit` is the most nodes that are visited in one set.
    """
    machines = _machines(system, segments or {})
    found: dict[int, Part] = {}
    kept = 0
    by_size = sorted(range(len(machines)), key=lambda place: prod(
        len(part.states) for part in machines[place].machine.parts))
    for count, place in enumerate(by_size):
        left = len(machines) - count
        reduced = machines[place]
        search = explore(
            reduced.machine, reduced.starts, apart=True, links=True, limit=limit,
            budget=None if budget is None else budget.part(1 / left),
            most_bytes=(MOST_BYTES - kept) // left,
        )
        search.fired.update(reduced.endless_rows)
        kept += search.kept_bytes
        found[place] = Part(reduced, search)
    return Whole(tuple(found[place] for place in range(len(machines))))


def _machines(system: System, segments: Mapping[str, int]) -> list[Reduced]:
    """The machine of each set of written regions that no other meets."""
    written = [region.name for region in system.regions if region.group == "behaviour"]
    sets = [
        names for regions in apart(system, system.regions, outside=True)
        if (names := [region.name for region in regions if region.group == "behaviour"])
    ] or [[]]
    sets.sort(key=lambda names: [written.index(name) for name in names])
    machines = [
        reduce_system(system, [], LADDER[0], segments=segments, keep=_with_dials(system, names))
        for names in sets
    ]
    if len(sets) > 1 and not all(one.starts for one in machines):
        # Where one set never comes to rest at power-up, the gadget does not start.
        machines = [reduce_system(system, [], LADDER[0], segments=segments,
                                  keep=_with_dials(system, written))]
    return machines


def _with_dials(system: System, names: Sequence[str]) -> list[str]:
    """These regions, and the dials by whose position a light of theirs may be dark."""
    used = {dial for name in names for state in system.region(name).states for dial in state.dials}
    return [*names, *(region.name for region in system.regions if region.name in used and any(
        state.position is not None and 0 in (state.position.drive.duty,
                                             state.position.drive.segments)
        for state in region.states))]
