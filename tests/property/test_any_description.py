"""Whatever stands in a file, it is read or refused; nothing else happens."""

from __future__ import annotations

import copy
import tomllib
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import simfw
from simfw.errors import DescriptionError, Problem
from tests.broken import DATA

GADGET = tomllib.loads((DATA / "larder-lamp.toml").read_text(encoding="utf-8"))
SCENARIO = tomllib.loads((DATA / "jam-evening.toml").read_text(encoding="utf-8"))

# Values that stand in files, right or wrong: each may come to stand anywhere.
SCALARS = st.sampled_from(
    [
        "", "on", "off", "same", "resume", "*", "lit.*", "power.click", "lamp.lit", "usb", "dark",
        "3 V", "22R", "5 ms", "0 s", "0 V", "10 %", "650 mAh", "1 A", "2 V @ 3 mA", "-1 V",
        "1e99 A", "gauge > 2", "not", "a b", "ä", "x" * 300, "nmos", "npn", "cells/none.csv", "\n",
        0, 1, -1, 10**20, 0.5, float("nan"), float("inf"), True, False, date(2024, 5, 1),
    ]
)  # fmt: skip
KEYS = st.sampled_from(
    ["on", "from", "to", "after", "shelf", "bars", "controller", "value", "range", "usb", "lamp",
     "power", "wave", "lit.full", "a.b.c", "two words", "states", "rows", "gauge", "", "__class__"]
)  # fmt: skip
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=3),
    max_leaves=6,
)


def places(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """The paths of everything inside `value`."""
    if not isinstance(value, dict | list):
        return []
    found = []
    for key, inner in value.items() if isinstance(value, dict) else enumerate(value):
        found += [(*path, key), *places(inner, (*path, key))]
    return found


@st.composite
def changed(draw: st.DrawFn, sound: dict[str, Any]) -> dict[str, Any]:
    """A file's content with up to four places changed, taken out or added to."""
    data = copy.deepcopy(sound)
    for _ in range(draw(st.integers(1, 4))):
        *above, last = draw(st.sampled_from(places(data)))
        parent = data
        for key in above:
            parent = parent[key]
        match draw(st.sampled_from(["change", "take out", "add"])):
            case "change":
                parent[last] = draw(VALUES)
            case "take out":
                del parent[last]
            case "add" if isinstance(parent, dict):
                parent[draw(KEYS)] = draw(VALUES)
        if not data:
            data = {"x": 1}
    return data


def as_toml(value: Any) -> str:
    """Write any value inline."""
    match value:
        case bool():
            return "true" if value else "false"
        case dict():
            inner = ", ".join(f"{as_toml(key)} = {as_toml(item)}" for key, item in value.items())
            return f"{{ {inner} }}"
        case list():
            return f"[{', '.join(map(as_toml, value))}]"
        case str():
            escaped = value.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
            return f'"{escaped}"'
        case _:
            return str(value)


def write(path: Path, data: dict[str, Any]) -> None:
    """Write a file of top-level keys with inline values."""
    lines = [f"{as_toml(key)} = {as_toml(value)}" for key, value in data.items()]
    path.write_text("\n".join(lines), encoding="utf-8")


def refused(load: Callable[[Path], object], path: Path) -> tuple[Problem, ...]:
    """The problems with which a file is refused; none if it is read."""
    try:
        load(path)
    except DescriptionError as error:
        return error.problems
    return ()


EASY = settings(
    max_examples=50, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


@EASY
@given(changed(GADGET))
def test_any_gadget_is_read_or_refused(tmp_path: Path, data: dict[str, Any]) -> None:
    """Each problem of a refused gadget has a text, and a line wherever its key has one."""
    path = tmp_path / "gadget.toml"
    write(path, data)
    problems = refused(simfw.load_gadget, path)
    assert all(problem.text for problem in problems)
    assert len(set(map(str, problems))) == len(problems)


@EASY
@given(changed(SCENARIO))
def test_any_scenario_is_read_or_refused(tmp_path: Path, data: dict[str, Any]) -> None:
    """Each problem of a refused scenario has a text; one that is read has its gadget."""
    write(tmp_path / "larder-lamp.toml", GADGET)
    path = tmp_path / "scenario.toml"
    write(path, data)
    assert all(problem.text for problem in refused(simfw.load_scenario, path))


def test_the_sound_files_are_read_in_this_form(tmp_path: Path) -> None:
    """The writer of these tests does not itself break the files."""
    write(tmp_path / "larder-lamp.toml", GADGET)
    write(tmp_path / "scenario.toml", SCENARIO)
    assert simfw.load_scenario(tmp_path / "scenario.toml").gadget is not None
    with pytest.raises(DescriptionError):
        simfw.load_gadget(tmp_path / "scenario.toml")
