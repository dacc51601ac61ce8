"""Modes: which resting combinations there are, what each costs, and how it ends."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from simfw.behaviour.build import build_system
from simfw.engine.listing import MOST_MODES
from simfw.engine.meeting import apart, cone, deciding
from simfw.engine.modes import Survey, mean_current, modes, survey
from simfw.engine.reachable import reach
from simfw.engine.simulator import Prepared, simulate
from simfw.engine.untouched import time_on_the_shelf
from simfw.errors import UsageError
from simfw.loading import load_gadget
from simfw.report.modes import current_text, left_out
from simfw.stimuli.scenario import Scenario, Usb
from tests.engine.bench import LARDER_LAMP, gadget_of, run

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
        assert mode.ends_by == "the cell is empty"
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


def states_of(text: str) -> set[tuple[str, ...]]:
    """The combinations of states of the written regions that can be reached."""
    system = build_system(gadget_of(text))
    written = [region for region in system.regions if region.group == "behaviour"]
    names = [region.name for region in written]
    found = reach(cone(system, written), set(names))
    assert found.whole
    return {tuple("/".join(sorted(stand.allowed[name])) for name in names)
            for stand in found.stands}


def test_a_state_that_no_row_reaches_is_no_mode():
    """Stands are those that rows lead to, with guards over behaviour states obeyed."""
    assert states_of(PLAIN) == {
        ("dark", "off/on"), ("lit.full", "off/on"), ("lit.weak", "off/on")
    }


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


def test_a_button_is_read_as_its_events_leave_it():
    """While `key.press` is heard the key is pressed, at `key.release` it is not: so b stays off,
    and a gets no further than two.
    """
    assert states_of(GUARDED) == {("one", "off"), ("two", "off")}


ARMED = """
[gadget]
name = "Armed"
[cell]
curve = "lco"
capacity = "100 mAh"
[loads.lamp]
current = "{current}"
[buttons.key]
[behaviour.lamp]
starts = "dark"
states.dark = {{}}
states.armed = {{}}
states.lit = {{ lamp = "on" }}
states.stuck = {{ lamp = "on" }}
rows = [
  {{ on = "key.press", from = "dark", to = "armed" }},
  {{ on = "key.click", from = "armed", to = "lit" }},
  {{ on = "key.click", from = "dark", to = "stuck" }},
  {{ on = "key.click", from = "lit", to = "dark" }},
]
"""


def test_no_click_comes_without_a_press():
    """From dark the press always comes first, so that the click finds the lamp armed."""
    found = [mode.states["lamp"] for mode in modes(gadget_of(ARMED.format(current="20 mA")))]
    assert found == ["dark", "armed", "lit"]


TOLD = """
[gadget]
name = "Told"
[cell]
curve = "lco"
capacity = "1000 mAh"
[controller]
asleep = "3 uA"
[loads]
lamp = { current = "8 mA" }
flag = { current = "3 mA" }
horn = { current = "12 mA" }
[buttons.key]
[behaviour.heart]
starts = "beat"
states.beat = {}
rows = [{ after = "250 ms", from = "beat", to = "beat", emit = "heart.tick" }]
[behaviour.light]
starts = "off"
states.off = {}
states.on = { lamp = "on" }
rows = [
  { on = "heart.tick", from = "off", to = "on" },
  { on = "heart.tick", from = "on", to = "off" },
]
[behaviour.count]
starts = "c0"
states.c0 = {}
states.c1 = {}
states.c2 = {}
states.c3 = { flag = "on" }
rows = [
  { on = "heart.tick", from = "c0", to = "c1" },
  { on = "heart.tick", from = "c1", to = "c2" },
  { on = "heart.tick", from = "c2", to = "c3" },
  { on = "heart.tick", from = "c3", to = "c0" },
]
[behaviour.alarm]
starts = "quiet"
states.quiet = {}
states.loud = { horn = "on" }
states.pause = {}
rows = [
  { on = "key.click", from = "quiet", to = "loud" },
  { after = "200 ms", from = "loud", to = "pause", emit = "alarm.beep" },
  { after = "300 ms", from = "pause", to = "loud" },
  { on = "enough", from = ["loud", "pause"], to = "quiet" },
]
[behaviour.beeps]
starts = "b0"
states.b0 = {}
states.b1 = {}
states.b2 = {}
rows = [
  { on = "alarm.beep", from = "b0", to = "b1" },
  { on = "alarm.beep", from = "b1", to = "b2" },
  { on = "alarm.beep", from = "b2", to = "b0", emit = "enough" },
]
"""


def test_what_an_event_of_another_region_toggles_ticks_with_it():
    """A light that a heart-beat toggles is on half of the time, a flag at every fourth beat; what
    counts beeps draws nothing and makes no mode, and what ends the beeping is left out.
    """
    found = {mode.states["alarm"]: mode for mode in modes(gadget_of(TOLD))}
    assert list(found) == ["quiet", "loud/pause"]
    quiet, loud = found.values()
    assert quiet.states == {"light": "off/on", "count": "c0/c1/c2/c3", "alarm": "quiet"}
    assert quiet.current_a == pytest.approx(8e-3 / 2 + 3e-3 / 4 + 3e-6, rel=1e-9)
    assert loud.current_a == pytest.approx(quiet.current_a + 12e-3 * 0.2 / 0.5, rel=1e-9)
    assert quiet.run_time_s == pytest.approx(3600.0 / quiet.current_a, rel=1e-5)


CHIRPS = """
[gadget]
name = "Chirps"
[cell]
curve = "lco"
capacity = "100 mAh"
[controller]
asleep = "20 uA"
[loads.buzzer]
current = "30 mA"
[sequences.chirp]
steps = ["on for 100 ms", "off for 400 ms"]
times = 3
[behaviour.guard]
starts = "watching"
states.watching = {}
states.chirping = { buzzer = "chirp" }
rows = [
  { after = "30 s", from = "watching", to = "chirping" },
  { on = "guard.ended", from = "chirping", to = "watching" },
]
"""


def test_a_sequence_that_ends_and_begins_again_is_part_of_the_mean():
    """Three chirps of 100 ms at 30 mA every 31.5 s, and 20 uA; so is the run time."""
    mode, = modes(gadget_of(CHIRPS))
    assert mode.states == {"guard": "watching/chirping"}
    assert mode.current_a == pytest.approx(20e-6 + 0.3 * 30e-3 / 31.5)
    assert mode.run_time_s == pytest.approx(360 / mode.current_a, rel=1e-3)


def many(count: int) -> str:
    """Lamps that each have a key of their own and do not meet."""
    text = '[gadget]\nname = "Many"\n[cell]\ncurve = "lco"\ncapacity = "1 Ah"\n'
    text += 'resistance = "0.1 ohm"\n'
    for n in range(count):
        text += f'''
[loads.l{n}]
current = "{n + 1} mA"
[buttons.k{n}]
[behaviour.r{n}]
starts = "dark"
states.dark = {{}}
states.lit = {{ l{n} = "on" }}
rows = [
  {{ on = "k{n}.click", from = "dark", to = "lit" }},
  {{ on = "k{n}.click", from = "lit", to = "dark" }},
]
'''
    return text


def test_parts_that_do_not_meet_are_listed_apart_above_a_counted_number():
    """Ten lamps of a key each are 1024 combinations: eleven lines, and what all draw together."""
    system = build_system(gadget_of(many(10)))
    assert len(apart(system, cone(system, deciding(system)))) == 10
    found = survey(gadget_of(many(10)))
    assert len(found.modes) == 11 < MOST_MODES
    assert [mode.current_a for mode in found.modes] == pytest.approx(
        [0.0, *(1e-3 * (n + 1) for n in range(10))]
    )
    assert found.together is not None
    assert found.together.left_out == 1024 - 11
    assert found.together.sum_a == pytest.approx(0.055)
    assert found.together.current_a == pytest.approx(0.055)
    assert len(survey(gadget_of(many(3))).modes) == 8
    assert survey(gadget_of(many(3))).together is None


def winks(load: str) -> str:
    """Five blinkers whose common period is 39,139.1 s."""
    text = '[gadget]\nname = "Winks"\n[cell]\ncurve = "lco"\ncapacity = "200 mAh"\n'
    text += 'resistance = "2 ohm"\n[controller]\nasleep = "2 uA"\n'
    for n, (period, lasts) in enumerate([(700, 20), (1100, 30), (1300, 12), (1700, 40),
                                         (2300, 25)]):
        text += f'''
[loads.l{n}]
{load}
[behaviour.w{n}]
starts = "out"
states.out = {{}}
states.lit = {{ l{n} = "on" }}
rows = [
  {{ after = "{period - lasts} ms", from = "out", to = "lit" }},
  {{ after = "{lasts} ms", from = "lit", to = "out" }},
]
'''
    return text


def test_blinkers_that_hardly_come_round_together_are_taken_by_their_shares_of_the_time():
    """Constant loads just add up, so the mean is the sum of duties; the run time follows."""
    (mode,) = modes(gadget_of(winks('current = "3 mA"')))
    mean_a = 2e-6 + 3e-3 * (20 / 700 + 30 / 1100 + 12 / 1300 + 40 / 1700 + 25 / 2300)
    assert mode.current_a == pytest.approx(mean_a, rel=1e-9)
    assert mode.within_a == pytest.approx(0.0, abs=1e-12)
    assert mode.run_time_s == pytest.approx(720.0 / mean_a, rel=1e-6)


def test_the_time_on_the_shelf_of_such_blinkers_is_told_at_their_mean_drain():
    """A counted number of instants, then the charge over the mean; the charge goes to nothing."""
    shelf = time_on_the_shelf(Prepared(gadget_of(winks('current = "3 mA"'))))
    mean_a = 2e-6 + 3e-3 * (20 / 700 + 30 / 1100 + 12 / 1300 + 40 / 1700 + 25 / 2300)
    assert shelf.about
    assert shelf.seconds == pytest.approx(720.0 / mean_a, rel=1e-4)
    assert shelf.end_charge == pytest.approx(0.0, abs=1e-9)


def test_what_loads_take_from_one_another_bounds_the_error_of_their_shares():
    """Resistors sag together: the bound is told, and the mean of a long run lies within it."""
    text = winks('resistance = "100 ohm"')
    (mode,) = modes(gadget_of(text))
    result = run(gadget_of(text), lasts="20 min", trace=False, log=False)
    assert mode.within_a is not None
    assert 0.0 < mode.within_a < 0.1 * mode.current_a
    # 20 min cut off the last period of each: less than 1 % of what it draws.
    assert abs(result.average_current_a - mode.current_a) < mode.within_a + 0.01 * mode.current_a


def test_a_bound_that_no_printed_digit_tells_is_not_told():
    """Shares of time that are rounded are off by less than what is printed: no mark, no line."""
    (mode,) = modes(gadget_of(winks('resistance = "100 ohm"')))
    rounded = replace(mode, within_a=1e-9 * (mode.current_a or 0.0))
    assert current_text(mode).endswith(" ~")
    assert not current_text(rounded).endswith("~")
    assert left_out(Survey(modes=(rounded,), together=None, whole=True)) == []
    assert any(line.startswith("~") for line in left_out(
        Survey(modes=(mode,), together=None, whole=True)))


def test_a_mode_that_the_gadget_leaves_at_once_has_no_current_at_that_charge():
    """At 1 % the gauge reads flat under the lamp: lit cannot be held there."""
    found = {
        mode.states["lamp"]: mode
        for mode in modes(load_gadget(LARDER_LAMP), charge=0.01)
        if mode.states["sensor"] == "idle"
    }
    assert found["lit.full"].current_a is None
    assert "cell.flat" in (found["lit.full"].left_by or "")
    assert found["dark"].current_a is not None


PASSING = """
[gadget]
name = "Passing"
[cell]
curve = "lco"
capacity = "100 mAh"
[loads.lamp]
current = "20 mA"
[buttons.key]
[behaviour.lamp]
starts = "dark"
states.dark = {}
states.deciding = {}
states.lit = { lamp = "on" }
rows = [
  { on = "key.click", from = "dark", to = "deciding" },
  { after = "0 s", from = "deciding", to = "lit" },
  { on = "key.click", from = "lit", to = "dark" },
]
"""


def test_a_state_that_is_left_in_the_instant_it_is_entered_is_no_mode():
    """A zero dwell without a guard is passed through."""
    assert [mode.states["lamp"] for mode in modes(gadget_of(PASSING))] == ["dark", "lit"]


def test_the_mean_current_of_one_mode_is_that_of_modes():
    """One mode asked for by its states, family or exact, draws what the list of modes says."""
    prepared = Prepared(gadget_of(PLAIN))
    listed = {mode.states["lamp"]: mode.current_a for mode in modes(prepared.gadget)}
    assert mean_current(prepared, [("lamp", "lit.weak")]).current_a == listed["lit.weak"]
    assert mean_current(prepared.gadget, [("lamp", "lit.weak")]).current_a == listed["lit.weak"]
    for states, said in (
        ([("lamp", "lit.weka")], 'lamp.lit.weka: there is no such state. Allowed: dark, '
         'lit.full, lit, lit.weak, never. Did you mean "lit.weak"?'),
        ([("lmap", "dark")], 'lmap: the gadget has no such region. Allowed: lamp, '
         'cell_blink. Did you mean "lamp"?'),
    ):
        with pytest.raises(UsageError, match=f"^{re.escape(said)}$"):
            mean_current(prepared, states)
    half = mean_current(prepared, [("lamp", "lit")], charge=0.5)
    assert half.current_a == pytest.approx(21.01e-3)
    # A state that cannot be reached is looked at all the same: 10 uA + 20 mA + the wink.
    assert mean_current(prepared, [("lamp", "never")]).current_a == pytest.approx(21.01e-3)


CHARGED = """
[gadget]
name = "Charged"
[cell]
curve = "lco"
capacity = "100 mAh"
[charger]
current = "50 mA"
float = "4.2 V"
finish = "10 %"
status = "low while charging"
[loads]
lamp = { current = "20 mA" }
[behaviour.lamp]
starts = "on"
states.on = { lamp = "on" }
"""


def test_a_mode_with_usb_in_tells_what_the_charger_gives():
    """In constant current the charger gives its 50 mA, whatever the load takes of it."""
    found = mean_current(Prepared(gadget_of(CHARGED)), [("lamp", "on")], charge=0.5,
                         held=[Usb(at_ns=0, present=True)])
    assert found.charger_a == pytest.approx(0.05)
    assert found.current_a == pytest.approx(0.02)


def test_a_run_tells_the_level_of_the_status_pin_at_its_end():
    """Low while charging, floating without USB; no charger, no pin."""
    gadget = gadget_of(CHARGED)
    plugged = (Usb(at_ns=0, present=True),)
    for steps, level in ((plugged, "low"), ((), "floating")):
        scenario = Scenario(charge=0.5, lasts_ns=10**9, steps=steps)
        assert simulate(gadget, scenario).end_status == level
    assert simulate(gadget_of(PLAIN), Scenario(charge=0.5, lasts_ns=10**9)).end_status is None


@pytest.mark.parametrize(("cut_off", "charge"), [('cut_off = "3.95 V"', 0.9), ("", 0.2)])
def test_what_never_comes_round_draws_the_same_though_the_cell_is_soon_empty(
    cut_off: str, charge: float
):
    """Two lamps on for half the time each, 4 mA and 6 mA, on periods that do not lock: 5 mA. Within
    half an hour the cell is at its cut-off or empty, and draws what it draws at that charge.
    """
    rows = ('rows = [{{ after = "{}", from = "off", to = "on" }}, '
            '{{ after = "{}", from = "on", to = "off" }}]')
    text = """
