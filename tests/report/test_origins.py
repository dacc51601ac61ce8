"""What reports say of the figures that they rest on, and `simfw figures`."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from simfw import load_gadget
from simfw.circuit.overview import overview
from simfw.circuit.pins import check_pins
from simfw.cli import main
from simfw.engine.modes import survey
from simfw.gadget.quantities import quantities, with_values
from simfw.quantity import Timing
from simfw.report.circuit import circuit_json
from simfw.report.modes import modes_json
from simfw.report.pins import pins_json
from simfw.report.text import bears_on, guess_block

ROOT = Path(__file__).parents[2]
LARDER = ROOT / "scenarios/larder-lamp/gadget.toml"
BARE = """
[gadget]
name = "Lamp"
[cell]
curve = "lco"
capacity = CAPACITY
cut_off = "3.0 V"
[loads.lamp]
current = "20 mA"
[buttons.key]
debounce = { value = "20 ms", standing = "guess" }
[toggles.lid]
[behaviour.lamp_mode]
starts = "dark"
states.dark = {}
states.lit = { lamp = "on" }
rows = [ { on = "key.click", from = "dark", to = "lit" } ]
"""
SCENARIO = 'title = "x"\ngadget = "gadget.toml"\ncharge = "100 %"\nlasts = "1 min"\nsteps = []\n'
PATTERN = 'title = "x"\ngadget = "gadget.toml"\ncharge = "100 %"\nhorizon = "1 day"\n'
NONE = "of the file's 4 figures do not say where they come from: `simfw figures GADGET` lists them"
COMMANDS = [["run", "s.toml"], ["modes", "gadget.toml"], ["circuit", "gadget.toml"],
            ["pins", "gadget.toml"], ["life", "p.toml", "--users", "1"]]  # fmt: skip


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a gadget whose capacity is a guess, a scenario and a pattern."""
    monkeypatch.chdir(tmp_path)
    guessed = BARE.replace("CAPACITY", '{ value = "200 mAh", standing = "guess" }')
    Path("gadget.toml").write_text(guessed, encoding="utf-8")
    Path("s.toml").write_text(SCENARIO, encoding="utf-8")
    Path("p.toml").write_text(PATTERN, encoding="utf-8")
    return tmp_path


