"""What an instant reads and writes, by the round of its queue in which it does.

The queue of an instant is worked off in order: first what it began with, then what came of that,
then what came of that. So the rounds tell in which order things of one instant happen that begin
with it together.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import reduce
from operator import or_

from simfw.verify.notes import MONITORS, ROUNDS, Notes

__all__ = ["Touch", "together", "touch_of"]

@dataclass(frozen=True, slots=True, eq=False)
class Touch:
    """What was read and written: places of the combination as bits, by round (see `Notes`).

    `all_acted` and `all_wrote` are those of all rounds. `restarts` tells whether a clock that may
    matter is set to 0, `endless` whether the instant has no end.
    """

    acted: tuple[int, ...]
    wrote: tuple[int, ...]
    all_acted: int
    all_wrote: int
    looked: int
    before: int
    restarts: bool
    endless: bool

    @property
    def told(self) -> tuple[object, ...]:
        """All that is told of it: equal ones are alike."""
        return (self.acted, self.wrote, self.looked, self.before, self.restarts, self.endless)

    def meets(self, other: Touch) -> bool:
        """Whether what one of two instants does may bear on what the other does."""
        return self.endless or other.endless or bool(
            self.all_wrote & (other.all_acted | other.all_wrote)
            | other.all_wrote & self.all_acted)

    def goes_before(self, others: Touch, *, first: bool) -> bool:
        """Whether it is all the same if this happens wholly before `others` which it comes
        together with: nothing of it bears on what `others` do in an earlier round, nor they on it.

        `first`: whether it comes first in each round.
        """
        if self.endless or others.endless or self.all_wrote & others.before:
            return False
        acted = wrote = 0
        for number in range(MONITORS + 1):
            mine = self.wrote[number]
            both = not (first and 0 < number < ROUNDS)
            if both:
                acted |= others.acted[number]
                wrote |= others.wrote[number]
            if mine & (acted | wrote) or self.acted[number] & wrote:
                return False
            if not both:
                acted |= others.acted[number]
                wrote |= others.wrote[number]
        return True


def touch_of(notes: Notes, *, restarts: bool, endless: bool) -> Touch:
    """What has been noted."""
    acted = reduce(or_, notes.acted)
    return Touch(
        tuple(notes.acted), tuple(notes.wrote), acted, reduce(or_, notes.wrote),
        notes.looked & ~acted, notes.before, restarts, endless)


def together(touches: Iterable[Touch]) -> Touch:
    """What several read and write in one instant, each in its rounds."""
    all_of = list(touches)
    return Touch(
        tuple(reduce(or_, one) for one in zip(*(one.acted for one in all_of), strict=True)),
        tuple(reduce(or_, one) for one in zip(*(one.wrote for one in all_of), strict=True)),
        reduce(or_, (one.all_acted for one in all_of)),
        reduce(or_, (one.all_wrote for one in all_of)),
        reduce(or_, (one.looked for one in all_of)),
        reduce(or_, (one.before for one in all_of)),
        any(one.restarts for one in all_of), any(one.endless for one in all_of))
