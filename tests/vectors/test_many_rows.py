"""Gadgets with hundreds of rows: what is asked of them, searched and compiled stays bounded."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from simfw.behaviour.build import build_system
from simfw.engine.simulator import Prepared
from simfw.loading import load_gadget
from simfw.vectors import search
from simfw.vectors.build import VectorSet
from simfw.vectors.exposing import Bench, asks_of
from simfw.vectors.faulty import Driven
from simfw.vectors.items import MOST_SIDES, all_items, sides
from simfw.vectors.possible import all_faults
from simfw.vectors.whittle import LARGE, MOST_WORK, Exposure, Whittler
from tests.sharing import uncounted
from tests.vectors.test_equal import made, region, row

SCENARIOS = Path(__file__).parents[2] / "scenarios"
STRIP, HOOK = (SCENARIOS / name / "gadget.toml" for name in ("strip-controller", "key-hook"))


def ring(count: int) -> dict[str, Any]:
    """A region that goes round through so many states by itself; a press leads to the first."""
    names = [f"step.{number:03}" for number in range(count)]
    rows = [row(then, here, after="20 ms")
            for here, then in zip(names, [*names[1:], names[0]], strict=True)]
    return region(names[0], " ".join(names), *rows, row(names[0], "*", on="key.press"),
                  lit=" ".join(names[::2]))


def test_both_sides_are_asked_for_of_so_many_times_only_and_that_is_told() -> None:
    """Each side takes a vector of its own; up to 80 times all are asked for."""
    for count, step in ((76, 1), (300, 4)):
        system = build_system(made({"lamp": ring(count)}))
        items = all_items(system)
        assert sides(system)[0] == step
        for kind in ("early", "after"):
            asked = [item for item in items if item.startswith(f"{kind} ")]
            assert count // 4 - 4 <= len(asked) <= MOST_SIDES
        assert sum(item.startswith("late ") for item in items) >= count
        lines = VectorSet(vectors=(), items=items, missing=(), one_in=step, exposure=Exposure(
            exposed=(), same=(), left=(), made=0)).coverage_lines()
        assert any("one in 4" in line for line in lines) == (step == 4)


def test_every_row_of_a_large_gadget_is_run_through_in_counted_work() -> None:
    """The strip controller has chains of 119 and 101 states, which nobody walks by trying all
    gestures from each of them.
    """
    gadget = load_gadget(STRIP)
    prepared = Prepared(gadget)
    with uncounted():
        searching = search._Search(gadget, prepared.system, prepared.circuit, gadget.segments,
                                   prepared.clocks)
        searching.run()
    assert searching.sketch.instants <= search.MOST_INSTANTS
    assert not [item for item in searching.left if item.startswith(("row ", "late "))]
    early = [item for item in all_items(prepared.system) if item.startswith("early ")]
    assert len(searching.left.intersection(early)) <= len(early) // 4


def told(rows: Sequence[Any]) -> list[tuple[Any, ...]]:
    """What a compiled row does, but for its guard, which no two compilings share."""
    return [(one.key, one.guard is None, one.target, one.emit) for one in rows]


def tables(firmware: Driven) -> tuple[Any, ...]:
    """All compiled rows of a firmware: by event and region, and by state."""
    stepper = firmware.stepper
    return (
        [[(number, {state: told(rows) for state, rows in table.items()})
          for number, table in heard] for heard in stepper._heard],
        [[[(after, told(rows)) for after, rows in groups] for groups in states]
         for states in stepper.dwells],
        stepper._resume_points, stepper._resume_first)


def shown(firmware: Driven, touched: frozenset[str]) -> list[tuple[list[str], dict[str, int]]]:
    """What a firmware shows with each of some regions in each of its states."""
    stepper, found = firmware.stepper, []
    for number, name in enumerate(stepper.region_names):
        for state in range(len(stepper.state_names[number]) if name in touched else 0):
            stepper.clear()
            stepper.states[number] = state
            found.append((firmware.outputs, dict(firmware.shown())))
    return found


def test_a_firmware_that_held_other_faults_before_holds_the_rows_of_this_one() -> None:
    """Only what differs is compiled anew: the tables, and what the states drive, are those of a
    firmware made for it alone.
    """
    gadget = load_gadget(HOOK)
    system = build_system(gadget)
    bench = Bench(system, gadget.segments)
    faults = all_faults(system)
    seen = set[str]()
    for fault in [*faults, *reversed(faults[::7])]:
        held = bench.hold(fault, asks_of(fault))
        if held.system is system and fault.system is not system:
            seen.add(fault.kind)
            alone = Driven(fault.system, gadget.segments)
            assert tables(held) == tables(alone), fault.text
            assert shown(held, fault.touched) == shown(alone, fault.touched), fault.text
    assert {"row", "source", "order", "time", "target", "drive"} <= seen


def test_the_work_on_the_faults_of_a_very_large_gadget_is_less_for_each_and_that_is_told() -> None:
    """A ring of 420 states has thousands of faults, and every instant of it is dear."""
    gadget = made({"lamp": ring(420)})
    prepared = Prepared(gadget)
    whittler = Whittler(gadget, prepared.system, prepared.circuit, [])
    exposure = whittler.exposure()
    assert exposure.share == exposure.made // LARGE >= 2
    assert whittler.work.left() <= MOST_WORK // exposure.share
    assert f"one in {exposure.share} parts of the usual work" in exposure.lines()[1]
    small = made({"lamp": ring(20)})
    prepared = Prepared(small)
    whittler = Whittler(small, prepared.system, prepared.circuit, [])
    assert whittler.work.left() == MOST_WORK
    assert not any("usual work" in line for line in whittler.exposure().lines())
