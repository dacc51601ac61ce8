"""What to look at next: bits, effort, handlings that tell rivals apart, what cannot be told."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest

from simfw.benchlog.experiments import bits_of, next_experiments
from simfw.benchlog.narrowing import narrow
from simfw.benchlog.side_by_side import shown_after, told_apart
from simfw.cli import main
from simfw.engine.prepared import Prepared
from simfw.loading import load_bench_log, load_scenario
from tests.benchlog.lantern import log_of
from tests.benchlog.play import play

RIVALS = """
kit = ["eyes", "stopwatch"]
[[questions]]
name = "a second press"
[[questions.answers]]
name = "switches off"
[[questions.answers]]
name = "does nothing"
change = { "behaviour.lamp.rows[1].to" = "same" }
[[questions]]
name = "samples"
[[questions.answers]]
name = "each second"
[[questions.answers]]
name = "each two seconds"
change = { "gauge.every" = "2 s" }
[[observations]]
name = "lights"
steps = [{ press = "key" }, { wait = "1 s" }, { see = "lamp.lit" }]
"""


def test_bits_are_those_of_hand_made_outcomes():
    """Two words: 1 bit; two readings apart: 1 bit; readings that overlap: none."""
    assert bits_of([["on"], ["off"]], 0.0) == pytest.approx(1.0)
    assert bits_of([[1.0], [2.0]], 0.1) == pytest.approx(1.0, abs=0.02)
    assert bits_of([[1.0], [1.0]], 0.1) == pytest.approx(0.0, abs=0.02)
    # One explanation spread over eight times what the meter blurs: a bit less than 3 bits.
    assert 2.5 < bits_of([[0.0, 1.6]], 0.1) < math.log2(9) + 0.01


def test_the_cheapest_handling_that_tells_two_gadgets_apart_is_found(tmp_path: Path):
    """Press, press: lit or dark, in a few seconds; and both gadgets show what was told."""
    log = log_of(tmp_path, RIVALS)
    one, other = (Prepared(log.gadgets[c]) for c in ((0, 0), (1, 0)))
    told, tried = told_apart(one, other)
    assert told is not None
    assert [kind for kind, _, _ in told.handling.actions] == ["press", "press"]
    assert told.lasts_ns <= 4 * 10**9
    assert tried > 0
    assert shown_after(one, told.handling) == told.first == "dark"
    assert shown_after(other, told.handling) == told.second == "lamp"


def test_a_dwell_is_waited_for_past_the_error_of_the_clock(tmp_path: Path):
    """An automatic off after 10 min or never: press, and look a tenth and a second later."""
    rows = """change = { "behaviour.lamp.rows" = [
  { on = "key.click", from = "dark", to = "lit" },
  { on = "key.click", from = "lit", to = "dark" },
  { after = "10 min", from = "lit", to = "dark" },
] }"""
    log = log_of(tmp_path, f"""
