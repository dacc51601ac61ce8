"""A cell that stands exactly on a mark: what turns over there is decided right, and once."""

from __future__ import annotations

import math

import pytest

from simfw.engine.prepared import Prepared
from simfw.engine.run import Run
from simfw.engine.simulation import Simulation
from simfw.stimuli.scenario import Press, Scenario
from tests.engine.bench import MS, gadget_of, scenario

# Nothing draws, so that the charge stays where it begins: on a mark, or beside one.
LAMP = """
[gadget]
name = "Lamp on a mark"
[cell]
curve = "lco"
capacity = "650 mAh"
cut_off = "3.0 V"
[buttons.key]
debounce = "20 ms"
hold = "2 s"
[behaviour.lamp]
starts = "dark"
states.dark = {}
states.lit = {}
rows = [
  { on = "key.click", from = "dark", to = "lit", when = "cell.charge >= 0.5" },
  { on = "key.click", from = "lit", to = "dark" },
]
[behaviour.blink]
starts = "one"
states.one = {}
states.two = {}
rows = [
  { after = "300 ms", from = "one", to = "two", emit = ["beat"] },
  { after = "300 ms", from = "two", to = "one" },
]
[[rules]]
name = "half"
never = "lamp.lit and cell.charge < 0.75"
"""
PRESSES = 60


def presses(charge: float) -> Scenario:
    """A press every half second."""
    steps = [Press(at_ns=(k + 1) * 500 * MS, button="key", for_ns=100 * MS)
             for k in range(PRESSES)]
    return scenario(*steps, lasts="1 min", charge=charge)


def made(charge: float, *, glides: bool = True, fold: bool = True) -> Run:
    """The presses from a charge; with `glides`, plain instants are looked up."""
    simulation = Simulation(Prepared(gadget_of(LAMP)), presses(charge), 0, fold, False, (), None)
    simulation.glide.fits = glides and simulation.glide.fits
    return simulation.run_once()


def opening() -> float:
    """The charge at which the protection opens."""
    simulation = Simulation(Prepared(gadget_of(LAMP)), presses(1.0), 0, True, False, (), None)
    return simulation.phase.open_at


@pytest.mark.parametrize(
    ("mark", "beside"),
    [(1.0, -1), (1.0, 0), *[(at, by) for at in (0.75, 0.5, "opens") for by in (-1, 0, 1)]],
)
def test_a_cell_on_a_mark_goes_on_as_where_each_instant_is_done(
    mark: float | str, beside: int
) -> None:
    """On it and at the next numbers on either side: events, rules, ledger, to the last digit."""
    at = opening() if isinstance(mark, str) else mark
    charge = at if not beside else math.nextafter(at, beside * math.inf)
    told = made(charge)
    for glides, fold in ((False, True), (True, False), (False, False)):
        other = made(charge, glides=glides, fold=fold)
        assert other.events == told.events
        assert other.rules == told.rules
        assert other.end_charge == told.end_charge == charge
        assert other.empty_at_ns == told.empty_at_ns
        assert [(use.state, use.time_ns) for use in other.states] == [
            (use.state, use.time_ns) for use in told.states]


def test_what_turns_over_at_a_mark_is_seen_from_both_sides() -> None:
    """At a mark all counts as above it, but for the protection, which opens there."""
    below = math.nextafter
    assert made(opening()).empty_at_ns == 0
    assert made(below(opening(), 1.0)).empty_at_ns is None
    lit = [made(charge) for charge in (0.5, below(0.5, 0.0), 0.75, below(0.75, 0.0))]
    assert ["lit" in {use.state for use in run.states if use.time_ns} for run in lit] == [
        True, False, True, True]
    assert [run.rules[0].held for run in lit] == [False, True, True, False]




@pytest.mark.parametrize("charge", [1.0, 0.75, 0.9])
def test_a_press_takes_as_many_steps_on_a_mark_as_beside_it(
    charge: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The edges of the contact are worked through, what is waited for is looked up."""
    count = 0
    instant = Simulation._instant

    def counted(
        simulation: Simulation, raw: list[str], *, power_up: bool = False, turned: bool = False
    ) -> None:
        nonlocal count
        count += 1
        instant(simulation, raw, power_up=power_up, turned=turned)

    monkeypatch.setattr(Simulation, "_instant", counted)
    made(charge)
    assert 2 * PRESSES < count < 2 * PRESSES + 20
