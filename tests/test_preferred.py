"""Preferred numbers against the standard."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simfw.preferred import is_bought, preferred_ohm


@pytest.mark.parametrize(
    ("asked", "e24", "e96"),
    # IEC 60063:2015, E24 and E96, as a public table lists them (qsl.net/g4usp/Components/
    # Component preferred values, seen 2026-11-28).
    [(81.3, 82.0, 80.6), (44.0, 43.0, 44.2), (1.04e3, 1e3, 1.05e3), (9.5e3, 9.1e3, 9.53e3),
     (0.24, 0.24, 0.243), (98.0, 100.0, 97.6), (3.3e3, 3.3e3, 3.32e3), (14.4, 15.0, 14.3)],
)
def test_the_next_value_of_a_series_is_that_of_the_standard(asked, e24, e96):
    """E24 and E96 at several decades, and over the end of one."""
    assert preferred_ohm(asked) == e24
    assert preferred_ohm(asked, "E96") == e96


@given(st.floats(1e-2, 1e7))
def test_a_preferred_value_is_near_and_stays_itself(asked):
    """No value is further away than half the widest step, and a preferred one is its own."""
    for series, widest in (("E24", 1.5 / 1.3), ("E96", 1.05 / 1.02)):
        found = preferred_ohm(asked, series)
        assert abs(math.log(found / asked)) <= math.log(widest) / 2 + 1e-9
        assert preferred_ohm(found, series) == found


def test_only_resistors_on_the_board_are_bought():
    """The cell's resistance and a switch's on-resistance are no parts of their own."""
    assert is_bought("lights.shelf.resistor")
    assert is_bought("charger.program")
    assert is_bought("pins.usb_sense.to_ground")
    assert is_bought("loads.fan.resistance")
    assert not is_bought("cell.resistance")
    assert not is_bought("lights.shelf.switch.on_resistance")
