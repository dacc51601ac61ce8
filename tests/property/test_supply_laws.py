"""Laws of what stands between the cell and what it feeds."""

from __future__ import annotations

import tomllib

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from simfw.circuit.circuit import Circuit, LoadSet
from simfw.gadget.model import Gadget

PARTS = """
[controller]
awake = "2 mA"
asleep = "5 uA"
[lights.lamp]
leds = 2
forward = ["2.75 V @ 5 mA", "3.0 V @ 20 mA"]
resistor = "47R"
switch = { kind = "nmos", on_resistance = "60 mΩ" }
[loads.coil]
resistance = "90R"
[loads.motor]
current = "7 mA"
"""
POINTS = ((0.0, 1.7), (0.3, 2.2), (1.0, 2.6))
DRIVES = st.lists(
    st.tuples(st.sampled_from(["coil", "lamp", "motor"]), st.floats(0.01, 1.0)),
    max_size=3, unique_by=lambda drive: drive[0],
).map(lambda drives: tuple((name, duty, -1) for name, duty in sorted(drives)))


def circuit(cell: str, volts: float, parts: str = PARTS) -> Circuit:
    """A circuit on a cell whose curve has so many times the voltage of `POINTS`."""
    text = f'[gadget]\nname = "Law"\n[cell]\ncurve = "own.csv"\ncapacity = "1 Ah"\n{cell}\n{parts}'
    points = tuple((charge, volts * v) for charge, v in POINTS)
    gadget = Gadget.model_validate(tomllib.loads(text))
    return Circuit(gadget.model_copy(update={"curve_points": points}))


@settings(max_examples=25, deadline=None)
@given(st.integers(1, 4), st.integers(50, 2000), st.booleans(), DRIVES, st.floats(-10.0, 50.0))
def test_cells_in_series_are_one_with_their_voltage_and_resistance(
    series: int, milliohm: int, against_charge: bool, drives: tuple[tuple[str, float, int], ...],
    celsius: float,
) -> None:
    """So many cells draw, sag and lose what one of n times the voltage and the resistance does."""
    def cell(ohm: int) -> str:
        lines = [f'resistance_at_charge = ["{2 * ohm} mΩ @ 10 %", "{ohm} mΩ @ 90 %"]'
                 if against_charge else f'resistance = "{ohm} mΩ"',
                 f'resistance_at_temperature = ["{3 * ohm} mΩ @ 0 degC", "{ohm} mΩ @ 25 degC"]',
                 'self_discharge = "3 %/month"', 'leakage = "3 uA"']
        return "\n".join(lines)

    loads = LoadSet(drives=drives, controller="awake", temperature_c=celsius)
    charge = np.linspace(0.0, 1.0, 9)
    many = circuit(f"series = {series}\n{cell(milliohm)}", 1.0).solve(loads, charge)
    one = circuit(cell(series * milliohm), series).solve(loads, charge)
    np.testing.assert_allclose(many.consumers_a, one.consumers_a, rtol=1e-9, atol=1e-15)
    np.testing.assert_allclose(many.voltage_v, one.voltage_v, rtol=1e-9)
    np.testing.assert_allclose(many.open_circuit_v, one.open_circuit_v, rtol=1e-12)


def test_one_cell_in_series_is_the_cell() -> None:
    """`series = 1` changes nothing, to the last digit."""
    loads = LoadSet(drives=(("lamp", 0.4, -1),), controller="awake")
    charge = np.linspace(0.0, 1.0, 9)
    written = circuit('series = 1\nresistance = "300 mΩ"', 1.6).solve(loads, charge)
    left_out = circuit('resistance = "300 mΩ"', 1.6).solve(loads, charge)
    assert (written.consumers_a == left_out.consumers_a).all()
    assert (written.voltage_v == left_out.voltage_v).all()
