"""Two answers beside each other."""

from __future__ import annotations

from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from simfw.report.differences import Moved, compare, compared_json, compared_text


def plain(text: str, _tone: str) -> str:
    """No colour."""
    return text


def events(*pairs: tuple[str, float]) -> dict[str, Any]:
    """An answer that has events only."""
    return {"events": [{"name": name, "time_s": time_s} for name, time_s in pairs]}


def test_events_move_come_and_go() -> None:
    """Equal ones are left out; others of a name pair in order; what is left over came or went."""
    before = events(("a", 1.0), ("a", 2.0), ("b", 3.0), ("c", 5.0))
    after = events(("a", 1.0), ("a", 2.5), ("a", 9.0), ("c", 5.0))
    assert compare(before, after).events == (
        Moved("a", 2_000_000_000, 2_500_000_000), Moved("b", 3_000_000_000, None),
        Moved("a", None, 9_000_000_000),
    )


@given(st.lists(st.tuples(st.sampled_from("abc"), st.integers(0, 9)), max_size=12))
def test_an_answer_differs_in_nothing_from_itself(pairs: list[tuple[str, int]]) -> None:
    """Whatever happens at one time, and however often."""
    value = events(*((name, float(time)) for name, time in sorted(pairs, key=lambda p: p[1])))
    value["average_current_a"] = 0.1
    found = compare(value, value)
    assert (found.figures, found.events, found.findings) == ({}, (), ())
    assert "no figure differs" in compared_text(found, "Same", plain)


def test_figures_are_told_with_their_units_and_difference() -> None:
    """The unit is that of the key; items of lists are called by their names."""
    before = {
        "average_current_a": 0.010, "life": {"repeat_days": 2.0, "why": "x"}, "share": 0.5,
        "consumers": [{"name": "lamp", "charge_c": 36.0, "average_current_a": 0.001}],
        "rules": [{"name": "no light", "held": True, "time_s": None}],
        "count": 3, "mode": "dark", "tiny_v": 1.0,
    }
    after = {
        "average_current_a": 0.020, "life": {"repeat_days": 1.0, "why": "y"}, "share": 0.25,
        "consumers": [{"name": "lamp", "charge_c": 72.0, "average_current_a": 0.002}],
        "rules": [{"name": "no light", "held": False, "time_s": 5.0}],
        "count": 4, "mode": "lit", "tiny_v": 1.0001,
    }
    text = compared_text(compare(before, after), "Title", plain)
    assert text.splitlines() == [
        "Title",
        "                                   as written   changed   difference",
        "  average current                       10 mA     20 mA       +100 %",
        "  life repeat                          2 days     1 day        -50 %",
        "  share                                  50 %      25 %        -50 %",
        "  consumers lamp average current         1 mA      2 mA       +100 %",
        "  rules no light held                     yes        no",
        "  rules no light time                       -       5 s",
        "  count                                     3         4      +33.3 %",
        "  mode                                   dark       lit",
        "  1 figure differs by less than 0.1 %",
    ]
    told = compared_json(compare(before, after))
    assert {"figure": "consumers lamp charge_c", "before": 36.0, "after": 72.0} in told["figures"]


def test_modes_of_the_same_states_are_told_apart_by_what_stands_outside() -> None:
    """With the slide off nothing changes; with it on the mean does, and neither hides the other."""
    def modes(on_a: float, off_a: float) -> dict[str, Any]:
        return {"modes": [
            {"states": {"a": "beat"}, "outside": {"run": at}, "average_current_a": amps}
            for at, amps in (("on", on_a), ("off", off_a))
        ]}

    found = compare(modes(0.002, 0.001), modes(0.004, 0.001))
    assert list(found.figures) == ["modes beat, run on average_current_a"]


def test_long_lists_are_cut_and_said_to_be() -> None:
    """Twenty lines of each are enough on a screen; the JSON has all."""
    before = {f"figure {k}": 1.0 for k in range(30)} | events(*((f"e{k}", 1.0) for k in range(30)))
    after = {f"figure {k}": 2.0 for k in range(30)} | events(*((f"e{k}", 2.0) for k in range(30)))
    text = compared_text(compare(before, after), "Title", plain)
    assert "and 10 more figures; --json has all" in text
    assert "and 10 more events; --json has all" in text
    assert len(compared_json(compare(before, after))["figures"]) == 30


def test_times_are_told_in_milliseconds_where_that_tells_them_apart() -> None:
    """Nobody reads nanoseconds, unless nothing else differs."""
    before, after = events(("a", 1.000000001), ("b", 2.0)), events(("a", 1.000000002))
    text = compared_text(compare(before, after), "Title", plain)
    assert "moved   a   1.000000001 s -> 1.000000002 s" in text
    assert "went    b   2 s" in text
