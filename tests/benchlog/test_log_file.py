"""Reading a bench log: what it may say, and all its mistakes together."""

from __future__ import annotations

from pathlib import Path

import pytest

from simfw.benchlog.model import Do, Until, Wait
from simfw.errors import DescriptionError
from simfw.loading import load_bench_log
from tests.benchlog.lantern import log_of


def problems(folder: Path, text: str, **values: str) -> str:
    """What is told of a log with mistakes."""
    with pytest.raises(DescriptionError) as caught:
        log_of(folder, text, **values)
    return str(caught.value)


def test_ranges_times_and_answers_are_read(tmp_path: Path):
    """Hand, tolerance and how often one looked widen a time; a month is 30.4375 days."""
    log = log_of(tmp_path, """
kit = ["eyes", "bench supply"]
[unknown]
"cell.capacity" = "400 mAh .. 700 mAh"
clock = "± 10 %"
[[questions]]
name = "finish"
[[questions.answers]]
name = "a tenth"
[[questions.answers]]
name = "a quarter"
change = { charger.finish = "25 %" }
[[observations]]
name = "shelf"
steps = [
  { wait = "2 months ± 1 week" }, { press = "key" },
  { until = "gauge == 2", took = "50 min ± 5 min", looked = "5 min" }, { see = "lamp.lit" },
]
""")
    assert [(one.low, one.high) for one in log.unknowns] == [(1440.0, 2520.0), (0.9, 1.1)]
    assert [log.answers(c)["finish"] for c in log.combinations] == ["a tenth", "a quarter"]
    finishes = [one.charger.finish.value for one in log.gadgets.values()]
    assert finishes == [0.1, 0.25]
    wait, do, until = log.observations[0].steps[:3]
    assert isinstance(wait, Wait)
    assert wait.low_ns == round((60.875 - 7) * 86_400) * 10**9
    assert isinstance(do, Do)
    assert do.loose
    assert isinstance(until, Until)
    # 0.3 s of the hand and 0.1 s of a press of which nobody says how long it was.
    assert until.low_ns == round((40 * 60 - 0.4) * 1e9)
    assert until.high_ns == round((55 * 60 + 0.4) * 1e9)
    assert log.observations[0].local == ("wait 0",)


def test_a_guess_with_a_range_is_an_unknown_too(tmp_path: Path):
    """What the gadget file marks as a guess counts, and the range of the log comes first."""
    from simfw.loading import load_bench_log

    log_of(tmp_path, """
[[observations]]
name = "meter"
mode = "lamp.lit"
reading = "62 mA ± 1 mA"
""")
    path = tmp_path / "gadget.toml"
    path.write_text(path.read_text(encoding="utf-8").replace(
        'leakage = "40 uA"',
        'leakage = { value = "40 uA", range = "5 uA .. 60 uA", standing = "guess" }'),
        encoding="utf-8")
    (one,) = load_bench_log(tmp_path / "log.toml").unknowns
    assert (one.key, one.guess, one.low, one.high) == ("cell.leakage", True, 5e-6, 60e-6)


def test_all_mistakes_are_told_together_with_the_nearest_names(tmp_path: Path):
    """Figures, states, kinds, tolerances, answers: each with its place."""
    said = problems(tmp_path, """
[unknown]
"cell.capacty" = "400 mAh .. 700 mAh"
"cell.leakage" = "5 uA"
clock = "a bit"
[[questions]]
name = "finish"
[[questions.answers]]
name = "odd"
change = { "charger.finnish" = "25 %" }
[[observations]]
name = "shelf"
start = "ful"
steps = [{ wait = "1 day" }, { see = "gauge == 7" }, { see = "lamp.litt" }]
[[observations]]
name = "shelf"
mode = "lamp.litt"
reading = "62 mA"
[[observations]]
name = "nothing"
[[observations]]
name = "both"
steps = [{ usb = true }, { until = "charge.complete" }]
pin = "charger.status"
""")
    for part in (
        'unknown."cell.capacty"', 'Did you mean "cell.capacity"?', "this is one value and not a",
        "finnish", 'Did you mean "full"?', 'Did you mean "lit"?', "this name is taken",
        "a reading needs its tolerance", "nothing was observed", 'the key "took" is missing',
        'the key "reads" is missing',
    ):
        assert part in said, part
    assert "log.toml" in said


