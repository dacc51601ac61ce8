"""What a check does is counted: the same answer anywhere, bounded memory, limits that are told."""

from __future__ import annotations

import os
import subprocess
import sys
import time
import tracemalloc
from pathlib import Path

import pytest

from simfw.behaviour.build import build_system
from simfw.cli import main
from simfw.loading import load_gadget
from simfw.verify.abstraction import reduce_system
from simfw.verify.budget import Budget
from simfw.verify.check import check_gadget
from simfw.verify.detail import LADDER
from simfw.verify.explore import _Search, explore
from tests.quality import cases
from tests.verify.gadgets import PLAIN, gadget, rule

DEMOS = Path(__file__).parents[2] / "scenarios"
BROKEN = PLAIN + rule('never = "lamp.lit and key.pressed"')


def test_only_one_check_reads_no_rule_or_calls_it_a_fault(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """No report shows a broken rule beside no faults and exit status 0."""
    path = tmp_path / "gadget.toml"
    path.write_text(BROKEN, encoding="utf-8")
    for only, status, told in (("trap", 0, False), ("clock-margin", 1, True), ("rule", 1, True)):
        assert main(["check", str(path), "--only", only]) == status
        shown = capsys.readouterr().out
        assert ("broken" in shown) is told
        assert f"Faults: {status}" in shown
    assert main(["check", str(path), "--without", "rule"]) == 0
    assert "broken" not in capsys.readouterr().out


def test_a_check_reads_no_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing but the files decides how far it gets."""
    sound = gadget(cases.GAUGED + cases.CHARGER + rule('never = "lamp.lit and key.pressed"'))

    def read() -> float:
        raise AssertionError("a clock was read")

    for name in ("monotonic", "perf_counter", "time", "process_time"):
        monkeypatch.setattr(time, name, read)
    report = check_gadget(sound, runs=5, effort=0.1)
    monkeypatch.undo()
    assert report.verdicts
    assert not report.timed_out


def test_two_checks_at_once_and_one_alone_print_the_same_bytes() -> None:
    """With other orders of sets in each of them; of the smallest demo gadget."""
    command = [sys.executable, "-m", "simfw", "check", str(DEMOS / "key-hook" / "gadget.toml")]

    def begun(seed: str) -> subprocess.Popen[bytes]:
        return subprocess.Popen(command, stdout=subprocess.PIPE, cwd=DEMOS.parent,
                                env={**os.environ, "PYTHONHASHSEED": seed})

    both = [begun("1"), begun("2")]
    printed = [one.communicate()[0] for one in both]
    alone = begun("3").communicate()[0]
    assert printed[0] == printed[1] == alone
    assert b"Rules: 3 proved" in alone


def test_more_effort_gets_further() -> None:
    """A search that is stopped by its work is told; with more of it it comes to its end."""
    demo = load_gadget(DEMOS / "cellar-steps" / "gadget.toml")
    little = check_gadget(demo, effort=0.0002, only=("rule",), runs=1)
    much = check_gadget(demo, effort=0.5, only=("rule",), runs=1)
    assert not little.reached_all
    assert not little.gestures_all
    assert much.reached_all
    assert much.gestures_all
    assert {verdict.standing for verdict in much.verdicts} <= {"proved", "coincidence"}
    open_ones = [verdict for verdict in little.verdicts if verdict.standing == "open"]
    assert all(verdict.text.startswith("not decided") for verdict in open_ones)


def test_a_search_keeps_no_more_than_it_may() -> None:
    """It ends unfinished where what it keeps would be more, wherever it runs."""
    system = build_system(load_gadget(DEMOS / "cellar-steps" / "gadget.toml"))
    keep = [region.name for region in system.regions if region.group == "behaviour"]
    reduced = reduce_system(system, [], LADDER[0], keep=keep)
    whole = explore(reduced.machine, reduced.starts, apart=True)
    assert whole.finished
    reduced = reduce_system(system, [], LADDER[0], keep=keep)
    short = explore(reduced.machine, reduced.starts, apart=True, most_bytes=200_000)
    assert not short.finished
    assert short.states < whole.states


def test_the_memory_that_is_reckoned_is_about_what_is_used() -> None:
    """Between half and three times of what the allocator counts for one search."""
    system = build_system(load_gadget(DEMOS / "cellar-steps" / "gadget.toml"))
    keep = [region.name for region in system.regions if region.group == "behaviour"]
    reduced = reduce_system(system, [], LADDER[2], keep=keep)
    tracemalloc.start()
    try:
        search = _Search(reduced.machine, 1, True, None)
        search.begin(reduced.starts)
        for _ in range(400):
            search.expand(search.waiting.popleft())
        used, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert used / 2 <= search.kept_bytes() <= 3 * used


def test_work_is_spent_by_searches_and_by_runs() -> None:
    """Both take of the same budget, so that neither goes on for ever."""
    system = build_system(gadget(PLAIN))
    keep = [region.name for region in system.regions if region.group == "behaviour"]
    reduced = reduce_system(system, [], LADDER[0], keep=keep)
    budget = Budget(1_000_000)
    explore(reduced.machine, reduced.starts, apart=True, budget=budget)
    assert 0 < 1_000_000 - budget.left() < 10_000
    stopped = Budget(20)
    assert not explore(reduced.machine, reduced.starts, apart=True, budget=stopped).finished
