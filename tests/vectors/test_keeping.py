"""Losses of the supply about changes of what is kept; what is done more often than 8 bits count."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest

from simfw import load_gadget
from simfw.engine.simulator import Prepared
from simfw.gadget.model import Gadget
from simfw.vectors.build import Rehearsal, find_paths
from simfw.vectors.counting import LONG_NS, OFTEN, Counting
from simfw.vectors.nodes import Found
from simfw.vectors.replay import Replay
from simfw.vectors.sketch import Act
from tests.sharing import shared_vectors
from tests.vectors.test_equal import made, region, row

ROOT = Path(__file__).parents[2]
MS = 10**6
LAMP = region("off", "off lit", row("lit", "off", on="key.press"),
              row("off", "lit", on="key.press"), lit="lit")
"""A lamp that a key lights and puts out."""
KEPT = {**LAMP, "kept": "state"}
BY_HOLD = {**region("off", "off lit", row("lit", "off", on="key.hold"),
                    row("off", "lit", on="key.hold"), lit="lit"), "kept": "state"}


def _courses(gadget: Gadget, of: str) -> list[tuple[str, Found, Replay]]:
    prepared = Prepared(gadget)
    counting = Counting(gadget, prepared.system, prepared.circuit, find_paths(gadget, prepared))
    found = []
    for title, path in getattr(counting, of)():
        played = Rehearsal(prepared).played(path.charge, path.acts, path.ends_ns)
        assert played is not None
        found.append((title, path, played))
    return found


def _losses(acts: tuple[Act, ...]) -> list[tuple[int, int]]:
    moves = [act for act in acts if act.kind == "supply"]
    return [(gone.at_ns, back.at_ns) for gone, back in pairwise(moves) if back.value]


def _changes(played: Replay, output: str = "glow") -> list[int]:
    """When an output changes, but for where the supply comes and goes."""
    return [report.time_ns for exchange in played.exchanges for report in exchange.reports
            if report.kind == "out" and report.name == output
            and not exchange.lines[-1].startswith(("power", "off"))]  # fmt: skip


def test_the_supply_goes_1_ms_behind_a_change_of_what_is_kept():
    """By each row that changes it; and with the supply it shows what it has come to."""
    ((title, path, played),) = _courses(made({"lamp": KEPT}), "courses")
    assert title.startswith("the supply goes just behind a change of what is kept")
    behind = {gone - MS for gone, _ in _losses(path.acts)} & set(_changes(played))
    assert len(behind) == 2
    (_, back), *_ = _losses(path.acts)
    assert (back, "out", 1_000_000) in {
        (report.time_ns, report.kind, report.level) for report in played.reports}


def test_the_supply_comes_back_in_the_instant_in_which_a_contact_moves():
    """It closes in that instant, and opens in that of another; whether anything is kept or not."""
    for lamp in (LAMP, KEPT):
        ((title, path, played),) = _courses(made({"lamp": lamp}), "courses")
        assert title.endswith("the supply comes back as a contact moves")
        backs = {back for _, back in _losses(path.acts)}
        moves = {act.value for act in path.acts if act.kind == "contact" and act.at_ns in backs}
        assert moves == {0.0, 1.0}
        assert sum(exchange.lines[-1].startswith("power ") and exchange.lines[-1].endswith(" key")
                   for exchange in played.exchanges) == 2


def test_something_else_than_what_it_starts_with_is_kept_as_a_contact_moves():
    """Else one could not tell whether it was read."""
    ((_, _, played),) = _courses(made({"lamp": KEPT}), "courses")
    (first, last) = [exchange for exchange in played.exchanges
                     if exchange.lines[-1].startswith("power ")
                     and exchange.lines[-1].endswith(" key")]
    for exchange in (first, last):
        assert any(report.name == "glow" and report.level for report in exchange.reports)


@pytest.mark.parametrize(("lamp", "words"), [(KEPT, "pressed"), (BY_HOLD, "held")])
def test_what_is_kept_changes_257_times_and_is_lost_then(lamp: dict[str, object], words: str):
    """Whether a tap changes it or only a hold does; the loss comes behind the last of them."""
    gadget = made({"lamp": lamp}, buttons={"key": {"debounce": "20 ms", "hold": "500 ms"}})
    ((title, path, played),) = _courses(gadget, "often")
    assert title == "each button is pressed 257 times; " \
        "what is kept changes as often, and outlasts an hour", words
    (gone, _), *_ = _losses(path.acts)
    assert sum(at < gone for at in _changes(played)) == OFTEN


def test_what_is_kept_outlasts_an_hour_and_is_read_twice():
    """One loss of an hour, and one behind it with nothing done between."""
    ((_, path, _),) = _courses(made({"lamp": KEPT}), "often")
    *_, (gone, back), (again, _) = _losses(path.acts)
    assert back - gone == LONG_NS
    assert not [act for act in path.acts if act.kind != "supply" and back <= act.at_ns <= again]


def test_each_button_is_pressed_257_times_in_a_row():
    """A scenario that hands can go, where nothing is kept."""
    gadget = made({"lamp": LAMP}, buttons={"key": {"debounce": "20 ms"}, "b": {"debounce": "0 s"}})
    ((title, path, played),) = _courses(gadget, "often")
    assert title == "each button is pressed 257 times"
    assert {act.kind for act in path.acts} == {"contact"}
    for name in ("key", "b"):
        assert sum(event == f"{name}.press" for _, event in played.events) == OFTEN


def test_a_level_is_held_by_what_was_before_for_257_samples():
    """The cell is flat, and no more than low from then on: the light of the key hook does not come
    for a press behind the 257th sample, and comes when the cell is full.
    """
    gadget = load_gadget(ROOT / "scenarios/key-hook/gadget.toml")
    ((title, path, played),) = _courses(gadget, "samples")
    assert title == "257 samples, then another level"
    begins, between, full = [act for act in path.acts if act.kind == "measured"]
    every = 8000 * MS
    assert begins.value < 2.25 < between.value < 2.5 < full.value
    presses = [at for at, event in played.events if event == "key.press"]
    assert OFTEN * every < presses[0] < full.at_ns < presses[-1]
    lit = [report.time_ns for report in played.reports if report.kind == "out" and report.level]
    assert lit
    assert min(lit) > full.at_ns


def test_such_vectors_are_there_for_a_host_or_a_bench():
    """A press in the instant of power-up is for the host; hundreds of presses a bench can make."""
    gadget = load_gadget(ROOT / "tests/gallery/turnstile/gadget.toml")
    vectors = shared_vectors(gadget, Prepared(gadget).system).vectors
    (loss,) = [one for one in vectors if one.title.endswith("comes back as a contact moves")]
    assert loss.why == "order"
    (often,) = [one for one in vectors if one.title.endswith("and outlasts an hour")]
    assert not often.for_host
