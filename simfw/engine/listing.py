"""Which resting combinations of states are listed.

Regions that do not meet are looked at apart, and those that meet are told apart where each of their
states comes with each of the others' and what they draw adds up. Such groups are multiplied only as
long as the list stays short; else each is listed with all others where they start.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import islice, product

from simfw.behaviour.region import System
from simfw.engine.factors import factors
from simfw.engine.meeting import apart, behaviour_of, cone, deciding
from simfw.engine.reachable import Stand, reach
from simfw.engine.ticking import ticking_groups
from simfw.gadget.firmware import states_of_reading
from simfw.gadget.model import Gadget

__all__ = ["MOST_LISTED", "MOST_MODES", "Choice", "Listing", "Standing", "is_reading_of",
           "listed"]

MOST_MODES = 24  # combinations of groups that may be told apart, listed one by one
MOST_LISTED = 60  # modes at all

Choice = Mapping[str, frozenset[str]]
"""The states that some deciding regions may be in."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Listing:
    """The stands that are listed, the start first; `whole`: whether all were looked at.

    `groups` is empty where all are listed, or cut short with `unlisted` more. Else it holds for
    each group the places in `stands` at which only it is elsewhere than at the start, with its
    states there, and `left_out` counts the combinations that are not listed.
    """

    stands: tuple[Stand, ...]
    whole: bool
    groups: tuple[Mapping[int, Choice], ...] = ()
    left_out: int = 0
    unlisted: int = 0
    parts: tuple[_Part, ...] = field(default=(), repr=False)

    def turned(self, choice: Choice) -> Stand:
        """The stand with some regions elsewhere than at the start."""
        return _joined([part.turned(choice) for part in self.parts])


class _Part:
    """The stands of regions that meet, the start first; `groups` holds, for each group of regions
    that may be told apart, what it may be in, the start first.
    """

    def __init__(self, system: System, stands: Sequence[Stand]) -> None:
        self._start = stands[0].allowed
        self._by_states = {tuple(stand.allowed.values()): stand for stand in stands}
        self.groups: list[list[Choice]] = []
        for names in factors(system, stands):
            seen: dict[tuple[frozenset[str], ...], Stand] = {}
            for stand in stands:
                seen.setdefault(tuple([stand.allowed[name] for name in names]), stand)
            ordered = _in_order(system, list(seen.values()), names)
            self.groups.append([{name: stand.allowed[name] for name in names} for stand in ordered])

    def turned(self, choice: Choice) -> Stand:
        """The stand with some regions elsewhere; those of other parts are passed over."""
        return self._by_states[
            tuple([choice.get(name, states) for name, states in self._start.items()])]


def listed(gadget: Gadget, system: System, standing: Standing) -> Listing:
    """The stands of a gadget that `modes` lists, of all in `standing`."""
    parts = tuple([_Part(system, part) for part in standing.parts])
    groups = [group for part in parts for group in part.groups]
    count = math.prod(len(group) for group in groups)
    if count <= MOST_MODES or len(groups) == 1:
        stands = [_joined(some) for some in islice(product(*standing.parts), MOST_LISTED)]
        return Listing(stands=tuple(_in_order(system, stands)), whole=standing.whole,
                       unlisted=count - len(stands))
    found = [_joined(standing.start)]
    places: list[dict[int, Choice]] = []
    for group in groups:
        places.append({})
        for choice in islice(group, 1, max(1, MOST_LISTED - len(found) + 1)):
            places[-1][len(found)] = choice
            found.append(_joined([part.turned(choice) for part in parts]))
    for key in gadget.readings:
        stand = standing.reached(_states_of(key))
        if stand is not None and stand.allowed not in [one.allowed for one in found]:
            found.append(stand)
    return Listing(stands=tuple(found), whole=standing.whole, groups=tuple(places),
                   left_out=count - len(found), parts=parts)


