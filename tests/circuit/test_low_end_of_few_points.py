"""Where the protection opens, and what bars mean, on curves drawn by two points: by hand."""

from __future__ import annotations

from pathlib import Path

import pytest

from simfw.circuit import Circuit, LoadSet
from simfw.circuit.endurance import discharge, empty_charge
from simfw.circuit.gauge import gauge_bands, gauge_loads
from simfw.circuit.overview import overview
from simfw.gadget.model import Gadget
from simfw.loading import load_gadget
from simfw.verify.electrical import Loads, electrical_checks

HEAD = """
[gadget]
name = "Straight"
[cell]
curve = "line.csv"
capacity = "100 mAh"
"""
DRIVEN = HEAD + """
resistance = "50R"
cut_off = "3.5 V"
[lights.lamp]
forward = ["2.75 V @ 5 mA", "3.0 V @ 20 mA"]
driver = { kind = "sink", current = "10 mA", drop = "800 mV" }
[lights.pip]
forward = ["2.75 V @ 5 mA", "3.0 V @ 20 mA"]
resistor = "220R"
"""
GAUGED = HEAD + """
resistance_at_charge = ["4R @ 0 %", "1R @ 100 %"]
[controller]
asleep = "0 A"
reference = "1.1 V"
adc_bits = 5
[charger]
current = "50 mA"
float = "4.2 V"
precharge = { below = "3.3 V", rate = "20 %" }
[gauge]
thresholds = ["3.3 V", "3.6 V", "3.95 V"]
"""


def made(folder: Path, text: str) -> Gadget:
    """A gadget whose cell rises from 3.0 V, empty, to 4.2 V, full."""
    (folder / "line.csv").write_text("charge,voltage_v\n0,3.0\n1,4.2\n")
    (folder / "gadget.toml").write_text(text, encoding="utf-8")
    return load_gadget(folder / "gadget.toml")


@pytest.mark.parametrize("light", ["lamp", "pip"])
def test_the_protection_opens_at_its_voltage_under_a_bent_load(tmp_path: Path, light: str) -> None:
    """At the charge found the terminal is at the cut-off, and there a discharge ends."""
    gadget = made(tmp_path, DRIVEN)
    circuit, on = Circuit(gadget), LoadSet(drives=((light, 1.0, -1),))
    charge = empty_charge(circuit, on)
    assert circuit.terminal_v(on, charge) == pytest.approx(3.5, abs=1e-6)
    assert charge == pytest.approx(discharge(circuit, on).charge[-1], abs=1e-9)
    (facts,) = (one for one in overview(gadget).lights if one.name == light)
    assert facts.low_v == pytest.approx(3.5, abs=1e-6)
    assert facts.low_rest_v == pytest.approx(3.5 + 50.0 * facts.low_a, abs=1e-5)


def test_bars_on_a_charger_are_those_of_the_straight_line(tmp_path: Path) -> None:
    """50 mA into a cell of 4 to 1 ohm: V = 3.2 + 1.05 s up to the float voltage. Five bits know no
    voltages but 35.2 V / n: bar 3 shows above 3.911 V, bar 2 above 3.52 V; bar 1, above 3.2 V, does
    wherever the charger has not fallen back to precharge, from 3.3 V on.
    """
    gadget = made(tmp_path, GAUGED)
    bands = gauge_bands(gadget, gauge_loads(gadget))
    by_hand = [(3.3 - 3.2) / 1.05, (3.52 - 3.2) / 1.05, (35.2 / 9 - 3.2) / 1.05]
    assert [band.low for band in bands[1:]] == pytest.approx(by_hand, abs=2e-3)
    assert bands[3].nominal_low == pytest.approx((35.2 / 9 - 3.0) / 1.2, abs=1e-6)


def test_a_light_fades_as_far_as_the_protection_lets_it(tmp_path: Path) -> None:
    """On a cell that rests at the cut-off its own load would take the light down to a fifth; but
    there the protection has long opened, and where it does more than half is left.
    """
    text = DRIVEN.replace('"3.5 V"', '"3.3 V"') + '[loads.motor]\ncurrent = "10 mA"\n'
    gadget = made(tmp_path, text)
    circuit = Circuit(gadget)
    lit = LoadSet(drives=(("motor", 1.0, -1), ("pip", 1.0, -1)))
    ends = [1.0, empty_charge(circuit, lit), (3.3 - 3.0) / 1.2]
    full_a, low_a, open_a = circuit.light_current_a("pip", lit, ends)
    assert low_a > 0.5 * full_a
    assert open_a < 0.3 * full_a
    loads = Loads(rest=LoadSet(), all=(LoadSet(), lit), charging=())
    assert "light-fades" not in {one.check for one in electrical_checks(gadget, circuit, loads)}
