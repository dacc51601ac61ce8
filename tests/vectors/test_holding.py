"""A bench that holds one fault after another in the same firmware."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from simfw import load_gadget
from simfw.behaviour.build import build_system
from simfw.behaviour.region import Row, System
from simfw.behaviour.table import Stepper
from simfw.vectors.faulty import Bench, Driven
from simfw.vectors.possible import all_faults

ROOT = Path(__file__).resolve().parents[2]
GADGET = load_gadget(ROOT / "scenarios/key-hook/gadget.toml")
ASKS = ("out", "wake", "event")


@pytest.fixture(scope="module")
def system() -> System:
    """The key-hook light."""
    return build_system(GADGET)


def rows_of(firmware: Driven) -> object:
    """What its regions hear and wait for, as it was compiled: a guard as whether there is one."""
    stepper = firmware.stepper
    heard = [
        [(number, {state: [(row.key, row.guard is None, row.target, row.emit) for row in rows]
                   for state, rows in table.items()}) for number, table in one if table]
        for one in stepper._heard
    ]
    waits = [
        [[(after, [(row.key, row.guard is None, row.target) for row in rows])
          for after, rows in groups] for groups in region]
        for region in stepper.dwells
    ]
    return heard, waits, stepper._resume_first, stepper._resume_points


def test_whatever_was_held_before_leaves_no_trace(system: System) -> None:
    """After any faults, a firmware that holds one is as it is on a bench of its own."""
    faults = all_faults(system)
    bench = Bench(system, GADGET.segments)
    for fault in random.Random(5).choices(faults, k=60):
        alone = Bench(system, GADGET.segments).hold(fault, ASKS)
        assert rows_of(bench.hold(fault, ASKS)) == rows_of(alone), fault.text


def test_only_what_a_fault_changes_is_compiled(
    system: System, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One row goes elsewhere: the others have been compiled before, of whichever region."""
    bench = Bench(system, GADGET.segments)
    elsewhere = [fault for fault in all_faults(system) if fault.kind == "target"]
    bench.hold(elsewhere[0], ASKS)
    made: list[str] = []
    compiled = Stepper._compiled

    def noted(stepper: Stepper, number: int, row: Row) -> object:
        made.append(row.key)
        return compiled(stepper, number, row)

    monkeypatch.setattr(Stepper, "_compiled", noted)
    for fault in elsewhere[1:]:
        made.clear()
        bench.hold(fault, ASKS)
        assert made == [fault.about], fault.text
