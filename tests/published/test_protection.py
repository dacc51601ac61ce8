"""Published figures of a cell's protection circuit, through whole runs.

DW01A (H&M): over-discharge 2.40 V, released at 3.0 V, 3 uA at 3.6 V (data sheet, scribd 433982711).
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from simfw import load_scenario, simulate
from simfw.circuit import Circuit

GADGET = """
[gadget]
name = "Published"
[cell]
curve = "deep.csv"
capacity = "10 mAh"
resistance = "1 Ω"
cut_off = "2.40 V"
restart = "3.0 V"
leakage = "3 uA"
[charger]
current = "5 mA"
float = "4.2 V"
[loads.lamp]
current = "20 mA"
[behaviour.lamp]
starts = "lit"
states.lit = { lamp = "on" }
rows = []
"""

CURVE = "charge,voltage_v\n0,2.0\n0.1,3.2\n0.9,3.9\n1,4.2\n"

SCENARIO = """
title = "Down and up again"
gadget = "gadget.toml"
charge = "20 %"
lasts = "2 h"
steps = [ { at = "30 min", usb = true } ]
"""


@pytest.fixture
def run(tmp_path):
    """A cell that is emptied by a lamp, then charged."""
    (tmp_path / "deep.csv").write_text(CURVE, encoding="utf-8")
    (tmp_path / "gadget.toml").write_text(GADGET, encoding="utf-8")
    (tmp_path / "scenario.toml").write_text(SCENARIO, encoding="utf-8")
    scenario = load_scenario(tmp_path / "scenario.toml")
    return simulate(scenario.gadget, scenario)


def test_walk_of_the_hysteresis(run):
    """Off where the loaded terminal meets 2.40 V, still off below 3.0 V at rest, then on."""
    circuit = Circuit(run.gadget)
    changes = [
        (before, after)
        for before, after in pairwise(run.intervals)
        if before.loads.protected != after.loads.protected
    ]
    assert [after.loads.protected for _, after in changes[:2]] == [True, False]
    opened, closed = (float(after.start_charge) for _, after in changes[:2])
    terminal = circuit.solve(changes[0][0].loads, opened).voltage_v[0]
    assert terminal == pytest.approx(2.40, abs=1e-3)
    # A light load lets the terminal jump up by I x R as it goes: 20 mA x 1 ohm.
    rest = float(circuit.open_circuit_v(opened))
    assert rest == pytest.approx(2.42, abs=2e-3)
    assert float(circuit.open_circuit_v(closed)) == pytest.approx(3.0, abs=1e-3)
    for interval in run.intervals:
        middle = float(circuit.open_circuit_v(0.5 * (interval.start_charge + interval.end_charge)))
        if interval.loads.protected:
            assert middle < 3.0
            lamp = run.consumers.index(next(c for c in run.consumers if c.name == "lamp"))
            assert interval.consumers_a[lamp] == 0.0


def test_protected_cell_loses_only_what_the_protection_takes(run):
    """While off the drain is the protection's own 3 uA."""
    off = [i for i in run.intervals if i.loads.protected and i.loads.charger == "off"]
    assert off
    assert all(np.isclose(sum(i.consumers_a), 3e-6, rtol=1e-9) for i in off)
