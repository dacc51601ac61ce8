"""Where each figure of a gadget comes from."""

from __future__ import annotations

from pathlib import Path

import pytest

from simfw import load_gadget
from simfw.errors import DescriptionError
from simfw.gadget.figures import Origins, entries, guesses, origins
from simfw.gadget.quantities import quantities, with_values

DEMOS = sorted((Path(__file__).parents[2] / "scenarios").glob("*/gadget.toml"))
GADGET = """
[gadget]
name = "Lamp"
[cell]
curve = "lco"
capacity = { value = "650 mAh ± 5 %", standing = "guess" }
resistance = { value = "180 mΩ", source = "the shop's page" }
cut_off = "3.0 V"
leakage = { value = "3 uA", range = "2 uA .. 6 uA", standing = "published", source = "its sheet" }
[lights.lamp]
forward = [
  { value = "2.75 V @ 5 mA", standing = "measured", source = "bench" },
  "3.0 V (2.6 V .. 3.4 V) @ 20 mA",
]
resistor = "33R"
[buttons.key]
hold = { value = "1 s", standing = "guess" }
[behaviour.lamp_mode]
starts = "dark"
states.dark = {}
states.lit = { lamp = "on" }
rows = [
  { on = "key.click", from = "dark", to = "lit" },
  { after = "30 min", from = "lit", to = "dark" },
]
[[rules]]
name = "answered"
when = "key.click and lamp_mode.dark"
then = "lamp_mode.lit"
within = "50 ms"
[readings]
"lamp_mode.lit" = "20 mA ± 1 mA"
"""


def load(folder: Path, text: str = GADGET):
    """The gadget that `text` describes."""
    path = folder / "gadget.toml"
    path.write_text(text, encoding="utf-8")
    return load_gadget(path)


def test_each_figure_tells_its_origin(tmp_path: Path) -> None:
    """Standing first; else source, default, demand of a rule, reading of a meter, or nothing."""
    found = {entry.key: (entry.origin, entry.origin_text) for entry in entries(load(tmp_path))}
    assert found == {
        "cell.capacity": ("guess", "guess"),
        "cell.resistance": ("source", "the shop's page"),
        "cell.cut_off": ("none", "not stated"),
        "cell.leakage": ("published", "published, its sheet"),
        "lights.lamp.forward[0].voltage_v": ("measured", "measured, bench"),
        "lights.lamp.forward[0].current_a": ("measured", "measured, bench"),
        "lights.lamp.forward[1].voltage_v": ("none", "not stated"),
        "lights.lamp.forward[1].current_a": ("none", "not stated"),
        "lights.lamp.resistor": ("none", "not stated"),
        "buttons.key.debounce": ("default", "default of this tool"),
        "buttons.key.hold": ("guess", "guess"),
        "behaviour.lamp_mode.rows[1].after": ("none", "not stated"),
        "rules[0].within": ("demand", "demand of a rule"),
        "readings.lamp_mode.lit": ("reading", "a meter's reading"),
    }


def test_defaults_demands_and_readings_are_not_counted(tmp_path: Path) -> None:
    """Eleven figures are stated about the gadget; five of them say nothing."""
    gadget = load(tmp_path)
    assert origins(gadget) == Origins(11, 5)
    assert [entry.key for entry in guesses(gadget)] == ["cell.capacity", "buttons.key.hold"]


def test_value_and_range_are_told_as_written(tmp_path: Path) -> None:
    """A tolerance, a bracket or the range of a table; other values have none of them."""
    gadget = load(tmp_path)
    found = {entry.key: (entry.value_text, entry.range_text) for entry in entries(gadget)}
    assert found["cell.capacity"] == ("650 mAh", "± 5 %")
    assert found["cell.leakage"] == ("3 uA", "2 uA .. 6 uA")
    assert found["lights.lamp.forward[1].voltage_v"] == ("3.0 V", "2.6 V .. 3.4 V")
    assert found["lights.lamp.resistor"] == ("33R", "")
    assert quantities(with_values(gadget, {"cell.leakage": 1e-6}))["cell.leakage"].span == ""


@pytest.mark.parametrize(("old", "new", "said"), [
    ('standing = "measured", source = "bench"', 'standing = "seen"',
     'lights.lamp.forward[0].standing = "seen": unknown standing. Allowed: "measured"'),
    ('standing = "measured", source = "bench"', 'range = "2 V .. 3 V"',
     "a point has no range of its own. Allowed: a tolerance or range beside"),
    ('standing = "measured", source = "bench"', 'standig = "guess"',
     "unknown key. Allowed: value, standing, source. Did you mean"),
    ("2.75 V @ 5 mA", "2.75 V", "this is not a point. Allowed: a voltage at a current"),
    ('{ value = "2.75 V @ 5 mA", standing', "{ standing", 'the key "value" is missing'),
])  # fmt: skip
def test_a_broken_table_of_a_point_says_what_is_allowed(
    tmp_path: Path, old: str, new: str, said: str
) -> None:
    """The messages of a point's table name its key and its line."""
    with pytest.raises(DescriptionError) as caught:
        load(tmp_path, GADGET.replace(old, new))
    message = str(caught.value)
    assert said in message
    assert "gadget.toml:12: lights.lamp.forward[0]" in message


@pytest.mark.parametrize("path", DEMOS, ids=lambda path: path.parent.name)
def test_every_figure_of_a_demo_gadget_has_an_origin(path: Path) -> None:
    """What their comments say: from published parts where a source is named, else a guess."""
    found = entries(load_gadget(path))
    assert [entry.key for entry in found if entry.origin == "none"] == []
    assert all(entry.figure.source for entry in found if entry.origin == "published")
