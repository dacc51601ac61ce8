"""Rules while the supply fails, and with the clock off: what a check says, and what replays."""

from __future__ import annotations

from pathlib import Path

from simfw.behaviour.build import build_system
from simfw.behaviour.expression import All, Inside
from simfw.engine.simulator import simulate
from simfw.loading import load_gadget, load_scenario
from simfw.stimuli.scenario import Press, Scenario, to_toml
from simfw.verify.abstraction import reduce_system
from simfw.verify.budget import Budget
from simfw.verify.check import check_gadget
from simfw.verify.detail import LADDER
from simfw.verify.explore import explore
from simfw.verify.falsify import falsify
from simfw.verify.finding import Report
from simfw.verify.machine import Monitor
from simfw.verify.player import Player
from simfw.verify.supply import cut_at
from simfw.verify.terms import SUPPLY
from tests.quality import cases
from tests.verify.gadgets import gadget, rule

MS = 1_000_000
S = 1000 * MS
SHOWN = cases.BASE + cases.KEY + cases.behaviour(
    "lamp", "dark", cases.LIT, cases.ON, 'after = "5 s", from = "lit", to = "dark"',
    'on = "key.click", from = "lit", to = "same"')


def report_of(text: str, folder: Path, runs: int = 5, only: tuple[str, ...] = ()) -> Report:
    """A check with few random runs."""
    return check_gadget(gadget(text, folder), runs=runs, only=only)


def test_a_light_that_must_stay_on_breaks_when_the_protection_opens(tmp_path: Path) -> None:
    """Held for five seconds by its rows; a cell that dies meanwhile is a note that replays."""
    report = report_of(SHOWN + rule('stays = "lamp.lit"\nfor = "4 s"'), tmp_path)
    (verdict,) = report.verdicts
    assert verdict.standing == "proved"
    assert verdict.supply is False
    assert verdict.text.endswith("as long as the supply holds")
    assert report.faults == ()
    (found,) = [one for one in report.findings if one.check == "power-cut"]
    witness = found.witness
    assert witness is not None
    assert witness.steps == 1
    assert "the protection opens" in witness.list[-2]
    path = tmp_path / "witness.toml"
    path.write_text(to_toml(witness.scenario, tmp_path), encoding="utf-8")
    scenario = load_scenario(path)
    assert scenario.gadget is not None
    run = simulate(scenario.gadget, scenario)
    assert [one.held for one in run.rules] == [False]
    assert run.empty_at_ns is not None
    assert any(not one.met for one in run.expectations)


def test_a_rule_that_a_dead_gadget_keeps_is_proved_with_the_supply_failing(tmp_path: Path) -> None:
    """Dead is dark, and power-up is dark as well."""
    report = report_of(SHOWN + rule('never = "lamp.lit and lamp < 1"'), tmp_path)
    (verdict,) = report.verdicts
    assert verdict.supply is True
    assert "also with the supply failing" in verdict.text


def test_a_gadget_without_a_cut_off_is_not_asked_about_its_supply(tmp_path: Path) -> None:
    """Nothing is known of when it dies, so nothing is said."""
    bare = SHOWN.replace('cut_off = "3.05 V"\nrestart = "3.25 V"\n', "")
    report = report_of(bare + rule('stays = "lamp.lit"\nfor = "4 s"'), tmp_path)
    assert report.verdicts[0].supply is None
    assert not [one for one in report.findings if one.check == "power-cut"]


def test_all_memory_is_lost_while_the_supply_is_gone() -> None:
    """Region, resume point and condition stand as at power-up, and come back so."""
    text = cases.BASE + cases.KEY + cases.behaviour(
        "lamp", "dark", cases.LIT + '; boost = { lamp = "on" }', cases.ON,
        'on = "key.click", from = "lit", to = "boost"')
    system = build_system(gadget(text))
    both = All((Inside("lamp", frozenset({"dark"})), Inside("lamp", frozenset({"lit"}))))
    monitor = Monitor(name="x", kind="never", when=both)
    reduced = reduce_system(system, [monitor], LADDER[0], supply=True)
    machine = reduced.machine
    found = explore(machine, reduced.starts, apart=True, links=True)
    dead = [config for config in found.zones
            if not machine.flag_values(config)[SUPPLY]]
    assert dead
    lamp = machine.region_index["lamp"]
    assert {machine.region_states(config)[lamp] for config in dead} == {"dark"}
    assert all(machine.clocks(config) == [] for config in dead)
    lit = [config for config in found.zones if machine.region_states(config)[lamp] == "boost"]
    assert any(config in dead for one in lit for config in found.successors[one])
    born = {config for one in dead for config in found.successors[one]
            if machine.flag_values(config)[SUPPLY]}
    assert born <= {outcome.config for outcome in reduced.starts}


def test_the_charge_for_a_cut_at_a_given_time_is_found() -> None:
    """The protection opens within a millisecond of the wish, or there is no such charge."""
    player = Player(gadget(SHOWN))
    press = Press(at_ns=S, button="key", for_ns=100 * MS)
    scenario = player.scenario((press,), 1.0, 10 * S)
    cut = cut_at(player, scenario, 3 * S)
    assert cut is not None
    run = player.play(cut)
    assert run is not None
    assert run.empty_at_ns is not None
    assert 3 * S <= run.empty_at_ns <= 3 * S + MS
    idle = cases.HEAD + cases.CELL + cases.LAMP + cases.KEY + cases.CLICKS
    player = Player(gadget(idle))  # nothing drains its cell
    assert cut_at(player, player.scenario((), 1.0, 10 * S), 3 * S) is None


def test_random_runs_find_what_a_failing_supply_breaks() -> None:
    """With a rule that holds while the supply does, and nothing else to look for."""
    player = Player(gadget(SHOWN + rule('stays = "lamp.lit"\nfor = "4 s"')))
    found = falsify(player, [], [], Budget(1_000_000), runs=200, when_dead=["wanted"])
    assert found
    assert found[0].dead
    assert found[0].verdict.name == "wanted"


def test_a_debounce_that_only_a_fast_clock_makes_too_short_is_a_note(tmp_path: Path) -> None:
    """Stretches of 1.2 ms in a bounce of 6 ms, which last 1.32 ms for a clock 10 % fast."""
    text = cases.PLAIN.replace('debounce = "20 ms"', 'debounce = "1250 us"')
    report = report_of(text, tmp_path, runs=400, only=("several-per-press", "clock-margin"))
    assert report.faults == ()
    (found,) = report.findings
    assert found.check == "clock-margin"
    assert "10 % fast" in found.text
    assert found.witness is not None
    assert any("bounces" in line for line in found.witness.list)
    scenario: Scenario = found.witness.scenario
    run = simulate(load_gadget(tmp_path / "gadget.toml"), scenario)
    assert any(not one.met for one in run.expectations)


def test_a_cell_that_nothing_drains_is_never_seen_to_die(tmp_path: Path) -> None:
    """The search lets the supply fail, but no charge makes a run of it: no note is written."""
    idle = cases.HEAD + cases.CELL + cases.KEY + cases.behaviour(
        "lamp", "dark", "dark = {}; lit = {}", cases.ON,
        'after = "5 s", from = "lit", to = "dark"', 'on = "key.click", from = "lit", to = "same"')
    report = report_of(idle + rule('stays = "lamp.lit"\nfor = "4 s"'), tmp_path,
                       only=("rule", "power-cut"))
    (verdict,) = report.verdicts
    assert verdict.supply is False
    assert verdict.text.endswith("as long as the supply holds")
    assert report.findings == ()
