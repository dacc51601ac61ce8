"""A firmware that counts time in ticks, held against a model that knows no tick.

It sees an edge at any place inside a tick as at its beginning: vectors are driven with their acts
there, and the model is asked what it does with these. What it tells may be off by a tick; where a
tick could move a report out of what is compared, it may be there or not.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from simfw.report.vectors.replay import Replay, Report
from simfw.report.vectors.sketch import Act

__all__ = ["first_apart", "on_ticks", "tick_told"]


def tick_told(hello: str) -> int:
    """The tick (ns) in an answer to `hello`; 1 where it tells none."""
    for word in hello.split(" "):
        name, _, value = word.partition("=")
        if name == "tick_ns" and value.isascii() and value.isdigit() and len(value) < 19:
            return max(1, int(value))
    return 1


def on_ticks(acts: Sequence[Act], tick_ns: int) -> tuple[Act, ...]:
    """The acts, each at the beginning of its tick."""
    return tuple(replace(act, at_ns=act.at_ns // tick_ns * tick_ns) for act in acts)


class _Edges:
    """The times at which comparing begins or ends: what lies within reach of one may be moved over
    it.
    """

    def __init__(self, replay: Replay, within_ns: int) -> None:
        self.within_ns = within_ns
        ends = [int(one.lines[-1].split(" ")[1]) for one in replay.exchanges]
        self.times = [*ends[-1:], *(ns for stretch in replay.left_out for ns in stretch)]
        # Without a supply nothing is told any more.
        self.times += [end for end, one in zip(ends, replay.exchanges, strict=True)
                       if one.lines[-1].startswith("off ")]  # fmt: skip

    def near(self, time_ns: int) -> bool:
        return any(abs(time_ns - edge) <= 2 * self.within_ns for edge in self.times)


def first_apart(replay: Replay, told: Mapping[tuple[str, ...], Sequence[tuple[int, str]]],
                wanted: Mapping[tuple[str, ...], Sequence[Report]], within_ns: int
                ) -> tuple[int, str, str] | None:  # fmt: skip
    """The first difference of two accounts of a whole drive, each by what a report is about: when,
    what was expected, what was told. `told` holds the lines with their times.
    """
    edges = _Edges(replay, within_ns)
    found = []
    for about in dict.fromkeys([*wanted, *told]):
        apart = _apart(wanted.get(about, ()), told.get(about, ()), within_ns, edges)
        if apart is not None:
            found.append(apart)
    return min(found, key=lambda one: one[0], default=None)


def _apart(wanted: Sequence[Report], told: Sequence[tuple[int, str]], within_ns: int,
           edges: _Edges) -> tuple[int, str, str] | None:  # fmt: skip
    place = 0
    for report in wanted:
        while place < len(told):
            time_ns, line = told[place]
            here = line.split(" ")
            here[1:2] = [str(report.time_ns)]
            if " ".join(here) == report.line and abs(time_ns - report.time_ns) <= within_ns:
                place += 1
                break
            if edges.near(report.time_ns):
                break
            if not edges.near(time_ns):
                return min(time_ns, report.time_ns), report.line, line
            place += 1
        else:
            if not edges.near(report.time_ns):
                return report.time_ns, report.line, "nothing"
    for time_ns, line in told[place:]:
        if not edges.near(time_ns):
            return time_ns, "nothing", line
    return None
