"""A firmware that serves one of two times that end together loses the other."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from simfw.behaviour.hold import holding
from simfw.engine.simulator import Prepared
from simfw.gadget.model import Gadget
from simfw.vectors import make_vectors
from simfw.vectors.build import Rehearsal, find_paths
from simfw.vectors.equal import Prover
from simfw.vectors.exposing import Judge
from simfw.vectors.faults import Fault
from simfw.vectors.possible import all_faults
from simfw.vectors.whittle import Whittler
from tests.vectors.acts import pressed
from tests.vectors.test_equal import MS, made, region, row
from tests.vectors.test_equal import told as played

S = 1000 * MS
KEY = {"key": {"debounce": "20 ms", "double": "300 ms"}}
LAMP = made({
    "lamp": region("dark", "dark lit", row("lit", "dark", on="key.click"),
                   row("dark", "lit", on="key.click"), row("dark", "lit", after="5 s"), lit="lit"),
}, buttons=KEY)
"""A click lights a lamp, and puts it out; so does a time."""


def eclipsed(gadget: Gadget) -> list[Fault]:
    """The faults of this kind."""
    return [fault for fault in all_faults(holding(Prepared(gadget).system))
            if fault.kind == "eclipsed"]


def of(gadget: Gadget, text: str) -> Fault:
    """The one fault with such words."""
    (fault,) = (one for one in eclipsed(gadget) if text in one.text)
    return fault


def told(gadget: Gadget, fault: Fault, off_ns: int, second_ms: int) -> int | None:
    """When it is told (ns) where the second of two presses comes so much later."""
    prepared = Prepared(gadget)
    judge = Judge(holding(prepared.system), gadget.segments)
    acts = pressed("key", (1000, 100), (second_ms, 100))
    acts[2:] = [replace(act, at_ns=act.at_ns + off_ns) for act in acts[2:]]
    judge.add(Rehearsal(prepared).play(charge=0.5, acts=acts, ends_ns=9 * S))
    found = judge.exposed(fault)
    return None if found is None else found[1]


@pytest.mark.parametrize("off_ns", [0, 1, -1])
def test_an_end_is_lost_where_a_click_is_told_in_its_instant(off_ns: int) -> None:
    """Lit by the click that is told at 1.42 s, the lamp goes out at 6.42 s and the click told then
    lights it again: without its end that click puts it out. A nanosecond apart both are served.
    """
    fault = of(LAMP, "lamp.rows[2]: its end is lost where the time of buttons.key.double")
    assert told(LAMP, fault, off_ns, 6000) == (6420 * MS if off_ns == 0 else None)


@pytest.mark.parametrize("off_ns", [0, 1, -1])
def test_an_edge_is_lost_where_a_time_ends(off_ns: int) -> None:
    """The contact closes in the very instant in which the lamp goes out: no click comes of it."""
    fault = of(LAMP, "key: its edge is lost where the time of behaviour.lamp.rows[2] ends")
    shows = told(LAMP, fault, off_ns, 6420)
    assert (shows is not None) == (off_ns == 0)


def test_vectors_tell_each_of_them() -> None:
    """Courses are made on which the two end together, and none is said to change nothing."""
    prepared = Prepared(LAMP)
    exposure = make_vectors(LAMP, prepared.system, prepared).exposure
    mine = eclipsed(LAMP)
    assert len(mine) > 2
    assert {fault.text for fault in mine} <= {fault.text for fault, _ in exposure.exposed}
    prover = Prover(holding(prepared.system), LAMP.segments)
    assert not any(prover.same(fault) for fault in mine)


def test_no_such_fault_is_made_where_both_ways_lead_to_one_state() -> None:
    """A click that puts the lamp out in any case hides whether its time had done so."""
    lamp = made({
        "lamp": region("dark", "dark lit", row("lit", "dark", on="key.double"),
                       row("dark", "lit", on="key.click"), row("dark", "lit", after="5 s"),
                       lit="lit"),
    }, buttons=KEY)
    texts = [fault.text for fault in eclipsed(lamp)]
    assert not any("lamp.rows[2]: its end" in text and "double#3" in text for text in texts)
    assert any("lamp.rows[2]: its end" in text for text in texts)


def test_an_edge_that_nobody_hears_is_not_lost() -> None:
    """A contact that is read at intervals is looked at, and its edges are no events."""
    read = made({"lamp": region("dark", "dark lit", row("lit", "dark", on="key.click"),
                                row("dark", "lit", after="5 s"), lit="lit")},
                buttons={"key": {"style": "sample", "sample_every": "30 ms", "samples": 2}})
    assert eclipsed(read) != []
    assert not any(fault.twist.missed for fault in eclipsed(read))


def test_of_a_gadget_with_very_many_times_none_is_made() -> None:
    """Every pair has courses of its own."""
    many = made({
        "lamp": region("s0", " ".join(f"s{k}" for k in range(60)),
                       *(row(f"s{(k + 1) % 60}", f"s{k}", after=f"{k + 1} s") for k in range(60)),
                       row("s1", "s0", on="key.click"), lit="s1"),
    }, buttons=KEY)
    assert eclipsed(many) == []


def test_what_a_press_begins_anew_meets_the_end_of_a_contact_that_was_held() -> None:
    """The lamp goes out 3 s behind the press; its end is that of the settling of the release."""
    lamp = made({
        "lamp": region("lit", "lit dark", row("lit", "lit", on="key.press"),
                       row("dark", "lit", after="3 s"), row("lit", "dark", on="key.click"),
                       lit="lit"),
    }, buttons={"key": {"debounce": "20 ms", "style": "first-edge"}})
    assert shown(lamp, "lamp.rows[1]: its end is lost where the time of buttons.key.debounce#3")


@pytest.mark.parametrize("text", [
    "right.samples#5: its end is lost where the time of buttons.left.samples#3",
    "right.hold: its end is lost where the time of buttons.left.samples#5"])
def test_contacts_that_are_read_at_intervals_are_read_in_one_instant(text: str) -> None:
    """Every 3 ms the one, every 7 ms the other: both are closed so that the readings meet by which
    each counts as pressed, whatever has been held before.
    """
    gadget = made({
        "lamp": region("dark", "dark lit", row("lit", "dark", on="left.press"),
                       row("dark", "lit", on="left.press"), lit="lit"),
        "horn": region("still", "still loud shrill", row("loud", "still", on="right.press"),
                       row("shrill", "loud", on="right.hold"),
                       row("still", ["loud", "shrill"], on="right.release"), what="buzz",
                       by={"loud": "on", "shrill": "50 %"}),
    }, buttons={"left": {"style": "sample", "sample_every": "3 ms", "samples": 3},
                "right": {"style": "sample", "sample_every": "7 ms", "samples": 3,
                          "hold": "500 ms"}})
    assert shown(gadget, text)


def test_an_edge_that_is_lost_shows_where_the_time_behind_it_has_ended() -> None:
    """A touch goes unheard as a step of the lamp ends: nothing tells it but that all is over
    sooner, half a minute later.
    """
    lamp = made({
        "lamp": region("dark", "dark lit low", row("lit", "dark", on="key.press"),
                       row("low", "lit", after="700 ms"), row("lit", "low", after="700 ms"),
                       row("dark", ["lit", "low"], on="walk.over"),
                       lit="lit", by={"low": "40 %"}),
        "walk": region("home", "home on", row("on", ["home", "on"], on="key.press"),
                       row("home", "on", after="30 s", emit="walk.over")),
    })
    assert shown(lamp, "key: its edge is lost where the time of behaviour.lamp.rows[1]")


def search(*more: dict[str, Any]) -> Gadget:
    """A double click lets a lamp wink, a click or a time ends that."""
    return made({
        "lamp": region("dark", "dark wink", row("wink", "dark", on="key.double"),
                       row("dark", "wink", on="walk.over"), *more, lit="wink"),
        "walk": region("home", "home on", row("on", "home", on="key.double"),
                       row("home", "on", on="key.click"),
                       row("home", "on", after="700 ms", emit="walk.over")),
    }, buttons=KEY)


@pytest.mark.parametrize(("gadget", "text", "same"), [
    pytest.param(search(row("dark", "wink", on="key.click")), "walk.rows[2]: its end is lost where "
                 "the time of buttons.key.double", True, id="the click ends both"),
    pytest.param(search(row("same", "wink", on="key.click")), "walk.rows[2]: its end is lost where "
                 "the time of buttons.key.double", False, id="the click ends one"),
    pytest.param(search(row("dark", "wink", on="key.click")),
                 "key: its edge is lost where the time of behaviour.walk.rows[2]", False,
                 id="an edge that is heard"),
])
def test_an_end_is_proved_to_be_missed_by_nobody_where_random_play_does_not_tell_it(
    gadget: Gadget, text: str, same: bool,
) -> None:
    """Model and copy are searched side by side, with the region whose time ends beside theirs."""
    prepared, fault = Prepared(gadget), of(gadget, text)
    assert Prover(holding(prepared.system), gadget.segments).same(fault) is same
    assert (played(prepared, [fault], 60) == []) is same


def shown(gadget: Gadget, text: str) -> bool:
    """Whether the courses made for a fault tell it."""
    prepared, fault = Prepared(gadget), of(gadget, text)
    paths = find_paths(gadget, prepared)
    whittler = Whittler(gadget, holding(prepared.system), prepared.circuit, paths)
    whittler.left = [fault]
    model = Rehearsal(prepared)
    return any(whittler.tells(fault, replay) for _, path in whittler.eclipsed()
               if (replay := model.played(path.charge, path.acts, path.ends_ns)) is not None)
