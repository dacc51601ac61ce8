"""Vectors for the bench hold for every clock within its tolerance, and their windows are true."""

from dataclasses import replace
from fractions import Fraction

import pytest

from simfw.engine.simulator import Prepared
from simfw.loading import load_gadget
from simfw.vectors.build import Rehearsal, Vector, _in_time, rehearsed, tail_ns
from simfw.vectors.clocked import seen, windows
from simfw.vectors.sketch import Act
from tests.sharing import shared_vectors

MS = 1_000_000
S = 1000 * MS
COUNTER = "tests/gallery/bell-counter/gadget.toml"


@pytest.fixture(scope="module")
def counter():
    """The bell counter, whose clock is within 2 %, and its vectors."""
    prepared = Prepared(load_gadget(COUNTER))
    return prepared, shared_vectors(prepared.gadget, prepared.system, prepared)


def _vector(model, acts, ends_ns):
    _, lasts_ns, replay = rehearsed(model, 0.5, acts, ends_ns)
    return Vector(name="x", title="x", charge=0.5, acts=tuple(acts), ends_ns=lasts_ns,
                  scenario=None, replay=replay, adds=())


def _unit(model, vector, rate):
    """What a unit shows that counts `rate` times as much as passes, in real time."""
    acts = [replace(act, at_ns=round(act.at_ns * rate)) for act in vector.acts]
    ends_ns = round(vector.ends_ns * rate) - tail_ns(model.prepared.gadget)
    replay = rehearsed(model, vector.charge, acts, ends_ns)[2]
    return sorted(((edge.name, edge.level, float(edge.time_ns / rate))
                   for edge in seen(replay.unrolled.exchanges)), key=lambda edge: edge[0])


def test_every_unit_within_the_tolerance_passes_the_vectors_for_the_bench(counter):
    """Eleven clocks from 2 % slow to 2 % fast: each edge within its window, none more. A display
    that was lit 1 s before a stroke went out of its windows, which counted from the stroke.
    """
    prepared, vectors = counter
    model = Rehearsal(prepared)
    edges = 0
    for vector in vectors.vectors:
        if vector.for_host:
            continue
        expected = sorted(((edge.name, edge.level, window) for edge, window in
                           zip(seen(vector.replay.exchanges), vector.windows, strict=True)),
                          key=lambda edge: edge[0])
        for step in range(-5, 6):
            shown = _unit(model, vector, 1 + Fraction(step, 250))
            assert [one[:2] for one in shown] == [one[:2] for one in expected], vector.name
            for (name, _, time_ns), (_, _, (low, high)) in zip(shown, expected, strict=True):
                edges += 1
                assert low - 2 <= time_ns <= high + 2, (vector.name, name, step)
    assert edges > 500


def test_a_window_counts_from_where_its_time_began(counter):
    """Lit at 20 ms for 3 s, and a stroke in between: 60 ms either way at its end, not 2 % of what
    is left after the stroke.
    """
    prepared, _ = counter
    model = Rehearsal(prepared)
    acts = [Act(100 * MS, "contact", "show", 1.0), Act(400 * MS, "contact", "show", 0.0),
            Act(2900 * MS, "contact", "bell", 1.0), Act(2950 * MS, "contact", "bell", 0.0)]
    vector = _vector(model, acts, 4 * S)
    (made,) = _in_time(model, [vector])
    assert not made.for_host
    out = [(report.time_ns, window) for report, window in
           zip((one for one in vector.replay.reports if one.kind == "out"), made.windows,
               strict=True) if report.name == "digit" and not report.level]
    assert [(time_ns, window) for time_ns, window in out if time_ns > 3 * S] == [
        (3100 * MS, (pytest.approx(100 * MS + 3 * S / 1.02, abs=2),
                     pytest.approx(100 * MS + 3 * S / 0.98, abs=2)))]


def test_a_stimulus_that_a_slow_clock_sees_before_the_end_of_a_time_is_for_the_host(counter):
    """A contact that stays for 5.000001 ms: settled in the model, and not on a unit whose 5 ms take
    5.1 ms. The vector stood among those for the bench.
    """
    prepared, vectors = counter
    model = Rehearsal(prepared)
    acts = [Act(1 * S, "contact", "bell", 1.0), Act(1 * S + 5_000_001, "contact", "bell", 0.0),
            Act(2 * S, "contact", "show", 1.0)]
    (made,) = _in_time(model, [_vector(model, acts, 3 * S)])
    assert (made.why, made.title) == ("clock", "for the host: x")
    assert made.windows is None
    assert "clock" in {vector.why for vector in vectors.vectors}


def test_without_a_known_tolerance_times_are_exact_and_one_percent_is_looked_at():
    """The key-hook light tells none: a click 10 ms after the end of 20 s is for the host, one that
    comes a second later is not.
    """
    prepared = Prepared(load_gadget("scenarios/key-hook/gadget.toml"))
    model = Rehearsal(prepared)

    def why(again_ns):
        acts = [Act(at, "contact", "key", level) for at, level in (
            (S, 1.0), (S + 100 * MS, 0.0), (again_ns, 1.0), (again_ns + 100 * MS, 0.0))]
        (made,) = _in_time(model, [_vector(model, acts, again_ns + S)])
        assert made.windows is None
        return made.why

    assert why(21 * S + 10 * MS) == "clock"
    assert why(22 * S) == ""


def test_more_edges_than_are_looked_through_are_for_the_host(counter, monkeypatch):
    """What was not done is told as what could not be."""
    prepared, _ = counter
    model = Rehearsal(prepared)
    acts = [Act(S, "contact", "bell", 1.0), Act(2 * S, "contact", "show", 1.0)]
    vector = _vector(model, acts, 6 * S)
    assert windows(vector.replay, lambda _: vector.replay, Fraction(0)) is not None
    monkeypatch.setattr("simfw.vectors.clocked.MOST_EDGES", 1)
    assert windows(vector.replay, lambda _: vector.replay, Fraction(0)) is None
