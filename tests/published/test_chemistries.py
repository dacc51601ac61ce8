"""Published figures of iron-phosphate, nickel and primary cells, and of cells in series."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import simfw
from simfw.circuit.circuit import Circuit
from simfw.circuit.gauge import gauge_bands
from simfw.circuit.overview import overview

HEAD = '[gadget]\nname = "Published"\n[cell]\ncapacity = "1 Ah"\n'


def circuit(cell: str, tmp_path: Path) -> Circuit:
    """The circuit of a bare cell in a gadget file."""
    (tmp_path / "gadget.toml").write_text(HEAD + cell, encoding="utf-8")
    return Circuit(simfw.load_gadget(tmp_path / "gadget.toml"))


@pytest.mark.parametrize(
    ("series", "charge", "volts"), [(3, 0.5, 3.771), (3, 0.1, 3.582), (2, 0.5, 2.514)]
)
def test_nickel_cells_in_series(series: int, charge: float, volts: float, tmp_path: Path) -> None:
    """So many times the open-circuit voltage of a Panasonic BK-1100FHU at a charge, exact.

    `include/zephyr/dt-bindings/battery/battery.h` of the Zephyr project, eleven points.
    """
    found = circuit(f'curve = "nimh"\nseries = {series}\n', tmp_path).open_circuit_v(charge)
    assert float(found) == pytest.approx(volts, abs=5e-4)


def test_an_iron_phosphate_gauge_has_a_blind_middle(tmp_path: Path) -> None:
    """A measured C/20 curve: 3.25 V is 27 % and 3.30 V is 65 %, within 2.5 points.

    About:Energy BPX parameter sets, `LFP/data/validation/LFP_25degC_Co20.csv`. With 15 mV of error
    at half charge a reading stands for 25 points or more.
    """
    cell = ('curve = "lfp"\n[controller]\nreference = "1.1 V"\nadc_bits = 12\n'
            '[gauge]\nthresholds = ["3.25 V", "3.30 V"]\n')
    found = circuit(cell, tmp_path)
    bands = gauge_bands(simfw.load_gadget(tmp_path / "gadget.toml"))
    assert [band.nominal_low for band in bands] == pytest.approx([0.0, 0.27, 0.65], abs=0.025)
    at_half = float(found.open_circuit_v(0.5))
    charge = np.linspace(0.0, 1.0, 2001)
    near = charge[np.abs(found.open_circuit_v(charge) - at_half) <= 0.015]
    assert near[-1] - near[0] >= 0.25


def test_half_cell_curves_of_iron_phosphate_agree_in_the_middle(tmp_path: Path) -> None:
    """E. Prada et al. 2013, computed from half-cell curves: 3.253, 3.266, 3.269 V at 40 to 60 %."""
    volts = circuit('curve = "lfp"\n', tmp_path).open_circuit_v([0.4, 0.5, 0.6])
    assert volts.tolist() == pytest.approx([3.253, 3.266, 3.269], abs=0.0155)


def test_a_fresh_alkaline_cell_rests_at_1_58_volts(tmp_path: Path) -> None:
    """Typically 1.58 V, open circuit (advanced-battery.com/alkaline.html); read to 20 mV here."""
    assert float(circuit('curve = "alkaline"\n', tmp_path).open_circuit_v(1.0)) == pytest.approx(
        1.58, abs=0.02)


def test_an_alkaline_curve_is_near_a_table_of_hobbyists(tmp_path: Path) -> None:
    """1.3 V at 85 %, 1.2 V at 50 %, 1.1 V at 20 % under a small load, a thread of 2009.

    candlepowerforums.com/threads/263582: under load (about 20 ohm), so the cell at rest is above it
    throughout, by at most 0.2 V.
    """
    rest = circuit('curve = "alkaline"\n', tmp_path).open_circuit_v([0.2, 0.5, 0.85])
    above = rest - np.array([1.1, 1.2, 1.3])
    assert (above > 0.0).all()
    assert (above < 0.2).all()


def test_a_primary_lithium_cell_under_a_pulse(tmp_path: Path) -> None:
    """29 % left of 240 mAh: 2.8 V, with 30 ohm and 15 mA 2.35 V; 20 ohm at 37.5 %: 0.30 V of sag.

    Duracell's CR2032 figures as read by "Driving circuits from a CR2032 lithium coin cell",
    Interactive Matter Lab, 29 August 2009; within 10 mV.
    """
    cell = ('curve = "lithium-primary"\nresistance_at_charge = ["30 Ω @ 29 %", "20 Ω @ 37.5 %", '
            '"18 Ω @ 100 %"]\n[loads.pulse]\ncurrent = "15 mA"\n')
    found = circuit(cell, tmp_path)
    loads = simfw.circuit.LoadSet(drives=(("pulse", 1.0, -1),))
    solved = found.solve(loads, [0.29, 0.375])
    assert solved.voltage_v[0] == pytest.approx(2.35, abs=0.01)
    assert solved.open_circuit_v[1] - solved.voltage_v[1] == pytest.approx(0.30, abs=1e-3)


def test_voltages_of_another_cell_are_told(tmp_path: Path) -> None:
    """A cut-off of one cell under three, and a float voltage of one above a cell's curve."""
    circuit('curve = "nimh"\nseries = 3\ncut_off = "1.0 V"\n', tmp_path)
    notes = overview(simfw.load_gadget(tmp_path / "gadget.toml")).notes
    assert [note.text for note in notes] == [
        "the 3 cells in series rest at 3.01 V when empty: only a load can bring them down to 1.0 V"]
    circuit('curve = "lfp"\n[charger]\ncurrent = "100 mA"\nfloat = "4.2 V"\n', tmp_path)
    notes = overview(simfw.load_gadget(tmp_path / "gadget.toml")).notes
    assert [note.text for note in notes] == [
        "the cell rests at 3.48 V when full, and charging ends at 4.2 V: see the cell's own sheet"]
