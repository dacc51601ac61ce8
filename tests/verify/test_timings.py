"""What a recording says about the times of a gadget file, and what to record for the others."""

from __future__ import annotations

from pathlib import Path

from simfw.verify.prediction import Model
from simfw.verify.replay import replay
from simfw.verify.timings import TimingReport, timing_report
from tests.quality.cases import swapped
from tests.verify.gadgets import gadget
from tests.verify.recorded import recorded

MS = 10**6
BUZZER = """
[gadget]
name = "Buzzer"
[cell]
curve = "lco"
capacity = "200 mAh"
[charger]
program = "10k"
gain = "1000 V"
float = "4.20 V"
finish = "10 %"
status = "low while charging"
[loads.buzzer]
current = "20 mA"
[loads.lamp]
current = "5 mA"
[lights.bars]
leds = 2
segments = true
forward = ["2.0 V @ 2 mA", "2.2 V @ 10 mA"]
resistor = "470R"
[buttons.key]
debounce = "20 ms"
hold = "1 s"
[buttons.up]
debounce = "20 ms"
double = "300 ms"
[chords.both]
buttons = ["key", "up"]
within = "60 ms"
[proximity.hand]
every = "100 ms"
settle = "1 ms"
clear = "500 ms"
carrier = "38 kHz"
duty = "50 %"
burst = 20
receiver = { supply = "0.4 mA", threshold = "0.7 mW/m2" }
emitter = { forward = ["1.2 V @ 20 mA", "1.35 V @ 100 mA"], resistor = "47R", intensity = "36 mW/sr @ 100 mA", half_angle = "25 deg", switch = { kind = "nmos", on_resistance = "1 Ω" } }
target = { reflectance = "50 %", area = "80 cm2" }
[gauge]
light = "bars"
thresholds = ["3.5 V", "3.8 V"]
low = "3.4 V"
flat = "3.2 V"
every = "10 s"
show = "lamp.lit"
[behaviour.buzzer]
starts = "quiet"
states.quiet = {}
states.loud = { buzzer = "on" }
rows = [
  { on = "key.hold", from = "quiet", to = "loud" },
  { after = "2 s", from = "loud", to = "quiet" },
  { on = "hand.wave", from = "loud", to = "quiet" },
  { on = "cell.flat", from = "loud", to = "quiet" },
]
[behaviour.lamp]
starts = "dark"
states.dark = {}
states.lit = { lamp = "on" }
states.dim = { lamp = "20 %" }
rows = [
  { on = "up.double", from = "dark", to = "lit" },
  { on = "up.click", from = "lit", to = "dark" },
  { on = "both.chord", from = "lit", to = "dim", when = "not cell.low" },
  { on = "usb.in", from = "dim", to = "dark" },
]
"""  # noqa: E501


def report(folder: Path, *steps: str, text: str = BUZZER, real: str = "") -> TimingReport:
    """The timing report of a recorded session of twenty seconds with `real`, if not as written."""
    session = (
        'title = "A session"\ngadget = "gadget.toml"\ncharge = "80 %"\nlasts = "20 s"\nsteps = ['
        + ",".join(f"{{ {step} }}" for step in steps) + "]\n")  # fmt: skip
    written = gadget(text, folder)
    observed = recorded(folder, real or text, session, written)
    model = Model(written, observed)
    return timing_report(replay(observed, written, model=model), written, model)


def test_presses_on_both_sides_of_a_threshold_put_it_in_brackets(tmp_path: Path) -> None:
    """A hold lies between the longest press without and the shortest press with one."""
    found = report(
        tmp_path,
        'at = "1 s", press = "key", for = "900 ms"',
        'at = "3 s", press = "key", for = "1200 ms"',
        'at = "8 s", press = "up", for = "100 ms"',
        'at = "8350 ms", press = "up", for = "100 ms"',
        'at = "10 s", press = "up", for = "100 ms"',
        'at = "10500 ms", press = "up", for = "100 ms"',
        'at = "14 s", press = "up", for = "10 ms"',
    )
    by_key = {one.key: one for one in found.timings}
    hold = by_key["buttons.key.hold"]
    assert hold.finding == "consistent"
    assert hold.low_ns is not None
    assert hold.high_ns is not None
    assert hold.low_ns <= 1000 * MS <= hold.high_ns
    double = by_key["buttons.up.double"]
    assert double.finding == "consistent"
    assert double.count >= 1
    debounce = by_key["buttons.up.debounce"]
    assert debounce.finding == "consistent"
    dwell = by_key["behaviour.buzzer.rows[1].after"]
    assert (dwell.middle_ns, dwell.count) == (2000.0 * MS, 1)
    assert by_key["proximity.hand.clear"].finding == "not exercised"


