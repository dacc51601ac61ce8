"""Gestures one after another: every order is tried, and mistakes of two steps are found."""

from __future__ import annotations

from itertools import product

from simfw.stimuli.scenario import Press
from simfw.verify.budget import Budget
from simfw.verify.check import check_gadget
from simfw.verify.gestures import gestures_of, try_gestures
from simfw.verify.output import report_text
from simfw.verify.player import Player, in_words, lasting, when
from tests.quality import cases
from tests.verify.gadgets import PLAIN, behaviour, gadget, rule

MS = 1_000_000
S = 1000 * MS
MANY = "".join(behaviour(
    f"side{k}", "a", "a = {}; b = {}; c = {}",
    f'on = "key.click", from = "a", to = "b", when = "side{(k + 1) % 6}.a"',
    f'after = "{7 + k} s", from = "b", to = "c"', f'after = "{11 + k} s", from = "c", to = "a"')
    for k in range(6))
LOCKED = (cases.BASE + cases.HOLD + cases.SENSOR + behaviour(
    "lamp", "dark", 'dark = {}; lit = { lamp = "on" }; locked = {}',
    'on = "wave.wave", from = "*", to = "lit"', 'on = "key.click", from = "lit", to = "dark"',
    'on = "key.hold", from = ["dark", "lit"], to = "locked"',
    'on = "key.hold", from = "locked", to = "dark"',
    'after = "10 min", from = "lit", to = "dark"') + MANY
    + rule('when = "wave.wave and lamp.locked"\nthen = "lamp.locked"\nwithin = "20 ms"'))


def test_a_long_press_and_then_a_hand_is_found_at_the_usual_work() -> None:
    """In a gadget of many regions, which no search comes to the end of."""
    report = check_gadget(gadget(LOCKED), only=("rule",), runs=1, effort=0.1)
    assert [verdict.standing for verdict in report.verdicts] == ["broken"]
    (fault,) = report.faults
    assert fault.witness is not None
    assert [type(step).__name__ for step in fault.witness.scenario.steps] == [
        "Press", "Wave", "Expect"]


def test_every_order_of_two_and_three_is_tried() -> None:
    """Each gesture of each stock region, from power-up, after each other one."""
    player = Player(gadget(cases.BASE + cases.HOLD + cases.SENSOR + cases.CHARGER + behaviour(
        "lamp", "dark", cases.LIT, 'on = "key.hold", from = "dark", to = "lit"',
        'after = "10 min", from = "lit", to = "dark"')))
    things = gestures_of(player.gadget)
    assert [one.name for one in things] == [
        "key.tap", "key.long", "wave.hand", "usb.in", "usb.out", "charger.fault", "wait 10 min"]
    tried = try_gestures(player, [], Budget(10_000_000))
    assert tried.finished
    made = {tuple(one.name for one in node.gestures) for node in tried.nodes}
    for pair in product([one.name for one in things], repeat=2):
        names = ["out", *pair]
        possible = not any(
            (one in ("usb.out", "charger.fault") and "usb.in" not in names[:k]) or (
                one == "usb.in" and "usb.in" in names[:k] and "usb.out" not in names[:k])
            for k, one in enumerate(names))
        assert (pair in made) is possible
    assert {len(one) for one in made} == {0, 1, 2, 3}
    small = try_gestures(player, [], Budget(2_000))
    assert not small.finished


def test_waiting_is_a_gesture_for_rules_of_a_long_time() -> None:
    """A light that goes on for ever breaks a rule of an hour after one press."""
    text = PLAIN.replace('  { after = "45 min", from = "lit", to = "dark" },\n', "")
    report = check_gadget(gadget(text + rule(
        'when = "lamp.lit"\nthen = "lamp.dark"\nwithin = "1 h"')), only=("rule",), runs=1)
    (fault,) = report.faults
    assert fault.witness is not None
    assert fault.witness.steps == 1
    assert "At 1 s, press key for 100 ms." in fault.witness.list


def test_a_low_and_a_flat_cell_are_begun_with_as_well() -> None:
    """What a flat cell forbids is lit by one gesture."""
    text = cases.GAUGED + rule('never = "lamp.lit and cell.flat"')
    tried = try_gestures(Player(gadget(text)), ["wanted"], Budget(10_000_000))
    assert len({node.charge for node in tried.nodes}) == 3


def test_a_state_that_no_way_leads_to_is_not_open_in_a_rule() -> None:
    """Found unreachable by the search, and proved of the rule by the same search."""
    text = cases.GAUGED.replace("states.dark = {}", "states.dark = {}\nstates.nowhere = {}") + rule(
        'never = "lamp.nowhere and cell.voltage < 3.6 and shelf > 0"'.replace(
            " and shelf > 0", ""))
    report = check_gadget(gadget(text), effort=0.1, runs=1)
    assert any("No way leads to lamp.nowhere" in one.text for one in report.findings)
    (verdict,) = [one for one in report.verdicts if one.rule == "wanted"]
    assert verdict.standing in ("proved", "coincidence")
    shown = report_text(report, lambda text, _tone: text)
    assert "open  " not in shown.split("Faults")[0]


def test_times_are_those_that_a_hand_can_keep() -> None:
    """A nanosecond after 1.75 s is just after it, and no figure has one."""
    player = Player(gadget(PLAIN))
    scenario = player.scenario(
        (Press(at_ns=1_750_000_001, button="key", for_ns=100 * MS),
         Press(at_ns=2_999_999_999, button="key", for_ns=340_000_001),
         Press(at_ns=5_123_400_000, button="key", for_ns=37_250_000)), 0.8, 9 * S)
    assert in_words(scenario) == [
        "Start with the cell at 80 %.",
        "Just after 1.75 s, press key for 100 ms.",
        "Just before 3 s, press key for just over 340 ms.",
        "At about 5.123 s, press key for about 37 ms.",
    ]
    assert when(1_750_000_000) == "at 1.75 s"
    assert lasting(MS // 3) == "less than 1 ms"


def test_a_witness_keeps_to_round_times_where_they_break_it_as_well() -> None:
    """Steps of a nanosecond are made whole, in the file as in the words."""
    text = PLAIN + rule('never = "lamp.lit and key.pressed"')
    player = Player(gadget(text))
    steps = (Press(at_ns=1_000_000_003, button="key", for_ns=99_999_999),
             Press(at_ns=2_345_678_901, button="key", for_ns=150_000_001))
    found = player.shorten(player.scenario(steps, 0.8, 9 * S), "wanted")
    assert found is not None
    assert all(step.at_ns % (100 * MS) == 0 for step in found[0].steps)


def test_a_gesture_is_not_called_like_an_event_that_is_none() -> None:
    """No button yields `key.long`: what a hand does is said in words."""
    said = {one.name: one.said for one in gestures_of(gadget(
        cases.BASE + cases.HOLD + behaviour("lamp", "dark", cases.LIT)))}
    assert said["key.tap"] == "a short press of key"
    assert said["key.long"] == "a long press of key"