@pytest.mark.parametrize("command", COMMANDS, ids=lambda command: command[0])
def test_a_report_counts_the_figures_without_origin(
    command: list[str], folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two of four say nothing: the block of guesses ends with that, and the JSON counts them."""
    assert main(command) == 0
    block = capsys.readouterr().out.partition("These figures rest on guesses\n")[2]
    assert block.partition("\n\n")[0].endswith(f"\n  2 {NONE}")
    assert main([*command, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["without_origin"] == 2


@pytest.mark.parametrize("command", COMMANDS, ids=lambda command: command[0])
def test_without_a_guess_the_count_stands_alone(
    command: list[str], folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """No guess is claimed where none is marked; the count is told all the same."""
    text = BARE.replace("CAPACITY", '"200 mAh"').replace(', standing = "guess"', "")
    Path("gadget.toml").write_text(text, encoding="utf-8")
    assert main(command) == 0
    out = capsys.readouterr().out
    assert f"\n\n  4 {NONE}\n\n" in out
    assert "rest on guesses" not in out


def test_where_all_figures_have_an_origin_nothing_is_said(tmp_path: Path) -> None:
    """No line, no block."""
    path = tmp_path / "gadget.toml"
    path.write_text(
        '[gadget]\nname = "x"\n[cell]\ncurve = "lco"\n'
        'capacity = { value = "1 Ah", standing = "measured" }\n',
        encoding="utf-8",
    )
    assert guess_block([], load_gadget(path)) == []


def test_many_guesses_share_a_row_per_part_of_the_gadget() -> None:
    """No guess is lost; the two quantities of a point stand together."""
    gadget = load_gadget(LARDER)
    named = [(key, found.text) for key, found in quantities(gadget).items()
             if found.standing == "guess"]  # fmt: skip
    block = guess_block(named, gadget)
    assert block[1] == "These figures rest on guesses"
    assert len(block) < len(named) / 2
    text = re.sub(r"\s+", " ", " ".join(block))
    assert "lights.shelf forward[0] 2.75 V @ 5 mA, resistor 22R, switch.on_resistance" in text
    assert all(value in text for _, value in named)
    assert guess_block(named[:3], gadget)[2:] == [
        "  cell.capacity     650 mAh ± 5 %", "  cell.resistance   180 mΩ",
        "  cell.cut_off      3.05 V",
    ]  # fmt: skip


@pytest.mark.parametrize("question", ["circuit", "modes", "pins"])
def test_an_answer_does_not_move_with_the_figures_that_it_is_said_not_to_rest_on(
    question: str,
) -> None:
    """All figures that a report does not claim to rest on are changed; its JSON stays the same."""
    gadget = load_gadget(LARDER)
    apart = {key for key in quantities(gadget) if not bears_on(question, key)}
    assert "buttons.power.hold" in apart
    assert "lights.shelf.resistor" not in apart
    moved = with_values(gadget, {
        key: found.ns * 1.02 if isinstance(found, Timing) else found.value * 1.02
        for key, found in quantities(gadget).items() if key in apart
    })  # fmt: skip
    answers = {
        "circuit": lambda one: circuit_json(one, overview(one)),
        "modes": lambda one: modes_json(one, survey(one)),
        "pins": lambda one: pins_json(one, check_pins(one)),
    }
    assert answers[question](moved) == answers[question](gadget)


def test_figures_lists_each_with_its_origin(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A table of all, or of those that say nothing, with the count below."""
    assert main(["figures", "gadget.toml"]) == 0
    out = capsys.readouterr().out.splitlines()
    assert out[0] == "Lamp: figures and where they come from"
    assert [re.split(r"\s{2,}", line.strip()) for line in out[2:8]] == [
        ["figure", "value", "range", "standing", "source"],
        ["cell.capacity", "200 mAh", "guess"],
        ["cell.cut_off", "3.0 V", "not stated"],
        ["loads.lamp.current", "20 mA", "not stated"],
        ["buttons.key.debounce", "20 ms", "guess"],
        ["toggles.lid.debounce", "20 ms", "default of this tool"],
    ]
    count = "2 of the file's 4 figures do not say where they come from; 2 are guesses."
    assert count in out
    assert main(["figures", "gadget.toml", "--without-origin"]) == 0
    short = capsys.readouterr().out
    assert "cell.capacity" not in short
    assert "loads.lamp.current" in short
    assert count in short


def test_the_json_of_figures_has_the_documented_keys(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Quantities as written; every key stands in the reference page, and no other."""
    assert main(["figures", "gadget.toml", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["figures"][0] == {
        "key": "cell.capacity", "value": "200 mAh", "range": None, "origin": "guess",
        "standing": "guess", "source": None,
    }  # fmt: skip
    assert (found["stated"], found["without_origin"]) == (4, 2)
    assert found["figures"][-1]["origin"] == "default"
    assert found["figures"][-1]["source"] is None
    page = (ROOT / "docs/reference/circuit-json.md").read_text(encoding="utf-8")
    section = page.partition("## `simfw figures")[2]
    documented = set(re.findall(r"`(?:figures\[\]\.)?(\w+)(?:\[\])?`", section))
    assert {*found, *found["figures"][0]} <= documented
    assert main(["figures", "gadget.toml", "--json", "--without-origin"]) == 0
    listed = json.loads(capsys.readouterr().out)["figures"]
    assert [one["key"] for one in listed] == ["cell.cut_off", "loads.lamp.current"]


def test_a_fresh_folder_has_no_figure_without_origin(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """What `simfw new` makes up is marked as a guess, each figure of it."""
    monkeypatch.chdir(tmp_path)
    assert main(["new", "porch-light"]) == 0
    capsys.readouterr()
    assert main(["figures", "porch-light/gadget.toml", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["without_origin"] == 0
    assert {one["origin"] for one in found["figures"]} == {"guess"}
