"""What a recording says about the times of a gadget file, and what to record for the others."""

from __future__ import annotations

from pathlib import Path

from simfw.verify.prediction import Model
from simfw.verify.replay import replay
from simfw.verify.timings import TimingReport, timing_report
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


def report(folder: Path, *steps: str) -> TimingReport:
    """The timing report of a recorded session of twenty seconds."""
    session = (
        'title = "A session"\ngadget = "gadget.toml"\ncharge = "80 %"\nlasts = "20 s"\nsteps = ['
        + ",".join(f"{{ {step} }}" for step in steps) + "]\n")  # fmt: skip
    written = gadget(BUZZER, folder)
    observed = recorded(folder, BUZZER, session, written)
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
