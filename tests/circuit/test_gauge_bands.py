"""The bands of true charge behind the bars."""

from __future__ import annotations

import numpy as np
import pytest

from simfw.circuit import Circuit, LoadSet
from simfw.circuit.counting import counting_drift
from simfw.circuit.extremes import heaviest_loads, lightest_loads
from simfw.circuit.gauge import gauge_bands, suggest_thresholds
from simfw.circuit.overview import overview
from simfw.gadget.quantities import with_values
from tests.circuit.parts import CELL, CONTROLLER, LIGHTS, gadget

GAUGE = """
[gauge]
thresholds = ["3.30 V", "3.66 V", "3.98 V"]
hysteresis = "40 mV"
"""
LIT = LoadSet(drives=(("shelf", 1.0, -1),), controller="awake")
LOADS = [LoadSet(), LIT]
ROUGH = CELL.replace('"180 mΩ"', '"180 mΩ (120 mΩ .. 400 mΩ)"')


def test_no_gauge_no_bands():
    """A gadget without a gauge, or one that counts, has no voltage bands."""
    assert gauge_bands(gadget(), LOADS) == ()
    assert suggest_thresholds(gadget(), LOADS) == ()


def test_exact_gauge_trips_at_its_voltage():
    """With an exact converter and one load the nominal edges are where the terminal is there."""
    made = gadget(CELL, GAUGE.replace('hysteresis = "40 mV"\n', ""))
    bands = gauge_bands(made, [LoadSet()])
    circuit = Circuit(made)
    for band, threshold in zip(bands[1:], (3.30, 3.66, 3.98), strict=True):
        volts = circuit.solve(LoadSet(), band.nominal_low).voltage_v[0]
        assert volts == pytest.approx(threshold, abs=1e-9)
        assert band.low == band.nominal_low
    assert bands[0].low == 0.0
    assert bands[-1].high == 1.0
    assert [band.bars for band in bands] == [0, 1, 2, 3]


def test_bands_enclose_every_reading():
    """No sampled reference, resistance, load or charge shows bars outside their band."""
    made = gadget(ROUGH, CONTROLLER, LIGHTS, GAUGE)
    bands = gauge_bands(made, LOADS)
    thresholds = np.array([3.30, 3.66, 3.98])
    rng = np.random.default_rng(7)
    charges = np.linspace(0.001, 1.0, 200)
    for _ in range(40):
        resistance, reference = rng.uniform(0.12, 0.40), 1.1 * rng.uniform(0.97, 1.03)
        varied = with_values(made, {"cell.resistance": resistance})
        circuit = Circuit(varied, reference_v=reference)
        for loads in LOADS:
            volts = circuit.solve(loads, charges).voltage_v
            for charge, volt in zip(charges, volts, strict=True):
                bars = int((circuit.measured_v(float(volt)) >= thresholds).sum())
                assert bands[bars].low - 1e-9 <= charge <= bands[bars].high + 1e-9


TWO = """
[charger]
current = "300 mA ± 10 %"
float = "4.20 V"
finish = "10 %"
precharge = { below = "3.1 V", rate = "10 %", hysteresis = "50 mV" }
[loads.fan]
current = "120 mA ± 20 %"
[behaviour.light]
starts = "off"
states.off = {}
states.shelf = { shelf = "on" }
states.bars = { bars = 3 }
rows = []
[behaviour.air]
starts = "still"
states.still = {}
states.blowing = { fan = "on" }
rows = []
"""


def test_bands_cover_two_things_at_once_loads_and_charging():
    """No state of the loads, charging or not, no part within its range shows bars outside."""
    made = gadget(ROUGH, CONTROLLER, LIGHTS, GAUGE, TWO)
    bands = overview(made).bands
    thresholds = np.array([3.30, 3.66, 3.98])
    rng = np.random.default_rng(11)
    charges = np.linspace(0.001, 1.0, 100)
    drives = [(), (("shelf", 1.0, -1),), (("fan", 1.0, -1), ("shelf", 1.0, -1)),
              (("fan", 1.0, -1),), (("bars", 1.0, 3), ("fan", 1.0, -1))]  # fmt: skip
    beyond = set()
    narrow = gauge_bands(made, [LoadSet(), LIT])
    for _ in range(25):
        varied = with_values(made, {
            "cell.resistance": rng.uniform(0.12, 0.40),
            "loads.fan.current": rng.uniform(0.096, 0.144),
            "charger.current": rng.uniform(0.27, 0.33)})  # fmt: skip
        circuit = Circuit(varied, reference_v=1.1 * rng.uniform(0.97, 1.03))
        for one in drives:
            for charger in ("off", "precharge", "fast", "complete"):
                volts = circuit.solve(
                    LoadSet(drives=one, controller="awake", charger=charger), charges).voltage_v
                for charge, volt in zip(charges, volts, strict=True):
                    if charger == "fast" and volt < 3.05:
                        continue  # it falls back to precharge
                    bars = int((circuit.measured_v(float(volt)) >= thresholds).sum())
                    assert bands[bars].low - 1e-9 <= charge <= bands[bars].high + 1e-9
                    if not narrow[bars].low <= charge <= narrow[bars].high:
                        beyond.add("charging" if charger == "fast" else "together")
    assert beyond == {"charging", "together"}  # what each light alone leaves out


