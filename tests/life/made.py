"""Small gadgets and patterns for the tests of `simfw.life`, written as files."""

from __future__ import annotations

from pathlib import Path

from simfw.loading import load_pattern
from simfw.stimuli.pattern import Pattern

LAMP = """
[gadget]
name = "Test lamp"
[cell]
curve = "lco"
capacity = "{capacity}"
cut_off = "3.0 V"
restart = "3.2 V"
{cell}
[loads.lamp]
current = "{current}"
[loads.idle]
current = "50 uA"
[buttons.key]
hold = "5 s"
[behaviour.lamp]
starts = "dark"
states.dark = {{ idle = "on" }}
states.lit = {{ lamp = "on", idle = "on" }}
rows = [
  {{ on = "key.click", from = "dark", to = "lit" }},
  {{ on = "key.click", from = "lit", to = "dark" }},
]
{more}
"""

CHARGER = """
[charger]
current = "100 mA"
float = "4.2 V"
finish = "10 %"
[gauge]
thresholds = ["3.6 V", "3.8 V"]
every = "1 s"
"""

SENSOR = """
[gadget]
name = "Test sensor"
[cell]
curve = "lco"
capacity = "200 mAh"
[proximity.wave]
every = "{every}"
settle = "1 ms"
agree = {agree}
clear = "100 ms"
carrier = "40 kHz"
duty = "50 %"
burst = 40
receiver = {{ supply = "0.4 mA" }}
"""


def pattern(folder: Path, gadget: str, text: str) -> Pattern:
    """Write a gadget and a pattern into `folder` and read them."""
    (folder / "gadget.toml").write_text(gadget, encoding="utf-8")
    file = folder / "pattern.toml"
    file.write_text(text, encoding="utf-8")
    return load_pattern(file)


def lamp(
    *, capacity: str = "500 mAh", current: str = "20 mA", cell: str = "", more: str = ""
) -> str:
    """A lamp with one button, a constant current, and no more than is asked for."""
    return LAMP.format(capacity=capacity, current=current, cell=cell, more=more)


def head(*, charge: str = "100 %", horizon: str = "30 days", more: str = "") -> str:
    """The top of a pattern file."""
    return f'gadget = "gadget.toml"\ncharge = "{charge}"\nhorizon = "{horizon}"\n{more}\n'


EVENING = """
[[habits]]
name = "evening"
at = "19:00"
steps = [
  { press = "key", for = "200 ms" },
  { wait = "1 h" },
  { press = "key", for = "200 ms" },
]
"""
