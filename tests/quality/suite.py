"""Runs a planted fault and its twin; as a script it prints the table of all of them."""

from __future__ import annotations

import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from simfw.engine.simulator import simulate
from simfw.loading import load_gadget, load_scenario
from simfw.verify.check import check_gadget
from simfw.verify.finding import Finding, Report
from tests.quality.cases import CASES, NOT_EXPRESSIBLE, Case


@dataclass(frozen=True)
class Result:
    """What came of one case."""

    case: Case
    found: Finding | None
    false_alarm: Finding | None
    seconds: float
    states: int


def check_text(case: Case, text: str, folder: Path) -> Report:
    """Check a gadget given as text, with only the check of the case."""
    path = folder / "gadget.toml"
    path.write_text(text, encoding="utf-8")
    only = (case.check, "clock-margin") if case.check == "rule" else (case.check,)
    return check_gadget(load_gadget(path), effort=case.effort, only=only, runs=case.runs)


def pick(report: Report, check: str) -> Finding | None:
    """The finding of a check."""
    return next((one for one in report.findings if one.check == check), None)


def run_case(case: Case, folder: Path) -> Result:
    """Check both twins; the gadget file left in `folder` is the faulty one."""
    clean = pick(check_text(case, case.sound, folder), case.check)
    started = time.monotonic()
    report = check_text(case, case.faulty, folder)
    return Result(case, pick(report, case.check), clean, time.monotonic() - started,
                  report.reached + sum(verdict.states for verdict in report.verdicts))


def breaks_by_hand(case: Case, folder: Path) -> bool:
    """Whether the way made by hand breaks the rule of the faulty gadget in `folder`."""
    steps = ",\n  ".join(case.hand)
    path = folder / "hand.toml"
    path.write_text(
        f'title = "by hand"\ngadget = "gadget.toml"\ncharge = "{case.charge}"\n'
        f'lasts = "{case.lasts}"\nsteps = [\n  {steps},\n]\n', encoding="utf-8")
    scenario = load_scenario(path)
    assert scenario.gadget is not None
    run = simulate(scenario.gadget, scenario)
    return any(not verdict.held for verdict in run.rules)


def table(results: list[Result]) -> str:
    """Every fault of the list: found, not found, or why it cannot be expressed."""
    lines = ["id    result          check                  steps (hand)  time    fault"]
    for one in results:
        found = "found" if one.found else "NOT FOUND"
        found += ", twin NOT clean" if one.false_alarm else ""
        witness = one.found.witness if one.found else None
        steps = f"{witness.steps} ({len(one.case.hand)})" if witness and one.case.hand else "-"
        lines.append(f"{one.case.id:<5} {found:<15} {one.case.check:<22} {steps:<13} "
                     f"{one.seconds:5.1f} s {one.case.title}")
    lines += [f"{key:<5} not expressible: {why}" for key, why in NOT_EXPRESSIBLE.items()]
    good = sum(one.found is not None and one.false_alarm is None for one in results)
    lines.append(f"{good} of {len(results)} found with a clean twin; {len(NOT_EXPRESSIBLE)} not "
                 f"expressible.")
    return "\n".join(lines)


if __name__ == "__main__":
    wanted = set(sys.argv[1:])
    done = []
    with tempfile.TemporaryDirectory() as scratch:
        for case in CASES:
            if not wanted or case.id in wanted:
                done.append(run_case(case, Path(scratch)))
    print(table(done))
