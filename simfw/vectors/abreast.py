"""Model and copy within one instant: whether what leaves them does so at the same places.

Regions that are not in the search hear events, and read states, in the middle of an instant, and
what they make comes in the middle of it. So the queue is gone through in **turns**: what one firing
of a region of the model has put into it, with what its copy has put into it for the same reason.
Nothing of others comes between the things of one turn, and anything of theirs may come between two
turns. Before each turn model and copy are compared: what others read of the two, and whether the
turn tells others the same. What the controller draws is compared, too: whether it wakes in an
instant, and sleeps after it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Any, Protocol

from simfw.behaviour.expression import Expression, Flag, Inside, leaves
from simfw.behaviour.region import Region, State
from simfw.vectors.around import FREE, standing_in
from simfw.vectors.often import ROUNDS, SECOND, Telling
from simfw.vectors.pair import MARK
from simfw.verify import notes as noted
from simfw.verify.notes import NotedCells, Notes, Rounds

if TYPE_CHECKING:
    from simfw.behaviour.table import Stepper

__all__ = ["PARTED", "WOKEN", "Abreast", "Leaving", "Meanwhile", "Waking", "Watch",
           "parted_region"]

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
    that model and copy make each for itself. With `wakes` some of the regions keep the controller
    awake. `swapped` are two regions that take their turns in the other order in the copy. Of what
    `plays` in time it counts when it begins: by the event that tells so, which nobody hears, the
    region (of the model), and the states in which it goes on.
    """

    own: frozenset[str]
    events: frozenset[str]
    read: tuple[tuple[Expression, Expression], ...]
    regions: frozenset[str]
    wakes: bool = False
    swapped: frozenset[str] = frozenset()
    plays: Mapping[str, tuple[str, frozenset[str]]] = field(default_factory=dict)

    @property
    def compares(self) -> bool:
        """Whether there is anything to compare."""
        return bool(self.events or self.plays or self.read or self.wakes)


class Begun:
    """What of the model, and what of the copy, begins to be played in an instant, and goes on
    behind it: all of one instant begins at one time, wherever in it.
    """

    def __init__(self, plays: Mapping[str, tuple[str, frozenset[str]]], regions: Sequence[str],
                 states: Sequence[Sequence[str]]) -> None:
        # Of the model and of the copy: the event, the region, and the states in which it goes on.
        self._sides = [[(event + mark, number, frozenset(
            place for place, state in enumerate(states[number]) if state in still))
            for mark in ("", MARK) for number in (regions.index(name + mark),)]
            for event, (name, still) in plays.items()]
        self.events = frozenset(event for both in self._sides for event, _, _ in both)

    def differ(self, told: Collection[str], states: Sequence[int]) -> bool:
        """Whether only one of the two begins something, by the events of an instant and where all
        regions stand behind it.
        """
        return any(len({event in told and states[number] in still
                        for event, number, still in both}) > 1 for both in self._sides)


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


class Meanwhile(Protocol):
    """Decides what others do in the middle of an instant."""

    def stands(self, here: Callable[[], tuple[object, ...]]) -> None:
        """Others may do something `here`: all that decides how the instant goes on."""

    def comes(self, key: str) -> bool:
        """Whether they do this."""

    def loses(self) -> bool:
        """Whether a slip loses what comes in the rest of this instant, and in no later one."""


MODEL, COPY, BOTH = 0, 1, 2  # whose a region is, or an event
_Key = tuple[int, ...]
Answers = Sequence[tuple[int, Collection[int]]]


