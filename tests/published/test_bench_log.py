"""A bench log made of a published figure is narrowed to the published value."""

from __future__ import annotations

from pathlib import Path

import pytest

from simfw.benchlog.narrowing import narrow
from simfw.loading import load_bench_log

# "Calculating sensor battery life", iocare.in/post/calculating-sensor-battery-life: 28 mA, 0.65 s,
# 31 mA for 50 ms, 120 uA for 900 s on a cell of 2000 mAh: 0.142 mA on the mean, 14,101 h.
GADGET = """
[gadget]
name = "Sensor"
[cell]
curve = "line.csv"
capacity = "2000 mAh"
[loads]
idle = { current = "120 uA" }
measuring = { current = "28 mA" }
sending = { current = "31 mA" }
[behaviour.work]
starts = "rest"
states.rest = { idle = "on" }
states.measure = { measuring = "on" }
states.send = { sending = "on" }
rows = [
  { after = "900 s", from = "rest", to = "measure" },
  { after = "650 ms", from = "measure", to = "send" },
  { after = "50 ms", from = "send", to = "rest" },
]
"""
LOG = """
gadget = "gadget.toml"
[unknown]
"loads.idle.current" = "40 uA .. 400 uA"
[[observations]]
name = "half of it is gone"
start = "full"
steps = [{ until = "cell.charge < 0.5", took = "7050.5 h ± 20 h" }]
"""


def test_the_standby_of_a_sensor_is_told_by_how_long_its_cell_lasts(tmp_path: Path):
    """Half of 14,101 h within 20 h: 120 uA within half a microampere, as published."""
    (tmp_path / "line.csv").write_text("charge,voltage_v\n0,2.0\n1,3.0\n", encoding="utf-8")
    (tmp_path / "gadget.toml").write_text(GADGET, encoding="utf-8")
    (tmp_path / "log.toml").write_text(LOG, encoding="utf-8")
    (one,) = narrow(load_bench_log(tmp_path / "log.toml"), brief=True).intervals
    assert one.low < 120e-6 < one.high
    assert one.high - one.low < 1.1e-6


# MCP73831/2 datasheet (Microchip DS20001984), "fast-charge current regulation":
# I (mA) = 1000 V / R (kilohm), so that 5 kilohm at the PROG pin gives 200 mA.
CHARGED = """
[gadget]
name = "Charged"
[cell]
curve = "line.csv"
capacity = "650 mAh"
[charger]
current = "300 mA"
float = "4.2 V"
finish = "7.5 %"
status = "low while charging"
input = { voltage = "5 V" }
"""
CHARGE_LOG = """
gadget = "gadget.toml"
[unknown]
"charger.current" = "15 mA .. 500 mA"
[[observations]]
name = "from a fifth to three fifths"
start = "20 %"
steps = [{ usb = true }, { until = "cell.charge > 0.6", took = "78 min ± 1 min" }]
"""


def test_the_current_of_a_charger_is_told_by_how_long_a_charge_takes(tmp_path: Path):
    """260 mAh in 78 min: the 200 mA that the formula gives for a resistor of 5 kilohm."""
    (tmp_path / "line.csv").write_text("charge,voltage_v\n0,3.0\n1,4.1\n", encoding="utf-8")
    (tmp_path / "gadget.toml").write_text(CHARGED, encoding="utf-8")
    (tmp_path / "log.toml").write_text(CHARGE_LOG, encoding="utf-8")
    (one,) = narrow(load_bench_log(tmp_path / "log.toml"), brief=True).intervals
    published_a = 1.0 / 5.0
    assert one.low < published_a < one.high
    assert (one.low, one.high) == pytest.approx((0.26 * 60 / 79, 0.26 * 60 / 77), rel=2e-3)
