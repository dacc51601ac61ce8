"""What the rows alone show to change nothing; small gadgets in which one premise fails show it."""

from __future__ import annotations

from pathlib import Path

import pytest

from simfw import load_gadget
from simfw.behaviour.hold import holding
from simfw.engine.simulator import Prepared
from simfw.gadget.model import Gadget
from simfw.vectors.orders import changes_nothing
from simfw.vectors.possible import all_faults
from tests.sharing import uncounted
from tests.vectors.test_equal import (
    DUSK,
    KEPT,
    LOOKED_AT,
    PASSING,
    SHIFTED,
    TURNED,
    fault_of,
    made,
    region,
    row,
    told,
)

SCENARIOS = Path(__file__).parents[2] / "scenarios"
FIRST = "its time ends before all else in that instant"
AFTER = "its time ends after all else in that instant"
STILL = "the end of an earlier stay still counts"

BOTH_TELL = made({
    "ping": region("on", "on off", row("same", "on", on="key.press", emit="one"),
                   row("same", "on", on="two")),
    "pong": region("on", "on off", row("same", "on", on="key.press", emit="two")),
    "lamp": region("dark", "dark lit", row("lit", "dark", on="one"), row("dark", "lit", on="two"),
                   lit="lit"),
})  # fmt: skip
"""Two neighbours put an event each into the queue."""

ASKS_THE_OTHER = made({
    "ping": region("on", "on off", row("off", "on", on="key.press"),
                   row("on", "off", on="key.release")),
    "lamp": region("dark", "dark lit", row("lit", "dark", on="key.press", when="ping.off"),
                   row("dark", "lit", on="key.release"), lit="lit"),
})  # fmt: skip
"""The second of two neighbours asks where the first is."""

MEETS_ITS_GUARD = made({
    "walk": region("home", "home on over", row("on", "home", on="key.press"),
                   row("over", "on", after="100 ms"), row("home", "over", on="key.release")),
    "lamp": region("dark", "dark first lit", row("first", "dark", on="key.press"),
                   row("lit", "first", after="100 ms", when="walk.over"),
                   row("dark", ["first", "lit"], on="key.release"), lit="lit"),
})  # fmt: skip
"""The time of a region before it ends in the same instant, and its guard asks for that."""

IS_ASKED_BEFORE = made({
    "lamp": region("dark", "dark first lit", row("first", "dark", on="key.press"),
                   row("lit", "first", after="100 ms", when="walk.first"),
                   row("dark", ["first", "lit"], on="key.release"), lit="lit"),
    "walk": region("home", "home first over", row("first", "home", on="key.press"),
                   row("over", "first", after="100 ms"), row("home", "over", on="key.release")),
})  # fmt: skip
"""The guard of a region before it asks for the state that it leaves."""

REMEMBERS = made({
    "lamp": {**region("dark", "dark first second lit",
                      row("first", "dark", on="key.press"),
                      row("second", "first", after="100 ms"),
                      row("dark", ["first", "second"], on="one"),
                      row("lit", "dark", on="key.release", when="walk.on"),
                      row("resume", "lit", on="one"), lit="second"),
             "resume_points": ["first", "second"]},
    "walk": region("home", "home on", row("on", "home", on="key.press"),
                   row("home", "on", after="100 ms", emit="one")),
})  # fmt: skip
"""What a state notes is what comes back later."""

BACK_SOON = made({
    "lamp": region("off", "off on lit", row("on", "off", on="key.press"),
                   row("off", ["on", "lit"], on="key.release"), row("lit", "on", after="300 ms"),
                   lit="lit"),
})  # fmt: skip
"""A stay that is cut short and begun again before it would have ended."""


@pytest.mark.parametrize(("gadget", "about", "words"), [
    pytest.param(BOTH_TELL, "ping", "takes its turn after pong", id="both tell"),
    pytest.param(ASKS_THE_OTHER, "ping", "takes its turn after lamp", id="asks the other"),
    pytest.param(MEETS_ITS_GUARD, "behaviour.lamp.rows[1]", FIRST, id="meets its guard"),
    pytest.param(IS_ASKED_BEFORE, "behaviour.walk.rows[1]", FIRST, id="is asked before"),
    pytest.param(SHIFTED, "behaviour.lamp.rows[1]", AFTER, id="hears something else"),
    pytest.param(BACK_SOON, "behaviour.lamp.rows[2]", STILL, id="back soon"),
])  # fmt: skip
def test_where_a_premise_fails_random_play_tells_and_nothing_is_said(
    gadget: Gadget, about: str, words: str,
) -> None:
    """Each premise of the arguments by rows alone, in a gadget where it does not hold."""
    prepared, fault = fault_of(gadget, about, words)
    assert told(prepared, [fault], 60) != []
    assert not changes_nothing(holding(prepared.system), fault)


@pytest.mark.parametrize("gadget", [
    SHIFTED, KEPT, PASSING, LOOKED_AT, DUSK, TURNED, BOTH_TELL, ASKS_THE_OTHER,
    MEETS_ITS_GUARD, IS_ASKED_BEFORE, REMEMBERS, BACK_SOON])
def test_what_the_rows_show_to_change_nothing_is_not_told_by_random_play(gadget: Gadget) -> None:
    """Every fault of small gadgets of which the rows say so, against random courses."""
    prepared = Prepared(gadget)
    system = holding(prepared.system)
    same = [fault for fault in all_faults(system) if changes_nothing(system, fault)]
    with uncounted():
        assert told(prepared, same, 24, "wake") == []


@pytest.mark.parametrize(("scenario", "texts"), [
    ("larder-lamp", {
        f"proximity.wave.settle: {FIRST}", f"proximity.wave.settle: {AFTER}",
        f"proximity.wave.every: {FIRST}", f"behaviour.lamp.rows[7]: {FIRST}",
        f"proximity.wave.settle: {STILL}", f"proximity.wave.burst#1: {STILL}",
        "wave.look: takes its turn after wave.field"}),
    ("key-hook", {"lamp_mode: takes its turn after search",
                  f"behaviour.lamp_mode.rows[7]: {AFTER}"}),
])  # fmt: skip
def test_the_rows_of_demo_gadgets_show_what_changes_nothing(scenario: str, texts: set[str]) -> None:
    """A look that settles, a light that goes out by itself, a sensor that is not back so soon."""
    system = holding(Prepared(load_gadget(SCENARIOS / scenario / "gadget.toml")).system)
    assert texts <= {fault.text for fault in all_faults(system) if changes_nothing(system, fault)}
