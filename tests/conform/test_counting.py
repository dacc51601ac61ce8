"""A gauge that counts charge: test vectors, and the generated C that is held against them."""

import pytest

from simfw.conform.driving import scenario_drive, vector_drives
from simfw.conform.firmware import Firmware, compare
from simfw.engine.simulator import Prepared
from simfw.report.source import harness_files
from simfw.stimuli.scenario import Press, Usb
from simfw.vectors.build import Rehearsal
from tests.engine.bench import HOUR, S, gadget_of, scenario
from tests.report.generated_c import compile_harness, compiler

CC = compiler("tcc", "gcc", "clang")
LAMP = """
[gadget]
name = "Counted lamp"
[cell]
curve = "lco"
capacity = "100 mAh"
resistance = "200 mΩ"
cut_off = "3.0 V"
leakage = "50 uA"
[charger]
current = "100 mA"
float = "4.2 V"
finish = "10 %"
recharge = "4.05 V"
status = "low while charging"
[controller]
asleep = "5 uA"
awake = "1 mA"
wake = "2 uC"
[lights.bars]
leds = 2
segments = true
forward = ["2.0 V @ 2 mA", "2.2 V @ 10 mA"]
resistor = "470R"
switch = { kind = "pin", resistance = "25R" }
[loads.lamp]
current = "12 mA"
[buttons.key]
[gauge]
light = "bars"
method = "counting"
capacity = "90 mAh"
power_up = "30 %"
thresholds = ["20 %", "50 %"]
hysteresis = "5 %"
low = "25 %"
flat = "10 %"
every = "2 s"
show = "lamp.lit or charge.charging"
blink = "500 ms"
[behaviour.lamp]
starts = "off"
states.off = {}
states.lit = { lamp = "on" }
rows = [
  { on = "key.press", from = "off", to = "lit", when = "not cell.flat" },
  { on = "key.press", from = "lit", to = "off" },
  { on = "cell.flat", from = "lit", to = "off" },
]
"""
GADGET = gadget_of(LAMP)
USED = (
    Press(at_ns=S, button="key", for_ns=S // 5), Usb(at_ns=6 * HOUR, present=True),
    Usb(at_ns=9 * HOUR, present=False), Press(at_ns=10 * HOUR, button="key", for_ns=S // 5),
)  # fmt: skip


def built(folder, gadget):
    """The host program of a gadget."""
    prepared = Prepared(gadget)
    folder.mkdir()
    for name, text in harness_files(
        prepared.system, gadget.segments, gadget.head.name
    ).items():
        (folder / name).write_text(text, encoding="utf-8")
    return Firmware(compile_harness(folder, CC, "-w"))


@pytest.fixture(scope="module")
def drives():
    """The vectors, and a day of use with a charge in it."""
    prepared = Prepared(GADGET)
    day = scenario_drive(Rehearsal(prepared), "a day", scenario(*USED, lasts="13 h"))
    return [*vector_drives(GADGET, prepared), day]


def test_vectors_set_the_count_from_both_sides_of_each_level(drives):
    """A bench tells a share in parts per million, just above and just below each level."""
    lines = {line for drive in drives for exchange in drive.replay.exchanges
             for line in exchange.lines}  # fmt: skip
    for level in (0.20, 0.50, 0.25, 0.55, 0.10):
        for away in (-0.001, 0.001):
            assert f"set gauge.counted {round((level + away) * 1e6)}" in lines
    assert not any("gauge.measured" in line for line in lines)


@pytest.mark.skipif(CC is None, reason="no C compiler installed")
def test_the_c_of_a_counting_gauge_conforms(tmp_path, drives):
    """The generated C tells what the model tells; with a bar or flat elsewhere it does not."""
    assert compare(built(tmp_path / "good", GADGET), drives) is None
    for old, new in (('"50 %"]', '"50.05 %"]'), ('flat = "10 %"', 'flat = "9.95 %"')):
        assert old in LAMP
        wrong = built(tmp_path / new[:4].strip('"'), gadget_of(LAMP.replace(old, new)))
        assert compare(wrong, drives) is not None
