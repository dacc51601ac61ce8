"""Published figures of sinks, p-channel switches and regulators, through gadget files."""

from __future__ import annotations

from pathlib import Path

import pytest

import simfw
from simfw.circuit.circuit import Circuit, LoadSet
from simfw.circuit.pins import check_pins

HEAD = """[gadget]
name = "Published"
[cell]
curve = "flat.csv"
capacity = "1 Ah"
"""
STEEP = '["0.95 V @ 1 mA", "1.05 V @ 100 mA"]'
"""The points of a diode that drops about 1 V: 0.99 V at 6 mA, 1.08 V at 350 mA."""


def circuit(parts: str, volts: float, folder: Path) -> Circuit:
    """The circuit of a gadget file with these parts on a stiff cell."""
    (folder / "flat.csv").write_text(f"charge,voltage_v\n0,{volts - 1e-6}\n1,{volts}\n")
    (folder / "gadget.toml").write_text(HEAD + parts, encoding="utf-8")
    return Circuit(simfw.load_gadget(folder / "gadget.toml"))


def drawn_a(found: Circuit, duty: float) -> float:
    """What the light draws at a duty, mean (A)."""
    drives = (("lamp", duty, -1),) if duty else ()
    return float(found.solve(LoadSet(drives=drives), 1.0).consumers_a[0, 0])


@pytest.mark.parametrize(("across", "share"), [(0.5, 0.20), (1.8, 0.70), (7.5, 1.00)])
def test_a_sink_in_drop_out(across: float, share: float, tmp_path: Path) -> None:
    """A 30 mA sink passes about 20 % at 0.5 V, 70 % at 1.8 V, all at 7.5 V; within 2 points.

    onsemi NSI45030AZT1G, p. 2 and p. 4. The drop is 30 mA times 85 ohm.
    """
    light = (f"[lights.lamp]\nforward = {STEEP}\n"
             'driver = { kind = "sink", current = "30 mA", drop = "2.55 V" }\n')
    amps = drawn_a(circuit(light, 1.0 + across, tmp_path), 1.0)
    assert amps / 0.030 == pytest.approx(share, abs=0.02)


@pytest.mark.parametrize(
    ("duty", "milliamps"), [(0.0, 0.0), (0.1, 4.0), (0.5, 16.0), (1.0, 31.0)]
)
def test_a_sink_with_its_own_current_and_pwm(
    duty: float, milliamps: float, tmp_path: Path
) -> None:
    """30 mA, 1.0 mA for itself: mean 4.0, 16.0, 31.0 mA at 10, 50, 100 %; 1 uA at most when off.

    onsemi CAT4004, Tables 2 and 3 (drop-out 130 mV at 30 mA); the means are computed from these.
    """
    light = (f"[lights.lamp]\nforward = {STEEP}\n"
             'driver = { kind = "sink", current = "30 mA", drop = "130 mV", quiescent = "1 mA" }\n')
    amps = drawn_a(circuit(light, 3.6, tmp_path), duty)
    assert amps * 1e3 == pytest.approx(milliamps, abs=0.1 if duty else 1e-3)


@pytest.mark.parametrize(("pmos", "low_mv", "high_mv"), [
    ("47 mΩ", 16.4, 16.5), ("60 mΩ", 20.9, 21.1), ("85 mΩ", 29.7, 29.85),
])
def test_a_p_channel_switch(pmos: str, low_mv: float, high_mv: float, tmp_path: Path) -> None:
    """350 mA through it: 16.5 and 21.0 mV typical at -4.5 and -2.5 V of gate, 29.8 mV at the most.

    AOS AO3401A rev. 3, p. 2: 47, 60 and (most, -2.5 V) 85 mohm. What it drops is found from a
    resistor's current with and without it.
    """
    def light(switch: str) -> str:
        return f'[lights.lamp]\nforward = {STEEP}\nresistor = "10R"\n{switch}\n'

    bare = drawn_a(circuit(light(""), 4.594, tmp_path), 1.0)
    switched = drawn_a(circuit(
        light(f'switch = {{ kind = "pmos", on_resistance = "{pmos}" }}'), 4.594, tmp_path),
        1.0)
    assert switched == pytest.approx(0.350, rel=0.01)
    millivolts = (bare / switched - 1.0) * 10.0 * 350.0
    assert low_mv - 0.2 < millivolts < high_mv + 0.2


@pytest.mark.parametrize(("cell_v", "supply_v"), [(3.6, 3.0), (3.10, 3.0), (3.0, 2.929)])
def test_a_regulator_at_100_milliamperes(cell_v: float, supply_v: float, tmp_path: Path) -> None:
    """3.0 V out of 3.6 and 3.10 V, 2.929 V out of 3.00 V, within 5 mV; 1.6 uA for itself.

    Microchip DS21826B (MCP1700), p. 3: 178 mV at 250 mA, so 71 mV at 100 mA (computed), 1.6 uA.
    """
    found = circuit('''[controller]
awake = "100 mA"
[controller.regulator]
output = "3.0 V"
drop = "71 mV"
quiescent = "1.6 uA"
''', cell_v, tmp_path)
    solved = found.solve(LoadSet(controller="awake"), 1.0)
    assert found.measured_v(float(solved.voltage_v[0])) == pytest.approx(supply_v, abs=0.005)
    assert solved.consumers_a[:, 0].tolist() == pytest.approx([0.1, 1.6e-6], rel=1e-12)


def test_pins_and_what_they_feed_follow_the_regulator(tmp_path: Path) -> None:
    """A light on a pin is that of a cell at the output; one on a transistor hangs on the cell."""
    def parts(regulator: str) -> str:
        return f"""[controller]
asleep = "1 uA"
{regulator}
[controller.limits]
input_low = "30 %"
input_high = "60 %"
above = "0.5 V"
[lights.lamp]
forward = {STEEP}
resistor = "100R"
switch = {{ kind = "pin", resistance = "25R" }}
[lights.spot]
forward = {STEEP}
resistor = "100R"
switch = {{ kind = "nmos", on_resistance = "60 mΩ" }}
[pins.sense]
source = "cell"
series = "100k"
"""
    def both(found: Circuit) -> list[float]:
        loads = LoadSet(drives=(("lamp", 1.0, -1), ("spot", 1.0, -1)))
        return [float(row[0]) for row in found.solve(loads, 1.0).consumers_a[:2]]

    with_one = circuit(parts('regulator = { output = "3.0 V", drop = "100 mV" }'), 4.2, tmp_path)
    told = check_pins(simfw.load_gadget(tmp_path / "gadget.toml"))
    at_output, at_cell = circuit(parts(""), 3.0, tmp_path), circuit(parts(""), 4.2, tmp_path)
    assert both(with_one) == pytest.approx([both(at_output)[0], both(at_cell)[1]], rel=1e-6)
    high = max(row.free_high_v for row in told.rows if row.power == "running")
    assert high == pytest.approx(4.2, abs=1e-6)  # a pin on the cell stands 1.2 V above the supply
    assert any("feeds" in finding.text for finding in told.faults)
