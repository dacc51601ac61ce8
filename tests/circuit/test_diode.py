"""The diode law and its fit to datasheet points."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simfw.circuit.diode import THERMAL_V, Diode, NotADiodeError, fit_diode

WHITE = [(2.75, 1e-3), (3.20, 20e-3)]


@pytest.mark.parametrize(
    "points",
    [WHITE, [(1.2, 0.02), (1.35, 0.1)], [(1.9, 2e-3), (2.05, 10e-3)], [(2.0, 2e-3), (2.2, 10e-3)]],
)
def test_two_points_lie_on_the_curve(points):
    """The fitted law passes through both points exactly, with emission coefficient 2."""
    diode = fit_diode(points)
    assert diode.emission == 2.0
    assert diode.series_ohm > 0.0
    for volts, amps in points:
        assert float(diode.voltage_v(amps)) == pytest.approx(volts, rel=1e-12)


def test_order_of_the_points_does_not_matter():
    """Points may be written in any order."""
    assert fit_diode(WHITE) == fit_diode(WHITE[::-1])


def test_steep_pair_has_no_resistance_and_its_own_emission_coefficient():
    """Where two points would need a negative resistance it is 0 and the emission is solved for."""
    points = [(2.90, 5e-3), (2.95, 20e-3)]
    diode = fit_diode(points)
    assert diode.series_ohm == 0.0
    assert 1.0 < diode.emission < 2.0
    for volts, amps in points:
        assert float(diode.voltage_v(amps)) == pytest.approx(volts, rel=1e-9)


@given(
    exponent=st.floats(-28.0, -9.0), emission=st.floats(1.2, 4.0), series=st.floats(0.0, 30.0)
)
def test_three_points_give_the_law_back(exponent, emission, series):
    """Points taken from a known law give that law's parameters back."""
    true = Diode(saturation_a=10.0**exponent, emission=emission, series_ohm=series)
    amps = [1e-3, 5e-3, 20e-3, 50e-3]
    fitted = fit_diode([(float(true.voltage_v(i)), i) for i in amps])
    assert fitted.emission == pytest.approx(emission, rel=1e-3)
    assert fitted.series_ohm == pytest.approx(series, rel=1e-3, abs=1e-3)
    for amp in amps:
        assert float(fitted.voltage_v(amp)) == pytest.approx(float(true.voltage_v(amp)), rel=1e-6)


def test_many_points_without_visible_resistance():
    """A fit that would want a negative resistance is made without one."""
    true = Diode(saturation_a=1e-18, emission=2.5, series_ohm=0.0)
    bend = [0.0, 0.004, 0.004, 0.0]
    amps = [1e-3, 5e-3, 20e-3, 50e-3]
    points = [(float(true.voltage_v(i)) + b, i) for i, b in zip(amps, bend, strict=True)]
    assert fit_diode(points).series_ohm == 0.0


def test_straight_points_keep_an_ideal_junction():
    """Points on a straight line are explained by resistance behind an ideal junction."""
    diode = fit_diode([(2.0, 1e-3), (2.02, 2e-3), (2.04, 3e-3), (2.08, 5e-3)])
    assert diode.emission == 1.0
    assert diode.series_ohm > 10.0


@pytest.mark.parametrize(
    ("points", "said"),
    [
        ([(2.0, 1e-3)], "two points at least are needed"),
        ([(2.0, 1e-3), (1.9, 2e-3)], "the voltage has to rise with the current"),
        ([(2.0, 1e-3), (2.1, 1e-3)], "the voltage has to rise with the current"),
        ([(2.0, 0.0), (2.1, 1e-3)], "every point needs a voltage and a current above zero"),
        ([(0.1, 1e-3), (3.2, 20e-3)], "the line through the points passes below zero"),
        ([(2750.0, 5e-3), (3000.0, 20e-3)], "the voltage is far beyond that of one diode"),
        ([(0.01, 1e-3), (0.5, 2e-3), (5.0, 3e-3)], "no diode passes near these points"),
    ],
)
def test_points_that_are_no_diode_are_refused(points, said):
    """What cannot be a diode is refused with a reason."""
    with pytest.raises(NotADiodeError, match=said):
        fit_diode(points)


@given(volts=st.floats(0.0, 12.0), ohm=st.floats(0.0, 1e5))
def test_closed_form_solves_the_law(volts, ohm):
    """The closed form's current, put back into the law, gives the voltage."""
    diode = fit_diode(WHITE)
    amps = float(diode.current_a(volts, ohm))
    assert amps >= 0.0
    total = float(diode.voltage_v(amps)) + amps * ohm
    # Below a few thermal voltages the current itself is at the edge of float resolution.
    assert total == pytest.approx(volts, rel=1e-9, abs=0.01 if volts < 1.0 else 1e-9)


def test_slope_is_the_derivative():
    """The differential resistance is the slope of the voltage."""
    diode = fit_diode(WHITE)
    step = 1e-7
    numeric = (diode.voltage_v(5e-3 + step) - diode.voltage_v(5e-3 - step)) / (2 * step)
    assert float(diode.slope_ohm(5e-3)) == pytest.approx(float(numeric), rel=1e-6)


def test_bare_diode_has_a_current():
    """No resistance at all is no error: the current is only very large."""
    ideal = Diode(saturation_a=1e-18, emission=2.0, series_ohm=0.0)
    assert 0.0 < float(ideal.current_a(1.5, 0.0)) < np.inf
    assert pytest.approx(0.025693, abs=1e-6) == THERMAL_V