[gadget]
name = "Two"
[cell]
curve = "lco"
capacity = "10 mAh"
resistance = "1R"
""" + cut_off + "\n"
    for name, amps, dark, lit in (("a", "4 mA", "1.0012 s", "1.0021 s"),
                                  ("b", "6 mA", "1.5007 s", "1.5011 s")):
        text += (f'[loads.lamp_{name}]\ncurrent = "{amps}"\n[behaviour.{name}]\nstarts = "off"\n'
                 f'states.off = {{}}\nstates.on = {{ lamp_{name} = "on" }}\n'
                 f"{rows.format(dark, lit)}\n")
    found = mean_current(gadget_of(text), [("a", "off")], charge=charge)
    assert found.left_by is None
    assert found.within_a is not None
    assert found.current_a == pytest.approx(5e-3, rel=1e-3)


NAG = """
[gadget]
name = "Lid nag"
[cell]
curve = "nmc"
capacity = "1 Ah"
[loads.beeper]
current = "18 mA"
[toggles.lid]
[sequences.chirp]
steps = ["on for 30 ms", "off for 70 ms", "on for 30 ms", "off for 4 s 870 ms"]
[behaviour.watch]
starts = "shut"
states.shut = {}
states.open = {}
states.nag = { beeper = "chirp" }
rows = [
  { on = "lid.opened", from = "shut", to = "open" },
  { after = "DARK", from = "open", to = "nag" },
  { after = "5 min", from = "nag", to = "open" },
  { on = "lid.closed", from = ["open", "nag"], to = "shut" },
]
"""


@pytest.mark.parametrize(("dark", "dark_s"), [("1 h", 3600.0), ("2 days", 172800.0)])
def test_what_comes_round_in_hours_or_days_has_its_exact_mean(dark: str, dark_s: float):
    """60 ms in every 5 s for 5 min, then silence: the mean is the share of the time, by hand."""
    gadget = gadget_of(NAG.replace("DARK", dark))
    mode = next(one for one in modes(gadget) if "/" in one.states["watch"])
    mean_a = 18e-3 * 0.06 * 60 / (dark_s + 300.0)
    assert mode.within_a is None
    assert mode.current_a == pytest.approx(mean_a, rel=1e-9)
    if dark == "1 h":  # else it lasts for more than a hundred years
        assert mode.run_time_s == pytest.approx(3600.0 / mean_a, rel=1e-3)


def test_a_part_that_comes_round_too_late_counts_with_all_that_was_seen():
    """Two timers of unlike periods, each with ten winks of 18 mA for 60 ms of every 5 s in half of
    its time: what was gone along in one step counts like what was gone through.
    """
    text = """
