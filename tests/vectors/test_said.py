"""Faults that the rows alone show to be none, and gadgets in which what that rests on fails."""

from __future__ import annotations

from typing import Any

import pytest

from simfw.behaviour.hold import holding
from simfw.behaviour.region import System
from simfw.engine.simulator import Prepared
from simfw.gadget.model import Gadget
from simfw.vectors.build import Rehearsal
from simfw.vectors.exposing import Judge
from simfw.vectors.faults import Fault
from simfw.vectors.orders import changes_nothing
from simfw.vectors.possible import all_faults
from simfw.vectors.said import says_the_same
from simfw.vectors.sketch import Act
from tests.vectors.acts import pressed
from tests.vectors.test_equal import (
    DUSK,
    KEPT,
    SHIFTED,
    TURNED,
    fault_of,
    made,
    region,
    row,
    told,
)

DUSKY = made({
    "lamp": region("dark", "dark lit fading out",
                   row("lit", "dark", on="key.press"), row("fading", "lit", after="400 ms"),
                   row("out", "fading", after="300 ms"),
                   row("dark", ["lit", "fading", "out"], on="key.release"), lit="lit fading"),
})  # fmt: skip
"""Who ends the fading before its time has first to wait longer than that for the next."""

SOON = made({
    "lamp": region("dark", "dark lit fading out",
                   row("lit", "dark", on="key.press"), row("fading", "lit", after="200 ms"),
                   row("out", "fading", after="300 ms"),
                   row("dark", ["lit", "fading", "out"], on="key.release"), lit="lit fading"),
})  # fmt: skip
"""Here the next comes sooner."""

SWITCHED = made({
    "lamp": region("dark", "dark lit", row("lit", "dark", on="slide.closed"),
                   row("dark", "lit", on="slide.opened"), lit="lit"),
}, buttons={}, toggles={"slide": {"debounce": "20 ms"}})  # fmt: skip
"""A toggle settles from power-up on: an edge there begins anew what has just begun."""

PRESSED = made({
    "lamp": region("dark", "dark lit", row("lit", "dark", on="key.press"),
                   row("dark", "lit", on="key.press"), lit="lit"),
})  # fmt: skip
"""A button is still from power-up on: an edge there is a press."""

GAUGED = {"gauge": {"thresholds": ["3.5 V", "3.7 V"], "low": "3.4 V", "every": "1 s"}}
BESIDE = made({
    "lamp": region("dark", "dark lit", row("lit", "dark", on="slide.closed"), lit="lit"),
}, buttons={}, toggles={"slide": {"debounce": "20 ms"}}, **GAUGED)  # fmt: skip
ALONE = made({
    "lamp": region("dark", "dark lit", row("lit", "dark", on="key.press"), lit="lit"),
}, **GAUGED)  # fmt: skip
"""The first sample of a gauge, with a toggle that is awake at power-up, and without one."""

STILL = made({
    "clock": region("home", "home away", row("same", "home", after="100 ms", emit="one"),
                    row("away", "home", after="250 ms"), row("home", "away", on="key.press"),
                    row("home", "away", on="one"), lit="away"),
    "other": region("on", "on off", row("same", "on", on="key.release", emit="one")),
})  # fmt: skip
"""What tells something on its way, and goes on waiting."""

MEASURED = {"unit": "lx", "thresholds": ["10 lx"], "hysteresis": "2 lx", "every": "100 ms",
            "settle": "10 ms"}  # fmt: skip
WATCHED = made({
    "lamp": region("dark", "dark lit", row("lit", "dark", on="key.press"),
                   row("dark", "lit", on="key.release"), row("dark", "lit", on="light.up"),
                   lit="lit"),
}, measures={"light": {**MEASURED, "enabled": "lamp.lit"}})  # fmt: skip
"""What is measured while a lamp is lit, which may go out at once."""

