"""The Wright omega function against its definition and against scipy's."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import wrightomega

from simfw.circuit.omega import wright_omega


def test_it_is_that_of_scipy() -> None:
    """From underflow to far beyond any diode, within a few units of the last place."""
    x = np.concatenate([np.linspace(-699.0, 800.0, 15_001), np.linspace(-3.0, 3.0, 6_001)])
    assert np.allclose(wright_omega(x), wrightomega(x), rtol=1e-14, atol=0.0)


def test_known_points() -> None:
    """The omega constant (OEIS A030178) at 0, 1 at 1, nothing left far below, the shape kept."""
    assert wright_omega(0.0) == np.float64(0.5671432904097838)
    assert wright_omega(1.0) == 1.0
    assert wright_omega(-2000.0) == 0.0
    assert wright_omega(np.zeros((2, 3))).shape == (2, 3)


@given(st.floats(min_value=-30.0, max_value=1e6))
def test_definition(x: float) -> None:
    """The value plus its logarithm is the argument."""
    w = float(wright_omega(x))
    assert abs(w + np.log(w) - x) <= 1e-14 * max(1.0, abs(x)) * 4
