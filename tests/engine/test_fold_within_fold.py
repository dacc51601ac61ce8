"""A fold within a fold: quick looks between two samples of the gauge."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from simfw import load_scenario, simulate

SCENARIO = Path(__file__).resolve().parents[2] / "scenarios/larder-lamp/quiet-week.toml"


def test_the_states_of_a_shorter_cycle_get_what_they_drew() -> None:
    """The charge of looks is that of the cell's charge at the time, not of the whole curve."""
    scenario = replace(load_scenario(SCENARIO), steps=(), charge=0.09, lasts_ns=180 * 10**9)
    assert scenario.gadget is not None
    folded = simulate(scenario.gadget, scenario, trace=False)
    plain = simulate(scenario.gadget, scenario, trace=False, fold=False)
    drawn = {(use.region, use.state): use.charge_c for use in plain.states}
    assert drawn["wave.look", "emitting"] > 0.0
    for use in folded.states:
        assert use.charge_c == pytest.approx(drawn[use.region, use.state], rel=2e-6, abs=1e-15)
