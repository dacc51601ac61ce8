"""What a unit shows whose clock is at an end of its tolerance.

A unit whose clock runs fast by e has counted (1 + e) t when t has passed. In its own time it is the
model, with stimuli that come (1 + e) times as late; what it shows then is read back in real time.
Between the two ends the order of a stimulus and the end of a time changes once at most, so that
they and the middle tell all: the window of an edge reaches from the earliest to the latest of the
three, and where one of them shows something else, a unit may rightly do so too.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from fractions import Fraction
from functools import partial
from typing import TYPE_CHECKING

from simfw.vectors.bands import FOR_THE_BENCH, for_the_host, named
from simfw.vectors.replay import Exchange, Replay, Report

if TYPE_CHECKING:
    from simfw.vectors.build import Vector

__all__ = ["MOST_EDGES", "USUAL_CLOCK", "in_time", "seen", "windows"]

USUAL_CLOCK = Fraction(1, 100)  # of a controller's own oscillator; common practice, no source

MOST_EDGES = 20_000  # of one vector, its repetitions written out

Window = tuple[int, int]  # earliest, latest (ns)


def seen(exchanges: Iterable[Exchange]) -> Iterator[Report]:
    """Every edge of an output that a capture shows: what a firmware tells, and that outputs which
    are on go off with the supply, whoever lets go of it, which it need not tell.
    """
    levels: dict[str, int] = {}
    for exchange in exchanges:
        for report in exchange.reports:
            if report.kind == "out":
                levels[report.name] = report.level
                yield report
        if exchange.lines[-1].startswith("off "):
            yield from (Report("out", exchange.ends_ns, name) for name, on in levels.items() if on)
            levels.clear()


def in_time(vectors: Sequence[Vector], clock: Fraction | None,
            at: Callable[[Vector, Fraction], Replay | None]) -> Iterator[Vector]:  # fmt: skip
    """The vectors with their windows; those for the host where a clock within its tolerance
    (0..1) may show something else. Where none is known (None), a usual one is looked at, and
    windows are exact times. `at(vector, rate)` as in `windows`.
    """
    count = Counter[bool]()
    for vector in vectors:
        by_bench = vector.scenario is None
        count[by_bench] += 1
        if vector.for_host:
            yield vector
            continue
        found = windows(vector.replay, partial(at, vector), USUAL_CLOCK if clock is None else clock)
        twin = vector.title.startswith(FOR_THE_BENCH)  # these stand last
        if twin and found is None:
            count[by_bench] -= 1  # it is there for the bench alone
            continue
        if twin:
            vector = named(vector, f"{vector.name[0]}{count[by_bench]:02d}")
        if found is None:
            vector = for_the_host(vector, drifts=True)
        elif clock is not None:
            vector = replace(vector, windows=found)
        yield vector


def windows(replay: Replay, at: Callable[[Fraction], Replay | None], clock: Fraction
            ) -> tuple[Window, ...] | None:  # fmt: skip
    """The windows of the edges in `seen(replay.exchanges)`, for a clock that is off by `clock`
    (0..1) at most; None where a unit within it may show other edges, or more of them than are
    looked through. `at(rate)` is what a unit does, in its own time, that counts `rate` times as
    much as passes.
    """
    typical = _edges(replay)
    if typical is None:
        return None
    ends = {edge: [edge.time_ns, edge.time_ns] for edge in typical}
    for rate in (1 + clock, 1 - clock):
        unit = _edges(at(rate))
        if unit is None or [_shown(edge) for edge in unit] != [_shown(edge) for edge in typical]:
            return None
        for edge, other in zip(typical, unit, strict=True):
            window = ends[edge]
            window[0] = min(window[0], other.time_ns * rate.denominator // rate.numerator)
            window[1] = max(window[1], -(-other.time_ns * rate.denominator // rate.numerator))
    return tuple((ends[edge][0], ends[edge][1]) for edge in seen(replay.exchanges))


def _shown(edge: Report) -> tuple[str, int]:
    return edge.name, edge.level


def _edges(replay: Replay | None) -> list[Report] | None:
    """All edges with nothing left out, output by output: of two outputs either may come first. None
    where they are too many.
    """
    if replay is None:
        return None
    edges = sorted(seen(replay.unrolled.exchanges), key=lambda edge: edge.name)
    return edges if len(edges) <= MOST_EDGES else None
