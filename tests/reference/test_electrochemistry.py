"""Run and charge times against a porous-electrode model of published cells (PyBaMM)."""

from __future__ import annotations

import warnings

import pytest

from tests.reference import electrochemistry as cells

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    pytest.importorskip(
        "pybamm", reason="PyBaMM (760 MB) is not installed: pip install '.[reference]'"
    )

pytestmark = pytest.mark.filterwarnings("ignore")

CHEN, AI, *OTHERS = cells.CELLS


@pytest.mark.parametrize("cell", cells.CELLS, ids=lambda cell: cell.set_name)
def test_run_time_at_a_fifth_of_the_capacity(cell):
    """C/5 down to the cut-off: within 1 %."""
    theirs = cells.their_discharge_h(cell, 0.2)
    assert cells.our_discharge_h(cell, 0.2) == pytest.approx(theirs, rel=0.01)


@pytest.mark.parametrize("cell", [CHEN, AI], ids=lambda cell: cell.set_name)
def test_run_time_at_the_capacity_in_one_hour(cell):
    """1C down to the cut-off: within 3 %."""
    theirs = cells.their_discharge_h(cell, 1.0)
    assert cells.our_discharge_h(cell, 1.0) == pytest.approx(theirs, rel=0.03)


def test_run_time_at_a_fiftieth():
    """C/50 down to the cut-off: within 0.1 %."""
    theirs = cells.their_discharge_h(AI, 0.02)
    assert cells.our_discharge_h(AI, 0.02) == pytest.approx(theirs, rel=0.001)


@pytest.mark.parametrize("cell", [CHEN, AI], ids=lambda cell: cell.set_name)
def test_charge_time_at_half_the_capacity_an_hour(cell):
    """C/2 to a tenth: within 4 %, and within the span that is printed."""
    theirs = cells.their_charge_h(cell, 0.5, 0.1)
    ours = cells.our_charge(cell, 0.5, 0.1)
    assert ours.time_s / 3600.0 == pytest.approx(theirs, rel=0.04)
    assert ours.time_s <= theirs * 3600.0 <= ours.longest_s


def test_charge_time_at_a_fifth():
    """C/5 to a twentieth: within 1 %, and within the span that is printed."""
    theirs = cells.their_charge_h(AI, 0.2, 0.05)
    ours = cells.our_charge(AI, 0.2, 0.05)
    assert ours.time_s / 3600.0 == pytest.approx(theirs, rel=0.01)
    assert ours.time_s <= theirs * 3600.0 <= ours.longest_s
