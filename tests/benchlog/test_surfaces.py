"""What surfaces say of many points is worked out once, and says the same."""

from __future__ import annotations

import math

import numpy as np
import pytest

from simfw.benchlog.constraint import Constraint, offs_of
from simfw.benchlog.edge import Edge
from simfw.benchlog.looks import low_discrepancy
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
