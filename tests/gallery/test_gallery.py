"""Gadgets in many styles, written from the documents alone, and every command on each of them.

Each folder has a gadget, scenarios whose expectations were worked out by hand, and
`expected.toml`: figures with their working. The working is the source of each figure; nothing here
was copied from what a command printed. Some have a pattern, or a recording with a map, written by
hand as well.

`ENDLESS` and `NOT_YET` name what does not do today what the documents say. An entry that is no
longer needed makes its test fail.
"""

from __future__ import annotations

import functools
import io
import json
import math
import re
import resource
import shutil
import subprocess
import sys
import tomllib
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from typing import Any

import pytest

from simfw.cli import main
from simfw.conform.driving import kept_drives
from simfw.engine.simulator import Prepared
from simfw.loading import load_gadget
from simfw.verify import check
from tests.sharing import shared_check, shared_vectors

HERE = Path(__file__).parent
GADGETS = sorted(path.parent.name for path in HERE.glob("*/gadget.toml"))
NOT_SCENARIOS = {"gadget.toml", "expected.toml", "pattern.toml", "map.toml", "bench.toml"}
SCENARIOS = sorted(
    (path.parent.name, path.stem)
    for path in HERE.glob("*/*.toml")
    if path.name not in NOT_SCENARIOS
)
RECORDINGS = sorted(path.parent.name for path in HERE.glob("*/map.toml"))

# What does not end within these figures is taken not to end; if it does, its test fails.
CPU_SECONDS = 3
MEMORY_BYTES = 3_000_000_000

# (gadget, command) -> why the command does not end, or needs too much.
ENDLESS: dict[tuple[str, str], str] = {
    ("five-winks", "run day"): "the common period of the blinkers is eleven hours",
}

# (gadget, command, what) -> why a figure or an exit status is not yet what was worked out by hand.
NOT_YET: dict[tuple[str, str, str], str] = {}

# gadget -> why its specification is written here without test vectors.
NO_VECTORS: dict[str, str] = {
    "pier-light": "its vectors take half a minute to search",
    "late-shift": "what it is about shows in no vector: which of two feeds it",
    "cold-box": "its vectors take half a minute to search",
    "bulb-tray": "its vectors take a third of a minute to search",
    "porch-lantern": "its vectors take a quarter of a minute to search",
    "show-case": "its vectors take a quarter of a minute to search",
}

# gadgets whose C is held against these scenarios and random stimuli only: no vectors are searched.
BY_SCENARIOS = {"bulb-tray": ("four-days", "damp"), "porch-lantern": ("charging",)}


@pytest.fixture(autouse=True)
def _checked_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """`check` and `spec` find the same in a gadget: it is searched once."""
    monkeypatch.setattr(check, "check_gadget", shared_check)


@functools.cache
def expected(gadget: str) -> dict[str, Any]:
    """What was worked out by hand for a gadget."""
    return tomllib.loads((HERE / gadget / "expected.toml").read_text(encoding="utf-8"))


def said(*arguments: str | Path) -> tuple[int, str]:
    """Exit status and standard output of a command, which must show no traceback."""
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        status = main([str(word) for word in arguments])
    assert "Traceback" not in out.getvalue() + err.getvalue()
    if status == 2:
        assert err.getvalue().strip(), "bad input is to be explained"
    return status, out.getvalue()


def item(value: Any, choice: str) -> Any:
    """The first element of a list that has a name, or keys (of its own or of its states)."""
    for element in value:
        have = {**element, **element.get("states", {}), **element.get("outside", {})}
        wanted = [part.split("=") if "=" in part else ("name", part) for part in choice.split(",")]
        if all(str(have.get(key)) == text for key, text in wanted if text):
            return element
    raise AssertionError(f"nothing fits [{choice}]")


def at(answer: Any, key: str) -> float:
    """The number that a key such as `states[region=lamp,state=lit].time_s` means.

    `count events[NAME]` is how many events have that name.
    """
    if key.startswith("count "):
        name = key.removeprefix("count events[").removesuffix("]")
        return float(sum(event["name"] == name for event in answer["events"]))
    value = answer
    for part, choice in re.findall(r"([a-z_]+)(?:\[([^\]]*)\])?", key.replace("].", "] ")):
        value = value[part]
        if isinstance(value, list):
            value = item(value, choice)
    return math.nan if value is None else float(value)


def compare(gadget: str, command: str, answer: Any) -> None:
    """All figures by hand of a command agree, but for those that are known not to."""
    for figure in expected(gadget)["figure"]:
        if figure["of"] != command:
            continue
        found = at(answer, figure["key"])
        tolerance = figure.get("tolerance", 1e-6)
        agrees = math.isclose(found, figure["value"], rel_tol=tolerance, abs_tol=1e-15)
        if (gadget, command, figure["key"]) in NOT_YET:
            assert not agrees, f"{figure['key']} agrees now: take it from NOT_YET"
        else:
            assert agrees, f"{figure['key']}: {found}, by hand {figure['value']}"


