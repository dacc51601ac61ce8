"""Whole runs at exact instants: the order of an instant, ends, power, charging, resuming."""

from __future__ import annotations

import dataclasses

import pytest

from simfw.engine.simulator import Prepared, simulate
from simfw.errors import EndlessInstant, UsageError
from simfw.loading import load_gadget
from simfw.stimuli.scenario import Expect, Press, Temperature, Usb, Wave
from tests.engine.bench import (
    HOUR,
    LARDER_LAMP,
    MS,
    S,
    charges,
    gadget_of,
    names,
    run,
    scenario,
    times,
)

CELL = """
[gadget]
name = "Bench"
[cell]
curve = "lco"
capacity = "100 mAh"
resistance = "1 ohm"
cut_off = "3.0 V"
restart = "3.3 V"
"""

LAMP = (
    CELL
    + """
[loads]
lamp = { current = "50 mA" }
[buttons.key]
debounce = "20 ms"
[behaviour.lamp]
starts = "dark"
states.dark = {}
states.lit = { lamp = "on" }
rows = [
  { on = "key.click", from = "dark", to = "lit" },
  { on = "key.click", from = "lit", to = "dark" },
]
"""
)


def press(at_ms: float, for_ms: float = 100, button: str = "key", bounce_ms: float = 0) -> Press:
    """A press, times in ms."""
    return Press(
        at_ns=int(at_ms * MS), button=button, for_ns=int(for_ms * MS),
        bounce_ns=int(bounce_ms * MS),
    )  # fmt: skip


def test_a_press_settles_a_debounce_after_its_last_raw_edge():
    """Clean: at + 20 ms. With a bounce of 5 ms the last toggle is 4 ms after the first."""
    clean = run(gadget_of(LAMP), press(1000), lasts="2 s")
    assert times(clean, "key.press") == [1020 * MS]
    assert times(clean, "key.release") == times(clean, "key.click") == [1120 * MS]
    bouncing = run(gadget_of(LAMP), press(1000, bounce_ms=5), lasts="2 s")
    assert times(bouncing, "key.press") == [1024 * MS]
    assert times(bouncing, "key.click") == [1124 * MS]


def test_a_run_is_half_open_and_expectations_at_its_end_read_the_state_before():
    """A click that falls on `lasts` belongs to the continuation; `expect` there sees it dark."""
    at_end = Expect(at_ns=1120 * MS, text="lamp.dark", key="steps[1]")
    result = run(gadget_of(LAMP), press(1000), at_end, lasts="1120 ms")
    assert names(result) == ["key.press"]
    assert [one.met for one in result.expectations] == [True]
    more = run(gadget_of(LAMP), press(1000), lasts="1120000001 ns")
    assert names(more) == ["key.press", "key.release", "key.click"]


def test_an_expectation_that_is_not_met_says_what_stood_instead():
    """`why` names the state of every region."""
    wrong = Expect(at_ns=1 * S, text="lamp.lit", key="steps[0]")
    (one,) = run(gadget_of(LAMP), wrong, lasts="2 s").expectations
    assert not one.met
    assert one.why == "the state was key.contact.still, key.gesture.up, lamp.dark"


def test_the_ledger_of_a_constant_load_is_current_times_time():
    """50 mA for ten minutes are 30 C, drawn by `lamp` and in lamp.lit alone."""
    result = run(gadget_of(LAMP), press(0), press(600_000), lasts="20 min")
    assert charges(result) == {"lamp": pytest.approx(30.0, rel=1e-9)}
    used = {(use.region, use.state): use.charge_c for use in result.states}
    assert used["lamp", "lit"] == pytest.approx(30.0, rel=1e-9)
    assert used["lamp", "dark"] == 0.0
    assert result.end_charge == pytest.approx(1.0 - 30.0 / 360.0, rel=1e-12)


def test_a_wake_up_costs_its_charge_once_per_step_from_asleep_to_awake():
    """Two clean presses wake the controller four times (each edge), 2 uC each; while it is awake,
    80 ms in all, the file gives it no current.
    """
    text = LAMP + '[controller]\nasleep = "1 uA"\nwake = "2 uC"\n'
    result = run(gadget_of(text), press(1000), press(3000), lasts="10 s")
    assert charges(result)["controller"] == pytest.approx(9.92e-6 + 8e-6, rel=1e-9)
    assert result.charge_used_c == pytest.approx(
        result.capacity_c * (result.start_charge - result.end_charge), rel=1e-9
    )


