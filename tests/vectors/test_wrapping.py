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


def _amid(vector: Vector, wraps_ns: int) -> set[int]:
    """How often a counter has come round in a vector in the middle between an act, an event or a
    change of an output and another event or change.
    """
    shown = {report.time_ns for exchange in vector.replay.exchanges
             for report in exchange.reports if report.kind in ("event", "out")}
    marks = shown | {act.at_ns for act in vector.acts}
    middles = {before + (after - before) // 2 for after in shown for before in marks
               if before < after}
    return {middle // wraps_ns for middle in middles if not middle % wraps_ns}


def test_each_counter_comes_round_halfway_through_times_of_which_something_comes(mill):
    """After 65.536 s, 71.6 min, 18.2 h and 49.7 days: two to the 16th and 32nd power, counted. Of
    several times one after the other, as the counter comes round again.
    """
    for wraps_ns, counter, _, times, others in COUNTERS:
        late = [one for one in mill if f"clock of {counter} comes round" in one.title]
        amid = [number for one in late for number in _amid(one, wraps_ns)]
        assert 0 < len(amid) <= times + others
        for vector in late:
            assert _amid(vector, wraps_ns) == set(range(1, 1 + len(_amid(vector, wraps_ns))))
    assert [wraps_ns for wraps_ns, *_ in COUNTERS] == [
        65_536 * MS, 4_294_967_296_000, 65_536_000 * MS, 4_294_967_296 * MS]


def test_the_longest_times_run_as_weeks_are_over():
    """The turnstile shows its count for five minutes, and then rests in the dark: what is told by
    then is not told again, and it is waited for.
    """
    minutes_ns = 300_000 * MS
    turnstile = _vectors("tests/gallery/turnstile")
    for wraps_ns, counter, *_ in COUNTERS[1:]:
        late = [one for one in turnstile if f"clock of {counter} comes round" in one.title]
        ends = {report.time_ns for one in late for report in one.replay.reports
                if report.kind == "out"}
        assert any(end % wraps_ns == minutes_ns // 2 for end in ends), counter


def test_weeks_are_for_the_host_and_so_is_a_loss_that_no_bench_can_make(mill):
    """Nobody waits 49.7 days at a bench, and the capacitors of a board bridge a millisecond."""
    weeks = [one for one in mill if "32 bits of milliseconds" in one.title]
    assert {(one.why, one.for_host) for one in weeks} == {(LENGTH, True)}
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

    assert list(wrapped([], (), play, lambda path: path, lambda _: True)) == []
    assert asked == [65_536 * MS]


def test_a_wait_goes_from_an_act_or_change_to_a_change(mill):
    """From the last before it, or from one that lies the time of a region back; and none is taken
    from a course that does something before power-up.
    """
    times = {1500 * MS}
    for vector in mill[:20]:
        path = Found(charge=vector.charge, acts=vector.acts, ends_ns=vector.ends_ns,
                     covers=vector.covers)  # fmt: skip
        shown = [report.time_ns for report in vector.replay.reports
                 if report.kind in ("event", "out")]
        marks = {*shown, *(act.at_ns for act in vector.acts)}
        for wait in waits(path, vector.replay, times):
            assert {wait.began_ns, wait.ended_ns} <= marks
            assert vector.acts[0].at_ns <= wait.began_ns < wait.ended_ns
            assert wait.lasts_ns in times or not any(
                wait.began_ns < mark < wait.ended_ns for mark in marks)
        held = replace(path, acts=(Act(0, "contact", "run", 1.0), *path.acts))
        assert list(waits(held, vector.replay, times)) == []
