"""How far off something is, in tolerances."""

from __future__ import annotations

import math

import pytest

from simfw.benchlog.margin import between


def test_the_example_of_the_documentation_comes_out():
    """0.158477 mA beside 0.11 mA ± 0.02 mA: by hand, as `explanation/narrowing.md` tells it."""
    low_a, high_a = 0.09e-3, 0.13e-3
    middle_a = math.sqrt(low_a * high_a)
    up, down = math.log(high_a / middle_a), low_a / middle_a - 1
    by_hand = (math.log(0.158477e-3 / middle_a) - (up + down) / 2) / ((up - down) / 2)
    found = between(0.158477e-3, low_a, high_a, "A").off
    assert found == pytest.approx(by_hand, rel=1e-12)
    assert round(found, 2) == 2.13
    assert between(low_a, low_a, high_a, "A").off == pytest.approx(1.0, rel=1e-12)
    assert between(high_a, low_a, high_a, "A").off == pytest.approx(1.0, rel=1e-12)
