"""A gauge that counts charge, over a pattern: the loop against the simulator."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from simfw.engine.run import Run
from simfw.life import registers as k
from simfw.life.user import Life
from simfw.loading import load_pattern
from simfw.stimuli.pattern import DAY_NS, Pattern
from tests.life.beside_run import run_beside, spent_ns
from tests.life.made import EVENING, head, lamp, pattern
from tests.life.test_loop import SCENARIOS, alone, ready

COUNTING = """
[charger]
current = "100 mA"
float = "4.2 V"
finish = "10 %"
status = "low while charging"
[gauge]
method = "counting"
capacity = "450 mAh"
power_up = "30 %"
thresholds = ["20 %", "40 %", "60 %", "80 %"]
hysteresis = "3 %"
low = "25 %"
flat = "10 %"
every = "7 s"
"""
LEAKY = 'resistance = "200 mΩ"\nleakage = "30 uA"\nself_discharge = "8 %/month"'
PLUG = """
[[habits]]
name = "plug"
when = "{when}"
steps = [ {{ wait = "3 h" }}, {{ usb = true }}, {{ wait = "{hours} h" }}, {{ usb = false }} ]
"""


def both(made: Pattern, charge: float, days: int, *, fast: bool = False) -> tuple[Life, Run]:
    """The same stimuli in the loop and in the simulator."""
    made = dataclasses.replace(made, charge=charge)
    user = ready(made, fast=fast)
    stimuli, _ = user.stimuli(0, 56 * DAY_NS)
    run = run_beside(user, stimuli, days * DAY_NS)
    return user, run


def equal_bars(user: Life, run: Run, *, within_ns: int = 0) -> None:
    """The time at each number of bars; that without power is told nowhere in the loop."""
    for use in run.states:
        if use.region == "gauge" and use.state != "unread":
            assert spent_ns(user, use.region, use.state) == pytest.approx(
                use.time_ns, abs=within_ns)


@pytest.mark.parametrize("charge", [1.0, 0.6, 0.3])
@pytest.mark.parametrize("fast", [False, True])
def test_bars_are_those_of_the_simulator(tmp_path: Path, charge: float, fast: bool) -> None:
    """Evenings of light with a cell that leaks: same bars at the same samples."""
    made = pattern(tmp_path, lamp(cell=LEAKY, more=COUNTING), head() + EVENING)
    user, run = both(made, charge, 12, fast=fast)
    equal_bars(user, run)
    assert run.final.counted is not None
    assert user.world.f[k.COUNTED] == pytest.approx(run.final.counted, abs=2e-6)
    # It takes the cell for smaller than it is, and sees nothing of what leaks.
    assert run.empty_at_ns is not None or abs(run.final.counted - run.end_charge) > 0.01


def test_charging_and_a_power_loss_are_those_of_the_simulator(tmp_path: Path) -> None:
    """Run down to the cut-off, revived, charged until it ends, and used again."""
    text = EVENING.replace('"1 h"', '"8 h"') + """
[[habits]]
name = "plug"
at = "07:00"
times = "0 .. 1"
steps = [ { usb = true }, { wait = "7 h" }, { usb = false } ]
"""
    made = pattern(tmp_path, lamp(current="60 mA", cell=LEAKY, more=COUNTING),
                   head(charge="25 %") + text)
    user, run = both(made, 0.25, 20)
    seen = [event.name for event in run.events]
    assert run.empty_at_ns is not None
    assert {"charge.completed", "cell.flat", "gauge.up", "gauge.down"} <= set(seen)
    assert user.world.f[k.COUNTED] == pytest.approx(run.final.counted, abs=1e-3)
    equal_bars(user, run, within_ns=int(0.002 * 20 * DAY_NS))


def test_who_charges_by_a_counting_gauge_charges_by_its_figure(tmp_path: Path) -> None:
    """Charged at one bar of a figure of 450 mAh: each span uses about three fifths of it."""
    text = head() + EVENING + PLUG.format(when="gauge <= 1", hours=9)
    found = alone(pattern(tmp_path, lamp(cell=LEAKY, more=COUNTING), text))
    assert found.spans >= 1
    assert found.emptied == 0
    counted_a_day = 20.0 + 0.05 * 24
    assert found.days == pytest.approx(0.6 * 450 / counted_a_day, abs=1.2)


@pytest.mark.parametrize("charge", [0.7, 0.711, 0.55, 0.5501])
def test_a_count_that_hardly_moves_passes_its_levels(tmp_path: Path, charge: float) -> None:
    """50 uA pass a level in a few steps, at the sample of the simulator, wherever they begin."""
    made = pattern(tmp_path, lamp(cell=LEAKY, more=COUNTING), head() + EVENING)
    made = dataclasses.replace(made, habits=())
    user, run = both(made, charge, 50)
    assert "gauge.down" in [event.name for event in run.events]
    equal_bars(user, run)
    assert user.world.i[k.INSTANTS] < 60


def test_the_larder_lamp_counts_over_days(tmp_path: Path) -> None:
    """The demo lamp with its gauge changed in a few keys: looks, waves and samples of a second."""
    folder = SCENARIOS / "larder-lamp"
    text = (folder / "gadget.toml").read_text(encoding="utf-8")
    start = text.index("[gauge]")
    end = text.index("\n[", start)
    gauge = text[start:end].splitlines()
    kept = [line for line in gauge if not line.startswith(
        ("method", "thresholds", "  {", "]", "hysteresis", "low", "flat"))]
    kept += ['method = "counting"', 'capacity = "650 mAh"', 'power_up = "0 %"',
             'thresholds = ["5 %", "25 %", "45 %", "65 %", "85 %"]', 'low = "10 %"',
             'flat = "3 %"']
    text = text[:start] + "\n".join(kept) + text[end:]
    (tmp_path / "gadget.toml").write_text(text, encoding="utf-8")
    household = (folder / "household.toml").read_text(encoding="utf-8")
    (tmp_path / "household.toml").write_text(household, encoding="utf-8")
    user, run = both(load_pattern(tmp_path / "household.toml"), 0.66, 2)
    assert "gauge.down" in [event.name for event in run.events]
    assert user.world.f[k.COUNTED] == pytest.approx(run.final.counted, abs=2e-6)
    equal_bars(user, run)
