"""Chords that are made, let go of one by one, and made again; and what happens in a time."""

from __future__ import annotations

from collections.abc import Iterable

import pytest

from simfw.behaviour.hold import holding
from simfw.behaviour.sequences import steady
from simfw.engine.simulator import Prepared
from simfw.gadget.model import Gadget
from simfw.vectors.amid import Amid
from simfw.vectors.build import Rehearsal, find_paths
from simfw.vectors.dances import Dances
from simfw.vectors.exposing import Judge
from simfw.vectors.nodes import Found
from simfw.vectors.onward import Onward
from simfw.vectors.possible import all_faults
from simfw.vectors.whittle import Whittler
from tests.vectors.test_equal import fault_of, made, region, row

SETTLE = {"debounce": "20 ms"}
LOCKS = made({
    "lamp": region("dark", "dark lit",
                   row("lit", "dark", on=["a.click", "b.click", "c.click"], when="lock.open"),
                   row("dark", "lit", on=["a.click", "b.click", "c.click"]), lit="lit"),
    "lock": region("open", "open shut", row("shut", "open", on="two.chord", emit="shuts"),
                   row("open", "shut", on="all.chord")),
    "motor": region("still", "still turning", row("turning", "still", on="c.click"),
                    row("still", "turning", after="80 ms"), lit="turning", what="buzz"),
}, buttons={"a": SETTLE, "b": SETTLE, "c": SETTLE},
    chords={"two": {"buttons": ["a", "b"], "within": "60 ms"},
            "all": {"buttons": ["a", "b", "c"], "within": "100 ms"}})  # fmt: skip
"""A chord of two that locks, and one of three that unlocks: it is seen only while it is locked."""

CLICKS = made({
    "lamp": region("dark", "dark lit", row("lit", "dark", on=["a.click", "b.click"]),
                   row("dark", "lit", on=["a.click", "b.click"]), lit="lit"),
    "bell": region("still", "still ringing", row("ringing", "still", on="two.chord"),
                   row("still", "ringing", after="80 ms"), lit="ringing", what="buzz"),
}, buttons={"a": SETTLE, "b": SETTLE},
    chords={"two": {"buttons": ["a", "b"], "within": "60 ms"}})  # fmt: skip
"""A chord, and clicks that tell who counts as part of it."""

READ = {"style": "sample", "samples": 2, "sample_every": "50 ms"}
SHUT = made({
    "lamp": region("dark", "dark lit shut", row("lit", "dark", on="a.click"),
                   row("dark", "lit", on="b.click"),
                   row("shut", ["dark", "lit"], on="two.chord"),
                   row("dark", "shut", on="two.chord"), lit="lit"),
}, buttons={"a": READ, "b": READ},
    chords={"two": {"buttons": ["a", "b"], "within": "150 ms"}})  # fmt: skip
"""A lamp that two buttons together shut: they are read at intervals, so that one which is closed at
power-up is pressed then."""


@pytest.fixture(scope="module")
def locks() -> Prepared:
    """The locks, prepared."""
    return Prepared(LOCKS)


@pytest.fixture(scope="module")
def paths(locks: Prepared) -> list[Found]:
    """What the search for paths finds."""
    return find_paths(LOCKS, locks)


def told(prepared: Prepared, courses: Iterable[Found]) -> set[str]:
    """What courses tell of all faults of chords and buttons."""
    system = holding(prepared.system)
    judge, model = Judge(system, prepared.gadget.segments), Rehearsal(prepared)
    for path in courses:
        played = model.played(path.charge, path.acts, path.ends_ns)
        assert played is not None
        judge.add(played)
    return {fault.text for fault in all_faults(system)
            if not fault.about.startswith("behaviour.") and judge.exposed(fault) is not None}


def dances(gadget: Gadget, prepared: Prepared, paths: list[Found]) -> Dances:
    """The dances, from where the paths come by."""
    system = holding(prepared.system)
    whittler = Whittler(gadget, system, prepared.circuit, paths)
    return Dances(gadget, steady(system), whittler.places)


def test_a_button_comes_again_while_others_are_held() -> None:
    """A chord that is over when the first is let go of, or in which a second press is a click."""
    prepared = Prepared(CLICKS)
    courses = list(dances(CLICKS, prepared, find_paths(CLICKS, prepared)).held("two"))
    assert len(courses) == 2
    assert told(prepared, courses) >= {
        "chords.two.buttons#5: its guard is dropped", "chords.two.buttons#6: its guard is dropped",
        "chords.two.buttons#5: `not b.pressed` is dropped",
        "chords.two.buttons#6: `not a.pressed` is dropped",
        "chords.two#1: never fires", "chords.two#3: never fires"}


def test_a_chord_is_made_from_power_up_on() -> None:
    """With a button that is closed then already; and one is let go of as the other comes, and comes
    again: the time of the chord has begun anew, for the first time of all.
    """
    prepared = Prepared(SHUT)
    courses = list(dances(SHUT, prepared, find_paths(SHUT, prepared)).at_power_up("two"))
    assert told(prepared, courses) >= {
        "a: closed already, taken for open", "b: closed already, taken for open",
        "chords.two.within#3: the end of the first stay still counts"}


def test_a_chord_is_made_just_behind_a_row() -> None:
    """A row that waits for a chord is reached as one that waits for a click is."""
    prepared, fault = fault_of(SHUT, "behaviour.lamp.rows[2]",
                               "is lost behind behaviour.lamp.rows[0]")
    system = holding(prepared.system)
    onward = Onward(SHUT, steady(system), prepared.circuit, 2_000)
    for _ in onward.courses():
        pass
    judge, model = Judge(system, SHUT.segments), Rehearsal(prepared)
    for path in onward.following(fault.twist.behind, fault.twist.lost):
        played = model.played(path.charge, path.acts, path.ends_ns)
        assert played is not None
        judge.add(played)
    assert judge.exposed(fault) is not None


def test_the_time_of_a_chord_is_gone_through_where_the_chord_shows(
    locks: Prepared, paths: list[Found]
) -> None:
    """It is locked first: a time that begins anew where it should not, does not where it should, or
    is a step shorter.
    """
    made_by = dances(LOCKS, locks, paths)
    courses = list(made_by.timed("all"))
    assert all(path.acts[0].at_ns < 2 * 10**9 for path in courses)
    assert len(courses) <= 40
    assert told(locks, courses) >= {
        *(f"chords.all.within#{number}: {words}" for number in (1, 2, 3)
          for words in ("never fires", "its guard is dropped")),
        "chords.all.within#4: its time is a step shorter"}


@pytest.mark.parametrize("event", ["a.click", "two.chord", "all.chord", "shuts"])
def test_an_event_comes_in_the_middle_of_a_time(
    locks: Prepared, paths: list[Found], event: str
) -> None:
    """What people do while the motor turns, chords and what follows from them among it."""
    system = holding(locks.system)
    _, fault = fault_of(LOCKS, "motor", f"its times begin anew at {event}")
    courses = list(Amid(LOCKS, steady(system), locks.circuit).during(fault, paths))
    assert 0 < len(courses) <= 9
    judge, model = Judge(system, LOCKS.segments), Rehearsal(locks)
    for path in courses:
        played = model.played(path.charge, path.acts, path.ends_ns)
        assert played is not None
        judge.add(played)
    assert judge.exposed(fault) is not None
