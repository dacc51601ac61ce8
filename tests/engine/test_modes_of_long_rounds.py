"""Modes whose sequences another region switches, and rounds of weeks: by hand, by a run."""

from __future__ import annotations

import pytest

from simfw.engine.modes import modes
from tests.engine.bench import gadget_of, run

HEAD = """
[gadget]
name = "Bell"
[cell]
curve = "nmc"
capacity = "2 Ah"
[controller]
asleep = "1 uA"
[loads]
hum = { current = "2 mA" }
tick = { current = "1 mA" }
[sequences.buzz]
steps = ["on for 10 ms", "off for 30 ms"]
[behaviour.ring]
starts = "still"
states.still = {}
states.hum = { hum = "buzz" }
rows = [
  { on = "go", from = "still", to = "hum" },
  { on = "halt", from = "hum", to = "still" },
]
[behaviour.turn]
starts = "x"
states.x = {}
states.y = {}
"""
BESIDE = """
rows = [
  { after = "10.007 s", from = "x", to = "y", emit = "go" },
  { after = "5 s", from = "y", to = "x", emit = "halt" },
]
[behaviour.other]
starts = "p"
states.p = {}
states.q = { tick = "on" }
rows = [
  { after = "3.0001 s", from = "p", to = "q" },
  { after = "1.00007 s", from = "q", to = "p" },
]
"""
WEEKS = """
rows = [
  { after = "17 weeks", from = "x", to = "y", emit = "go" },
  { after = "1 h", from = "y", to = "x", emit = "halt" },
]
"""


def test_a_sequence_that_another_region_switches_counts_while_it_plays_only():
    """A quarter of 2 mA for 5 s of every 15.007 s, beside a blinker that never meets its period."""
    (mode,) = modes(gadget_of(HEAD + BESIDE))
    mean_a = 1e-6 + 0.5e-3 * 5.0 / 15.007 + 1e-3 * 1.00007 / 4.00017
    assert mode.current_a == pytest.approx(mean_a, rel=1e-3)
    assert mode.peak_a == pytest.approx(3.001e-3, rel=1e-9)
    seen = run(gadget_of(HEAD + BESIDE), lasts="6 h", trace=False, log=False)
    assert mode.current_a == pytest.approx(seen.average_current_a, rel=2e-3)


def test_a_round_of_more_than_a_hundred_days_has_its_exact_mean():
    """0.5 mA for an hour of 17 weeks and an hour; nothing else ever happens."""
    (mode,) = modes(gadget_of(HEAD + WEEKS))
    assert mode.within_a is None
    assert mode.current_a == pytest.approx(1e-6 + 0.5e-3 * 3600.0 / (17 * 604800 + 3600), rel=1e-9)
    assert mode.peak_a == pytest.approx(2.001e-3, rel=1e-9)
