"""The charge in bands: what it proves of voltages, and that no run leaves what it allows."""

from __future__ import annotations

from bisect import bisect_right

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simfw.behaviour.build import build_system
from simfw.behaviour.rules import build_rules
from simfw.circuit.circuit import Circuit, LoadSet
from simfw.engine.simulator import Prepared, simulate
from simfw.gadget.model import Gadget
from simfw.loading import load_gadget
from simfw.stimuli.scenario import Press, Scenario, Step, Usb
from simfw.verify.abstraction import Electrics, Reduced, reduce_system
from simfw.verify.bands import BAND, make_bands
from simfw.verify.check import check_gadget
from simfw.verify.decide import monitor_of
from simfw.verify.detail import BANDED
from simfw.verify.explore import explore
from simfw.verify.finding import Finding, Verdict
from tests.quality import cases
from tests.quality.mutants import DEMOS
from tests.verify.gadgets import gadget, rule

MS = 1_000_000
S = 1000 * MS


def decided(text: str, runs: int = 5) -> tuple[Verdict, list[Finding]]:
    """The verdict on the one rule of a gadget given as text, and the faults."""
    report = check_gadget(gadget(text), runs=runs,
                          only=("rule", "coincidence", "power-cut"))
    (verdict,) = report.verdicts
    return verdict, list(report.faults)


def test_a_voltage_below_the_cut_off_is_never_read_with_the_lamp_on() -> None:
    """The protection opens first; without a cut-off the rule breaks."""
    wanted = rule('never = "lamp.lit and cell.voltage < 3.045"')
    verdict, faults = decided(cases.PLAIN + wanted)
    assert verdict.standing in ("proved", "coincidence")
    assert verdict.free == ()
    assert faults == []
    bare = cases.PLAIN.replace('cut_off = "3.05 V"\nrestart = "3.25 V"\n', "")
    assert bare != cases.PLAIN
    verdict, faults = decided(bare + wanted, runs=40)
    assert verdict.standing == "broken"
    assert faults[0].witness is not None


def test_a_low_cell_is_seen_in_time_only_by_samples_that_come_often_enough() -> None:
    """Flat at 3.25 V is noticed within a second, long before 3.1 V; not within five hours."""
    wanted = rule('never = "lamp.lit and cell.voltage < 3.1"')
    shed = '  { on = "cell.flat", from = "lit", to = "dark" },\n]\n'
    often = cases.GAUGED.removesuffix("]\n") + shed + wanted
    often = often.replace('to = "lit" }', 'to = "lit", when = "not cell.flat" }')
    verdict, faults = decided(often)
    assert verdict.standing in ("proved", "coincidence")
    assert "bands" in verdict.detail
    assert faults == []
    seldom = often.replace('every = "1 s"', 'every = "5 h"')
    assert seldom != often
    verdict, faults = decided(seldom, runs=60)
    assert verdict.standing == "broken"
    assert faults[0].witness is not None
    assert faults[0].witness.steps <= 2


def test_a_voltage_that_is_read_every_day_breaks_its_rule_with_a_short_witness() -> None:
    """Nothing forbids 3.5 V."""
    verdict, faults = decided(cases.GAUGED + rule('never = "lamp.lit and cell.voltage < 3.5"'))
    assert verdict.standing == "broken"
    assert faults[0].witness is not None
    assert faults[0].witness.steps == 1


def test_the_voltage_may_rise_without_usb_and_the_charge_may_not() -> None:
    """At one and the same charge the cell reads low with the light on and high with it off."""
    sagging = cases.FLASHED + cases.behaviour(
        "lamp", "dark", 'dark = {}; lit = { lamp = "on", flash = "on" }', cases.ON, cases.OFF)
    text = sagging + rule('never = "lamp.lit and cell.voltage < 3.6"')
    reduced, _ = machine_of(gadget(text))
    part = reduced.machine.parts[reduced.machine.band]
    region = reduced.machine.regions[reduced.machine.band]
    rises = [row for row in region.rows if int(row.to.partition(".")[0]) > int(
        row.sources[0].partition(".")[0])]
    assert rises == []  # no charger: nothing lifts the charge
    lamp = reduced.machine.region_index["lamp"]
    states = [p.starts for p in reduced.machine.parts]
    reader = reduced.machine.cell
    assert reader is not None
    rising = 0
    for band in range(len(part.states)):
        seen = []
        for state in range(2):
            states[lamp], states[reduced.machine.band] = state, band
            seen.append(reader.window_of(states, usb=False, on=True).values["cell.voltage"])
        dark, lit = seen
        assert max(lit) <= max(dark)
        rising += min(lit) < 3.6 <= max(dark)
    assert rising


