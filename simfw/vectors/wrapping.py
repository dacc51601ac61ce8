"""Courses in which the counter of a firmware's clock comes round while a time runs.

A counter of 16 bits that counts milliseconds comes round after 65.536 s, one of 32 bits after
71.6 min (microseconds) or 49.7 days (milliseconds). A firmware that compares such times by "later
than", not by their difference, works on every bench and fails once in the field. So something that
was seen to take its time is done again, so much later that the counter comes round halfway.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

from simfw.vectors.nodes import Found
from simfw.vectors.replay import Replay

__all__ = ["Wait", "waits", "wrapped"]

MS = 1_000_000
# (comes round after, what it counts, how many waits are tried there)
COUNTERS = (
    (2**16 * MS, "16 bits of milliseconds", 4),
    (2**32 * 1000, "32 bits of microseconds", 2),
    (2**32 * MS, "32 bits of milliseconds", 1),
)
MOST_REPORTS = 5000  # up to the wrap: a gadget that never rests is not waited for
LONGEST_NS = 60_000 * MS  # a wait that is done again
SHOWN = ("event", "out")


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


def waits(path: Found, replay: Replay) -> Iterator[Wait]:
    """Those of a course: up to an event or a change of an output, from the last of them or the last
    act. None where something is done before, or in the instant of, power-up.
    """
    if any(act.at_ns <= 0 for act in path.acts):
        return
    shown = sorted({report.time_ns for exchange in replay.exchanges
                    for report in exchange.reports if report.kind in SHOWN})
    marks = sorted({act.at_ns for act in path.acts} | set(shown))
    for time_ns in shown:
        place = bisect_left(marks, time_ns)
        if place and time_ns - marks[place - 1] <= LONGEST_NS:
            yield Wait(marks[place - 1], time_ns, path)


def _later(wait: Wait, wraps_ns: int) -> Found:
    """The course up to the end of a wait, begun so late that the counter wraps amid it."""
    by_ns = wraps_ns - wait.middle_ns
    acts = tuple(replace(act, at_ns=act.at_ns + by_ns) for act in wait.path.acts
                 if act.at_ns <= wait.ended_ns)  # fmt: skip
    return replace(wait.path, acts=acts, ends_ns=wait.ended_ns + by_ns + MS, covers=frozenset())


def _apart(found: Sequence[Wait], wraps_ns: int, count: int) -> list[Wait]:
    """The shortest wait, the longest, and so on between them, each as early in its course as it can
    be; those that begin later than the counter wraps are none.
    """
    by_length: dict[int, Wait] = {}
    for wait in sorted(found, key=lambda one: one.ended_ns):
        if wait.middle_ns < wraps_ns:
            by_length.setdefault(wait.lasts_ns, wait)
    lengths = sorted(by_length)
    places = dict.fromkeys(round(k * (len(lengths) - 1) / max(1, count - 1)) for k in range(count))
    return [by_length[lengths[place]] for place in places] if lengths else []


def _told(replay: Replay) -> int:
    """How much is told in a course, its repeats included."""
    again = sum((up_to_ns - after_ns) // period_ns
                for after_ns, up_to_ns, period_ns in replay.repeats())
    return again + sum(len(exchange.reports) for exchange in replay.exchanges)


def wrapped(found: Sequence[Wait], play: Callable[[Found], Replay | None]
            ) -> Iterator[tuple[str, Found]]:  # fmt: skip
    """Courses, each with its title: counters that come round sooner first.

    What is told while nothing is done grows with the time: where so much was told up to the wrap of
    one counter that more than `MOST_REPORTS` would be up to the next, no later one is waited for.
    """
    for place, (wraps_ns, counter, count) in enumerate(COUNTERS):
        resting = play(Found(charge=0.5, acts=(), ends_ns=wraps_ns, covers=frozenset()))
        if resting is None:
            return
        for wait in _apart(found, wraps_ns, count):
            path = _later(wait, wraps_ns)
            played = play(path)
            if played is not None and _shows(played, path.ends_ns - MS):
                yield f"a clock of {counter} comes round amid a time", path
        longer = COUNTERS[place + 1][0] // wraps_ns if place + 1 < len(COUNTERS) else 0
        if longer * _told(resting) > MOST_REPORTS:
            return


def _shows(replay: Replay, time_ns: int) -> bool:
    """Whether something comes of a time there, too."""
    return any(report.kind in SHOWN and report.time_ns == time_ns
               for exchange in replay.exchanges for report in exchange.reports)
