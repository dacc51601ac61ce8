"""Folded cycles: looks, blinks and samples repeat, and whole periods are advanced in one step.

When all regions stand as they stood one period P ago - the same states, and every region that moved
meanwhile has the same age in its state - then what happened in that period happens again, as long
as nothing from outside comes and no threshold is crossed. N periods are then one step of the charge
clock with the period's mean drain; regions that did not move only bound N by their own dwells. A
cycle once found is remembered with all its instants, so that it can be entered at any of them and
left at the last instant before something else happens. It holds only between the two marks of
charge (thresholds of any of its voltages) between which it was seen from end to end.

Regions that tick at very different rates (a contact read every 5 ms, a wink every 4.03 s) have a
common period that is long. Between two ticks of the slow ones the quick ones are folded by
themselves, and such a fold then counts as part of one interval of the longer cycle.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from simfw.behaviour.table import IDLE
from simfw.engine.cycle import Cycle, Folded, Member, stands
from simfw.engine.mean import Grids
from simfw.engine.phase import Phase
from simfw.engine.snapshot import RuleStand

__all__ = ["LONGEST", "WORTH", "Folder", "Moment"]

LONGEST = 16_384
"""Instants looked back for a period."""
WORTH = 4  # periods that must fit before another region ticks, for a fold of some regions only


@dataclass(slots=True)
class Moment:
    """One settled instant, as the search for a period sees it.

    `entered`, `waiting`, `memory`, `conditions` describe the regions; `due` are absolute times of
    the next dwells. `turns` are the charges at which something read in the instant would have been
    read otherwise, `counted` and `count_turns` the same of a gauge that counts charge; `rules` is
    how each rule that looks at times stands; `events` and `woke` tell what happened in it.
    """

    time_ns: int
    states: tuple[int, ...]
    entered: tuple[int, ...]
    waiting: tuple[int, ...]
    due: tuple[int, ...]
    memory: tuple[int, ...]
    conditions: tuple[bool, ...]
    charge: float
    turns: frozenset[float]
    counted: float
    count_turns: frozenset[float]
    phase: Phase
    rules: tuple[RuleStand, ...]
    events: tuple[int, ...]
    woke: bool
    folded: Folded | None = None


_ByAge = dict[tuple[int, ...], list[tuple[Cycle, int]]]
_Here = dict[tuple[int, ...], dict[int, dict[tuple[int, ...], _ByAge]]]


class Folder:
    """Finds cycles while instants go by, and remembers them."""

    def __init__(self, grids: Grids, window: int = LONGEST) -> None:
        """`grids` are shared by all simulations of a gadget.

        `window`: so many instants are looked back for a period at first. What has not come round in
        fewer than `LONGEST` is looked for in twice as many, after three times as many that go by
        unseen: so a period that there is not costs no more than some two of five instants.
        """
        self._log: list[Moment] = []
        self._seen: dict[tuple[tuple[int, ...], tuple[int, ...]], int] = {}
        self._last: dict[tuple[int, ...], int] = {}
        # By what stands outside, the states, and the first region that has just moved.
        self._known: dict[tuple[object, ...], _Here] = {}
        self.here = self._known.setdefault((), {})
        # By the identity of a context, which it holds: to tell one by what it holds takes longer.
        self._entered: dict[int, tuple[tuple[object, ...], _Here]] = {}
        """The cycles known to go on from here, by the states of the regions."""
        self.cycles: list[Cycle] = []
        self.grids = grids
        self._first = window
        self._begin_to_look()

    def _begin_to_look(self) -> None:
        self._pause = 0  # instants that are not looked at any more
        self._window = self._first
        self._next_pause = LONGEST

    def enter(self, context: tuple[object, ...]) -> None:
        """Something from outside changed: what was seen so far does not go on."""
        self.forget()
        self._begin_to_look()
        entered = self._entered.get(id(context))
        if entered is None:
            entered = context, self._known.setdefault(context, {})
            self._entered[id(context)] = entered
        self.here = entered[1]

    def forget(self) -> None:
        """Drop the instants seen so far; cycles once found stay known."""
        if self._log:
            self._log.clear()
            self._seen.clear()
            self._last.clear()

    def let_go(self) -> None:
        """All cycles are forgotten: they hold large tables, and point at each other in rings."""
        for cycle in self.cycles:
            cycle.turns.clear()
        self.cycles.clear()
        self._known.clear()
        self._entered.clear()
        self.here = {}
        self.forget()

    @property
    def pauses(self) -> bool:
        """Whether instants go by without being looked at."""
        return self._pause > 0

    @property
    def made(self) -> int:
        """How many turns of cycles there are tables of."""
        return sum(len(cycle.turns) for cycle in self.cycles)

    @property
    def spared(self) -> int:
        """How many instants were gone by in whole periods."""
        return sum(turn.count * cycle.instants
                   for cycle in self.cycles for turn in cycle.turns.values())

    def give_up(self) -> None:
        """For a while no instant is looked at."""
        self.forget()
        if self._window < LONGEST:
            self._pause = 3 * self._window
            self._window = min(2 * self._window, LONGEST)
        else:
            self._pause, self._next_pause = self._next_pause, 2 * self._next_pause

    def pass_by(self, count: int) -> None:
        """So many instants have gone by that were not looked at."""
        if self._pause:
            self._pause = max(0, self._pause - count)

    def looks(self) -> bool:
        """Whether the next instant is looked at: not for a while where nothing came round."""
        if self._pause:
            self._pause -= 1
            return False
        return True

    def recall(
        self, states: tuple[int, ...], entered: list[int], now_ns: int, charge: float,
        counted: float, rules: tuple[RuleStand, ...] | None = None,
    ) -> tuple[Cycle, int] | None:
        """The cycle, and the number of its instant, that is known to go on from here.

        One in which rules wait only where the `rules` that look at times stand so.
        """
        by_fresh = self.here.get(states)
        if by_fresh is None:
            return None
        by_moving = by_fresh.get(entered.index(now_ns) if now_ns in entered else -1)
        if by_moving is None:
            return None
        best: tuple[Cycle, int] | None = None
        for moving, by_age in by_moving.items():
            for found in by_age.get(tuple([now_ns - entered[r] for r in moving]), ()):
                cycle, index = found
                if cycle.held if rules is None else not cycle.fits(index, rules):
                    continue
                if cycle.low <= charge < cycle.high and (
                    cycle.count_low <= counted < cycle.count_high
                ) and (
                    best is None or cycle.period_ns > best[0].period_ns
                ):
                    best = found
        return best

    def notice(
        self, moment: Moment, wake_c: float, known: tuple[Cycle, int] | None
    ) -> tuple[Cycle, int] | None:
        """Take note of a settled instant; return the cycle it closes, if it closes one.

        `known` is the cycle that is known to go on from here: it is not closed a second time. Of
        others that are known the same is returned.
        """
        log = self._log
        if len(log) >= self._window:
            # What did not come round in so many instants hardly will: look ever more rarely.
            self.give_up()
        # Only an instant at which every ticking region has the same age can close a period.
        now_ns = moment.time_ns
        entered, due = moment.entered, moment.due
        ages = tuple([now_ns - entered[r] for r in moment.phase.ticking if due[r] < IDLE])
        key = (moment.states, ages)
        index = self._seen.get(key)
        found: tuple[Cycle, int] | None = None
        if index is not None:
            moving = _repeats(log[index], moment)
            if moving is not None and not _is(known, log[index], moment, moving):
                found = self._closed(index, moment, moving, wake_c)
        elif (earlier := self._last.get(moment.states)) is not None:
            moving = _repeats(log[earlier], moment)
            if moving is not None and not _is(known, log[earlier], moment, moving):
                period = now_ns - log[earlier].time_ns
                others = [when for r, when in enumerate(due) if r not in moving]
                if min(others, default=IDLE) - now_ns > WORTH * period:
                    found = self._closed(earlier, moment, moving, wake_c)
        self._last[moment.states] = self._seen[key] = len(log)
        log.append(moment)
        return found

    def mark(self, cycle: Cycle, index: int, count: int) -> None:
        """Note that `count` periods of `cycle` were folded after the latest instant."""
        self._log[-1].folded = (cycle, index, count)

    def pass_along(self, cycle: Cycle, now_ns: int) -> None:
        """Note that a cycle goes round once from `now_ns` on."""
        if self._log and self._log[-1].time_ns == now_ns and self._log[-1].folded is None:
            self._log[-1].folded = (cycle, 0, 1)
        else:
            self.forget()

    def _closed(
        self, index: int, last: Moment, moving: tuple[int, ...], wake_c: float
    ) -> tuple[Cycle, int] | None:
        """The cycle that `last` closes: one that is known, or a new one."""
        now_ns, entered = last.time_ns, last.entered
        by_fresh = self.here.get(last.states, {})
        by_moving = by_fresh.get(entered.index(now_ns) if now_ns in entered else -1, {})
        for one in by_moving.get(moving, {}).get(tuple([now_ns - entered[r] for r in moving]), ()):
            cycle, _ = one
            if (_is(one, self._log[index], last, moving) and cycle.low <= last.charge < cycle.high
                    and cycle.count_low <= last.counted < cycle.count_high):
                return one
        made = self._close(index, last, moving, wake_c)
        return None if made is None else (made, 0)

    def _close(
        self,
        index: int,
        last: Moment,
        moving: tuple[int, ...],
        wake_c: float,
    ) -> Cycle | None:
        span = self._log[index:]
        period_ns = last.time_ns - span[0].time_ns
        pairs = list(zip(span[0].rules, last.rules, strict=True))
        held = tuple([one != other and stands(one, other, period_ns) for one, other in pairs])
        if any(one != other and not waits
               for (one, other), waits in zip(pairs, held, strict=True)):
            return None
        ends = [*span[1:], last]
        members = []
        for moment, end in zip(span, ends, strict=True):
            # The first instant of the span is, in the cycle, the one that just closed it.
            happened = last if moment is span[0] else moment
            members.append(
                Member(
                    phase=moment.phase,
                    lasts_ns=end.time_ns - moment.time_ns - _folded_ns(moment),
                    states=moment.states,
                    ages=tuple(moment.time_ns - moment.entered[r] for r in moving),
                    waiting=tuple(moment.waiting[r] for r in moving),
                    due_in=tuple(moment.due[r] - moment.time_ns for r in moving),
                    memory=tuple(happened.memory[r] for r in moving),
                    conditions=moment.conditions,
                    rules=moment.rules,
                    events=happened.events,
                    woke=happened.woke,
                    folded=moment.folded,
                )
            )
        counts = {level for moment in ends for level in moment.count_turns}
        marks = {mark for moment in ends for mark in moment.turns}
        marks.update(mark for member in members for mark in member.phase.marks)
        for member in members:
            if member.folded is not None:
                inner = member.folded[0]
                marks.update((inner.low, inner.high))
                counts.update((inner.count_low, inner.count_high))
        low = max((mark for mark in marks if mark <= last.charge), default=0.0)
        high = min((mark for mark in marks if mark > last.charge), default=math.inf)
        count_low = max((level for level in counts if level <= last.counted), default=-math.inf)
        count_high = min((level for level in counts if level > last.counted), default=math.inf)
        if not low <= span[0].charge < high or not count_low <= span[0].counted < count_high:
            return None
        cycle = Cycle(
            period_ns=period_ns,
            moving=moving,
            members=tuple(members),
            wake_c=wake_c,
            low=low,
            high=high,
            count_low=count_low,
            count_high=count_high,
            held=held if any(held) else (),
            grids=self.grids,
        )
        self.cycles.append(cycle)
        for number, member in enumerate(members):
            fresh = moving[member.ages.index(0)] if 0 in member.ages else -1
            by_fresh = self.here.setdefault(member.states, {})
            by_age = by_fresh.setdefault(fresh, {}).setdefault(moving, {})
            by_age.setdefault(member.ages, []).append((cycle, number))
        return cycle


def _is(
    known: tuple[Cycle, int] | None, before: Moment, now: Moment, moving: tuple[int, ...]
) -> bool:
    """Whether what came round from `before` to `now` is the cycle that is known."""
    if known is None:
        return False
    cycle, index = known
    return (
        cycle.moving == moving
        and cycle.period_ns == now.time_ns - before.time_ns
        and cycle.goes_on(index, now.memory, now.conditions, now.rules)
    )


def _folded_ns(moment: Moment) -> int:
    return moment.folded[2] * moment.folded[0].period_ns if moment.folded else 0


def _repeats(before: Moment, now: Moment) -> tuple[int, ...] | None:
    """The regions that moved between two instants with equal states, if all else repeats."""
    period = now.time_ns - before.time_ns
    if period <= 0 or before.conditions != now.conditions or before.memory != now.memory:
        return None
    moving = []
    for number, (was, entered) in enumerate(zip(before.entered, now.entered, strict=True)):
        if was == entered:
            if before.waiting[number] != now.waiting[number]:
                return None
        elif entered - was == period:
            moving.append(number)
        else:
            return None
    return tuple(moving) if moving else None
