"""Charging in whole runs: the charger's walk as the engine takes it."""

from __future__ import annotations

from itertools import groupby

import pytest

from simfw import load_scenario, simulate
from simfw.circuit import Circuit, LoadSet
from simfw.circuit.endurance import charge_time
from simfw.life.held import held
from simfw.verify.check import check_gadget

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
        '{ at = "1 h", temperature = "5 degC" }, { at = "1 h 10 min", temperature = "25 degC" }, '
        '{ at = "1 h 11 min", temperature = "26 degC" }'
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


TOPPED = """
[gadget]
name = "Curve ends below float"
[cell]
curve = "curve.csv"
capacity = "100 mAh"
resistance = "0.5 Ω"
[charger]
current = "50 mA"
float = "4.20 V"
finish = "10 %"
status = "low while charging"
[loads.lamp]
current = "LOAD"
[behaviour.lamp]
starts = "lit"
states.lit = { lamp = "on" }
rows = []
"""


@pytest.mark.parametrize(("load", "ends"), [("1 uA", True), ("4 mA", True), ("6 mA", False)])
def test_a_curve_that_ends_below_the_float_voltage_ends_the_charge_alike_everywhere(
    tmp_path, load, ends
):
    """The finish current would lift this cell to 4.1525 V, and its curve ends at 4.15 V.

    At charge 1 the charger feeds the load alone, below or above the finish current of 5 mA: run,
    life, circuit and check say the same of it.
    """
    (tmp_path / "curve.csv").write_text("charge,voltage_v\n0,3.3\n1,4.15\n")
    (tmp_path / "gadget.toml").write_text(TOPPED.replace("LOAD", load), encoding="utf-8")
    (tmp_path / "scenario.toml").write_text(
        'gadget = "gadget.toml"\ncharge = "0 %"\nlasts = "3 days"\n'
        'steps = [{ at = "0 s", usb = true }]\n', encoding="utf-8",
    )
    scenario = load_scenario(tmp_path / "scenario.toml")
    gadget = scenario.gadget
    assert gadget is not None
    run = simulate(gadget, scenario)
    done = [event.time_ns for event in run.events if event.name == "charge.completed"]
    assert bool(done) is ends
    circuit = Circuit(gadget)
    found = charge_time(circuit, LoadSet(drives=(("lamp", 1.0, -1),)))
    lives = held(gadget)
    report = check_gadget(gadget, clock=iter(range(10**9)).__next__, seconds=1e6,
                          only=("charge-never-ends",), runs=0)
    assert found.ends is ends
    assert (lives.charge_time_s is not None) is ends
    assert [one.check for one in report.findings] == ([] if ends else ["charge-never-ends"])
    if ends:
        assert found.time_s == pytest.approx(done[0] * 1e-9, rel=1e-4)
        assert lives.charge_time_s == pytest.approx(done[0] * 1e-9, rel=2e-3)
    else:
        assert found.why == "full, but the load keeps the charger at 6 mA"
