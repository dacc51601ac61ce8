"""The ends of the charge: 0 opens the protection whatever the voltage, 1 is never passed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from simfw import load_gadget, load_scenario, simulate
from simfw.errors import EndlessInstant
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


@pytest.mark.parametrize(
    ("charge", "expectation"),
    [
        ("0 %", "cell.charge <= 0 and not cell.charge > 0 and cell.charge >= 0"),
        ("100 %", "cell.charge <= 1 and not cell.charge > 1 and cell.charge >= 1"),
        ("100 %", "1 >= cell.charge and not cell.charge < 1 and cell.voltage <= 4.2"),
    ],
)
def test_an_empty_and_a_full_cell_stand_exactly_at_the_ends(
    charge: str, expectation: str, tmp_path: Path
) -> None:
    """Where the charge is a number exactly, `<=` holds and `<` does not."""
    (tmp_path / "curve.csv").write_text("charge,voltage_v\n0,3.0\n1,4.2\n")
    (tmp_path / "g.toml").write_text(
        '[gadget]\nname = "T"\n[cell]\ncurve = "curve.csv"\ncapacity = "100 mAh"\n'
    )
    (tmp_path / "s.toml").write_text(
        f'gadget = "g.toml"\ncharge = "{charge}"\nlasts = "2 s"\n'
        f'steps = [{{ at = "1 s", expect = "{expectation}" }}]\n'
    )
    scenario = load_scenario(tmp_path / "s.toml")
    assert scenario.gadget is not None
    assert [one.met for one in simulate(scenario.gadget, scenario).expectations] == [True]


def test_a_charger_that_holds_its_float_voltage_is_not_above_it(tmp_path: Path) -> None:
    """The rule against overcharge of a correct charger holds; one a millivolt below it breaks."""
    (tmp_path / "g.toml").write_text("""
[gadget]
name = "T"
[cell]
curve = "lco"
capacity = "100 mAh"
resistance = "1 Ω"
[charger]
current = "300 mA"
float = "4.20 V"
finish = "10 %"
status = "low while charging"
[[rules]]
name = "never above"
never = "cell.voltage > 4.2"
[[rules]]
name = "at most"
always = "cell.voltage <= 4.2"
[[rules]]
name = "below"
always = "4.199 >= cell.voltage"
""")
    (tmp_path / "s.toml").write_text(
        'gadget = "g.toml"\ncharge = "50 %"\nlasts = "2 h"\nsteps = [{ at = "1 s", usb = true }]\n'
    )
    scenario = load_scenario(tmp_path / "s.toml")
    assert scenario.gadget is not None
    run = simulate(scenario.gadget, scenario)
    assert any(event.name == "charge.completed" for event in run.events)
    assert {rule.name: rule.held for rule in run.rules} == {
        "never above": True, "at most": True, "below": False
    }  # fmt: skip


NO_RESTART = """
[gadget]
name = "No restart"
[cell]
curve = "nmc"
capacity = "100 mAh"
resistance = "1 Ω"
{cut_off}
[charger]
current = "100 mA"
float = "4.20 V"
finish = "10 %"
[loads.lamp]
current = "50 mA"
[buttons.key]
[behaviour.lamp]
starts = "dark"
states.dark = {{}}
states.lit = {{ lamp = "on" }}
rows = [ {{ on = "key.press", from = "dark", to = "lit" }} ]
"""


@pytest.mark.parametrize("cut_off", ["", 'cut_off = "3.0 V"'], ids=["bare", "cut-off"])
def test_without_a_restart_a_charged_cell_comes_back(cut_off: str, tmp_path: Path) -> None:
    """Empty, then charged: the protection closes above 0 and above its cut-off, and the key works.

    It does so while the charger feeds the cell; a cell at rest that has recovered stays off.
    """
    (tmp_path / "g.toml").write_text(NO_RESTART.format(cut_off=cut_off))
    (tmp_path / "s.toml").write_text("""
gadget = "g.toml"
charge = "0 %"
lasts = "4 h"
steps = [
  { at = "1 h", expect = "lamp.dark" },
  { at = "1 h", usb = true },
  { at = "1 h 10 min", expect = "cell.voltage > 3 and lamp.dark" },
  { at = "2 h", usb = false },
  { at = "2 h 1 min", press = "key", for = "100 ms" },
  { at = "2 h 2 min", expect = "lamp.lit" },
]
""")
    scenario = load_scenario(tmp_path / "s.toml")
    assert scenario.gadget is not None
    run = simulate(scenario.gadget, scenario)
    assert [one.met for one in run.expectations] == [True, True, True]
    came = [event.time_ns for event in run.events if event.name == "usb.in"]
    assert came
    gadget = scenario.gadget
    # Half of the cell is gone when the lamp has pulled it to its cut-off: at rest it stays off.
    dies = replace(scenario, charge=0.05, steps=(
        Press(at_ns=10**9, button="key", for_ns=10**8),
    ))
    dead = simulate(gadget, dies)
    assert dead.final.protected
    if cut_off:
        assert dead.end_open_circuit_v > 3.0
        again = simulate(gadget, replace(dies, steps=(
            *dies.steps, Usb(at_ns=3 * 3600 * 10**9, present=True),
        )))
        assert not again.final.protected


def test_a_protection_that_chatters_is_told(tmp_path: Path) -> None:
    """A load at power-up that takes more than the charger gives: an error that says so, no hang."""
    text = NO_RESTART.format(cut_off="").replace('"50 mA"', '"150 mA"')
    (tmp_path / "g.toml").write_text(text.replace('starts = "dark"', 'starts = "lit"'))
    (tmp_path / "s.toml").write_text(
        'gadget = "g.toml"\ncharge = "0 %"\nlasts = "4 h"\nsteps = [{ at = "1 s", usb = true }]\n'
    )
    scenario = load_scenario(tmp_path / "s.toml")
    assert scenario.gadget is not None
    with pytest.raises(EndlessInstant, match="the protection opens"):
        simulate(scenario.gadget, scenario)
