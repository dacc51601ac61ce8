"""What the search has found: paths, and the moments from which it can go on."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from heapq import merge

from simfw.vectors.sketch import Act, Saved, Sketch

__all__ = ["Found", "Node", "Nodes", "Place", "bears"]

Place = tuple[str, str]  # a region and a state of it


def bears(sketch: Sketch, act: Act) -> bool:
    """Whether an act changes anything where a sketch stands; a level that is set always does."""
    on = act.value > 0
    match act.kind:
        case "contact":
            return sketch.flag(f"{act.name}.closed") != on
        case "hand":
            return (act.name in sketch.hands) != on
        case "supply":
            return sketch.powered != on
        case "usb":
            return sketch.usb != on
    return True


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """A path from power-up: its start charge, its acts, when it ends, what it covers."""

    charge: float
    acts: tuple[Act, ...]
    ends_ns: int
    covers: frozenset[str]


@dataclass(frozen=True, slots=True, eq=False)
class Node:
    """A moment to go on from: the sketch as saved, the path to it, the state of each region."""

    saved: Saved
    found: Found
    states: frozenset[Place]


class Nodes:
    """Nodes in the order in which they came, found quickly by a state in which they stand.

    In a large gadget most of a search would go into looking for them one by one.
    """

    def __init__(self, nodes: Iterable[Node] = ()) -> None:
        self._numbers: dict[Node, int] = {}
        self._by_place: dict[Place, deque[tuple[int, Node]]] = {}
        self._next = 0
        for node in nodes:
            self.add(node)

    def __iter__(self) -> Iterator[Node]:
        return iter(self._numbers)

    def add(self, node: Node) -> None:
        """Put a node behind all others; one that is there already stays where it is."""
        if node in self._numbers:
            return
        self._numbers[node] = self._next
        for place in node.states:
            self._by_place.setdefault(place, deque()).append((self._next, node))
        self._next += 1

    def remove(self, node: Node) -> None:
        """Take a node away."""
        del self._numbers[node]  # its places forget it when they are next looked through

    def pop(self) -> Node:
        """Take the last node away."""
        node, _ = self._numbers.popitem()
        return node

    def standing_in(self, places: Iterable[Place]) -> Iterator[Node]:
        """The nodes that stand in any of some places of one region, from the first on."""
        kept = self._numbers
        lines = []
        for place in places:
            line = self._by_place.get(place)
            while line and line[0][1] not in kept:
                line.popleft()
            if line:
                lines.append(line)
        ahead = iter(lines[0]) if len(lines) == 1 else merge(*lines, key=lambda entry: entry[0])
        return (node for _, node in ahead if node in kept)
