"""What of a set of stands may be told apart: regions each of whose states comes with each of the
others', and whose outputs no other turns up or down.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import combinations

from simfw.behaviour.region import System
from simfw.engine.reachable import Stand

__all__ = ["factors"]

_MOST_CLASSES = 10  # of regions whose subsets are tried

_Names = tuple[str, ...]


def factors(system: System, stands: Sequence[Stand]) -> list[_Names]:
    """The deciding regions of `stands` in groups of which the stands are every combination.

    Regions that have a say on one output stay together where one of them scales it, or takes
    segments of it out: what they draw does not add up. One group where nothing can be told apart.
    """
    names = tuple(stands[0].allowed) if stands else ()
    rows = {tuple([stand.allowed[name] for name in names]) for stand in stands}
    classes = _classes(system, names)
    if len(rows) < len(stands) or len(classes) > _MOST_CLASSES:
        return [names] if names else []
    place = {name: n for n, name in enumerate(names)}

    def seen(group: Iterable[_Names]) -> int:
        """How many combinations there are of the regions of some classes."""
        places = [place[name] for one in group for name in one]
        return len({tuple([row[n] for n in places]) for row in rows})

    found: list[_Names] = []
    ahead = classes
    while ahead:
        first, *others = ahead
        whole = seen(ahead)
        group: tuple[_Names, ...] = ()
        for size in range(len(others) + 1):
            group = next((
                (first, *some) for some in combinations(others, size)
                if seen((first, *some)) * seen([one for one in others if one not in some]) == whole
            ), ())
            if group:
                break
        chosen = {name for one in group for name in one}
        found.append(tuple([name for name in names if name in chosen]))
        ahead = [one for one in ahead if one not in group]
    return found


def _classes(system: System, names: Sequence[str]) -> list[_Names]:
    """`names` in classes of regions that do not merely add to what others drive."""
    regions = [system.region(name) for name in names]
    group = {name: {name} for name in names}
    turned = {
        output for region in regions for state in region.states
        for output in (*state.scales, *state.dial_scales, *state.takes_out)
    }
    for output in turned:
        together: set[str] = set()
        for region in regions:
            touching = any(output in state.touches for state in region.states)
            turning = any(
                output in (*state.scales, *state.dial_scales, *state.takes_out)
                for state in region.states
            )
            if turning or touching:
                together |= group[region.name]
        for name in together:
            group[name] = together
    unique = {id(one): one for one in group.values()}
    return [tuple([name for name in names if name in one]) for one in unique.values()]
