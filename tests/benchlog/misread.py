"""Planted misreadings: one of three observations that hold each other is read wrong by far.

The lamp's current by a meter, the capacity by a charge, and a run-down that follows from both; a
fourth, on which nothing else bears, is told as one that would not be noticed.
`python -m tests.benchlog misreadings N` runs N of them.
"""

from __future__ import annotations

import math
import random
from pathlib import Path

from simfw.benchlog.narrowing import narrow
from tests.benchlog.lantern import bar_charge, log_of

__all__ = ["misread"]

NAMES = ("meter", "charge", "run down")


def misread(folder: Path, number: int) -> list[str]:
    """What is wrong with what is told of misreading `number`; nothing where all is right."""
    rng = random.Random(number)
    full_c = rng.uniform(400, 700) * 3.6
    lamp_a = rng.uniform(0.04, 0.1)
    # By closed forms: 1 ohm, constant current to 4.2 V - 0.2 V, then tau = Q / 1.2 to a tenth.
    charge_s = full_c * ((1.0 - 0.2 / 1.2) / 0.2 + math.log(10.0) / 1.2)
    at_bar = (bar_charge(3) + lamp_a / 1.2)  # the terminal is lower by I x 1 ohm
    down_s = full_c * (1.0 - at_bar) / lamp_a
    shown = {"meter": lamp_a, "charge": charge_s, "run down": down_s}
    wrong = NAMES[number % 3]
    near = {name: 0.02 * value for name, value in shown.items()}
    for name in NAMES:
        by = rng.choice([-1, 1]) * rng.uniform(12, 15) if name == wrong else rng.uniform(-0.5, 0.5)
        shown[name] += by * near[name]
    log = log_of(folder, f"""
[unknown]
"cell.capacity" = "250 mAh .. 1000 mAh"
"loads.lamp.current" = "20 mA .. 160 mA"
[[observations]]
name = "meter"
mode = "lamp.lit"
reading = "{1e3 * shown['meter']:.4f} mA ± {1e3 * near['meter']:.4f} mA"
[[observations]]
name = "charge"
start = "0 %"
by = "analyser"
steps = [{{ usb = true }}, {{ until = "charge.complete",
           took = "{shown['charge']:.3f} s ± {near['charge']:.3f} s" }}]
[[observations]]
name = "run down"
start = "full"
by = "analyser"
steps = [{{ press = "key", for = "100 ms" }}, {{ until = "gauge == 2",
           took = "{shown['run down']:.3f} s ± {near['run down']:.3f} s" }}]
""".replace(" }},\n           took", " }}, took").replace(
        '",\n           took', '", took'), resistance="1 Ω", leakage="0 A", cut_off="2.5 V")
    found = narrow(log, brief=True)
    said = []
    if found.possible:
        said.append(f"misread {wrong} was not noticed")
    for one in found.contradictions:
        if set(one.observations) != set(NAMES) or not one.minimal:
            said.append(f"{one.observations}, minimal: {one.minimal}")
    if len(found.contradictions) != 1:
        said.append(f"{len(found.contradictions)} contradictions")
    return said