[[questions]]
name = "off"
[[questions.answers]]
name = "never"
[[questions.answers]]
name = "after 10 min"
{rows}
[[observations]]
name = "lights"
steps = [{{ press = "key" }}, {{ wait = "1 s" }}, {{ see = "lamp.lit" }}]
""")
    one, other = (Prepared(gadget) for gadget in log.gadgets.values())
    told, _ = told_apart(one, other)
    assert told is not None
    assert [kind for kind, _, _ in told.handling.actions] == ["press", "wait"]
    assert 660 < told.lasts_ns * 1e-9 < 664
    assert told_apart(one, other, most_s=60.0)[0] is None
    assert told_apart(one, one)[0] is None


GESTURES = """
[gadget]
name = "Two keys"
[cell]
curve = "lco"
capacity = "400 mAh"
[loads]
lamp = {{ current = "20 mA" }}
[buttons.key]
double = "350 ms"
clicks = 3
second_hold = "600 ms"
[buttons.other]
[chords]
both = {{ buttons = ["key", "other"] }}
[behaviour.lamp]
starts = "dark"
states.dark = {{}}
states.lit = {{ lamp = "on" }}
rows = [{{ on = "{event}", from = "dark", to = "lit" }}]
"""
GESTURES_LOG = """
title = "Two keys"
gadget = "gadget.toml"
[[questions]]
name = "lights"
[[questions.answers]]
name = "yes"
[[questions.answers]]
name = "no"
change = {{ "behaviour.lamp.rows[0].to" = "same" }}
[[observations]]
name = "seen"
steps = [{steps}{{ see = "lamp.dark" }}]
"""


@pytest.mark.parametrize(("event", "words"), [
    ("both.chord", "press key and other together"),
    ("key.clicks3", "press key three times, quickly"),
    ("key.double", "press key twice, quickly"),
    ("key.second_hold", "press key briefly, then at once again and hold it for 960 ms"),
])
def test_every_gesture_that_a_row_hears_is_tried(event: str, words: str, tmp_path: Path):
    """Two gadgets that only this gesture tells apart; written into the log as hands did it, with
    a dark lamp seen, it excludes the one that lights.
    """
    gadget = tmp_path / "gadget.toml"
    gadget.write_text(GESTURES.format(event=event), encoding="utf-8")
    log = tmp_path / "log.toml"
    log.write_text(GESTURES_LOG.format(steps=""), encoding="utf-8")
    one, other = (Prepared(one) for one in load_bench_log(log).gadgets.values())
    told, _ = told_apart(one, other)
    assert told is not None
    assert told.handling.words == words
    assert shown_after(one, told.handling) == told.first == "lamp"
    log.write_text(GESTURES_LOG.format(steps=", ".join([*told.handling.lines, ""])),
                   encoding="utf-8")
    found = narrow(load_bench_log(log), brief=True)
    assert [rival.state for rival in found.rivals] == ["excluded", "fits"]


def test_next_ranks_by_bits_per_minute_and_tells_what_it_cannot(tmp_path: Path):
    """A handling of seconds comes first; how often a gauge samples shows nowhere."""
    found = next_experiments(narrow(log_of(tmp_path, RIVALS), brief=True))
    first = found.experiments[0]
    assert first.kind == "handling"
    assert first.hands.endswith("What is on?")  # it may be no light
    assert first.bits == pytest.approx(1.0)
    assert [one.worth for one in found.experiments] == sorted(
        (one.worth for one in found.experiments), reverse=True)
    assert {frozenset([one.first, one.second]) for one in found.not_tellable} == {
        frozenset([(0, 0), (0, 1)]), frozenset([(1, 0), (1, 1)])}


def test_a_meter_is_proposed_only_where_one_lies_on_the_bench(tmp_path: Path, capsys):
    """With a meter the lamp's current tells; with eyes alone a run-down does."""
    text = """
kit = ["eyes", "stopwatch"]
[unknown]
"loads.lamp.current" = "30 mA .. 120 mA"
[[observations]]
name = "some light"
mode = "lamp.lit"
reading = "40 mA .. 110 mA"
"""
    path = log_of(tmp_path, text).file
    assert main(["next", path, "--json", "--kit", "multimeter"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert [one["name"] for one in told["experiments"]] == ["meter, lamp.lit"]
    (prediction,) = told["experiments"][0]["predictions"]
    assert prediction["low"] == pytest.approx(0.040, rel=0.02)
    assert prediction["high"] == pytest.approx(0.110, rel=0.02)
    with pytest.raises(SystemExit) as left:
        main(["next", path, "--kit", "multimetre"])
    assert left.value.code == 2
    assert 'Did you mean "multimeter"?' in capsys.readouterr().err


def test_what_experiments_take_and_tell_is_drawn(tmp_path: Path, capsys):
    """Each by its number, and what the explanations predict of the first; also where none is."""
    path = log_of(tmp_path, RIVALS).file
    assert main(["next", path, "--plot", str(tmp_path / "next.svg")]) == 0
    drawn = (tmp_path / "next.svg").read_text(encoding="utf-8")
    for text in ("time at the bench (min)", "1: press key, press key", "dark", "lamp",
                 "a second press: does nothing"):
        assert text in drawn, text
    assert main(["next", path, "--kit", "oscilloscope", "--plot", str(tmp_path / "none.svg")]) == 0
    assert "tells anything" in (tmp_path / "none.svg").read_text(encoding="utf-8")
    assert main(["next", path, "--plot", str(tmp_path / "next.bmp")]) == 2
    capsys.readouterr()


def test_a_simulated_bench_plays_to_the_end(tmp_path: Path):
    """A true gadget, noisy hands, a clock that is off: the truth is what is left."""
    played = play(tmp_path, 2, ["brightness", "status"])
    assert played.wrong == []
    assert played.left == 1
    assert len(played.done) == 2


def test_lists_for_hands_are_written_and_load(tmp_path: Path, capsys):
    """The scenario of a handling runs on the gadget of the log."""
    path = log_of(tmp_path, RIVALS).file
    assert main(["next", path, "--write", str(tmp_path / "next")]) == 0
    printed = " ".join(capsys.readouterr().out.split())
    assert "press key, press key" in printed
    assert "With the cell about 80 % full: press key" in printed  # what to do first, in words
    scenario = load_scenario(tmp_path / "next" / "1-handling.toml")
    assert len(scenario.steps) == 2
    text = (tmp_path / "next" / "list.md").read_text(encoding="utf-8")
    assert '{ press = "key" }, { wait = "1500 ms" }' in text
    entry = text[text.index("[[observations]]"):].split("```")[0].replace(
        'see = "..."', 'see = "lamp.dark"')
    (tmp_path / "more.toml").write_text(
        Path(path).read_text(encoding="utf-8") + "\n" + entry, encoding="utf-8")
    more = narrow(load_bench_log(tmp_path / "more.toml"), brief=True)
    assert {one.combination[0] for one in more.possible} == {0}
