"""Charging in whole runs: the charger's walk as the engine takes it."""

from __future__ import annotations

from itertools import groupby

import pytest

from simfw import load_scenario, simulate

GADGET = """
[gadget]
name = "Charging"
[cell]
curve = "nmc"
capacity = "20 mAh"
resistance = "2 Ω"
[charger]
program = "50k"
gain = "1000 V"
float = "4.20 V"
finish = "7.5 %"
precharge = { below = "66.5 %", rate = "10 %" }
recharge = "94 %"
status = "low while charging, high when complete"
[charger.windows]
cold = "0 degC"
cool = "10 degC"
cool_rate = "50 %"
hot = "45 degC"
[loads.lamp]
current = "LOAD"
[behaviour.lamp]
starts = "lit"
states.lit = { lamp = "on" }
rows = []
"""


def run_of(folder, load: str, steps: str, lasts: str, charge: str = "1 %"):
    """Run a gadget with this load."""
    (folder / "gadget.toml").write_text(GADGET.replace("LOAD", load), encoding="utf-8")
    (folder / "scenario.toml").write_text(
        f'title = "x"\ngadget = "gadget.toml"\ncharge = "{charge}"\nlasts = "{lasts}"\n'
        f"steps = [ {steps} ]\n",
        encoding="utf-8",
    )
    scenario = load_scenario(folder / "scenario.toml")
    return simulate(scenario.gadget, scenario)


def modes(run) -> list[str]:
    """The charger's modes in turn."""
    return [mode for mode, _ in groupby(run.intervals, key=lambda i: i.loads.charger)]


def test_walk_from_flat_to_full_and_back(tmp_path):
    """Precharge, fast, complete; a load takes it down to the recharge level: it starts again."""
    run = run_of(tmp_path, "1 mA", '{ at = "1 min", usb = true }', "12 h")
    walk = modes(run)
    assert walk[:5] == ["off", "precharge", "fast", "complete", "fast"]
    done = [i for i in run.intervals if i.loads.charger == "complete"]
    assert done
    assert done[0].charger_a == 0.0
    assert done[0].voltage_v > 3.948


@pytest.mark.parametrize(("load", "ends"), [("1.4 mA", True), ("1.6 mA", False)])
def test_a_load_above_the_finish_current_never_ends(tmp_path, load, ends):
    """7.5 % of 20 mA is 1.5 mA: a load of 8 % keeps the charger on, one of 7 % does not.

    After notes on the charging article of batteryuniversity.com.
    """
    run = run_of(tmp_path, load, '{ at = "1 s", usb = true }', "20 h", "50 %")
    assert ("complete" in modes(run)) is ends


def test_a_cold_cell_waits_and_goes_on_when_it_is_warm(tmp_path):
    """Below the window nothing flows, and that nothing is no end of the charge."""
    steps = (
        '{ at = "1 s", temperature = "-5 degC" }, { at = "1 min", usb = true }, '
        '{ at = "1 h", temperature = "5 degC" }, { at = "1 h 10 min", temperature = "25 degC" }'
    )
    run = run_of(tmp_path, "1 uA", steps, "3 h", "50 %")
    given = {
        mode: sorted({round(i.charger_a * 1e3, 6) for i in group})
        for mode, group in (
            ("cold", [i for i in run.intervals if 60e9 <= i.start_ns < 3600e9]),
            ("cool", [i for i in run.intervals if 3600e9 <= i.start_ns < 4200e9]),
        )
    }
    assert given == {"cold": [0.0], "cool": [10.0]}
    later = [i for i in run.intervals if i.start_ns >= 4200e9]
    assert max(i.charger_a for i in later) == pytest.approx(0.020)
    assert modes(run)[:3] == ["off", "fault", "fast"]
