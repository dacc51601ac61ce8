"""What a recording says about the times of a gadget file, and what to record for the others."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from simfw.engine.simulator import Prepared
from simfw.loading import load_scenario
from simfw.report.replay import finding_text, measured_text
from simfw.stimuli.recording import open_recording
from simfw.stimuli.recording.mapfile import read_map
from simfw.stimuli.recording.signals import observe
from simfw.stimuli.recording.tracks import Track
from simfw.verify.explaining import Divergence, explain
from simfw.verify.prediction import Model
from simfw.verify.replay import Options, replay
from simfw.verify.timings import Measured, TimingReport, timing_report
from simfw.verify.tracing import traced
from tests.quality.cases import swapped
from tests.verify.gadgets import gadget
from tests.verify.recorded import recorded

MS = 10**6
SCENARIOS = Path(__file__).parents[2] / "scenarios"
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


def test_where_the_first_edge_counts_a_bounce_is_no_press_too_short_to_count(
    tmp_path: Path,
) -> None:
    """Its own recording cannot contradict a file: how long a press is does not tell the debounce.

    What would tell it is a press shorter than that: its release comes as the time ends.
    """
    text = BUZZER.replace('[buttons.up]\ndebounce = "20 ms"',
                          '[buttons.up]\nstyle = "first-edge"\ndebounce = "60 ms"')
    found = report(tmp_path, 'at = "1 s", press = "up", for = "100 ms", bounce = "10 ms"',
                   'at = "1300 ms", press = "up", for = "100 ms", bounce = "10 ms"', text=text)
    debounce = next(one for one in found.timings if one.key == "buttons.up.debounce")
    assert (debounce.finding, debounce.low_ns) == ("not measured", None)
    sequences = {one.key: one.sequence for one in found.to_record}
    assert sequences["buttons.up.debounce"] == (
        "press up for 30 ms where an output answers when it is let go")


def test_a_dwell_behind_one_that_leads_away_says_what_must_not_hold_meanwhile(
    tmp_path: Path,
) -> None:
    """What leaves after 1 s while a key is down has to be kept from that for the 3 s to pass."""
    text = BUZZER.replace('  { after = "2 s", from = "loud", to = "quiet" },',
                          '  { after = "1 s", from = "loud", to = "quiet", when = "up.closed" },\n'
                          '  { after = "3 s", from = "loud", to = "quiet", '
                          'when = "not usb or key.up" },')
    found = report(tmp_path, 'at = "1 s", press = "up", for = "100 ms"', text=text)
    sequences = {one.key: one.sequence for one in found.to_record}
    assert sequences["behaviour.buzzer.rows[2]"] == (
        "from buzzer.quiet: hold key 1 s and longer, then wait 3 s (while (not usb or key.up) "
        "and not (up.closed))")


def test_a_debounce_of_no_time_needs_no_recording(tmp_path: Path) -> None:
    """There is no press shorter than that."""
    text = BUZZER.replace('[buttons.up]\ndebounce = "20 ms"', '[buttons.up]\ndebounce = "0 s"')
    found = report(tmp_path, 'at = "1 s", press = "key", for = "900 ms"', text=text)
    assert "buttons.up.debounce" not in {one.key for one in found.to_record}


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
    assert hold.finding == "not measured"


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
    text = swapped(text, 'debounce = "20 ms"', 'style = "sample"\nsample_every = "50 ms"')
    words = {one.key: one.sequence for one in report(tmp_path, text=text).to_record}
    assert words["behaviour.lamp.rows[3]"] == "nothing leads to lamp.lost"
    assert words["gauge.blink"] == "record the bars while the cell charges"
    assert not {"buttons.key.sample_every", "lights.bars.switch.storage"} & set(words)


BLINKER = """
[gadget]
name = "Blinker"
[cell]
curve = "lco"
capacity = "200 mAh"
[loads.lamp]
current = "5 mA"
[loads.tail]
current = "5 mA"
[buttons.flash]
debounce = "5 ms"
[behaviour.lamp]
starts = "dark"
states.dark = {}
states.lit = { lamp = "on", tail = "on" }
states.gap = {}
rows = [
  { on = "flash.press", from = "dark", to = "lit" },
  { after = "600 ms", from = "lit", to = "gap" },
  { after = "400 ms", from = "gap", to = "lit" },
  { on = "flash.press", from = ["lit", "gap"], to = "dark" },
]
"""
LIT, GAP = "behaviour.lamp.rows[1].after", "behaviour.lamp.rows[2].after"
BLINKING = 'title = "A"\ngadget = "gadget.toml"\ncharge = "80 %"\nlasts = "156 s"\nsteps = [' \
           '{ at = "5 s", press = "flash", for = "100 ms" }]\n'


def blinking(folder: Path, real: str, text: str = BLINKER, session: str = BLINKING,
             tolerance_ns: int = 20 * MS) -> tuple[dict[str, Measured], Divergence | None]:
    """The timings by key, and the first difference, of a session with `real`."""
    written = gadget(text, folder)
    observed = recorded(folder, real, session, written)
    model = Model(written, observed)
    replayed = replay(observed, written, Options(tolerance_ns=tolerance_ns), model)
    divergence = explain(replayed, written, model)
    found = timing_report(replayed, written, model, divergence)
    return {one.key: one for one in found.timings}, divergence


@pytest.mark.parametrize(("wrong", "sound", "old", "new"), [
    (LIT, GAP, 'after = "600 ms"', 'after = "650 ms"'),
    (GAP, LIT, 'after = "400 ms"', 'after = "415 ms"'),
    (GAP, LIT, 'after = "400 ms"', 'after = "290 ms"'),
])
def test_of_a_blinker_with_one_wrong_dwell_that_dwell_is_named(
    tmp_path: Path, wrong: str, sound: str, old: str, new: str,
) -> None:
    """The table accuses the dwell that the suspects line names and clears its neighbour.

    Even where the dwell is off by less than the tolerance, or a clock factor would fit as well.
    """
    found, divergence = blinking(tmp_path, swapped(BLINKER, old, new))
    assert divergence is not None
    assert divergence.timing is not None
    assert divergence.timing.key == wrong
    assert found[wrong].finding == "contradicts"
    assert found[wrong].middle_ns == pytest.approx(int(new.split('"')[1][:-3]) * MS, abs=1000)
    assert found[sound].finding == "consistent"
    assert found[sound].middle_ns == found[sound].written_ns


def test_dwells_that_ran_in_a_fold_are_measured_each_as_often_as_its_light_has_edges(
    tmp_path: Path,
) -> None:
    """150 periods of a blinker as written; two outputs that move in one instant count once."""
    found, divergence = blinking(tmp_path, BLINKER)
    assert divergence is None
    assert {key: (one.finding, one.middle_ns, one.count) for key, one in found.items()
            } == {
        "buttons.flash.debounce": ("consistent", 5.0 * MS, 1),
        LIT: ("consistent", 600.0 * MS, 151),
        GAP: ("consistent", 400.0 * MS, 150),
    }


def test_an_answer_before_its_press_is_not_consistent(tmp_path: Path) -> None:
    """The light comes 6.4 ms before the press that is said to light it: no debounce is negative."""
    written = gadget(BLINKER, tmp_path)
    observed = recorded(tmp_path, BLINKER, BLINKING, written)
    early = {name: Track(track.start, [track.times_ns[0] - 11_400_000], [1.0])
             for name, track in observed.outputs.items()}
    observed = replace(observed, outputs=early, end_ns=5_500_000_000)
    model = Model(written, observed)
    replayed = replay(observed, written, model=model)
    assert replayed.agrees
    (debounce,) = [one for one in timing_report(replayed, written, model).timings
                   if one.key == "buttons.flash.debounce"]
    assert debounce.middle_ns == pytest.approx(-6.4 * MS)
    assert debounce.finding == "contradicts"


def test_timings_with_nothing_seen_between_them_are_told_together(tmp_path: Path) -> None:
    """Two dark dwells in a row: which of them is wrong is not told, only that one of them is."""
    text = swapped(BLINKER, '{ after = "400 ms", from = "gap", to = "lit" }',
                   '{ after = "250 ms", from = "gap", to = "wait" },\n'
                   '  { after = "150 ms", from = "wait", to = "lit" }')
    text = swapped(text, "states.gap = {}", "states.gap = {}\nstates.wait = {}")
    found, _ = blinking(tmp_path, swapped(text, "150 ms", "250 ms"), text)
    gap, wait = found["behaviour.lamp.rows[2].after"], found["behaviour.lamp.rows[3].after"]
    assert (gap.finding, gap.beside) == ("doubtful", (wait.key,))
    assert (wait.finding, wait.beside) == ("doubtful", (gap.key,))
    assert wait.middle_ns == pytest.approx(250.0 * MS)
    assert found[LIT].finding == "consistent"
    assert finding_text(wait) == f"doubtful: this or {gap.key} is wrong"
    found, _ = blinking(tmp_path, text, text)
    assert finding_text(found[wait.key]) == f"consistent, if {gap.key} is as written"


def test_edges_that_no_timing_explains_accuse_none(tmp_path: Path) -> None:
    """The lamp really goes out with the second press; the dwell that ends later is sound."""
    text = swapped(BLINKER, '  { on = "flash.press", from = ["lit", "gap"], to = "dark" },\n', "")
    text = swapped(text, 'after = "600 ms"', 'after = "60 s"')
    session = swapped(BLINKING, "}]", '}, { at = "20 s", press = "flash", for = "100 ms" }]')
    real = swapped(text, "rows = [", 'rows = [{ on = "flash.press", from = "lit", to = "dark" },')
    found, divergence = blinking(tmp_path, real, text, session)
    assert divergence is not None
    assert divergence.timing is None
    assert found[LIT].finding == "not measured"


def test_an_emitter_measures_its_looks(tmp_path: Path) -> None:
    """Start to start of looks, as the hint for the bench promises: 100 ms written, 110 ms seen."""
    written = gadget(BUZZER, tmp_path)
    (tmp_path / "looks.csv").write_text("time_us,ir\n" + "".join(
        f"{number * 110_000 + at},{level}\n" for number in range(60)
        for at, level in ((1000, 1), (1526, 0))) + "6700000,0\n")
    (tmp_path / "map.toml").write_text('[wires.ir]\noutput = "hand.emitter"\n')
    observed = observe(open_recording(tmp_path / "looks.csv"), read_map(tmp_path / "map.toml"),
                       written)
    model = Model(written, observed)
    replayed = replay(observed, written, Options(factor=1.0), model)
    looks = {one.key: one for one in timing_report(replayed, written, model).timings}[
        "proximity.hand.every"]
    assert looks.middle_ns == pytest.approx(110.0 * MS, rel=1e-4)
    assert looks.finding == "contradicts"
    assert looks.count > 50


@pytest.mark.parametrize("path", ["larder-lamp/last-bar", "cellar-steps/getting-low",
                                  "key-hook/each-in-turn"])
def test_what_an_instant_rests_on_is_the_same_folded_and_not(path: str) -> None:
    """Every instant inside a fold tells the counts that a run instant by instant tells."""
    plan = load_scenario(SCENARIOS / f"{path}.toml")
    plan = replace(plan, lasts_ns=min(plan.lasts_ns, 900 * 10**9))
    assert plan.gadget is not None
    prepared = Prepared(plan.gadget)
    folded, plain = traced(prepared, plan), traced(prepared, plan, fold=False)
    assert len(folded.causes) < len(plain.causes)
    assert folded.fired == plain.fired
    for time, cause in plain.causes.items():
        for number, origin in cause.origins.items():
            assert folded.origin(time, [number]) == origin
        told = folded.cause(time)
        assert told is not None
        assert set(told.fired) == set(cause.fired)


def test_a_time_shorter_than_the_recorder_tells_apart_is_none(tmp_path: Path) -> None:
    """The light comes with its press: in a recording of a tick of 1 ns that is 0 ms, and no part
    of a nanosecond that the clock's factor leaves over.
    """
    written = gadget(BLINKER, tmp_path)
    observed = recorded(tmp_path, BLINKER, BLINKING, written)
    assert observed.recording.resolution_s * 10**9 == 1
    soon = {name: Track(track.start, [track.times_ns[0] - 5 * MS + 0.292], [1.0])
            for name, track in observed.outputs.items()}
    observed = replace(observed, outputs=soon, end_ns=5_500_000_000)
    model = Model(written, observed)
    replayed = replay(observed, written, model=model)
    assert replayed.agrees
    (debounce,) = [one for one in timing_report(replayed, written, model).timings
                   if one.key == "buttons.flash.debounce"]
    assert (debounce.low_ns, debounce.middle_ns, debounce.high_ns) == (0.0, 0.0, 0.0)
    assert measured_text(debounce) == "0 ms (0 ms .. 0 ms)"
