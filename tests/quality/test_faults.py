"""Every planted fault is found, its sound twin is clean, and no witness is longer than need be."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from simfw.engine.simulator import simulate
from simfw.loading import load_gadget, load_scenario
from simfw.stimuli.scenario import to_toml
from tests.quality.cases import CASES, NOT_EXPRESSIBLE, Case
from tests.quality.suite import Result, breaks_by_hand, run_case, table

DONE: list[Result] = []


@pytest.fixture(scope="module", autouse=True)
def _printed(request: pytest.FixtureRequest) -> Iterator[None]:
    """Print the table of all faults after the last of them."""
    yield
    manager = request.config.pluginmanager.getplugin("capturemanager")
    with manager.global_and_fixture_disabled():
        print("\n" + table(DONE))


@pytest.mark.parametrize("case", CASES, ids=[case.id for case in CASES])
def test_the_fault_is_found_and_its_twin_is_clean(case: Case, tmp_path: Path) -> None:
    """Found by the check that is there for it, and not seen in the twin.

    Where a way was made by hand, it breaks the rule, and the witness has no more steps than it.
    Written out and read back, the witness breaks the same rule and its expectation fails.
    """
    result = run_case(case, tmp_path)
    DONE.append(result)
    assert result.false_alarm is None
    assert result.found is not None
    if case.hand:
        assert breaks_by_hand(case, tmp_path)
        witness = result.found.witness
        assert witness is not None
        assert witness.steps <= len(case.hand)
    if result.found.witness is not None:
        path = tmp_path / "witness.toml"
        path.write_text(to_toml(result.found.witness.scenario, tmp_path), encoding="utf-8")
        scenario = load_scenario(path)
        assert scenario.gadget is not None
        run = simulate(scenario.gadget, scenario)
        assert any(not expected.met for expected in run.expectations)
        if case.check == "rule":
            assert any(not verdict.held for verdict in run.rules)


def test_enough_faults_are_planted() -> None:
    """At least 45 different ones, and nothing is both planted and called not expressible."""
    planted = {case.id for case in CASES}
    assert len(planted) == len(CASES) >= 45
    assert not planted & set(NOT_EXPRESSIBLE)


def test_twins_differ_in_few_lines(tmp_path: Path) -> None:
    """A twin is the same gadget but for the fault (the polled button has a region of its own)."""
    for case in CASES:
        sound, faulty = case.sound.splitlines(), case.faulty.splitlines()
        changed = sum(line not in faulty for line in sound) + sum(
            line not in sound for line in faulty)
        assert 0 < changed <= 8, case.id
        for text in (case.sound, case.faulty):
            path = tmp_path / "gadget.toml"
            path.write_text(text, encoding="utf-8")
            assert load_gadget(path).head.name == "Bench lamp"