def status_of(gadget: str, command: str) -> int:
    """The exit status that a command is to have: 0, or what `[exit]` says."""
    return int(expected(gadget).get("exit", {}).get(command, 0))


def answered(gadget: str, command: str, *arguments: str | Path) -> str | None:
    """What a command prints with the right exit status; None where it is known to be wrong."""
    status, out = said(*arguments)
    if (gadget, command, "exit") in NOT_YET:
        assert status != status_of(gadget, command), "right now: take it from NOT_YET"
        return None
    assert status == status_of(gadget, command), out[-2000:]
    return out


def endless(gadget: str, command: str, *arguments: str | Path) -> bool:
    """Whether a command is known not to end; a child shows that it still does not."""
    if (gadget, command) not in ENDLESS:
        return False
    limits = ((resource.RLIMIT_CPU, CPU_SECONDS), (resource.RLIMIT_AS, MEMORY_BYTES))
    # One core, so that what it takes is taken by this process and by no helper.
    lines = ["os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})"]
    lines += [f"resource.setrlimit({kind}, ({most}, {most + 1}))" for kind, most in limits]
    lines = ["import os, resource, sys", *lines, "from simfw.cli import main"]
    code = "\n".join([*lines, "sys.exit(main(sys.argv[1:]))"])
    child = subprocess.run(
        [sys.executable, "-c", code, *map(str, arguments)], capture_output=True, check=False,
        timeout=600,
    )  # fmt: skip
    assert child.returncode not in (0, 1), "it ends now: take it from ENDLESS"
    return True


def still(gadget: str) -> str:
    """The text of a pattern in which nobody touches the gadget."""
    path = HERE / gadget / "gadget.toml"
    return f'title = "Left alone"\ngadget = "{path}"\ncharge = "100 %"\nhorizon = "2 days"\n'


@pytest.mark.parametrize(("gadget", "name"), SCENARIOS)
def test_a_scenario_runs_as_worked_out_by_hand(gadget: str, name: str, tmp_path: Path) -> None:
    """Expectations, rules and figures by hand; one by one the same; the recording reads back."""
    command, path = f"run {name}", HERE / gadget / f"{name}.toml"
    if endless(gadget, command, "run", path):
        return
    recording = tmp_path / "run.csv"
    out = answered(gadget, command, "run", path, "--json", "--record", recording)
    assert out is not None
    answer = json.loads(out)
    assert [each["expression"] for each in answer["expectations"] if not each["met"]] == []
    assert [each["name"] for each in answer["rules"] if not each["held"]] == []
    compare(gadget, command, answer)
    if name not in expected(gadget).get("folded_only", []):
        unfolded = json.loads(said("run", path, "--json", "--no-fold")[1])
        assert unfolded["charge_used_c"] == pytest.approx(answer["charge_used_c"], rel=1e-6)
        for one, other in zip(unfolded["events"], answer["events"], strict=True):
            assert one["name"] == other["name"]
            assert one["time_s"] == pytest.approx(other["time_s"], rel=1e-6)
    text = answered(gadget, command, "run", path)
    assert text is not None
    assert "Expectations:" in text
    of = ("--gadget", HERE / gadget / "gadget.toml")
    answered(gadget, f"replay {name}", "replay", recording, *of)
    answered(gadget, f"map {name}", "map", recording, *of)


@pytest.mark.parametrize("command", ["modes", "circuit", "pins"])
@pytest.mark.parametrize("gadget", GADGETS)
def test_the_circuit_is_told(gadget: str, command: str) -> None:
    """As text and as JSON, with the figures worked out by hand."""
    path = HERE / gadget / "gadget.toml"
    if endless(gadget, command, command, path):
        return
    if answered(gadget, command, command, path) is not None:
        compare(gadget, command, json.loads(said(command, path, "--json")[1]))


@pytest.mark.parametrize("gadget", GADGETS)
def test_the_check_has_the_verdict_that_was_expected(gadget: str) -> None:
    """It ends, and only the gadgets that are meant to have a fault have one."""
    path = HERE / gadget / "gadget.toml"
    if endless(gadget, "check", "check", path):
        return
    out = answered(gadget, "check", "check", path, "--json")
    if out is not None:
        assert (json.loads(out)["faults"] > 0) == (status_of(gadget, "check") == 1)


