"""Gestures of buttons against their meaning, and laws between keys that say the same.

The models are written from the meaning (an edge that counts, a press that lasts, presses in a row)
and know nothing of regions, rows or queues. Times are whole nanoseconds; gaps are drawn on both
sides of every limit.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st

from simfw.behaviour.build import build_system
from tests.behaviour.bench import MS, Bench, gadget

DEBOUNCE, RELEASE, HOLD, LONGER, REPEAT, DOUBLE, SECOND = (
    20 * MS, 30 * MS, 100 * MS, 160 * MS, 25 * MS, 70 * MS, 50 * MS)
LIMITS = (DEBOUNCE, RELEASE, HOLD, LONGER, DOUBLE, SECOND, HOLD + REPEAT, HOLD + 3 * REPEAT)
GAPS = st.sampled_from([1, 5 * MS, 300 * MS, *(
    limit + side for limit in LIMITS for side in (-DEBOUNCE - 1, -1, 0, 1) if limit + side > 0)])
TRAINS = st.lists(GAPS, max_size=14)
END = 9000 * MS


def edges_from(gaps: list[int]) -> list[int]:
    """Times of edges, the first of which closes the contact."""
    times, now = [], 10 * MS
    for gap in gaps:
        times.append(now)
        now += gap
    return times


def found(text: str, edges: list[int]) -> list[tuple[int, str]]:
    """What a button `key` with these keys yields."""
    bench = Bench("[buttons.key]\n" + text)
    bench.contact("key", *(edge / MS for edge in edges))
    return [(round(ms * MS), event.removeprefix("key.")) for ms, event in bench.until(END / MS)]


def counting(edges: list[int], debounce: int, release: int) -> list[tuple[int, str]]:
    """First edges: each counts unless the time of the last one that counted has not ended."""
    told: list[tuple[int, str]] = []
    level, free_at = False, 0

    def count(now: int) -> None:
        nonlocal level, free_at
        level = not level
        free_at = now + (debounce if level else release)
        told.append((now, "press" if level else "release"))

    for number, edge in enumerate([*edges, END * 2]):
        # Before this edge the contact is as the edges before it left it.
        while told and free_at < edge and (number % 2 == 1) != level:
            count(free_at)
        if edge < END and edge >= free_at and (number % 2 == 0) != level:
            count(edge)
    return told


@settings(max_examples=150, deadline=None)
@given(TRAINS, st.booleans())
def test_first_edges_count_once_in_their_time(gaps, apart):
    """The edges that count are those of the plain model, and never closer than their time."""
    edges = edges_from(gaps)
    text = 'style = "first-edge"\ndebounce = "20 ms"\n' + 'debounce_release = "30 ms"\n' * apart
    told = [one for one in found(text, edges) if one[1] != "click"]
    release = RELEASE if apart else DEBOUNCE
    assert told == counting(edges, DEBOUNCE, release)
    for (before, what), (after, _) in pairwise(told):
        assert after - before >= (DEBOUNCE if what == "press" else release)


def meaning(
    levels: list[tuple[int, str]], holds: dict[str, int], repeats: bool, most: int, second: bool
) -> list[tuple[int, str]]:
    """What settled presses and releases yield. `most` presses in a row are told apart."""
    names = {1: "click", 2: "double", 3: "clicks3", 4: "clicks4"}
    presses = [when for when, what in levels if what == "press"]
    releases = [when for when, what in levels if what == "release"] + [END * 2]
    out: list[tuple[int, str]] = []
    count, until = 0, 0
    for press, release in zip(presses, releases, strict=False):
        if count and press >= until:
            out.append((until, names[count]))
            count = 0
        count += 1
        reached = []
        if count == 1:
            reached = [(press + length, name) for name, length in holds.items()]
        elif count == 2 and second:
            reached = [(press + SECOND, "second_hold")]
        reached = [one for one in reached if one[0] <= release]
        out += reached
        if repeats and count == 1 and reached:
            out += [(when, "repeat") for when in
                    range(min(reached)[0] + REPEAT, min(release, END) + 1, REPEAT)]
        if reached:
            count = 0
        elif count == most and most > 1 and not (second and most == 2):
            out.append((press, names[count]))
            count = 0
        elif count == most:
            out.append((release, names[count]))
            count = 0
        else:
            until = release + DOUBLE
    if count:
        out.append((until, names[count]))
    return sorted(one for one in out if one[0] < END)


@settings(max_examples=200, deadline=None)
@given(TRAINS, st.integers(0, 2), st.booleans(), st.integers(1, 4), st.booleans(),
       st.sampled_from(["settle", "first-edge"]))
def test_a_button_yields_what_its_meaning_says(gaps, lengths, repeats, most, second, style):
    """Holds, repeats, counted clicks and second holds, each at its exact time, for any train."""
    holds = dict([("long", HOLD), ("longer", LONGER)][:lengths])
    text = f'style = "{style}"\ndebounce = "20 ms"\n'
    inside = ", ".join(f'{name} = "{length // MS} ms"' for name, length in holds.items())
    text += f"holds = {{ {inside} }}\n" * bool(holds)
    text += 'repeat = "25 ms"\n' * (repeats and bool(holds))
    text += f'double = "70 ms"\nclicks = {most}\n' * (most > 1)
    text += 'second_hold = "50 ms"\n' * (second and most > 1)
    told = found(text, edges_from(gaps))
    levels = [one for one in told if one[1] in ("press", "release")]
    others = [one for one in told if one not in levels]
    assert sorted(others) == meaning(levels, holds, repeats, most, second)


@settings(max_examples=60, deadline=None)
@given(TRAINS, st.booleans(), st.booleans())
def test_holds_with_one_entry_are_a_hold(gaps, repeats, double):
    """The same events at the same times, under the name of the entry."""
    rest = 'repeat = "25 ms"\n' * repeats + 'double = "70 ms"\n' * double
    edges = edges_from(gaps)
    named = found('holds = { far = "100 ms" }\n' + rest, edges)
    assert [(when, "hold" if what == "far" else what) for when, what in named] == found(
        'hold = "100 ms"\n' + rest, edges)


def test_two_clicks_are_a_double():
    """`clicks = 2` changes nothing at all, with and without a hold or a chord."""
    chord = '[buttons.b]\n[chords]\nboth = { buttons = ["a", "b"] }\n'
    for rest in ("", 'hold = "1 s"\n', chord):
        double = '[buttons.a]\ndouble = "300 ms"\n'
        one, two = (build_system(gadget(text + rest)) for text in (double, double + "clicks = 2\n"))
        assert one == two


def test_one_debounce_time_for_both_edges_may_be_written_twice():
    """The rows differ in their states alone: the same events for a train of edges."""
    for style in ("settle", "first-edge"):
        text = f'style = "{style}"\ndebounce = "20 ms"\n'
        edges = edges_from([5 * MS, 19 * MS, 25 * MS, 20 * MS, 20 * MS, 200 * MS, 21 * MS])
        assert found(text + 'debounce_release = "20 ms"\n', edges) == found(text, edges)


def test_a_single_hold_has_the_rows_that_it_had():
    """`holds` with one entry makes the very rows of `hold`, but for key and event."""
    one, named = (build_system(gadget(f"[buttons.a]\n{text}\n")).region("a.gesture")
                  for text in ('hold = "1 s"', 'holds = { far = "1 s" }'))
    renamed = [replace(row, key=row.key.replace("holds.far", "hold"),
                       emit=tuple(event.replace("a.far", "a.hold") for event in row.emit))
               for row in named.rows]
    assert renamed == list(one.rows)
