"""Losses of the supply that are over almost at once, done again from courses with longer ones.

A firmware may find its memory as it was after a short loss, and go on as if nothing had been. On a
bench the capacitors of the board decide whether there was a loss at all, so these are for the host.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import pairwise
from math import inf

from simfw.vectors.clocked import seen
from simfw.vectors.nodes import Found
from simfw.vectors.replay import Replay
from simfw.vectors.sketch import Act

__all__ = ["briefly", "shortest_ns"]

MS = 1_000_000
WITHOUT_NS = MS
MOST = 4


def briefly(found: Sequence[tuple[Found, Replay]]) -> Iterator[Found]:
    """Courses whose losses take 1 ms, of those in which other outputs are on as the first begins;
    the ones with most outputs on first.
    """
    by_lit: dict[frozenset[tuple[str, int]], Found] = {}
    for path, replay in found:
        losses = [act.at_ns for act in path.acts if act.kind == "supply" and not act.value]
        if losses:
            by_lit.setdefault(_lit(replay, losses[0]), path)
    for lit in sorted(by_lit, key=lambda one: (-len(one), sorted(one)))[:MOST]:
        yield _short(by_lit[lit])


def _lit(replay: Replay, time_ns: int) -> frozenset[tuple[str, int]]:
    """The outputs that are on just before a time, with their levels."""
    levels = {report.name: report.level for report in seen(replay.exchanges)
              if report.time_ns < time_ns}  # fmt: skip
    return frozenset((name, level) for name, level in levels.items() if level)


def _losses(acts: Sequence[Act]) -> list[tuple[int, int]]:
    """When the supply goes and comes back in a course, ns."""
    moves = [act for act in acts if act.kind == "supply"]
    return [(gone.at_ns, back.at_ns) for gone, back in pairwise(moves)
            if not gone.value and back.value]  # fmt: skip


def _short(path: Found) -> Found:
    """The course with its losses as short, what is done in one done in it still, in that order."""
    losses = [loss for loss in _losses(path.acts) if loss[1] - loss[0] > WITHOUT_NS]

    def sooner(time_ns: int) -> int:
        now_ns = time_ns
        for gone_ns, back_ns in losses:
            inside_ns = min(max(0, time_ns - gone_ns), back_ns - gone_ns)
            now_ns -= inside_ns - inside_ns * WITHOUT_NS // (back_ns - gone_ns)
        return now_ns

    return replace(path, acts=tuple(replace(act, at_ns=sooner(act.at_ns)) for act in path.acts),
                   ends_ns=sooner(path.ends_ns), covers=frozenset())  # fmt: skip


def shortest_ns(acts: Sequence[Act]) -> float:
    """How long the shortest loss of the supply in a course takes; endless where there is none."""
    return min((back_ns - gone_ns for gone_ns, back_ns in _losses(acts)), default=inf)
