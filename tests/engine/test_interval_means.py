"""The currents of an interval are means over it, so that the intervals add up to the ledger."""

from __future__ import annotations

from pathlib import Path

import pytest

from simfw import Run, load_scenario, simulate

SMALL = """
[gadget]
name = "Small"
[cell]
curve = "curve.csv"
capacity = "400 uAh"
resistance = "1R"
leakage = "40 uA"
"""
CHARGER = """
[charger]
current = "100 mA"
float = "4.1 V"
finish = "10 %"
status = "low while charging"
"""
LOOKS = """
[controller]
awake = "2 mA"
asleep = "10 uA"
wake = "300 nC"
[loads.lamp]
resistance = "1k"
[behaviour.flash]
starts = "off"
states.off = {}
states.on = { lamp = "on", controller = "awake" }
rows = [
  { after = "30 ms", from = "off", to = "on" },
  { after = "20 ms", from = "on", to = "off" },
]
"""


def simulated(
    folder: Path, gadget: str, *, charge: str, lasts: str, steps: str = "", fold: bool = True
) -> Run:
    """A run of a small gadget."""
    (folder / "curve.csv").write_text("charge,voltage_v\n0,3.0\n1,4.2\n")
    (folder / "gadget.toml").write_text(SMALL + gadget)
    (folder / "scenario.toml").write_text(
        f'title = "t"\ngadget = "gadget.toml"\ncharge = "{charge}"\nlasts = "{lasts}"\n'
        f"steps = [{steps}]\n"
    )
    scenario = load_scenario(folder / "scenario.toml")
    assert scenario.gadget is not None
    return simulate(scenario.gadget, scenario, fold=fold)


def test_charger_a_is_a_mean_where_the_charger_tapers_off(tmp_path: Path) -> None:
    """From constant current to the float voltage in one interval: its mean gives its charge."""
    run = simulated(tmp_path, CHARGER, charge="80 %", lasts="20 s",
                    steps='{ at = "0 s", usb = true }')
    first = run.intervals[0]
    assert first.loads.charger == "fast"
    assert first.end_ns == pytest.approx(3.25e9, rel=0.1)
    # What the charger gives until it has finished, less than at its full 100 mA throughout.
    moved_c = run.capacity_c * (first.end_charge - first.start_charge)
    seconds = (first.end_ns - first.start_ns) * 1e-9
    assert first.charger_a * seconds == pytest.approx(moved_c + 40e-6 * seconds, rel=1e-9)
    assert first.charger_a < 0.06


@pytest.mark.parametrize("fold", [True, False])
@pytest.mark.parametrize("steps", ["", '{ at = "1 s", usb = true }, { at = "9 s", usb = false }'])
def test_the_means_of_an_interval_move_its_charge(tmp_path: Path, fold: bool, steps: str) -> None:
    """Means times duration are the charge moved in each interval, and their sum is the ledger."""
    run = simulated(tmp_path, CHARGER + LOOKS, charge="85 %", lasts="20 s", steps=steps, fold=fold)
    assert any(one.cycles for one in run.intervals) == fold
    drawn = dict.fromkeys((use.name for use in run.consumers), 0.0)
    given_c = woken_c = 0.0
    for one in run.intervals:
        seconds = (one.end_ns - one.start_ns) * 1e-9
        net_c = (sum(one.consumers_a) - one.charger_a) * seconds
        moved_c = run.capacity_c * (one.start_charge - one.end_charge)
        assert net_c == pytest.approx(moved_c, rel=1e-6, abs=1e-14)
        for name, mean_a in zip(drawn, one.consumers_a, strict=True):
            drawn[name] += mean_a * seconds
        given_c += one.charger_a * seconds
        # A wake at the start of a plain stretch is in no mean, those within cycles are.
        if not one.cycles and one.start_ns % 50_000_000 == 30_000_000:
            woken_c += 300e-9
    assert given_c == pytest.approx(run.charger_charge_c, rel=1e-9)
    drawn["controller"] += woken_c
    for use in run.consumers:
        assert drawn[use.name] == pytest.approx(use.charge_c, rel=1e-9), use.name
