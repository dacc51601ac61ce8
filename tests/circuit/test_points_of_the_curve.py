"""However many points draw the cell's curve, times are those of its shape."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from simfw.circuit import Circuit, LoadSet
from simfw.circuit.endurance import ChargeTime, charge_time, discharge, light_run_time
from simfw.loading import load_gadget

POINTS = (2, 11, 401)
V0, SLOPE = 3.0, 1.2  # V at charge 0, V over the whole charge
OHM, CAPACITY_C = 0.5, 3600.0
TEXT = """
[gadget]
name = "Straight line"
[cell]
curve = "line.csv"
capacity = "1000 mAh"
resistance = "500 mΩ"
cut_off = "3.2 V"
[charger]
current = "500 mA"
float = "4.0 V"
finish = "10 %"
[loads.steady]
current = "200 mA"
[loads.resistor]
resistance = "15R"
[lights.lamp]
leds = 2
forward = ["2.75 V @ 5 mA", "3.0 V @ 20 mA"]
resistor = "10R"
"""


def circuit_of(folder: Path, points: int, text: str = TEXT) -> Circuit:
    """The circuit whose cell has a straight line through so many points as its curve."""
    rows = [f"{s:.17g},{V0 + SLOPE * s:.17g}" for s in np.linspace(0.0, 1.0, points)]
    (folder / "line.csv").write_text("charge,voltage_v\n" + "\n".join(rows) + "\n")
    (folder / "gadget.toml").write_text(text, encoding="utf-8")
    return Circuit(load_gadget(folder / "gadget.toml"))


def on(name: str) -> LoadSet:
    """One thing that is on."""
    return LoadSet(drives=((name, 1.0, -1),))


@pytest.mark.parametrize("points", POINTS)
def test_a_steady_load_on_a_straight_curve_is_arithmetic(tmp_path: Path, points: int) -> None:
    """I until V0 + k s - I R meets the cut-off: capacity times (1 - s) over I."""
    left = (3.2 + 0.2 * OHM - V0) / SLOPE
    walk = discharge(circuit_of(tmp_path, points), on("steady"))
    assert walk.ended_by == "protection"
    assert walk.run_time_s == pytest.approx(CAPACITY_C * (1.0 - left) / 0.2, rel=1e-9)


@pytest.mark.parametrize("points", POINTS)
def test_a_resistor_on_a_straight_curve_takes_a_logarithm(tmp_path: Path, points: int) -> None:
    """I = OCV / (R + Rl), so the time is C (R + Rl) / k ln(OCV at full / OCV at the cut-off)."""
    total = OHM + 15.0
    low = 3.2 * total / 15.0
    expected = CAPACITY_C * total / SLOPE * math.log((V0 + SLOPE) / low)
    walk = discharge(circuit_of(tmp_path, points), on("resistor"))
    assert walk.run_time_s == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("points", POINTS)
def test_a_charge_of_a_straight_curve_is_a_ramp_and_an_exponential(
    tmp_path: Path, points: int
) -> None:
    """C s / I up to the float voltage, then a decay with C R / k down to the finish current."""
    ramp = CAPACITY_C * (4.0 - 0.5 * OHM - V0) / SLOPE / 0.5
    taper = CAPACITY_C * OHM / SLOPE * math.log(10.0)
    found = charge_time(circuit_of(tmp_path, points), LoadSet())
    assert found.ends
    assert found.time_s == pytest.approx(ramp + taper, rel=1e-6)


def test_a_light_runs_as_long_whatever_the_points(tmp_path: Path) -> None:
    """Run times to a tenth of the light and to the cut-off, and a charge that starts midway."""
    low = TEXT.replace("3.2 V", "2.5 V").replace("2.75 V @ 5 mA", "3.3 V @ 5 mA").replace(
        "3.0 V @ 20 mA", "3.6 V @ 20 mA")
    lights, times, starts = [], [], []
    for points in POINTS:
        lights.append(light_run_time(circuit_of(tmp_path, points), "lamp", on("lamp")))
        times.append(light_run_time(circuit_of(tmp_path, points, low), "lamp", on("lamp")))
        starts.append(charge_time(circuit_of(tmp_path, points), LoadSet(), start=0.37))
    assert {one.ended_by for one in lights} == {"protection"}
    assert {one.ended_by for one in times} == {"10 %"}
    for found in (lights, times):
        seconds = [one.run_time_s for one in found]
        assert seconds == pytest.approx([seconds[-1]] * len(POINTS), rel=1e-6)
    _same([*starts])


def _same(found: list[ChargeTime]) -> None:
    assert all(one.ends for one in found)
    assert [one.time_s for one in found] == pytest.approx([found[-1].time_s] * len(found), rel=1e-6)