class Standing:
    """Which stand of a gadget is meant by some of its states.

    `parts` are the stands of each set of regions that do not meet, the start first; `whole` tells
    whether none was left out.
    """

    def __init__(self, gadget: Gadget, system: System) -> None:
        read = {
            word.partition(".")[0] for key in gadget.readings for word in states_of_reading(key)
        }
        chosen = deciding(system, read)
        names = {region.name for region in chosen}
        found = [reach(regions, names) for regions in apart(system, cone(system, chosen))]
        self.parts = [one.stands for one in found if one.stands]
        self.whole = all(one.whole for one in found if one.stands)
        self.start = [part[0] for part in self.parts]
        written = behaviour_of(system)
        self.starts = {region.name: region.starts for region in written}
        self.members = {
            region.name: [state.name for state in region.states] for region in written
        }
        self.ticking = ticking_groups(written)
        self._shape = _shape(system)

    def is_of(self, system: System) -> bool:
        """Whether these are the stands of another system, too: its rows differ in how long dwells
        take at most.
        """
        return _shape(system) == self._shape

    def _moved(self, stand: Stand) -> int:
        return sum(self.starts[name] not in group for name, group in stand.allowed.items())

    def _nearest(self, states: Sequence[tuple[str, str]]) -> Stand:
        """Each part where it holds those of `states` that are of its regions, if it ever does."""
        chosen = list(self.start)
        for n, part in enumerate(self.parts):
            also = [(name, state) for name, state in states if name in part[0].allowed]
            fitting = [stand for stand in part if _holds_all(stand.allowed, also)]
            if also and fitting:
                chosen[n] = min(fitting, key=self._moved)
        return _joined(chosen)

    def reached(self, states: Sequence[tuple[str, str]]) -> Stand | None:
        """The stand that holds all `states` and has most other regions where they start."""
        stand = self._nearest(states)
        return stand if _holds_all(stand.allowed, states) else None

    def of(self, states: Sequence[tuple[str, str]]) -> Stand:
        """The same; where there is none, a made-up one."""
        stand = self._nearest(states)
        allowed, at = dict(stand.allowed), dict(stand.states)
        for name, state in states:
            if not _holds(allowed.get(name, frozenset()), state):
                exact = next(s for s in self.members[name] if _is_of(s, state))
                allowed[name] = self.ticking[name].get(exact, frozenset([exact]))
                at[name] = exact
        return Stand(allowed=allowed, states=at)


def _shape(system: System) -> System:
    """All that stands hang on: whether a dwell takes time at all, not how much."""
    return replace(system, clocks=(), regions=tuple([
        replace(region, rows=tuple([
            replace(row, after_ns=min(row.after_ns, 1)) if row.after_ns else row
            for row in region.rows
        ]))
        for region in system.regions
    ]))


def _is_of(state: str, wanted: str) -> bool:
    return state == wanted or state.startswith(wanted + ".")


def _holds(group: frozenset[str], wanted: str) -> bool:
    return any(_is_of(state, wanted) for state in group)


def _holds_all(allowed: Choice, states: Sequence[tuple[str, str]]) -> bool:
    return all(_holds(allowed.get(name, frozenset()), state) for name, state in states)


def _states_of(key: str) -> list[tuple[str, str]]:
    """The regions with their states that the key of a meter's reading names."""
    return [(word.partition(".")[0], word.partition(".")[2]) for word in states_of_reading(key)]


def is_reading_of(key: str, allowed: Choice) -> bool:
    """Whether the reading called `key` is of the mode in which regions are in `allowed` states."""
    words = _states_of(key)
    return bool(words) and _holds_all(allowed, words)


def _joined(stands: Sequence[Stand]) -> Stand:
    """One stand of all parts."""
    allowed: dict[str, frozenset[str]] = {}
    states: dict[str, str] = {}
    for stand in stands:
        allowed |= stand.allowed
        states |= stand.states
    return Stand(allowed=allowed, states=states)


def _in_order(
    system: System, stands: Sequence[Stand], by: Collection[str] | None = None
) -> list[Stand]:
    """The start first, then in the order in which the file writes the states (of some regions)."""
    first, *others = stands
    rank = {
        region.name: {state.name: n for n, state in enumerate(region.states)}
        for region in behaviour_of(system)
    }
    names = [name for name in rank if name in (first.allowed if by is None else by)]
    others.sort(key=lambda one: [rank[name][one.states[name]] for name in names])
    return [first, *others]
