"""The intervals against a second way to find them: every point of fine grids, by closed forms."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from simfw.benchlog.narrowing import narrow
from tests.benchlog.lantern import bar_charge, interval, log_of
from tests.benchlog.reference import NEAR, ends, off_reference

LOG = """
[unknown]
"cell.capacity" = "350 mAh .. 650 mAh"
"cell.leakage" = "10 uA .. 80 uA"
"loads.lamp.current" = "45 mA .. 75 mA"
[[observations]]
name = "drawer"
start = "full"
by = "analyser"
steps = [{ wait = "130 days" }, { see = "gauge == 2" }]
[[observations]]
name = "run down"
start = "full"
by = "analyser"
steps = [{ press = "key", for = "100 ms" }, { until = "gauge == 2", took = "2 h ± 8 min" }]
[[observations]]
name = "meter"
mode = "lamp.lit"
reading = "61 mA ± 4 mA"
"""


def test_the_ends_are_those_of_an_exhaustive_grid(tmp_path: Path):
    """Three figures, three observations: each end within 2 % of its range."""
    found = narrow(log_of(tmp_path, LOG), brief=True)
    ranges = {"cell.capacity": (350 * 3.6, 650 * 3.6), "cell.leakage": (10e-6, 80e-6),
              "loads.lamp.current": (45e-3, 75e-3)}

    def fits(figures):
        q, leak, lamp = (figures[key] for key in ranges)
        used = leak * 130 * 86_400 / q  # of the charge, in the drawer
        good = (1.0 - used < bar_charge(3)) & (1.0 - used >= bar_charge(2))
        took = (1.0 - bar_charge(3)) * q / (lamp + leak)
        good = good & (np.abs(took - 7200.0) <= 480.0)
        return good & (np.abs(lamp + leak - 61e-3) <= 4e-3)

    known = {"cell.capacity": 1800.0, "cell.leakage": 45e-6, "loads.lamp.current": 61e-3}
    for key, (low, high) in ends(ranges, known, fits).items():
        one, near = interval(found, key), NEAR * (ranges[key][1] - ranges[key][0])
        assert abs(one.low - low) <= near, key
        assert abs(one.high - high) <= near, key
        assert one.low <= low + 1e-9 * high
        assert one.high >= high - 1e-9 * high


@pytest.mark.parametrize("number", [0, 9])
def test_ends_of_planted_cases_are_those_of_grids(tmp_path: Path, number: int):
    """Three figures and four or five noisy observations; `python -m tests.benchlog references`."""
    assert off_reference(tmp_path, number)[0] == []
