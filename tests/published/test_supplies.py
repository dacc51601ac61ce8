"""Published mean currents of parts that switch themselves, and a charger with a load, as files."""

from __future__ import annotations

from pathlib import Path

import pytest

import simfw
from simfw.engine.run import Run

HEAD = '[gadget]\nname = "Published"\n[cell]\ncurve = "lco"\ncapacity = "{}"\n'


def run(gadget: str, lasts: str, folder: Path, *, charge: str = "50 %", steps: str = "") -> Run:
    """A run of a gadget file with these steps."""
    (folder / "gadget.toml").write_text(gadget, encoding="utf-8")
    (folder / "scenario.toml").write_text(
        f'title = "published"\ngadget = "gadget.toml"\ncharge = "{charge}"\nlasts = "{lasts}"\n'
        f"steps = [{steps}]\n", encoding="utf-8")
    loaded = simfw.load_scenario(folder / "scenario.toml")
    return simfw.simulate(loaded.gadget, loaded)


def looked_ua(sleep_us: int, look_us: float, active_ua: float, rest_ua: float, to: Path) -> float:
    """Mean current (uA) of a sensor that looks for so long, then sleeps for so long."""
    every_ns = round(sleep_us * 1000 + look_us * 1000)
    text = HEAD.format("1 Ah") + f"""[controller]
awake = "{rest_ua} uA"
asleep = "{rest_ua} uA"
[measures.field]
unit = "mT"
thresholds = ["5 mT"]
every = "{every_ns} ns"
settle = "{round(look_us * 1000)} ns"
supply = "{active_ua - rest_ua:.6f} uA"
"""
    found = run(text, f"{20 * every_ns} ns", to)
    return found.average_current_a * 1e6


SLEEPS_MS = (1, 5, 10, 15, 20, 30, 50, 100, 500, 1000, 2000, 5000, 20_000)
THREE_UA = (220.4, 50, 25.9, 17.7, 13.5, 9.3, 6.0, 3.5, 1.5, 1.3, 1.1, 1.1, 1.0)
TWO_UA = (174.2, 39.0, 20.3, 14, 10.7, 7.4, 4.9, 3, 1.4, 1.2, 1.1, 1.0, 1.0)


@pytest.mark.parametrize(("look_us", "active_ua", "published_ua"), [
    (150.2, 1682.0, THREE_UA), (128.8, 1519.0, TWO_UA),
])
def test_a_sensor_that_times_itself(
    look_us: float, active_ua: float, published_ua: tuple[float, ...], tmp_path: Path
) -> None:
    """Thirteen sleeping times, three and two channels, each within 0.1 uA and 0.2 %.

    Texas Instruments SLYA068A (December 2023), table in "Self Duty Cycled Low Power Operation",
    TMAG5273 at 1.8 V; time and current of a look are fitted to it, 1.0 uA is its sleep.
    """
    for sleep_ms, expected in zip(SLEEPS_MS, published_ua, strict=True):
        found = looked_ua(1000 * sleep_ms, look_us, active_ua, 1.0, tmp_path)
        assert found == pytest.approx(expected, abs=0.1 + 0.002 * expected), sleep_ms


@pytest.mark.parametrize(("charge_nc", "rest_ua"), [(64.3, 0.73), (31.6, 0.78)])
def test_a_hall_switch_by_its_cycle(charge_nc: float, rest_ua: float, tmp_path: Path) -> None:
    """204.1 ms: 1.0 uA within 0.1, for both kinds. ABLIC S-5712 rev. 5.1, p. 1.

    Charge and rest follow from the two faster kinds (5.70 and 50.50 ms, 6.05 and 50.85 ms).
    """
    found = looked_ua(204_000, 100.0, rest_ua + charge_nc * 10, rest_ua, tmp_path)
    assert found == pytest.approx(1.0, abs=0.1)


@pytest.mark.parametrize(("load_ma", "gained_mah"), [(30, 10.0), (50, -10.0)])
def test_a_charger_shared_with_a_load(load_ma: int, gained_mah: float, tmp_path: Path) -> None:
    """40 mA, loads of 30 and 50 mA, one hour: the cell gains, and loses, 10 mAh within 0.01.

    "Li-ion charger with load sharing" (zakkemble.net), after Microchip AN1149.
    """
    text = HEAD.format("500 mAh") + f"""[charger]
current = "40 mA"
float = "4.2 V"
[loads.sys]
current = "{load_ma} mA"
[behaviour.sys]
starts = "on"
states.on = {{ sys = "on" }}
"""
    found = run(text, "1 h", tmp_path, steps='{ at = "0 s", usb = true }')
    assert (found.end_charge - 0.5) * 500 == pytest.approx(gained_mah, abs=0.01)


def test_an_iron_phosphate_cell_at_twice_its_capacity_an_hour(tmp_path: Path) -> None:
    """4.00 A to 2.0 V out of 2.075 Ah: 1704 s, within 1 %.

    About:Energy BPX parameter sets, LFP at 2C and 25 degC; the resistances at 2C follow from that
    curve and the one at C/20, the built-in `lfp`.
    """
    text = """[gadget]
name = "Published"
[cell]
curve = "lfp"
capacity = "2.075 Ah"
cut_off = "2.0 V"
resistance_at_charge = ["299 mΩ @ 8.7 %", "260 mΩ @ 10 %", "109 mΩ @ 20 %", "68 mΩ @ 30 %", \
"51 mΩ @ 50 %", "50 mΩ @ 70 %", "46 mΩ @ 90 %"]
[loads.lamp]
current = "4 A"
[behaviour.lamp]
starts = "on"
states.on = { lamp = "on" }
"""
    found = run(text, "1 h", tmp_path, charge="100 %")
    assert found.empty_at_ns is not None
    assert found.empty_at_ns / 1e9 == pytest.approx(1704, rel=0.01)
