"""A terminal whose voltage falls with rising charge, in the hot loop as in the simulator."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest

from simfw.life import registers as k
from tests.life.beside_run import run_beside, spent_ns
from tests.life.made import head, pattern
from tests.life.test_loop import ready

HOUR_NS = 3600 * 10**9
# While 178 mA flow in, the terminal rises to 3.907 V at 34 %, falls to 3.865 V at 43 % and rises
# again: V = OCV(s) + R(s) I (Ohm's law).
CHARGED = """
[gadget]
name = "Charged through a falling resistance"
[cell]
curve = "curve.csv"
capacity = "280 mAh"
resistance_at_charge = ["2918 mΩ @ 0 %", "179 mΩ @ 43 %"]
[charger]
current = "178 mA"
float = "4.164 V"
[gauge]
thresholds = ["3.88 V"]
every = "1 s"
"""
PLUG = """
[[habits]]
name = "plug"
at = "00:30"
steps = [ { usb = true }, { wait = "20 min" }, { usb = false } ]
"""
# While 400 mA flow out, the terminal stands at 2.9 V at 40 % and above 3 V on either side.
DRAINED = """
[gadget]
name = "Drained through a resistance that rises and falls"
[cell]
curve = "curve.csv"
capacity = "280 mAh"
resistance_at_charge = ["300 mΩ @ 10 %", "2300 mΩ @ 40 %", "300 mΩ @ 70 %"]
cut_off = "3.0 V"
[loads.motor]
current = "400 mA"
[behaviour.motor]
starts = "on"
states.on = { motor = "on" }
"""


def test_a_bar_that_comes_goes_and_comes_while_charging(tmp_path: Path) -> None:
    """3.88 V are passed three times; bars are shown as long as in a run."""
    (tmp_path / "curve.csv").write_text("charge,voltage_v\n0,3.165\n0.3409,3.7745\n1,4.2059\n")
    made = pattern(tmp_path, CHARGED, head(charge="30 %") + PLUG)
    user = ready(made)
    stimuli, _ = user.stimuli(0, 24 * HOUR_NS)
    run = run_beside(user, stimuli, HOUR_NS, trace=True)
    bars = [part.bars for part in run.intervals]
    assert sum(one == 1 != before for before, one in pairwise(bars)) == 2
    for use in run.states:
        if use.region == "gauge":
            assert spent_ns(user, use.region, use.state) == use.time_ns, use.state


def test_the_protection_opens_where_the_resistance_is_largest(tmp_path: Path) -> None:
    """The cell comes from above 3 V and would come back to it: it opens in between."""
    (tmp_path / "curve.csv").write_text("charge,voltage_v\n0,3.5\n1,4.2\n")
    user = ready(pattern(tmp_path, DRAINED, head(charge="80 %")))
    stimuli, _ = user.stimuli(0, 24 * HOUR_NS)
    run = run_beside(user, stimuli, HOUR_NS)
    assert run.empty_at_ns is not None
    assert 0.4 < run.end_charge < 0.7
    assert user.world.i[k.EMPTY_AT] == pytest.approx(run.empty_at_ns, rel=1e-6)
