"""Published and measured figures of cells."""

from __future__ import annotations

import tomllib

import numpy as np
import pytest

from simfw.circuit import Circuit, LoadSet
from simfw.circuit.curves import built_in_curve
from simfw.circuit.endurance import discharge, fl1_end_s
from simfw.gadget.model import Gadget
from tests.reference import pouch


def cell(text: str, rest: str = "") -> Circuit:
    """A bare cell."""
    head = '[gadget]\nname = "Published"\n[cell]\n'
    return Circuit(Gadget.model_validate(tomllib.loads(head + text + rest)))


LAMP = LoadSet(drives=(("lamp", 1.0, -1),))


@pytest.mark.parametrize("rate", pouch.FILES)
def test_measured_pouch_cell_to_its_end(rate):
    """A measured LCO pouch cell at 0.1C, 0.5C and 1C to 3.0 V: within 5 % (source: tests/data)."""
    measured = pouch.measured_hours(rate, 3.01)
    assert pouch.our_hours(rate, 3.01) == pytest.approx(measured, rel=0.05)


@pytest.mark.parametrize("rate", [0.5, 1.0])
def test_measured_pouch_cell_needs_its_resistance(rate):
    """At 3.6 V a missing resistance is far off, so the comparison can tell."""
    measured = pouch.measured_hours(rate, 3.6)
    assert pouch.our_hours(rate, 3.6, ohm=0.0) > 1.1 * measured
    assert pouch.our_hours(rate, 3.6) == pytest.approx(measured, rel=0.07)


def test_slow_resistance_is_about_three_times_the_first_second():
    """The same cell: 73 mohm between discharges, 24 mohm in the first second at 1C."""
    assert pouch.slow_resistance_ohm() == pytest.approx(0.073, rel=0.1)
    assert pouch.slow_resistance_ohm() / pouch.first_second_ohm() == pytest.approx(3.2, rel=0.15)


@pytest.mark.parametrize(
    ("curve", "capacity_ah", "ohm", "end_v"),
    [("nmc", 5.0, 0.043, 2.5), ("lco", 2.28, 0.073, 3.0), ("nmc-150mah-pouch", 0.156, 0.43, 2.5)],
)
def test_rated_capacity_at_a_fifth(curve, capacity_ah, ohm, end_v):
    """0.2 It to the end voltage delivers the rated capacity within 1 %.

    In the manner of IEC 61960-3, 7.3.1 (clause from memory): charged, rested, 0.2 It.
    """
    circuit = cell(
        f'curve = "{curve}"\ncapacity = "{capacity_ah} Ah"\nresistance = "{ohm} Ω"\n',
        f'[loads.lamp]\ncurrent = "{0.2 * capacity_ah} A"\n',
    )
    hours = discharge(circuit, LAMP, stop_v=end_v).run_time_s / 3600
    assert 0.2 * capacity_ah * hours == pytest.approx(capacity_ah, rel=0.01)


def test_coin_cell_falls_below_2_8_volts_after_170_of_240_mah():
    """A CR2032: sharply down from 2.8 V, which it reaches after about 170 of its 240 mAh.

    "Driving circuits from a CR2032 lithium coin cell", Interactive Matter Lab, 29 August 2009.
    """
    curve = built_in_curve("lithium-primary")
    volts = np.interp(1 - 170 / 240, curve.charge, curve.voltage_v)
    assert volts == pytest.approx(2.8, abs=0.03)


def test_a_coin_cell_at_30_microamperes_lasts_under_a_year():
    """200 mAh to 2 V at 30 uA: under a year (J. Ganssle, "Leaks and Drains"); 6667 h."""
    circuit = cell(
        'curve = "coin-primary"\ncapacity = "200 mAh"\n', '[loads.lamp]\ncurrent = "30 uA"\n'
    )
    hours = discharge(circuit, LAMP).run_time_s / 3600
    assert hours == pytest.approx(6667, abs=1)
    assert hours < 8766


def test_self_discharge_as_a_current():
    """100 mAh losing 1.5 % in a month of 720 h: 2.08 uA (derived), here 1.4 % less a month."""
    circuit = cell('curve = "lco"\ncapacity = "100 mAh"\nself_discharge = "1.5 %/month"\n')
    amps = circuit.solve(LoadSet(), 1.0).consumers_a[0, 0]
    assert amps == pytest.approx(2.08e-6 * 720 / 730.5, rel=0.01)


@pytest.mark.parametrize(
    ("days", "left"), [(30, 0.95), (28, 0.90)]
)
def test_two_per_cent_a_month_satisfies_makers_sheets(days, left):
    """2 to 3 % a month (daviddarling.info) keeps 95 % for 30 days (yokenergy.com), 90 % for 28."""
    for share in ("2", "3"):
        circuit = cell(f'curve = "lco"\ncapacity = "1 Ah"\nself_discharge = "{share} %/month"\n')
        rate = circuit.solve(LoadSet(), 1.0).consumers_a[0, 0] / circuit.capacity_c
        assert np.exp(-rate * days * 86400) > left


def test_run_time_of_a_200_lumen_lamp():
    """FL 1: 200 lm at 30 s, run time to 20 lm; at 21 lm it still runs (elzetta.com/blog)."""
    hours = np.array([0.0, 30 / 3600, 1.0, 2.0, 3.0, 4.0]) * 3600
    lumens = np.array([230.0, 200.0, 150.0, 21.0, 19.0, 5.0])
    end = fl1_end_s(hours, lumens)
    assert end == pytest.approx(2.5 * 3600, abs=30)
    assert float(np.interp(end, hours, lumens)) == pytest.approx(20.0)
    assert fl1_end_s(hours[:4], lumens[:4]) is None
    # Judged against the light at switch-on instead, 21 lm would already be the end.
    assert lumens[3] < 0.1 * lumens[0]
