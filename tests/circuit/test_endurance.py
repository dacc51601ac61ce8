"""Run times and charge times as integrals over charge."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from simfw.circuit import Circuit, LoadSet
from simfw.circuit.endurance import (
    charge_time,
    diffusion_share,
    discharge,
    light_run_time,
    supply_table,
)
from tests.circuit.parts import CELL, CHARGER, CONTROLLER, LIGHTS, gadget

RADIO = '[loads.radio]\ncurrent = "65 mA"\n'
RADIO_ON = LoadSet(drives=(("radio", 1.0, -1),))
SHELF_ON = LoadSet(drives=(("shelf", 1.0, -1),))


def test_constant_current_empties_the_capacity():
    """A tenth of the capacity per hour empties a cell without cut-off in ten hours."""
    bare = CELL.replace('cut_off = "3.05 V"', "")
    walk = discharge(Circuit(gadget(bare, RADIO)), RADIO_ON)
    assert walk.ended_by == "empty"
    assert walk.run_time_s == pytest.approx(36_000, rel=1e-9)


def test_discharge_agrees_with_an_ode_solver():
    """A voltage-dependent load takes the time that a general integrator finds."""
    circuit = Circuit(gadget(CELL, LIGHTS))
    walk = discharge(circuit, SHELF_ON, start=0.9)

    def slope(_, y):
        return [-circuit.solve(SHELF_ON, y[0]).consumers_a.sum() / circuit.capacity_c]

    found = solve_ivp(slope, [0, walk.time_s[-1]], [0.9], rtol=1e-7, atol=1e-9, max_step=300.0)
    assert found.y[0, -1] == pytest.approx(walk.charge[-1], abs=2e-6)


def test_protection_ends_a_discharge_at_its_voltage():
    """The discharge stops where the terminal meets the cut-off, or a voltage of one's own."""
    circuit = Circuit(gadget(CELL, RADIO))
    walk = discharge(circuit, RADIO_ON)
    assert walk.ended_by == "protection"
    assert walk.voltage_v[-1] == pytest.approx(3.05, abs=1e-9)
    earlier = discharge(circuit, RADIO_ON, stop_v=3.6)
    assert earlier.run_time_s < walk.run_time_s


def test_a_cell_below_the_cut_off_runs_no_time():
    """A start below the cut-off is an end at once."""
    assert discharge(Circuit(gadget(CELL, RADIO)), RADIO_ON, stop_v=4.3).run_time_s == 0.0


def test_nothing_drawn_is_no_run_time():
    """Without a drain there is no time to the end."""
    walk = discharge(Circuit(gadget()), LoadSet())
    assert walk.ended_by == "never"
    assert walk.run_time_s is None
    assert light_run_time(Circuit(gadget(CELL, LIGHTS)), "shelf", LoadSet()).ended_by == "never"


def test_light_run_time_ends_by_protection_or_at_a_tenth():
    """A light ends with its cell, or where it gives a tenth of its reading."""
    circuit = Circuit(gadget(CELL, LIGHTS))
    whole = light_run_time(circuit, "shelf", SHELF_ON)
    assert whole.ended_by == "protection"
    assert whole.run_time_s == discharge(circuit, SHELF_ON).run_time_s
    tall = LIGHTS.replace('"2.75 V @ 5 mA", "3.0 V @ 20 mA"', '"3.5 V @ 5 mA", "3.7 V @ 20 mA"')
    deep = CELL.replace('cut_off = "3.05 V"', "")
    dim = Circuit(gadget(deep, tall))
    found = light_run_time(dim, "shelf", SHELF_ON)
    assert found.ended_by == "10 %"
    walk = discharge(dim, SHELF_ON)
    carried = dim.light_current_a("shelf", SHELF_ON, walk.charge)
    amps = np.interp(found.run_time_s, walk.time_s, carried)
    assert amps == pytest.approx(0.1 * found.reading_a, rel=1e-6)


def test_a_light_that_is_off_is_dark():
    """A light that is not on has no reading."""
    circuit = Circuit(gadget(CELL, LIGHTS, RADIO))
    assert light_run_time(circuit, "shelf", RADIO_ON).ended_by == "dark"


def test_charge_time_walks_the_steps():
    """A flat cell goes through precharge and fast to the end; the parts add up."""
    circuit = Circuit(gadget(CELL.replace('curve = "lco"', 'curve = "nmc"'), CHARGER))
    found = charge_time(circuit, LoadSet())
    assert [step[0] for step in found.steps] == ["precharge", "fast"]
    assert found.ends
    assert found.why == ""
    assert found.steps[-1][1] == found.time_s
    moved_c = circuit.capacity_c * found.end_charge
    assert found.time_s > moved_c / circuit.charger.constant_current_a
    # 30 mA of 650 mAh is a little below C/20: a little more than a tenth.
    assert found.time_s < found.longest_s <= 1.11 * found.time_s


