"""Experiments with the meter that `next` proposes, against what is worked out by hand."""

from __future__ import annotations

from pathlib import Path

import pytest

from simfw.benchlog.experiments import next_experiments
from simfw.benchlog.narrowing import narrow
from simfw.loading import load_bench_log
from tests.benchlog.lantern import log_of

LOG = """
kit = ["eyes", "multimeter"]
[unknown]
"controller.reference" = "1.067 V .. 1.133 V"
[[questions]]
name = "full"
[[questions.answers]]
name = "the pin is let go"
change = { "charger.status" = "low while charging" }
[[questions.answers]]
name = "the pin goes high"
change = { "charger.status" = "low while charging, high when complete" }
[[observations]]
name = "lights"
steps = [{ press = "key" }, { wait = "1 s" }, { see = "lamp.lit" }]
"""
BARS = """
[lights.bars]
leds = 3
segments = true
forward = ["2.0 V @ 2 mA", "2.2 V @ 10 mA"]
resistor = "4k7"
[loads.lamp]"""


def test_the_voltage_at_a_bar_and_the_pin_when_full_are_proposed(tmp_path: Path):
    """Two bars from 3.9 V measured: 3.9 V x true / 1.1 V; the pins differ when it is full only."""
    log_of(tmp_path, LOG)
    path = tmp_path / "gadget.toml"
    text = path.read_text(encoding="utf-8").replace("[loads.lamp]", BARS.lstrip())
    path.write_text(text.replace("[gauge]", '[gauge]\nlight = "bars"\nshow = "lamp.lit"'), "utf-8")
    found = next_experiments(narrow(load_bench_log(tmp_path / "log.toml"), brief=True))
    by_kind = {one.name: one for one in found.experiments}
    volts = next(one for one in found.experiments if one.kind == "voltage")
    for prediction in volts.predictions:
        assert prediction.low == pytest.approx(3.9 * 1.067 / 1.1, abs=2e-3)
        assert prediction.high == pytest.approx(3.9 * 1.133 / 1.1, abs=2e-3)
    assert 5.0 < volts.minutes < 3 * 60  # the time to run down, and five minutes
    pin = by_kind["status pin after a full charge"]
    assert [p.sights for p in pin.predictions] == [("floating",), ("high",)]
    assert "status pin while charging" not in by_kind  # low in both: it tells nothing