@pytest.mark.parametrize("gadget", GADGETS)
def test_a_life_is_told(gadget: str, tmp_path: Path) -> None:
    """Two users of the gadget's pattern, or of none; figures by hand; two designs of a sweep."""
    path = HERE / gadget / "pattern.toml"
    if not path.exists():
        path = tmp_path / "pattern.toml"
        path.write_text(still(gadget), encoding="utf-8")
    if not endless(gadget, "life", "life", path, "--users", "2"):
        out = answered(gadget, "life", "life", path, "--users", "2", "--json")
        if out:
            compare(gadget, "life", json.loads(out))
    vary = ("--users", "2", "--vary", "cell.capacity=50 mAh..60 mAh:2")
    if not endless(gadget, "sweep", "sweep", path, *vary):
        answered(gadget, "sweep", "sweep", path, *vary)


@pytest.mark.parametrize("gadget", GADGETS)
def test_specification_and_source_conform(gadget: str, tmp_path: Path) -> None:
    """The specification is written; the C compiles and does what the model does."""
    path = HERE / gadget / "gadget.toml"
    if not endless(gadget, "spec", "spec", path, "-o", tmp_path / "spec"):
        without = ["--no-vectors"] if gadget in NO_VECTORS else []
        written = answered(gadget, "spec", "spec", path, "-o", tmp_path / "spec", *without)
        if written is not None and not without:
            prepared = Prepared(load_gadget(path))
            drives, said = kept_drives(tmp_path / "spec", prepared)
            made = shared_vectors(prepared.gadget, prepared.system, prepared).vectors
            assert said == []
            # Readings are written in microvolts, as a firmware is told them.
            assert [(one.name, one.ends_ns, one.replay) for one in drives] == [
                (one.name, one.ends_ns, one.replay) for one in made]
    if endless(gadget, "source", "source", path, "-o", tmp_path / "c"):
        return
    answered(gadget, "source", "source", path, "-o", tmp_path / "c")
    if shutil.which("cc") is None or shutil.which("make") is None:
        pytest.skip("no C compiler")
    made = subprocess.run(["make", "-C", str(tmp_path / "c")], capture_output=True, check=False)
    if (gadget, "make", "exit") in NOT_YET:
        assert made.returncode, "it compiles now: take it from NOT_YET"
        return
    assert made.returncode == 0, made.stderr.decode()[-2000:]
    arguments = ("conform", path, "--against", tmp_path / "c/harness", "--examples", "10",
                 "--witness", tmp_path / "witness.toml")  # fmt: skip
    if gadget in BY_SCENARIOS:
        arguments += ("--no-vectors", *(word for name in BY_SCENARIOS[gadget]
                                        for word in ("--also", HERE / gadget / f"{name}.toml")))
    if not endless(gadget, "conform", *arguments):
        answered(gadget, "conform", *arguments)


@pytest.mark.parametrize("gadget", RECORDINGS)
def test_a_recording_written_by_hand_replays(gadget: str, tmp_path: Path) -> None:
    """The wires are read through the map, and every edge that was worked out is met."""
    recording = next((HERE / gadget).glob("recording.*"))
    plan = HERE / gadget / "map.toml"
    out = answered(gadget, "replay recording", "replay", recording, "--map", plan, "--json")
    assert out is not None
    answer = json.loads(out)
    assert answer["disagreements"] == 0
    assert answer["signals"]
    answered(gadget, "map recording", "map", recording, "--gadget", HERE / gadget / "gadget.toml",
             "--output", tmp_path / "draft.toml")  # fmt: skip


def test_a_reading_may_name_several_regions(tmp_path: Path) -> None:
    """With the pilot light named as off, the readings of the torch with flags agree."""
    path = tmp_path / "gadget.toml"
    text = (HERE / "banderas/gadget.toml").read_text(encoding="utf-8")
    for state in ("lampara.brillante", "lampara.tenue"):
        text = text.replace(f'"{state}" =', f'"{state} aviso.no" =')
    path.write_text(text, encoding="utf-8")
    assert said("modes", path)[0] == 0


@pytest.mark.parametrize("gadget", GADGETS)
def test_every_gadget_is_complete(gadget: str) -> None:
    """Two scenarios, a page, and figures by hand, each with its working."""
    assert sum(name == gadget for name, _ in SCENARIOS) >= 2
    assert (HERE / gadget / "README.md").stat().st_size > 200
    figures = expected(gadget)["figure"]
    assert figures
    assert all(figure["working"].strip() for figure in figures)
    known = {figure["of"] for figure in figures}
    runs = {f"run {name}" for each, name in SCENARIOS if each == gadget}
    assert known <= runs | {"modes", "circuit", "life"}


def test_what_is_not_yet_right_is_about_something() -> None:
    """No entry of the two lists names a gadget that is not there."""
    assert {key[0] for key in NOT_YET} | {key[0] for key in ENDLESS} <= set(GADGETS)
    assert all(reason.strip() for reason in (
        *NOT_YET.values(), *ENDLESS.values(), *NO_VECTORS.values()))
    assert set(NO_VECTORS) <= set(GADGETS)
