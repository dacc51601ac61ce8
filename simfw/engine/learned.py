"""What the rows make of an instant: worked out once by the stepper, looked up from then on.

A combination holds everything discrete: the state of each region, how many of its dwells have
expired, its memory, the conditions that hold, and everything outside that does not move with the
charge. What it meets are the regions whose dwell has expired and the raw events. What comes of it
depends on nothing else but on what was asked of the cell in between; that is kept with the outcome,
so that gadgets with the same rows and other parts share what was learned: for each set of parts the
charges are noted between which the answers are these.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from simfw.behaviour.moves import Move, Stand
from simfw.circuit.circuit import LoadSet

__all__ = ["Band", "Bands", "Comb", "Met", "Outcome", "Question", "Table"]

Question = tuple[str, LoadSet | None, str, float]
"""What is asked of the cell: a quantity, in which load set, and the level; or "echo", the load set,
the sensor and the distance of the hand (m).
"""


@dataclass(slots=True, eq=False)
class Comb:
    """A combination, with what it has met so far."""

    stand: Stand
    met: dict[object, Met] = field(default_factory=dict)


@dataclass(slots=True, eq=False)
class Met:
    """What a combination has met, with all that may come of it."""

    outcomes: list[Outcome] = field(default_factory=list)


@dataclass(slots=True, eq=False)
class Outcome:
    """What comes of it where the `asked` questions are answered so."""

    move: Move
    comb: Comb
    asked: tuple[tuple[Question, bool], ...]


@dataclass(slots=True, eq=False)
class Band:
    """With some parts: an outcome comes while low <= charge < high, both charges of `turns`."""

    low: float
    high: float
    outcome: Outcome
    turns: frozenset[float]


class Table:
    """All that was learned of the rows of one system."""

    def __init__(self) -> None:
        self.places: dict[object, dict[Stand, Comb]] = {}
        self.kept = 0  # combinations, what they met and what came of it, all together


Bands = dict[Met, list[Band]]
