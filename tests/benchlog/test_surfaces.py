"""What surfaces say of many points is worked out once, and says the same."""

from __future__ import annotations

import math

import numpy as np
import pytest

from simfw.benchlog import edge
from simfw.benchlog.constraint import Constraint, offs_of
from simfw.benchlog.edge import Edge
from simfw.benchlog.looks import low_discrepancy
from simfw.benchlog.solving import nearest_fit
from simfw.benchlog.surface import Surface


def conditions() -> list[Constraint]:
    """Between two ends, up to one, at nothing that varies, and an edge."""
    points = low_discrepancy(2, 12, 3)
    bent = points[:, 0] ** 2 + np.sin(points[:, 1])
    both = np.array([0, 2])
    return [
        Constraint(Surface(points, bent), both, 0.2, 0.9, 0.1),
        Constraint(Surface(points, 2.0 * bent), both[::-1], -math.inf, 0.9, 0.1),
        Constraint(Surface(points[:1], bent[:1]), both, 0.2, 0.9, 0.1),
        Constraint(Edge(points, bent > 0.5), both, 0.0, math.inf, 0.01),
    ]


def test_points_asked_for_again_are_not_worked_out_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """To the last bit what they are said to be off each time."""
    made, cloud = conditions(), low_discrepancy(3, 64, 7)
    each = offs_of(made, cloud)
    first = offs_of(made, cloud, again=True)
    for kind in (Surface, Edge):
        monkeypatch.setattr(kind, "many", None)
    assert (each == first).all()
    assert (each == offs_of(made, cloud, again=True)).all()
    assert len(set(each)) > 32


def test_a_gradient_is_that_of_the_values() -> None:
    """Against differences of values close by, of surfaces and of an edge."""
    for one in conditions():
        for x in low_discrepancy(2, 8, 5):
            value, slope = one.surface.ahead(x)
            assert value == pytest.approx(one.surface.many(x[None, :])[0], abs=1e-9)
            for k, step in enumerate(1e-5 * np.eye(2)):
                above, below = one.surface.many(np.array([x + step, x - step]))
                assert slope()[k] == pytest.approx((above - below) / 2e-5, abs=1e-5)


def test_gradients_are_worked_out_only_where_the_optimiser_asks(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """On the way to a point it asks for the values of many more."""
    asked = {"values": 0, "gradients": 0}
    ahead = Surface.ahead

    def counted(self: Surface, x: np.ndarray):
        value, slope = ahead(self, x)
        asked["values"] += 1

        def counted_slope() -> np.ndarray:
            asked["gradients"] += 1
            return slope()

        return value, counted_slope

    monkeypatch.setattr(Surface, "ahead", counted)
    points = low_discrepancy(2, 32, 3)
    wavy = np.sin(9.0 * points[:, 0]) * np.cos(7.0 * points[:, 1])
    both = np.array([0, 1])
    nearest_fit([Constraint(Surface(points, wavy), both, 1.5, 1.6, 0.1),
                 Constraint(Surface(points, wavy**2), both, -1.0, -0.9, 0.1)], [points[3]], 2)
    assert 0 < asked["gradients"] < asked["values"]


@pytest.mark.parametrize(("count", "figures"), [(5, 1), (24, 2), (70, 4), (90, 9)])
def test_an_edge_is_the_same_compiled_and_as_it_stands(count: int, figures: int) -> None:
    """To the last bit: what is told does not depend on what is installed."""
    rng = np.random.default_rng(count)
    points = rng.random((count, figures))
    sign = np.where(points[:, 0] + 0.2 * rng.normal(size=count) > 0.5, 1.0, -1.0)
    alike = edge._alike(points, points)
    own = alike.diagonal().copy()
    given = rng.random(count), own, np.sqrt(own), np.outer(sign, sign) * alike
    found = {weigh(*given, np.zeros(count)).tobytes() for weigh in (
        edge._weighed, edge._weighed_one_by_one, edge._compiled())}
    assert len(found) == 1
