"""Contacts that chatter for longer than a second, faster than they settle."""

from __future__ import annotations

from itertools import pairwise

import pytest

from simfw.engine.simulator import Prepared
from simfw.gadget.model import Gadget
from simfw.vectors.build import Rehearsal
from simfw.vectors.chatter import CHATTERS_NS, Chatter
from simfw.vectors.nodes import Found
from tests.vectors.test_equal import made, region, row

MS = 10**6
LAMP = {"lamp": region("off", "off lit", row("lit", "off", on="key.press"),
                       row("off", "lit", on="key.press"), lit="lit")}


def _chattering(button: dict[str, object]) -> Gadget:
    return made(LAMP, buttons={"key": button})


def _course(gadget: Gadget) -> tuple[Found, list[tuple[int, str]]]:
    """The course of its one contact, and the events in it."""
    prepared = Prepared(gadget)
    ((title, path),) = Chatter(gadget, prepared.system, prepared.circuit).courses()
    assert title == "key: chatter for longer than a second"
    played = Rehearsal(prepared).played(path.charge, path.acts, path.ends_ns)
    assert played is not None
    return path, played.events


def _bursts(path: Found, within_ns: int) -> list[tuple[int, int]]:
    """When the edges that follow each other so closely begin and end, but for single ones."""
    found: list[list[int]] = []
    for act in path.acts:
        if found and act.at_ns - found[-1][1] <= within_ns:
            found[-1][1] = act.at_ns
        else:
            found.append([act.at_ns, act.at_ns])
    return [(begins, ends) for begins, ends in found if ends > begins]


def test_nothing_comes_of_a_contact_before_it_rests():
    """It chatters as it is open, and as it is pressed; each time it was never still for 20 ms, and
    comes to rest where it was: the two events are those of a press between.
    """
    path, events = _course(_chattering({"debounce": "20 ms"}))
    bursts = _bursts(path, 20 * MS)
    assert len(bursts) == 2
    for begins, ends in bursts:
        assert 1000 * MS < ends - begins <= CHATTERS_NS
        assert not any(begins <= at <= ends + 20 * MS for at, _ in events)
    assert [name for _, name in events if not name.endswith("click")] == [
        "key.press", "key.release"]
    assert bursts[0][1] < events[0][0] < bursts[1][0] < events[-1][0]


def test_it_stands_mostly_where_it_does_not_come_to_rest():
    """A firmware that takes it as it is after a second is wrong with four chances of five."""
    path, _ = _course(_chattering({"debounce": "20 ms"}))
    (begins, ends), *_ = _bursts(path, 20 * MS)
    closed = sum(then.at_ns - act.at_ns for act, then in pairwise(path.acts)
                 if begins <= act.at_ns < ends and act.value)  # fmt: skip
    assert closed >= 0.75 * (ends - begins)


def test_where_the_first_edge_counts_each_end_finds_another_level():
    """A press is found at the end of a deaf time, and a release at the next."""
    path, events = _course(_chattering({"style": "first-edge", "debounce": "30 ms"}))
    (begins, ends), *_ = _bursts(path, 30 * MS)
    found = [(at, name) for at, name in events
             if begins < at <= ends + 30 * MS and not name.endswith("click")]  # fmt: skip
    edges = {act.at_ns for act in path.acts}
    assert sum(at - before == 30 * MS and at not in edges and name != last
               for (before, last), (at, name) in pairwise(found)) > 20


@pytest.mark.parametrize("debounce", ["0 s", "2 ms"])
def test_a_contact_that_is_too_quick_is_left_out(debounce: str):
    """It would take thousands of edges to keep one of 2 ms from rest for a second."""
    gadget = _chattering({"debounce": debounce})
    prepared = Prepared(gadget)
    assert list(Chatter(gadget, prepared.system, prepared.circuit).courses()) == []
