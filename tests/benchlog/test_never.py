"""What never comes for some figures: the edge of what comes is a condition of its own."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from simfw.benchlog.edge import Edge, towards
from simfw.benchlog.looks import low_discrepancy
from simfw.benchlog.margin import Margin, comes
from simfw.benchlog.model import BenchLog
from simfw.benchlog.narrowing import narrow
from simfw.benchlog.search import Rival
from tests.benchlog.lantern import interval, log_of
from tests.benchlog.planted import OFF, plant

AMPERES, COULOMBS = 0.118, 305 * 3.6
TOOK_S = 0.25 * COULOMBS / AMPERES  # from full to 3.9 V, three quarters of a straight line
GOES_OUT = f"""
[[questions]]
name = "automatic off"
[[questions.answers]]
name = "after 45 min"
{OFF}
"""

BAR_OUT = f"""
[[observations]]
name = "bar out"
start = "full"
steps = [{{ press = "key" }}, {{ until = "gauge == 2", took = "{TOOK_S:.0f} s ± 60 s" }}THEN]
"""
ABOVE = ', { see = "cell.voltage > 3.85" }'


def lamp_out(folder: Path, then: str = "") -> BenchLog:
    """Two figures of a lamp that goes out; it was lit until a bar did, and what is seen `then`."""
    return log_of(folder, f"""[unknown]
"loads.lamp.current" = "30 mA .. 120 mA"
"cell.capacity" = "300 mAh .. 800 mAh"
{GOES_OUT}{BAR_OUT.replace("THEN", then)}""", leakage="0 A")


@pytest.mark.parametrize("seed", [0, 1])
def test_what_comes_in_a_corner_only_is_found_there(tmp_path: Path, seed: int):
    """The lamp goes out after 45 min: of most figures the bar that was seen never comes.

    Charge over current: 3 in 100 of all figures show it, and the truth is one of them.
    """
    found = narrow(lamp_out(tmp_path), brief=True, seed=seed)
    assert [one.state for one in found.rivals] == ["fits"]
    amperes, coulombs = interval(found, "loads.lamp.current"), interval(found, "cell.capacity")
    assert amperes.low <= AMPERES <= amperes.high
    assert coulombs.low <= COULOMBS <= coulombs.high
    # At the ends: 300 mAh over the longest time with hand and look, 120 mA over the same.
    longest = TOOK_S + 60.3
    assert amperes.low == pytest.approx(0.25 * 1080.0 / longest, rel=2e-3)
    assert coulombs.high == pytest.approx(longest * 0.12 / 0.25, rel=2e-3)


def test_what_is_seen_after_what_few_figures_show_keeps_its_ends(tmp_path: Path):
    """The bar goes out at 3.9 V, and the cell is looked at then: more than 3.85 V, as it must be.

    Where the bar never went out no voltage is known, and such a look tells no end of it.
    """
    found = narrow(lamp_out(tmp_path, ABOVE), brief=True)
    assert [one.state for one in found.rivals] == ["fits"]
    amperes = interval(found, "loads.lamp.current")
    assert amperes.low <= AMPERES <= amperes.high
    assert amperes.low == pytest.approx(0.25 * 1080.0 / (TOOK_S + 60.3), rel=2e-3)
    assert amperes.high == pytest.approx(0.12)


def test_what_is_seen_after_what_few_figures_show_excludes_no_truth(tmp_path: Path):
    """The same with one figure that a meter tells: 118 mA shows the bar after 2326 s."""
    log = log_of(tmp_path, f"""[unknown]
"loads.lamp.current" = "30 mA .. 120 mA"
{GOES_OUT}
[[observations]]
name = "meter"
mode = "lamp.lit"
reading = "118 mA ± 1 mA"
{BAR_OUT.replace("THEN", ABOVE)}
""", leakage="0 A", capacity="305 mAh")
    found = narrow(log)
    assert [one.state for one in found.rivals] == ["fits"]
    amperes = interval(found, "loads.lamp.current")
    assert (amperes.low, amperes.high) == pytest.approx((0.117, 0.119), rel=1e-4)


@pytest.mark.parametrize("seed", [1, 2])
def test_a_state_that_few_figures_show_in_time_is_seen(tmp_path: Path, seed: int):
    """Dark after 41 min of a clock that is 9 % fast, where it may be off by a tenth."""
    log = log_of(tmp_path, f"""[unknown]
clock = "± 10 %"
"loads.lamp.current" = "30 mA .. 120 mA"
{GOES_OUT}
[[observations]]
name = "off"
start = "90 %"
steps = [{{ press = "key" }}, {{ wait = "41 min" }}, {{ see = "lamp.dark" }}]
""")
    found = narrow(log, brief=True, seed=seed)
    assert [one.state for one in found.rivals] == ["fits"]


@pytest.mark.parametrize("seed", [16, 21])
def test_a_figure_that_matters_where_few_figures_show_anything_is_asked_about(
    tmp_path: Path, seed: int,
):
    """Four figures decide when the bar goes out; at most points the lamp has gone out before.

    3.9 V is read at 3.863 V with a reference of 1.0896 V, and 115 mA through 416 mΩ takes 48 mV:
    the charge is 0.759 then, a quarter of 334 mAh is gone, and that takes 2,514 s.
    """
    amps, ohms, volts, coulombs = 0.115, 0.416, 1.0896, 1202.0
    took_s = (1.0 - (3.9 * volts / 1.1 + amps * ohms - 3.0) / 1.2) * coulombs / amps
    found = narrow(log_of(tmp_path, f"""[unknown]
