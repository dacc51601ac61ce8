"""A lamp that winks for seconds at a press, and its runs: what a picture has to make visible."""

from __future__ import annotations

from pathlib import Path

from simfw.engine.run import Run
from simfw.engine.simulator import simulate
from simfw.loading import load_scenario

GADGET = """\
[gadget]
name = "Winking peg"

[cell]
curve = "nmc"
capacity = "100 mAh"

[controller]
awake = "1 mA"
asleep = "3 uA"

[buttons.top]
debounce = "20 ms"

[loads.lamp]
current = "5 mA"

[loads.glow]
current = "2 mA"

[behaviour.lamp_mode]
starts = "dark"
states.dark = {}
states.full = { lamp = "on" }
states.wink = { lamp = "on", glow = "20 %" }
states.rest = { glow = "20 %" }
rows = [
  { on = "top.click", from = "dark", to = "rest" },
  { on = "top.click", from = ["wink", "rest"], to = "full" },
  { on = "top.click", from = "full", to = "dark" },
  { after = "20 ms", from = "wink", to = "rest" },
  { after = "980 ms", from = "rest", to = "wink" },
]
"""


def winking(folder: Path, steps: str, *, lasts: str, fold: bool = True) -> Run:
    """A run of the winking peg; the first click begins the winks, the second ends them."""
    (folder / "gadget.toml").write_text(GADGET, encoding="utf-8")
    file = folder / "scenario.toml"
    file.write_text(
        f'gadget = "gadget.toml"\ncharge = "80 %"\nlasts = "{lasts}"\nsteps = [\n{steps}\n]\n',
        encoding="utf-8",
    )
    scenario = load_scenario(file)
    assert scenario.gadget is not None
    return simulate(scenario.gadget, scenario, fold=fold)


def press(at: str) -> str:
    """A step of a scenario: the top button is pressed for 100 ms."""
    return f'  {{ at = "{at}", press = "top", for = "100 ms" }},'
