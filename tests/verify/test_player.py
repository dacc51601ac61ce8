"""A candidate on the full model: runs that cannot go on, shorter runs, runs put into words."""

from __future__ import annotations

import pytest

from simfw.engine.run import RuleVerdict
from simfw.stimuli.scenario import Expect, Press, Step, Temperature, Usb, Wave
from simfw.verify.player import Player, in_words
from simfw.verify.supply import cut_at
from tests.quality import cases
from tests.verify.gadgets import behaviour, gadget, rule

MS = 1_000_000
S = 1000 * MS
LIT_BY_A_TAP = cases.BASE + cases.KEY + behaviour("lamp", "dark", cases.LIT, cases.ON, cases.OFF)
TAP = Press(at_ns=S, button="key", for_ns=100 * MS)


def test_a_run_that_cannot_go_on_shows_nothing() -> None:
    """Rows chase each other in one instant: no break, nothing to shorten, no charge to find."""
    chase = behaviour("a", "x", "x = {}; y = {}; z = {}", 'on = "key.click", from = "x", to = "y"',
                      'after = "0 s", from = "y", to = "z"', 'after = "0 s", from = "z", to = "y"')
    player = Player(gadget(cases.BASE + cases.KEY + chase + rule('never = "a.z"')))
    scenario = player.scenario((TAP,), 0.8, 4 * S)
    assert player.play(scenario) is None
    assert player.breaks(scenario, "wanted") is None
    assert player.shorten(scenario, "wanted") is None
    assert cut_at(player, scenario, 3 * S) is None
    assert player.play(player.scenario((), 0.8, 4 * S)) is not None


def test_what_breaks_no_rule_is_not_shortened() -> None:
    """Nobody presses, so the lamp stays dark."""
    player = Player(gadget(LIT_BY_A_TAP + rule('never = "lamp.lit"')))
    assert player.shorten(player.scenario((), 0.8, 4 * S), "wanted") is None


def test_a_shortened_run_keeps_only_what_breaks_the_rule() -> None:
    """One tap of 100 ms from a full cell, without bounce, ended a second after the lamp is lit."""
    player = Player(gadget(LIT_BY_A_TAP + rule('never = "lamp.lit"')))
    steps = (Press(at_ns=S, button="key", for_ns=700 * MS, bounce_ns=3 * MS),
             Press(at_ns=6 * S, button="key", for_ns=100 * MS))
    found = player.shorten(player.scenario(steps, 0.6, 20 * S), "wanted")
    assert found is not None
    scenario, verdict = found
    (step,) = scenario.steps
    assert isinstance(step, Press)
    assert (step.for_ns, step.bounce_ns, scenario.charge) == (100 * MS, 0, 1.0)
    assert verdict.time_ns is not None
    assert S <= scenario.lasts_ns - verdict.time_ns < 2 * S
    assert scenario.lasts_ns % S == 0


def test_a_run_is_not_shortened_further_once_time_is_up() -> None:
    """Both presses are kept where no time is left to leave one out."""
    player = Player(gadget(LIT_BY_A_TAP + rule('never = "lamp.lit"')))
    steps = (TAP, Press(at_ns=1200 * MS, button="key", for_ns=100 * MS))
    found = player.shorten(player.scenario(steps, 0.6, 20 * S), "wanted", stop=lambda: True)
    assert found is not None
    assert len(found[0].steps) == 2


def test_a_run_is_ended_a_second_after_the_break() -> None:
    """Later steps go, a hand or finger that is still there goes with the end."""
    player = Player(gadget(cases.BASE + cases.KEY + cases.SENSOR + cases.WAVED))
    steps: tuple[Step, ...] = (
        Press(at_ns=S, button="key", for_ns=9 * S), Wave(at_ns=2 * S, sensor="wave",
                                                         distance_m=0.1, for_ns=500 * MS),
        Wave(at_ns=3 * S, sensor="wave", distance_m=0.1, for_ns=9 * S),
        Press(at_ns=15 * S, button="key", for_ns=S),
    )
    verdict = RuleVerdict(name="wanted", held=False, time_ns=2_300 * MS, why="")
    ended = player._ended(player.scenario(steps, 0.8, 20 * S), verdict)
    assert ended.lasts_ns == 4 * S
    assert [step.at_ns + step.for_ns for step in ended.steps
            if isinstance(step, Press | Wave)] == [4 * S, 2500 * MS, 4 * S]  # fmt: skip


@pytest.mark.parametrize(
    ("written", "expected"),
    [
        ('never = "lamp.lit"', "not (lamp.lit)"),
        ('always = "lamp.dark"', "lamp.dark"),
        ('when = "key.press"\nthen = "lamp.dark"\nwithin = "1 s"', "lamp.dark"),
        ('stays = "lamp.dark"\nfor = "4 s"', "lamp.dark"),
    ],
)
def test_a_witness_expects_what_the_rule_wants(written: str, expected: str) -> None:
    """An expectation where it breaks, one for each kind of rule, in the order of time."""
    player = Player(gadget(LIT_BY_A_TAP + rule(written)))
    scenario = player.scenario((TAP, Press(at_ns=3 * S, button="key", for_ns=MS)), 0.8, 9 * S)
    verdict = RuleVerdict(name="wanted", held=False, time_ns=2 * S, why="lit")
    witness = player.witness(scenario, verdict, "A run")
    first, look, last = witness.scenario.steps
    assert (first.at_ns, last.at_ns) == (S, 3 * S)
    assert look == Expect(at_ns=2 * S, text=expected)
    late = player.witness(scenario, RuleVerdict(name="wanted", held=False, time_ns=9 * S, why=""),
                          "A run")
    assert late.scenario.steps == scenario.steps  # nothing can be looked at after the end


def test_steps_are_told_as_things_to_do() -> None:
    """The plug goes in and comes out, a hand is held, the room gets cold."""
    player = Player(gadget(cases.BASE + cases.SENSOR + cases.WAVED + cases.CHARGER))
    scenario = player.scenario(
        (Usb(at_ns=S, present=True), Usb(at_ns=2 * S, present=False),
         Wave(at_ns=3 * S, sensor="wave", distance_m=0.08, for_ns=500 * MS),
         Temperature(at_ns=4 * S, temperature_c=-5.0)), 0.75, 9 * S)
    assert in_words(scenario) == [
        "Start with the cell at 75 %.",
        "At 1 s, plug USB in.",
        "At 2 s, unplug USB.",
        "At 3 s, hold a hand 8 cm before wave for 500 ms.",
        "At 4 s, bring everything to -5 degC.",
    ]
