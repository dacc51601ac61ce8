"""Modes: which resting combinations there are, what each costs, and how it ends."""

from __future__ import annotations

import pytest

from simfw.behaviour.build import build_system
from simfw.engine.modes import combinations, modes
from simfw.loading import load_gadget
from tests.engine.bench import LARDER_LAMP, gadget_of

PLAIN = """
[gadget]
name = "Plain"
[cell]
curve = "lco"
capacity = "100 mAh"
[controller]
asleep = "10 uA"
[loads]
lamp = { current = "20 mA" }
wink = { current = "4 mA" }
[buttons.key]
hold = "1 s"
[behaviour.lamp]
starts = "dark"
resume_points = ["lit.full", "lit.weak"]
states.dark = {}
states."lit.full" = { lamp = "on" }
states."lit.weak" = { lamp = "25 %" }
states.never = { lamp = "on" }
rows = [
  { on = "key.click", from = "dark", to = "resume", when = "not cell_blink.off" },
  { on = "key.click", from = "lit.*", to = "dark" },
  { on = "key.hold", from = "lit.full", to = "lit.weak" },
  { after = "10 min", from = "lit.*", to = "dark" },
]
[behaviour.cell_blink]
starts = "on"
states.off = {}
states.on = { wink = "on" }
rows = [
  { after = "1 s", from = "on", to = "off" },
  { after = "3 s", from = "off", to = "on" },
]
[readings]
"lamp.dark" = "1.0 mA ± 0.1 mA"
"lamp.lit.full" = "21 mA"
"""


def test_each_mode_has_its_mean_current_and_run_time():
    """Dark 10 uA + a wink of 4 mA a quarter of the time; full 20 mA more; weak 5 mA more."""
    found = {mode.states["lamp"]: mode for mode in modes(gadget_of(PLAIN))}
    assert list(found) == ["dark", "lit.full", "lit.weak"]
    for name, milliamperes in (("dark", 1.01), ("lit.full", 21.01), ("lit.weak", 6.01)):
        mode = found[name]
        assert mode.current_a == pytest.approx(milliamperes / 1000, rel=1e-9)
        assert mode.run_time_s == pytest.approx(360.0 / mode.current_a, rel=1e-5)
        assert mode.ends_by == "the protection opens"
        assert mode.states["cell_blink"] == "off/on"
    assert list(found["lit.full"].parts_a) == ["lamp", "wink", "controller"]


def test_readings_stand_beside_the_modes_they_were_taken_in():
    """A reading names region.state; it is shown with its range in every mode that has it."""
    found = {mode.states["lamp"]: mode.readings for mode in modes(gadget_of(PLAIN))}
    assert found["dark"] == {"lamp.dark": (0.9e-3, 1.0e-3, pytest.approx(1.1e-3))}
    assert found["lit.full"] == {"lamp.lit.full": (0.021, 0.021, 0.021)}
    assert found["lit.weak"] == {}


def test_a_reading_may_name_states_of_several_regions():
    """With blanks between them; it stands beside the mode that has them all, and only there."""
    text = PLAIN.replace('"lamp.lit.full" = "21 mA"', '"cell_blink.off  lamp.lit.full" = "21 mA"')
    found = {mode.states["lamp"]: mode.readings for mode in modes(gadget_of(text))}
    assert found["lit.full"] == {"cell_blink.off  lamp.lit.full": (0.021, 0.021, 0.021)}
    assert "cell_blink.off  lamp.lit.full" not in found["lit.weak"]


def test_the_larder_lamps_modes_begin_with_standby_and_leave_out_what_cannot_be():
    """Ten combinations; the first is the start; run times of lit modes end on a flat cell."""
    found = modes(load_gadget(LARDER_LAMP))
    assert found[0].states == {"lamp": "dark", "sensor": "armed"}
    assert len(found) == 10
    full = next(m for m in found if m.states == {"lamp": "lit.full", "sensor": "armed"})
    assert full.ends_by == "cell.flat"
    assert full.current_a > 0.15
    assert full.run_time_s == pytest.approx(4.9 * 3600, rel=0.02)


def test_a_state_that_no_row_reaches_is_no_mode():
    """Combinations are those that rows lead to, with guards over behaviour states obeyed."""
    found = combinations(build_system(gadget_of(PLAIN)))
    assert ("never", "on") not in found
    assert found[0] == ("dark", "on")


GUARDED = """
[gadget]
name = "Guarded"
[cell]
curve = "lco"
capacity = "100 mAh"
[buttons.key]
[behaviour.a]
starts = "one"
states.one = {}
states.two = {}
states.three = {}
states.four = {}
rows = [
  { on = "key.press", from = "one", to = "two", when = "a.one and b.off" },
  { on = "key.press", from = "one", to = "three", when = "a.two or b.on" },
  { on = "key.press", from = "two", to = "four", when = "not (a.two and b.off) and key.pressed" },
]
[behaviour.b]
starts = "off"
states.off = {}
states.on = {}
rows = [
  { on = "key.release", from = "off", to = "on", when = "key.pressed or a.three" },
]
"""


def test_guards_over_states_are_obeyed_and_what_depends_on_a_button_may_go_either_way():
    """From one only to two while b is off; four needs b on, which needs the button's side."""
    found = set(combinations(build_system(gadget_of(GUARDED))))
    assert ("two", "off") in found
    assert ("two", "on") in found  # the button may be read pressed
    assert ("four", "on") in found
    assert ("four", "off") not in found
    assert ("three", "off") not in found
    assert ("three", "on") in found
