"""Walks through the rows of a region, until each has fired as often as it takes to tell a fault."""

from __future__ import annotations

from typing import Any

import pytest

from simfw.behaviour.hold import holding
from simfw.engine.simulator import Prepared
from simfw.gadget.model import Gadget
from simfw.vectors.build import Rehearsal
from simfw.vectors.exposing import Judge
from simfw.vectors.faults import Fault
from simfw.vectors.nodes import Found
from simfw.vectors.possible import all_faults
from simfw.vectors.tours import Tours, Wish, wishes_of
from tests.vectors.test_equal import made, region, row

TWO = {"buttons": {"key": {"debounce": "20 ms", "hold": "700 ms"}, "knob": {"debounce": "20 ms"}}}
GREAT = made({
    "lamp": region(
        "dark", "dark low high blink gap",
        row("low", "dark", on="key.click"), row("high", "low", on="key.click"),
        row("low", "high", on="key.click"), row("blink", ["low", "high"], on="key.hold"),
        row("gap", "blink", after="300 ms"), row("blink", "gap", after="450 ms"),
        row("high", "gap", on="knob.click"), row("same", "blink", on="knob.release"),
        row("dark", "*", on="both.chord"),
        by={"low": "20 %", "high": "on", "blink": "50 %"}),
}, chords={"both": {"buttons": ["key", "knob"], "within": "80 ms"}}, **TWO)  # fmt: skip
"""Levels, a blink, and a chord that darkens from everywhere."""

LOCKED = made({
    "lamp": region("dark", "dark lit", row("lit", "dark", on="key.click", when="lock.open"),
                   row("dark", "lit", on="knob.press"), row("dark", "lit", on="aside"), lit="lit"),
    "lock": region("shut", "shut open", row("same", "shut", on="never"), row("open", "open",
                   on="knob.press", emit=["aside", "never"])),
}, **TWO)  # fmt: skip
"""A guard that never holds, and an event that nobody brings about."""

LONG = made({
    "lamp": region("dark", "dark lit out", row("lit", "dark", on="key.click"),
                   row("out", "lit", after="10 min"), row("dark", "out", on="key.click"),
                   lit="lit"),
}, **TWO)  # fmt: skip
"""A time that is too long to wait for on a walk."""


def walked(gadget: Gadget, wishes: list[Wish]) -> tuple[Prepared, Found | None]:
    """The course on which the lamp's rows fire so."""
    prepared = Prepared(gadget)
    made_by = Tours(gadget, holding(prepared.system), prepared.circuit)
    return prepared, made_by.course("lamp", wishes)


def lamps(gadget: Gadget, **only: Any) -> list[Fault]:
    """The faults of the lamp of these kinds."""
    system = holding(Prepared(gadget).system)
    return [fault for fault in all_faults(system)
            if fault.touched == {"lamp"} and fault.kind in only["kinds"]]


def exposed(prepared: Prepared, path: Found, faults: list[Fault]) -> set[str]:
    """What a course tells of some faults."""
    judge = Judge(holding(prepared.system), prepared.gadget.segments)
    played = Rehearsal(prepared).played(path.charge, path.acts, path.ends_ns)
    assert played is not None
    judge.add(played)
    return {fault.text for fault in faults if judge.exposed(fault) is not None}


def test_one_walk_tells_all_rows_that_fire_twice_and_never_again() -> None:
    """Each row three times, and the chord from every state: one course tells all of that but for
    the row that changes nothing.
    """
    faults = lamps(GREAT, kinds=("third", "source", "row", "target"))
    wishes = wishes_of(holding(Prepared(GREAT).system), faults)["lamp"]
    assert Wish("behaviour.lamp.rows[8]", "gap", 1) in wishes
    assert Wish("behaviour.lamp.rows[0]", "", 3) in wishes
    prepared, path = walked(GREAT, wishes)
    assert path is not None
    assert len(path.acts) < 300
    told = exposed(prepared, path, faults)
    same = {fault.text for fault in faults if fault.about == "behaviour.lamp.rows[7]"
            or fault.text.endswith("rows[8]: does not hear it in dark")}
    assert {fault.text for fault in faults} - told == same


def test_only_what_is_wished_for_is_walked() -> None:
    """Two rows are enough to see one of them three times; then all is done once."""
    _, path = walked(GREAT, [Wish("behaviour.lamp.rows[2]", "", 3)])
    assert path is not None
    assert sum(act.kind == "contact" and act.value > 0 for act in path.acts) == 13
    _, none = walked(GREAT, [])
    assert none is None


@pytest.mark.parametrize(("gadget", "wish"), [
    pytest.param(LOCKED, Wish("behaviour.lamp.rows[0]", "", 1), id="a guard"),
    pytest.param(LOCKED, Wish("behaviour.lamp.rows[2]", "lit", 1), id="an event"),
    pytest.param(LONG, Wish("behaviour.lamp.rows[1]", "", 1), id="a time"),
])  # fmt: skip
def test_what_cannot_be_brought_about_ends_the_walk(gadget: Gadget, wish: Wish) -> None:
    """Tried twice, then given up: no course is made."""
    assert walked(gadget, [wish])[1] is None


HIDDEN = made({
    "lock": region("open", "open shut", row("shut", "open", on="knob.click"),
                   row("open", "shut", on="knob.click")),
    "lamp": region("dark", "dark lit", row("lit", "dark", on="key.click", when="lock.open"),
                   row("dark", "lit", on="key.click"), lit="lit"),
}, **TWO)  # fmt: skip
"""A lock that drives nothing."""


def test_what_shows_in_another_region_is_looked_for_at_the_end_of_a_walk() -> None:
    """A lock that is shut twice and never again is open then: a click lights the lamp."""
    prepared = Prepared(HIDDEN)
    made_by = Tours(HIDDEN, holding(prepared.system), prepared.circuit)
    path = made_by.course("lock", [Wish("behaviour.lock.rows[0]", "", 3)])
    assert path is not None
    faults = [fault for fault in all_faults(holding(prepared.system)) if fault.kind == "third"]
    assert "behaviour.lock.rows[0]: fires twice and never again" in exposed(prepared, path, faults)


def test_a_walk_ends_where_the_guard_of_the_last_time_has_failed() -> None:
    """Nothing is due then, and nothing is waited for: it ended in an error."""
    gadget = made({
        "lamp": region("dark", "dark lit", row("lit", "dark", on="key.click"),
                       row("dark", "lit", after="1 s", when="lock.open"), lit="lit"),
        "lock": region("shut", "shut open", row("shut", "open", on="knob.press")),
    }, **TWO)
    _, found = walked(gadget, [Wish("behaviour.lamp.rows[1]", "", 3),
                               Wish("behaviour.lamp.rows[0]", "", 3)])
    assert found is not None
    assert found.ends_ns < 3600 * 10**9
