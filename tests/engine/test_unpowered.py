"""A supply that the firmware lets go of, and what brings it back."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simfw.engine.modes import survey
from simfw.engine.run import Run
from simfw.engine.simulator import Prepared, simulate
from simfw.engine.stepwise import Stepwise
from simfw.engine.timeline import Change
from simfw.stimuli.scenario import Scenario
from simfw.stimuli.steps import Press, Toggle, Usb
from tests.dials.made import gadget

MS = 1_000_000
TORCH = """
[gadget]
name = "Pocket torch"
[cell]
curve = "lco"
capacity = "100 mAh"
[charger]
current = "50 mA"
float = "4.2 V"
[controller]
awake = "1 mA"
asleep = "5 uA"
powered_by = ["power", "usb"]
hold_up = "20 ms"
[loads.lamp]
current = "10 mA"
[loads.green]
current = "2 mA"
[buttons.power]
debounce = "5 ms"
[toggles.main]
in_supply = true
[behaviour.lamp]
starts = "waking"
states.waking = {}
states.lit = { lamp = "on" }
states.off = { controller = "unpowered" }
rows = [
  { after = "50 ms", from = "waking", to = "lit", when = "power.closed" },
  { after = "60 ms", from = "waking", to = "off" },
  { on = "power.press", from = "lit", to = "off" },
  { after = "10 s", from = "lit", to = "off" },
]
[behaviour.mood]
starts = "plain"
states.plain = {}
states.late = { green = "on" }
rows = [
  { after = "150 ms", from = "plain", to = "late" },
]
"""


def run(*steps: Any, text: str = TORCH, lasts: int = 20_000, fold: bool = True, **more: Any) -> Run:
    """Run presses (ms, ms), switches of USB (ms, bool) and of the main switch (ms, "on"/"off")."""
    made: list[Any] = []
    for at, what in steps:
        if isinstance(what, bool):
            made.append(Usb(at_ns=at * MS, present=what))
        elif isinstance(what, int):
            made.append(Press(at_ns=at * MS, button="power", for_ns=what * MS))
        else:
            made.append(Toggle(at_ns=at * MS, toggle="main", closed=what == "on"))
    return simulate(gadget(text, ""), Scenario(
        charge=0.5, lasts_ns=lasts * MS, steps=tuple(made)), fold=fold, **more)


def dark(result: Run) -> list[tuple[float, float]]:
    """The stretches (ms) in which nothing at all is drawn, neighbours joined."""
    found: list[tuple[float, float]] = []
    for one in result.intervals:
        if sum(one.consumers_a) == 0:
            start, end = one.start_ns / MS, one.end_ns / MS
            if found and found[-1][1] == start:
                start = found.pop()[0]
            found.append((start, end))
    return found


def test_a_power_up_with_nothing_closed_lets_go_at_once() -> None:
    """60 ms after the cell is put in it comes to `off`: no `hold_up` then, and nothing is drawn."""
    assert dark(run()) == [(60.0, 20_000.0)]


def test_the_next_closing_is_a_power_up_with_the_contact_closed() -> None:
    """No press is told of; after 50 ms it is lit, and the release is no event either."""
    result = run((1000, 200), lasts=3000)
    assert dark(result) == [(60.0, 1000.0)]
    assert [event.name for event in result.events] == []
    lit = [one for one in result.intervals if one.levels[0] == 1]
    assert lit[0].start_ns == 1050 * MS


def test_the_supply_stays_while_the_contact_is_closed_and_for_hold_up() -> None:
    """Off by a press at 3.005 s, which is let go at 3.1 s: the supply goes 20 ms after that."""
    result = run((1000, 200), (3000, 100), lasts=6000)
    assert dark(result) == [(60.0, 1000.0), (3120.0, 6000.0)]
    none = run((1000, 200), (3000, 100), lasts=6000,
               text=TORCH.replace('hold_up = "20 ms"\n', ""))
    assert dark(none)[-1] == (3100.0, 6000.0)


def test_one_that_opened_long_ago_holds_nothing_up() -> None:
    """The dwell of 10 s ends at 11.05 s, when the contact has been open for 9.85 s."""
    assert dark(run((1000, 200), lasts=15_000))[-1] == (11_050.0, 15_000.0)


def test_names_read_as_they_were_left_and_no_dwell_runs() -> None:
    """`mood` has not come to `late` when the supply goes at 60 ms, and stays where it was."""
    result = run()
    states = dict(zip(result.regions, (one.state for one in result.final.regions), strict=True))
    assert (states["lamp"], states["mood"]) == ("off", "plain")
    assert all(one.levels == (0, 0) for one in result.intervals)


def test_usb_brings_the_supply_back_and_keeps_it() -> None:
    """Power-up with USB: it is told of; without USB the supply goes after `hold_up`."""
    result = run((1000, True), (5000, False), lasts=8000)
    assert [event.name for event in result.events] == ["usb.in", "usb.out"]
    assert dark(result) == [(60.0, 1000.0), (5020.0, 8000.0)]
    assert result.charger_charge_c == pytest.approx(4 * 0.05, rel=1e-6)


def test_without_usb_in_the_list_the_charger_charges_a_gadget_that_is_off() -> None:
    """It goes on charging; the firmware does not notice."""
    result = run((1000, True), (5000, False), lasts=8000, text=TORCH.replace(', "usb"]', "]"))
    assert not result.events
    assert result.charger_charge_c == pytest.approx(4 * 0.05, rel=1e-6)


def test_a_state_that_lets_go_is_never_kept() -> None:
    """`kept` stays what it was: lit, so that the next press lights it at once."""
    text = TORCH.replace('starts = "waking"\n', 'starts = "waking"\nkept = "state"\n')
    result = run((1000, 200), (3000, 100), (5000, 100), lasts=7000, text=text)
    lit = [one.start_ns / MS for one in result.intervals if one.levels[0] == 1]
    assert next(at for at in lit if at > 3200) == 5000.0


def test_what_is_kept_is_known_to_a_run_that_goes_on() -> None:
    """Left off while it is unpowered: the next press still lights it at once."""
    text = TORCH.replace('starts = "waking"\n', 'starts = "waking"\nkept = "state"\n')
    first = run((1000, 200), (3000, 100), lasts=4000, text=text)
    assert first.final.kept == (("lamp", "lit"),)
    rest = simulate(first.gadget, Scenario(charge=0.5, lasts_ns=3000 * MS, steps=(
        Press(at_ns=1000 * MS, button="power", for_ns=100 * MS),)), resume=first.final)
    assert next(one.start_ns / MS for one in rest.intervals if one.levels[0] == 1) == 5000.0


def test_a_main_switch_does_not_bring_it_back() -> None:
    """The supply of the board comes back, the latch is open: it powers up and lets go again."""
    result = run((5000, "off"), (6000, "on"), lasts=8000)
    assert dark(result) == [(60.0, 8000.0)]


@settings(max_examples=30, deadline=None)
@given(st.lists(st.tuples(st.integers(1, 900), st.integers(1, 300)), max_size=5),
       st.integers(1, 4000))
def test_unpowered_draws_nothing_and_a_run_goes_on_from_anywhere(
    presses: list[tuple[int, int]], cut: int
) -> None:
    """Whatever is pressed: no current and no output from letting go to the next closing; folded or
    not is the same; a run continued from anywhere is one long run.
    """
    steps, now = [], 100
    for gap, length in presses:
        steps.append((now + gap, length))
        now += gap + length
    result = run(*steps, lasts=6000)
    closed = [(at, at + length) for at, length in steps]
    for start, end in dark(result):
        assert not any(begin < end and stop > start for begin, stop in closed)
    for one in result.intervals:
        lamp = dict(zip(result.regions, one.states, strict=True))["lamp"]
        if lamp == "off" and not any(a <= one.start_ns / MS < b + 20 for a, b in closed):
            assert sum(one.consumers_a) == 0
    plain = run(*steps, lasts=6000, fold=False)
    assert plain.end_charge == pytest.approx(result.end_charge, abs=1e-12)
    first = run(*[step for step in steps if step[0] < cut], lasts=cut)
    rest = simulate(first.gadget, Scenario(
        charge=0.5, lasts_ns=(6000 - cut) * MS, steps=tuple(
            Press(at_ns=(at - cut) * MS, button="power", for_ns=length * MS)
            for at, length in steps if at >= cut)), resume=first.final)
    assert rest.end_charge == pytest.approx(result.end_charge, abs=1e-12)
    assert [one.state for one in rest.final.regions] == [
        one.state for one in result.final.regions]


@pytest.mark.parametrize("cut", [3090, 3100, 3110, 3120, 3121])
def test_the_wait_for_the_supply_to_go_is_gone_on_with(cut: int) -> None:
    """A run left off while the supply is held up lets go of it at the same time."""
    whole = run((1000, 200), (3000, 100), lasts=6000)
    first = run((1000, 200), *([(3000, 100)]), lasts=cut)
    rest = simulate(first.gadget, Scenario(charge=0.5, lasts_ns=(6000 - cut) * MS),
                    resume=first.final)
    gone = next(one.start_ns for one in (*first.intervals, *rest.intervals)
                if one.start_ns > 3000 * MS and sum(one.consumers_a) == 0)
    assert gone in (3120 * MS, cut * MS)
    assert rest.end_charge == pytest.approx(whole.end_charge, abs=1e-12)


def test_a_gadget_on_the_bench_lets_go_too() -> None:
    """Told step by step what is done to it: 20 ms after the contact opens the supply is gone."""
    sim = Stepwise(Prepared(gadget(TORCH, "")), 0.5)
    sim.begin()
    edges = ((1000, 1.0), (1200, 0.0), (3000, 1.0), (3100, 0.0))
    sim.bring([Change(at * MS, "contact", "power", level) for at, level in edges])
    sim.ahead(3119 * MS, fold=False)
    assert not sim.plant.supply.released
    sim.ahead(3121 * MS, fold=False)
    assert sim.plant.supply.released
    assert sim.now == 3120 * MS


def test_the_mode_draws_what_the_rest_draws() -> None:
    """Nothing but the protection's leakage, which this cell does not have."""
    modes = {mode.states["lamp"]: mode for mode in survey(gadget(TORCH, "")).modes
             if mode.states["mood"] == "plain"}
    assert modes["off"].current_a == 0
    assert modes["lit"].current_a == pytest.approx(10.005e-3)


def test_a_mode_without_supply_lasts_as_the_shelf_does_whatever_its_gauge_would_tell() -> None:
    """Off, 100 mAh lose 2 % a month and 10 uA leak: dQ/dt = -(10 uA + k Q), none of it by cell.low.

    k = -ln(0.98) / 730.5 h; from 100 mAh to nothing it takes ln(1 + k 100 mAh / 10 uA) / k.
    """
    text = TORCH.replace('capacity = "100 mAh"', 'capacity = "100 mAh"\nleakage = "10 uA"\n'
                         'self_discharge = "2 %/month"')
    text += """
[gauge]
thresholds = ["3.6 V"]
low = "3.7 V"
[behaviour.warning]
starts = "none"
states.none = {}
states.shown = { green = "on" }
rows = [{ on = "cell.low", from = "none", to = "shown" }]
"""
    off = next(mode for mode in survey(gadget(text, "")).modes if mode.states["lamp"] == "off")
    rate = -math.log(0.98) / 730.5
    assert off.ends_by == "the cell is empty"
    assert off.run_time_s == pytest.approx(math.log1p(rate * 0.1 / 10e-6) / rate * 3600, rel=1e-4)
