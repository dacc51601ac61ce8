"""Notes that a practitioner wants without a rule, and natural rows that must stay silent."""

from __future__ import annotations

import pytest

from simfw.verify.check import check_gadget
from tests.quality import cases
from tests.verify.gadgets import PLAIN, behaviour, gadget

LEVELS = "dark = {}; " + "; ".join(f'l{k} = {{ lamp = "{20 * k} %" }}' for k in range(1, 5))


def says(text: str, check: str) -> list[str]:
    """The sentences of one check."""
    report = check_gadget(gadget(text), only=(check,), runs=1, effort=0.3)
    return [one.text for one in report.findings if one.check == check]


def listed(*guards: str, otherwise: bool = False) -> str:
    """A gadget whose click goes down a list of guards."""
    rows = [f'on = "key.click", from = "dark", to = "l{k}", when = "{guard}"'
            for k, guard in enumerate(guards, 1)]
    rows += ['on = "key.click", from = "dark", to = "same"'] if otherwise else []
    base = cases.GAUGED.replace(cases.CLICKS, "").replace('show = "lamp.lit"\n', "")
    return base + cases.CHARGER + behaviour(
        "list", "dark", LEVELS, *rows, 'after = "1 s", from = ["l1", "l2", "l3", "l4"], '
        'to = "dark"')


def test_a_list_of_cases_is_silent() -> None:
    """Each guard narrower than those below it, or an otherwise at the end: an order on purpose."""
    down = ("gauge >= 4", "gauge >= 3", "gauge >= 2", "gauge >= 1")
    assert says(listed(*down), "rows-compete") == []
    mixed = ("usb", "cell.low", "gauge >= 3", "gauge >= 1")
    assert says(listed(*mixed, otherwise=True), "rows-compete") == []


def test_a_list_with_an_order_that_nobody_wrote_is_told_once() -> None:
    """Four guards that may hold together are six pairs and one sentence."""
    mixed = ("usb", "cell.low", "gauge >= 3", "charge.charging")
    (text,) = says(listed(*mixed), "rows-compete")
    assert "more than one of these rows may fire on key.click" in text


def test_a_charge_light_that_is_on_because_a_cable_is_in_is_no_fault() -> None:
    """It is asked for; a light that is on with nothing in is still one."""
    light = cases.LAMP.replace("lights.lamp", "lights.red").replace("leds = 4", "leds = 1")
    text = PLAIN + cases.CHARGER + light + behaviour(
        "tell", "off", 'off = {}; on = { red = "on" }', 'on = "usb.in", from = "off", to = "on"',
        'on = "usb.out", from = "on", to = "off"')
    assert says(text, "light-at-power-up") == []
    lit = text.replace('starts = "off"', 'starts = "on"')
    assert len(says(lit, "light-at-power-up")) == 1


@pytest.mark.parametrize(("rows", "told"), [
    (('after = "9 min", from = "lit", to = "dark", when = "not usb"',), True),
    (('after = "9 min", from = "lit", to = "dark", when = "not usb"',
      'after = "9 min", from = "lit", to = "dark", when = "usb"'), False),
    (('after = "9 min", from = "lit", to = "dark", when = "not usb"',
      'after = "20 min", from = "lit", to = "dark"'), False),
    (('after = "9 min", from = "lit", to = "dark", when = "not usb"',
      'on = "usb.out", from = "lit", to = "dark"'), False),
    (('after = "9 min", from = "lit", to = "dark"',), False),
])
def test_a_dwell_that_may_be_spent_is_told_where_nothing_asks_again(
    rows: tuple[str, ...], told: bool
) -> None:
    """Not where another dwell, the other half of the guard, or the plug ends the state."""
    text = cases.BASE + cases.KEY + cases.CHARGER + behaviour(
        "lamp", "dark", cases.LIT, cases.ON, cases.OFF, *rows)
    assert bool(says(text, "dwell-spent")) is told


def test_letting_go_that_ends_what_the_hold_began_is_meant() -> None:
    """A light that is on as long as the button is held."""
    text = cases.BASE + cases.HOLD + behaviour(
        "lamp", "dark", cases.LIT, 'on = "key.hold", from = "dark", to = "lit"',
        'on = "key.release", from = "lit", to = "dark"')
    assert says(text, "acts-twice") == []
    assert says(text, "left-on") == []


