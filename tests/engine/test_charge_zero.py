"""The ends of the charge: 0 opens the protection whatever the voltage, 1 is never passed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from simfw import load_gadget, load_scenario, simulate
from simfw.stimuli.scenario import Press, Scenario, Usb

SCENARIO = Path(__file__).resolve().parents[2] / "scenarios/key-hook/old-cell.toml"


def test_a_cell_that_never_falls_to_its_cut_off_is_empty_at_charge_0() -> None:
    """Standby on a curve that ends above the cut-off lasts for the charge there is, no longer."""
    scenario = load_scenario(SCENARIO)
    gadget = scenario.gadget
    assert gadget is not None
    no_cut_off = gadget.model_copy(
        update={"cell": gadget.cell.model_copy(update={"cut_off": None})}
    )
    run = simulate(
        no_cut_off, replace(scenario, steps=(), charge=0.001, lasts_ns=30 * 86_400 * 10**9)
    )
    assert run.final.protected
    assert run.empty_at_ns is not None
    drawn_a = run.charge_used_c / (run.empty_at_ns / 1e9)
    assert run.charge_used_c == pytest.approx(0.001 * run.capacity_c, rel=1e-9)
    assert drawn_a == pytest.approx(3.9e-6, rel=0.02)  # asleep all the time


def test_the_protection_does_not_close_on_an_empty_cell_whose_voltage_recovers() -> None:
    """Charge 0 is empty even where the open-circuit voltage is above the restart."""
    scenario = load_scenario(SCENARIO)
    gadget = scenario.gadget
    assert gadget is not None
    level = gadget.cell.cut_off
    cell = gadget.cell.model_copy(update={"cut_off": None, "restart": level})
    run = simulate(
        gadget.model_copy(update={"cell": cell}),
        replace(scenario, steps=(), charge=0.001, lasts_ns=30 * 86_400 * 10**9),
    )
    assert run.final.protected
    assert run.end_open_circuit_v > 2.0


def test_a_cell_that_nears_full_and_never_gets_there_lets_time_go_on() -> None:
    """At charge 1 the charger feeds the load alone: rounding puts the charge at the mark, the
    clock never reaches it, and the run goes on to its end.
    """
    gadget = load_gadget(SCENARIO.parents[1] / "larder-lamp/gadget.toml")
    ms = 10**6
    presses = [Press(at_ns=at * ms, button=name, for_ns=30 * ms)
               for name in ("power", "level") for at in (0, 51, 102)]  # fmt: skip
    scenario = Scenario(
        title="full", gadget_path=Path("gadget.toml"), charge=1.0, lasts_ns=6 * 10**9,
        steps=(*presses, Usb(at_ns=65 * ms, present=True)), gadget=gadget,
    )  # fmt: skip
    run = simulate(gadget, scenario)
    assert run.end_ns == 6 * 10**9
    assert 1.0 - 1e-12 < run.end_charge <= 1.0
