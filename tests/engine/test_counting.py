"""A gauge that counts charge, in runs."""

from __future__ import annotations

import pytest

from simfw.engine.simulator import simulate
from simfw.stimuli.scenario import Press, Usb
from tests.engine.bench import DAY, HOUR, S, gadget_of, names, run, scenario, times

COUNTING = """
[gauge]
method = "counting"
capacity = "{figure}"
power_up = "{power_up}"
thresholds = ["10 %", "50 %"]
hysteresis = "5 %"
low = "20 %"
flat = "5 %"
every = "7 s"
"""
LAMP = """
[gadget]
name = "Bench"
[cell]
curve = "lco"
capacity = "100 mAh"
{cell}
[controller]
asleep = "{asleep}"
[loads.lamp]
current = "10 mA"
[buttons.key]
[behaviour.lamp]
starts = "off"
states.off = {{}}
states.lit = {{ lamp = "on" }}
rows = [
  {{ on = "key.press", from = "off", to = "lit" }},
  {{ on = "key.press", from = "lit", to = "off" }},
]
"""
CHARGER = """
[charger]
current = "100 mA"
float = "4.2 V"
finish = "10 %"
recharge = "4.0 V"
status = "low while charging"
"""


def lamp(figure="100 mAh", cell="", asleep="0 A", power_up="0 %", more=""):
    """A lamp of 10 mA on a cell of 100 mAh, with a gauge that counts."""
    gauge = COUNTING.format(figure=figure, power_up=power_up)
    return gadget_of(LAMP.format(cell=cell, asleep=asleep) + gauge + more)


def click(at_ns: int) -> Press:
    """The key pressed for a second."""
    return Press(at_ns=at_ns, button="key", for_ns=S)


def sample(at_s: float) -> int:
    """The first sample (ns) after a time: one every 7 s from power-up on."""
    return (int(at_s // 7) + 1) * 7 * S


def test_bars_follow_the_charge_that_was_used():
    """10 mA out of 100 mAh: each level is passed at its hour, to the sample."""
    done = run(lamp(), click(0), lasts="10 h")
    debounce = 0.02
    assert times(done, "gauge.down") == [sample(5 * 3600 + debounce), sample(9 * 3600 + debounce)]
    assert times(done, "cell.low") == [sample(8 * 3600 + debounce)]
    assert times(done, "cell.flat") == [sample(9.5 * 3600 + debounce)]


def test_the_figure_is_what_the_firmware_takes_for_a_full_cell():
    """Counted against 80 mAh, the bars go out after four fifths of the time."""
    done = run(lamp("80 mAh"), click(0), lasts="10 h")
    assert times(done, "gauge.down") == [sample(4 * 3600 + 0.02), sample(7.2 * 3600 + 0.02)]


@pytest.mark.parametrize("fold", [True, False])
def test_what_flows_past_the_counter_moves_no_bar(fold):
    """A cell that loses half its charge by itself still shows all bars; what it feeds counts."""
    cell = 'leakage = "200 uA"\nself_discharge = "40 %/month"'
    idle = run(lamp(cell=cell), lasts="12 h" if not fold else "10 days", fold=fold)
    assert names(idle) == []
    assert idle.end_charge < (0.42 if fold else 0.97)
    drawn = run(lamp(cell=cell, asleep="10 mA"), lasts="5.1 h", fold=fold)
    assert times(drawn, "gauge.down") == [sample(5 * 3600)]


def test_charging_counts_up_and_its_end_is_full():
    """Half used and charged: a bar comes back at 55 % counted, and the end of charging is 100 %."""
    done = run(lamp("130 mAh", more=CHARGER), click(0), click(9 * HOUR),
               Usb(at_ns=10 * HOUR, present=True), Usb(at_ns=14 * HOUR, present=False),
               click(14 * HOUR), lasts="21 h")
    assert "charge.completed" in names(done)
    ups, downs = times(done, "gauge.up"), times(done, "gauge.down")
    # 90 mAh of 130 used: 30.8 % left, 55 % after 31.5 mAh more at 100 mA.
    assert ups == [sample(10 * 3600 + (0.55 * 130 - 40) / 100 * 3600)]
    # From the full cell at the end of charging, half of 130 mAh again.
    assert downs[-1] == sample(14 * 3600 + 0.02 + 6.5 * 3600)


def test_a_power_loss_forgets_the_count():
    """When the protection closes again the count is that of power-up."""
    cell = 'resistance = "1 Ω"\ncut_off = "3.0 V"\nrestart = "3.2 V"'
    made = lamp(cell=cell, power_up="60 %", more=CHARGER)
    done = run(made, click(0), Usb(at_ns=12 * HOUR, present=True),
               Usb(at_ns=12 * HOUR + 60 * S, present=False), lasts="12 h 5 min")
    assert done.empty_at_ns is not None
    assert "cell.flat" in names(done)
    # 60 % and what flowed in for the rest of the minute.
    assert 0.6 < done.final.counted < 0.6 + 1 / 60
    assert [region.state for region in done.final.regions if region.state.startswith("bars")] == [
        "bars.2"
    ]


def test_a_scenario_begins_counted_since_full():
    """At 40 % of a cell, one that counts against half its capacity has counted to nothing."""
    assert run(lamp(), lasts="1 s", charge=0.4).final.counted == pytest.approx(0.4)
    assert run(lamp("50 mAh"), lasts="1 s", charge=0.4).final.counted == 0.0
    assert run(lamp("200 mAh"), lasts="1 s", charge=0.4).final.counted == pytest.approx(0.7)


def test_a_run_in_two_parts_counts_as_one():
    """A continuation goes on with the count, drift and all."""
    made = lamp(cell='leakage = "1 mA"')
    whole = run(made, click(0), lasts="6 h")
    first = run(made, click(0), lasts="3 h")
    rest = simulate(made, scenario(lasts="3 h"), resume=first.final)
    assert rest.final.counted == pytest.approx(whole.final.counted, abs=1e-12)
    assert [*times(first, "gauge.down"), *times(rest, "gauge.down")] == times(whole, "gauge.down")
    assert whole.final.counted == pytest.approx(0.4, abs=1e-6)
    assert whole.end_charge == pytest.approx(0.34, abs=1e-6)
    assert whole.final.time_ns < DAY
