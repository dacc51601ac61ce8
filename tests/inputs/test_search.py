"""The search over toggles and measures: what it proves, and what it shows as something to do."""

from __future__ import annotations

from simfw.verify.check import check_gadget
from tests.inputs.made import DRAWER, PATH, gadget

LOCK = """
[gadget]
name = "Lock"
[cell]
curve = "lco"
capacity = "100 mAh"
[loads.lamp]
current = "10 mA"
[toggles.a]
debounce = "10 ms"
[toggles.b]
starts = "on"
debounce = "10 ms"
[measures.light]
unit = "lx"
thresholds = ["10 lx", "100 lx"]
every = "500 ms"
agree = 2
hysteresis = "4 lx"
[behaviour.lock]
starts = "s0"
states.s0 = {}
states.s1 = {}
states.s2 = {}
states.s3 = {}
states.s4 = {}
states.s5 = { lamp = "on" }
rows = [
  { on = "a.closed", from = "s0", to = "s1" },
  { on = "b.opened", from = "s1", to = "s2" },
  { on = "light.up", from = "s2", to = "s3", when = "light == 1" },
  { on = "light.up", from = "s3", to = "s4", when = "light == 2" },
  { on = "a.opened", from = "s4", to = "s5", when = "not b.on" },
  { on = "light.down", from = ["s1", "s2", "s3", "s4"], to = "s0" },
]
[[rules]]
name = "never lit"
never = "lamp > 0"
"""


def test_what_breaks_a_rule_deep_down_is_shown_step_by_step() -> None:
    """Five things in a row that no gesture tries: two toggles, two brightnesses, a toggle again."""
    report = check_gadget(gadget(LOCK))
    (fault,) = report.faults
    assert fault.check == "rule"
    assert fault.witness is not None
    steps = fault.witness.scenario.steps
    assert [step.target for step in steps if step.target] == ["a", "b", "light", "light", "a"]


def test_a_rule_that_a_toggle_keeps_is_proved() -> None:
    """Light only while the drawer is open: over every order of events, with the search at its end.

    And the same for a measure: no light while two thresholds are passed.
    """
    for text in (DRAWER, PATH):
        (verdict,) = check_gadget(gadget(text)).verdicts
        assert verdict.standing == "proved"
        assert verdict.finished


def test_a_toggle_that_settles_too_soon_is_told() -> None:
    """Contacts bounce for up to 6.2 ms, as the check says; a Hall part with a supply does not."""
    told = DRAWER.replace('debounce = "10 ms"\nsupply = "3 uA"', 'debounce = "2 ms"')
    found = [one.text for one in check_gadget(gadget(told)).findings
             if one.check == "debounce-too-short"]
    assert found == ["Toggle drawer settles after 2 ms; contacts may bounce for 6.2 ms."]
    hall = DRAWER.replace('debounce = "10 ms"', 'debounce = "2 ms"')
    assert not any(one.check == "debounce-too-short" for one in check_gadget(gadget(hall)).findings)
