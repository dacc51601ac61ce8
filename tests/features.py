"""What can be written in a gadget file, by the command that takes it: the table of the reference.

`python -m tests.features` writes the page anew. Each gadget below has several features; a command
that takes the gadget takes them all. What cannot stand together is a change of one of them.
"""

from __future__ import annotations

import contextlib
import io
import os
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from simfw.cli import main

PAGE = Path(__file__).parents[1] / "docs" / "reference" / "features.md"
COMMANDS: dict[str, list[str]] = {
    "run": ["run", "s.toml", "--record", "r.csv"],
    "modes": ["modes", "gadget.toml"],
    "circuit": ["circuit", "gadget.toml"],
    "pins": ["pins", "gadget.toml"],
    "life": ["life", "p.toml", "--users", "1"],
    "sweep": ["sweep", "p.toml", "--users", "1", "--vary", "cell.capacity=40 mAh..50 mAh:2"],
    "check": ["check", "gadget.toml"],
    "replay": ["replay", "r.csv", "--gadget", "gadget.toml"],
    "spec": ["spec", "gadget.toml", "-o", "spec", "--no-vectors", "--no-check", "--no-power"],
    "source": ["source", "gadget.toml", "-o", "src"],
    "conform": ["conform", "gadget.toml", "--mutants", "1"],
}


@dataclass(frozen=True)
class Held:
    """A gadget, and the features that it has: what each is called, and its text in the file."""

    toml: str
    features: dict[str, str]


_LED = 'forward = ["1.8 V @ 2 mA", "2.0 V @ 10 mA"]\n'
GADGETS = (
    Held(f"""[gadget]
name = "Cells and drivers"
[cell]
curve = "alkaline"
series = 3
capacity = "40 mAh"
resistance = "300 mΩ"
cut_off = "3.4 V"
[controller]
awake = "1 mA"
asleep = "2 uA"
regulator = {{ output = "3.0 V", drop = "150 mV", quiescent = "2 uA" }}
[lights.lamp]
{_LED}driver = {{ kind = "sink", current = "10 mA", drop = "150 mV", quiescent = "80 uA" }}
switch = {{ kind = "pmos", on_resistance = "60 mΩ" }}
[lights.mark]
{_LED}resistor = "330R"
switch = {{ kind = "pin", resistance = "25R" }}
[buttons.power]
style = "first-edge"
[gauge]
low = "2.95 V"
sample = "lamp.dark"
[behaviour.lamp]
starts = "dark"
states.dark = {{}}
states.lit = {{ lamp = "50 %", mark = "on" }}
rows = [
  {{ on = ["power.click", "cell.back"], from = "dark", to = "lit" }},
  {{ on = "power.click", from = "lit", to = "dark" }},
]
""", {
        "cells in series": "series = 3", "a curve of dry cells": '"alkaline"',
        "`driver` of a light": "driver = ", "a `pmos` switch": '"pmos"',
        "`[controller.regulator]`": "regulator = ", "`[gauge] sample`": "sample = ",
        "`style = \"first-edge\"`": '"first-edge"', "several events in a row": "on = [",
    }),
    Held(f"""[gadget]
name = "Lights in time"
[cell]
curve = "lco"
capacity = "40 mAh"
[charger]
current = "20 mA"
float = "4.2 V"
status = "low while charging"
[charger.input]
voltage = "5 V"
limit = "15 mA"
[lights.red]
{_LED}resistor = "330R"
[lights.plug]
{_LED}resistor = "1k"
fed_by = "usb"
[lights.busy]
{_LED}resistor = "1k"
fed_by = "charger.status"
[sequences.hurry]
steps = ["100 % for 100 ms", "off for 300 ms"]
[dials.dim]
values = ["20 %", "60 %", "100 %"]
rows = [ {{ on = "power.long", step = 1, wrap = true }} ]
[buttons.power]
holds = {{ long = "600 ms" }}
[behaviour.lamp]
starts = "dark"
states.dark = {{}}
states.lit = {{ red = "hurry", scale = {{ red = "dim" }} }}
rows = [
  {{ on = "power.click", from = "dark", to = "lit" }},
  {{ on = "power.click", from = "lit", to = "dark" }},
]
""", {
        "`fed_by = \"usb\"`": '"usb"', "`fed_by = \"charger.status\"`": '"charger.status"',
        "sequences": '"hurry"', "`scale`": "scale = ", "dials": "[dials.dim]",
        "several holds": "holds = ",
    }),
    Held("""[gadget]
name = "Inputs"
[cell]
curve = "lfp"
capacity = "40 mAh"
[controller]
asleep = "2 uA"
[loads.lamp]
current = "5 mA"
[buttons.power]
double = "300 ms"
clicks = 3
second_hold = "500 ms"
hold = "500 ms"
repeat = "200 ms"
[toggles.slide]
[toggles.main]
in_supply = true
[measures.light]
unit = "lx"
thresholds = ["20 lx"]
supply = "100 uA"
[behaviour.lamp]
starts = "dark"
states.dark = {}
states.lit = { lamp = "on" }
rows = [
  { on = "power.click", from = "dark", to = "lit", when = "light == 0" },
  { on = ["power.clicks3", "power.second_hold", "power.repeat", "slide.opened"], from = "lit", \
to = "dark" },
]
""", {
        "`clicks`": "clicks = 3", "`second_hold`": "second_hold = ", "`repeat`": "repeat = ",
        "toggles": "[toggles.slide]", "a toggle `in_supply`": "in_supply", "measures": "[measures",
    }),
    Held("""[gadget]
name = "Memory"
[cell]
curve = "nimh"
series = 3
capacity = "40 mAh"
[loads.lamp]
current = "5 mA"
[buttons.power]
[toggles.main]
in_supply = true
[behaviour.lamp]
starts = "dark"
kept = "state"
states.dark = {}
states.lit = { lamp = "on" }
rows = [
  { on = "power.click", from = "dark", to = "lit" },
  { on = "power.click", from = "lit", to = "dark" },
]
""", {"`kept`": "kept = "}),
    Held("""[gadget]
name = "Power path"
[cell]
curve = "lco"
capacity = "40 mAh"
resistance = "300 mΩ"
cut_off = "3.0 V"
restart = "3.2 V"
[charger]
current = "20 mA"
float = "4.2 V"
finish = "10 %"
status = "low while charging"
power_path = true
input = { voltage = "5 V", limit = "30 mA" }
[controller]
asleep = "5 uA"
[loads.lamp]
current = "5 mA"
[buttons.power]
[behaviour.lamp]
starts = "dark"
states.dark = {}
states.lit = { lamp = "on" }
rows = [
  { on = "power.click", from = "dark", to = "lit" },
  { on = "power.click", from = "lit", to = "dark" },
]
""", {"`power_path`": "power_path = "}),
    Held("""[gadget]
name = "Soft latch"
[cell]
curve = "nimh"
series = 3
capacity = "40 mAh"
[controller]
asleep = "5 uA"
powered_by = ["power"]
hold_up = "20 ms"
[loads.lamp]
current = "5 mA"
[buttons.power]
[behaviour.lamp]
starts = "off"
states.off = { controller = "unpowered" }
states.lit = { lamp = "on" }
rows = [
  { on = "power.press", from = "off", to = "lit" },
  { on = "power.click", from = "lit", to = "off" },
]
""", {"`powered_by`, `controller = \"unpowered\"`": "powered_by = ", "`hold_up`": "hold_up = "}),
)