def test_only_what_can_come_together_counts():
    """Two states of one region are never on at once; of two regions they are."""
    made = gadget(CELL, CONTROLLER, LIGHTS, GAUGE, TWO)
    names = [sorted(name for name, _, _ in load.drives) for load in heaviest_loads(made)]
    assert sorted(names) == [["bars", "fan"], ["fan", "shelf"]]
    assert [load.drives for load in lightest_loads(made)] == [()]
    always = TWO.replace("states.off = {}", 'states.off = { shelf = "4 %" }').replace(
        "states.bars = { bars = 3 }", 'states.bars = { bars = 3, shelf = "on" }')  # fmt: skip
    found = lightest_loads(gadget(CELL, CONTROLLER, LIGHTS, GAUGE, always))
    assert [load.drives for load in found] == [(("shelf", 0.04, -1),)]


def test_counted_bands_are_those_of_the_capacities():
    """Counted against 500 mAh on 585 to 715 mAh: a bar at 20 % goes out 400 mAh below full."""
    count = ('[gauge]\nmethod = "counting"\ncapacity = "500 mAh"\npower_up = "0 %"\n'
             'thresholds = ["20 %"]\nhysteresis = "5 %"\n')  # fmt: skip
    none, one = gauge_bands(gadget(CELL.replace('"650 mAh"', '"650 mAh ± 10 %"'), count))
    assert (none.nominal_low, none.low) == (0.0, 0.0)
    assert none.nominal_high == one.nominal_low == pytest.approx(1 - 400 / 650)
    assert none.high == pytest.approx(1 - 375 / 715)
    assert one.low == pytest.approx(1 - 400 / 585)
    assert (one.nominal_high, one.high) == (1.0, 1.0)


def test_suggested_thresholds_share_the_charge_and_are_best():
    """Each suggestion's worst error is no larger than that of any other threshold tried."""
    made = gadget(ROUGH, CONTROLLER, LIGHTS, GAUGE)
    found = suggest_thresholds(made, LOADS)
    assert [round(one.charge, 9) for one in found] == [0.25, 0.5, 0.75]
    for one in found:
        for other in np.linspace(one.threshold_v - 0.05, one.threshold_v + 0.05, 8):
            text = f'[gauge]\nthresholds = ["{other:.6f} V"]\n'
            tried = gauge_bands(gadget(ROUGH, CONTROLLER, LIGHTS, text), LOADS)
            error = max(tried[0].high - one.charge, one.charge - tried[1].low)
            assert error >= one.worst_error - 2e-3


def test_wanted_charges_may_be_given():
    """A threshold for a charge of one's own."""
    (one,) = suggest_thresholds(gadget(CELL, GAUGE), [LoadSet()], [0.2])
    assert one.worst_error < 1e-3
    assert one.threshold_v == pytest.approx(3.7187, abs=2e-3)


def test_counting_drifts_by_what_it_does_not_see():
    """Self-discharge and leakage go unseen; a cell of another capacity counts at another scale."""
    count = '[gauge]\nmethod = "counting"\ncapacity = "500 mAh"\npower_up = "0 %"\nflat = "5 %"\n'
    cell = CELL.replace('"650 mAh"', '"650 mAh ± 10 %"')
    drift = counting_drift(gadget(cell + 'leakage = "3 uA"\nself_discharge = "2 %/month"\n', count))
    unseen = 3e-6 * 86400 / 1800 + -np.log(0.98) / 30.4375 * 650 / 500
    assert drift.unseen_per_day == pytest.approx(unseen, rel=1e-9)
    assert drift.scale == pytest.approx((1.17, 1.43))
    assert counting_drift(gadget()) is None
