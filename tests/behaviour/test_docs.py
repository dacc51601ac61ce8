"""What the pages say about behaviour is what happens."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from simfw.behaviour.build import build_system
from simfw.behaviour.expression import evaluate, parse_expression
from simfw.quantity import read_ns
from tests.behaviour.bench import MS, Bench, gadget
from tests.behaviour.doc_tables import PAGE, with_tables

DOCS = Path(__file__).parents[2] / "docs"
EXAMPLES = re.findall(
    r"^## ([^\n]*)\n(?:(?!^## ).)*?```toml\n(.*?)```\n+((?:\|[^\n]*\n)+)",
    (DOCS / "explanation" / "one-instant.md").read_text(encoding="utf-8"),
    re.DOTALL | re.MULTILINE,
)


def test_the_tables_of_stock_rows_are_those_of_the_built_regions():
    """After a change: python -m tests.behaviour.doc_tables."""
    text = PAGE.read_text(encoding="utf-8")
    assert with_tables(text) == text
    assert text.count("<!-- rows:") == 17


def test_every_example_is_found():
    """A heading with a table is an example; none is skipped by the pattern above."""
    text = (DOCS / "explanation" / "one-instant.md").read_text(encoding="utf-8")
    assert len(EXAMPLES) == len(re.findall(r"^\| time ", text, re.MULTILINE)) == 8


@pytest.mark.parametrize(
    ("toml", "table"), [example[1:] for example in EXAMPLES], ids=[each[0] for each in EXAMPLES]
)
def test_an_example_of_one_instant_happens_as_told(toml, table):
    """Events of each instant in their order, the states afterwards, and nothing in between."""
    bench = Bench(toml)
    expected = []
    for line in table.strip().splitlines()[2:]:
        time, outside, events, afterwards = (cell.strip() for cell in line.strip("|").split("|"))
        now = read_ns(time) / MS
        for stimulus in filter(None, outside.split(", ")):
            button, what = stimulus.split()
            bench.at(now, f"{button}.edge", flags={f"{button}.closed": what == "closes"})
        expected += [(now, event) for event in events.split(", ") if event]
        assert bench.until(now + 1 / MS) == expected
        view = bench.stepper.view(bench.world)
        for state in filter(None, afterwards.split(", ")):
            assert evaluate(parse_expression(state, bench.system.names), view), (time, state)


def test_the_example_of_a_written_region_is_valid():
    """The rows shown first on the page can be loaded."""
    block = re.findall(r"```toml\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)[0]
    lights = "".join(
        f'[lights.{name}]\nforward = ["2.0 V @ 2 mA", "2.2 V @ 10 mA"]\nresistor = "470R"\n'
        for name in ("shelf", "marker")
    )
    system = build_system(gadget(lights + '[buttons.power]\n[gauge]\nflat = "3.2 V"\n' + block))
    assert system.events[-1] == "lamp.timeout"
