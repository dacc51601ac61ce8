"""`check` on a gauge that counts charge."""

from __future__ import annotations

import pytest

from simfw.verify.check import check_gadget
from tests.engine.bench import gadget_of
from tests.verify.test_check import ticking

LAMP = """
[gadget]
name = "Counted lamp"
[cell]
curve = "lco"
capacity = "{capacity}"
resistance = "200 mΩ"
cut_off = "3.0 V"
restart = "3.3 V"
[charger]
current = "100 mA"
float = "4.2 V"
finish = "10 %"
{status}
[controller]
asleep = "5 uA"
[loads.lamp]
current = "20 mA"
[buttons.key]
[gauge]
method = "counting"
capacity = "100 mAh"
power_up = "100 %"
thresholds = ["20 %", "50 %"]
flat = "10 %"
[behaviour.lamp]
starts = "off"
states.off = {{}}
states.lit = {{ lamp = "on" }}
rows = [
  {{ on = "key.press", from = "off", to = "lit", {guard} }},
  {{ on = "key.press", from = "lit", to = "off" }},
  {{ on = "cell.flat", from = "lit", to = "off" }},
]
[[rules]]
name = "no light on a flat cell"
never = "lamp.lit and cell.flat"
[[rules]]
name = "always a bar"
never = "lamp.lit and gauge == 0"
"""
STATUS = 'status = "low while charging"'


def report(only, *, capacity="100 mAh", status=STATUS, guard='when = "not cell.flat"'):
    """The report on a lamp whose gauge counts against 100 mAh."""
    made = gadget_of(LAMP.format(capacity=capacity, status=status, guard=guard))
    return check_gadget(made, clock=ticking(), runs=40, only=only)


def test_rules_on_a_counting_gauge_are_proved_or_broken_by_a_run():
    """The count may be anything when a sample is due; what is broken is shown by a run."""
    found = report(("rule",))
    standing = {verdict.rule: verdict.standing for verdict in found.verdicts}
    assert standing == {"no light on a flat cell": "proved", "always a bar": "broken"}
    (fault,) = found.findings
    assert fault.witness is not None
    assert any(verdict.free == ("gauge.counted",) for verdict in found.verdicts)
    broken = report(("rule",), guard='note = "whatever the cell"')
    assert {verdict.standing for verdict in broken.verdicts} == {"broken"}


@pytest.mark.parametrize(("status", "told"), [(STATUS, False), ("", True)])
def test_a_count_that_nothing_sets_right_is_noted(status, told):
    """Without a status pin the firmware never learns that the cell is full."""
    found = [one.check for one in report(("count-never-anchored",), status=status).findings]
    assert found == ["count-never-anchored"] * told


@pytest.mark.parametrize(("capacity", "told"), [
    ("120 mAh", False), ("120 mAh ± 20 %", False), ("85 mAh", True), ("100 mAh ± 15 %", True),
])  # fmt: skip
def test_a_flat_that_is_counted_too_late_is_found(capacity, told):
    """A cell of 85 mAh is empty before a count against 100 mAh is at 10 %."""
    found = report(("flat-below-cut-off",), capacity=capacity).findings
    assert [one.check for one in found] == ["flat-below-cut-off"] * told
    if told:
        assert "118 % of what the cell may hold" in found[0].text


def test_a_counting_gauge_needs_no_hysteresis_and_never_sags():
    """What the terminal voltage does to a gauge is no matter for one that counts."""
    assert report(("gauge-no-hysteresis", "gauge-sag", "gauge-sag-bars")).findings == ()
