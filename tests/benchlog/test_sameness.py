"""Explanations that are equal are proved to be, and what can be told apart never is."""

from __future__ import annotations

from pathlib import Path

import pytest

from simfw.benchlog.experiments import next_experiments
from simfw.benchlog.narrowing import narrow
from simfw.benchlog.side_by_side import told_apart
from simfw.cli import main
from simfw.engine.prepared import Prepared
from simfw.loading import load_bench_log
from simfw.report.sameness import proved_same
from tests.benchlog.lantern import log_of
from tests.dials.made import gadget

LIT = '{ on = "key.click", from = "dark", to = "lit" }'
DARK = '{ on = "key.click", from = "lit", to = "dark" }'
SPARE = ('"behaviour.lamp.states" = { dark = {}, lit = { lamp = "on" }, '
         'spare = { lamp = "on" } }')


def rows(*more: str) -> str:
    """The rows of the lantern and more of them."""
    return f'"behaviour.lamp.rows" = [ {", ".join([LIT, DARK, *more])} ]'


EQUAL = {
    "a row that changes nothing": rows('{ after = "1 s", from = "dark", to = "same" }'),
    "a state that is never entered": SPARE,
    "another state that does the same": SPARE + ', ' + (
        '"behaviour.lamp.rows" = [ { on = "key.click", from = "dark", to = "spare" }, '
        '{ on = "key.click", from = "spare", to = "dark" } ]'),
    "another name": '"gadget.name" = "Brass lantern"',
}
OTHER = {
    "an automatic off": rows('{ after = "45 min", from = "lit", to = "dark" }'),
    "a press that does nothing": '"behaviour.lamp.rows[1].to" = "same"',
    "a slower button": '"buttons.key.debounce" = "30 ms"',
    "a state that keeps awake":
        '"behaviour.lamp.states" = { dark = { controller = "awake" }, lit = { lamp = "on" } }',
    "other currents": '"controller.asleep" = "1 uA"',
}


def asked(folder: Path, change: str, **values: str):
    """A bench log with one question: the lantern, or with a change."""
    return log_of(folder, f"""
kit = ["eyes", "stopwatch", "multimeter"]
[[questions]]
name = "rows"
[[questions.answers]]
name = "as they are"
[[questions.answers]]
name = "otherwise"
change = {{ {change} }}
[[observations]]
name = "lights"
mode = "lamp.dark"
reading = "below 100 mA"
""", **values)


@pytest.mark.parametrize("what", EQUAL)
def test_equal_explanations_are_proved_equal(tmp_path: Path, what: str):
    """Nothing is told apart, and no experiment predicts anything else."""
    log = asked(tmp_path, EQUAL[what])
    one, other = log.gadgets.values()
    assert proved_same(one, other) == proved_same(other, one) == "all"
    found = next_experiments(narrow(log, brief=True), same=proved_same)
    assert found.experiments == ()
    assert [pair.proof for pair in found.not_tellable] == ["all"]


@pytest.mark.parametrize("what", OTHER)
def test_what_differs_is_never_proved_equal(tmp_path: Path, what: str):
    """Not even where eyes see nothing of it; and what a handling shows is told apart."""
    one, other = asked(tmp_path, OTHER[what], awake="1 mA").gadgets.values()
    proof = proved_same(one, other)
    assert proof == ("rows" if what == "a state that keeps awake" else None)
    if proof is None and what.startswith(("an automatic", "a press")):
        assert told_apart(Prepared(one), Prepared(other))[0] is not None


def test_a_wake_that_costs_something_leaves_the_current_open(tmp_path: Path):
    """A row that fires each second is a wake each second: a meter may tell."""
    idle = EQUAL["a row that changes nothing"]
    one, other = asked(tmp_path, idle).gadgets.values()
    wakes = {"controller": one.controller.model_copy(update={"wake": one.cell.capacity})}
    assert proved_same(one, other) == "all"
    assert proved_same(one.model_copy(update=wakes), other.model_copy(update=wakes)) == "rows"


def test_next_says_what_is_proved_and_what_was_only_tried(tmp_path: Path, capsys):
    """Proved equal, proved alike but for the current, or not told by so many experiments."""
    for change, said in (
        (EQUAL["another name"], "proved equal: nothing that can be done shows a difference"),
        ('"gauge.every" = "2 s"', "proved: they light and drive the same"),
        ('"buttons.key.debounce" = "30 ms"', "not told apart by"),
    ):
        path = asked(tmp_path, change).file
        assert main(["next", path, "--kit", "eyes"]) == 0
        told = " ".join(capsys.readouterr().out.split())
        assert said in told
        assert ("proved" in said) == (": proved" in told)


def test_nothing_is_proved_for_times_that_are_not_known(tmp_path: Path):
    """A proof is for the times of the file; a clock's factor keeps them in their ratios."""
    log = asked(tmp_path, EQUAL["another name"])
    for key, span, proof in (("buttons.key.debounce", '"10 ms .. 30 ms"', None),
                             ("clock", '"± 10 %"', "all")):
        text = Path(log.file).read_text(encoding="utf-8")
        path = tmp_path / f"{key}.toml"
        unknown = f'[unknown]\n"{key}" = {span}\n[[questions]]'
        path.write_text(text.replace("[[questions]]", unknown), encoding="utf-8")
        found = next_experiments(narrow(load_bench_log(path), brief=True), same=proved_same)
        assert [pair.proof for pair in found.not_tellable] == [proof]


BLINKER = """
[gadget]
name = "Tell-tale"
[cell]
curve = "lco"
capacity = "100 mAh"
[loads.glow]
current = "10 mA"
[lights.bars]
leds = 2
segments = true
forward = ["1.9 V @ 2 mA", "2.05 V @ 10 mA"]
resistor = "1k"
[buttons.key]
debounce = "5 ms"
[gauge]
light = "bars"
thresholds = ["3.5 V", "3.8 V"]
every = "1 s"
show = "eye.open"
[behaviour.eye]
starts = "shut"
states.shut = {}
states.open = {}
rows = [
  { on = "key.press", from = "shut", to = "open" },
  { on = "key.release", from = "open", to = "shut" },
]
[behaviour.lamp]
starts = "dark"
states.dark = {}
states.lit = { glow = "on" }
rows = [
  { on = "key.click", from = "dark", to = "lit", when = "gauge >= 1" },
  { after = "10 s", from = "lit", to = "dark" },
]
"""


@pytest.mark.parametrize("other_way", [False, True])
def test_a_light_that_only_the_other_explanation_reads_is_followed_to_its_show(other_way: bool):
    """Bars that are lit are bars that are counted only where they are shown."""
    pair = [gadget(BLINKER.replace("gauge >= 1", when), "") for when in ("gauge >= 1", "bars > 0")]
    one, other = reversed(pair) if other_way else pair
    assert proved_same(one, other) is None