def test_a_tap_that_is_a_press_and_a_click_is_told() -> None:
    """The press lights it, the click of the same tap puts it out."""
    text = cases.BASE + cases.KEY + behaviour(
        "lamp", "dark", cases.LIT, 'on = "key.press", from = "dark", to = "lit"', cases.OFF)
    (found,) = says(text, "acts-twice")
    assert "one tap does both" in found


def test_a_lock_that_only_a_hold_leaves_is_silent() -> None:
    """And the state a gadget starts in is no lock."""
    text = cases.BASE + cases.HOLD + cases.LOCK
    assert says(text, "lock-left") == []
    easy = text + behaviour("other", "shut", "shut = {}; open = {}",
                            'on = "key.click", from = "shut", to = "open"',
                            'on = "key.hold", from = "open", to = "shut"')
    assert says(easy, "lock-left") == []


def test_a_lock_that_its_own_guard_keeps_is_silent() -> None:
    """A double that is heard everywhere but in the lock; without that guard it leaves the lock."""
    def locked(guard: str) -> str:
        return cases.BASE + cases.HOLD.replace("hold", 'double = "400 ms"\nhold') + behaviour(
            "lamp", "dark", cases.LIT + "; safe = {}", cases.ON, cases.OFF,
            f'on = "key.double", from = "*", to = "lit"{guard}',
            'on = "key.hold", from = "*", to = "safe"')

    assert says(locked(', when = "not lamp.safe"'), "lock-left") == []
    assert len(says(locked(""), "lock-left")) == 1


def test_what_is_on_at_rest_in_every_mode_is_told_with_its_current() -> None:
    """A mark that winks from power-up on."""
    text = PLAIN + cases.LAMP.replace("lights.lamp", "lights.mark") + behaviour(
        "night", "pause", 'pause = {}; wink = { mark = "on" }',
        'after = "2 s", from = "pause", to = "wink"',
        'after = "30 ms", from = "wink", to = "pause"')
    (found,) = says(text, "always-on")
    assert found.startswith("At rest, mark winks whatever the states")
    assert "A." in found
    assert says(text, "left-on") == []


@pytest.mark.parametrize("ended", [True, False])
def test_a_light_that_is_on_until_others_have_counted_is_not_left_on(ended: bool) -> None:
    """Six times five minutes, counted by a dial; without the row that ends it, it is."""
    end = ('on = "steps.end", from = "lit", to = "dark"',) if ended else ()
    text = cases.BASE + cases.KEY + """
[dials.steps]
values = ["90 %", "70 %", "50 %", "30 %", "10 %", "5 %"]
rows = [{ on = "darker", step = 1 }, { on = "key.click", to = 0 }]
""" + behaviour(
        "lamp", "dark", 'dark = {}; lit = { lamp = "steps" }', cases.ON,
        'after = "5 min", from = "lit", to = "lit", emit = "darker"', *end)
    assert bool(says(text, "left-on")) is not ended


OFF = 'after = "5 min", from = "lit", to = "dark"'


@pytest.mark.parametrize(("dwell", "told"), [("500 ms", True), ("3 s", False)])
def test_a_hold_that_comes_after_its_state_is_over_is_told(dwell: str, told: bool) -> None:
    """The press leads to a state of half a second, the hold of it is due after more."""
    text = cases.BASE + cases.HOLD + behaviour(
        "lamp", "dark", 'dark = {}; arming = {}; lit = { lamp = "on" }',
        'on = "key.press", from = "dark", to = "arming"',
        f'after = "{dwell}", from = "arming", to = "dark"',
        'on = "key.hold", from = "arming", to = "lit"', OFF)
    assert bool(says(text, "hold-too-late")) is told


@pytest.mark.parametrize(("again", "told"), [("", True), (", \"run\"", False)])
def test_a_timer_that_runs_on_is_told(again: str, told: bool) -> None:
    """Begun by the click that lights the lamp, and not by the next one."""
    text = cases.BASE + cases.KEY + behaviour(
        "timer", "idle", "idle = {}; run = {}",
        f'on = "key.click", from = ["idle"{again}], to = "run"',
        'after = "5 min", from = "run", to = "idle", emit = "over"') + behaviour(
        "lamp", "dark", cases.LIT, cases.ON, cases.OFF, 'on = "over", from = "lit", to = "dark"')
    assert bool(says(text, "timer-runs-on")) is told


