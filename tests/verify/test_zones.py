"""Zones of clocks: exact whole-number bounds, held against an SMT solver."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simfw.verify import zones as z

CLOCKS = 3


def bounds(clocks: int = CLOCKS) -> st.SearchStrategy[list[int]]:
    """Any matrix of bounds over `clocks` clocks, closed or not, empty or not."""
    n = clocks + 1
    one = st.one_of(st.just(z.INFINITY), st.integers(-12, 12).map(lambda b: b))

    def square(cells: list[int]) -> list[int]:
        for i in range(n):
            cells[i * n + i] = z.LE_ZERO
            cells[i] = min(cells[i], z.LE_ZERO)  # clocks are never negative
        return cells

    return st.lists(one, min_size=n * n, max_size=n * n).map(square)


def solver_says(cells: list[int], extra: tuple[tuple[int, int, int], ...] = ()) -> bool:
    """Whether z3 finds real clock values within the bounds (and the extra ones)."""
    z3 = pytest.importorskip("z3")
    n = z.size(cells)
    clocks = [z3.RealVal(0), *(z3.Real(f"x{i}") for i in range(1, n))]
    solver = z3.Solver()
    found = [(i, j, cells[i * n + j]) for i in range(n) for j in range(n) if i != j]
    for i, j, bound in (*found, *extra):
        if bound < z.INFINITY:
            difference, limit = clocks[i] - clocks[j], bound >> 1
            solver.add(difference <= limit if bound & 1 else difference < limit)
    return bool(solver.check() == z3.sat)


@settings(max_examples=60, deadline=None)
@given(bounds())
def test_a_zone_is_empty_exactly_where_a_solver_finds_no_point(cells: list[int]) -> None:
    """Closing finds the contradiction that a general solver finds, and no other."""
    assert (z.close(cells) is not None) == solver_says(cells)


@settings(max_examples=60, deadline=None)
@given(bounds(), st.integers(0, CLOCKS), st.integers(0, CLOCKS), st.integers(-12, 12))
def test_a_further_bound_cuts_the_zone_exactly(
    cells: list[int], left: int, right: int, bound: int
) -> None:
    """Adding one bound to a closed zone gives what closing everything anew gives."""
    zone = z.close(cells)
    if zone is None or left == right:
        return
    cut = z.constrain(zone, left, right, bound)
    n = z.size(zone)
    anew = list(zone)
    anew[left * n + right] = min(anew[left * n + right], bound)
    assert cut == z.close(anew)
    assert (cut is not None) == solver_says(list(zone), ((left, right, bound),))


@settings(max_examples=80, deadline=None)
@given(bounds())
def test_results_of_closed_zones_are_closed(cells: list[int]) -> None:
    """Delay and renaming need no closing afterwards."""
    zone = z.close(cells)
    if zone is None:
        return
    assert z.close(z.delay(zone)) == z.delay(zone)
    for sources in ((1, 0, 3), (2, 2), (0, 0, 0), (3,), ()):
        moved = z.move(zone, sources)
        assert z.close(moved) == moved


@settings(max_examples=40, deadline=None)
@given(bounds(2), st.integers(1, 12), st.integers(0, 12), st.integers(0, 12))
def test_delay_reaches_exactly_the_later_points(
    cells: list[int], later: int, first: int, second: int
) -> None:
    """A point (in halves) is in the delayed zone if and only if some earlier point is in the zone.

    The bounds are whole numbers and there are two clocks, so quarters of a unit are fine enough.
    """
    zone = z.close(cells)
    if zone is None:
        return

    def inside(zone: z.Zone, point: tuple[float, ...]) -> bool:
        values = (0.0, *point)
        return all(
            bound >= z.INFINITY
            or (values[i] - values[j] <= bound >> 1 if bound & 1
                else values[i] - values[j] < bound >> 1)
            for i in range(3) for j in range(3)
            for bound in [zone[i * 3 + j]]
        )

    point = (first / 2, second / 2)
    quarters = range(1, int(min(point) * 4) + 1)
    expected = any(inside(zone, (point[0] - q / 4, point[1] - q / 4)) for q in quarters)
    assert inside(z.delay(zone), point) == expected
    assert later > 0


def test_bounds_read_as_they_are_written() -> None:
    """Strict and non-strict bounds order, add and print as inequalities do."""
    assert z.below(5) < z.at_most(5) < z.below(6)
    assert z.add(z.at_most(2), z.at_most(3)) == z.at_most(5)
    assert z.add(z.at_most(2), z.below(3)) == z.below(5)
    assert z.add(z.INFINITY, z.below(3)) == z.INFINITY
    zone = z.constrain(z.delay(z.origin(2)), 1, 0, z.below(20))
    assert zone is not None
    assert z.text(zone, ["a", "b"]) == "a in (0, 20) ns; b in (0, 20) ns"
    assert z.text(z.delay(z.origin(1)), ["a"]) == "a in (0, inf) ns"
    assert z.constrain(zone, 0, 1, z.at_least(20)) is None
    assert z.constrain(zone, 0, 1, z.sooner(19)) is not None
    assert z.includes(z.delay(z.origin(2)), zone)
    assert not z.includes(zone, z.delay(z.origin(2)))
