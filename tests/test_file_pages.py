"""The reference pages of the files name every key, and their examples work."""

from __future__ import annotations

import re
from pathlib import Path
from typing import get_args, get_origin

import pytest
from pydantic import BaseModel

import simfw
from simfw.gadget.curve_file import BUILT_IN_CURVES
from simfw.gadget.firmware import CONSUMERS, RESERVED
from simfw.gadget.model import Gadget
from simfw.quantity import Timing, read_timing
from simfw.stimuli.scenario_file import ScenarioFile
from simfw.units import DIMENSIONS
from simfw.validation import kind_of, known_keys

PAGES = Path(__file__).parent.parent / "docs" / "reference"
GADGET = (PAGES / "gadget-file.md").read_text(encoding="utf-8")
SCENARIO = (PAGES / "scenario-file.md").read_text(encoding="utf-8")
QUANTITIES = (PAGES / "quantities.md").read_text(encoding="utf-8")


def examples(page: str, kind: str) -> list[str]:
    """The code blocks of one kind on a page."""
    return re.findall(rf"```{kind}\n(.*?)```", page, re.DOTALL)


def inner(annotation: object) -> object:
    """The model inside a table of tables or a list of tables, or the kind itself."""
    kind = kind_of(annotation)
    if get_origin(kind) is dict:
        return inner(get_args(kind)[1])
    if get_origin(kind) is tuple:
        return inner(get_args(kind)[0])
    return kind


def tables(model: type[BaseModel], name: str = "") -> list[tuple[str, type[BaseModel]]]:
    """Every model below `model`, with the key that holds it."""
    found = []
    for key, info in known_keys(model).items():
        kind = inner(info.annotation)
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            found += [(key, kind), *tables(kind, key)]
    return found


def documented(page: str, key: str) -> dict[str, str]:
    """The keys that the page documents for a table, with what holds when they are left out."""
    section = re.search(
        rf"(?ms)^## `\[+{key}[^`]*`\n(.*?)(?=^## |\Z)|^\| key of `{key}` .*?\n(.*?)(?=\n\n|\Z)",
        page,
    )
    assert section is not None, f"no table for {key}"
    body = section[1] or section[2]
    if section[1]:
        body = body.split("| key of")[0]
    return dict(re.findall(r"(?m)^\| `(\w+)` \| ([^|]*?) \|", body))


@pytest.mark.parametrize(
    ("key", "model"), dict(tables(Gadget)).items(), ids=dict(tables(Gadget))
)
def test_every_key_of_a_gadget_file_is_documented(key: str, model: type[BaseModel]) -> None:
    """Each table on the page has the keys of its model, and no others."""
    assert set(documented(GADGET, key)) == set(known_keys(model))


def test_every_section_has_a_heading() -> None:
    """The page has a heading for every section of the file."""
    headings = set(re.findall(r"(?m)^## `\[+(\w+)", GADGET))
    assert headings == set(known_keys(Gadget))


@pytest.mark.parametrize(("key", "model"), dict(tables(Gadget)).items(), ids=dict(tables(Gadget)))
def test_the_page_tells_what_holds_when_a_key_is_left_out(
    key: str, model: type[BaseModel]
) -> None:
    """Needed keys are marked as needed, and the defaults of timings are those of the model."""
    told = documented(GADGET, key)
    for name, info in known_keys(model).items():
        assert (told[name] == "needed") == info.is_required(), name
        if isinstance(info.default, Timing):
            assert read_timing(told[name]).ns == info.default.ns, name
        elif isinstance(info.default, bool | int | str) and info.default != "":
            assert told[name].strip("`\"") == str(info.default).lower(), name


def test_every_key_of_a_scenario_file_is_documented() -> None:
    """The page has the keys of the file and of its steps."""
    top = dict(re.findall(r"(?m)^\| `(\w+)` \| ([^|]*?) \|", SCENARIO.split("## Steps")[0]))
    assert set(top) == set(known_keys(ScenarioFile))
    for name, info in known_keys(ScenarioFile).items():
        assert (top[name] == "needed") == info.is_required(), name
    (line,) = (kind for key, kind in tables(ScenarioFile) if key == "steps")
    assert set(documented(SCENARIO, "steps")) == set(known_keys(line))


def test_the_gadget_of_the_page_loads(tmp_path: Path) -> None:
    """The example of the gadget page is a whole gadget, and fits the scenario page."""
    (example,) = examples(GADGET, "toml")
    (tmp_path / "gadget.toml").write_text(example, encoding="utf-8")
    (steps,) = examples(SCENARIO, "toml")
    (tmp_path / "scenario.toml").write_text(steps, encoding="utf-8")
    scenario = simfw.load_scenario(tmp_path / "scenario.toml")
    assert len(scenario.steps) == 8


def test_the_python_of_the_scenario_page_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What the page shows can be typed in."""
    monkeypatch.chdir(tmp_path)
    Path("gadget.toml").write_text(examples(GADGET, "toml")[0], encoding="utf-8")
    (code,) = examples(SCENARIO, "python")
    exec(compile(code, "scenario-file.md", "exec"), {})
    assert Path("one-press.toml").exists()


def test_the_table_of_the_quantities_page_loads(tmp_path: Path) -> None:
    """The long form of a quantity on the page is read, and that of a point."""
    plain, points = examples(QUANTITIES, "toml")
    (tmp_path / "gadget.toml").write_text(plain, encoding="utf-8")
    gadget = simfw.load_gadget(tmp_path / "gadget.toml")
    assert gadget.cell.leakage is not None
    assert gadget.cell.leakage.standing == "guess"
    (tmp_path / "gadget.toml").write_text(points, encoding="utf-8")
    first, second = simfw.load_gadget(tmp_path / "gadget.toml").lights["lamp"].forward
    assert (first.current_a.standing, second.voltage_v.standing) == ("measured", "published")
    assert second.voltage_v.high == 3.4


def test_every_unit_is_on_the_quantities_page() -> None:
    """The page lists the units of each dimension as the reader has them."""
    rows = QUANTITIES.split("## Resistor")[0].split("| quantity")[1].splitlines()
    for dimension in DIMENSIONS:
        row = next(line for line in rows if f'`"{dimension.example}"`' in line)
        listed = row.split("|")[2].replace("day(s)", "day, days").replace("week(s)", "week, weeks")
        listed = listed.replace("year(s)", "year, years").replace(", or a code (below)", "")
        assert [word.strip() for word in listed.split(",")] == list(dimension.units)


def test_names_that_are_taken_are_on_the_page() -> None:
    """Reserved names, consumers and built-in curves are listed as the loader has them."""
    for name in (*RESERVED, *CONSUMERS, *BUILT_IN_CURVES):
        assert f"`{name}`" in GADGET
