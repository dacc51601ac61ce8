"""Broken scenario files: each gives one whole message, and never a traceback."""

from __future__ import annotations

from pathlib import Path

import pytest

import simfw
from simfw.errors import DescriptionError
from tests.broken import DATA, Broken, broken

SOUND = (DATA / "jam-evening.toml").read_text(encoding="utf-8")
GADGET = (DATA / "larder-lamp.toml").read_text(encoding="utf-8")


def refusal(text: str, folder: Path) -> str:
    """The whole message with which a scenario file of this text is refused."""
    (folder / "scenario.toml").write_text(text, encoding="utf-8")
    with pytest.raises(DescriptionError) as caught:
        simfw.load_scenario("scenario.toml")
    assert caught.value.exit_code == 2
    return str(caught.value)


@pytest.fixture(autouse=True)
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Work in a folder that holds the gadget only."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "larder-lamp.toml").write_text(GADGET, encoding="utf-8")
    return tmp_path


@pytest.mark.parametrize("case", broken("scenarios.txt"), ids=lambda case: case.name)
def test_each_mistake_has_its_whole_message(case: Broken, here: Path) -> None:
    """Place, key, what stands there, what is wrong, what is allowed, and the nearest name."""
    assert refusal(case.apply(SOUND), here) == case.message


def test_mistakes_of_gadget_and_scenario_are_told_together(here: Path) -> None:
    """The gadget's problems come first, each under the name of its own file."""
    (here / "larder-lamp.toml").write_text(GADGET.replace('"22R"', '"22r"'), encoding="utf-8")
    message = refusal(SOUND.replace("80 %", "80"), here)
    first, second, count = message.splitlines()
    assert first.startswith('larder-lamp.toml:34: lights.shelf.resistor = "22r": "22r" is not')
    assert second.startswith('scenario.toml:3: charge = "80": "80" has no unit.')
    assert count == "2 problems; nothing was done."


def test_names_are_checked_in_a_step_that_lacks_something(here: Path) -> None:
    """Two mistakes in one step are both told."""
    text = SOUND.replace('press = "level", for = "120 ms", bounce = "3 ms"', 'press = "lvl"')
    assert refusal(text, here) == (
        'scenario.toml:8: steps[2]: the key "for" is missing. '
        'Allowed: for example for = "120 ms".\n'
        'scenario.toml:8: steps[2].press = "lvl": the gadget has no such button. '
        'Allowed: power, level. Did you mean "level"?\n'
        "2 problems; nothing was done."
    )


def test_no_step_comes_after_the_stand_in_of_a_broken_end(here: Path) -> None:
    """`lasts = 24` is one mistake: a step at 20 h is not held against a length of ours."""
    text = SOUND.replace('"6 h"', "24").replace('at = "5 h"', 'at = "20 h"')
    first, count = refusal(text, here).splitlines()
    assert first.startswith("scenario.toml:4: lasts = 24: a number without a unit is not")
    assert count == "1 problem; nothing was done."


def test_a_gadget_file_is_not_a_scenario(here: Path) -> None:
    """A gadget where a scenario is wanted is one problem, not twenty."""
    assert refusal(GADGET, here) == (
        "scenario.toml: this is a gadget file; expected a scenario file.\n"
        "1 problem; nothing was done."
    )


def test_usb_needs_a_charger(here: Path) -> None:
    """A stimulus that can have no effect is refused."""
    start, end = GADGET.index("[charger]"), GADGET.index("[controller]")
    gadget = GADGET[:start] + GADGET[end:]
    gadget = gadget.replace(" or charge.charging or charge.complete", "")
    (here / "larder-lamp.toml").write_text(gadget, encoding="utf-8")
    assert refusal(SOUND, here) == (
        "scenario.toml:12: steps[6].usb = true: the gadget has no charger. "
        "Allowed: usb only for a gadget with [charger].\n"
        "scenario.toml:13: steps[7].usb = false: the gadget has no charger. "
        "Allowed: usb only for a gadget with [charger].\n"
        "2 problems; nothing was done."
    )
