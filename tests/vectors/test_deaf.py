"""A firmware that does one thing in each turn loses what comes in the instant of another thing."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from simfw import load_gadget
from simfw.behaviour.hold import holding
from simfw.engine.simulator import Prepared
from simfw.gadget.model import Gadget
from simfw.vectors import make_vectors
from simfw.vectors.build import Rehearsal
from simfw.vectors.equal import Prover
from simfw.vectors.exposing import Judge
from simfw.vectors.faults import Fault
from simfw.vectors.possible import all_faults
from simfw.vectors.sketch import Act
from tests.sharing import uncounted
from tests.vectors.acts import pressed
from tests.vectors.test_equal import MS, made, region, row
from tests.vectors.test_equal import told as told_at_random

ROOT = Path(__file__).parents[2]
S = 1000 * MS
KEY = {"key": {"debounce": "20 ms"}}
LAMP = made({
    "lamp": region("dark", "dark lit", row("dark", "lit", on="key.click"),
                   row("lit", "dark", on="key.click"), row("dark", "lit", after="5 s"), lit="lit"),
}, buttons=KEY)
"""A click lights a lamp, and puts it out; so does a time."""

SIGN = made({
    "sign": region("quiet", "quiet winking", row("winking", "quiet", on="cell.low"),
                   row("quiet", "winking", after="60 s"), lit="winking"),
}, gauge={"thresholds": ["3.6 V"], "hysteresis": "100 mV", "low": "3.4 V", "flat": "3.2 V",
          "every": "1 s"})
"""A warning of a cell that is low, for a minute."""


def deaf(gadget: Gadget) -> list[Fault]:
    """The faults of this kind."""
    return [fault for fault in all_faults(holding(Prepared(gadget).system))
            if fault.kind == "deaf"]


def told(gadget: Gadget, fault: Fault, acts: list[Act], ends_ns: int) -> int | None:
    """When a course tells a fault (ns)."""
    prepared = Prepared(gadget)
    judge = Judge(holding(prepared.system), gadget.segments)
    judge.add(Rehearsal(prepared).play(charge=0.5, acts=acts, ends_ns=ends_ns))
    found = judge.exposed(fault)
    return None if found is None else found[1]


@pytest.mark.parametrize("off_ns", [0, 1, -1])
def test_a_click_in_the_instant_in_which_a_time_ends_is_lost(off_ns: int) -> None:
    """Lit by the click that settles at 1.12 s, the lamp goes out at 6.12 s; a click that settles in
    that instant lights it again, and so does not in this firmware. A nanosecond later, or earlier,
    it hears the click as everyone does.
    """
    (fault,) = (one for one in deaf(LAMP) if one.about.startswith("behaviour."))
    assert fault.text == (
        "behaviour.lamp.rows[2]: what else comes in the instant in which its time ends is lost")
    acts = pressed("key", (1000, 100), (6000, 100))
    acts[2:] = [replace(act, at_ns=act.at_ns + off_ns) for act in acts[2:]]
    shows = told(LAMP, fault, acts, 8 * S)
    assert shows == (6120 * MS if off_ns == 0 else None)


def test_only_a_region_that_may_hear_something_then_can_lose_it() -> None:
    """The edge of a contact comes before any time ends, and what a region brings about by itself is
    not lost: here by the dial that it turns, and by what it watches.
    """
    gadget = made({
        "lamp": region("dark", "dark lit", row("lit", "dark", on="level.changed"),
                       row("dark", "lit", after="2 s", emit="over"), lit="lit"),
    }, buttons=KEY, dials={"level": {"values": ["10 %", "90 %"], "rows": [
        {"on": ["over", "key.click"], "step": 1, "wrap": True}]}})
    assert deaf(gadget) == []
    assert [fault.about for fault in deaf(LAMP)] == ["behaviour.lamp.rows[2]"]


def test_it_is_told_by_what_a_sample_tells_as_a_time_ends() -> None:
    """The cell is low again in the very sample at which the minute of the warning is over."""
    prepared = Prepared(SIGN)
    (fault,) = deaf(SIGN)
    vectors = make_vectors(SIGN, prepared.system, prepared)
    exposed = {one.text: name for one, name in vectors.exposure.exposed}
    assert fault.text in exposed
    (vector,) = (one for one in vectors.vectors if one.name == exposed[fault.text])
    assert vector.for_host
    lows = [at for at, name in vector.replay.events if name == "cell.low"]
    assert any(later - earlier == 60 * S for earlier in lows for later in lows)


SLIDE = {"slide": {"debounce": "20 ms"}}
EITHER = region("dark", "dark lit", row("lit", "dark", on="slide.closed"),
                row("dark", "lit", after="100 ms", when="not slide.on"),
                row("dark", "lit", on="slide.opened"), lit="lit")
GONE = made({"lamp": EITHER}, toggles=SLIDE)
"""A time that ends only where the slide has opened in that instant, which leads on in any case."""

BACK = made({"lamp": {**EITHER, "rows": [*EITHER["rows"], row("lit", "dark", on="slide.opened")]}},
            toggles=SLIDE)
"""What is lost then would light the lamp again."""

AT_ONCE = made({"lamp": region("dark", "dark lit", row("lit", "dark", on="key.press"),
                               row("dark", "lit", on="key.press"),
                               row("dark", "lit", after="100 ms"), lit="lit")},
               buttons={"key": {"debounce": "0 s"}})
"""A press that settles in the instant of its edge."""

TOLD_LATE = made({
    "lamp": region("dark", "dark lit", row("lit", "dark", on="three"),
                   row("dark", "lit", after="100 ms"), lit="lit"),
    "walk": region("home", "home on", row("on", "home", on="key.press"),
                   row("home", "on", after="100 ms", emit="one")),
    "echo": region("on", "on off", row("same", "on", on="one", emit="two")),
    "more": region("on", "on off", row("same", "on", on="two", emit="three")),
})
"""What is lost is told three rounds behind the time that ends."""


@pytest.mark.parametrize(("gadget", "proved"), [
    (GONE, True), (BACK, False), (AT_ONCE, False), (TOLD_LATE, False)])
def test_it_is_proved_where_what_is_lost_leads_nowhere_else(gadget: Gadget, proved: bool) -> None:
    """By a search in which others go on telling while the region hears nothing: where that may
    show random play tells it.
    """
    (fault,) = (one for one in deaf(gadget) if one.about.startswith("behaviour.lamp"))
    prepared = Prepared(gadget)
    assert Prover(holding(prepared.system), gadget.segments).same(fault) is proved
    with uncounted():
        assert (told_at_random(prepared, [fault], 60, "wake") == []) is proved


def test_what_a_bench_tells_is_not_proved_to_change_nothing() -> None:
    """A click, or a sample, that comes as a time ends."""
    for gadget in (LAMP, SIGN):
        prover = Prover(holding(Prepared(gadget).system), gadget.segments)
        assert not any(prover.same(fault) for fault in deaf(gadget))


def test_a_door_that_opens_as_its_time_ends_is_shut_off_either_way() -> None:
    """The time of a guard ends only where the door is open, which leads to the same."""
    gadget = load_gadget(ROOT / "tests" / "gallery" / "fridge-door" / "gadget.toml")
    prover = Prover(holding(Prepared(gadget).system), gadget.segments)
    assert {fault.about for fault in deaf(gadget) if prover.same(fault)} == {
        "behaviour.guard.rows[0]"}
