"""When a charge ends: by a user of a study as in a run, however small the cell's resistance is."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from simfw.circuit.circuit import Circuit
from simfw.life.grid import bent, grid_of, more_nodes
from simfw.loading import load_gadget
from tests.life.beside_run import run_beside, spent_ns
from tests.life.made import head, pattern
from tests.life.test_loop import ready

HOUR_NS = 3600 * 10**9
CASE = """
[gadget]
name = "Case"
[cell]
curve = "line.csv"
capacity = "100 mAh"
RESISTANCE
[charger]
current = "50 mA"
float = "4.1 V"
finish = "10 %"
status = "low while charging"
[loads.mark]
current = "1 mA"
[behaviour.mark]
starts = "dark"
states.dark = {}
states.lit = { mark = "on" }
rows = [
  { on = "charge.started", from = "dark", to = "lit" },
  { on = "charge.completed", from = "lit", to = "dark" },
]
"""
PLUG = """
[[habits]]
name = "plug"
at = "01:00"
steps = [ { usb = true }, { wait = "4 h" }, { usb = false } ]
"""


def _case(folder: Path, resistance: str) -> str:
    (folder / "line.csv").write_text("charge,voltage_v\n0,3.2\n1,4.2\n")
    return CASE.replace("RESISTANCE", resistance)


@pytest.mark.parametrize("resistance", ["", 'resistance = "20 mΩ"', 'resistance = "200 mΩ"',
                                        'resistance = "2 Ω"'])
def test_a_light_is_lit_as_long_as_in_a_run_while_it_charges(tmp_path: Path, resistance: str):
    """From 60 % to 90 % at 50 mA less 1 mA; without a resistance that is 108 C / 49 mA = 2204.1 s,
    since the current falls to nothing in a moment.
    """
    user = ready(pattern(tmp_path, _case(tmp_path, resistance), head(charge="60 %") + PLUG))
    stimuli, _ = user.stimuli(0, 24 * HOUR_NS)
    run = run_beside(user, stimuli, 8 * HOUR_NS)
    (lit,) = [one.time_ns for one in run.states if (one.region, one.state) == ("mark", "lit")]
    assert spent_ns(user, "mark", "lit") == pytest.approx(lit, rel=5e-5)
    if not resistance:
        assert spent_ns(user, "mark", "lit") == pytest.approx(108 / 0.049 * 1e9, abs=1e6)


@pytest.mark.parametrize("resistance", ["", 'resistance = "20 mΩ"', 'resistance = "20 Ω"'])
@pytest.mark.parametrize("float_v", ["3.3", "3.7", "4.1", "4.2", "4.5"])
def test_the_grids_of_all_parts_have_as_many_nodes(tmp_path: Path, resistance: str, float_v: str):
    """Wherever the float voltage stands, on a node or beyond the curve: rising, and as many."""
    text = _case(tmp_path, resistance).replace("4.1 V", f"{float_v} V")
    text += '[charger.windows]\ncold = "0 degC"\nhot = "45 degC"\nwarm = "40 degC"\n' \
            'warm_float = "3.25 V"\n'
    (tmp_path / "gadget.toml").write_text(text, encoding="utf-8")
    circuit = Circuit(load_gadget(tmp_path / "gadget.toml"))
    grid = grid_of(circuit.charge_nodes)
    found = bent(grid, circuit)
    assert len(found) == len(grid) + more_nodes(circuit)
    assert (found[0], found[-1]) == (0.0, 1.0)
    assert np.diff(found).min() > 1e-10
    assert set(grid) <= set(found)