def test_a_plug_that_acts_like_a_button_is_told() -> None:
    """Pulling it lights the lamp; where it puts it out it is silent."""
    rows = (cases.ON, cases.OFF, OFF)
    text = cases.BASE + cases.KEY + cases.CHARGER
    lights = text + behaviour("lamp", "dark", cases.LIT, *rows,
                              'on = "usb.out", from = "dark", to = "lit"')
    (found,) = says(lights, "plug-lights")
    assert found.startswith("usb.out lights lamp")
    puts_out = text + behaviour("lamp", "dark", cases.LIT, *rows,
                                'on = "usb.in", from = "lit", to = "dark"')
    assert says(puts_out, "plug-lights") == []


def test_a_warning_that_empties_a_low_cell_is_told() -> None:
    """It winks until the cell is back, which never comes without a charger."""
    mark = cases.LAMP.replace("lights.lamp", "lights.red")
    rows = ('on = "cell.low", from = "fine", to = "on"',
            'after = "200 ms", from = "on", to = "off"',
            'after = "800 ms", from = "off", to = "on"')
    text = cases.GAUGED + mark
    (found,) = says(text + behaviour("warn", "fine", 'fine = {}; on = { red = "on" }; off = {}',
                                     *rows), "low-left-on")
    assert "red winks until the cell is empty" in found
    short = (rows[0], 'after = "2 s", from = "on", to = "fine"')
    assert says(text + behaviour("warn", "fine", 'fine = {}; on = { red = "on" }', *short),
                "low-left-on") == []


@pytest.mark.parametrize(("sources", "told"), [('"high"', True), ('["high", "dim"]', False)])
def test_a_level_that_a_flat_cell_does_not_end_is_told(sources: str, told: bool) -> None:
    """The other level is put out."""
    text = cases.GAUGED.replace(cases.CLICKS, "").replace('show = "lamp.lit"\n', "") + behaviour(
        "lamp", "dark", 'dark = {}; high = { lamp = "on" }; dim = { lamp = "20 %" }',
        'on = "key.click", from = "dark", to = "high"',
        'on = "key.click", from = "high", to = "dim"',
        'on = "key.click", from = "dim", to = "dark"',
        f'on = "cell.flat", from = {sources}, to = "dark"')
    assert bool(says(text, "cell-not-heard")) is told


@pytest.mark.parametrize(("event", "told"), [("near", True), ("wave", False)])
def test_one_hand_that_lights_and_puts_out_is_told(event: str, told: bool) -> None:
    """Near and wave come in one instant; the wave alone toggles."""
    text = cases.BASE + cases.SENSOR + behaviour(
        "lamp", "dark", cases.LIT, f'on = "wave.{event}", from = "dark", to = "lit"',
        'on = "wave.wave", from = "lit", to = "dark"', OFF)
    assert bool(says(text, "acts-twice")) is told


@pytest.mark.parametrize(("rows", "told"), [
    (('after = "0 s", from = "asked", to = "dark", when = "usb"',), True),
    (('after = "2 s", from = "asked", to = "dark", when = "usb"',), True),
    (('after = "2 s", from = "asked", to = "dark", when = "usb"',
      'after = "3 s", from = "asked", to = "dark"'), False),
    (('after = "2 s", from = "asked", to = "dark", when = "usb"',
      'on = "usb.in", from = "asked", to = "dark"'), False),
])
def test_a_dark_state_that_nothing_ends_once_its_dwell_is_spent_is_told(rows, told) -> None:
    """A way out by the plug, or a dwell without guard, is a way out."""
    text = PLAIN + cases.CHARGER + behaviour(
        "ask", "dark", "dark = {}; asked = {}", 'on = "key.click", from = "dark", to = "asked"',
        *rows)
    found = says(text, "dwell-spent")
    assert len(found) == told
    if told:
        assert found[0].endswith("and nothing ends the state.")
