"""Time on a stepper: from one ended dwell to the next, whole periods left out where all repeats."""

from __future__ import annotations

import math
from collections.abc import Sequence

from simfw.behaviour.region import System
from simfw.behaviour.table import IDLE, Stepper

__all__ = ["NEVER", "Pace", "periods_of"]

NEVER = 1 << 62
LONGEST_PERIOD_NS = 60 * 10**9  # a cycle longer than this is not waited for


def periods_of(system: System) -> tuple[int, ...]:
    """The periods after which what ticks by itself may be as before: all together, and the quick.

    A region ticks with the sum of the times along a ring of timed rows (a look, a read of a
    contact, a sample of the gauge, a blink).
    """
    rings = set()
    for region in system.every:
        timed = {source: row for row in reversed(region.rows) if row.after_ns is not None
                 for source in row.sources}  # fmt: skip
        # The way on from a state is one, so each is gone once: when it was come by on which way.
        begun: dict[str, tuple[str, int]] = {}
        for start in timed:
            here, total = start, 0
            while here in timed and here not in begun:
                begun[here] = start, total
                total += timed[here].after_ns or 0
                here = timed[here].to
            way, before = begun.get(here, ("", 0))
            if way == start:
                rings.add(total - before)
    rings.discard(0)
    found = []
    for top in sorted(rings, reverse=True):
        period = math.lcm(*(ring for ring in rings if ring <= top))
        if period <= LONGEST_PERIOD_NS and period not in found:
            found.append(period)
    return tuple(found)


class Pace:
    """A stepper that time goes by on. `_instant` is what is done in each instant. It is looked for
    whatever comes round after `most_vain` periods in a row that end otherwise than they began, or
    `most_plain` instants in which no period is tried.
    """

    most_vain = 500
    most_plain = NEVER

    def __init__(self, stepper: Stepper, periods_ns: tuple[int, ...]) -> None:
        self.stepper = stepper
        self.periods_ns = periods_ns
        self.now = 0
        self.goes_ns = NEVER  # when a supply goes that the firmware has let go of

    def _instant(self, raw: list[str], *, power_up: bool = False) -> None:
        raise NotImplementedError

    def next_due(self) -> int:
        """When the next instant comes by itself."""
        due, goes_ns = min(self.stepper.dues), self.goes_ns
        return due if due < goes_ns else goes_ns  # asked for often: `min` of two takes as long

    def go_to(self, then: int) -> None:
        """Let time go on to `then`, leaving out whole periods in which nothing new happens."""
        self._advance(then, self.periods_ns)
        self.now = then

    def _advance(self, then: int, periods: tuple[int, ...]) -> None:
        vain = plain = 0
        while (due := self.next_due()) < then:
            for k, period in enumerate(periods):
                start = self.now
                if then - start >= 3 * period and self._skip(period, periods[k + 1 :], then):
                    vain = vain + 1 if self.now - start <= period else 0
                    break
            else:
                self.now = due
                self._instant([])
                plain += 1
            if vain >= self.most_vain or plain >= self.most_plain:
                self._come_round(then)

    def _come_round(self, then: int) -> None:
        """Run on to `then`; as soon as all is as it was some time ago, leave out whole such times.

        What stands is held against what stood at one instant, which is a later one each time that
        twice as many have gone by since: whatever comes round is found within a few rounds, of any
        length, and one instant is all that is kept.
        """
        stepper = self.stepper
        count = most = 0
        while (due := self.next_due()) < then:
            if count == most:
                began, news = self.now, self._stays()
                stood, entered, dues = self._whole(), tuple(stepper.entered_ns), stepper.due()
                count, most = 0, 2 * most or 1
            self.now = due
            self._instant([])
            count += 1
            if tuple(stepper.states) != stood[0] or (
                    not began < self.now < news or self._whole() != stood):
                continue
            period = self.now - began
            stays = list(enumerate(zip(entered, dues, stepper.entered_ns, stepper.due(),
                                       strict=True)))
            moved = [number for number, (before, _, since, _) in stays if since != before]
            # What ends by itself has to end as much later; who waits for nothing may stand anyhow.
            if any(end != IDLE and (since, end) != (before + period, ended + period)
                   for _, (before, ended, since, end) in stays if since != before):
                continue
            limit = min(then, self._stays(), self.goes_ns, NEVER, *(
                end for _, (before, _, since, end) in stays if since == before))
            skipped = (limit - 1 - self.now) // period * period
            if skipped > 0:
                self.left_out(self.now, self.now + skipped, period)
                self.now += skipped
                stepper.shift(skipped, moved)
                count = most = 0  # what is left is gone through like what came first

    def _stays(self) -> int:
        """Before when all goes on as it does now, if nothing else comes to it."""
        return self.next_news()

    def _whole(self) -> tuple[object, ...]:
        """All that decides how everything goes on but times: the states first."""
        stepper = self.stepper
        return (tuple(stepper.states), tuple(stepper.memory), tuple(stepper.condition_values),
                stepper.waiting())

    def run_to(self, then: int) -> None:
        """Let time go on to `then` without leaving anything out."""
        while (due := self.next_due()) < then:
            self.now = due
            self._instant([])
        self.now = then

    def next_news(self) -> int:
        """Before when nothing but what repeats can happen, as far as the cell is concerned."""
        return NEVER

    def _skip(self, period: int, inner: tuple[int, ...], then: int) -> bool:
        """Run one period of the quick cycles; if all is as before, leave out whole periods."""
        stepper = self.stepper
        start = self.now
        near = start + period
        limit = min(then, self.next_news(), self.goes_ns)
        quick = []
        for number, when in enumerate(stepper.due()):
            if when <= near:
                quick.append(number)
            elif when < limit:
                limit = when
        if limit - start < 3 * period:
            return False
        before = self._standing(quick)
        self._advance(near + 1, inner)
        self.now = near
        if self._standing(quick) == before:
            skipped = (limit - 1 - near) // period * period
            self.left_out(near, near + skipped, period)
            self.now = near + skipped
            stepper.shift(skipped, quick)
        return True

    def _standing(self, quick: Sequence[int]) -> tuple[object, ...]:
        """All that decides how the regions go on, with what the dwells of `quick` still have to go.

        Of a state with several dwells it matters which come next: what is left of one may be just
        what was left of the one before it.
        """
        stepper, due, waiting = self.stepper, self.stepper.due(), self.stepper.waiting()
        return (tuple(stepper.states), tuple(stepper.memory), tuple(stepper.condition_values),
                [(due[number] - self.now, waiting[number]) for number in quick])

    def left_out(self, start_ns: int, end_ns: int, period_ns: int) -> None:
        """The instants after `start_ns` up to `end_ns`, whole periods, are left out."""