def test_what_waits_for_a_reading_may_begin_to_wait_at_any_time() -> None:
    """A voltage that turns between two instants starts the clock of its rule: found by a run."""
    text = cases.GAUGED + rule(
        'when = "cell.voltage < 3.6"\nthen = "lamp.dark"\nwithin = "10 min"')
    reduced, _ = machine_of(gadget(text))
    assert "reading" in [act.label for act in reduced.machine.acts]
    verdict, faults = decided(text, runs=20)
    assert verdict.standing == "broken"
    assert faults[0].witness is not None
    plain, _ = machine_of(gadget(cases.GAUGED + rule('never = "cell.voltage < 3.6"')))
    assert "reading" not in [act.label for act in plain.machine.acts]


def machine_of(one: Gadget) -> tuple[Reduced, Circuit]:
    """The machine in bands for the first rule of a gadget."""
    system, circuit = build_system(one), Circuit(one)
    monitor = monitor_of(build_rules(one, system)[0])
    segments = {name: light.leds for name, light in one.lights.items() if light.segments}
    return reduce_system(system, [monitor], BANDED[0], segments=segments,
                         electrics=Electrics(one, circuit)), circuit


@pytest.fixture(scope="module", params=["cellar-steps", "larder-lamp"])
def followed(request: pytest.FixtureRequest) -> tuple[Gadget, Prepared, Reduced]:
    """A demo gadget with its machine in bands for its rule about the voltage."""
    one = load_gadget(DEMOS / request.param / "gadget.toml")
    rules = tuple(each for each in one.rules if "voltage" in (each.never or ""))
    assert rules
    one = one.model_copy(update={"rules": rules})
    return one, Prepared(one), machine_of(one)[0]


Reached = set[tuple[int, bool, tuple[int, ...]]]


@pytest.fixture(scope="module")
def reached(followed: tuple[Gadget, Prepared, Reduced]) -> Reached:
    """What the search reaches: band, USB and the states of the regions that are followed."""
    machine = followed[2].machine
    found = explore(machine, followed[2].starts, apart=True, until_broken=False)
    assert found.finished
    chosen = [i for i, part in enumerate(machine.parts)
              if part.name in ("cell", "lamp", "steps", "night", "sensor")]
    return {
        (int(machine.region_states(config)[machine.band].partition(".")[0]),
         machine.flag_values(config)["usb"], tuple(config[i] for i in chosen))
        for config in found.zones
    }


