"""Keys of a gadget file set from outside, and what that changes."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simfw import load_gadget, load_scenario
from simfw.cli import main
from simfw.errors import DescriptionError, UsageError
from simfw.loading import load_pattern
from simfw.setting import key_path, parse_settings
from simfw.tomlfile import key_text
from tests.broken import DATA
from tests.life.made import EVENING, head

ROOT = Path(__file__).resolve().parents[1]
HOOK = "scenarios/key-hook"
LARDER = DATA / "larder-lamp.toml"
NAMES = st.text(st.characters(codec="utf-8", exclude_categories=("C",), exclude_characters="\\"),
                min_size=1, max_size=8)


@pytest.fixture(autouse=True)
def here(monkeypatch: pytest.MonkeyPatch) -> None:
    """Work where the scenarios are."""
    monkeypatch.chdir(ROOT)


@given(NAMES, st.lists(NAMES | st.integers(0, 10**9 - 1), max_size=6))
def test_a_key_text_leads_back_to_its_path(first: str, rest: list[str | int]) -> None:
    """A key is written as messages write it."""
    assert key_path(key_text((first, *rest))) == (first, *rest)


@pytest.mark.parametrize("key", ["", ".a", "a.", "a..b", "[0]", "a[x]", "a b", 'a."b', "a]"])
def test_what_is_no_key_is_refused(key: str) -> None:
    """A slip in a key is told with an example of one."""
    assert key_path(key) is None
    with pytest.raises(UsageError, match=r"^--set .*: this is not KEY=VALUE. Allowed: for example"):
        parse_settings([f"{key}=1 s"])


def test_a_value_is_toml_or_else_text() -> None:
    """Quotation marks are needed for nothing but text that looks like something else."""
    texts = ["a=true", "b=3", 'c=["on", "off"]', "d=1.5 s", "e=22R", 'f="3"', "g=x = 1", "h=",
             "i=1\nj = 2", "k.l[0]={ value = \"1 s\" }"]
    assert parse_settings(texts) == {
        "a": True, "b": 3, "c": ["on", "off"], "d": "1.5 s", "e": "22R", "f": "3", "g": "x = 1",
        "h": "", "i": "1\nj = 2", "k.l[0]": {"value": "1 s"},
    }
    with pytest.raises(UsageError, match="a is set twice"):
        parse_settings(["a=1", "a=2"])
    with pytest.raises(UsageError, match="this is not KEY=VALUE"):
        parse_settings(["buttons.power.hold"])


def test_a_set_key_takes_the_place_of_the_written_one() -> None:
    """Quantities, rows, whole numbers and keys that the file leaves out; the file is untouched."""
    plain = load_gadget(LARDER)
    gadget = load_gadget(LARDER, {
        "buttons.power.hold": "1.5 s", "behaviour.lamp.rows[3].to": "dark",
        "proximity.wave.agree": 2, "cell.self_discharge": "3 %/month",
    })
    assert gadget.buttons["power"].hold.ns == 1_500_000_000
    assert gadget.behaviour["lamp"].rows[3].to == "dark"
    assert gadget.proximity["wave"].agree == 2
    assert gadget.cell.self_discharge is not None
    assert gadget.digest != plain.digest
    assert load_gadget(LARDER) == plain
    assert load_gadget(LARDER, {}).digest == plain.digest


@pytest.mark.parametrize(
    ("key", "value", "message"),
    [
        ("buttons.power.hold", "1.5 V", '--set: buttons.power.hold = "1.5 V": "V" is the unit'),
        ("buttons.power.hld", "1 s", '--set: buttons.power.hld = "1 s": unknown key. Allowed: .*'
                                     'Did you mean "hold"'),
        ("behaviour.lamp.rows[70].to", "dark", "behaviour.lamp.rows has no item 70. Allowed: 0 to"),
        ("behaviour.lamp.rows.to", "dark", "behaviour.lamp.rows is no table"),
        ("buttons.power[0]", "dark", "buttons.power has no item 0"),
        ("behaviour.lamp.rows[0].to", "drk",
         '= "drk": there is no such state. .*Did you mean "dark"'),
        ("not a key", "dark", "this is not a key. Allowed: names with dots"),
        ("cell", 3, "--set: cell = 3: a number cannot stand here"),
    ],
)
def test_a_mistake_in_what_is_set_is_told_as_one_of_the_file(
    key: str, value: object, message: str
) -> None:
    """Key, value, what is wrong and what is allowed; the place is the option, not a line."""
    with pytest.raises(DescriptionError, match=message) as caught:
        load_gadget(LARDER, {key: value})
    assert all(problem.file == "--set" for problem in caught.value.problems)


def test_scenarios_and_patterns_hand_it_to_their_gadget(tmp_path: Path) -> None:
    """A scenario may also be run with another gadget file than the one it names."""
    hold = {"buttons.power.hold": "1.5 s"}
    (tmp_path / "gadget.toml").write_text(LARDER.read_text(encoding="utf-8"))
    evening = (DATA / "jam-evening.toml").read_text(encoding="utf-8")
    (tmp_path / "evening.toml").write_text(evening.replace("larder-lamp.toml", "gadget.toml"))
    (tmp_path / "pattern.toml").write_text(
        head() + EVENING.replace("key", "power"))
    for loaded in (load_scenario(tmp_path / "evening.toml", hold),
                   load_pattern(tmp_path / "pattern.toml", hold)):
        assert loaded.gadget is not None
        assert loaded.gadget.buttons["power"].hold.ns == 1_500_000_000
    other = load_scenario(tmp_path / "evening.toml", gadget=LARDER)
    assert other.gadget_path == LARDER


@pytest.mark.parametrize(
    ("command", "line"),
    [
        (["modes", f"{HOOK}/gadget.toml"], "modes dark run time"),
        (["circuit", f"{HOOK}/gadget.toml"], "lights lamp run_time run time"),
        (["run", f"{HOOK}/flat-cell.toml"], "life left"),
    ],
)
def test_an_answer_stands_beside_that_of_the_file(
    command: list[str], line: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two columns and the difference below the report, and all of it in the JSON."""
    assert main([*command, "--set", "cell.capacity=100 mAh"]) in (0, 1)
    report, title, told = capsys.readouterr().out.partition("\nWith cell.capacity = 100 mAh\n")
    assert report
    assert title
    assert told.split("\n")[0].split() == ["as", "written", "changed", "difference"]
    assert line in told
    main([*command, "--set", "cell.capacity=100 mAh", "--json"])
    value = json.loads(capsys.readouterr().out)
    main([*command, "--json"])
    plain = json.loads(capsys.readouterr().out)
    assert value["differences"]["values"] == {"cell.capacity": "100 mAh"}
    assert value["differences"]["before"] == "as written"
    assert value["differences"]["figures"]
    assert "differences" not in plain
    if command[0] == "run":
        schema = json.loads((ROOT / "docs/reference/run.schema.json").read_text(encoding="utf-8"))
        jsonschema.Draft202012Validator(schema).validate(value)


