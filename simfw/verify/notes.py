"""What instants read and write while the stepper runs them: places of a combination, by round."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, TypeVar

__all__ = ["AFTER", "MONITORS", "PROTECTION", "ROUNDS", "Covered", "NotedCells", "Notes",
           "Question", "Rounds"]

_Int = TypeVar("_Int", bound=int)

Question = int | tuple[str, tuple[tuple[int, int], ...]]
"""What may be asked of a combination: the value at a place, or what the cell may read with other
values at some places: of a quantity, or ("") whether the protection may and must change."""


ROUNDS = 7
"""Rounds of the queue that are told apart, from the last of them on no more. Before the first (0)
inputs change; after all come what conditions make follow, the protection, and the monitors."""
AFTER, PROTECTION, MONITORS = ROUNDS + 1, ROUNDS + 2, ROUNDS + 3


class Covered(Exception):
    """An instant goes on as it has been seen to go on before."""


@dataclass(slots=True)
class Notes:
    """What instants have read and written, in sets of places as bits.

    `path` are the questions in the order in which they were asked, with the answers of those about
    the cell. `written` are places written in this run. By round there is what was read by what
    happened (`acted`) and what was written (`wrote`) in any run; `looked` was read only to see that
    nothing more follows, `before` of what stood before the instant. While `looking`, reads are of
    that kind; what is looked at counts as acted as soon as it makes a difference.
    """

    path: dict[Question, object] = field(default_factory=dict)
    acted: list[int] = field(default_factory=lambda: [0] * (MONITORS + 1))
    wrote: list[int] = field(default_factory=lambda: [0] * (MONITORS + 1))
    looked: int = 0
    before: int = 0
    written: dict[int, None] = field(default_factory=dict)
    round: int = 0
    looking: bool = False
    stage: int = 0

    def clear(self) -> None:
        """Begin anew."""
        self.path.clear()
        self.acted[:] = self.wrote[:] = [0] * (MONITORS + 1)
        self.looked = self.before = 0

    def note(self, place: int) -> None:
        """A place is read."""
        self.path[place] = None
        self.heed(place)

    def heed(self, place: int) -> None:
        """What stands at a place bears on what happens."""
        if self.looking:
            self.stage |= 1 << place
            self.looked |= 1 << place
        else:
            self.acted[self.round] |= 1 << place

    def look(self, at: int) -> None:
        """From now on it is only looked whether anything more follows."""
        self.looking = True
        self.round = at
        self.stage = 0

    def differs(self) -> None:
        """What has been looked at made a difference."""
        self.acted[self.round] |= self.stage


class Rounds(deque[Any]):
    """A queue that tells the rounds: what is in it, what comes of that, what comes of that."""

    def __init__(self, notes: Notes) -> None:
        super().__init__()
        self.notes = notes
        self.left = 0

    def popleft(self) -> Any:
        """The next of what is in it."""
        if not self.left:
            self.left = len(self)
            if self.notes.round < ROUNDS:
                self.notes.round += 1
            self.begins()
        self.left -= 1
        return super().popleft()

    def begins(self) -> None:
        """A round begins."""


class NotedCells(list[_Int]):
    """A list that notes which of its numbers are read and written one by one.

    `also` is how far behind each place one lies that is written with it, 0 where none is.
    """

    def __init__(self, values: Sequence[_Int], first: int, notes: Notes, also: int) -> None:
        super().__init__(values)
        self.first = first
        self.notes = notes
        self.also = also

    def __getitem__(self, place):  # type: ignore[no-untyped-def]
        notes, there = self.notes, self.first + place
        notes.path[there] = None
        if notes.looking:
            notes.stage |= 1 << there
            notes.looked |= 1 << there
        else:
            notes.acted[notes.round] |= 1 << there
        return list.__getitem__(self, place)

    def __setitem__(self, place, value):  # type: ignore[no-untyped-def]
        if place.__class__ is int:
            notes, there = self.notes, self.first + place
            notes.written[there] = None
            notes.wrote[notes.round] |= 1 << there | 1 << there + self.also
        list.__setitem__(self, place, value)
