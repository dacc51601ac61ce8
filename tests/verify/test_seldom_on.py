"""What is on seldom when a gadget is left alone: what it draws, and a witness that shows it."""

from __future__ import annotations

import pytest

from simfw.engine.simulator import simulate
from simfw.verify.check import check_gadget
from tests.quality import cases
from tests.verify.gadgets import behaviour, gadget

DARK = cases.HEAD + cases.CELL + cases.CONTROLLER
PUMP = '[loads]\npump = { current = "150 mA" }\n'


def test_what_is_on_once_in_days_draws_its_mean_over_days() -> None:
    """Twenty seconds of 150 mA in 72 h 1 min: seen twice in 72 h and the 10 min watched."""
    text = DARK + PUMP + behaviour(
        "wheel", "still", 'still = {}; flow = { pump = "on" }',
        'after = "72 h 1 min", from = "still", to = "flow"',
        'after = "20 s", from = "flow", to = "still"')
    (said,) = [one.text for one in check_gadget(gadget(text), only=("always-on",)).findings]
    assert said.endswith("pump winks whatever the states of the gadget, and draws 23 µA.")


def test_what_is_on_once_and_never_again_is_not_left_on() -> None:
    """The pump flows once, three days after power-up."""
    text = DARK + PUMP + behaviour(
        "wheel", "still", 'still = {}; flow = { pump = "on" }; spent = {}',
        'after = "72 h 1 min", from = "still", to = "flow"',
        'after = "5 min", from = "flow", to = "spent"')
    report = check_gadget(gadget(text), only=("always-on", "left-on"))
    assert [one.text for one in report.findings] == []


@pytest.mark.parametrize("out", ["2 s", "970 ms"])
def test_the_witness_of_a_wink_looks_while_it_is_on(out: str) -> None:
    """What it says is not so is not so when it is run."""
    text = DARK + cases.KEY + PUMP + behaviour(
        "lamp", "dark", 'dark = {}; "wink.in" = { pump = "on" }; "wink.out" = {}',
        'on = "key.click", from = "dark", to = "wink.in"',
        'on = "key.click", from = "wink.*", to = "dark"',
        'after = "30 ms", from = "wink.in", to = "wink.out"',
        f'after = "{out}", from = "wink.out", to = "wink.in"')
    (found,) = check_gadget(gadget(text), only=("left-on",)).findings
    assert found.witness is not None
    shown = simulate(gadget(text), found.witness.scenario)
    assert [one.met for one in shown.expectations] == [False]
