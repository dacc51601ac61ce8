"""Many load sets solved together: each as if it had been solved alone."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from simfw.circuit.batch import Rows, settle_rows
from simfw.circuit.circuit import Circuit, LoadSet
from simfw.circuit.network import Feed, Phase, settle
from simfw.circuit.table import Grid
from simfw.loading import load_gadget

SCENARIOS = Path(__file__).parents[2] / "scenarios"


@pytest.mark.parametrize("name", ["larder-lamp", "cellar-steps", "key-hook"])
def test_totals_are_those_of_each_load_set_alone(name: str) -> None:
    """The sums of `solve`, within 1 nA and 1 nV; and to the last bit whatever the company."""
    gadget = load_gadget(SCENARIOS / name / "gadget.toml")
    circuit = Circuit(gadget)
    lights = list(gadget.lights)
    modes = ["off"] if gadget.charger is None else ["off", "precharge", "fast", "complete"]
    sets = [
        LoadSet(drives=tuple(sorted(((one, duty, -1 if not gadget.lights[one].segments else 2)
                                     for one in lights[:count]), key=lambda drive: drive[0])),
                controller=controller, charger=mode)  # type: ignore[arg-type]
        for mode in modes for count in range(len(lights) + 1) for duty in (1.0, 0.3)
        for controller in ("asleep", "awake")
    ]
    sets += [LoadSet(controller="off", protected=True, charger=mode)  # type: ignore[arg-type]
             for mode in modes]
    charges = np.linspace(0.0, 1.0, 60)
    found = circuit.totals(sets, charges)
    for row, one in enumerate(sets):
        alone = circuit.solve(one, charges)
        assert found.consumed_a[row] == pytest.approx(alone.consumers_a.sum(axis=0), abs=1e-9)
        assert found.charger_a[row] == pytest.approx(alone.charger_a, abs=1e-9)
        assert found.voltage_v[row] == pytest.approx(alone.voltage_v, abs=1e-9)
        if row % 7 == 0:
            single = circuit.totals([one], charges)
            assert (single.consumed_a[0] == found.consumed_a[row]).all()
            assert (single.voltage_v[0] == found.voltage_v[row]).all()


def _phase(current_a: float, conductance_s: float) -> Phase:
    return Phase(weight=1.0, constant_a=current_a, conductance_s=conductance_s, curve=None,
                 on=frozenset())


def test_rows_of_a_dying_source_settle_like_one() -> None:
    """Down to 0 V, where constant loads fade: the node of each row is that of `settle`."""
    phases = [_phase(0.02, 0.0), _phase(0.3, 0.01), _phase(0.0, 0.5)]
    source = np.array([0.0, 0.01, 0.05, 0.12, 0.5, 3.0])
    ohm = np.array([1.0, 2.0, 2.0, 2.0, 5.0, 5.0])
    rows = Rows(phases, Grid(top_v=4.4))
    volts, output = settle_rows(rows, source, ohm, None, np.inf)
    assert (output == 0.0).all()
    for row, phase in enumerate(phases):
        assert volts[row] == pytest.approx(settle(phase, source, ohm), abs=1e-9)


def test_charger_gives_way_at_the_float_voltage() -> None:
    """What the load and the cell take at the float voltage, none into a cell above it."""
    rows = Rows([_phase(0.02, 0.0)], Grid(top_v=5.0))
    source = np.array([3.5, 4.1, 4.18, 4.5])
    ohm = np.array([0.5, 0.5, 0.5, 0.5])
    volts, output = settle_rows(rows, source, ohm, Feed(most_a=0.1), 4.2)
    # 3.5 V: all of 0.1 A, 0.08 A of it into the cell. 4.18 V: (4.2 - 4.18) / 0.5 + 0.02.
    assert output[0] == pytest.approx([0.1, 0.1, 0.06, 0.0])
    assert volts[0] == pytest.approx([3.54, 4.14, 4.2, 4.5 - 0.5 * 0.02])
    # Without resistance the cell's own voltage stands.
    stiff, given = settle_rows(rows, source, np.zeros(4), Feed(most_a=0.1), 4.2)
    assert stiff[0] == pytest.approx([3.5, 4.1, 4.18, 4.5])
    assert given[0] == pytest.approx([0.1, 0.1, 0.1, 0.0])