def test_the_protection_opens_at_its_voltage_and_regions_fall_back_to_their_start():
    """Under load the terminal reaches 3.0 V: lamp out, run time told, nothing drawn afterwards."""
    result = run(gadget_of(LAMP), press(0), lasts="5 h")
    assert result.empty_at_ns is not None
    last = [part for part in result.intervals if part.end_ns <= result.empty_at_ns][-1]
    assert last.states[-1] == "lit"
    after = [part for part in result.intervals if part.start_ns >= result.empty_at_ns]
    assert all(part.states[-1] == "dark" for part in after)
    assert result.end_open_circuit_v > 3.0


def test_a_light_load_recovers_where_a_heavy_one_opened_the_protection():
    """Restart reads the open-circuit voltage: 1 ohm and 0.5 A open at an OCV of 3.5 V, which is
    above restart, so the controller powers up again at once, dark.
    """
    text = LAMP.replace("50 mA", "500 mA")
    result = run(gadget_of(text), press(0), press(3_000_000), lasts="2 h", charge=0.3)
    assert result.empty_at_ns is not None
    assert names(result).count("key.click") == 2
    assert not result.final.protected


def test_charge_zero_opens_the_protection_whatever_the_voltage():
    """Without a cut-off a constant load empties the cell in exactly capacity / current."""
    text = """
[gadget]
name = "Plain"
[cell]
curve = "lco"
capacity = "10 mAh"
leakage = "10 mA"
"""
    result = run(gadget_of(text), lasts="2 h")
    assert result.empty_at_ns == pytest.approx(HOUR, abs=2)
    assert result.charge_used_c == pytest.approx(36.0, rel=1e-9)
    assert result.end_charge == pytest.approx(0.0, abs=1e-12)


CHARGED = (
    CELL
    + """
[charger]
current = "50 mA"
float = "4.20 V"
finish = "10 %"
precharge = { below = "3.2 V", rate = "10 %" }
recharge = "4.0 V"
status = "low while charging"
[loads]
lamp = { current = "LOAD" }
[behaviour.lamp]
starts = "lit"
states.lit = { lamp = "on" }
"""
)


def charged(load: str) -> str:
    """The gadget with a charger and a lamp of this current."""
    return CHARGED.replace("LOAD", load)


def test_a_charge_walks_through_its_steps_and_finishes():
    """usb.in, charge.started, and charge.completed when the output has fallen to a tenth."""
    result = run(
        gadget_of(charged("0.1 mA")), Usb(at_ns=S, present=True), lasts="6 h", charge=0.2
    )
    assert names(result) == ["usb.in", "charge.started", "charge.completed"]
    assert result.end_charge > 0.95
    assert max(part.charger_a for part in result.intervals) <= 0.05 * (1 + 1e-9)
    assert result.charger_charge_c - result.charge_used_c == pytest.approx(
        result.capacity_c * (result.end_charge - result.start_charge), rel=1e-9
    )


def test_a_load_above_the_finish_current_keeps_the_charge_from_ending():
    """8 mA against a finish of 5 mA: termination compares the charger's output; it never ends."""
    plugged = Usb(at_ns=S, present=True)
    result = run(gadget_of(charged("8 mA")), plugged, lasts="3 days", charge=0.5)
    assert names(result) == ["usb.in", "charge.started"]
    assert result.end_charge == pytest.approx(1.0, abs=2e-3)


def test_unplugging_ends_a_charge_and_plugging_a_full_cell_completes_it_at_once():
    """A charge cut short says usb.out; at charge 1 the charger has nothing to do."""
    cut = run(
        gadget_of(charged("0.1 mA")), Usb(at_ns=S, present=True),
        Usb(at_ns=60 * S, present=False),
        lasts="2 min", charge=0.5,
    )  # fmt: skip
    assert names(cut) == ["usb.in", "charge.started", "usb.out"]
    full = run(
        gadget_of(charged("0 mA")), Usb(at_ns=0, present=True),
        lasts="1 min", charge=1.0,
    )  # fmt: skip
    assert names(full) == ["usb.in"]
    assert full.end_charge == 1.0


