"""A firmware that counts time in ticks, held against a model that knows no tick.

It sees an edge at any place inside a tick as at its beginning: vectors are driven with their acts
there, and the model is asked what it does with these. What it tells may be off by a tick; where a
tick could move a report out of what is compared, it may be there or not.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from simfw.vectors.replay import Exchange
from simfw.vectors.sketch import Act

__all__ = ["Told", "earliest", "first_apart", "on_ticks", "tick_told"]

Told = tuple[int, str]  # a line that was told, and when that was


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

    def __init__(self, exchanges: Sequence[Exchange], within_ns: int) -> None:
        self.within_ns = within_ns
        self.times = [one.ends_ns for one in exchanges[-1:]]
        # Without a supply nothing is told any more.
        self.times += [one.ends_ns for one in exchanges if one.lines[-1].startswith("off ")]

    def near(self, time_ns: int) -> bool:
        return any(abs(time_ns - edge) <= 2 * self.within_ns for edge in self.times)


def first_apart(exchanges: Sequence[Exchange],
                told: Mapping[tuple[str, ...], Sequence[Told]],
                wanted: Mapping[tuple[str, ...], Sequence[Told]], within_ns: int, tick_ns: int = 1
                ) -> tuple[int, str, str] | None:  # fmt: skip
    """The first difference of two accounts of a whole drive, each by what a report is about: when,
    what was expected, what was told. Times may be off by `within_ns`; what is done and undone
    within less than `tick_ns` may be left out.
    """
    edges = _Edges(exchanges, within_ns)
    found = []
    for about in dict.fromkeys([*wanted, *told]):
        apart = _apart(wanted.get(about, ()), told.get(about, ()), edges, tick_ns)
        if apart is not None:
            found.append(apart)
    return earliest(found, (report.line for one in exchanges for report in one.reports))


def earliest(found: Sequence[tuple[int, str, str]], account: Iterable[str]
             ) -> tuple[int, str, str] | None:  # fmt: skip
    """The earliest of some differences; of those of one time that whose expected line stands first
    in the model's account: what the others may have followed from.
    """
    if not found:
        return None
    first_ns = min(time_ns for time_ns, _, _ in found)
    ties = [one for one in found if one[0] == first_ns]
    if len(ties) == 1:
        return ties[0]
    by_line = {one[1]: one for one in reversed(ties)}
    return next((by_line[line] for line in account if line in by_line), ties[0])


def _apart(wanted: Sequence[Told], told: Sequence[Told], edges: _Edges, tick_ns: int
           ) -> tuple[int, str, str] | None:  # fmt: skip
    mine = heard = 0
    while mine < len(wanted) and heard < len(told):
        if _alike(wanted[mine], told[heard], edges.within_ns):
            mine, heard = mine + 1, heard + 1
        elif (passed := _passed(wanted, mine, edges, tick_ns)) > 0:
            mine += passed
        elif (passed := _passed(told, heard, edges, tick_ns)) > 0:
            heard += passed
        else:
            return min(wanted[mine][0], told[heard][0]), wanted[mine][1], told[heard][1]
    while mine < len(wanted):
        if not (passed := _passed(wanted, mine, edges, tick_ns)):
            return wanted[mine][0], wanted[mine][1], "nothing"
        mine += passed
    while heard < len(told):
        if not (passed := _passed(told, heard, edges, tick_ns)):
            return told[heard][0], "nothing", told[heard][1]
        heard += passed
    return None


def _alike(wanted: Told, told: Told, within_ns: int) -> bool:
    """Whether two reports say the same of times that are not further apart than allowed."""
    if abs(told[0] - wanted[0]) > within_ns:
        return False
    if told[1] == wanted[1]:
        return True
    here = told[1].split(" ")
    here[1:2] = [str(wanted[0])]
    return " ".join(here) == wanted[1]


def _passed(account: Sequence[Told], place: int, edges: _Edges, tick_ns: int) -> int:
    """How many reports from `place` on the other account need not have: one where comparing begins
    or ends, two that undo each other within a tick, else none.
    """
    if edges.near(account[place][0]):
        return 1
    if tick_ns <= 1 or place + 1 == len(account) or account[place][1].startswith("event "):
        return 0
    first, second = account[place], account[place + 1]
    before = _level(account[place - 1][1]) if place else _before_first(first[1])
    return 2 if second[0] - first[0] < tick_ns and _level(second[1]) == before else 0


def _level(line: str) -> str:
    """What an output, or the controller, is from this report on."""
    words = line.split(" ")
    return words[-1] if words[0] == "out" else words[0]


def _before_first(line: str) -> str:
    kind = line.split(" ")[0]
    return {"wake": "sleep", "sleep": "wake"}.get(kind, "0")
