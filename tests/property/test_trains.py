"""Trains of ticks are counted as they are when each tick is looked at."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from simfw.engine.trains import MOST_TRAINS, Windows, bundled, quotients

TICKS = st.lists(
    st.tuples(st.integers(1, 13), st.integers(0, 40)), min_size=1, max_size=MOST_TRAINS
).map(lambda found: [(number, *one) for number, one in enumerate(found)])


@given(st.integers(0, 12), st.integers(1, 15), st.integers(0, 40), st.integers(-50, 50))
def test_sums_of_quotients_are_those_of_each(
    count: int, divisor: int, step: int, start: int
) -> None:
    """Also from a negative start on."""
    each = sum((start + n * step) // divisor for n in range(count))
    assert quotients(count, divisor, step, start) == each


@given(TICKS, st.integers(0, 30), st.integers(1, 20), st.integers(1, 20), st.integers(1, 9))
def test_trains_together_are_counted_once_where_they_meet(
    ticks: list[tuple[int, int, int]], after: int, period: int, width: int, count: int
) -> None:
    """In a stretch, in windows that come again, and on the mean of all of these."""
    bundle = bundled(ticks)
    assert bundle is not None

    def ticking(time: int) -> set[int]:
        return {number for number, each, tick in ticks if (time - tick) % each == 0}

    assert bundle.between(after, after + 50) == sum(
        bool(ticking(time)) for time in range(after + 1, after + 51))
    windows = Windows(after, after + min(width, period), period)
    inside = [[ticking(time + n * period) for time in range(windows.after + 1, windows.before)]
              for n in range(count)]
    assert bundle.inside(windows, count) == sum(bool(one) for window in inside for one in window)
    for subset in bundle.subsets:
        free = windows.free_of(subset.train, count)
        assert not windows.ticks(subset.train, free)
        assert free == count or windows.ticks(subset.train, free + 1)
        tick = subset.train.first_after(after)
        assert after < tick
        assert subset.all <= ticking(tick)
        assert not any(subset.all <= ticking(time) for time in range(after + 1, tick))
        assert subset.train.last_before(tick + 1) == tick
    rounds = 1
    for one in bundle.subsets:
        rounds *= one.train.period
    if rounds < 2000:
        assert bundle.mean(windows) * rounds == bundle.inside(windows, rounds)


def test_more_trains_than_are_counted_together_are_no_bundle() -> None:
    """Those that always tick together are one."""
    same = [(number, 7, 3 + 7 * number) for number in range(9)]
    assert bundled(same) is not None
    assert bundled([(n, 7 + n, 0) for n in range(MOST_TRAINS + 1)]) is None
