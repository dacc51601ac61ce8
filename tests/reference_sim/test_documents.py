"""The worked examples of the page on one instant, walked by the reference simulator itself."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest

from tests.reference_sim.expressions import parse, value
from tests.reference_sim.reading import ns
from tests.reference_sim.simulator import Simulator

PAGE = Path(__file__).parents[2] / "docs" / "explanation" / "one-instant.md"
EXAMPLES = re.findall(
    r"^## ([^\n]+)\n.*?```toml\n(.*?)```\n\n\| time \|[^\n]*\n\|[-|]+\n((?:\|[^\n]*\n)+)",
    PAGE.read_text(encoding="utf-8"),
    flags=re.DOTALL | re.MULTILINE,
)
CELL: dict[str, Any] = {"curve": "curve.csv", "capacity": "100 mAh", "resistance": "1R"}


def contacts(rows: list[list[str]]) -> list[dict[str, Any]]:
    """Presses as steps, from `a closes` and `a opens` in the second column."""
    steps: list[dict[str, Any]] = []
    closed: dict[str, int] = {}
    for time, outside, *_ in rows:
        for name, what in re.findall(r"(\w+) (closes|opens)", outside):
            if what == "closes":
                closed[name] = ns(time)
            else:
                at = closed.pop(name)
                steps.append({"at": f"{at} ns", "press": name, "for": f"{ns(time) - at} ns"})
    return steps + [{"at": f"{at} ns", "press": n, "for": "1 h"} for n, at in closed.items()]


@pytest.mark.parametrize("title", [title for title, _, _ in EXAMPLES])
def test_worked_examples(title: str) -> None:
    """Events of each instant, and the states after it, are those of the table."""
    [(toml, table)] = [(toml, table) for name, toml, table in EXAMPLES if name == title]
    rows = [[cell.strip() for cell in line.split("|")[1:-1]] for line in table.splitlines()]
    end = ns(rows[-1][0])
    expects = [
        {"at": f"{ns(time)} ns", "expect": name}
        for time, _, _, after in rows
        for name in re.findall(r"[\w.]+", after)
    ]
    scenario = {
        "charge": "50 %",
        "lasts": f"{end + 1} ns",
        "steps": contacts(rows) + expects,
    }
    gadget = tomllib.loads(toml) | {"cell": CELL}
    for step in expects:  # the table has the short names of contacts and looks
        head, tail = step["expect"].split(".")
        if tail in ("still", "bouncing"):
            step["expect"] = f"{head}.contact.{tail}"
        if tail in ("settling", "emitting", "asleep"):
            step["expect"] = f"{head}.look.{tail}"
    result = Simulator(gadget, scenario, [(0.0, 3.0), (1.0, 4.2)]).run()
    for time, _, events, _ in rows:
        wanted = re.findall(r"[\w.]+", events)
        assert [name for at, name in result.events if at == ns(time)] == wanted, time
    assert [(at, text) for at, text, met in result.expectations if not met] == []


def test_the_page_has_examples() -> None:
    """The pattern finds them; a number is no sentence."""
    assert len(EXAMPLES) >= 7
    assert value(parse("3.3 < 3.5"), lambda name: name)
