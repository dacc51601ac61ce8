"""Parts that hardly come round together: what is rare in them, and what lies outside, by hand."""

from __future__ import annotations

import pytest

from simfw.engine.modes import modes
from simfw.engine.repeat import time_left
from simfw.stimuli.scenario import Measured
from tests.engine.bench import HOUR, gadget_of, run

TRAY = """
[gadget]
name = "Tray"
[cell]
curve = "nmc"
capacity = "1000 mAh"
[controller]
awake = "2 mA"
asleep = "10 uA"
[loads]
pump = { current = "150 mA" }
[measures.soil]
unit = "%"
thresholds = ["20 %"]
every = "200 ms"
settle = "100 ms"
supply = "4 mA"
enabled = "probe.burst"
[dials.weekday]
count = 7
from = "0 %"
to = "100 %"
rows = [ { on = "midnight", step = 1, wrap = true } ]
[behaviour.probe]
starts = "idle"
states.idle = {}
states.burst = {}
rows = [
  { after = "1 h", from = "idle", to = "burst" },
  { after = "1 s", from = "burst", to = "idle" },
]
[behaviour.calendar]
starts = "day"
states.day = {}
rows = [ { after = "24 h", from = "day", to = "day", emit = "midnight" } ]
[behaviour.water]
starts = "rest"
states.rest = {}
states.flow = { pump = "on" }
rows = [
  { on = "midnight", from = "rest", to = "flow", when = "weekday == 3 and soil == 0" },
  { after = "20 s", from = "flow", to = "rest" },
]
"""
# Five looks of 100 ms in every 3601 s: awake in place of asleep, and the sensor.
LOOKING_A = 5 * 0.1 * (2e-3 - 10e-6 + 4e-3) / 3601 + 10e-6
WATER_A = 20 * 150e-3 / (7 * 86_400)


def test_what_comes_once_a_week_counts_once_a_week():
    """Twenty seconds of the pump in a week, beside looks whose hour never meets the day."""
    mode = modes(gadget_of(TRAY))[0]
    assert mode.parts_a["pump"] == pytest.approx(WATER_A, rel=1e-4)
    assert mode.current_a == pytest.approx(WATER_A + LOOKING_A, rel=1e-3)


def test_the_time_left_goes_on_with_what_is_measured():
    """The soil was wetted in the run: nothing is watered after it, so the looks alone empty it."""
    rain = Measured(at_ns=HOUR, measure="soil", value=50.0, unit="%")
    wet = run(gadget_of(TRAY), rain, lasts="2 days")
    left = time_left(wet)
    assert left.about
    assert left.seconds == pytest.approx((1.0 / LOOKING_A - 48.0) * 3600.0, rel=1e-3)
