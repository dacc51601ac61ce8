"""A gadget held in one state: times to empty, to a tenth of its light, and from empty to full."""

from __future__ import annotations

from pathlib import Path

import pytest

from simfw.life.held import held
from tests.verify.gadgets import gadget

TEXT = """
[gadget]
name = "Torch"
[cell]
curve = "lco"
capacity = "{capacity}"
cut_off = "3.0 V"
restart = "3.2 V"
[lights.lamp]
leds = 4
forward = ["2.75 V @ 5 mA", "3.0 V @ 20 mA"]
resistor = "22R"
[lights.bars]
leds = 3
segments = true
forward = ["2.0 V @ 2 mA", "2.2 V @ 10 mA"]
resistor = "470R"
[loads.whisper]
current = "1 nA"
[loads.idle]
current = "20 mA"
[buttons.key]
[behaviour.torch]
starts = "dark"
states.dark = {dark}
{states}
rows = [ {{ on = "key.click", from = "dark", to = "{first}" }} ]
"""
CHARGER = """
[charger]
current = "10 mA"
float = "4.2 V"
finish = "10 %"
"""


LIT = 'states.lit = { lamp = "on" }'


def text(capacity: str, *states: str, dark: str = "{}") -> str:
    """A torch with this cell, what it does in the dark, and further states."""
    first = states[0].removeprefix("states.").partition(" ")[0] if states else "same"
    return TEXT.format(capacity=capacity, dark=dark, states="\n".join(states), first=first)


def test_a_light_that_is_out_before_its_first_reading_lasts_until_the_cell_is_empty(
    tmp_path: Path,
) -> None:
    """FL 1 reads after 30 s; a cell that is empty sooner gives the whole run time."""
    found = held(gadget(text("0.4 mAh", LIT), tmp_path))
    lasts = found.run_time_s["torch.lit"]
    assert lasts is not None
    assert lasts < 30.0
    assert found.fl1_run_time_s["torch.lit"] == lasts


def test_a_gauge_alone_has_no_time_to_a_tenth_of_its_light(tmp_path: Path) -> None:
    """Bars are read by number, not by brightness."""
    found = held(gadget(text("4 mAh", LIT, "states.shown = { bars = 2 }"), tmp_path))
    assert found.run_time_s["torch.shown"] is not None
    assert found.fl1_run_time_s["torch.shown"] is None
    longer = found.fl1_run_time_s["torch.lit"]
    assert longer is not None
    assert 30.0 < longer <= (found.run_time_s["torch.lit"] or 0.0)


def test_a_blink_blinks_on_while_its_mode_is_held(tmp_path: Path) -> None:
    """Lit a third of the time, it lasts three times as long as the steady light."""
    rows = """rows = [
  { on = "key.click", from = "dark", to = "wink_on" },
  { on = "key.press", from = "dark", to = "steady" },
  { after = "1 s", from = "wink_on", to = "wink_off" },
  { after = "2 s", from = "wink_off", to = "wink_on" },
]"""
    made = text("100 mAh", 'states.steady = { idle = "on" }', 'states.wink_on = { idle = "on" }',
                "states.wink_off = {}")
    found = held(gadget(made[: made.index("rows =")] + rows, tmp_path))
    steady, wink = (found.run_time_s[f"torch.{state}"] for state in ("steady", "wink_on"))
    assert steady == pytest.approx(100 / 20 * 3600, rel=1e-3)
    assert wink == pytest.approx(3 * steady, rel=1e-3)
    assert found.ends_by["torch.wink_on"] == "the protection opens"


def test_what_draws_next_to_nothing_has_no_run_time_and_says_so(tmp_path: Path) -> None:
    """A nanoampere would take the cell centuries."""
    found = held(gadget(text("400 mAh", 'states.near = { whisper = "on" }'), tmp_path))
    assert found.run_time_s["torch.near"] is None
    assert found.why["run_time_s.torch.near"].startswith("not empty within ")


def test_a_charge_that_a_resting_load_holds_up_has_no_time_and_says_where_it_stands(
    tmp_path: Path,
) -> None:
    """Twice what the charger gives is drawn in the dark: the cell stays where it was."""
    found = held(gadget(text("4 mAh", dark='{ idle = "on" }') + CHARGER, tmp_path))
    assert found.charge_time_s is None
    assert "the charger does not end within" in found.why["charge_time_s"]


def test_a_gadget_that_draws_nothing_at_rest_is_charged_from_its_cut_off(tmp_path: Path) -> None:
    """The shelf never empties it; 4 mAh at 10 mA take 24 minutes all the same."""
    found = held(gadget(text("4 mAh") + CHARGER, tmp_path))
    assert found.shelf_life_s is None
    assert found.charge_time_s == pytest.approx(4 / 10 * 3600, rel=0.1)
    assert "charge_time_s" not in found.why


def test_a_state_lit_by_a_dial_or_a_sequence_without_end_is_held_and_one_that_plays_out_is_not(
    tmp_path: Path,
) -> None:
    """20 mA at 25 %, and on for one second in four: 100 mAh last 20 h; three winks last no time."""
    more = """
[dials.dim]
values = ["25 %", "100 %"]
rows = [{ on = "key.click", step = 1 }]
[sequences.wink]
steps = ["on for 1 s", "off for 3 s"]
[sequences.three]
steps = ["on for 1 s", "off for 3 s"]
times = 3
"""
    states = ('states.dimmed = { idle = "dim" }', 'states.winks = { idle = "wink" }',
              'states.bye = { idle = "three" }')
    bare = text("100 mAh", *states).replace('cut_off = "3.0 V"\nrestart = "3.2 V"\n', "")
    found = held(gadget(bare + more, tmp_path))
    assert list(found.run_time_s) == ["torch.dimmed", "torch.winks"]
    for lasts in found.run_time_s.values():
        assert lasts == pytest.approx(20 * 3600, abs=4)