class Watch:
    """What is needed to compare the two on one stepper. It `hears`, by event: which regions do, in
    which states. `between` are the events of others: those of the copy go with them where it has
    events of its own.
    """

    def __init__(self, stepper: Stepper, hears: Sequence[Answers], leaving: Leaving,
                 outside: Collection[str], between: Sequence[Telling], turns: Mapping[str, int],
                 meanwhile: Meanwhile) -> None:
        self.stepper = stepper
        ids = stepper.event_ids
        self.meanwhile = meanwhile
        self.turns = turns
        self.between = [(one, [ids[name] for name in (one.event, one.event + MARK) if name in ids])
                        for one in between]
        self.base = {ids[name + MARK]: ids[name] for name in leaving.own if name + MARK in ids
                     and name in ids}
        self.whose = {number: side for side, mark in ((MODEL, ""), (COPY, MARK))
                      for name in leaving.own if (number := ids.get(name + mark)) is not None}
        own = {ids[name] for name in leaving.own if name in ids}
        self.told = {ids[name] for name in leaving.events if name in ids}
        self.told |= set(ids.values()) - own - self.base.keys()
        self.hears = hears
        self.conditions = {number: place for place, one in enumerate(stepper.system.conditions)
                           for name in (one.rises, one.falls)
                           for number in (ids[name], ids.get(name + MARK, -1))
                           if not one.key.endswith(MARK)}
        self.read = [(stepper.bind(one), stepper.bind(other)) for one, other in leaving.read]
        names = [region.name for region in stepper.regions]
        self.plays = Begun(leaving.plays, names, stepper.state_names)
        self.side = [COPY if name.endswith(MARK) else MODEL if name + MARK in names else BOTH
                     for name in names]
        order = {name: turns.get(name, len(turns) + place) for place, name in enumerate(names)}
        if leaving.swapped:
            order |= dict.fromkeys(leaving.swapped, min(order[one] for one in leaving.swapped))
        self.turn = [order[name.removesuffix(MARK)] for name in names]
        self.outside = [name in outside for name in names]
        told = {f"{FREE}{one.event}": one for one in between}
        self.tells = [told.get(name) if name in outside else None for name in names]
        # Of what others tell in the second round only it is known behind what.
        known = {f"{FREE}{one.event}": min(one.turns) for one in between
                 if one.rounds == {SECOND} and len(one.turns) == 1}
        self.unknown = [name in outside and name not in known for name in names]
        self.turn = [known.get(name, turn) for name, turn in zip(names, self.turn, strict=True)]
        # Of what is read of several regions, what each of them says.
        self.leaves = [
            ({order[name] for name in standing_in(one)},
             [(stepper.bind(mine), stepper.bind(its))
              for mine, its in zip(leaves(one), leaves(other), strict=True)])
            for one, other in leaving.read if len(standing_in(one)) > 1]
        self.asked = [number for number, name in enumerate(names)
                      if name.removesuffix(MARK) in leaving.regions]
        self.parted = names.index(NAME)
        self.waking = Waking(stepper.regions)
        self.wakes = leaving.wakes and self.waking.compares
        if self.wakes:
            stepper.on_wake = self._wakes
        self.woken = False
        self.starts()

    def starts(self) -> None:
        """An instant starts."""
        self._version = self.stepper.version
        self._stays = self._before = list(self.stepper.stays)
        self.woken = False
        self._woke: set[int] = set()
        self.begun: set[str] = set()  # the events that tell what plays
        if self.wakes:
            self._stood = list(self.stepper.states)  # in one go: nothing is noted as read

    def begins(self, event: int) -> None:
        """An event is told: it may be one of what plays."""
        name = self.stepper.event_names[event]
        if name in self.plays.events:
            self.begun.add(name)

    def _wakes(self, number: int) -> None:
        self._woke.add(number)

    def part(self) -> None:
        """The two have parted."""
        self.stepper.states[self.parted] = 1

    def compare(self) -> None:
        """Compare what others read of the two, where something has moved since."""
        if self._version == self.stepper.version:
            return
        self._version = self.stepper.version
        before, self._stays = self._stays, list(self.stepper.stays)
        moved = {self.turn[number] for number in self.asked
                 if before[number] != self._stays[number]}
        if moved and any(one() != other() for one, other in self.read):
            self.part()
        for turns, both in self.leaves:
            # Others may have come in between what moves two of them.
            if len(turns & moved) > 1 and any(one() != other() for one, other in both):
                self.part()

    def answers(self, events: Iterable[int]) -> bool:
        """Whether any region may answer one of these events, where it stands."""
        states = self.stepper.states
        return any(states[number] in rows for event in events for number, rows in self.hears[event])

    def ends(self, *, power_up: bool = False) -> None:
        """An instant ends."""
        if self.begun and self.plays.differ(self.begun, list(self.stepper.states)):
            self.part()
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

    def seen(self) -> tuple[object, ...]:
        """What decides, beside the queue, how the instant goes on."""
        stepper = self.stepper
        return (*stepper.states, *stepper.memory, *stepper.condition_values, *sorted(self._woke),
                *sorted(self.begun), self.meanwhile.loses())


