"""Which things that happen in one instant have to be searched together, and which need not be.

Where nothing that one of them reads is written by another, each does in the same instant what it
does alone: what comes of them is what comes of one of them a moment earlier and of the others after
that. The search has been there, or will be. Two things have to be seen to beside that.

* What is looked at when all is done (conditions, rules, the protection) must not see more than one
  of them alone has shown it; or it is asked whether anything follows from what it then sees.
* The one that comes earlier must not begin a time that runs on, since that would be a moment ahead.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

from simfw.verify.instants import Effect
from simfw.verify.machine import Leaf

__all__ = ["COVERED", "SEEN", "TOGETHER", "Choice", "Chosen", "Sets", "Sorter", "joined"]

Chosen = tuple[tuple[int, int], ...]
"""What happens in an instant beside the dwells that are due: acts and rows that are free."""
Choice = tuple[Chosen, int]
"""The same, and as bits: which of the options it holds."""

COVERED, SEEN, TOGETHER = range(3)
"""What becomes of things in one instant: nothing but what is searched anyway; each its own, if
nothing follows from where they lead together; or something that only the instant itself tells."""


@dataclass(frozen=True, slots=True)
class Sets:
    """The choices at a combination: those of things that meet, and the others with their parts.

    Where dwells are due, the part that they belong to comes last.
    """

    meeting: tuple[Chosen, ...]
    apart: tuple[tuple[Chosen, tuple[Chosen, ...]], ...]


class Sorter:
    """Sorts out the choices of combinations; what was sorted out for equal ones is kept."""

    def __init__(self) -> None:
        self._sets: dict[object, Sets] = {}
        self._kinds: dict[tuple[object, ...], int] = {}

    def sets(
        self, options: Chosen, choices: Sequence[Choice], leaves: Sequence[Leaf], due: Leaf | None
    ) -> Sets:
        """The `choices` of two things and more among `options`, whose leaves alone are `leaves`;
        `due` is the leaf of the dwells that are due, where there are any.
        """
        everything = leaves if due is None else [*leaves, due]
        meets = []
        for one in everything:
            met = 0
            for number, other in enumerate(everything):
                if other is not one and one.meets(other):
                    met |= 1 << number
            meets.append(met)
        key = (options, tuple(meets), due is None)
        found = self._sets.get(key)
        if found is None:
            found = self._sets[key] = _sets(options, choices, meets, due is not None)
        return found

    def kind(self, parts: tuple[Leaf, ...], dwells: bool) -> int:
        """What becomes of parts that do not meet one by one; `dwells`: the last is of dwells."""
        key = (*parts, dwells)
        found = self._kinds.get(key)
        if found is None:
            found = self._kinds[key] = _kind(parts, dwells)
        return found


def _sets(
    options: Chosen, choices: Sequence[Choice], meets: Sequence[int], due: bool
) -> Sets:
    meeting: list[Chosen] = []
    apart: list[tuple[Chosen, tuple[Chosen, ...]]] = []
    last = 1 << len(options) if due else 0
    for chosen, bits in choices:
        left = bits | last
        parts: list[int] = []
        while left:
            part = left & -left
            while True:
                wider = part
                for number, met in enumerate(meets):
                    if part >> number & 1:
                        wider |= met & left
                if wider == part:
                    break
                part = wider
            parts.append(part)
            left &= ~part
        if len(parts) > 1:
            parts.sort(key=lambda part: part & last)
            apart.append((chosen, tuple(
                tuple(option for number, option in enumerate(options) if part >> number & 1)
                for part in parts)))
        elif len(chosen) > 1 or (due and chosen):
            meeting.append(chosen)
    return Sets(tuple(meeting), tuple(apart))


def _kind(parts: Sequence[Leaf], dwells: bool) -> int:
    if any(one.endless for one in parts):
        return TOGETHER
    for number, one in enumerate(parts):
        if any(one.meets(other) for other in parts[number + 1 :]):
            return TOGETHER
    sees = any(
        all(not other.written & one.looked for other in parts if other is not one) for one in parts
    )
    earlier = parts[:-1] if dwells else parts
    return COVERED if sees and not all(one.restarts for one in earlier) else SEEN


def joined(parts: Sequence[Leaf]) -> list[tuple[tuple[Effect, ...], Effect]]:
    """What things do that do not meet, as each would alone: the effects of each, and all in one."""
    return [
        (effects, Effect(
            tuple(write for one in effects for write in one.writes),
            frozenset().union(*(one.reset for one in effects)),
            tuple(row for one in effects for row in one.rows),
            tuple(dict.fromkeys(event for one in effects for event in one.events)),
            tuple(dict.fromkeys(j for one in effects for j in one.broken)),
            tuple(choice for one in effects for choice in one.choices),
        ))
        for effects in product(*(leaf.effects for leaf in parts))
    ]
