"""Two lists of edges side by side: which belongs to which, and what disagrees.

An alignment may leave an edge out on either side. The cheapest one is looked for: an edge at the
right time costs nothing, one at another time costs less than leaving out both, and leaving out two
edges costs less than pairing a long train one place off.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, Literal

__all__ = ["Edge", "Kind", "Pair", "align"]

Kind = Literal["matched", "early", "late", "missing", "extra", "level"]

SKIP: Final = 1.3
LONGEST: Final = 500  # edges of the stretch that is searched for the cheapest alignment


@dataclass(frozen=True, slots=True)
class Edge:
    """A step of an output to `level` (from `before`) at `time_ns`; `slack_ns` widens the tolerance.

    `number` is the edge's place in its own list.
    """

    time_ns: float
    level: float
    before: float | None
    slack_ns: float = 0.0
    number: int = 0


@dataclass(frozen=True, slots=True)
class Pair:
    """A recorded edge and the model's, or one of them alone.

    `early` and `late` say where the recorded edge is, against the model; `missing` is an edge of
    the model that was not recorded, `extra` a recorded one that the model does not have.
    """

    kind: Kind
    recorded: Edge | None
    model: Edge | None

    @property
    def time_ns(self) -> float:
        """When the pair first shows: the earlier of its two times."""
        return min(edge.time_ns for edge in (self.recorded, self.model) if edge is not None)

    @property
    def off_ns(self) -> float | None:
        """Recorded minus model (ns), None where one of them is missing."""
        if self.recorded is None or self.model is None:
            return None
        return self.recorded.time_ns - self.model.time_ns


def align(
    recorded: Sequence[Edge], model: Sequence[Edge], tolerance_ns: float,
    equal: Callable[[float, float], bool],
) -> list[Pair]:
    """Pair the edges of one signal, by time.

    `tolerance_ns` is how far an edge may be off (plus the model edge's own slack), `equal` tells
    whether two levels count as one.
    """
    def fits(one: Edge, other: Edge) -> bool:
        return (equal(one.level, other.level)
                and abs(one.time_ns - other.time_ns) <= tolerance_ns + other.slack_ns)

    head: list[Pair] = []
    first = 0
    while first < min(len(recorded), len(model)) and fits(recorded[first], model[first]):
        head.append(Pair("matched", recorded[first], model[first]))
        first += 1
    tail: list[Pair] = []
    last = 0
    while (last < min(len(recorded), len(model)) - first
           and fits(recorded[-1 - last], model[-1 - last])):
        tail.append(Pair("matched", recorded[-1 - last], model[-1 - last]))
        last += 1
    middle = _cheapest(recorded[first : len(recorded) - last], model[first : len(model) - last],
                       tolerance_ns, equal)
    return [*head, *middle, *reversed(tail)]


def _cheapest(
    recorded: Sequence[Edge], model: Sequence[Edge], tolerance_ns: float,
    equal: Callable[[float, float], bool],
) -> list[Pair]:
    """Pair a stretch; beyond `LONGEST` edges the rest is paired in turn."""
    if not recorded or not model:
        return [*(Pair("extra", edge, None) for edge in recorded),
                *(Pair("missing", None, edge) for edge in model)]
    if len(recorded) > LONGEST or len(model) > LONGEST:
        cut = min(LONGEST, len(recorded), len(model))
        return [*_cheapest(recorded[:cut], model[:cut], tolerance_ns, equal),
                *_cheapest(recorded[cut:], model[cut:], tolerance_ns, equal)]
    rows, columns = len(recorded), len(model)
    cost = [[0.0] * (columns + 1) for _ in range(rows + 1)]
    for i in range(rows - 1, -1, -1):
        cost[i][columns] = SKIP * (rows - i)
    for j in range(columns):
        cost[rows][j] = SKIP * (columns - j)
    for i in range(rows - 1, -1, -1):
        here, below = cost[i], cost[i + 1]
        one = recorded[i]
        for j in range(columns - 1, -1, -1):
            price, _ = _price(one, model[j], tolerance_ns, equal)
            best = price + below[j + 1]
            here[j] = min(best, SKIP + below[j], SKIP + here[j + 1])
    pairs: list[Pair] = []
    i = j = 0
    while i < rows or j < columns:
        if i < rows and j < columns:
            price, kind = _price(recorded[i], model[j], tolerance_ns, equal)
            if cost[i][j] >= price + cost[i + 1][j + 1] - 1e-9:
                pairs.append(Pair(kind, recorded[i], model[j]))
                i, j = i + 1, j + 1
                continue
        skip_recorded = j == columns or (
            i < rows and cost[i][j] >= SKIP + cost[i + 1][j] - 1e-9)
        if skip_recorded:
            pairs.append(Pair("extra", recorded[i], None))
            i += 1
        else:
            pairs.append(Pair("missing", None, model[j]))
            j += 1
    return pairs


def _price(
    recorded: Edge, model: Edge, tolerance_ns: float, equal: Callable[[float, float], bool]
) -> tuple[float, Kind]:
    """What pairing two edges costs, and what it would mean."""
    off = recorded.time_ns - model.time_ns
    allowed = tolerance_ns + model.slack_ns
    near = abs(off) <= allowed
    if equal(recorded.level, model.level):
        if near:
            return 0.0, "matched"
        # Grows slowly with the distance, so that of two places the nearer one is taken.
        far = abs(off) / (abs(off) + 1e9)
        return 1.0 + far, "early" if off < 0 else "late"
    return (1.2, "level") if near else (2 * SKIP + 1.0, "level")
