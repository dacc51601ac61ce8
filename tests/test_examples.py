"""The demo gadgets print what is expected of them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from simfw import load_gadget
from simfw.gadget.quantities import quantities
from tests.examples import SCENARIOS, life_outputs, outputs, patterns, printed, same, scenarios


@pytest.mark.parametrize("scenario", scenarios(), ids=lambda p: f"{p.parent.name}/{p.stem}")
def test_example_prints_what_is_expected(scenario: Path) -> None:
    """Text to the letter, JSON to 1e-9 relative; all expectations met and rules held."""
    for path, text in outputs(scenario).items():
        kept = path.read_text(encoding="utf-8")
        if path.suffix == ".json":
            same(json.loads(text), json.loads(kept))
            value = json.loads(text)
            assert all(e["met"] for e in value["expectations"])
            assert all(rule["held"] for rule in value["rules"])
        else:
            assert text == kept


@pytest.mark.parametrize("pattern", patterns(), ids=lambda p: f"{p.parent.name}/{p.stem}")
def test_pattern_lives_as_expected(pattern: Path) -> None:
    """Two users of each demo pattern cut short: text to the letter, JSON to 1e-9 relative."""
    for path, text in life_outputs(pattern).items():
        kept = path.read_text(encoding="utf-8")
        if path.suffix == ".json":
            same(json.loads(text), json.loads(kept))
        else:
            assert text == kept


def test_a_wrong_expected_number_would_be_found() -> None:
    """The comparison of golden outputs does fail on a changed digit."""
    with pytest.raises(AssertionError):
        same({"a": [1.0, 2.0]}, {"a": [1.0, 2.0 + 1e-8]})
    with pytest.raises(AssertionError):
        same({"a": 1.0}, {"b": 1.0})


def test_each_demo_gadget_has_two_scenarios_with_expectations_and_rules() -> None:
    """Every folder has a gadget and a README; where it has scenarios, two or more, and rules."""
    folders = sorted(path for path in SCENARIOS.iterdir() if path.is_dir())
    with_scenarios = 0
    for folder in folders:
        assert (folder / "README.md").is_file()
        gadget = load_gadget(folder / "gadget.toml")
        own = [path for path in scenarios() if path.parent == folder]
        if own:
            with_scenarios += 1
            assert gadget.rules
            assert len(own) >= 2, folder
            assert all("expect" in path.read_text(encoding="utf-8") for path in own)
    assert with_scenarios >= 3


def test_published_part_values_name_their_source() -> None:
    """Whatever a demo gadget calls published says where."""
    published = 0
    for path in SCENARIOS.glob("*/gadget.toml"):
        for key, quantity in quantities(load_gadget(path)).items():
            if quantity.standing == "published":
                assert quantity.source, f"{path}: {key}"
                published += 1
    assert published >= 20


def test_demo_gadgets_differ_in_kind() -> None:
    """One has infra-red, one has none, one runs on a cell that is not charged."""
    gadgets = {
        path.parent.name: load_gadget(path) for path in sorted(SCENARIOS.glob("*/gadget.toml"))
    }
    assert gadgets["larder-lamp"].proximity
    assert not gadgets["cellar-steps"].proximity
    assert gadgets["cellar-steps"].charger is not None
    assert gadgets["key-hook"].charger is None


@pytest.mark.parametrize("name", ["larder-lamp", "cellar-steps", "key-hook"])
def test_modes_of_the_demo_gadgets_begin_with_standby(name: str) -> None:
    """The first mode is the state everything starts in, and costs least of its kind."""
    status, text = printed("modes", str(SCENARIOS / name / "gadget.toml"), "--json")
    assert status == 0
    modes = json.loads(text)["modes"]
    assert next(iter(modes[0]["states"].values())) == "dark"
    assert modes[0]["average_current_a"] < 1e-3
    assert modes[0]["average_current_a"] < max(m["average_current_a"] for m in modes) / 10
