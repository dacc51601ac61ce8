"""The intervals against a second way to find them: every point of a fine grid, by closed forms.

It knows nothing of simfw: a straight cell without resistance, three constant drains.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from simfw.benchlog.narrowing import narrow
from tests.benchlog.lantern import bar_charge, interval, log_of

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
FINE = 161


def test_the_ends_are_those_of_an_exhaustive_grid(tmp_path: Path):
    """Three figures, three observations: each end within 2 % of its range."""
    found = narrow(log_of(tmp_path, LOG), brief=True)
    ranges = {"cell.capacity": (350 * 3.6, 650 * 3.6), "cell.leakage": (10e-6, 80e-6),
              "loads.lamp.current": (45e-3, 75e-3)}
    q, leak, lamp = np.meshgrid(*(np.linspace(*ends, FINE) for ends in ranges.values()),
                                indexing="ij")
    used = leak * 130 * 86_400 / q  # of the charge, in the drawer
    fits = (1.0 - used < bar_charge(3)) & (1.0 - used >= bar_charge(2))
    took = (1.0 - bar_charge(3)) * q / (lamp + leak)
    fits &= np.abs(took - 7200.0) <= 480.0
    fits &= np.abs(lamp + leak - 61e-3) <= 4e-3
    for values, (key, (low, high)) in zip((q, leak, lamp), ranges.items(), strict=True):
        one, near = interval(found, key), 0.02 * (high - low)
        assert abs(one.low - values[fits].min()) <= near, key
        assert abs(one.high - values[fits].max()) <= near, key
        assert one.low <= values[fits].min() + 1e-9 * high
        assert one.high >= values[fits].max() - 1e-9 * high