def test_findings_that_come_or_go_are_told(capsys: pytest.CaptureFixture[str]) -> None:
    """Of checks, what is found differs and not a figure."""
    setting = "behaviour.lamp_mode.rows[0].to=dark"
    main(["check", f"{HOOK}/gadget.toml", "--set", setting])
    assert "came   No way leads to lamp_mode.lit.full." in capsys.readouterr().out
    main(["pins", "scenarios/larder-lamp/gadget.toml", "--set", "pins.usb_sense.series=1k",
          "--json"])
    findings = json.loads(capsys.readouterr().out)["differences"]["findings"]
    assert {one["change"] for one in findings} == {"came", "went"}


def test_a_run_is_compared_with_that_of_another_gadget_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """`--since` tells what differs from the old file, and nothing for an equal one."""
    text = Path(f"{HOOK}/gadget.toml").read_text(encoding="utf-8")
    (tmp_path / "cr2032.csv").write_bytes(Path(f"{HOOK}/cr2032.csv").read_bytes())
    (tmp_path / "same.toml").write_text(text)
    assert main(["run", f"{HOOK}/each-in-turn.toml", "--since", str(tmp_path / "same.toml")]) == 0
    assert capsys.readouterr().out.endswith("no figure differs\n")
    changed = text.replace('"400 ms"', '"300 ms"')
    assert changed != text
    (tmp_path / "old.toml").write_text(changed)
    assert main(["run", f"{HOOK}/each-in-turn.toml", "--since", str(tmp_path / "old.toml")]) == 0
    told = capsys.readouterr().out.partition("Against ")[2]
    assert "moved   key.click" in told


def test_a_life_is_compared_with_that_of_the_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The same users with both; sweeps and comparisons with firmware take a set key too."""
    from tests.life.made import lamp

    (tmp_path / "gadget.toml").write_text(lamp(capacity="30 mAh"))
    (tmp_path / "pattern.toml").write_text(head(horizon="1 day") + EVENING)
    pattern = str(tmp_path / "pattern.toml")
    setting = ["--set", "cell.capacity=20 mAh", "--users", "2"]
    assert main(["life", pattern, *setting]) == 0
    assert "With cell.capacity = 20 mAh" in capsys.readouterr().out
    assert main(["sweep", pattern, *setting, "--vary", "cell.cut_off=2.9 V..3.0 V:2"]) == 0


def test_what_is_handed_over_is_what_the_file_says(capsys: pytest.CaptureFixture[str]) -> None:
    """No scenario is written of a gadget that no file holds."""
    arguments = ["replay", "x.csv", "--gadget", f"{HOOK}/gadget.toml", "--set", "cell.cut_off=2 V",
                 "--as-scenario", "y.toml"]
    assert main(arguments) == 2
    assert "--set and --as-scenario do not go together" in capsys.readouterr().err
    arguments = ["check", f"{HOOK}/gadget.toml", "--set", "cell.cut_off=2 V", "--witness", "w"]
    assert main(arguments) == 2
    assert "--set and --witness do not go together" in capsys.readouterr().err
    for command in ("spec", "source"):
        with pytest.raises(SystemExit):
            main([command, f"{HOOK}/gadget.toml", "--set", "cell.cut_off=2 V"])
