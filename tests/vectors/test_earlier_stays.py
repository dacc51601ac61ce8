"""Proofs that the end of an earlier stay never counts in a later one; stays from power-up on."""

from __future__ import annotations

import pytest

from simfw.behaviour.hold import holding
from simfw.engine.simulator import Prepared
from simfw.gadget.model import Gadget
from simfw.vectors.equal import Prover
from simfw.vectors.possible import all_faults
from simfw.vectors.sketch import Act
from simfw.verify.budget import Budget
from tests.vectors.test_equal import fault_of, made, region, row, told, told_by


def resting(rest: str, starts: str = "off") -> Gadget:
    """A lamp that is lit for 100 ms at most, and rests after a release."""
    return made({
        "lamp": region(starts, "off lit rest", row("lit", "off", on="key.press"),
                       row("off", "lit", after="100 ms"), row("rest", "lit", on="key.release"),
                       row("off" if starts == "off" else "lit", "rest", after=rest), lit="lit"),
    })  # fmt: skip


TWO = made({
    "lamp": region("off", "off lit bright rest", row("lit", "off", on="key.press"),
                   row("bright", "lit", on="key.release"), row("off", ["lit", "bright"],
                                                               after="200 ms"),
                   row("rest", "bright", on="key.press"), row("off", "rest", after="20 ms"),
                   lit="lit", by={"bright": "50 %"}),
})  # fmt: skip
"""Two states with one time: a stay in the second begins while the first could still end."""
BLINK = made({
    "lamp": region("off", "off lit", row("lit", "off", after="50 ms"),
                   row("off", "lit", after="50 ms"), row("off", "lit", on="key.press"), lit="lit"),
})  # fmt: skip
"""Blinks: lit again exactly when the earlier stay would have ended, or later."""
ENDS = "the end of an earlier stay still counts"
FIRST = "the end of the first stay still counts"


def same(gadget: Gadget, about: str, words: str) -> bool:
    """Whether it is proved to change nothing."""
    prepared, fault = fault_of(gadget, about, words)
    return Prover(holding(prepared.system), gadget.segments).same(fault)


@pytest.mark.parametrize("words", [ENDS, FIRST])
@pytest.mark.parametrize(("rest", "proved"), [
    pytest.param("100 ms", True, id="it is over by then"),
    pytest.param("90 ms", True, id="the debounce takes the rest of the time"),
    pytest.param("10 ms", False, id="it is not"),
])
def test_an_end_that_is_over_before_the_next_stay_does_not_count(
    rest: str, proved: bool, words: str,
) -> None:
    """From the press that lights it the lamp rests so long, and a press more has to settle."""
    gadget = resting(rest)
    assert same(gadget, "behaviour.lamp.rows[1]", words) is proved
    prepared, fault = fault_of(gadget, "behaviour.lamp.rows[1]", words)
    if proved:
        assert told(prepared, [fault], 12) == []


def test_a_first_stay_begins_with_the_supply() -> None:
    """A lamp that is lit at power-up, and lit again a moment after a release that comes soon."""
    assert not same(resting("10 ms", "lit"), "behaviour.lamp.rows[1]", FIRST)
    assert same(resting("100 ms", "lit"), "behaviour.lamp.rows[1]", FIRST)


def test_a_stay_in_another_state_with_the_same_time_begins_too_soon() -> None:
    """The time goes on from one of its states into the other: that is no end of an earlier stay
    that is over.
    """
    assert not same(TWO, "behaviour.lamp.rows[2]", ENDS)


def test_an_end_that_falls_on_the_next_stay_is_over() -> None:
    """It would have ended in that very instant, and counts no more."""
    assert same(BLINK, "behaviour.lamp.rows[1]", ENDS)


@pytest.mark.parametrize("gadget", [resting("10 ms"), resting("30 ms"), resting("40 ms", "lit"),
                                    TWO, BLINK])
def test_no_end_that_is_proved_to_be_over_is_told_by_random_play(gadget: Gadget) -> None:
    """Of all that is left of a stay."""
    prepared = Prepared(gadget)
    prover = Prover(holding(prepared.system), gadget.segments, whole=Budget(200_000))
    faults = [fault for fault in all_faults(holding(prepared.system)) if fault.kind == "lasts"]
    assert faults
    assert told(prepared, [fault for fault in faults if prover.same(fault)], 24) == []


def test_a_contact_that_closes_with_the_supply_settles_as_times_end_that_begin_with_it() -> None:
    """A time as long as the debounce: the press comes in the very instant in which it ends."""
    gadget = made({"lamp": region("dark", "dark lit", row("lit", "dark", after="20 ms"),
                                  row("dark", "lit", on="key.press"), lit="lit")})
    about, words = "behaviour.lamp.rows[0]", "its time ends after all else in that instant"
    prepared, fault = fault_of(gadget, about, words)
    assert told_by(prepared, [fault], [(Act(0, "contact", "key", 1.0),)]) != []
    assert not same(gadget, about, words)


def test_a_contact_that_closes_as_the_supply_comes_back_settles_as_times_end() -> None:
    """The same where a bench gives the supply back: what is kept has no such time before."""
    gadget = made({"lamp": region(
        "dark", "dark lit weak half", row("lit", "dark", on="key.press"),
        row("weak", "lit", after="20 ms"), row("half", "lit", on="key.press"),
        row("dark", ["weak", "half"], on="key.release"), lit="weak", kept="state")})  # fmt: skip
    about, words = "behaviour.lamp.rows[1]", "its time ends after all else in that instant"
    prepared, fault = fault_of(gadget, about, words)
    ms = 1_000_000
    course = (Act(100 * ms, "contact", "key", 1.0), Act(130 * ms, "supply", "supply", 0.0),
              Act(140 * ms, "contact", "key", 0.0), Act(400 * ms, "supply", "supply", 1.0),
              Act(400 * ms, "contact", "key", 1.0))
    assert told_by(prepared, [fault], [course]) != []
    assert not same(gadget, about, words)
