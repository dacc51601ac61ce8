"""The built-in open-circuit curves and where they come from."""

from __future__ import annotations

from importlib.resources import files

import numpy as np
import pytest

from simfw.circuit.curves import BUILT_IN, built_in_curve, curve_of
from simfw.gadget.curve_file import BUILT_IN_CURVES
from tests.circuit.derive_curves import as_csv, pouch_curve

DATA = files("simfw.circuit").joinpath("data")


@pytest.mark.parametrize("name", BUILT_IN)
def test_curves_rise_from_empty_to_full(name):
    """Each table runs from charge 0 to 1 and rises all the way, within a cell's range."""
    curve = built_in_curve(name)
    assert curve.charge[0] == 0.0
    assert curve.charge[-1] == 1.0
    assert np.all(np.diff(curve.charge) > 0.0)
    assert np.all(np.diff(curve.voltage_v) > 0.0)
    assert 0.9 < curve.voltage_v[0] < curve.voltage_v[-1] < 4.25
    assert curve.charge.size <= 401


def test_names_are_those_the_loader_knows():
    """Every table can be named in a file, and no other name can."""
    assert set(BUILT_IN) == set(BUILT_IN_CURVES)


def test_every_table_is_explained():
    """The README beside the tables gives each one's source."""
    text = DATA.joinpath("README.md").read_text(encoding="utf-8")
    for name in BUILT_IN:
        assert f"`{name}.csv`" in text


def test_pouch_curve_is_what_its_measurement_gives():
    """The `lco` table is recomputed from the raw discharge beside the tests."""
    shipped = DATA.joinpath("lco.csv").read_text(encoding="utf-8")
    assert as_csv(*pouch_curve()) == shipped


def test_own_points_become_a_curve():
    """Points of a file become arrays."""
    curve = curve_of(((0.0, 3.0), (1.0, 4.0)))
    assert curve.voltage_v.tolist() == [3.0, 4.0]
