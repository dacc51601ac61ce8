"""What the circuit side of a simulation answers: readings held against each other, marks, gates."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from simfw.engine.plant import Plant
from simfw.engine.run import Run
from simfw.engine.simulator import Prepared, simulate
from simfw.gadget.model import Gadget
from simfw.stimuli.scenario import Press, Scenario, Step, Usb
from tests.report.test_vector_search import CHARGED, CLICKED, SHELF, made

MS = 10**6
S = 10**9
TAP = Press(at_ns=S, button="key", for_ns=S // 10)
KEY = CHARGED["buttons"]
BARS = {"forward": ["2.0 V @ 5 mA", "2.1 V @ 10 mA"], "resistor": "1k", "leds": 2,
        "segments": True}  # fmt: skip


def run_of(gadget: Gadget, *steps: Step, charge: float = 0.8, lasts_ns: int = 4 * S) -> Run:
    """The run."""
    return simulate(gadget, Scenario(title="", gadget_path=Path("gadget.toml"), charge=charge,
                                     lasts_ns=lasts_ns, steps=steps, gadget=gadget))  # fmt: skip


@pytest.mark.parametrize(("guard", "holds"), [
    ("flash > shelf", False), ("flash <= shelf", True), ("shelf < 0.5", True),
    ("0.5 < flash", False),
    ("cell.charge > 0.79", True), ("0.81 > cell.charge", True), ("cell.charge < 0.79", False),
    ("cell.voltage > 3.0", True), ("gauge.measured >= 4.2", False),
])  # fmt: skip
def test_levels_are_compared_with_one_another_and_the_cell_with_numbers(
    guard: str, holds: bool
) -> None:
    """A tap lights the lamp of a cell at 0.8 where the guard of its row holds."""
    gadget = made([{"from": "off", "on": "key.click", "to": "on", "when": guard}], buttons=KEY,
                  lights={"shelf": SHELF, "flash": SHELF},
                  gauge={"thresholds": ["3.6 V"], "every": "1 s"})  # fmt: skip
    run = run_of(gadget, TAP)
    assert (run.intervals[-1].states[run.regions.index("lamp")] == "on") == holds


@pytest.mark.parametrize("mark", [0.0, 1e-9, 0.3, 0.7, 1 / 3, 1.0])
@pytest.mark.parametrize("base", [1.0, 0.3, 0.123456789])
def test_a_mark_that_was_crossed_lies_just_behind(mark: float, base: float) -> None:
    """By as little as the numbers allow; a charge that is past it already is left alone."""
    plant = Plant(Prepared(made(CLICKED, buttons=KEY)))
    plant.base = base
    for falling in (True, False):
        plant.moved = mark - base + (1e-6 if falling else -1e-6)
        plant.settle_at(mark, falling=falling)
        assert (plant.charge < mark) == falling
        assert math.isclose(plant.charge, mark, abs_tol=1e-12)
        there = plant.charge
        plant.settle_at(mark, falling=falling)
        assert plant.charge == there


@pytest.mark.parametrize(("restart", "dead"), [("4.5 V", True), ("3.5 V", False)])
def test_a_restart_above_the_full_cell_is_never_reached_by_resting(
    restart: str, dead: bool
) -> None:
    """Dead stays dead, where a restart below what the cell rests at brings the gadget back."""
    cell = {"curve": "lco", "capacity": "650 mAh", "resistance": "20 Ω", "cut_off": "3.4 V",
            "restart": restart}  # fmt: skip
    gadget = made([{"from": "off", "after": "1 s", "to": "on"}], cell=cell)
    run = run_of(gadget, charge=0.3, lasts_ns=1500_000_000)
    assert run.empty_at_ns is not None
    assert run.intervals[-1].loads.protected == dead


def barred(show: str) -> Gadget:
    """A lamp with bars that show on this condition."""
    return made(CLICKED, buttons=KEY, charger=CHARGED["charger"],
                lights={"shelf": SHELF, "bars": BARS},
                gauge={"light": "bars", "thresholds": ["3.4 V", "3.5 V"], "every": "1 s",
                       "show": show})  # fmt: skip


def bars_at(run: Run, *times_ns: int) -> list[bool]:
    """Whether the bars are lit at these times."""
    return [any("bars" in name for interval in run.intervals
                if interval.start_ns <= time < interval.end_ns
                for name, *_ in interval.loads.drives) for time in times_ns]  # fmt: skip


def test_bars_that_hide_while_plugged_in_come_back_with_the_plug_out() -> None:
    """What shows is asked anew at each change of an input."""
    run = run_of(barred("lamp.off and not usb"), Usb(at_ns=3 * S, present=True),
                 Usb(at_ns=6 * S, present=False), lasts_ns=9 * S)  # fmt: skip
    assert bars_at(run, 2 * S, 5 * S, 8 * S) == [True, False, True]


def test_bars_hide_for_as_long_as_a_contact_is_closed_and_no_longer() -> None:
    """A touch of 5 ms, during which no region changes its state, is over before it has settled."""
    touch = Press(at_ns=3 * S, button="key", for_ns=5 * MS)
    run = run_of(barred("not key.closed"), touch)
    assert bars_at(run, 3 * S - MS, 3 * S + 4 * MS, 3 * S + 6 * MS) == [True, False, True]