SCENARIO = """title = "Features"
gadget = "gadget.toml"
charge = "70 %"
lasts = "20 s"
steps = [ { at = "2 s", press = "power", for = "100 ms" }, { at = "6 s", press = "power", \
for = "900 ms" } ]
"""
PATTERN = """title = "Features"
gadget = "gadget.toml"
charge = "100 %"
horizon = "2 days"
[[habits]]
name = "evening"
each = "day"
times = 1
steps = [ { press = "power", for = "100 ms" }, { wait = "20 min" }, { press = "power", \
for = "100 ms" } ]
"""
# What is refused together: in which gadget, what is changed into what.
TOGETHER = (
    (0, 'kind = "pmos", on_resistance = "60 mΩ"',
     'kind = "npn", base = "1k", saturation = "0.1 V"'),
    (0, 'kind = "pin", resistance = "25R"',
     'kind = "npn", base = "1k", gain = 200, saturation_current = "1e-14 A"'),
    (0, 'low = "2.95 V"', 'low = "3.1 V"'),
    (0, "[lights.lamp]", '[charger]\ncurrent = "20 mA"\nfloat = "4.9 V"\n[lights.lamp]'),
    (1, 'fed_by = "usb"', 'fed_by = "usb"\nswitch = { kind = "pin" }'),
    (1, 'red = "hurry"', 'plug = "on"'),
)


def said(arguments: list[str]) -> tuple[int, str]:
    """The exit status of a command, and what it says on standard error."""
    error = io.StringIO()
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(error):
        status = main(arguments)
    return status, error.getvalue()


@contextlib.contextmanager
def folder(toml: str) -> Iterator[None]:
    """Stand in a folder with this gadget, a scenario and a pattern."""
    before = Path.cwd()
    with tempfile.TemporaryDirectory() as place:
        for name, text in (("gadget", toml), ("s", SCENARIO), ("p", PATTERN)):
            Path(place, f"{name}.toml").write_text(text, encoding="utf-8")
        os.chdir(place)
        try:
            yield
        finally:
            os.chdir(before)


def taken(held: Held) -> dict[str, str]:
    """By command "yes", or its message."""
    with folder(held.toml):
        found = {name: said(arguments) for name, arguments in COMMANDS.items()}
    return {name: "yes" if status in (0, 1) else error.strip()
            for name, (status, error) in found.items()}


def refused(number: int, old: str, new: str) -> str:
    """The message about one change, without file and line."""
    text = GADGETS[number].toml
    assert text.count(old) == 1, old
    with folder(text.replace(old, new)):
        status, error = said(["modes", "gadget.toml"])
    assert status == 2, error
    return error.splitlines()[0].partition(": ")[2]


def page() -> str:
    """The page as it is to be."""
    lines = [
        "# What may be written, and which command takes it", "",
        "Whatever a gadget file says, runs in every command or is refused there by name. This page "
        "is written and", "checked by a test (`python -m tests.features`), on gadgets that have "
        "these things together.", "",
        "| | " + " | ".join(f"`{name}`" for name in COMMANDS) + " |",
        "|---" * (len(COMMANDS) + 1) + "|",
    ]
    reasons: list[str] = []
    for held in GADGETS:
        cells = []
        for answer in taken(held).values():
            if answer != "yes" and answer not in reasons:
                reasons.append(answer)
            cells.append("yes" if answer == "yes" else f"no ({reasons.index(answer) + 1})")
        lines += [f"| {feature} | " + " | ".join(cells) + " |" for feature in held.features]
    lines += ["", *(f"({number}) {reason}" for number, reason in enumerate(reasons, start=1))]
    lines += ["", "## Refused together", "", "| message |", "|---|"]
    lines += [f"| {refused(*one)} |" for one in TOGETHER]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
