"""Which things that happen in one instant have to be searched together, and which need not be.

Where nothing that one of them reads is written by another, each does in the same instant what it
does alone: what comes of them is what comes of one of them a moment earlier and of the others after
that. The search has been there, or will be. Two things have to be seen to beside that.

* What is looked at when all is done (conditions, rules, the protection) must not see more than one
  of them alone has shown it; or it is asked whether anything follows from what it then sees.
* The one that comes earlier must not begin a time that runs on, since that would be a moment ahead.

Things that do meet may still be all the same if one of them happens wholly before the others: if
nothing that it does bears on what the others do in an earlier round of the instant. What the others
do after it is asked in the same way, so that only few sets of things are ever run.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

from simfw.verify.instants import Effect
from simfw.verify.machine import Config, Leaf, Machine
from simfw.verify.terms import SUPPLY
from simfw.verify.touch import Touch, together

__all__ = [
    "COVERED", "SEEN", "TOGETHER", "Choice", "Chosen", "Here", "Order", "Sets", "Sorter", "joined",
]

Chosen = tuple[tuple[int, int], ...]
"""What happens in an instant beside the dwells that are due: acts and rows that are free."""
Choice = tuple[Chosen, int]
"""The same, and as bits: which of the options it holds."""

COVERED, SEEN, TOGETHER = range(3)
"""What becomes of things in one instant: nothing but what is searched anyway; each its own, if
nothing follows from where they lead together; or something that only the instant itself tells."""


MOST_KEPT = 20_000
"""Answers that are kept, of which each takes some 200 bytes."""


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
        self, options: Chosen, due: tuple[int, ...], choices: Sequence[Choice],
        touches: Sequence[Touch],
    ) -> Sets:
        """The `choices` of two things and more among `options` beside the dwells `due`.

        Each option alone reads and writes its one of `touches`; where dwells are due, theirs is
        the last.
        """
        meets: list[int] = []
        for one in touches:
            met = 0
            for number, other in enumerate(touches):
                if number != len(meets) and one.meets(other):
                    met |= 1 << number
            meets.append(met)
        key = (options, due, tuple(meets))
        found = self._sets.get(key)
        if found is None:
            found = self._sets[key] = _sets(options, choices, meets, bool(due))
        return found

    def kind(self, parts: tuple[Touch, ...], dwells: bool) -> int:
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


def _kind(parts: Sequence[Touch], dwells: bool) -> int:
    for number, one in enumerate(parts):
        if any(one.meets(other) for other in parts[number + 1 :]):
            return TOGETHER
    sees = any(
        all(not other.all_wrote & one.looked for n, other in enumerate(parts) if n != number)
        for number, one in enumerate(parts)
    )
    earlier = parts[:-1] if dwells else parts
    return COVERED if sees and not all(one.restarts for one in earlier) else SEEN


_Way = tuple[tuple[int, int], Chosen, bool, int]


class Here:
    """A combination of one search: what single things do there, where each leads, and what was
    found of several in one instant.
    """

    __slots__ = ("after", "alone", "config", "dwells", "kept")

    def __init__(self, config: Config) -> None:
        self.config = config
        self.alone: dict[tuple[int, int], Leaf] = {}  # by an option
        self.after: dict[tuple[int, int], list[Here]] = {}  # the same, of each effect
        self.dwells: dict[tuple[int, ...], Leaf] = {}  # by those that are due
        self.kept: dict[tuple[tuple[int, ...], Chosen], tuple[Touch, bool]] = {}


class Order:
    """Tells whether one of several things in one instant may as well happen before the others.

    What was found is kept, up to `MOST_KEPT`; `asked` counts what had to be found.
    """

    def __init__(self, machine: Machine) -> None:
        self._machine = machine
        self.asked = 0
        self._held = 0
        self._heres: dict[Config, Here] = {}
        self._goes: dict[tuple[Touch, Touch, bool], bool] = {}
        self._tried: dict[tuple[tuple[int, ...], Chosen], list[_Way]] = {}
        self._sums: dict[tuple[Touch, ...], Touch] = {}

    def at(self, config: Config) -> Here:
        """What is known of a combination."""
        found = self._heres.get(config)
        if found is None:
            self._hold()
            found = self._heres[config] = Here(config)
        return found

    def _hold(self) -> None:
        """One thing more is kept."""
        if self._held >= MOST_KEPT:
            self._heres.clear()
            self._held = 0
        self._held += 1

    def does(self, here: Here, one: tuple[int, int]) -> Leaf:
        """What a single thing does."""
        found = here.alone.get(one)
        if found is None:
            found = here.alone[one] = self._machine.leaf(here.config, (), (one,))
        return found

    def ends(self, here: Here, due: tuple[int, ...]) -> Leaf:
        """What dwells that are due do."""
        found = here.dwells.get(due)
        if found is None:
            found = here.dwells[due] = self._machine.leaf(here.config, due, ())
        return found

    def touch(self, here: Here, due: tuple[int, ...], chosen: Chosen) -> tuple[Touch, bool]:
        """What an instant reads and writes, and whether it need not be searched: then it is that
        of one thing, and of the others after it. Where none can go first it is run.
        """
        if not chosen:
            return self.ends(here, due).touch, False
        if not due and len(chosen) == 1:
            return self.does(here, chosen[0]).touch, False
        key = (due, chosen)
        found = here.kept.get(key)
        if found is None:
            self._hold()
            self.asked += 1
            found = here.kept[key] = self._found(here, due, chosen)
        return found

    def _found(
        self, here: Here, due: tuple[int, ...], chosen: Chosen
    ) -> tuple[Touch, bool]:
        alone = here.alone
        for one in chosen:
            self.does(here, one)
        ends = self.ends(here, due).touch if due else None
        for one, rest, first, needs in self._ways(len(here.config), due, chosen):
            mine = alone[one].touch
            if mine.endless or mine.restarts or mine.all_wrote & needs:
                continue
            # What the others do alone is soon asked, and mostly tells.
            if ends is not None and not self._goes_before(mine, ends, first):
                continue
            for other in rest:
                if not self._goes_before(mine, alone[other].touch, first):
                    break
            else:
                found = self._and_then(here, due, one, rest, first)
                if found is not None:
                    return found, True
        return self._machine.leaf(here.config, due, chosen).touch, False

    def _and_then(
        self, here: Here, due: tuple[int, ...], one: tuple[int, int], rest: Chosen, first: bool
    ) -> Touch | None:
        """What one thing and then `rest` read and write, where it is all the same as together."""
        leaf = here.alone[one]
        after = here.after.get(one)
        if after is None:
            after = here.after[one] = [self.at(effect.on(here.config)) for effect in leaf.effects]
        touches = [leaf.touch]
        for there in after:
            others, _ = self.touch(there, due, rest)
            if not self._goes_before(leaf.touch, others, first):
                return None
            touches.append(others)
        key = tuple(dict.fromkeys(touches))
        found = self._sums.get(key)
        if found is None:
            found = self._sums[key] = self._machine.one(together(key))
        return found

    def _ways(self, places: int, due: tuple[int, ...], chosen: Chosen) -> list[_Way]:
        """Each thing that may be tried as the first, the others, whether it comes first in the
        queue, and the places that have to stay as they are if the others are to be possible still.
        """
        found = self._tried.get((due, chosen))
        if found is None:
            acts = self._machine.acts
            cuts = any(second < 0 and (
                acts[first].group == SUPPLY or any(
                    flag in self._machine.powering for flag, _ in acts[first].sets))
                for first, second in chosen)
            found = self._tried[due, chosen] = [] if cuts else [
                (one, rest, self._is_first(due, one, rest), self._needs(places, due, rest))
                for number, one in enumerate(chosen)
                for rest in [(*chosen[:number], *chosen[number + 1 :])]
            ]
        return found

    def _goes_before(self, mine: Touch, others: Touch, first: bool) -> bool:
        key = (mine, others, first)
        found = self._goes.get(key)
        if found is None:
            found = self._goes[key] = mine.goes_before(others, first=first)
        return found

    def _is_first(self, due: tuple[int, ...], one: tuple[int, int], rest: Chosen) -> bool:
        """Whether one thing comes first in the queue: acts come before dwells, these by region."""
        if one[1] < 0:
            return all(second >= 0 for _, second in rest)
        return all(second >= 0 and first > one[0] for first, second in rest) and all(
            clock > one[0] for clock in due)

    def _needs(self, places: int, due: tuple[int, ...], rest: Chosen) -> int:
        machine = self._machine
        r = len(machine.parts)
        base = places - len(machine.monitors)
        needed = 0
        for clock in due:
            needed |= (1 << clock | 1 << r + clock) if clock < r else 1 << base + clock - r
        for first, second in rest:
            if second >= 0:
                needed |= 1 << first | 1 << r + first
            else:
                for flag, _ in machine.acts[first].sets:
                    needed |= 1 << 3 * r + machine.flag_index[flag]
        return needed


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
