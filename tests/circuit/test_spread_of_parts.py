"""The worst part of a light: every part that bears on its current at the worse end."""

from pathlib import Path

import pytest

from simfw import load_gadget
from simfw.circuit.spread import light_spread

LIGHT = """
[gadget]
name = "Lens"
[cell]
curve = "lco"
capacity = "100 mAh"
[lights.lamp]
forward = ["2.0 V @ 10 mA", "2.06 V @ 20 mA"]
resistor = "100R ± 5 %"
switch = { kind = "nmos", on_resistance = "10 Ω (5 Ω .. 25 Ω)" }
[behaviour.lamp_mode]
starts = "lit"
states.lit = { lamp = "on" }
"""


def test_the_worst_part_has_its_resistor_and_switch_at_the_high_end(tmp_path: Path) -> None:
    """Ohm's law: what 130 Ω, 110 Ω and 100 Ω leave of 4 V is what the LED takes, 2.0 to 2.06 V."""
    path = tmp_path / "gadget.toml"
    path.write_text(LIGHT, encoding="utf-8")
    spread = light_spread(load_gadget(path), "lamp", 4.0)
    assert spread.least_a < spread.nominal_a < spread.most_a
    for amps, ohm in ((spread.least_a, 130), (spread.nominal_a, 110), (spread.most_a, 100)):
        assert 4.0 - amps * ohm == pytest.approx(2.03, abs=0.031)
    assert spread.sure_above_v is None