def listed(*rows: dict[str, Any], **more: Any) -> Gadget:
    """A lamp that a list of rows puts out: those first that ask whether it is locked."""
    return made({
        "lamp": region("dark", "dark lit",
                       row("dark", ["dark", "lit"], on="key.click", when="lock.shut"),
                       row("lit", "dark", on="key.click"),
                       row("dark", ["dark", "lit"], on="key.click"), *rows, lit="lit", **more),
        "lock": region("open", "open shut", row("shut", "open", on="key.hold"),
                       row("open", "shut", on="key.hold")),
    }, buttons={"key": {"debounce": "20 ms", "hold": "200 ms"}})  # fmt: skip


LISTED = listed()
"""What puts out a lamp that is dark anyway changes nothing; nor does what never comes first."""

DIMMED = listed(row("lit", "dark", after="400 ms"))
"""Here the time until it is lit begins anew."""

RELIT = listed(row("resume", "lit", on="key.hold"), resume_points=["lit", "dark"])
"""Here what is gone back to is what was entered last."""

def plugged(*rows: dict[str, Any], **more: Any) -> Gadget:
    """A lamp with a key, a charger beside it, and what else hears of USB."""
    return made({
        "lamp": region("dark", "dark lit", row("lit", "dark", on="key.press"),
                       row("dark", "lit", on="key.release"), *rows, lit="lit"), **more,
    }, charger={"current": "250 mA", "float": "4.2 V", "finish": "10 %"})  # fmt: skip


PLUGGED = plugged()
"""Whether USB is in at power-up is nobody's business."""

LIT_BY_USB = plugged(row("lit", "dark", on="usb.in"))
"""Here the lamp is lit by it."""

LIT_BEYOND = plugged(row("lit", "dark", on="soon"),
                     relay=region("home", "home away", row("away", "home", on="usb.in"),
                                  row("home", "away", after="100 ms", emit="soon")))
"""Here a region hears of it that drives nothing, and another one of that."""

LEVEL = "dials.level.rows[1]#1"
ANEW = "the time of the new state does not begin anew"
LOST = "is lost behind behaviour"
BEGUN = "its times begin anew at"
AGAIN = "its guard is asked again"
STAYS = "the end of an earlier stay still counts"
UNSEEN = "not looked at"
SAME_TIME = "does not begin the time anew"
BEHIND = "is lost behind behaviour.lamp."


def by_rows(system: System, fault: Fault) -> bool:
    """Whether rows alone tell that it is none."""
    return changes_nothing(system, fault) or says_the_same(system, fault)


