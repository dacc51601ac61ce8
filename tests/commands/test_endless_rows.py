"""Rows that lead round in no time are told before a run meets them."""

from __future__ import annotations

import json

import pytest

from simfw.cli import main
from simfw.errors import GadgetWarning
from simfw.loading import load_gadget, load_scenario

GADGET = """
[gadget]
name = "Restless"
[cell]
curve = "lco"
capacity = "650 mAh"
[loads.lamp]
current = "20 mA"
[buttons.a]
[behaviour.lamp]
starts = "dark"
states.dark = {}
states.one = { lamp = "on" }
states.two = { lamp = "50 %" }
rows = [
  { on = "a.click", from = "dark", to = "one" },
  { after = "0 s", from = "one", to = "two" },
  { after = "0 s", from = "two", to = "one" },
]
"""
LOOP = "behaviour.lamp.rows[1] -> behaviour.lamp.rows[2]"


@pytest.fixture
def restless(tmp_path):
    """A gadget whose lamp goes round between two states once it is clicked."""
    path = tmp_path / "gadget.toml"
    path.write_text(GADGET, encoding="utf-8")
    return path


def test_loading_warns(restless):
    """The gadget can be used; whoever loads it hears of its rows, through a scenario as well."""
    with pytest.warns(GadgetWarning, match="without time passing: behaviour.lamp.rows"):
        load_gadget(restless)
    scenario = restless.parent / "scenario.toml"
    scenario.write_text('gadget = "gadget.toml"\ncharge = "80 %"\nlasts = "1 s"\n', "utf-8")
    with pytest.warns(GadgetWarning, match="without time passing"):
        load_scenario(scenario)


def test_every_command_says_so_in_one_line(restless, capsys):
    """On standard error, once, without the place in the program."""
    scenario = restless.parent / "scenario.toml"
    scenario.write_text('gadget = "gadget.toml"\ncharge = "80 %"\nlasts = "1 s"\n', "utf-8")
    assert main(["run", str(scenario)]) == 0
    told = capsys.readouterr().err
    assert told.startswith("Warning: ")
    assert told.count("\n") == 1
    assert LOOP in told


def test_modes_lists_what_rests_and_names_what_does_not(restless, capsys):
    """The dark lamp has its line; the states that lead round have none, and the status is 1."""
    assert main(["modes", str(restless)]) == 1
    told = capsys.readouterr().out
    assert "  dark" in told
    assert "lamp.one/two never comes to rest." in told
    assert LOOP in " ".join(told.split())
    assert main(["modes", str(restless), "--json"]) == 1
    value = json.loads(capsys.readouterr().out)
    assert [mode["states"] for mode in value["modes"]] == [{"lamp": "dark"}]
    assert value["restless"] == ["lamp.one/two"]
    assert value["endless"] == [{"rows": LOOP.split(" -> ")}]


def test_modes_of_a_gadget_that_never_rests_says_only_that(restless, capsys):
    """Nothing to list is no traceback."""
    restless.write_text(GADGET.replace('starts = "dark"', 'starts = "one"').replace(
        'from = "dark", to = "one"', 'from = "dark", to = "same"'), "utf-8")
    assert main(["modes", str(restless)]) == 1
    assert "no combination of states comes to rest" in capsys.readouterr().out


def test_check_names_the_rows_and_not_their_states(restless, capsys):
    """A fault with the rows beside it; no note that nothing leads to the states of the loop."""
    assert main(["check", str(restless)]) == 1
    told = capsys.readouterr().out
    assert "endless-instant" in told
    assert "where: behaviour.lamp.rows[1], behaviour.lamp.rows[2]" in told
    assert "unreachable-state" not in told
