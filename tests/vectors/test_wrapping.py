"""Vectors in which the counter of a clock comes round while something takes its time."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from simfw import load_gadget
from simfw.engine.simulator import Prepared
from simfw.vectors import Vector
from simfw.vectors.build import LENGTH, ORDER, SUPPLY, Rehearsal
from simfw.vectors.nodes import Found
from simfw.vectors.sketch import Act
from simfw.vectors.wrapping import COUNTERS, waits, wrapped
from tests.sharing import shared_vectors

ROOT = Path(__file__).parents[2]
MS = 1_000_000


def _vectors(folder: str) -> tuple[Vector, ...]:
    gadget = load_gadget(ROOT / folder / "gadget.toml")
    return shared_vectors(gadget, Prepared(gadget).system).vectors


@pytest.fixture(scope="module")
def mill() -> tuple[Vector, ...]:
    """Those of the coffee mill, which rests without doing anything."""
    return _vectors("tests/gallery/coffee-mill")


def _at(vector: Vector, time_ns: int) -> tuple[int, int]:
    """The last act, event or change of an output before a time, and the next behind it."""
    shown = [report.time_ns for exchange in vector.replay.exchanges
             for report in exchange.reports if report.kind in ("event", "out")]
    marks = [*shown, *(act.at_ns for act in vector.acts)]
    return max(one for one in marks if one < time_ns), min(one for one in shown if one >= time_ns)


def test_each_counter_comes_round_halfway_through_a_time_of_which_something_comes(mill):
    """After 65.536 s, 71.6 min and 49.7 days: two to the 16th and 32nd power, counted."""
    for wraps_ns, counter, most in COUNTERS:
        late = [one for one in mill if f"clock of {counter} comes round" in one.title]
        assert 0 < len(late) <= most
        for vector in late:
            before_ns, after_ns = _at(vector, wraps_ns)
            assert before_ns < wraps_ns < after_ns
            assert abs((before_ns + after_ns) // 2 - wraps_ns) <= 1
    assert [wraps_ns for wraps_ns, _, _ in COUNTERS] == [
        65_536 * MS, 4_294_967_296_000, 4_294_967_296 * MS]


def test_weeks_are_for_the_host_and_so_is_a_loss_that_no_bench_can_make(mill):
    """Nobody waits 49.7 days at a bench, and the capacitors of a board bridge a millisecond."""
    weeks = [one for one in mill if "32 bits of milliseconds" in one.title]
    assert [(one.why, one.for_host) for one in weeks] == [(LENGTH, True)]
    brief = [one for one in mill if one.title.endswith("over in 1 ms")]
    assert brief
    assert SUPPLY in {one.why for one in brief} <= {SUPPLY, ORDER}
    for vector in (*weeks, *brief):
        assert vector.title.startswith("for the host: ")
    for vector in brief:
        gone, back = [act.at_ns for act in vector.acts if act.kind == "supply"][:2]
        assert back - gone == MS


def test_what_never_rests_is_not_waited_for():
    """A sensor that looks ten times a second would tell of 50 million looks in 49.7 days."""
    gadget = load_gadget(ROOT / "scenarios/larder-lamp/gadget.toml")
    model = Rehearsal(Prepared(gadget))
    asked = []

    def play(path: Found):
        asked.append(path.ends_ns)
        return model.played(path.charge, path.acts, path.ends_ns)

    assert list(wrapped([], play)) == []
    assert asked == [65_536 * MS]


def test_a_wait_goes_from_the_last_act_or_change_to_the_next_change(mill):
    """And none is taken from a course that does something before power-up."""
    for vector in mill[:20]:
        path = Found(charge=vector.charge, acts=vector.acts, ends_ns=vector.ends_ns,
                     covers=vector.covers)  # fmt: skip
        for wait in waits(path, vector.replay):
            assert wait.lasts_ns > 0
            assert _at(vector, wait.ended_ns) == (wait.began_ns, wait.ended_ns)
        held = replace(path, acts=(Act(0, "contact", "run", 1.0), *path.acts))
        assert list(waits(held, vector.replay)) == []
