"""Looks that combinations of answers share: only what is sure, and it changes nothing."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from simfw.benchlog import narrowing
from simfw.benchlog.lending import Lent, apart, shares
from simfw.benchlog.model import BenchLog, PinSeen
from simfw.benchlog.search import Rival
from simfw.loading import load_bench_log
from simfw.report.bench_log import narrowed_text
from tests.benchlog.lantern import FINISH, log_of, write_lantern

LOG = """gadget = "gadget.toml"
[unknown]
"cell.capacity" = "400 mAh .. 700 mAh"
"loads.lamp.current" = "40 mA .. 90 mA"
[[questions]]
name = "dim"
[[questions.answers]]
name = "half"
[[questions.answers]]
name = "less"
change = { 'behaviour.lamp.states.dim.lamp' = "30 %" }
""" + FINISH + """
[[observations]]
name = "lit"
start = "full"
steps = [{ press = "key" }, { until = "gauge == 2", took = "2 h 30 min ± 15 min" }]
[[observations]]
name = "dimmed"
start = "full"
steps = [
  { press = "key" }, { wait = "1 s" }, { press = "key" },
  { until = "gauge == 2", took = "5 h ± 30 min" },
]
[[observations]]
name = "charge"
start = "10 %"
steps = [{ usb = true }, { until = "charge.complete", took = "2 h 25 min ± 20 min" }]
[[observations]]
name = "meter"
mode = "lamp.lit"
charge = "75 % .. 85 %"
reading = "60 mA ± 6 mA"
"""


@pytest.fixture
def log(tmp_path: Path) -> BenchLog:
    """A lantern that a second press makes dim."""
    path = write_lantern(tmp_path, resistance="200 mΩ")
    text = path.read_text("utf-8").replace(
        'states.lit = { lamp = "on" }\n', 'states.lit = { lamp = "on" }\n'
        'states.dim = { lamp = "50 %" }\n').replace(
        'from = "lit", to = "dark" },', 'from = "lit", to = "dim" },\n'
        '  { on = "key.click", from = "dim", to = "dark" },')
    path.write_text(text, "utf-8")
    (tmp_path / "log.toml").write_text(LOG, "utf-8")
    return load_bench_log(tmp_path / "log.toml")


def test_combinations_share_what_their_answers_cannot_touch(log: BenchLog) -> None:
    """How the charger ends without USB; what a state drives where it may not be met."""
    dim = frozenset({("lamp", "dim")})
    none: frozenset[tuple[str, str]] = frozenset()
    both = {(0, 0): none, (0, 1): none, (1, 0): dim, (1, 1): dim}
    assert list(shares(log)) == [
        (0, both), (1, both),
        (2, {(0, 0): none, (1, 0): dim}), (2, {(0, 1): none, (1, 1): dim}),
        (3, {(0, 0): none, (0, 1): none}), (3, {(1, 0): none, (1, 1): none}),
    ]


def test_whatever_else_differs_is_shared_by_none(log: BenchLog, tmp_path: Path) -> None:
    """A time, a row, a threshold, a state that keeps awake, a pin that is looked at."""
    one, seen = log.gadgets[0, 0], log.observations[0]
    assert apart(one, one, seen) == frozenset()
    for change in (
        '"gauge.every" = "2 s"', '"buttons.key.debounce" = "30 ms"', '"cell.leakage" = "50 uA"',
        '"gauge.thresholds" = ["3.2 V", "3.6 V", "3.9 V"]',
        '"charger.status" = "high while charging"',
        '"behaviour.lamp.states.lit" = { lamp = "on", controller = "awake" }',
        '"behaviour.lamp.rows" = [{ on = "key.press", from = "dark", to = "lit" }]',
    ):
        other = log_of(tmp_path, f"[[questions]]\nname = 'q'\nanswers = [{{ name = 'a' }}, "
                       f"{{ name = 'b', change = {{ {change} }} }}]\n[[observations]]\nname = 'x'\n"
                       "steps = [{ press = 'key' }, { wait = '1 s' }, { see = 'lamp.lit' }]\n")
        assert apart(other.gadgets[0,], other.gadgets[1,], other.observations[0]) is None, change
        assert not list(shares(other))
    ended = log.gadgets[0, 1]
    assert apart(one, ended, seen) == frozenset()
    assert apart(one, ended, log.observations[2]) is None
    pin = replace(seen, steps=(*seen.steps, PinSeen(reads="high")))
    assert apart(one, ended, pin) is None


def test_what_is_lent_is_what_the_other_would_see(log: BenchLog) -> None:
    """To the last digit, without a run; what met the state that differs is looked at anew."""
    for number, group in shares(log):
        first, *_, last = group
        looks = Rival(log, first, seed=0, most=0).lend(number)
        lent = Rival(log, last, seed=0, most=0,
                     lent={number: Lent(group[last], looks)})
        known = lent.lend(number)
        alone = Rival(log, last, seed=0, most=0)
        assert alone.lend(number).keys() == looks.keys()
        assert lent.sights[number].known == alone.sights[number].known
        if log.observations[number].name == "dimmed" and group[last]:
            assert len(known) == len(looks)
        else:
            assert not known
            assert lent.runs == 1  # the rehearsal


def test_sharing_saves_runs_and_changes_nothing_that_is_told(
    log: BenchLog, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Held against the same log in which each combination looks for itself."""
    log = replace(log, observations=log.observations[:2],
                  gadgets={one: log.gadgets[one] for one in ((0, 0), (1, 0))})
    shared = narrowing.narrow(log, brief=True)
    monkeypatch.setattr(narrowing, "shares", lambda _log: iter(()))
    alone = narrowing.narrow(log, brief=True)
    assert shared.runs <= alone.runs - 20
    one, other = (narrowed_text(replace(found, runs=0)) for found in (shared, alone))
    assert one == other
