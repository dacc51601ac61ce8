"""Courses in which the counter of a firmware's clock comes round while a time runs.

A counter of 16 bits that counts milliseconds comes round after 65.536 s, one that counts seconds
after 18.2 h, one of 32 bits after 71.6 min (microseconds) or 49.7 days (milliseconds). A firmware
that compares such times by "later than", not by their difference, works on every bench and fails
once in the field. So something that was seen to take its time is done again, so much later that the
counter comes round halfway; and something else as it comes round the next time.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, replace

from simfw.behaviour.region import System
from simfw.vectors.nodes import Found
from simfw.vectors.replay import Replay
from simfw.vectors.sketch import Act

__all__ = ["Wait", "lengths_of", "told_in", "waits", "wrapped"]

MS = 1_000_000
# (comes round after, what it counts, the least time that it can take, how many times of regions,
# and how many waits that are none)
COUNTERS = (
    (2**16 * MS, "16 bits of milliseconds", MS, 5, 1),
    (2**32 * 1000, "32 bits of microseconds", 1, 3, 0),
    (2**16 * 1000 * MS, "16 bits of seconds", 1000 * MS, 2, 0),
    (2**32 * MS, "32 bits of milliseconds", MS, 2, 0),
)
MOST_REPORTS = 20_000  # up to the end: a gadget that hardly ever rests is not waited for
MOST_ALIKE = 3  # waits of one length that are tried
SHOWN = ("event", "out")
TICKING = ("gauge", "proximity", "measures")


@dataclass(frozen=True, slots=True)
class Wait:
    """A stretch in which a time ran until something came of it, in a course that hands can go."""

    began_ns: int
    ended_ns: int
    path: Found

    @property
    def lasts_ns(self) -> int:
        """How long it ran."""
        return self.ended_ns - self.began_ns

    @property
    def middle_ns(self) -> int:
        """When half of it is over."""
        return self.began_ns + self.lasts_ns // 2


def waits(path: Found, replay: Replay, times: Collection[int]) -> Iterator[Wait]:
    """Those of a course: up to an event or a change of an output, from the last of them or the last
    act, or from one that lies one of some `times` (ns) back. None where something is done before,
    or in the instant of, power-up, and none that begins before anything is done.
    """
    first_ns = min((act.at_ns for act in path.acts), default=0)
    if first_ns <= 0:
        return
    shown = sorted({report.time_ns for exchange in replay.exchanges
                    for report in exchange.reports if report.kind in SHOWN})
    marks = {act.at_ns for act in path.acts}.union(shown)
    ordered = sorted(marks)
    for time_ns in shown:
        last_ns = ordered[max(0, bisect_left(ordered, time_ns) - 1)]
        began = {last_ns, *(time_ns - one for one in times if time_ns - one in marks)}
        yield from (Wait(at_ns, time_ns, path) for at_ns in sorted(began)
                    if first_ns <= at_ns < time_ns)  # fmt: skip


def lengths_of(system: System) -> frozenset[int]:
    """How long the times of the regions are (ns), and the steps of what is played, but for what
    ticks on by itself.
    """
    return frozenset(row.after_ns for region in system.every for row in region.rows
                     if row.after_ns and region.group not in TICKING)  # fmt: skip


def _apart(found: Sequence[Wait], times: Collection[int], least_ns: int, wraps_ns: int, count: int,
           others: int) -> list[list[Wait]]:
    """Waits of unlike lengths, the longest first, of each a few, as early in their courses as can
    be: `count` that are the time of a region, and of the `others`, or if those are few, the
    shortest, the longest, and so on between them. Some that begin later than the counter wraps, or
    take as long, are none.
    """
    by_length: dict[int, list[Wait]] = {}
    for wait in sorted(found, key=lambda one: one.ended_ns):
        if wait.middle_ns < wraps_ns and least_ns <= wait.lasts_ns < wraps_ns:
            by_length.setdefault(wait.lasts_ns, []).append(wait)
    whole = _spread(sorted(by_length.keys() & times), count)
    rest = _spread(sorted(by_length.keys() - set(whole)), count + others - len(whole))
    return [by_length[length][:MOST_ALIKE] for length in sorted({*whole, *rest}, reverse=True)]


def _spread(lengths: Sequence[int], count: int) -> list[int]:
    """The first of them, the last, and so on between them."""
    places = {round(k * (len(lengths) - 1) / max(1, count - 1)) for k in range(count)}
    return [lengths[place] for place in sorted(places)] if lengths else []


def told_in(replay: Replay, since_ns: int = -1) -> int:
    """How much is told in a course after a time, its repeats included."""
    def told(after_ns: int, up_to_ns: int) -> int:
        count = sum(after_ns < report.time_ns <= up_to_ns for report in replay.reports)
        for begins_ns, ends_ns, period_ns in replay.repeats():
            first_ns = max(begins_ns, after_ns)
            # What lies within a period that repeats is told in each of them.
            if first_ns < ends_ns <= up_to_ns:
                count += ((ends_ns - first_ns) // period_ns
                          * told(begins_ns - period_ns, begins_ns))
        return count

    last_ns = replay.exchanges[-1].ends_ns if replay.exchanges else 0
    return told(since_ns, last_ns)


class _Chain:
    """One course that goes through one wait after another, as a counter comes round each time."""

    def __init__(self, wraps_ns: int, play: Callable[[Found], Replay | None],
                 closed: Callable[[Found], Found], fits: Callable[[Found], bool]) -> None:
        self.wraps_ns, self.play, self.closed, self.fits = wraps_ns, play, closed, fits
        self.path: Found | None = None
        self.waits: list[Wait] = []

    def go(self, wait: Wait) -> bool:
        """Go through one more; whether it shows, not too much is told by then, and it fits."""
        before = self.path
        begins_ns, acts = 0, tuple[Act, ...]()
        if before is not None:
            if before.charge != wait.path.charge:
                return False
            begins_ns, acts = before.ends_ns, before.acts
        first_ns = wait.path.acts[0].at_ns
        number = 1 + max(0, begins_ns - first_ns + wait.middle_ns) // self.wraps_ns
        by_ns = number * self.wraps_ns - wait.middle_ns
        acts += tuple(replace(act, at_ns=act.at_ns + by_ns) for act in wait.path.acts
                      if act.at_ns <= wait.ended_ns)  # fmt: skip
        ended_ns = wait.ended_ns + by_ns
        path = replace(wait.path, acts=acts, ends_ns=ended_ns + MS, covers=frozenset())
        played = self.play(path)
        if played is None or not _shows(played, ended_ns) or told_in(played) > MOST_REPORTS:
            return False
        path = self.closed(path)
        if not self.fits(path):
            return False
        self.path = path
        self.waits.append(wait)
        return True


def _alone(chain: _Chain, wait: Wait) -> Found:
    """One of the waits of a chain, without what comes before it there."""
    alone = _Chain(chain.wraps_ns, chain.play, chain.closed, lambda _: True)
    alone.go(wait)
    return alone.path or wait.path


def wrapped(found: Sequence[Wait], times: Collection[int],
            play: Callable[[Found], Replay | None], closed: Callable[[Found], Found],
            fits: Callable[[Found], bool]) -> Iterator[tuple[str, Found, list[Found]]]:
    """Courses, each with its title, and with what it is made of where that is more than one:
    counters that come round sooner first. `times` are those of the regions (ns); `closed` ends a
    course with all at rest, `fits` says whether a bench and a real unit can be held to one: those
    that they cannot come in courses of their own.

    What is told while nothing is done grows with the time: where it would be more than
    `MOST_REPORTS` until a counter comes round, that is not waited for.
    """
    for place, (wraps_ns, counter, least_ns, count, others) in enumerate(COUNTERS):
        quiet = play(Found(charge=0.5, acts=(), ends_ns=wraps_ns, covers=frozenset()))
        if quiet is None or told_in(quiet) > MOST_REPORTS:
            return
        chains = [_Chain(wraps_ns, play, closed, fit) for fit in (fits, lambda _: True)]
        for alike in _apart(found, times, least_ns, wraps_ns, count, others):
            alone = [_Chain(wraps_ns, play, closed, chain.fits) for chain in chains]
            done = next((chain for chain in (chains[0], alone[0], chains[1], alone[1])
                         for wait in alike if chain.go(wait)), None)  # fmt: skip
            if done in alone:
                chains.append(done)
        for chain in chains:
            if chain.path is not None:
                yield (f"a clock of {counter} comes round amid a time", chain.path,
                       [_alone(chain, wait) for wait in chain.waits if len(chain.waits) > 1])
        # What is told in the second half is told for ever.
        longer = 0 if place + 1 == len(COUNTERS) else COUNTERS[place + 1][0]
        if 2 * told_in(quiet, wraps_ns // 2) * longer > MOST_REPORTS * wraps_ns:
            return


def _shows(replay: Replay, time_ns: int) -> bool:
    """Whether something comes of a time there, too."""
    return any(report.kind in SHOWN and report.time_ns == time_ns
               for exchange in replay.exchanges for report in exchange.reports)
