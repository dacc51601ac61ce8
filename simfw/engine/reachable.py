"""Combinations of states that events and dwells may lead to, in any order and after any time.

Guards over states are read exactly; what depends on the inputs, the cell or a level may go either
way. Buttons are followed from contact to gesture, so that no click comes without a press.

Of the combinations, only the states of some regions decide what is drawn. Stands are what is left
when the others are forgotten: one or several combinations of the deciding states, between which the
gadget comes and goes by itself (a blink, a counter) with nobody touching it. What one region does
to another only while USB is in, it does not do by itself: nothing is plugged in at rest.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from simfw.behaviour.expression import Expression, Flag, Inside, Leaf, leaves, truth
from simfw.behaviour.region import Region, Row

__all__ = ["MOST_COMBINATIONS", "Reached", "Stand", "reach"]

MOST_COMBINATIONS = 20_000
_MOST_QUEUED = 32  # events of one instant

Combination = tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stand:
    """`allowed` holds the states that each deciding region may be in; `states` is a combination of
    all regions in which the gadget stands so, the first that was found.
    """

    allowed: Mapping[str, frozenset[str]]
    states: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Reached:
    """The stands found, the start first; `whole`: whether there are no more."""

    stands: tuple[Stand, ...]
    whole: bool


def reach(
    regions: Sequence[Region], deciding: Collection[str], most: int = MOST_COMBINATIONS
) -> Reached:
    """The stands of `regions`, of which those called `deciding` decide what is drawn.

    Combinations in which one region leaves its state at once are left out, unless they lead round
    for ever. Events that no region
    emits may come at any time. No more than `most` combinations are looked at.
    """
    search = _Search(regions)
    places = [n for n, region in enumerate(regions) if region.name in deciding]
    start = tuple(region.starts for region in regions)
    seen = {start: None}
    ahead = deque([start])
    alone: set[tuple[Combination, Combination]] = set()  # steps that nobody has to cause
    whole = True
    while ahead:
        here = ahead.popleft()
        steps = [(False, there) for there in search.after_events(here)]
        steps += search.after_dwells(here)
        for by_itself, there in steps:
            if there not in seen:
                if len(seen) >= most:
                    whole = False
                    continue
                seen[there] = None
                ahead.append(there)
            if by_itself:
                alone.add((tuple([here[n] for n in places]), tuple([there[n] for n in places])))
    shown: dict[Combination, Combination] = {}
    passed: dict[Combination, Combination] = {}
    for one in seen:
        (passed if search.passes(one) else shown).setdefault(tuple([one[n] for n in places]), one)
    found = {**passed, **shown}
    names = [region.name for region in regions]
    stands = []
    for group in _rounds([*shown, *(one for one in passed if one not in shown)], alone):
        standing = [one for one in group if one in shown]
        if not standing and len(group) == 1 and (group[0], group[0]) not in alone:
            continue
        # Where all of a round is passed in no time, it is one that never comes to rest.
        kept = standing or group
        stands.append(Stand(
            allowed={
                names[n]: frozenset(one[k] for one in kept) for k, n in enumerate(places)
            },
            states=dict(zip(names, found[kept[0]], strict=True)),
        ))
    return Reached(tuple(stands), whole)


def _rounds(
    found: Sequence[Combination], steps: Iterable[tuple[Combination, Combination]]
) -> list[list[Combination]]:
    """`found` in groups that lead round to one another by `steps`, in the order of the first."""
    ahead: dict[Combination, list[Combination]] = {one: [] for one in found}
    for here, there in steps:
        if here in ahead and there in ahead:
            ahead[here].append(there)
    label = _components(ahead)
    groups: dict[int, list[Combination]] = {}
    for one in found:
        groups.setdefault(label[one], []).append(one)
    return list(groups.values())


def _components(ahead: Mapping[Combination, Sequence[Combination]]) -> dict[Combination, int]:
    """The number of the strongly connected component of each node of a graph: Tarjan 1972, *SIAM J.
    Comput.* 1, 146 (from memory), without recursion. Libraries that have it take longer to import.
    """
    index: dict[Combination, int] = {}
    low: dict[Combination, int] = {}
    label: dict[Combination, int] = {}
    open_: list[Combination] = []
    for root in ahead:
        if root in index:
            continue
        index[root] = low[root] = len(index)
        open_.append(root)
        path = [(root, iter(ahead[root]))]
        while path:
            here, rest = path[-1]
            for there in rest:
                if there not in index:
                    index[there] = low[there] = len(index)
                    open_.append(there)
                    path.append((there, iter(ahead[there])))
                    break
                if there not in label:
                    low[here] = min(low[here], index[there])
            else:
                path.pop()
                if path:
                    low[path[-1][0]] = min(low[path[-1][0]], low[here])
                if low[here] == index[here]:
                    while here not in label:
                        label[open_.pop()] = index[here]
    return label


class _Search:
    """The rows of some regions by what they wait for."""

    def __init__(self, regions: Sequence[Region]) -> None:
        self._regions = regions
        self._at_rest = False
        self._places = {region.name: place for place, region in enumerate(regions)}
        emitted = {event for region in regions for row in region.rows for event in row.emit}
        self._heard: dict[str, list[tuple[int, dict[str, list[Row]]]]] = {}
        self._dwells: list[dict[str, list[Row]]] = []
        for place, region in enumerate(regions):
            dwells: dict[str, list[Row]] = {}
            by_event: dict[str, dict[str, list[Row]]] = {}
            for row in region.rows:
                table = dwells if row.on is None else by_event.setdefault(row.on, {})
                for source in row.sources:
                    table.setdefault(source, []).append(row)
            self._dwells.append(dwells)
            for event, table in by_event.items():
                self._heard.setdefault(event, []).append((place, table))
        buttons = ("buttons", "chords")
        self._touched = [n for n, region in enumerate(regions) if region.group in buttons]
        self._others = [n for n, region in enumerate(regions) if region.group not in buttons]
        self._outside = [event for event in self._heard if event not in emitted]
        self._asks_usb = any(
            _unplugged(leaf) is not None for region in regions for row in region.rows
            if row.when is not None for leaf in leaves(row.when)
        )

    def after_events(self, here: Combination) -> Iterator[Combination]:
        """Where one event from outside, or the dwell of a button, may lead."""
        for event in self._outside:
            yield from self._offer(here, (event,), 0)
        yield from self._after(here, self._touched)

    def after_dwells(self, here: Combination) -> list[tuple[bool, Combination]]:
        """Where the dwell of a region that nobody touches may lead, and whether it does so by
        itself: no button is pressed or has just been, and either all that moves does so without
        USB, or only that region moves, whatever its guards ask, and goes on from there without USB.
        """
        found = list(self._after(here, self._others))
        if not all(here[n] == self._regions[n].starts for n in self._touched):
            return [(False, there) for there in found]
        if not self._asks_usb:
            return [(True, there) for there in found]
        self._at_rest = True
        unplugged = set(self._after(here, self._others))
        steps = [(there in unplugged or self._goes_on(here, there), there) for there in found]
        self._at_rest = False
        return steps

    def _goes_on(self, here: Combination, there: Combination) -> bool:
        """Whether the only region that moves from here to there goes on from there by itself: in a
        state that it leaves with USB alone it stays once nothing is plugged in.
        """
        moved = [n for n, (one, other) in enumerate(zip(here, there, strict=True)) if one != other]
        return not moved or (len(moved) == 1 and any(
            on[moved[0]] != there[moved[0]] for on in self._after(there, moved)))

    def _after(self, here: Combination, places: Sequence[int]) -> Iterator[Combination]:
        for place in places:
            for row in self._dwells[place].get(here[place], ()):
                if self._maybe(row.when, here) is not False:
                    for there in self._entered(place, row, here):
                        yield from self._offer(there, row.emit, 0)

    def passes(self, here: Combination) -> bool:
        """Whether some region is certain to leave its state in the instant in which it came."""
        return any(
            row.after_ns == 0 and row.to != "same" and self._maybe(row.when, here) is True
            for place, dwells in enumerate(self._dwells)
            for row in dwells.get(here[place], ())
        )

    def _offer(
        self, here: Combination, queue: tuple[str, ...], depth: int
    ) -> Iterator[Combination]:
        """Offer queued events to all regions; branch where a guard may go either way."""
        if not queue or depth > _MOST_QUEUED:
            yield here
            return
        event, rest = queue[0], queue[1:]
        branches: list[tuple[Combination, tuple[str, ...]]] = [(here, rest)]
        for place, table in self._heard.get(event, ()):
            following: list[tuple[Combination, tuple[str, ...]]] = []
            for state, later in branches:
                certain = False
                for row in table.get(state[place], ()):
                    may = self._maybe(row.when, state)
                    if may is False:
                        continue
                    following += [
                        (there, later + row.emit) for there in self._entered(place, row, state)
                    ]
                    if may is True:
                        certain = True
                        break
                if not certain:
                    following.append((state, later))
            branches = following
        for state, later in branches:
            yield from self._offer(state, later, depth + 1)

    def _entered(self, place: int, row: Row, here: Combination) -> Iterator[Combination]:
        if row.to == "same":
            yield here
        for name in self._regions[place].entered_by(row):
            yield (*here[:place], name, *here[place + 1 :])

    def _maybe(self, expression: Expression | None, here: Combination) -> bool | None:
        """True, False, or None where the expression may go either way."""
        def read(leaf: Leaf) -> bool | None:
            if isinstance(leaf, Inside) and leaf.region in self._places:
                return here[self._places[leaf.region]] in leaf.states
            return _unplugged(leaf) if self._at_rest else None

        return True if expression is None else truth(expression, read)


def _unplugged(leaf: Leaf) -> bool | None:
    """What a leaf reads while no USB is there; None where that does not tell."""
    if isinstance(leaf, Flag):
        return False if leaf.name in ("usb", "status.low") else None
    if isinstance(leaf, Inside) and leaf.region == "charge":
        return "unplugged" in leaf.states
    return None