def test_precharge_that_its_own_current_ends_takes_no_time():
    """A cell that rests 1 uV below the voltage for more current: the sag upwards is over it."""
    circuit = Circuit(gadget(CELL.replace('curve = "lco"', 'curve = "nmc"'), CHARGER))
    charge = np.linspace(0.0, 0.05, 20_001)
    rest_v = circuit.solve(LoadSet(), charge).voltage_v
    start = float(np.interp(2.9 - 1e-6, rest_v, charge))
    found = charge_time(circuit, LoadSet(), start=start)
    assert found.steps[0] == ("precharge", 0.0, start)
    above = charge_time(circuit, LoadSet(), start=float(np.interp(2.9 + 1e-6, rest_v, charge)))
    assert [step[0] for step in above.steps] == ["fast"]
    assert found.time_s == pytest.approx(above.time_s, rel=1e-6)


def test_charge_time_without_resistance_is_arithmetic():
    """A stiff cell takes capacity over current, up to full."""
    stiff = CELL.replace('resistance = "180 mΩ"', "")
    circuit = Circuit(gadget(stiff, CHARGER))
    found = charge_time(circuit, LoadSet(), start=0.5)
    assert found.time_s == pytest.approx(0.5 * 2340 / (1000 / 3300), rel=1e-5)
    assert found.ends
    assert found.why == ""


def test_a_steady_load_keeps_the_charger_from_ending():
    """A load above the finish current leaves the cell full and the charger on."""
    circuit = Circuit(gadget(CELL.replace('"lco"', '"nmc"'), CHARGER, RADIO))
    found = charge_time(circuit, RADIO_ON, start=0.5)
    assert found.time_s is None
    assert not found.ends
    assert found.why.startswith("the load keeps the charger from ending")


def test_a_load_that_takes_all_never_fills_the_cell():
    """A load above the charging current leaves nothing for the cell."""
    circuit = Circuit(gadget(CELL, CHARGER, RADIO.replace("65 mA", "400 mA")))
    found = charge_time(circuit, RADIO_ON, start=0.5)
    assert found.time_s is None
    assert found.why == "the load takes all that the charger gives"


def test_no_charger_or_too_cold_no_charge():
    """Without a charger, or outside its temperatures, there is no time and a reason."""
    assert charge_time(Circuit(gadget()), LoadSet()).why == "the gadget has no charger"
    windows = '[charger.windows]\ncold = "0 degC"\nhot = "45 degC"\n'
    cold = Circuit(gadget(CELL, CHARGER + windows))
    assert charge_time(cold, LoadSet(temperature_c=-5.0)).why == (
        "the charger does not charge at -5 °C"
    )


def test_a_charger_without_finish_ends_with_the_cell():
    """Without a finish current, full is the end."""
    text = CHARGER.replace('finish = "10 %"\n', "")
    found = charge_time(Circuit(gadget(CELL.replace('"180 mΩ"', '"1 mΩ"'), text)), LoadSet())
    assert found.ends
    assert found.end_charge == pytest.approx(1.0)


def test_allowance_for_diffusion_grows_with_the_current():
    """2 % up to a fifth of the capacity per hour, 10 % from half of it."""
    assert [diffusion_share(rate) for rate in (0.1, 0.2, 0.35, 0.5, 1.0)] == pytest.approx(
        [0.02, 0.02, 0.06, 0.10, 0.10]
    )


def test_supply_table_has_a_column_per_consumer_and_light():
    """Current and relative light against the cell, monotone and 1 at full charge."""
    circuit = Circuit(gadget(CELL, LIGHTS, CONTROLLER))
    loads = LoadSet(drives=(("bars", 0.0, 0), ("shelf", 1.0, -1)))
    table = supply_table(circuit, loads, points=50)
    assert list(table) == [
        "charge", "open_circuit_v", "voltage_v", "shelf_a", "bars_a", "controller_a",
        "bars_light", "shelf_light",
    ]  # fmt: skip
    assert table["shelf_light"][-1] == 1.0
    assert np.all(np.diff(table["shelf_light"]) > 0.0)
    assert not table["bars_light"].any()
    circuit = Circuit(gadget(CELL, LIGHTS, RADIO))
    plain = supply_table(circuit, RADIO_ON, points=5)
    assert plain["radio_a"] == pytest.approx([0.065] * 5)
    assert "radio_light" not in plain
