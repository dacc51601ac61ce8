"""Vectors tell what a hand-written firmware does wrong where two regions meet by chance."""

from __future__ import annotations

from dataclasses import replace

import pytest

from simfw.behaviour.expression import All, Expression, Inside, Not
from simfw.behaviour.hold import holding
from simfw.behaviour.region import System
from simfw.engine.simulator import Prepared
from simfw.vectors import make_vectors
from simfw.vectors.bands import FOR_THE_HOST
from simfw.vectors.build import Rehearsal
from simfw.vectors.company import Company
from simfw.vectors.equal import Prover
from simfw.vectors.exposing import Judge
from simfw.vectors.faults import Fault
from simfw.vectors.possible import all_faults
from tests.vectors.test_equal import fault_of, made, region, row
from tests.vectors.test_equal import told as told_by_play

BADGE = made(
    {
        "lamp": region("dark", "dark lit", row("lit", "dark", on="key.click"),
                       row("dark", "lit", on="key.click"), lit="lit"),
        "horn": region("still", "still loud", row("loud", "still", on="key.hold"),
                       row("still", "loud", on="key.hold"), lit="loud", what="buzz"),
    },
    buttons={"key": {"debounce": "20 ms", "hold": "500 ms"}},
    charger={"program": "3k3", "gain": "1000 V", "float": "4.2 V", "finish": "10 %",
             "status": "low while charging"},
    controller={"awake": "1 mA", "asleep": "1 uA"},
    pins={"sense": {"source": "usb", "series": "22k", "to_ground": "33k"},
          "status": {"source": "charger.status", "pull_up": True}},
    gauge={"method": "voltage", "low": "3.5 V", "flat": "3.3 V", "every": "1 s"},
)  # fmt: skip
"""A lamp and a horn that do the same whatever the cell and the charger do."""

REMEMBERED = made({
    "lamp": region("dark", "dark full half", row("resume", "dark", on="key.click"),
                   row("half", "full", on="key.hold"), row("dark", "half", on="key.click"),
                   row("dark", "full", on="key.click"), by={"full": "on", "half": "50 %"},
                   resume_points=["full", "half"]),
    "walk": region("home", "home away", row("away", "home", on="other.click", emit="left"),
                   row("home", "away", on="other.click")),
}, buttons={"key": {"debounce": "20 ms", "hold": "500 ms"}, "other": {"debounce": "20 ms"}})
"""A lamp that remembers its level, and what has nothing to do with it."""


def heedful(system: System, name: str, other: str, state: str) -> list[Fault]:
    """Each row of a region with a condition too much: not while another stands somewhere."""
    region = system.region(name)
    found = []
    for number, one in enumerate(region.rows):
        more: Expression = Not(Inside(other, frozenset([state])))
        guard = more if one.when is None else All((one.when, more))
        rows = (*region.rows[:number], replace(one, when=guard), *region.rows[number + 1:])
        regions = tuple(replace(region, rows=rows) if each is region else each
                        for each in system.regions)
        found.append(Fault("guard", one.key, f"not while {other} is {state}",
                           replace(system, regions=regions), frozenset([name])))
    return found


@pytest.mark.parametrize(("other", "state"), [
    ("cell", "low"), ("cell", "flat"), ("charge", "waiting"), ("charge", "charging"),
    ("charge", "complete")])  # fmt: skip
def test_what_is_done_wherever_cell_and_charger_stand_tells_a_condition_too_much(
    other: str, state: str
) -> None:
    """A click or a hold that is not heard while the cell is low or flat, or USB is in."""
    prepared = Prepared(BADGE)
    system = holding(prepared.system)
    judge, model = Judge(system, BADGE.segments), Rehearsal(prepared)
    for _, path in Company(BADGE, system, prepared.circuit).courses():
        played = model.played(path.charge, path.acts, path.ends_ns)
        assert played is not None
        judge.add(played)
    for name in ("lamp", "horn"):
        for fault in heedful(system, name, other, state):
            assert judge.exposed(fault) is not None, fault.text


def test_the_vectors_show_what_is_done_in_each_state_of_cell_and_charger() -> None:
    """Each has a vector of its own, which says so."""
    prepared = Prepared(BADGE)
    titles = {vector.title.removeprefix(FOR_THE_HOST)
              for vector in make_vectors(BADGE, prepared.system, prepared).vectors}
    assert {f"what is done in {state}" for state in (
        "cell.low", "cell.flat", "charge.waiting", "charge.charging", "charge.complete",
    )} <= titles


def test_a_memory_that_something_else_empties_is_a_fault_that_vectors_tell() -> None:
    """It is told by play, not proved to change nothing, and a vector exposes it."""
    prepared, fault = fault_of(REMEMBERED, "lamp",
                               "behaviour.walk.rows[0] at other.click empties the memory")
    assert told_by_play(prepared, [fault], 12) != []
    assert not Prover(holding(prepared.system), REMEMBERED.segments).same(fault)
    exposure = make_vectors(REMEMBERED, prepared.system, prepared).exposure
    assert fault.text in {one.text for one, _ in exposure.exposed}


def test_what_no_one_else_does_meanwhile_is_no_fault() -> None:
    """Events that the region itself hears, and such as nothing brings about, empty no memory."""
    words = {fault.words for fault in all_faults(holding(Prepared(REMEMBERED).system))
             if fault.about == "lamp" and fault.kind == "memory"}
    assert "key.click empties the memory" not in words
    assert "key.double empties the memory" not in words
    assert "other.release empties the memory" in words
