"""The spread of a light's forward voltage."""

from __future__ import annotations

import pytest

from simfw.circuit.spread import light_spread
from tests.circuit.parts import CELL, LIGHTS, gadget

RANGED = LIGHTS.replace('"3.0 V @ 20 mA"', '"3.0 V (2.6 V .. 3.4 V) @ 20 mA"')


def test_without_a_range_all_parts_are_alike():
    """No range, no spread, and nothing is said about dark parts."""
    found = light_spread(gadget(CELL, LIGHTS), "shelf", 3.7)
    assert found.least_a == found.nominal_a == found.most_a > 0.0
    assert found.sure_above_v is None
    assert found.dark_below_v is None


def test_the_range_moves_the_whole_curve():
    """The worst part carries less, the best more; below its voltage the worst may stay dark."""
    found = light_spread(gadget(CELL, RANGED), "shelf", 3.3)
    assert found.least_a < 0.4 * found.nominal_a
    assert found.most_a > 1.5 * found.nominal_a
    assert found.sure_above_v == pytest.approx(3.4)
    assert found.dark_below_v == pytest.approx(3.15)
