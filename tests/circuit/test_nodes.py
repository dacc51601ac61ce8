"""The charges at which a load set is tabulated: those that halving finds, with few solutions."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from simfw.circuit.circuit import Solution
from simfw.circuit.nodes import RELATIVE_ERROR, refined

_FINEST = 1e-9  # no piece of the charge (0 to 1) that is shorter is halved
_WIDEST = 0.125  # and any that is longer is, however straight


class Bent:
    """Two consumers and a voltage over the charge, with corners; counts how often it is asked."""

    def __init__(self, corners: list[float], curve: float, bend: float = 0.05) -> None:
        self.corners, self.curve, self.bend = corners, curve, bend
        self.calls = self.points = 0

    def __call__(self, charge: np.ndarray) -> Solution:
        """What is found at some charges."""
        self.calls += 1
        self.points += len(charge)
        amps = 0.1 + self.curve * charge**2
        for number, corner in enumerate(self.corners):
            amps = amps + self.bend * (number + 1) * np.abs(charge - corner)
        return Solution(
            consumers_a=np.stack([amps, 0.5 * charge]), charger_a=np.zeros_like(charge),
            voltage_v=3.0 + charge, open_circuit_v=3.0 + charge, supply_v=3.0 + charge,
            short=np.zeros(len(charge), dtype=bool))


def halved(solve: Bent, nodes: list[float]) -> list[float]:
    """The same charges found piece by piece: each is halved until its middle is on its line."""
    def rows(charge: float) -> np.ndarray:
        one = solve(np.array([charge]))
        return np.concatenate([one.consumers_a[:, 0], one.charger_a, one.voltage_v])

    found = list(nodes)
    left = list(pairwise(nodes))
    while left:
        low, high = left.pop()
        middle = 0.5 * (low + high)
        there = rows(middle)
        wrong = np.abs(there - 0.5 * (rows(low) + rows(high)))
        errs = (wrong[:-1] > max(RELATIVE_ERROR * np.abs(there[:-1]).sum(), 1e-18)).any() or (
            wrong[-1] > 4.0 * RELATIVE_ERROR)
        if (errs and high - low > _FINEST) or high - low > _WIDEST:
            found.append(middle)
            left += [(low, middle), (middle, high)]
    return sorted(found)


@settings(max_examples=8, deadline=None)
@given(
    st.lists(st.floats(0.01, 0.99), max_size=2), st.floats(0.0, 0.02),
    st.sampled_from([2, 3, 11]),
)
def test_charges_are_those_that_halving_piece_by_piece_finds(
    corners: list[float], curve: float, count: int
) -> None:
    """However many halvings are solved for in one call, and with what they are found."""
    solve = Bent(corners, curve)
    begin = np.linspace(0.0, 1.0, count)
    nodes, table = refined(solve, begin)
    assert nodes.tolist() == halved(Bent(corners, curve), begin.tolist())
    exact = solve(nodes)
    assert (table[:2] == exact.consumers_a).all()
    assert (table[-1] == exact.voltage_v).all()


def test_a_corner_is_closed_in_with_few_solutions() -> None:
    """A call costs more than its points: the eighteen halvings of a corner take five calls."""
    solve = Bent([0.4321], 0.0, bend=100.0)
    nodes, _ = refined(solve, np.linspace(0.0, 1.0, 401))
    assert np.diff(nodes).min() <= 1e-8
    assert len(nodes) >= 401 + 18
    assert solve.calls <= 5
    assert solve.points < 801 + 5 * 130
