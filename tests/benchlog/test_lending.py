"""Looks that combinations of answers share: only what is sure, and it changes nothing."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

from simfw.benchlog import narrowing
from simfw.benchlog.lending import Lent, apart, shares
from simfw.benchlog.model import BenchLog, PinSeen
from simfw.benchlog.search import Rival
from simfw.loading import load_bench_log
from simfw.report.bench_log import narrowed_json, narrowed_text
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
        '"controller.pull_up" = "35k"',
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


WAITER = """
[gadget]
name = "Waiter"
[cell]
curve = "lco"
capacity = "300 mAh"
cut_off = "3.1 V"
[charger]
current = "200 mA"
float = "4.2 V"
finish = "10 %"
status = "low while charging"
[controller]
awake = "1 mA"
asleep = "5 uA"
PULL
[loads.lamp]
current = "20 mA"
[buttons.key]
[proximity.hand]
every = "100 ms"
settle = "1 ms"
agree = 3
clear = "400 ms"
carrier = "40 kHz"
duty = "25 %"
burst = 20
receiver = { supply = "0.5 mA", threshold = "1 mW/m2" }
target = { reflectance = "50 %", area = "60 cm2" }
[proximity.hand.emitter]
forward = ["1.3 V @ 50 mA", "1.2 V @ 10 mA"]
resistor = "33R"
intensity = "30 mW/sr @ 50 mA"
half_angle = "20 deg"
switch = { kind = "nmos", on_resistance = "2R" }
[behaviour.lamp]
starts = "dark"
states.dark = {}
states.lit = { lamp = "on" }
states.late = {}
rows = [
  { on = "hand.near", from = "dark", to = "lit" },
  { on = "hand.far", from = "lit", to = "dark" },
  { after = "5 s", from = "lit", to = "late" },
  { on = "key.click", from = "dark", to = "late" },
  { after = "2 s", from = "late", to = "dark" },
]
"""
WAITED = """gadget = "waiter.toml"
[unknown]
"cell.capacity" = "250 mAh .. 350 mAh"
clock = "± 5 %"
[[questions]]
name = "other"
[[questions.answers]]
name = "a"
[[questions.answers]]
name = "b"
change = { CHANGE }
[[observations]]
name = "key"
steps = [{ press = "key" }, { until = "lamp.dark", took = "2.1 s ± 0.5 s" }]
[[observations]]
name = "hand"
steps = [
  { wave = "hand", distance = "6 cm", for = "2 s" },
  { until = "lamp.lit", took = "0.3 s ± 0.2 s" },
]
[[observations]]
name = "charge"
start = "cut-off"
steps = [{ usb = true }, { until = "charge.complete", took = "1 h 35 min ± 25 min" }]
[[observations]]
name = "dark"
mode = "lamp.dark"
reading = "100 uA ± 90 uA"
"""


@pytest.mark.parametrize(("change", "pull", "shared", "met"), [
    # Echoes count where a hand is; a dwell where its state was stood in; a pin where USB is in.
    ('"proximity.hand.agree" = 1', "", ["key", "charge", "dark"], False),
    ('"behaviour.lamp.rows[2].after" = "8 s"', "", ["key", "hand", "charge"], True),
    ('"charger.status" = "low while charging, high when complete"', "", ["key", "hand", "dark"],
     False),
    # A pin that is pulled up tells something without USB, too; other times of the sensor matter.
    ('"charger.status" = "low while charging, high when complete"', 'pull_up = "35k"', [], False),
    ('"proximity.hand.every" = "150 ms"', "", [], False),
    # The clock counts in steps of 1 ms, or of 0.5 ms: it is as far off in another way.
    ('"behaviour.lamp.rows[2].after" = "8000.5 ms"', "", [], True),
    ('"behaviour.lamp.rows[0].on" = "hand.wave"', "", [], False),
])
def test_answers_that_a_run_does_not_meet_share_it(
    change: str, pull: str, shared: list[str], met: bool, tmp_path: Path
) -> None:
    """What is lent is to the last digit what the other would see; what met a state that it leaves
    after another time is looked at anew.
    """
    (tmp_path / "waiter.toml").write_text(WAITER.replace("PULL", pull), encoding="utf-8")
    (tmp_path / "log.toml").write_text(WAITED.replace("CHANGE", change), encoding="utf-8")
    log = load_bench_log(tmp_path / "log.toml")
    found = dict(shares(log))
    assert [log.observations[number].name for number in found] == shared
    for number, group in found.items():
        (first, _), (last, states) = group.items()
        assert states == (frozenset({("lamp", "lit")}) if met else frozenset())
        looks = Rival(log, first, seed=0, most=0).lend(number)
        lent = Rival(log, last, seed=0, most=0, lent={number: Lent(states, looks)})
        anew = lent.lend(number)
        alone = Rival(log, last, seed=0, most=0)
        alone.lend(number)
        assert lent.sights[number].known == alone.sights[number].known
        lit = met and log.observations[number].name == "hand"
        assert (len(anew) == len(looks)) if lit else not anew


def test_rows_that_a_figure_names_are_not_shared(tmp_path: Path) -> None:
    """An unknown says which row it is in by the number of the row."""
    change = '"behaviour.lamp.rows[2].after" = "8 s"'
    text = WAITED.replace("CHANGE", change).replace(
        "clock =", '"behaviour.lamp.rows[4].after" = "1.5 s .. 2.5 s"\nclock =')
    (tmp_path / "waiter.toml").write_text(WAITER.replace("PULL", ""), encoding="utf-8")
    (tmp_path / "log.toml").write_text(text, encoding="utf-8")
    assert not list(shares(load_bench_log(tmp_path / "log.toml")))


def test_work_that_does_not_do_for_an_observation_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The dearest are not looked at, what the others leave is open and narrowed by them alone, and
    what they exclude is excluded; with more work all are looked at.
    """
    (tmp_path / "waiter.toml").write_text(WAITER.replace("PULL", ""), encoding="utf-8")
    text = WAITED.replace("CHANGE", '"loads.lamp.current" = "200 mA"').replace(
        'name = "key"\n', 'name = "key"\ncount = "10 of 10"\n').replace(
        "clock =", '"controller.asleep" = "1 uA .. 400 uA"\nclock =') + (
        '[[observations]]\nname = "lit"\nmode = "lamp.lit"\nreading = "20 mA ± 2 mA"\n')
    (tmp_path / "log.toml").write_text(text, encoding="utf-8")
    log = load_bench_log(tmp_path / "log.toml")
    monkeypatch.setattr(narrowing, "MOST_WORK", 2 * 12_000)
    found = narrowing.narrow(log)
    one, other = found.rivals
    assert (one.state, other.state) == ("open", "excluded")
    assert one.not_looked_at == ("key",)
    assert not one.whole
    assert other.contradictions[0].observations == ("lit",)
    asleep = next(part for part in found.intervals if part.key == "controller.asleep")
    assert asleep.high < 200e-6
    assert math.isnan(asleep.high_reached)
    told = narrowed_text(found)
    assert "not decided: all that was looked at fits" in told
    assert "not looked at: " in told
    assert "more work than all combinations may share" in told
    assert "Nothing observed bears on" not in told
    assert narrowed_json(found)["rivals"][0]["not_looked_at"] == list(one.not_looked_at)
    monkeypatch.undo()
    whole = narrowing.narrow(log, brief=True)
    assert not any(part.not_looked_at for part in whole.rivals)
    assert whole.rivals[0].state == "fits"