"loads.lamp.current" = "30 mA .. 120 mA"
"cell.capacity" = "300 mAh .. 800 mAh"
"controller.reference" = "1.067 V .. 1.133 V"
"cell.resistance" = "50 mΩ .. 600 mΩ"
{GOES_OUT}
[[observations]]
name = "meter"
mode = "lamp.lit"
reading = "115 mA ± 1 mA"
[[observations]]
name = "bar out"
start = "full"
steps = [{{ press = "key" }}, {{ until = "gauge == 2", took = "{took_s:.0f} s ± 60 s" }}]
""", leakage="0 A"), brief=True, seed=seed)
    assert [one.state for one in found.rivals] == ["fits"]
    held = interval(found, "cell.capacity")
    assert held.low <= coulombs <= held.high
    assert set(found.rivals[0].decided_by["bar out"]) == {one.key for one in found.log.unknowns}


FIGURES = """[unknown]
"loads.lamp.current" = "30 mA .. 120 mA"
"cell.capacity" = "300 mAh .. 800 mAh"
[[questions]]
name = "automatic off"
[[questions.answers]]
name = "none"
[[questions.answers]]
name = "after 45 min"
"""


def test_a_charge_that_its_load_nearly_keeps_up_is_not_excluded(tmp_path: Path):
    """It ends below a tenth of the charger's current: 23.7 mA of the lamp ask for 237 mA or more.

    Of all figures that few show that; the first looks put the edge far from where it is.
    """
    log = log_of(tmp_path, """[unknown]
"loads.lamp.current" = "5 mA .. 60 mA"
"cell.capacity" = "300 mAh .. 800 mAh"
"charger.current" = "120 mA .. 250 mA"
[[observations]]
name = "charge"
start = "30 %"
steps = [{ press = "key" }, { wait = "1 s" }, { usb = true },
         { until = "charge.complete", took = "9931.43 s ± 498.00 s" }]
[[observations]]
name = "meter"
mode = "lamp.lit"
charge = "80 %"
reading = "23.5809 mA ± 0.2968 mA"
""", resistance="200 mΩ", leakage="10 uA")
    rival = Rival(log, (), seed=15, most=4000)
    rival.prepare()
    assert rival.least(rival.all)[0] != "excluded"


def test_what_comes_much_too_late_or_never_is_excluded(tmp_path: Path):
    """The lamp went out after 45 min. Without an automatic off it does so where the cell is empty:
    300 mAh are gone after 2 h 15 min with 120 mA from 90 %, and never in time with less.
    """
    found = narrow(log_of(tmp_path, f"""{FIGURES}{OFF}
[[observations]]
name = "meter"
mode = "lamp.lit"
reading = "85 mA ± 1 mA"
[[observations]]
name = "off"
start = "90 %"
steps = [{{ press = "key" }}, {{ until = "lamp.dark", took = "45 min ± 30 s" }}]
"""), brief=True)
    assert [one.state for one in found.rivals] == ["excluded", "fits"]
    assert [one.observations for one in found.rivals[0].contradictions] == [("off",)]


def test_what_a_part_of_the_observations_excludes_is_excluded(tmp_path: Path):
    """It was lit after 70 min, and one bar went out later: an automatic off after 45 min excludes
    both whatever the figures are, where another bar goes out in time with some figures only.
    """
    log = plant(tmp_path, 36, 1).log
    gadgets = {key: value for key, value in log.gadgets.items() if key == (1, 0)}
    found = narrow(replace(log, gadgets=gadgets), brief=True, runs=4000, seed=1)
    assert [one.state for one in found.rivals] == ["excluded"]
    assert ("off",) in [one.observations for one in found.rivals[0].contradictions]


@settings(max_examples=25, deadline=None)
@given(st.integers(1, 5), st.integers(0, 99), st.floats(0.3, 0.7))
def test_an_edge_parts_what_came_from_what_did_not(size: int, seed: int, at: float):
    """A plane somewhere: every look on its side, few others wrong, and a true gradient."""
    points = low_discrepancy(size, 64, seed)
    lean = np.cos(np.arange(size) + seed)

    def inside(xs: np.ndarray) -> np.ndarray:
        return (xs - at) @ lean > 0.0

    came = inside(points)
    assume(came.any() and not came.all())
    edge = Edge(points, came)
    assert ((edge.many(points) > 0.0) == came).all()
    others = low_discrepancy(size, 256, seed + 1)
    assert ((edge.many(others) > 0.0) != inside(others)).mean() < 0.15
    value, slope = edge.at(others[0])
    assert value == pytest.approx(edge.many(others[:1])[0])
    moved = [(edge.at(others[0] + 1e-6 * one)[0] - value) / 1e-6 for one in np.eye(size)]
    assert slope == pytest.approx(moved, abs=1e-4)


def test_a_sliver_beside_the_edge_is_closed_in_on():
    """It comes later and later towards 0.7 and never beyond; what was seen lies close beside."""
    def look(x: np.ndarray) -> tuple[Margin, ...]:
        z = -np.log(0.7 - x[0]) if x[0] < 0.7 else np.nan
        return (Margin(z=float(z), low=5.0, high=5.2),)

    there = look(towards(look, np.array([0.2]), np.array([1.0])))
    assert comes(there)
    assert there[0].off <= 1.0
