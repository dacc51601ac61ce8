"""Model and fault in one machine of the search, with a slip in how the rows of the copy are walked.

What a slip remembers is the state of a region of its own, `MEMORY`, which answers nothing: the
search then tells combinations apart by it like by any other.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import Any

from simfw.behaviour.region import Levels, Region, Row, State, System
from simfw.behaviour.table import Stepper
from simfw.errors import EndlessInstant
from simfw.vectors.abreast import WOKEN, Abreast, Begun, Leaving, Waking, Watch, parted_region
from simfw.vectors.faults import Fault
from simfw.vectors.often import Telling
from simfw.vectors.pair import MARK
from simfw.vectors.twisted import TWICE
from simfw.verify.instants import Effect
from simfw.verify.machine import Config, Endless, Leaf, Machine
from simfw.verify.notes import Covered, Notes, Rounds
from simfw.verify.terms import SUPPLY

__all__ = ["MEMORY", "Slip", "Twisted", "memory_of", "slip_of"]

MEMORY = "(slip)"
MOST_BEFORE = 8  # things of an instant behind which others may do something; more are not followed
MOST_LATE = 2  # things from outside in one instant, whose orders are all gone through (6 for each)
MOST_BETWEEN = 300  # places of one instant from which others do something; more are not followed
TOLD = (".echo", ".reached.")  # in the names of inputs that are read at most once in an instant


@dataclass(frozen=True, slots=True)
class Slip:
    """A slip that remembers something of the rows of a region.

    `third` is a row that fires twice only, `lost` one that is lost where row `behind` has just
    fired, or, with `failed`, where its time has ended in this stay; `forgets`, `unnoted`, and
    `deaf` with the rows `unheard`, as in `Twist`. Of a slip with `rows` it is not
    followed what it does but only whether it ever could: whether one of these rows fires so that a
    stay ends; with `stays` whether it fires at all. With `lasts_ns` it could where a stay in one of
    the states `counted` begins less than that after the one before: an end that is due by then, or
    has passed, counts no more (see `Faulty`). Whether only the end of the first stay counts makes
    no difference to that: where it could no stay but the first has begun before.
    """

    region: str
    third: str = ""
    behind: str = ""
    lost: str = ""
    failed: bool = False
    forgets: str = ""
    unnoted: str = ""
    deaf: str = ""
    unheard: frozenset[str] = frozenset()
    rows: frozenset[str] = frozenset()
    counted: frozenset[str] = frozenset()
    stays: bool = False
    lasts_ns: int = 0

    @property
    def follows(self) -> bool:
        """Whether what the slip does is followed."""
        return not self.rows


def slip_of(fault: Fault) -> Slip | None:
    """The slip of a fault; None where it remembers nothing."""
    twist = fault.twist
    key = (twist.third or twist.lost or twist.keeps or twist.lasts or twist.forgets
           or twist.unnoted or twist.begun or twist.deaf)
    if not key:
        return None
    (name,) = fault.touched
    if twist.third:
        return Slip(name + MARK, third=key + MARK)
    if twist.lost:
        return Slip(name + MARK, behind=twist.behind + MARK, lost=key + MARK, failed=twist.failed)
    if twist.deaf:
        return Slip(name + MARK, deaf=key + MARK,
                    unheard=frozenset(one + MARK for one in twist.unheard))
    if twist.forgets or twist.unnoted:
        return Slip(name + MARK, forgets=twist.forgets and key + MARK,
                    unnoted=twist.unnoted and key + MARK)
    if twist.keeps or twist.begun:
        return Slip(name, rows=frozenset([key]), stays=bool(twist.begun))
    rows = fault.system.region(name).rows
    mine = [row for row in rows if row.key == key]
    ends_ns = max(row.after_ns or 0 for row in mine)
    return Slip(name, rows=frozenset([key]), lasts_ns=ends_ns,
                counted=frozenset(one for row in mine for one in row.sources))


def memory_of(slip: Slip) -> Region:
    """The region that holds what a slip remembers: whether something has come up, or how often;
    of what lasts, that an earlier end is still to come (1), and that it has counted (2).
    """
    over = Row(key=f"{MEMORY} over", sources=("1",), to="0", after_ns=slip.lasts_ns)
    return Region(name=MEMORY, group="behaviour", starts="0",
                  states=tuple(State(name=str(count)) for count in range(TWICE + 1)),
                  rows=(over,) if slip.lasts_ns else ())


class Late(Rounds):
    """The queue of one instant, in which what some regions do comes behind so many other things.

    What comes of it stands in the queue where it would if so many things had come before. What is
    still held back at the end comes in another instant. Where that is not known, since more than
    `MOST_BEFORE` things come before it, the instant counts as one without an end.
    """

    def __init__(self, notes: Notes, late: Mapping[int, int]) -> None:
        super().__init__(notes)
        self.late = {number: before for number, before in late.items() if before}
        self.held: list[tuple[int, Any]] = []
        self.begun = False
        self.done = 0

    def begins(self) -> None:
        """A round begins; where there is nothing else it has what was held back."""
        if not self.begun and self.late:
            items = list(self)
            self.clear()
            for item in items:
                late = 0 if isinstance(item, int) else self.late.get(item[0], 0)
                (self.held if late else self).append((late, item) if late else item)
        self.begun = True
        count = len(self)
        ready = [one for one in self.held if one[0] <= self.done + count or not count]
        for more, (before, item) in enumerate(sorted(ready, key=lambda one: one[0])):
            self.held.remove((before, item))
            place = before - self.done
            if before == MOST_BEFORE and place < count:
                raise EndlessInstant(0, MOST_BEFORE, ())
            self.insert(max(0, place) + more, item)
        self.done += count
        self.left = len(self)


class _Watched(Stepper):
    """A stepper on which model and copy are compared within an instant, where that is asked for."""

    beside: Watch | None = None
    compares = False
    deaf = False  # a slip loses what its region would still hear in this instant

    def run_instant(self, now_ns: int, raw_events: Iterable[str] = (), *, power_up: bool = False
                    ) -> list[int]:
        """One instant, compared to its end."""
        public = super().run_instant(now_ns, raw_events, power_up=power_up)
        if self.compares:
            assert self.beside is not None
            self.beside.ends(power_up=power_up)
        return public

    def hears(self) -> list[list[tuple[int, Collection[int]]]]:
        """By event which regions hear it, and in which states."""
        return [[(number, frozenset(rows)) for number, rows in heard] for heard in self._heard]

    def deafen(self, event: int, numbers: Collection[int], heard: list[Any] | None = None
               ) -> list[Any]:  # fmt: skip
        """Some regions do not hear an event from now on, or all who `heard` it do; who did."""
        before = self._heard[event]
        self._heard[event] = ([one for one in before if one[0] not in numbers] if heard is None
                              else heard)
        return before

    def _fire(self, number: int, row: Any, now_ns: int, queue: deque[Any]) -> None:
        before = len(queue)
        super()._fire(number, row, now_ns, queue)
        if isinstance(queue, Abreast) and len(queue) > before:
            queue.answered(number, len(queue) - before)


class _Slipped(_Watched):
    """A stepper with a slip, the memory of which is the state of a region."""

    def __init__(self, system: System, world: Any, slip: Slip, **more: Any) -> None:
        super().__init__(system, world, **more)
        self.slip = slip
        self._powering = False
        self._own = self._region_ids[slip.region]
        self._memory = self._region_ids[MEMORY]
        self._counted = frozenset(number for name, number in self._state_ids[self._own].items()
                                  if name in slip.counted)

    def run_instant(self, now_ns: int, raw_events: Iterable[str] = (), *, power_up: bool = False
                    ) -> list[int]:
        """One instant; a time that goes on in the instant of power-up begins with it."""
        self._powering = power_up
        self.deaf = False
        return super().run_instant(now_ns, raw_events, power_up=power_up)

    def _fire(self, number: int, row: Any, now_ns: int, queue: deque[Any]) -> None:
        slip, states, memory = self.slip, self.states, self._memory
        if number != self._own:
            super()._fire(number, row, now_ns, queue)
        elif slip.deaf:
            if self.deaf and row.key in slip.unheard:
                return
            self.deaf = self.deaf or row.key == slip.deaf
            super()._fire(number, row, now_ns, queue)
        elif slip.third:
            if row.key == slip.third:
                if states[memory] >= TWICE:
                    return
                states[memory] += 1
            super()._fire(number, row, now_ns, queue)
        elif slip.forgets or slip.unnoted:
            remembered = self.memory[number]
            super()._fire(number, row, now_ns, queue)
            if row.key in (slip.forgets, slip.unnoted):
                self.memory[number] = -1 if row.key == slip.forgets else remembered
        elif slip.lost:
            if self._behind(row.key) and row.key == slip.lost:
                return
            serial = self.stays[number]
            super()._fire(number, row, now_ns, queue)
            if slip.failed and self.stays[number] != serial:
                states[memory] = 0
        else:
            serial = self.stays[number]
            super()._fire(number, row, now_ns, queue)
            ends = self.stays[number] != serial
            if slip.lasts_ns:
                if ends and states[number] in self._counted:
                    self._enter(memory, 2 if states[memory] else 1, now_ns, queue)
            elif row.key in slip.rows and ((ends and not self._powering) or slip.stays):
                states[memory] = 1

    def _enter(self, number: int, state: int, now_ns: int, queue: deque[Any]) -> None:
        # At power-up the first stay begins, whatever may have been kept.
        if (self._powering and self.slip.lasts_ns and number == self._memory and not state
                and self.states[self._own] in self._counted):
            state = 1
        super()._enter(number, state, now_ns, queue)

    def _behind(self, key: str) -> bool:
        """Whether what makes the slip lose a row has come just before the row that fires now."""
        remembered = bool(self.states[self._memory])
        if not self.slip.failed:
            self.states[self._memory] = int(key == self.slip.behind)
        return remembered

    def _expire(self, number: int, queue: deque[Any]) -> None:
        if number == self._own and self.slip.failed:
            group = self.dwells[number][self.states[number]][self.spent[number]]
            if any(row.key == self.slip.behind for row in group[1]):
                self.states[self._memory] = 1
        if number == self._memory:  # before all that happens in that instant
            self._enter(number, 0, 0, queue)
            return
        super()._expire(number, queue)


class Twisted(Machine):
    """A machine with a slip. The time of the row `apart` ends before (`first`), or after, all else
    in its instant; that of the row `eclipsed` is lost, or the edge of the contact `missed`, where
    that of row `behind` ends, too. Of the levels of `measures` a higher one is reached only where a
    lower one is. What is told `between` may come from others in the middle of any instant.
    """

    meeting = True

    def __init__(self, regions: Sequence[Region], *, slip: Slip | None = None, apart: str = "",
                 first: bool = False, eclipsed: str = "", missed: str = "", behind: str = "",
                 leaving: Leaving | None = None,
                 between: Sequence[Telling] = (), turns: Mapping[str, int] | None = None,
                 measures: Mapping[str, Levels] | None = None, **more: Any) -> None:
        self.slip = slip
        self._levels = {f"{name}.reached.{number}": (name, level)
                        for name, one in (measures or {}).items()
                        for number, level in enumerate(one.all, 1)}
        self.leaving = leaving
        self.between = between
        self._turns = turns or {}
        self._stood: dict[object, tuple[int, int]] = {}  # by all that decides: in which run, after
        self._late: dict[int, int] | None = None  # while the parts of an instant are run
        self._of_parts: dict[object, Any] = {}
        added = [] if slip is None else [memory_of(slip)]
        super().__init__([*regions, *added, *([] if leaving is None else [parted_region()])],
                         **more)
        self.first = first
        self.apart = -1
        self._ends: set[tuple[int, int]] = set()  # state and mark at which its time ends
        for number, part in enumerate(self.parts):
            if any(row.key == apart for row in part.numbered.rows):
                self.apart = number
                self._ends = set(self._marks_of(number, apart))
        self._lost, self._behind = self._clock(eclipsed), self._clock(behind)
        self._missed = [(number, -1) for number, act in enumerate(self.acts)
                        if missed and act.event == f"{missed}.edge"]
        self._unheard: dict[object, Any] = {}  # what was learned where it is not heard
        self._quiet = self.apart < 0 or self._is_quiet(self.regions[self.apart])
        self._waking = Waking(self.regions)
        self._wakes = leaving is not None and leaving.wakes and self._waking.compares
        # By row: its region, and whether what it leads to keeps awake (resumed: any of them).
        self._leads = {row.key: (number, any(map(dict(zip(part.states, self._waking.awake[number],
                                                          strict=True)).get,
                                                 region.entered_by(row))))
                       for number, (region, part) in enumerate(
                           zip(self.regions, self.parts, strict=True))
                       for row in region.rows} if self._wakes else {}
        bears = frozenset[str]() if leaving is None else leaving.regions
        self._bears = frozenset(row.key for region in regions for row in region.rows
                                if region.name.removesuffix(MARK) in bears)
        self._told = frozenset(() if leaving is None else
                               (name + mark for name in leaving.events for mark in ("", MARK)))
        self._plays = Begun({} if leaving is None else leaving.plays,
                            [region.name for region in self.regions],
                            [part.states for part in self.parts])

    def _is_quiet(self, region: Region) -> bool:
        """Whether all is done in one round where a time of a region ends."""
        timed = [row for row in region.rows if row.after_ns]
        passing = {name for row in region.rows if row.after_ns == 0 for name in row.sources}
        return not self.conditions and not any(
            row.emit or passing.intersection(region.entered_by(row)) for row in timed)

    def follows(self, name: str, free: Mapping[str, tuple[float, ...]]) -> bool | None:
        """What an input says, where that follows from what others have said in this instant."""
        if name == WOKEN.name:
            beside = self._stepper.beside
            return beside is not None and beside.woken and self._late is None
        if name not in self._levels:
            return None
        measure, level = self._levels[name]
        for other, told in free.items():
            which, at = self._levels.get(other, ("", 0.0))
            if which == measure and (at >= level if told == (1.0,) else at <= level):
                return told == (1.0,)
        return None

    def make_stepper(self, system: System, world: Any, **more: Any) -> Stepper:
        """What instants are run on: with the slip."""
        self._stepper = (_Watched(system, world, **more) if self.slip is None
                         else _Slipped(system, world, self.slip, **more))
        return self._stepper

    def make_queue(self, notes: Notes) -> Rounds:
        """What holds the events of an instant: with what leaves compared round by round."""
        self._stepper.compares = self.leaving is not None and self._late is None
        if self._late is not None:
            return Late(notes, self._late)
        if self.leaving is None:
            return Rounds(notes)
        watch = self._stepper.beside
        if watch is None:
            watch = self._stepper.beside = Watch(
                self._stepper, self._stepper.hears(), self.leaving,
                {self.regions[number].name for number in self.outside}, self.between, self._turns,
                self)
        return Abreast(notes, watch)

    def _run(self, *instant: Any) -> tuple[Effect, ...]:
        """The instant with every answer, and with all that others may do in its middle."""
        self._stood.clear()
        return super()._run(*instant)

    def stands(self, here: Callable[[], tuple[object, ...]]) -> None:
        """Others may do something here; raises Covered where it goes on as it did before."""
        instants = self._instants
        if len(instants.made) < len(instants.script):
            return  # on the way to where it goes on otherwise
        now = (*here(), *sorted(instants.notes.written), *instants.answered())
        run, comes = self.executed, sum(name[0] == "(" and came == (1.0,)
                                        for name, came in instants.made)
        if now in self._stood:
            if self._stood[now] == (run, comes):
                raise EndlessInstant(0, 0, ())
            raise Covered
        if len(self._stood) >= MOST_BETWEEN:
            raise EndlessInstant(0, MOST_BETWEEN, ())
        self._stood[now] = run, comes

    def comes(self, key: str) -> bool:
        """Whether others do this now: both is tried."""
        return self._instants.decide(key)

    def loses(self) -> bool:
        """Whether a time has ended behind which nothing is heard in this instant."""
        return self._stepper.deaf

    def _marks_of(self, number: int, key: str) -> Iterator[tuple[int, int]]:
        """Where the time of a row ends: the states, and which of their marks."""
        part = self.parts[number]
        for state, name in enumerate(part.states):
            mine = [row for row in part.numbered.rows
                    if row.after_ns is not None and name in row.sources]
            groups = sorted({row.after_ns or 0 for row in mine})
            for place, mark in enumerate(part.marks[state]):
                ends = {groups[part.groups[state][one]] for one in mark.deadlines}
                if any(row.key == key and row.after_ns in ends for row in mine):
                    yield state, place

    def leaf(self, config: Config, due: tuple[int, ...], chosen: tuple[tuple[int, int], ...]
             ) -> Leaf:  # fmt: skip
        """What an instant may do: here its two parts, one after the other."""
        if self._ends_now(self._behind, config, due) or self._ends_now(self._lost, config, due):
            return self._eclipsed_leaf(config, due, chosen)
        at = config[self.apart], config[len(self.parts) + self.apart]
        if self.apart not in due or at not in self._ends:
            leaf = super().leaf(config, due, chosen)
            # What comes with it is lost in that instant, and not if it comes behind.
            deaf = "" if self.slip is None else self.slip.deaf
            return _alone(leaf) if deaf and any(deaf in one.rows for one in leaf.effects) else leaf
        if any(second < 0 and self.acts[first].group == SUPPLY for first, second in chosen):
            # With the supply all that the instant would have done is lost, whatever comes first.
            return _alone(super().leaf(config, due, chosen))
        # What comes from regions that are not here may come anywhere in that instant.
        late = [] if self._quiet else [
            first for first, second in chosen if second >= 0 and first in self.outside]
        effects: dict[Effect, None] = {}
        if len(late) > MOST_LATE:
            return Leaf((), Endless((), ()), super().leaf(config, due, chosen).touch)
        for before in product(range(MOST_BEFORE + 1 if late else 1), repeat=len(late)):
            self.executed += 1  # each order counts as an instant, run or looked up
            leaf = self._apart_leaf(config, due, chosen, dict(zip(late, before, strict=True)))
            effects |= dict.fromkeys(leaf.effects)
            if leaf.endless is not None:
                break
        return Leaf(tuple(effects), leaf.endless, leaf.touch)

    def _clock(self, key: str) -> tuple[int, frozenset[tuple[int, int]]]:
        """Where the time of a row ends: the region, its states and marks."""
        return next(((number, frozenset(self._marks_of(number, key)))
                     for number, part in enumerate(self.parts)
                     if key and any(row.key == key for row in part.numbered.rows)),
                    (-1, frozenset()))

    def _ends_now(self, clock: tuple[int, frozenset[tuple[int, int]]], config: Config,
                  due: tuple[int, ...]) -> bool:  # fmt: skip
        """Whether a time ends in an instant."""
        number, ends = clock
        return number in due and (config[number], config[len(self.parts) + number]) in ends

    def _eclipsed_leaf(self, config: Config, due: tuple[int, ...],
                       chosen: tuple[tuple[int, int], ...]) -> Leaf:  # fmt: skip
        """What an instant does in which a time ends that may be lost, or with which something is.
        A time that is lost has run all the same.
        """
        both = self._ends_now(self._behind, config, due)
        if both and not set(self._missed).isdisjoint(chosen):
            return self._unheard_leaf(config, due, chosen)
        number = self._lost[0]
        if not both or not self._ends_now(self._lost, config, due):
            return _alone(super().leaf(config, due, chosen))
        leaf = super().leaf(config, tuple(one for one in due if one != number), chosen)
        place = len(self.parts) + number
        ran = place, config[place] + 1
        return _alone(leaf, tuple(
            one if number in one.reset else replace(one, writes=(
                *(write for write in one.writes if write[0] != place), ran))
            for one in leaf.effects))

    def _unheard_leaf(self, config: Config, due: tuple[int, ...],
                      chosen: tuple[tuple[int, int], ...]) -> Leaf:  # fmt: skip
        """The same where the copy does not hear an edge."""
        tables, stepper = self._tables, self._stepper
        edge = stepper.event_ids[self.acts[self._missed[0][0]].event]
        heard = stepper.deafen(edge, [number for number, region in enumerate(self.regions)
                                      if region.name.endswith(MARK)])
        self._tables = self._unheard
        try:
            return _alone(super().leaf(config, due, chosen))
        finally:
            self._tables = tables
            stepper.deafen(edge, (), heard)

    def _apart_leaf(self, config: Config, due: tuple[int, ...], chosen: tuple[tuple[int, int], ...],
                    late: dict[int, int]) -> Leaf:
        """The same with what comes `late`, behind so many things, by the number of its region."""
        # What the copy does then is no round of what the model does: that is kept by itself.
        tables = self._tables
        self._late = late
        self._tables = self._of_parts.setdefault(tuple(late.items()), {})
        try:
            leaf = self._one_after_the_other(config, due, chosen)
        finally:
            self._late, self._tables = None, tables
        # What others do in that instant may come in between, and is not searched.
        effects = tuple(replace(one, broken=(0,)) if self._bears.intersection(one.rows)
                        or self._told.intersection(one.events) or (
                            self._plays.differ(one.events, one.on(config)))
                        else one for one in leaf.effects)
        if self._wakes:
            effects = tuple(replace(one, broken=(*one.broken, 1))
                            if self._wake_apart(config, one) else one for one in effects)
        return Leaf(effects, leaf.endless, leaf.touch)

    def _wake_apart(self, config: Config, effect: Effect) -> bool:
        """Whether only one of the two wakes in an instant, or is awake after it."""
        waking = self._waking
        woke = {number for number, wakes in map(self._leads.__getitem__, effect.rows) if wakes}
        model, copy = waking.stand(effect.on(config))
        return model != copy or (
            woke.isdisjoint(waking.model) != woke.isdisjoint(waking.copy)
            and not waking.stand(config)[0])

    def _one_after_the_other(self, config: Config, due: tuple[int, ...],
                             chosen: tuple[tuple[int, int], ...]) -> Leaf:  # fmt: skip
        if len(due) == 1 and not chosen:
            return _alone(super().leaf(config, due, chosen))
        others = tuple(clock for clock in due if clock != self.apart)
        own = (self.apart,)
        # What is measured at that time both parts find.
        read = tuple(one for one in chosen if one[1] < 0 and self.acts[one[0]].group == "reading")
        edges = tuple(one for one in chosen if one not in read)
        first, then = (((own, read), (others, edges)) if self.first
                       else ((others, chosen), (own, ())))
        begun = super().leaf(config, *first)
        if begun.endless is not None:
            return begun
        found = []
        for one in begun.effects:
            rest = tuple(clock for clock in then[0] if clock not in one.reset)
            if not rest and not then[1]:
                found.append(one)
                continue
            ends = super().leaf(one.on(config), rest, then[1])
            if ends.endless is not None:
                return ends
            heard, writes = _read(one.choices), dict(one.writes)
            found += [Effect(tuple({**writes, **dict(end.writes)}.items()), one.reset | end.reset,
                             (*one.rows, *end.rows), (*one.events, *end.events), end.broken,
                             (*one.choices, *end.choices))
                      for end in ends.effects if _agree(heard, end.choices)]
        return _alone(begun, tuple(found))


def _alone(leaf: Leaf, effects: tuple[Effect, ...] | None = None) -> Leaf:
    """A leaf that is never joined to others: marked as if it had no end, what comes with it is
    gone through in one instant.
    """
    return Leaf(leaf.effects if effects is None else effects, leaf.endless,
                replace(leaf.touch, endless=True))


def _read(choices: Sequence[tuple[str, object]]) -> dict[str, object]:
    """What a part of an instant has read from outside that no other part reads otherwise."""
    return {name: value for name, value in choices if any(mark in name for mark in TOLD)}


def _agree(read: Mapping[str, object], choices: Sequence[tuple[str, object]]) -> bool:
    """Whether another part has found what was `read`."""
    return not read or all(read.get(name, value) == value for name, value in choices)
