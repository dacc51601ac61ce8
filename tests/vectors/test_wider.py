"""A firmware that does not ask where it stands, and strokes that come as a time runs or ends."""

from __future__ import annotations

import pytest

from simfw.behaviour.hold import holding
from simfw.engine.simulator import Prepared
from simfw.gadget.model import Gadget
from simfw.loading import load_gadget
from simfw.vectors.faults import Fault
from simfw.vectors.hurried import LONGEST_NS, Hurried
from simfw.vectors.possible import all_faults
from simfw.vectors.sketch import Act
from tests.sharing import shared_vectors
from tests.vectors.test_deaf import KEY, LAMP, S, told
from tests.vectors.test_equal import MS, made, region, row

COUNTER = "tests/gallery/bell-counter/gadget.toml"


def wider(gadget: Gadget) -> dict[str, Fault]:
    """The faults of this kind, by their text."""
    return {fault.text: fault for fault in all_faults(holding(Prepared(gadget).system))
            if fault.kind == "wider"}


STAIR = made({
    "lamp": region("dark", "dark lit dim", row("lit", "dark", on="key.click"),
                   row("dim", "lit", after="5 s"), row("dark", "dim", after="5 s"), lit="lit"),
}, buttons=KEY)
"""A click lights a lamp that goes out by itself, and does nothing meanwhile."""


def test_a_row_may_fire_where_nothing_answers_its_event() -> None:
    """The click of a stair light lights it anew where it is lit, and where it has just gone out; a
    row whose event each state answers has no such fault.
    """
    text = "behaviour.lamp.rows[0]: fires in lit, dim too"
    assert list(wider(STAIR)) == [text]
    assert wider(LAMP) == {}
    click = [Act(at, "contact", "key", on) for at, on in ((S, 1.0), (S + 100 * MS, 0.0))]
    again = [Act(at + 8 * S, kind, name, on) for at, kind, name, on in (
        (act.at_ns, act.kind, act.name, act.value) for act in click)]
    fault = wider(STAIR)[text]
    assert told(STAIR, fault, click, 15 * S) is None
    assert told(STAIR, fault, [*click, *again], 15 * S) == 9120 * MS


@pytest.mark.parametrize(("share", "gap_ns"), [(1000, 200 * MS), (930, 186 * MS),
                                               (1050, 210 * MS)])
def test_so_many_strokes_take_as_long_as_a_time(share: int, gap_ns: int) -> None:
    """The bell counter comes round after eight strokes, and its chirp lasts 200 ms: eight strokes
    in just that, in a little less, and in a little more.
    """
    courses = list(Hurried(load_gadget(COUNTER)).courses([200 * MS]))
    rounds = set()
    for path in courses:
        closes = [act.at_ns for act in path.acts if act.name == "bell" and act.value]
        if len(closes) == 24:
            rounds.add(closes[8] - closes[0])
    assert gap_ns in rounds, share
    assert len(rounds) == 5


def test_no_contact_is_asked_for_more_than_it_can() -> None:
    """A stroke settles closed, and open; a time of hours is not filled with strokes, and a toggle
    in the supply makes none.
    """
    gadget = load_gadget(COUNTER)
    assert list(Hurried(gadget).courses([10 * MS])) == []
    assert list(Hurried(gadget).courses([LONGEST_NS + 1])) == []
    mill = Hurried(load_gadget("tests/gallery/coffee-mill/gadget.toml"))
    names = {act.name for path in mill.courses([5 * S]) for act in path.acts}
    assert names == {"grain", "reed", "lid"}


def test_what_comes_while_the_chirp_sounds_and_as_it_ends_is_told() -> None:
    """Faults that the author of a firmware planted, and no vector told."""
    prepared = Prepared(load_gadget(COUNTER))
    exposure = shared_vectors(prepared.gadget, prepared.system, prepared).exposure
    exposed = {fault.text for fault, _ in exposure.exposed}
    assert {
        "behaviour.chime.rows[0]: fires in sounding too",
        "sequences.twice.times#1: its time ends after all else in that instant",
        "sequences.twice.times#1: its time is 10 % longer",
        "sequences.twice.times#1: its time is a step shorter",
    } <= exposed