def test_a_deeply_discharged_cell_restarts_while_it_charges():
    """At charge 0 the protection is open; the charger lifts the cell over `restart`, and the
    controller powers up with USB already there.
    """
    result = run(
        gadget_of(charged("0.1 mA")), Usb(at_ns=S, present=True), lasts="2 h", charge=0.0
    )
    assert names(result)[:2] == ["usb.in", "charge.started"]
    assert times(result, "usb.in")[0] > S
    assert not result.final.protected


def test_events_of_a_hand_follow_the_looks():
    """Larder lamp: looks every 125 ms from 0, bursts end 2.632 ms after; two answers make near."""
    gadget = load_gadget(LARDER_LAMP)
    hand = Wave(at_ns=1 * S + 1, sensor="wave", distance_m=0.1, for_ns=300 * MS)
    result = run(gadget, hand, lasts="4 s", charge=0.8)
    assert times(result, "wave.near") == times(result, "wave.wave") == [1_127_631_579]
    assert times(result, "wave.far") == [1_502_631_579]


def test_no_look_answers_beyond_the_range():
    """A hand at two metres is not seen."""
    gadget = load_gadget(LARDER_LAMP)
    hand = Wave(at_ns=1 * S, sensor="wave", distance_m=2.0, for_ns=2 * S)
    assert "wave.near" not in names(run(gadget, hand, lasts="4 s", charge=0.8))


def test_temperature_is_taken_into_the_load_set():
    """A temperature step starts a new load set at its time."""
    result = run(gadget_of(LAMP), Temperature(at_ns=S, temperature_c=0.0), press(0), lasts="3 s")
    assert {part.loads.temperature_c for part in result.intervals} == {25.0, 0.0}


def test_two_regions_that_chase_each_other_are_named():
    """A loop without time is an error that names the rows."""
    text = CELL + """
[behaviour.a]
starts = "x"
states.x = {}
states.y = {}
rows = [
  { after = "1 s", from = "x", to = "y", emit = "ping" },
  { on = "pong", from = "y", to = "y", emit = "ping" },
]
[behaviour.b]
starts = "u"
states.u = {}
rows = [ { on = "ping", from = "u", to = "u", emit = "pong" } ]
"""
    with pytest.raises(EndlessInstant) as caught:
        run(gadget_of(text), lasts="2 s")
    assert caught.value.time_ns == S
    assert set(caught.value.loop) == {"behaviour.a.rows[1]", "behaviour.b.rows[0]"}
    assert "Give one of these rows a dwell or a guard" in str(caught.value)


def test_a_start_state_that_drags_the_cell_below_cut_off_is_told_apart_from_rows():
    """Lit at power-up with 0.5 A through 1 ohm: the protection opens and closes without end."""
    text = CELL + """
[loads]
lamp = { current = "500 mA" }
[behaviour.lamp]
starts = "lit"
states.lit = { lamp = "on" }
"""
    with pytest.raises(EndlessInstant) as caught:
        run(gadget_of(text), lasts="2 h", charge=0.3)
    assert caught.value.loop == ("the protection opens", "the protection closes")
    assert "raise `restart` or lighten those states" in str(caught.value)


SHOWN = LAMP + """
[lights.bars]
leds = 3
segments = true
forward = ["2.0 V @ 2 mA", "2.2 V @ 10 mA"]
resistor = "470R"
[gauge]
light = "bars"
thresholds = ["3.3 V", "3.6 V", "3.8 V"]
show = "SHOW"
"""


def test_bars_may_be_shown_while_another_light_is_on():
    """`show` reads the level of a load as it is without the bars themselves."""
    result = run(gadget_of(SHOWN.replace("SHOW", "lamp > 0")), press(1000), lasts="3 s")
    place = result.outputs.index("bars")
    lit = {part.states[-1]: part.levels[place] for part in result.intervals}
    assert lit == {"dark": 0.0, "lit": 1.0}


def test_bars_may_be_shown_by_the_cells_voltage():
    """`show` reads the voltage without the load of the bars, so they cannot hide themselves."""
    gadget = gadget_of(SHOWN.replace("SHOW", "cell.voltage > 3.7"))
    result = run(gadget, press(0), lasts="90 min")
    place = result.outputs.index("bars")
    shown = [(part.levels[place] > 0, part) for part in result.intervals]
    assert shown[0][0]
    assert not shown[-1][0]
    first_hidden = next(part for on, part in shown if not on)
    assert first_hidden.voltage_v == pytest.approx(3.7, abs=1e-4)


