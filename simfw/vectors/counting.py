"""The same again and again: more often than a counter of 8 bits can count.

It comes round after 256: with the next, what is counted is taken for the first, or for something
that was long ago. So each button is pressed 257 times, what is kept over a loss of the supply
changes as often, and so many samples are taken before what is measured changes.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from itertools import pairwise

from simfw.vectors.closing import MOST_BUTTONS
from simfw.vectors.courses import BEGINS_NS
from simfw.vectors.handled import Change
from simfw.vectors.keeping import Keeping
from simfw.vectors.moves import WITHOUT_NS
from simfw.vectors.nodes import Found
from simfw.vectors.search import SIDE, beside
from simfw.vectors.sketch import Act

__all__ = ["OFTEN", "Counting"]

MS = 1_000_000
OFTEN = 257  # one more than 8 bits count
LONG_NS = 3_600_000 * MS  # that the supply is away
LONGEST_NS = 24 * LONG_NS  # that what is kept is changed for
BOTH = 2  # samples that see a reading


class Counting(Keeping):
    """Makes such courses."""

    def often(self) -> Iterator[tuple[str, Found]]:
        """Each button is pressed; what is kept changes, and is lost behind the last of its changes;
        then the supply is away for an hour, and once more, with nothing changed between.
        """
        said = ["each button is pressed 257 times"] if self.buttons else []
        said += ["what is kept changes as often, and outlasts an hour"] if self._losing() else []
        if said:
            yield from self._found("; ".join(said), self._often)

    def samples(self) -> Iterator[tuple[str, Found]]:
        """So many samples are taken, of what a level is said to be by what was before; then what is
        measured changes.
        """
        gauge, measures = self.gadget.gauge, self.gadget.measures
        every = [] if gauge is None else [gauge.every.ns]
        every += [measure.every.ns for measure in measures.values()]
        if every:
            yield from self._found(f"{OFTEN} samples, then another level", partial(
                self._samples, max(every)))

    # -- presses and changes -----------------------------------------------------------------------

    def _losing(self) -> bool:
        return bool(self.kept and self.ways and self.cuts)

    def _often(self) -> bool:
        self._start()
        counts = {number: 0 for number, _ in self.kept}
        for name in self.buttons[:MOST_BUTTONS]:
            rest = self._times(name)[1]
            self._do(*self._before(name, (), self._tap(name), rest))
            for _ in range(OFTEN):
                before = {number: self._stands(number) for number in counts}
                self._do(*self._tap(name))
                self._wait(rest)
                self._count(counts, before)
                if not self.sketch.alive:
                    return False
        if self._losing():
            self._outlasts(counts)
        return self.sketch.alive

    def _count(self, counts: dict[int, int], before: dict[int, int]) -> None:
        """Count what has changed; lose the supply behind the last that is asked for."""
        changed = [number for number in counts if self._stands(number) != before[number]]
        for number in changed:
            counts[number] += 1
        if self._losing() and any(counts[number] == OFTEN for number in changed):
            self._lose(WITHOUT_NS)

    def _outlasts(self, counts: dict[int, int]) -> None:
        begins = self.sketch.now
        for number in counts:
            while counts[number] < OFTEN and self.sketch.now - begins < LONGEST_NS:
                before = {one: self._stands(one) for one in counts}
                if not self._change(number):
                    break
                self._count(counts, before)
        self._leaves_its_start()
        for away_ns in (LONG_NS, BEGINS_NS):
            if self.sketch.alive:
                self._lose(away_ns)

    # -- samples -----------------------------------------------------------------------------------

    def _samples(self, every_ns: int) -> bool:
        self._start()
        waits_ns = BOTH * every_ns + MS
        lows, betweens, highs = self._levels(waits_ns)
        for changes in (lows, betweens):
            self._do(*changes)
            self._wait(waits_ns)
        shows = self._apart(lows, betweens, waits_ns)
        self.sketch.go_to(OFTEN * every_ns + waits_ns)
        self._do(*shows)
        self._wait(waits_ns)
        self._do(*highs)
        self._wait(waits_ns)
        self._do(*shows)
        return self.sketch.alive

    def _levels(self, waits_ns: int) -> tuple[list[Change], list[Change], list[Change]]:
        """The lowest levels, some between the two sides of a hysteresis, and the highest."""
        found: tuple[list[Change], list[Change], list[Change]] = [], [], []
        for name, measure in self.gadget.measures.items():
            levels = sorted(one.value for one in measure.thresholds)
            if levels:
                values = levels[0] - 1.0, levels[0] + measure.gap / 2, levels[-1] + measure.gap + 1
                for changes, value in zip(found, values, strict=True):
                    changes.append((0, "measure", name, value))
        gauge = self.gadget.gauge
        figures = [] if gauge is None else [
            one for one in (*gauge.thresholds, gauge.low, gauge.flat) if one is not None]
        if gauge is None or not figures:
            return found
        levels = sorted({one.value for one in figures})
        between = [level + gauge.gap / 2 for level in levels]
        between += [(one + two) / 2 for one, two in pairwise(levels)]

        def read(value: float) -> list[Change]:
            return [(0, "measured", self.reading, beside(self.reading, value, 0.0))]

        low = read(levels[0] - SIDE)
        middle = max(between, key=lambda value: len(self._differ(low, read(value), waits_ns)))
        for changes, more in zip(
                found, (low, read(middle), read(levels[-1] + gauge.gap + SIDE)), strict=True):
            changes += more
        return found

    def _differ(self, low: Sequence[Change], then: Sequence[Change], waits_ns: int
                ) -> list[tuple[int, bool]]:  # fmt: skip
        """The states and conditions that are others where a level comes behind a lower one than
        where it was there from the beginning.
        """
        found, here = [], self.sketch.save()
        for first in (low, then):
            self._begun(first, then, waits_ns)
            stepper = self.sketch.stepper
            found.append([*enumerate(stepper.states), *enumerate(stepper.condition_values)])
        self.sketch.load(here)
        return [one for one, other in zip(*found, strict=True) if one != other]

    def _begun(self, first: Sequence[Change], then: Sequence[Change], waits_ns: int) -> None:
        self.sketch.start(0.5, [Act(*change) for change in first])
        for changes in (first, then):
            self._perform(changes)
            self.sketch.go_to(self.sketch.now + waits_ns)

    def _apart(self, low: Sequence[Change], then: Sequence[Change], waits_ns: int
               ) -> tuple[Change, ...]:  # fmt: skip
        """What is done to show what a level is said to be; nothing where nothing does."""
        here = self.sketch.save()
        found = {}
        for first in (low, then):
            self._begun(first, then, waits_ns)
            saved, tried = self.sketch.save(), []
            for way in self._gestures():
                if any(kind in ("measured", "measure", "status") for _, kind, *_ in way):
                    continue
                self.sketch.load(saved)
                self._perform(way)
                tried.append((dict(self.sketch.shown().drives) if self.sketch.alive else None, way))
            found[first is low] = tried
        self.sketch.load(here)
        return next((way for (one, way), (other, _) in zip(found[True], found[False], strict=True)
                     if one != other), ())