@pytest.mark.parametrize(("gadget", "about", "words", "said"), [
    pytest.param(TURNED, LEVEL, "`turn.down` is dropped", True, id="the row before asks as much"),
    pytest.param(TURNED, LEVEL, "`torch.lit` is dropped", False, id="nothing asks for it"),
    pytest.param(DUSKY, "behaviour.lamp.rows[2]", STAYS, True, id="a long way back"),
    pytest.param(SOON, "behaviour.lamp.rows[2]", STAYS, False, id="a short way back"),
    pytest.param(SWITCHED, "slide", "closed already, taken for an edge", True, id="settles anyway"),
    pytest.param(PRESSED, "key", "closed already, taken for an edge", False, id="is a press"),
    pytest.param(DUSK, "measures.light.enabled#2", ANEW, True, id="off until it is on"),
    pytest.param(WATCHED, "measures.light.enabled#2", ANEW, False, id="off for part of an instant"),
    pytest.param(DUSK, "measures.light.every", AGAIN, True, id="led on before it is asked"),
    pytest.param(WATCHED, "measures.light.every", AGAIN, False, id="off and on in an instant"),
    pytest.param(PRESSED, "buttons.key.debounce#2", AGAIN, True, id="over by then"),
    pytest.param(SHIFTED, "behaviour.lamp.rows[3]", AGAIN, False, id="still there"),
    pytest.param(DUSK, "behaviour.house.rows[6]", f"{LOST}.house.rows[4]", True,
                 id="comes behind another"),
    pytest.param(DUSK, "behaviour.house.rows[6]", f"{LOST}.house.rows[5]", False,
                 id="comes behind that"),
    pytest.param(STILL, "behaviour.clock.rows[3]", f"{LOST}.clock.rows[1]", False,
                 id="told on its way"),
    pytest.param(DUSK, "house", f"{BEGUN} fade.end", True, id="begun in that instant"),
    pytest.param(DUSK, "house", f"{BEGUN} auto.closed", False, id="others begin it"),
    pytest.param(STILL, "clock", f"{BEGUN} one", False, id="told without entering"),
    pytest.param(BESIDE, "gauge.reading", "does not keep awake", True, id="awake beside"),
    pytest.param(ALONE, "gauge.reading", "does not keep awake", False, id="awake alone"),
    pytest.param(PLUGGED, "usb", UNSEEN, True, id="nobody asks for USB"),
    pytest.param(LIT_BY_USB, "usb", UNSEEN, False, id="lit by USB"),
    pytest.param(LIT_BEYOND, "usb", UNSEEN, False, id="lit by what hears of USB"),
    pytest.param(LISTED, "behaviour.lamp.rows[0]", SAME_TIME, True, id="no time to begin anew"),
    pytest.param(DIMMED, "behaviour.lamp.rows[0]", SAME_TIME, False, id="a time begins anew"),
    pytest.param(RELIT, "behaviour.lamp.rows[0]", SAME_TIME, False, id="what is remembered"),
    pytest.param(LISTED, "behaviour.lamp.rows[0]", f"{BEHIND}rows[2]", True, id="dark already"),
    pytest.param(DIMMED, "behaviour.lamp.rows[0]", f"{BEHIND}rows[2]", False, id="dark anew"),
    pytest.param(LISTED, "behaviour.lamp.rows[2]", f"{BEHIND}rows[0]", True, id="never first"),
    pytest.param(LISTED, "behaviour.lamp.rows[2]", f"{BEHIND}rows[1]", False, id="comes first"),
])  # fmt: skip
def test_a_fault_is_said_to_be_none_only_where_what_that_rests_on_holds(
    gadget: Gadget, about: str, words: str, said: bool,
) -> None:
    """One gadget for each proof, and one beside it in which its premise fails."""
    prepared, fault = fault_of(gadget, about, words)
    assert by_rows(holding(prepared.system), fault) is said


@pytest.mark.parametrize("gadget", [
    DUSK, TURNED, DUSKY, SOON, SWITCHED, PRESSED, BESIDE, ALONE, KEPT, LISTED, DIMMED, RELIT,
    STILL])
def test_nothing_that_is_said_to_be_none_is_told_by_random_play(gadget: Gadget) -> None:
    """Every fault of these gadgets, against random courses with losses of the supply."""
    prepared = Prepared(gadget)
    system = holding(prepared.system)
    said = [fault for fault in all_faults(system) if by_rows(system, fault)]
    assert told(prepared, said, 18, "wake") == []


def test_random_play_tells_what_a_short_way_back_does() -> None:
    """The premise that fails is one that shows."""
    prepared, fault = fault_of(SOON, "behaviour.lamp.rows[2]", STAYS)
    assert told(prepared, [fault], 24) != []


@pytest.mark.parametrize(("gadget", "about", "words"), [
    pytest.param(DIMMED, "behaviour.lamp.rows[0]", SAME_TIME, id="a time begins anew"),
    pytest.param(DIMMED, "behaviour.lamp.rows[0]", f"{BEHIND}rows[2]", id="dark anew"),
    pytest.param(LISTED, "behaviour.lamp.rows[2]", f"{BEHIND}rows[1]", id="comes first"),
])  # fmt: skip
def test_random_play_tells_what_begins_a_time_anew_and_what_comes_first(
    gadget: Gadget, about: str, words: str,
) -> None:
    """The premises that fail are ones that show."""
    prepared, fault = fault_of(gadget, about, words)
    assert told(prepared, [fault], 40) != []


@pytest.mark.parametrize(("gadget", "shows"), [(PLUGGED, False), (LIT_BY_USB, True),
                                               (LIT_BEYOND, True)])
def test_usb_that_is_not_looked_at_at_power_up_shows_where_a_lamp_is_lit_by_it(
    gadget: Gadget, shows: bool,
) -> None:
    """USB is in as the supply comes; the key is pressed later."""
    prepared, fault = fault_of(gadget, "usb", UNSEEN)
    judge = Judge(holding(prepared.system), gadget.segments)
    acts = (Act(0, "usb", "usb", 1.0), *pressed("key", (500, 100)))
    judge.add(Rehearsal(prepared).play(charge=0.7, acts=acts, ends_ns=10**9, whole=False))
    assert (judge.exposed(fault) is not None) is shows


