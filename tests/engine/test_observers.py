"""What an observer is told, and what simulations of one gadget share."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from simfw import Run, load_scenario, simulate
from simfw.circuit.circuit import ChargerMode
from simfw.engine.observer import Observer
from simfw.engine.simulator import Prepared

SCENARIOS = Path(__file__).resolve().parents[2] / "scenarios"
EVENING = SCENARIOS / "larder-lamp/jam-making.toml"


class Notes(Observer):
    """Writes down what has passed."""

    def __init__(self) -> None:
        self.passages: list[tuple[int, int, float, float, ChargerMode]] = []

    def passed(self, start_ns: int, end_ns: int, start_charge: float, end_charge: float,
               charger: ChargerMode) -> None:  # fmt: skip
        """Note a passage."""
        self.passages.append((start_ns, end_ns, start_charge, end_charge, charger))


@pytest.mark.parametrize("fold", [True, False])
def test_what_has_passed_is_told_as_the_intervals_are(fold: bool) -> None:
    """The short telling gives the same times, charges and charger modes as the intervals."""
    scenario = replace(load_scenario(EVENING), lasts_ns=180 * 10**9)
    assert scenario.gadget is not None
    notes = Notes()
    run = simulate(scenario.gadget, scenario, fold=fold, observers=(notes,))
    assert any(interval.cycles for interval in run.intervals) == fold
    assert notes.passages == [
        (one.start_ns, one.end_ns, one.start_charge, one.end_charge, one.loads.charger)
        for one in run.intervals
    ]


def test_a_simulation_leaves_nothing_behind_for_the_next_one() -> None:
    """Runs that share what is prepared give what each gives alone, to the last bit."""

    def told(run: Run) -> tuple[object, ...]:
        return run.consumers, run.states, run.events, run.intervals, run.end_charge

    scenario = load_scenario(EVENING)
    gadget = scenario.gadget
    assert gadget is not None
    shared = Prepared(gadget)
    first = told(simulate(gadget, scenario, prepared=shared))
    assert told(simulate(gadget, scenario, prepared=shared)) == first
    assert told(simulate(gadget, scenario)) == first