@settings(max_examples=25, deadline=None)
@given(data=st.data())
def test_no_run_reads_what_the_bands_do_not_allow(
    followed: tuple[Gadget, Prepared, Reduced], reached: Reached, data: st.DataObject
) -> None:
    """In every stretch of random runs near an empty cell the voltage is one the machine allows.

    Without USB the band never rises, the protection is open only where it may be, and each
    combination of states, band and USB is one that the search has reached.
    """
    one, prepared, reduced = followed
    machine, reader = reduced.machine, reduced.machine.cell
    assert reader is not None
    now, steps = 0, list[Step]()
    for _ in range(data.draw(st.integers(0, 5))):
        now += data.draw(st.integers(50, 4000)) * MS
        button = data.draw(st.sampled_from(sorted(one.buttons)))
        length = data.draw(st.sampled_from([60, 120, 1500])) * MS
        steps.append(Press(at_ns=now, button=button, for_ns=length))
        now += length + 100 * MS
    plugged = data.draw(st.none() | st.integers(0, 3000))
    if plugged is not None:
        steps += [Usb(at_ns=plugged * MS, present=True),
                  Usb(at_ns=(plugged + 2000) * MS, present=False)]
    charge = data.draw(st.floats(0.0, 0.06) | st.floats(0.0, 1.0))
    scenario = Scenario(title="", gadget_path=DEMOS / "gadget.toml", charge=charge,
                        lasts_ns=now + 20 * 60 * S, steps=tuple(steps), gadget=one)
    run = simulate(one, scenario, prepared=prepared)
    edges, reachable = make_edges(reduced), reached
    limits = reduced.limits["cell.voltage"]
    before = None
    for interval in run.intervals:
        names = dict(zip(run.regions, interval.states, strict=True))
        states = []
        for part in machine.parts:
            wanted = names.get(part.name, "")
            states.append(part.states.index(wanted) if wanted in part.states else
                          len(part.states) - 1)
        band = bisect_right(edges, interval.start_charge)
        states[machine.band] = [state.partition(".")[0] for state in
                                machine.parts[machine.band].states].index(str(band))
        usb = interval.loads.charger != "off"
        window = reader.window_of(states, usb, not interval.loads.protected)
        place = 2 * bisect_right(limits, interval.voltage_v)
        near = min(abs(interval.voltage_v - limit) for limit in limits)
        allowed = {2 * bisect_right(limits, value) for value in window.values["cell.voltage"]}
        assert place in allowed or near < 1e-5
        near_edge = min(abs(interval.start_charge - edge) for edge in edges) < 1e-6
        if window.must_change and not interval.cycles:
            assert near_edge
        if not interval.cycles and not near_edge:
            seen = tuple(
                state for part, state in zip(machine.parts, states, strict=True)
                if part.name in ("cell", "lamp", "steps", "night", "sensor")
            )
            assert (band, usb, seen) in reachable
        if before is not None and not usb and not before[1]:
            assert band <= before[0]
        before = (band, usb)


def make_edges(reduced: Reduced) -> tuple[float, ...]:
    """The edges of the bands of a machine."""
    assert reduced.machine.cell is not None
    return reduced.machine.cell.bands.edges


def test_a_band_is_not_fallen_through_faster_than_the_circuit_can_drain_it() -> None:
    """Its least time, against the charge in it over the sum of all currents (by hand)."""
    one = gadget(cases.GAUGED)
    circuit, system = Circuit(one), build_system(one)
    bands = make_bands(one, circuit, system.regions, {"cell.voltage": (3.1, 3.3, 3.5)},
                       60 * S)
    ends = [0.0, *bands.edges, 1.0]
    lit = LoadSet(drives=(("bars", 1.0, 5), ("lamp", 1.0, -1)), controller="awake")
    most_a = float(np.max(circuit.solve(lit, np.linspace(0, 1, 301)).consumers_a.sum(axis=0)))
    for low, high, least in zip(ends[:-1], ends[1:], bands.least_ns, strict=True):
        seconds = (high - low) * circuit.capacity_c / most_a
        assert least * 1e-9 <= min(seconds, 180.0)
        assert least * 1e-9 >= 0.97 * min(seconds, 180.0) or seconds < 6.1
    assert 0 < sum(least > 0 for least in bands.least_ns) < len(bands.least_ns)
    region, spans = bands.region(falls=True, rises=False)
    assert region.name == BAND
    assert all(spans[row.key].high_ns is None for row in region.rows)


def test_a_charger_that_keeps_its_float_voltage_stands_exactly_at_it() -> None:
    """4.2 V is reached and never passed: neither may be proved away, as a run shows."""
    text = """
[gadget]
name = "T"
[cell]
curve = "lco"
capacity = "100 mAh"
resistance = "1 Ω"
cut_off = "3.0 V"
[charger]
current = "300 mA"
float = "4.20 V"
finish = "10 %"
status = "low while charging"
[loads.a]
current = "10 mA"
[buttons.k]
[behaviour.r]
starts = "off"
states.off = {}
states.on = { a = "on" }
rows = [
  { on = "k.click", from = "off", to = "on" },
  { on = "k.click", from = "on", to = "off" },
]
"""
    wanted = {
        'always = "cell.voltage < 4.2"': ("broken",),
        'never = "cell.voltage >= 4.2"': ("broken",),
        'never = "cell.voltage > 4.2"': ("proved", "coincidence"),
        'always = "cell.voltage <= 4.2"': ("proved", "coincidence"),
        'always = "cell.charge <= 1"': ("proved", "coincidence"),
    }
    for said, standings in wanted.items():
        verdict, _ = decided(text + rule(said), runs=40)
        assert verdict.standing in standings, (said, verdict)
