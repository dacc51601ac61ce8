"""Stretches of sequences in one step, duties that share tables, and what modes make of them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from simfw.circuit.circuit import LoadSet
from simfw.engine.clocks import Clocks, clock_of, tabulate
from simfw.engine.modes import mean_current
from simfw.engine.prepared import Prepared
from simfw.engine.run import Run
from simfw.engine.simulation import Simulation
from simfw.gadget.load import read_gadget
from simfw.gadget.model import Gadget
from simfw.stimuli.scenario import Press, Scenario

BREATHING = """
[gadget]
name = "Breathing beside winking"
[cell]
curve = "lco"
capacity = "400 mAh"
resistance = "0.4 Ω"
cut_off = "2.9 V"
leakage = "3 uA"
self_discharge = "2 %/month"
[controller]
awake = "1 mA"
asleep = "4 uA"
wake = "2 uC"
[lights.glow]
forward = ["2.7 V @ 5 mA", "3.0 V @ 60 mA"]
resistor = "15R"
[lights.red]
forward = ["1.9 V @ 2 mA", "2.1 V @ 40 mA"]
resistor = "39R"
[gauge]
thresholds = ["3.65 V", "3.80 V", "3.95 V"]
hysteresis = "60 mV"
every = "10 s"
[buttons.on]
debounce = "10 ms"
[sequences.breathe]
points = ["2 % @ 0 s", "100 % @ 1.5 s", "2 % @ 3 s"]
every = "100 ms"
[sequences.wink]
steps = ["on for 40 ms", "off for 3960 ms"]
[sequences.flash]
steps = ["30 % for 70 ms", "off for 130 ms"]
times = 40
[behaviour.lamp]
starts = "off"
states.off = {}
states.lit = { glow = "breathe", red = "flash" }
rows = [{ on = "on.click", from = "off", to = "lit" }]
[behaviour.warning]
starts = "winking"
states.winking = { red = "wink" }
rows = []
"""


@pytest.fixture
def breathing(tmp_path: Path) -> Gadget:
    """A gadget with an endless breath, a wink, and a sequence that ends."""
    path = tmp_path / "gadget.toml"
    path.write_text(BREATHING, encoding="utf-8")
    return read_gadget(path)


def run(
    gadget: Gadget, *, plays: bool, fold: bool = True, minutes: int = 20, charge: float = 0.95
) -> Run:
    """A press after five seconds, and a while of what follows."""
    scenario = Scenario(
        title="A while", gadget_path=Path("gadget.toml"), charge=charge,
        lasts_ns=minutes * 60 * 10**9,
        steps=(Press(at_ns=5 * 10**9, button="on", for_ns=200_000_000),),
    )
    simulation = Simulation(Prepared(gadget).without_rules(), scenario, 0, fold, False, (), None,
                            plays=plays)
    found = simulation.run()
    assert plays == bool(simulation.playing and simulation.playing.edges)
    return found


def test_stretches_leave_the_books_of_going_edge_by_edge(breathing: Gadget) -> None:
    """Charge, ledger, states and events as without folds; the ledger adds up to 1e-9."""
    whole, plain = run(breathing, plays=True), run(breathing, plays=False, fold=False)
    used = [(one.start_charge - one.end_charge) * one.capacity_c for one in (whole, plain)]
    assert used[0] == pytest.approx(used[1], rel=1e-6)
    assert sum(one.charge_c for one in whole.consumers) == pytest.approx(used[0], rel=1e-9)
    for one, other in zip(whole.consumers, plain.consumers, strict=True):
        assert one.charge_c == pytest.approx(other.charge_c, rel=1e-6)
    for state, same in zip(whole.states, plain.states, strict=True):
        assert (state.region, state.state, state.time_ns) == (
            same.region, same.state, same.time_ns)
        assert state.charge_c == pytest.approx(same.charge_c, rel=1e-6)
    assert whole.events == plain.events


def test_a_stretch_with_a_threshold_in_it_is_gone_through_edge_by_edge(breathing: Gadget) -> None:
    """The protection opens at the same edge of the breath."""
    whole = run(breathing, plays=True, minutes=60, charge=0.01)
    plain = run(breathing, plays=False, minutes=60, charge=0.01)
    assert whole.empty_at_ns is not None
    assert whole.empty_at_ns == pytest.approx(plain.empty_at_ns, rel=1e-6)


def test_duties_of_one_light_share_their_tables(breathing: Gadget) -> None:
    """A mixed clock draws what the load set draws that is solved as it is, and tells its levels."""
    circuit = Prepared(breathing).circuit
    known = Clocks()
    charges = np.linspace(0.001, 0.999, 301)
    for drives in ((("glow", 0.35, -1),), (("glow", 0.07, -1), ("red", 0.6, -1)),
                   (("glow", 1.0, -1), ("red", 0.02, -1))):
        loads = LoadSet(drives=drives)
        mixed = clock_of(circuit, loads, known)
        direct = tabulate(lambda s, loads=loads: circuit.solve(loads, s), circuit.charge_nodes,  # type: ignore[misc]
                          circuit.capacity_c, levels=circuit.levels(loads))
        for charge in charges.tolist():
            flows = direct.currents(charge)[0]
            assert mixed.currents(charge)[0] == pytest.approx(flows, rel=0, abs=1e-6 * sum(flows))
            assert mixed.voltage(charge) == pytest.approx(direct.voltage(charge), abs=3e-6)
        solved = circuit.solve(loads, charges).consumers_a.sum(axis=0)
        told = [sum(mixed.currents(charge)[0]) for charge in charges.tolist()]
        assert told == pytest.approx(solved, rel=1e-6)
        assert mixed.charge_at_voltage(3.0) == pytest.approx(
            direct.charge_at_voltage(3.0), abs=1e-8)
    # Whatever the duties: all off, each alone, and both.
    assert len([one for one in known if all(duty == 1.0 for _, duty, _ in one.drives)]) == 4


def test_a_mode_draws_what_a_plain_run_draws_on_the_mean(breathing: Gadget) -> None:
    """Over a common period (60 s) around the charge that is asked about, edge by edge."""
    prepared = Prepared(breathing)
    plain = run(breathing, plays=False, fold=False, minutes=10)
    later = run(breathing, plays=False, fold=False, minutes=11)
    drawn_a = ((plain.end_charge - later.end_charge) * plain.capacity_c) / 60.0
    there = mean_current(prepared, [("lamp", "lit")],
                         charge=0.5 * (plain.end_charge + later.end_charge))
    assert there.within_a is None
    assert there.current_a == pytest.approx(drawn_a, rel=1e-4)


def test_modes_handle_no_edges_one_by_one(
    breathing: Gadget, monkeypatch: pytest.MonkeyPatch
) -> None:
    """However finely a breath is stepped, a period takes as many steps as regions have instants;
    what is asked at one charge is not tabulated over all.
    """
    counted = {"steps": 0}
    step = Simulation._step

    def seen(simulation: Simulation) -> bool:
        counted["steps"] += 1
        return step(simulation)

    monkeypatch.setattr(Simulation, "_step", seen)
    prepared = Prepared(breathing)
    found = mean_current(prepared, [("lamp", "lit")])
    assert found.current_a is not None
    assert counted["steps"] < 150
    assert not [one for one in prepared.clocks if one.drives], "one charge needs no table"
