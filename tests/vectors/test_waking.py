"""A fault that shows by a waking of the controller alone is not proved to change nothing."""

from __future__ import annotations

import pytest

from simfw.behaviour.hold import holding
from simfw.engine.simulator import Prepared
from simfw.gadget.model import Gadget
from simfw.vectors.equal import Prover
from simfw.vectors.possible import all_faults
from simfw.verify.budget import Budget
from tests.sharing import uncounted
from tests.vectors.test_equal import fault_of, made, region, row, told

DRAWS = {"controller": {"awake": "1 mA", "asleep": "1 uA"}}
AWAKE = {"controller": "awake"}
LAMP = region("dark", "dark lit", row("lit", "dark", on="key.press"),
              row("dark", "lit", on="key.release"), lit="lit")
GOES = "goes to drowsy"

STAYS = made({
    "lamp": LAMP,
    "wait": {"starts": "home", "states": {"home": {}, "busy": AWAKE, "drowsy": {}},
             "rows": [row("busy", "home", on="key.press"),
                      row("home", ["busy", "drowsy"], on="key.release")]},
}, **DRAWS)  # fmt: skip
"""What stays awake while the key is held, and where it might stay asleep."""

PASSES = made({
    "lamp": LAMP,
    "wait": {"starts": "home",
             "states": {"home": {}, "soon": {}, "busy": AWAKE, "drowsy": {}, "on": {}},
             "rows": [row("soon", "home", on="key.press"), row("busy", "soon", after="300 ms"),
                      row("on", ["busy", "drowsy"], after="0 s"),
                      row("home", ["soon", "on"], on="key.release")]},
}, **DRAWS)  # fmt: skip
"""What wakes for an instant."""

MEETS = made({
    "lamp": {"starts": "idle",
             "states": {"idle": {}, "first": {}, "second": AWAKE, "off": {"glow": "on"}},
             "rows": [row("first", "idle", on="key.press"), row("second", "first", after="100 ms"),
                      row("off", ["first", "second"], on="one"),
                      row("idle", "off", after="300 ms")]},
    "walk": region("home", "home on", row("on", "home", on="key.press"),
                   row("home", "on", after="100 ms", emit="one")),
}, **DRAWS)  # fmt: skip
"""What wakes where its time ends before what leads on, in one instant."""

BESIDE = made({
    "lamp": {**LAMP, "states": {"dark": {}, "lit": {"glow": "on", **AWAKE}}},
    "wait": {"starts": "home", "states": {"home": {}, "busy": AWAKE, "drowsy": {}},
             "rows": [row("busy", "home", on="key.press", when="lamp.lit"),
                      row("home", ["busy", "drowsy"], on="key.release", when="lamp.dark")]},
}, **DRAWS)  # fmt: skip
"""What is awake where something else, which it asks for, is so anyway."""


@pytest.mark.parametrize(("gadget", "about", "words"), [
    pytest.param(STAYS, "behaviour.wait.rows[0]", GOES, id="stays awake"),
    pytest.param(PASSES, "behaviour.wait.rows[1]", GOES, id="wakes for an instant"),
    pytest.param(MEETS, "behaviour.lamp.rows[1]",
                 "its time ends after all else in that instant", id="wakes as times meet"),
])  # fmt: skip
def test_a_fault_that_shows_by_a_waking_alone_is_not_proved(
    gadget: Gadget, about: str, words: str,
) -> None:
    """Its outputs never differ: only what the controller draws does."""
    prepared, fault = fault_of(gadget, about, words)
    assert told(prepared, [fault], 6) == []
    assert told(prepared, [fault], 6, "wake") != []
    assert not Prover(holding(prepared.system), gadget.segments).same(fault)


def test_a_waking_beside_another_is_proved_to_change_nothing() -> None:
    """The search looks at all that its regions keep awake together."""
    prepared, fault = fault_of(BESIDE, "behaviour.wait.rows[0]", GOES)
    assert Prover(holding(prepared.system), BESIDE.segments).same(fault)
    assert told(prepared, [fault], 24, "wake") == []


@pytest.mark.parametrize("gadget", [STAYS, PASSES, MEETS, BESIDE])
def test_what_is_proved_wakes_the_controller_as_the_model_does(gadget: Gadget) -> None:
    """Every fault of these gadgets that the search proves, against random courses."""
    prepared = Prepared(gadget)
    system = holding(prepared.system)
    with uncounted():
        prover = Prover(system, gadget.segments, 0.1, whole=Budget(100_000))
        same = [fault for fault in all_faults(system) if prover.same(fault)]
        assert told(prepared, same, 24, "wake") == []