def test_another_gadgets_preparation_is_refused():
    """`prepared` must belong to the gadget that is run."""
    with pytest.raises(UsageError):
        simulate(
            gadget_of(LAMP), scenario(lasts="1 s"), prepared=Prepared(gadget_of(charged("1 mA")))
        )


def test_rules_tell_when_and_how_they_first_broke():
    """never, always, response and stays, each broken at a known instant."""
    rules = """
[[rules]]
name = "never lit"
never = "lamp.lit"
[[rules]]
name = "always dark"
always = "lamp > 0 or lamp.dark and not lamp.lit"
[[rules]]
name = "lit within 1 s"
when = "key.press and lamp.dark"
then = "lamp.lit"
within = "1 s"
[[rules]]
name = "lit within 50 ms"
when = "key.press and lamp.dark"
then = "lamp.lit"
within = "50 ms"
[[rules]]
name = "stays lit"
stays = "lamp.lit"
for = "5 s"
[[rules]]
name = "dark soon after lit"
when = "lamp.lit"
then = "lamp.dark"
within = "10 s"
"""
    result = run(gadget_of(LAMP + rules), press(1000), press(3000), lasts="20 s")
    verdicts = {verdict.name: verdict for verdict in result.rules}
    assert verdicts["never lit"].time_ns == 1120 * MS
    assert verdicts["never lit"].why == "what must never be was so"
    assert verdicts["always dark"].held
    assert verdicts["lit within 1 s"].held
    assert verdicts["lit within 50 ms"].time_ns == 1070 * MS
    assert verdicts["lit within 50 ms"].why == "demanded at 1.02 s and not answered within 50 ms"
    assert verdicts["stays lit"].time_ns == 3120 * MS
    assert verdicts["stays lit"].why == "it held for 2 s only, not for 5 s"
    assert verdicts["dark soon after lit"].held


def test_a_rule_on_the_cells_voltage_is_judged_at_the_crossing_between_instants():
    """The lamp drags the cell below 3.5 V while nothing else happens."""
    rule = '[[rules]]\nname = "not low"\nnever = "lamp > 0 and cell.voltage < 3.5"\n'
    result = run(gadget_of(LAMP + rule), press(0), lasts="2 h")
    (verdict,) = result.rules
    assert not verdict.held
    assert verdict.time_ns is not None
    crossing = next(p for p in result.intervals if p.start_ns == verdict.time_ns)
    assert crossing.voltage_v == pytest.approx(3.5, abs=1e-6)


def test_going_on_from_a_finished_run_equals_one_long_run():
    """Split inside a press and inside a dwell; events, charges and end state agree."""
    gadget = load_gadget(LARDER_LAMP)
    steps = (
        press(500, 150, "power", 3), press(5_000, 100, "level"), press(5_200, 100, "level"),
        Wave(at_ns=20 * S, sensor="wave", distance_m=0.1, for_ns=400 * MS),
        Usb(at_ns=40 * S, present=True), Usb(at_ns=70 * S, present=False),
    )  # fmt: skip
    whole = simulate(gadget, scenario(*steps, lasts="2 min", charge=0.7))
    for cut in (550 * MS, 5_250 * MS, 20 * S + 200 * MS, 55 * S):
        first = scenario(
            *(step for step in steps if step.at_ns < cut), lasts="1 s", charge=0.7
        )
        first = dataclasses.replace(first, lasts_ns=cut)
        rest = scenario(
            *(
                dataclasses.replace(step, at_ns=step.at_ns - cut)
                for step in steps if step.at_ns >= cut
            ),
            lasts="1 s", charge=0.7,
        )  # fmt: skip
        rest = dataclasses.replace(rest, lasts_ns=120 * S - cut)
        one = simulate(gadget, first)
        two = simulate(gadget, rest, resume=one.final)
        assert one.events + two.events == whole.events
        together = {
            name: charges(one)[name] + charges(two)[name] for name in charges(whole)
        }
        for name, charge_c in charges(whole).items():
            assert together[name] == pytest.approx(charge_c, rel=1e-9, abs=1e-15)
        assert two.end_charge == pytest.approx(whole.end_charge, rel=1e-12)
        assert two.final.regions == whole.final.regions