[gadget]
name = "Timers"
[cell]
curve = "nmc"
capacity = "1 Ah"
[loads]
a = { current = "18 mA" }
b = { current = "18 mA" }
[sequences.chirp]
steps = ["on for 60 ms", "off for 4 s 940 ms"]
"""
    for name, other, lasts in (("a", "b", "500.0003 s"), ("b", "a", "500.0019 s")):
        text += f"""
[behaviour.on_{name}]
starts = "n0"
states.n0 = {{}}
states.n1 = {{ {name} = "chirp" }}
rows = [
  {{ after = "{lasts}", from = "n0", to = "n1" }},
  {{ after = "{lasts}", from = "n1", to = "n0", when = "not on_{other}.never" }},
]
"""
    text = text.replace("states.n0", "states.never = {}\nstates.n0")
    (mode,) = modes(gadget_of(text))
    one_a = 18e-3 * 0.06 / 5.0 / 2.0
    assert mode.current_a == pytest.approx(2.0 * one_a, rel=0.02)


def test_the_current_of_a_state_whose_sequence_is_over_is_read_after_its_end():
    """A contact that is read every 5 ms comes round while the sequence still plays: 7 mA and not
    the 20 mA of its first step.
    """
    text = """
[gadget]
name = "Greeting"
[cell]
curve = "lco"
capacity = "100 mAh"
[loads]
lamp = { current = "20 mA" }
mark = { current = "7 mA" }
[buttons.key]
style = "sample"
[sequences.greet]
steps = ["on for 600 ms", "50 % for 200 ms"]
times = 2
[behaviour.lamp]
starts = "dark"
states.dark = {}
states.greeting = { lamp = "greet", mark = "on" }
rows = [
  { on = "key.click", from = "dark", to = "greeting" },
  { on = "lamp.ended", from = "greeting", to = "dark" },
]
"""
    found = {mode.states["lamp"]: mode for mode in modes(gadget_of(text))}
    assert found["greeting"].current_a == pytest.approx(7e-3, rel=1e-9)
    assert found["greeting"].peak_a is None
    assert found["greeting"].run_time_s == pytest.approx(360.0 / 7e-3, rel=1e-3)


def test_a_state_that_lets_go_of_the_supply_is_told_apart_though_it_drives_nothing() -> None:
    """A latch in a region of its own: the lamp lasts 10 h at 10 mA, not for ever because the latch
    ends it, and with the supply gone nothing is drawn.
    """
    gadget = gadget_of("""
[gadget]
name = "Latch"
[cell]
curve = "lco"
capacity = "100 mAh"
[controller]
powered_by = ["key"]
[loads]
lamp = { current = "10 mA" }
[buttons.key]
[behaviour.lamp]
starts = "lit"
states.lit = { lamp = "on" }
[behaviour.latch]
starts = "up"
states.up = {}
states.off = { controller = "unpowered" }
rows = [{ after = "10 min", from = "up", to = "off" }]
""")
    lit, gone = modes(gadget)
    assert lit.states == {"lamp": "lit", "latch": "up"}
    assert lit.run_time_s == pytest.approx(10 * 3600, rel=1e-6)
    assert gone.states == {"lamp": "lit", "latch": "off"}
    assert gone.current_a == 0.0
    assert gone.run_time_s is None
