"""What rules can read in the search: bars, levels, voltages from either side; and random runs."""

from __future__ import annotations

import pytest

from simfw.behaviour.build import build_system
from simfw.behaviour.rules import build_rules
from simfw.circuit.circuit import Circuit
from simfw.stimuli.scenario import Usb, Wave
from simfw.verify.abstraction import Electrics, reduce_system
from simfw.verify.budget import Budget
from simfw.verify.check import check_gadget
from simfw.verify.decide import monitor_of
from simfw.verify.detail import BANDED
from simfw.verify.falsify import falsify
from simfw.verify.finding import Verdict
from simfw.verify.player import Player
from tests.quality import cases
from tests.verify.gadgets import behaviour, gadget, rule

BLINKING = cases.GAUGED.replace('show = "lamp.lit"', 'blink = "500 ms"') + cases.CHARGER
HEARD = cases.GAUGED + behaviour("tale", "quiet", "quiet = {}; told = {}",
                                 'on = "gauge.down", from = "quiet", to = "told"')


def told(text: str) -> Verdict:
    """What is said of the one rule of a gadget given as text."""
    report = check_gadget(gadget(text), runs=5, only=("rule",))
    (verdict,) = report.verdicts
    return verdict


def standing(text: str) -> str:
    """The standing of that rule."""
    return told(text).standing


@pytest.mark.parametrize(
    ("text", "wanted", "proved"),
    [
        (cases.GAUGED, "gauge > 5", True),
        (cases.GAUGED, "gauge == 0 and lamp.lit", False),
        (cases.GAUGED, "lamp.dark and bars > 0", True),
        (BLINKING, "bars > 1", True),
        (BLINKING, "gauge == 5 and charge.charging and bars < 0.9", False),
        (cases.PLAIN, "lamp.lit and 3.045 > cell.voltage", True),
        (cases.PLAIN, "lamp.lit and 3.3 >= cell.voltage", False),
        (cases.PLAIN, "cell.charge >= 1", False),  # a full cell is not below 1
        (HEARD, "tale.told and lamp.lit and cell.voltage < 3.045", True),
    ],
)
def test_rules_on_readings_are_proved_or_broken(text: str, wanted: str, proved: bool) -> None:
    """Bars, the level of a light that blinks, a voltage on either side of its comparison."""
    found = standing(text + rule(f'never = "{wanted}"'))
    assert found in (("proved", "coincidence") if proved else ("broken",))


def test_what_keeps_a_proof_from_being_one_is_said() -> None:
    """A charge is never above 1; but with the loads left free the protection cannot rest."""
    verdict = told(cases.PLAIN + rule('never = "cell.charge > 1"'))
    assert verdict.standing == "open"
    assert "an instant had no end (the protection opens and the protection closes)" in verdict.text


def test_a_protection_that_cannot_rest_is_an_instant_without_end() -> None:
    """The load at power-up opens it, and without load the cell rests above the restart."""
    text = (cases.BASE + cases.FLASH + cases.KEY).replace('restart = "3.25 V"',
                                                          'restart = "3.06 V"')
    one = gadget(text + behaviour("lamp", "lit", 'lit = { flash = "on" }')
                 + rule('never = "cell.voltage < 2"'))
    system = build_system(one)
    reduced = reduce_system(system, [monitor_of(build_rules(one, system)[0])], BANDED[0],
                            electrics=Electrics(one, Circuit(one)))
    assert ("the protection opens", "the protection closes") in reduced.endless


def test_random_runs_use_hands_and_the_plug() -> None:
    """A rule that only a hand can break, and one that only USB can."""
    text = cases.BASE + cases.SENSOR + cases.WAVED + cases.CHARGER
    player = Player(gadget(text + rule('never = "wave.near"').replace("wanted", "no hand")
                           + rule('never = "charge.charging"').replace("wanted", "no plug")))
    found = falsify(player, ["no hand", "no plug"], [], Budget(1_000_000), runs=60)
    assert {one.verdict.name for one in found} == {"no hand", "no plug"}
    kinds = {one.verdict.name: {type(step) for step in one.scenario.steps} for one in found}
    assert Wave in kinds["no hand"]
    assert Usb in kinds["no plug"]
