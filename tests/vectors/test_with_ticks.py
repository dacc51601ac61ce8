"""Times that begin anew with a tick, where they have just begun: held against random play."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from simfw import load_gadget
from simfw.behaviour.hold import holding
from simfw.engine.simulator import Prepared
from simfw.gadget.model import Gadget
from simfw.vectors.possible import all_faults
from simfw.vectors.said import says_the_same
from tests.sharing import uncounted
from tests.vectors.test_equal import fault_of, made, region, row, told

TICKER = Path(__file__).parents[1] / "gallery" / "ticker" / "gadget.toml"
ANEW = "its times begin anew at tick"


def ticks(heart: dict[str, Any], ticker: dict[str, Any] | None = None) -> Gadget:
    """A heart that beats, and a region that ticks."""
    return made({"heart": heart, "ticker": ticker or TICKS})


TICKS = region("on", "on", row("on", "on", after="300 ms", emit="tick"))
RING = (row("b", "a", after="100 ms"), row("a", "b", after="50 ms"))

ROUND = ticks(region("a", "a b", *RING, lit="b"))
"""It goes round twice from tick to tick."""

PASSED_ON = made({
    "ticker": region("on", "on", row("on", "on", after="300 ms", emit="soon")),
    "walk": region("home", "home on", row("on", "home", on="soon", emit="tick"),
                   row("home", "on", on="soon", emit="tick")),
    "heart": region("a", "a b", *RING, lit="b")})  # fmt: skip
"""The tick is passed on by a region that does nothing else."""

UNEVEN = ticks(region("a", "a b", row("b", "a", after="100 ms"), row("a", "b", after="140 ms"),
                      lit="b"))
"""It goes round once and a quarter."""

PRESSED = ticks(region("a", "a b", *RING, lit="b"),
                region("on", "on off", row("on", "on", after="300 ms", emit="tick"),
                       row("off", "on", on="key.press"), row("on", "off", on="key.release")))
"""A key moves what ticks."""

TOLD_BY_KEY = made({
    "ticker": TICKS, "heart": region("a", "a b", *RING, lit="b"),
    "walk": region("on", "on", row("same", "on", on="key.press", emit="tick"))})  # fmt: skip
"""A key ticks, too."""

MOVED = ticks(region("a", "a b", *RING, row("a", "b", on="key.press"), lit="b"))
"""A key moves the heart."""

GUARDED = ticks(region("a", "a b", row("b", "a", after="100 ms", when="key.closed"),
                       row("a", "b", after="50 ms"), lit="b"))
"""It stands still where a key is open."""

KEPT = ticks(region("a", "a b", *RING, lit="b", kept="state"))
"""It begins where the supply has left it."""


@pytest.mark.parametrize("gadget", [
    pytest.param(UNEVEN, id="uneven"), pytest.param(PRESSED, id="pressed"),
    pytest.param(TOLD_BY_KEY, id="told by a key"), pytest.param(MOVED, id="moved"),
    pytest.param(GUARDED, id="guarded")])
def test_where_a_time_has_not_always_just_begun_random_play_tells_and_nothing_is_proved(
    gadget: Gadget,
) -> None:
    """Each premise, in a gadget where it does not hold."""
    prepared, fault = fault_of(gadget, "heart", ANEW)
    with uncounted():
        assert told(prepared, [fault], 24) != []
    assert not says_the_same(holding(prepared.system), fault)


@pytest.mark.parametrize("gadget", [pytest.param(ROUND, id="round"),
                                    pytest.param(PASSED_ON, id="passed on"),
                                    pytest.param(KEPT, id="kept")])
def test_a_time_that_has_just_begun_may_begin_anew(gadget: Gadget) -> None:
    """The tick comes in the instant in which the region comes round."""
    prepared, fault = fault_of(gadget, "heart", ANEW)
    assert says_the_same(holding(prepared.system), fault)
    with uncounted():
        assert told(prepared, [fault], 12, "wake") == []


def test_a_heart_that_beats_with_every_sample_may_begin_anew_at_what_a_sample_tells() -> None:
    """The gauge is read every 3 s, the heart beats every 250 ms; the other ticks every 400 ms."""
    system = holding(Prepared(load_gadget(TICKER)).system)
    begun = {fault.text: says_the_same(system, fault) for fault in all_faults(system)
             if fault.kind == "begun"}
    for event in ("gauge.up", "gauge.down", "cell.low", "cell.flat", "cell.back"):
        assert begun[f"heart: its times begin anew at {event}"]
        assert not begun[f"pulse: its times begin anew at {event}"]