@dataclass(slots=True)
class _Turn:
    """What comes into the queue in one turn: of each thing the place that what follows from it
    takes among what follows from the turn; whether it comes from outside; in the first round whose
    turn it is, in the second whose it follows from (-1: inputs).
    """

    places: list[tuple[int, int]]
    outside: bool
    of: int = -1


class Abreast(Rounds):
    """The queue of one instant, turn by turn, compared before each of them. What nobody in here
    hears is compared and then dropped.
    """

    def __init__(self, notes: Notes, watch: Watch) -> None:
        super().__init__(notes)
        self.watch = watch
        watch.starts()
        self.rounds = 0  # since conditions were read
        self._anew = False  # whether they were
        self._any = False  # whether others begin it: which round theirs is nobody knows
        self._moved = 0  # how many of others came where a round begins: what follows may be earlier
        self._last = -1  # the turn that what is gone through of the second round follows from
        self._turn = _Turn([], outside=False)
        self._at = 0  # in the turn
        self._turns: deque[_Turn] = deque()  # left of this round
        self._next: deque[_Turn] = deque()  # of the next
        self._answers: list[tuple[_Key, int, int]] = []  # to this turn: where, of which, how many
        self._rests = False  # nothing more of others comes before conditions are read
        self._came: dict[tuple[str, ...], int] = {}  # of others, by who tells it, since they were

    def __bool__(self) -> bool:
        """Whether anything is left; before conditions are read others may still do something, and
        so they may where that is lost in this instant.
        """
        if self._answers and self._at == len(self._turn.places):
            self._close()
        if len(self):
            return True
        watch = self.watch
        if not self._rests and (watch.conditions or watch.meanwhile.loses()):
            watch.compare()
            self._meanwhile()
            self._rests = not len(self)
            self._any = self._any or not self._rests
            if self._rests:
                self._came.clear()
                self.rounds, self._anew, self._moved, self._last = 0, True, 0, -1
        return bool(len(self))

    def popleft(self) -> Any:
        """The next of what is in it."""
        self._rests = False
        if self._at == len(self._turn.places):
            begins = not self.left
            if begins:
                self._next_round()
            self.watch.compare()
            # What others do before something else of others comes another way, too.
            if (self.rounds > 1 or self._anew) and not self._turns[0].outside:
                self._meanwhile(begins=begins)
            self._turn = self._turns.popleft()
            self._last = max(self._last, self._turn.of)
            self._at = 0
        self._at += 1
        self.left -= 1
        return deque.popleft(self)

    def answered(self, number: int, count: int) -> None:
        """A region has put so many things into the queue."""
        self._answers.append(((*self._turn.places[self._at - 1], self.watch.turn[number]),
                              number, count))

    def _close(self) -> None:
        """All has been done that follows from this turn: by the turns that it makes."""
        answers, self._answers = self._answers, []
        items = [self.pop() for _ in range(sum(count for _, _, count in answers))]
        made: dict[_Key, tuple[list[Any], list[Any]]] = {}
        outside = False
        for key, number, count in answers:
            made.setdefault(key, ([], []))[self.watch.side[number] == COPY].extend(
                items.pop() for _ in range(count))
            outside = outside or self.watch.outside[number]
            if (one := self.watch.tells[number]) is not None:
                self._note(one)
        for key in sorted(made):
            self._take(self._next, *made[key], outside=outside, of=self._turn.of)

    def _next_round(self) -> None:
        """A round begins with all that is in the queue."""
        self.rounds += 1
        if self.rounds == SECOND:
            self._last = -1
        if self.notes.round < noted.ROUNDS:
            self.notes.round += 1
        if not self._next:
            self._begin()
        self._turns, self._next = self._next, deque()
        self.left = len(self)

    def _begin(self) -> None:
        """Inputs and what has ended, or what conditions tell: by turns."""
        watch, items = self.watch, list(self)
        self.clear()
        begun: dict[_Key, tuple[list[Any], list[Any]]] = {}
        appears: dict[int, int] = {}
        key: _Key
        for item in items:
            if isinstance(item, int):
                base = watch.base.get(item, item)
                key = 0, watch.conditions.get(item, appears.setdefault(base, len(appears)))
                copied = item in watch.base
            else:
                key, copied = (1, watch.turn[item[0]]), watch.side[item[0]] == COPY
                self._any = self._any or watch.unknown[item[0]]
            begun.setdefault(key, ([], []))[copied].append(item)
        for key in sorted(begun):
            self._take(self._next, *begun[key], whole=True, of=key[1] if key[0] else -1)

    def _take(self, turns: deque[_Turn], model: Sequence[Any], copy: Sequence[Any], *,
              outside: bool = False, whole: bool = False, of: int = -1) -> None:  # fmt: skip
        """A turn more: what others hear of it is compared, and tells what follows at one time.
        What nobody in here hears is left out, unless it is to be there as a `whole`.
        """
        watch, stays = self.watch, self.watch.stepper.stays
        told: tuple[list[int], list[int]] = [], []
        behind = [0, 0]  # what others hear
        places = []
        for item in (*model, *copy):
            base = watch.base.get(item, item) if isinstance(item, int) else -1
            whose = watch.whose.get(item, BOTH) if base >= 0 else watch.side[item[0]]
            if base >= 0:
                watch.begins(item)
            for side in (MODEL, COPY) if whose == BOTH else (whose,):
                if base in watch.told:
                    told[side].append(base)
                    behind[side] = 0
                else:
                    behind[side] += 1
            if whole or (bool(watch.hears[item]) if base >= 0 else item[1] == stays[item[0]]):
                side = COPY if whose == COPY else MODEL
                places.append((len(told[side]), behind[side]))
                self.append(item)
        if told[MODEL] != told[COPY]:
            watch.part()
        if places:
            turns.append(_Turn(places, outside, of))

    def _meanwhile(self, *, begins: bool = False) -> None:
        """Others may do something now, with `begins` where a round begins."""
        watch = self.watch
        if not watch.between:
            return
        watch.meanwhile.stands(partial(self.here, begins=begins))
        for one, events in watch.between:
            key = f"({one.event})"
            if (self._may_come(one, begins=begins) and watch.answers(events)
                    and watch.meanwhile.comes(key)):
                self._note(one)
                if watch.stepper.fired is not None:
                    watch.stepper.fired.append(key)
                self.extendleft(reversed(events))
                self.left += len(events)
                self._moved += begins and self.rounds > SECOND
                self._turns.appendleft(_Turn([(1, 0)] * len(events), outside=True, of=self._last))
                return

    def _note(self, one: Telling) -> None:
        """Others have told an event: it may come so many times less."""
        for what, most in (((one.event,), one.most), (one.makers, one.of)):
            if most is not None:
                self._came[what] = self._came.get(what, 0) + 1

    def _may_come(self, one: Telling, *, begins: bool) -> bool:
        """Whether there may be one more, in this round and behind what is gone through of it."""
        return self._in_time(one, begins=begins) and all(
            most is None or self._came.get(what, 0) < most
            for what, most in (((one.event,), one.most), (one.makers, one.of)))

    def _in_time(self, one: Telling, *, begins: bool) -> bool:
        """Whether it may be told where the queue stands. What comes of others where a round begins
        may belong to the one before, and so may what follows from it.
        """
        if self._anew:
            return one.anew
        if self._any or not self._turns:
            return True
        least = self.rounds - self._moved - begins
        if any(least <= told <= self.rounds or told == ROUNDS < self.rounds
               for told in one.rounds if told != SECOND):
            return True
        if SECOND not in one.rounds or self.rounds > SECOND + begins:
            return False
        behind = self._turns[0].of if self.rounds == SECOND else len(self.watch.turns)
        return any(self._last <= turn <= behind for turn in one.turns)

    def here(self, *, begins: bool = False) -> tuple[object, ...]:
        """All that decides how the instant goes on."""
        stays = self.watch.stepper.stays
        return (
            *self.watch.seen(),
            *(item if isinstance(item, int) else (item[0], item[1] == stays[item[0]], id(item[2]))
              for item in self),
            *((tuple(turn.places), turn.outside, turn.of) for turn in (*self._turns, *self._next)),
            *sorted(self._came.items()), len(self._turns), min(self.rounds, ROUNDS + 1), self._anew,
            self._any, self._moved, self._last, begins)
