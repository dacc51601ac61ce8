"""The quantities of a gadget by key, and other values for some of them."""

from __future__ import annotations

from pathlib import Path

import pytest

from simfw import load_gadget
from simfw.gadget.quantities import places, quantities, ranged, whole_numbers, with_values
from simfw.quantity import Figure, Timing

GADGET = Path(__file__).resolve().parents[2] / "scenarios/larder-lamp/gadget.toml"


def test_every_quantity_has_its_own_key() -> None:
    """Keys are those of the file, points of a diode end in what they hold."""
    found = quantities(load_gadget(GADGET))
    assert found["cell.capacity"].text == "650 mAh ± 5 %"
    assert found["charger.float"].text == "4.20 V"
    assert found["gauge.thresholds[2]"].text == "3.66 V"
    point = found["lights.shelf.forward[0].voltage_v"]
    assert isinstance(point, Figure)
    assert point.value == 2.75
    assert isinstance(found["buttons.power.hold"], Timing)
    assert isinstance(found["behaviour.lamp.rows[7].after"], Timing)


def test_only_quantities_with_a_range_are_ranged() -> None:
    """A tolerance or a range makes a range, a plain value does not."""
    assert sorted(ranged(load_gadget(GADGET))) == [
        "cell.capacity", "controller.asleep", "controller.reference",
    ]  # fmt: skip


def test_places_handed_over_lead_to_the_same_gadget() -> None:
    """Figures, timings and whole numbers; what a gadget does not have is refused likewise."""
    gadget = load_gadget(GADGET)
    known = places(gadget)
    values = {"cell.capacity": 100.0, "buttons.power.hold": 3e9, "proximity.wave.agree": 3.0}
    assert with_values(gadget, values, known=known) == with_values(gadget, values)
    assert known == places(gadget)
    with pytest.raises(KeyError):
        with_values(gadget, {"cell.colour": 1.0}, known=known)


def test_other_values_replace_what_is_named_and_nothing_else() -> None:
    """Figures and timings anywhere in the description; the rest stays equal."""
    gadget = load_gadget(GADGET)
    keys = {
        "cell.capacity": 100.0,
        "gauge.thresholds[0]": 3.1,
        "lights.shelf.forward[1].current_a": 0.02,
        "proximity.wave.every": 1e9,
        "behaviour.lamp.rows[7].after": 2e9,
    }
    changed = with_values(gadget, keys)
    before, after = quantities(gadget), quantities(changed)
    for key, value in keys.items():
        found = after[key]
        assert (found.ns if isinstance(found, Timing) else found.value) == value
        assert key not in ranged(changed)
    assert {k: q for k, q in before.items() if k not in keys} == {
        k: q for k, q in after.items() if k not in keys
    }
    assert quantities(gadget) == before


def test_an_unknown_key_is_refused() -> None:
    """A misspelt key is an error, never ignored."""
    with pytest.raises(KeyError):
        with_values(load_gadget(GADGET), {"cell.capacitance": 1.0})


def test_what_a_part_does_not_use_is_none_of_its_quantities(tmp_path: Path) -> None:
    """A contact is read by one style, and one in the supply is not read at all."""
    path = tmp_path / "gadget.toml"
    path.write_text("""
gadget = { name = "Hall" }
cell = { curve = "lco", capacity = "400 mAh" }
loads = { lamp = { current = "8 mA" } }
toggles = { main = { in_supply = true }, lid = {} }
buttons = { read = { style = "sample" }, settled = {} }
behaviour.lamp = { starts = "on", states.on = { lamp = "on" }, rows = [] }
""", encoding="utf-8")
    gadget = load_gadget(path)
    assert [key for key in quantities(gadget) if key.startswith(("buttons", "toggles"))] == [
        "buttons.read.sample_every", "buttons.settled.debounce", "toggles.lid.debounce"]
    numbers = whole_numbers(gadget)
    assert "buttons.read.samples" in numbers
    assert "buttons.settled.samples" not in numbers
