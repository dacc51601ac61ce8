"""Values of figures as texts."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simfw.gadget.dimensions import value_text
from simfw.quantity import read_number
from simfw.units import DIMENSIONS, TIME, Dimension


@pytest.mark.parametrize("dimension", DIMENSIONS, ids=lambda dimension: dimension.name)
@given(st.floats(1e-6, 1e4))
def test_what_is_shown_reads_as_the_same_value(dimension: Dimension, value: float) -> None:
    """With a unit of its own dimension, and to the digits shown."""
    scale = 1e9 if dimension is TIME else 0.01 if "share" in dimension.name else 1.0
    text = value_text(value * scale, dimension, 6)
    assert float(read_number(text, dimension)) == pytest.approx(value * scale, rel=1e-4)


def test_an_area_an_angle_and_a_temperature_have_a_unit() -> None:
    """As has a resistance to heat."""
    by_name = {dimension.name: dimension for dimension in DIMENSIONS}
    assert value_text(0.008, by_name["an area"]) == "8000 mm2"
    assert value_text(0.4363323, by_name["an angle"]) == "25 deg"
    assert value_text(25.0, by_name["a temperature"]) == "25 degC"
    assert value_text(60.0, by_name["a thermal resistance"]) == "60 K/W"
    assert value_text(0.02, by_name["a current"]) == "20 mA"
    assert value_text(1.5e-8, by_name["a charge"]) == "15 nC"  # a wake-up; in Ah nobody reads it
    assert value_text(1800.0, by_name["a charge"]) == "500 mAh"