def winking(after: str, **guard: str) -> Gadget:
    """Events are told 100 ms apart; a lamp that the first lights winks once by then, or later."""
    return made({
        "walk": region("home", "home on over", row("on", "home", on="key.press"),
                       row("over", "on", after="100 ms", emit="one"),
                       row("home", "over", after="100 ms", emit="two")),
        "lamp": region("dark", "dark wink rest", row("wink", "dark", on="one"),
                       row("rest", "wink", after=after, **guard),
                       row("dark", ["wink", "rest"], on="two"), lit="wink rest"),
        "lock": region("shut", "shut open", row("open", "shut", on="key.release"),
                       row("shut", "open", on="key.release")),
    })


@pytest.mark.parametrize(("gadget", "said"), [
    pytest.param(winking("50 ms"), True, id="ends between them"),
    pytest.param(winking("150 ms"), False, id="ends later"),
    pytest.param(winking("50 ms", when="lock.open"), False, id="may be held up"),
])
def test_a_row_never_comes_just_behind_another_where_a_time_ends_between_them(
    gadget: Gadget, said: bool,
) -> None:
    """What is said to be none is told by no random play; what may come just behind is."""
    prepared, fault = fault_of(gadget, "behaviour.lamp.rows[2]", f"{BEHIND}rows[0]")
    assert says_the_same(holding(prepared.system), fault) is said
    assert (told(prepared, [fault], 30) == []) is said


def forked(second: str) -> Gadget:
    """As its time ends a lamp goes one of two ways, as two guards say."""
    return made({
        "lock": region("shut", "shut open", row("open", "shut", on="key.release"),
                       row("shut", "open", on="key.release")),
        "lamp": region("dark", "dark wait lit out", row("wait", "dark", on="key.press"),
                       row("lit", "wait", after="100 ms", when="lock.open"),
                       row("out", "wait", after="100 ms", when=second),
                       row("dark", ["wait", "lit", "out"], on="key.release"), lit="lit"),
    })


@pytest.mark.parametrize(("gadget", "said"), [
    pytest.param(forked("lock.shut"), True, id="never both"),
    pytest.param(forked("key.closed"), False, id="sometimes both"),
])
def test_of_two_ends_of_one_time_either_may_be_tried_first_if_never_both_may(
    gadget: Gadget, said: bool,
) -> None:
    """The first whose guard holds ends the stay, and the other one is dropped."""
    prepared, fault = fault_of(gadget, "behaviour.lamp.rows[1]",
                               "is tried after behaviour.lamp.rows[2]")
    assert says_the_same(holding(prepared.system), fault) is said
    assert (told(prepared, [fault], 30) == []) is said


def levelled(least: str, most: str) -> Gadget:
    """A lamp with a level for a cell below one voltage, and one for a cell above another."""
    return made({
        "lamp": region("dark", "dark lit low",
                       row("low", "dark", on="key.press", when=f"cell.voltage < {most}"),
                       row("lit", "dark", on="key.press", when=f"cell.voltage > {least}"),
                       row("dark", ["lit", "low"], on="key.release"),
                       lit="lit", by={"low": "50 %"}),
    })  # fmt: skip


@pytest.mark.parametrize(("least", "most", "said"), [
    pytest.param("3.6", "3.4", True, id="never both"),
    pytest.param("3.4", "3.6", False, id="both between them"),
    pytest.param("3.5", "3.5", True, id="never both at the level itself"),
])
def test_two_levels_of_one_reading_are_asked_of_one_and_the_same_reading(
    least: str, most: str, said: bool,
) -> None:
    """The order of two rows makes no difference where their levels exclude each other."""
    prepared, fault = fault_of(levelled(least, most), "behaviour.lamp.rows[0]",
                               "is tried after behaviour.lamp.rows[1]")
    assert says_the_same(holding(prepared.system), fault) is said
