"""A charger that goes on feeding a full cell's loads: its periods are counted, not run."""

from __future__ import annotations

from pathlib import Path

import pytest

from simfw.engine.prepared import Prepared
from simfw.engine.run import Run
from simfw.engine.simulation import Simulation
from simfw.engine.simulator import simulate
from simfw.gadget.model import Gadget
from simfw.stimuli.scenario import Press, Scenario, Usb
from tests.engine.bench import gadget_of

S = 10**9

# Both currents of the lamp are above what ends the charge, 20 mA: it never ends.
LAMP = """
[gadget]
name = "Marker on the mains"
[cell]
curve = "nmc"
capacity = "500 mAh"
resistance = "{resistance}"
cut_off = "3.0 V"
[charger]
current = "200 mA"
float = "4.2 V"
finish = "10 %"
status = "low while charging"
[controller]
awake = "1 mA"
asleep = "4 uA"
{wake}
[loads.lamp]
current = "60 mA"
[loads.dim]
current = "25 mA"
[buttons.key]
debounce = "20 ms"
[behaviour.lamp]
starts = "bright"
states.bright = {{ lamp = "on", controller = "awake" }}
states.low = {{ dim = "on" }}
states.off = {{}}
rows = [
  {{ after = "300 ms", from = "bright", to = "low", emit = ["low"] }},
  {{ after = "700 ms", from = "low", to = "bright" }},
  {{ on = "key.click", from = ["bright", "low"], to = "off" }},
]
"""


def marker(*, resistance: str = "100 mΩ", wake: str = "") -> Gadget:
    """The lamp, charged with some resistance of its cell; `wake` is a line of its controller."""
    return gadget_of(LAMP.format(resistance=resistance, wake=wake))


def plugged(lasts_s: float, *steps: Press) -> Scenario:
    """Plugged in, nearly full, for so long."""
    return Scenario(gadget_path=Path(), charge=0.97, lasts_ns=round(lasts_s * S),
                    steps=(Usb(at_ns=0, present=True), *steps))


@pytest.mark.parametrize("wake", ["", 'wake = "20 nC"'])
def test_a_month_on_the_mains_takes_a_counted_number_of_instants(wake: str) -> None:
    """At rest each second is as the one before: they are counted, whatever the month has."""
    made = Simulation(Prepared(marker(wake=wake)), plugged(30 * 86_400), 0, True, False, (), None,
                      log=False)
    assert made.go(6000), "it went from period to period"
    assert made.phase.names[made.stepper.region_names.index("charge")] == "charging"
    assert made.plant.charge == pytest.approx(1.0, abs=2e-9)


def _drawn(run: Run) -> dict[str, float]:
    return {one.name: one.charge_c for one in run.consumers}


def test_what_is_drawn_at_rest_is_current_times_time() -> None:
    """Charge = current x time, and the charger gives what is drawn and what the cell took."""
    run = simulate(marker(wake='wake = "20 nC"'), plugged(36_000), log=False)
    drawn = _drawn(run)
    assert drawn["lamp"] == pytest.approx(36_000 * 0.3 * 60e-3, rel=1e-12)
    assert drawn["dim"] == pytest.approx(36_000 * 0.7 * 25e-3, rel=1e-12)
    # The last second begins at the end: 36,000 wakings, the one of power-up among them.
    controller_c = 36_000 * (0.3 * 1e-3 + 0.7 * 4e-6 + 20e-9)
    assert drawn["controller"] == pytest.approx(controller_c, rel=1e-9)
    took_c = run.capacity_c * (run.end_charge - run.start_charge)
    assert run.charger_charge_c == pytest.approx(sum(drawn.values()) + took_c, rel=1e-12)


def test_at_rest_all_is_as_where_each_period_is_run() -> None:
    """Charge, ledger, states and events are those of the run that counts nothing."""
    gadget = marker(wake='wake = "20 nC"')
    quick = simulate(gadget, plugged(2400))
    plain = simulate(gadget, plugged(2400), fold=False)
    assert quick.end_charge == pytest.approx(plain.end_charge, abs=1e-12)
    assert _drawn(quick) == pytest.approx(_drawn(plain), rel=1e-9)
    assert quick.charger_charge_c == pytest.approx(plain.charger_charge_c, rel=1e-6)
    assert quick.events == plain.events
    assert [(one.region, one.state, one.time_ns) for one in quick.states] == [
        (one.region, one.state, one.time_ns) for one in plain.states]
    assert [one.charge_c for one in quick.states] == pytest.approx(
        [one.charge_c for one in plain.states], rel=1e-6)


def test_what_is_told_of_a_rest_is_what_is_counted_of_it() -> None:
    """The intervals of a traced run lie end to end and add up to its ledger; a press ends it."""
    press = Press(at_ns=5000 * S, button="key", for_ns=S // 10)
    run = simulate(marker(wake='wake = "20 nC"'), plugged(5010, press), trace=True)
    assert max(one.cycles for one in run.intervals[-40:]) > 1900
    assert run.intervals[0].start_ns == 0
    assert all(a.end_ns == b.start_ns
               for a, b in zip(run.intervals, run.intervals[1:], strict=False))
    drawn = _drawn(run)
    for number, one in enumerate(run.consumers):
        told_c = sum(i.consumers_a[number] * (i.end_ns - i.start_ns) * 1e-9 for i in run.intervals)
        if one.name == "controller":  # an interval by itself does not tell of wakings
            told_c += 20e-9 * sum(not i.cycles and "bright" in i.states for i in run.intervals)
        assert told_c == pytest.approx(drawn[one.name], rel=1e-6)
    assert run.intervals[-1].states[run.regions.index("lamp")] == "off"
