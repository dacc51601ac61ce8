"""Folding close to a threshold of the gauge."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from simfw import Run, load_scenario, simulate

SCENARIO = Path(__file__).resolve().parents[2] / "scenarios/cellar-steps/one-day.toml"
DAY_NS = 86_400 * 10**9


def test_a_wink_goes_on_after_the_gauge_has_come_near_a_threshold() -> None:
    """A cycle learned where a known one could not be used any more has all its intervals."""
    scenario = load_scenario(SCENARIO)
    gadget = scenario.gadget
    assert gadget is not None

    def mark_a(run: Run) -> float:
        used = next(use.charge_c for use in run.consumers if use.name == "mark")
        return used / (run.duration_ns / 1e9)

    idle = replace(scenario, steps=(), charge=0.6078)
    before = simulate(gadget, replace(idle, lasts_ns=DAY_NS))
    across = simulate(gadget, replace(idle, lasts_ns=20 * DAY_NS))
    assert [event.name for event in before.events] == []
    assert [event.name for event in across.events] == ["gauge.down"]
    assert mark_a(across) == pytest.approx(mark_a(before), rel=0.03)
