"""Model and copy within one instant: whether what leaves them does so in the same order.

Regions that are not in the search hear events, and read states, in the middle of an instant, and
they make events in the middle of it. What is a round of the queue later there may meet something
else. So the two are compared round by round: what the queue holds of what others hear; where they
were not handled alike, whether anything moved that others read; and whether a region that was not
where its copy is has caught up within the instant, so that no other instant shows what it then
meets. What the controller draws is compared, too: whether it wakes in an instant, and sleeps after
it.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from simfw.behaviour.expression import Expression, Flag, Inside
from simfw.behaviour.region import Region, State
from simfw.vectors.pair import MARK
from simfw.verify.notes import NotedCells, Notes, Rounds

if TYPE_CHECKING:
    from simfw.behaviour.table import Stepper

__all__ = ["PARTED", "WOKEN", "Abreast", "Leaving", "Waking", "Watch", "parted_region"]

NAME = "(parted)"
PARTED = Inside(NAME, frozenset({"yes"}))
"""Whether the two have parted within an instant."""
WOKEN = Flag("(woken apart)")
"""Whether one of the two has woken in this instant, or is awake after it, and not the other."""


def parted_region() -> Region:
    """Holds whether the two have parted within an instant; it has no rows."""
    return Region(name=NAME, group="behaviour", starts="no",
                  states=(State(name="no"), State(name="yes")), rows=())


@dataclass(frozen=True, slots=True)
class Leaving:
    """What others notice of the regions: the `events` that they hear, and what they `read` of the
    model and of the copy, with the `regions` (of the model) that this asks. `own` are the events
    that model and copy make each for itself; what others make bears on the regions `open`. With
    `wakes` some of the regions keep the controller awake.
    """

    own: frozenset[str]
    events: frozenset[str]
    read: tuple[tuple[Expression, Expression], ...]
    regions: frozenset[str]
    open: frozenset[str] = frozenset()
    wakes: bool = False


class Waking:
    """Which regions may keep the controller of the model awake, and which that of the copy: those
    that stand there once keep both. There is nothing to compare where no region that does stands
    there twice.
    """

    def __init__(self, regions: Sequence[Region]) -> None:
        names = {region.name for region in regions}
        sides: tuple[list[int], list[int]] = [], []
        self.awake = [[state.awake for state in region.states] for region in regions]
        for number, region in enumerate(regions):
            if not any(self.awake[number]):
                continue
            copied = region.name.endswith(MARK)
            if not copied:
                sides[0].append(number)
            if copied or region.name + MARK not in names:
                sides[1].append(number)
        self.model, self.copy = sides
        self.both = dict.fromkeys((*self.model, *self.copy))
        self.compares = self.model != self.copy

    def stand(self, states: Sequence[int]) -> tuple[bool, bool]:
        """Whether that of the model, and that of the copy, is awake."""
        return (any(self.awake[number][states[number]] for number in self.model),
                any(self.awake[number][states[number]] for number in self.copy))


class Watch:
    """What is needed to compare the two on one stepper."""

    def __init__(self, stepper: Stepper, leaving: Leaving) -> None:
        self.stepper = stepper
        ids = stepper.event_ids
        self.model = {ids[name]: name for name in leaving.own if name in ids}
        self.copies = {ids[name + MARK]: name for name in leaving.own if name + MARK in ids}
        self.told = leaving.events
        self.read = [(stepper.bind(one), stepper.bind(other)) for one, other in leaving.read]
        regions = stepper.region_names
        self.names = [(name.removesuffix(MARK),) for name in regions]
        self.doubled = [name + MARK in regions for name in regions]
        self.copied = [name.endswith(MARK) for name in regions]
        self.asked = [number for number, name in enumerate(regions)
                      if name.removesuffix(MARK) in leaving.regions]
        self.pairs = [(number, regions.index(name + MARK)) for number, name in enumerate(regions)
                      if name in leaving.open and self.doubled[number]]
        self.parted = regions.index(NAME)
        self.waking = Waking(stepper.regions)
        self.wakes = leaving.wakes and self.waking.compares
        if self.wakes:
            stepper.on_wake = self._wakes
        self.woken = False
        self.starts()

    def starts(self) -> None:
        """An instant starts."""
        self._alike = self._first = True
        self._stays = self._before = list(self.stepper.stays)
        self._apart: set[int] = set()
        self.woken = False
        if self.wakes:
            self._woke: set[int] = set()
            self._stood = list(self.stepper.states)  # in one go: nothing is noted as read

    def _wakes(self, number: int) -> None:
        self._woke.add(number)

    def begins(self, queue: Collection[Any]) -> None:
        """A round begins with this in the queue."""
        model, copy = self.sides(queue)
        stays = list(self.stepper.stays)
        if not self._first:
            moved = any(stays[number] != self._stays[number] for number in self.asked)
            told = not self.told.isdisjoint(model)
            if (self.heard(model) != self.heard(copy)
                    or (not self._alike and (moved or told))
                    or (moved and any(one() != other() for one, other in self.read))):
                self.stepper.states[self.parted] = 1
            self._catch_up()
        self._first, self._alike, self._stays = False, model == copy, stays

    def ends(self, *, power_up: bool = False) -> None:
        """An instant ends."""
        if not self._first:
            self._catch_up()
        if self.wakes:
            self._compare_waking(power_up=power_up)

    def _compare_waking(self, *, power_up: bool) -> None:
        """Look whether both are awake after the instant, and whether only one has woken in it."""
        waking, stays = self.waking, self.stepper.stays
        if all(stays[number] == self._before[number] for number in waking.both):
            return
        model, copy = waking.stand(self.stepper.states)
        woke = [not self._woke.isdisjoint(side) for side in (waking.model, waking.copy)]
        if model == copy and woke[0] != woke[1]:  # which shows only where it was asleep
            asleep = True
            cells = self.stepper.states
            for number in () if power_up else waking.model:
                if isinstance(cells, NotedCells):
                    cells.notes.note(cells.first + number)
                asleep = asleep and not waking.awake[number][self._stood[number]]
            self.woken = asleep
        self.woken |= model != copy
        if self.woken and isinstance(self.stepper.states, NotedCells):
            self.stepper.states.notes.differs()

    def _catch_up(self) -> None:
        """Look which regions that moved are not where their copies are, and which are again."""
        stays, states = self.stepper.stays, self.stepper.states
        for number, other in self.pairs:
            if stays[number] == self._before[number] and stays[other] == self._before[other]:
                continue
            if states[number] != states[other]:
                self._apart.add(number)
            elif number in self._apart:
                states[self.parted] = 1

    def sides(self, queue: Collection[Any]) -> tuple[list[object], list[object]]:
        """What the queue holds for the model, and for the copy by the names of the model."""
        stays = self.stepper.stays
        model: list[object] = []
        copy: list[object] = []
        for item in queue:
            if isinstance(item, int):
                if item in self.copies:
                    copy.append(self.copies[item])
                elif item in self.model:
                    model.append(self.model[item])
                else:
                    model.append(item)
                    copy.append(item)
                continue
            number, serial, _ = item
            if serial != stays[number]:
                continue
            # All rows that a region waits with stand together.
            name = self.names[number]
            for side, holds in ((copy, self.copied[number]),
                                (model, not self.copied[number]),
                                (copy, not self.copied[number] and not self.doubled[number])):
                if holds and side[-1:] != [name]:
                    side.append(name)
        return model, copy

    def heard(self, side: Sequence[object]) -> list[object]:
        """What others hear of it, and what both hear."""
        return [one for one in side if isinstance(one, int) or one in self.told]


class Abreast(Rounds):
    """The queue of one instant, compared at the beginning of each of its rounds."""

    def __init__(self, notes: Notes, watch: Watch) -> None:
        super().__init__(notes)
        self.watch = watch
        watch.starts()

    def begins(self) -> None:
        """A round begins."""
        self.watch.begins(self)