def test_a_change_of_a_section_that_is_none_is_a_mistake_of_the_log(tmp_path: Path):
    """It stands in the log, under its answer, and not in the gadget file."""
    said = problems(tmp_path, """
[[questions]]
name = "pin"
[[questions.answers]]
name = "low"
[[questions.answers]]
name = "high"
change = { "mode.on" = "1" }
""")
    assert "gadget.toml" not in said
    assert "questions[0].answers[1].change" in said
    assert "unknown section" in said


def test_an_observation_of_a_gadget_without_a_charger_is_refused(tmp_path: Path):
    """Other answers may name other gadget files; each has to have what was seen."""
    log_of(tmp_path, '[[observations]]\nname = "x"\nmode = "lamp.lit"\nreading = "1 mA .. 2 mA"\n')
    text = (tmp_path / "gadget.toml").read_text(encoding="utf-8")
    start, rest = text.split("[charger]")
    (tmp_path / "bare.toml").write_text(start + rest[rest.index("[controller]"):],
                                        encoding="utf-8")
    said = problems(tmp_path, """
[[questions]]
name = "board"
[[questions.answers]]
name = "as drawn"
[[questions.answers]]
name = "without a charger"
file = "bare.toml"
[[observations]]
name = "charge"
steps = [{ usb = true }, { until = "charge.complete", took = "2 h ± 10 min" }]
[[observations]]
name = "pin"
steps = [{ usb = true }]
pin = "charger.status"
reads = "low"
""")
    assert "the gadget has no charger" in said


def test_a_scenario_is_no_bench_log_and_the_other_way(tmp_path: Path):
    """Each file is told from the other kinds."""
    from simfw.loading import load_bench_log, load_scenario

    log_of(tmp_path, '[[observations]]\nname = "x"\nmode = "lamp.lit"\nreading = "1 mA .. 2 mA"\n')
    with pytest.raises(DescriptionError, match="this is a bench log file; expected a scenario"):
        load_scenario(tmp_path / "log.toml")
    with pytest.raises(DescriptionError, match="this is a gadget file; expected a bench log"):
        load_bench_log(tmp_path / "gadget.toml")


SAME = """
[[questions]]
name = "lamp"
[[questions.answers]]
name = "as written"
[[questions.answers]]
name = "said again"
change = { "loads.lamp.current" = "LAMP" }
[[questions.answers]]
name = "more"
change = { "loads.lamp.current" = "77 mA" }
[[observations]]
name = "meter"
mode = "lamp.lit"
reading = "60 mA ± 6 mA"
"""


def test_an_answer_that_changes_nothing_is_told(tmp_path: Path):
    """Else two explanations would be one, and stand side by side as if they told anything."""
    log = log_of(tmp_path, SAME.replace("LAMP", "66 mA"))
    current = next(iter(log.gadgets.values())).loads["lamp"].current
    assert current is not None
    told = problems(tmp_path, SAME.replace("LAMP", current.text))
    assert ('questions[0].answers[1]: with it the gadget is the same as with "as written". '
            "Allowed: answers of which each makes another gadget.") in told
    assert told.count("the gadget is the same") == 1


def test_a_reading_at_usb_without_a_charger_blames_the_node(tmp_path: Path):
    """The mode is there; that nothing takes anything from USB is told at the key that asks."""
    text = SAME.replace("LAMP", "66 mA").replace('mode = "lamp.lit"',
                                                 'mode = "lamp.lit"\nnode = "usb"')
    log_of(tmp_path, text)
    gadget = tmp_path / "gadget.toml"
    written = gadget.read_text("utf-8")
    start = written.index("[charger]")
    gadget.write_text(written[:start] + written[written.index("\n[", start) + 1:], "utf-8")
    (tmp_path / "plain.toml").write_text('gadget = "gadget.toml"\n' + text, "utf-8")
    with pytest.raises(DescriptionError) as caught:
        load_bench_log(tmp_path / "plain.toml")
    (one,) = caught.value.problems
    assert (one.key, one.text) == ("observations[0].node", "the gadget has no charger")


def test_a_figure_with_two_mistakes_tells_both(tmp_path: Path):
    """Its range and its standing; a value and its source where it stands in the gadget file."""
    told = problems(tmp_path, SAME.replace('"LAMP"', (
        '{ value = "66 mA", range = "1 .. 2", standing = "gess" }')))
    assert "loads.lamp.current.range = " in told
    assert "loads.lamp.current.standing = " in told
    assert 'Did you mean "guess"?' in told
