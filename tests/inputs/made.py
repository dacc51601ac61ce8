"""Small gadgets with toggles and measures, and how to run them."""

from __future__ import annotations

import tomllib
from pathlib import Path

from simfw.engine.run import Run
from simfw.engine.simulator import simulate
from simfw.gadget.model import Gadget
from simfw.loading import load_scenario
from simfw.stimuli.scenario import Scenario

DRAWER = """
[gadget]
name = "Drawer lamp"
[cell]
curve = "lco"
capacity = "100 mAh"
resistance = "200 mΩ"
leakage = "1 uA"
[controller]
awake = "1 mA"
asleep = "2 uA"
[loads.lamp]
current = "10 mA"
[toggles.drawer]
debounce = "10 ms"
supply = "3 uA"
[toggles.main]
in_supply = true
[buttons.key]
[behaviour.lamp]
starts = "dark"
states.dark = {}
states.lit = { lamp = "on" }
rows = [
  { on = "drawer.closed", from = "dark", to = "lit" },
  { on = "drawer.opened", from = "lit", to = "dark" },
  { on = "key.click", from = "dark", to = "lit", when = "drawer.on" },
  { on = "key.click", from = "lit", to = "dark" },
]
[[rules]]
name = "a closed contact before light"
never = "lamp > 0 and not drawer.on"
"""
"""A lamp that a contact in a drawer lights, with a slide switch in its supply."""


PATH = """
[gadget]
name = "Path light"
[cell]
curve = "lco"
capacity = "100 mAh"
resistance = "200 mΩ"
[controller]
awake = "1 mA"
asleep = "2 uA"
[loads.lamp]
current = "10 mA"
[buttons.key]
[measures.light]
unit = "lx"
thresholds = ["10 lx", "100 lx"]
hysteresis = "5 lx"
every = "500 ms"
settle = "10 ms"
supply = "200 uA"
agree = 2
[measures.warmth]
unit = "degC"
thresholds = ["5 degC"]
hysteresis = "2 degC"
every = "10 s"
source = "temperature"
starts = 1
[behaviour.lamp]
starts = "dark"
states.dark = {}
states.lit = { lamp = "on" }
rows = [
  { on = "light.down", from = "dark", to = "lit", when = "light == 0 and warmth > 0" },
  { on = "light.up", from = "lit", to = "dark" },
  { on = "warmth.down", from = "lit", to = "dark" },
  { on = "key.click", from = "dark", to = "lit", when = "light < 2" },
  { on = "key.click", from = "lit", to = "dark" },
]
[[rules]]
name = "no light by day"
never = "lamp > 0 and light >= 2"
"""
"""A lamp beside a path: it looks for daylight twice a second, and for cold every ten seconds."""


def gadget(text: str) -> Gadget:
    """The gadget that `text` says."""
    return Gadget.model_validate(tomllib.loads(text))


def scenario(folder: Path, text: str, steps: str, *, lasts: str = "1 min",
             charge: str = "80 %") -> Scenario:
    """The steps, one a line, as a scenario of the gadget that `text` says."""
    (folder / "gadget.toml").write_text(text, encoding="utf-8")
    lines = "\n".join(f"  {{ {line.strip()} }}," for line in steps.strip().splitlines())
    file = folder / "scenario.toml"
    file.write_text(f'gadget = "gadget.toml"\ncharge = "{charge}"\nlasts = "{lasts}"\n'
                    f"steps = [\n{lines}\n]\n", encoding="utf-8")
    return load_scenario(file)


def run(folder: Path, text: str, steps: str, *, lasts: str = "1 min") -> Run:
    """Run the steps. Every expectation among them is met, or the test fails."""
    made = scenario(folder, text, steps, lasts=lasts)
    assert made.gadget is not None
    result = simulate(made.gadget, made)
    assert [one.expression for one in result.expectations if not one.met] == []
    return result


def heard(result: Run) -> list[tuple[int, str]]:
    """The events of a run: (time in ns, name)."""
    return [(event.time_ns, event.name) for event in result.events]
