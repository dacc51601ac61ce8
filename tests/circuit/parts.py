"""Small gadgets for the circuit tests."""

from __future__ import annotations

import tomllib

from simfw.gadget.model import Gadget

CELL = """
[gadget]
name = "Bench"
[cell]
curve = "lco"
capacity = "650 mAh"
resistance = "180 mΩ"
cut_off = "3.05 V"
"""

CHARGER = """
[charger]
program = "3k3"
gain = "1000 V"
float = "4.20 V"
finish = "10 %"
precharge = { below = "2.9 V", rate = "10 %" }
recharge = "4.05 V"
status = "low while charging"
"""

LIGHTS = """
[lights.shelf]
leds = 4
forward = ["2.75 V @ 5 mA", "3.0 V @ 20 mA"]
resistor = "22R"
switch = { kind = "nmos", on_resistance = "60 mΩ" }
[lights.bars]
leds = 5
segments = true
forward = ["2.0 V @ 2 mA", "2.2 V @ 10 mA"]
resistor = "470R"
switch = { kind = "pin", resistance = "25R" }
"""

NPN = (
    '{ kind = "npn", base = "1k", gain = 200, reverse_gain = 2,'
    ' saturation_current = "1e-14 A" }'
)

SENSOR = f"""
[proximity.wave]
carrier = "38 kHz"
duty = "50 %"
burst = 24
receiver = {{ supply = "0.37 mA", threshold = "0.7 mW/m2" }}
target = {{ reflectance = "55 %", area = "80 cm2" }}
[proximity.wave.emitter]
forward = ["1.35 V @ 100 mA", "1.2 V @ 20 mA"]
resistor = "47R"
intensity = "36 mW/sr @ 100 mA"
half_angle = "25 deg"
switch = {NPN}
"""

CONTROLLER = """
[controller]
awake = "1.2 mA"
asleep = "4.5 uA"
reference = "1.1 V ± 3 %"
adc_bits = 10
pull_up = "35k"
"""


def gadget(*texts: str) -> Gadget:
    """A gadget from pieces of a file; without any, a bare cell."""
    return Gadget.model_validate(tomllib.loads("\n".join(texts or (CELL,))))