def test_what_was_not_exercised_comes_with_what_to_do(tmp_path: Path) -> None:
    """From an idle recording everything is left to record, each with a sequence for the bench."""
    found = report(tmp_path)
    words = {one.key: one.sequence for one in found.to_record}
    assert words["behaviour.buzzer.rows[0]"] == "from buzzer.quiet: hold key 1 s and longer"
    assert words["behaviour.buzzer.rows[1]"] == (
        "from buzzer.quiet: hold key 1 s and longer, then wait 2 s")
    assert words["behaviour.buzzer.rows[2]"].endswith("then wave before hand")
    assert words["behaviour.buzzer.rows[3]"].endswith("then run the cell down until it is flat")
    assert words["behaviour.lamp.rows[0]"] == "from lamp.dark: press up twice in a row"
    assert words["behaviour.lamp.rows[1]"].endswith("then press up briefly")
    assert words["behaviour.lamp.rows[2]"].endswith(
        "then let both.chord happen (while not cell.low)")
    assert words["behaviour.lamp.rows[3]"].endswith("then plug USB in")
    assert words["buttons.key.hold"] == "press key for 900 ms, then for 1100 ms"
    assert words["buttons.up.double"] == "press up twice, 270 ms apart, then 330 ms apart"
    assert words["chords.both.within"] == (
        "press the buttons of both 54 ms apart, then 66 ms apart")
    assert words["proximity.hand.clear"] == (
        "wave twice before hand, 450 ms apart, then 600 ms apart")
    assert words["proximity.hand.settle"] == "record the receiver supply and the emitter of hand"
    assert words["gauge.every"] == (
        "record the bars while the cell's voltage passes a threshold")


def test_presses_on_one_side_of_a_threshold_leave_its_bracket_open(tmp_path: Path) -> None:
    """No press was long enough for a hold, and the only one of `up` too short to count."""
    found = report(tmp_path, 'at = "1 s", press = "key", for = "700 ms"',
                   'at = "3 s", press = "key", for = "900 ms"',
                   'at = "9 s", press = "up", for = "10 ms"')  # fmt: skip
    by_key = {one.key: one for one in found.timings}
    hold, debounce = by_key["buttons.key.hold"], by_key["buttons.up.debounce"]
    assert (hold.low_ns, hold.high_ns, hold.count, hold.finding) == (
        900.0 * MS, None, 2, "consistent")
    assert (debounce.low_ns, debounce.high_ns, debounce.middle_ns) == (10.0 * MS, None, None)
    assert not {one.key for one in found.to_record} & {hold.key, debounce.key}


def test_a_recording_that_the_model_parts_from_puts_nothing_in_brackets(tmp_path: Path) -> None:
    """Which presses pass a threshold is what the model says, and it is wrong about one of them."""
    found = report(tmp_path, 'at = "1 s", press = "key", for = "900 ms"',
                   'at = "3 s", press = "key", for = "1500 ms"',
                   real=swapped(BUZZER, 'hold = "1 s"', 'hold = "2 s"'))  # fmt: skip
    (hold,) = [one for one in found.timings if one.key == "buttons.key.hold"]
    assert hold.finding == "not exercised"


def test_edges_that_hang_on_no_known_time_measure_nothing(tmp_path: Path) -> None:
    """The plug acts at once, a contact without debounce too, and looks come when they come."""
    text = swapped(BUZZER, '[buttons.key]\ndebounce = "20 ms"', '[buttons.key]\ndebounce = "0 s"')
    text = swapped(text, '{ on = "key.hold", from', '{ on = "key.press", from')
    text = swapped(text, '{ on = "up.double", from', '{ on = "usb.in", from')
    text = swapped(text, '{ on = "up.click", from', '{ on = "hand.wave", from')
    found = report(tmp_path, 'at = "1 s", usb = true', 'at = "5 s", press = "key", for = "300 ms"',
                   'at = "12 s", wave = "hand", distance = "5 cm", for = "1 s"', text=text)
    assert {one.key for one in found.timings if one.middle_ns is not None} == {
        "behaviour.buzzer.rows[1].after"}


def test_a_row_in_a_state_that_nothing_leads_to_is_told_as_such(tmp_path: Path) -> None:
    """Its state has no way in; a blink is seen while the cell charges; reads have no sequence."""
    text = swapped(BUZZER, 'states.dim = { lamp = "20 %" }',
                   'states.dim = { lamp = "20 %" }\nstates.lost = {}')
    text = swapped(text, '{ on = "usb.in", from = "dim", to = "dark" }',
                   '{ on = "usb.in", from = "lost", to = "dark" }')
    text = swapped(text, 'resistor = "470R"', 'resistor = "470R"\nswitch = { kind = "npn", '
                   'base = "1k", gain = 200, saturation_current = "1e-14 A", storage = "2 us" }')
    text = swapped(text, 'show = "lamp.lit"', 'show = "lamp.lit"\nblink = "500 ms"')
    text = swapped(text, 'hold = "1 s"', 'hold = "1 s"\nstyle = "sample"\nsample_every = "50 ms"')
    words = {one.key: one.sequence for one in report(tmp_path, text=text).to_record}
    assert words["behaviour.lamp.rows[3]"] == "nothing leads to lamp.lost"
    assert words["gauge.blink"] == "record the bars while the cell charges"
    assert not {"buttons.key.sample_every", "lights.bars.switch.storage"} & set(words)
