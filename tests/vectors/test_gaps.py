"""The least time between what one region makes, and the stays that are over before they count."""

from __future__ import annotations

import pytest

from simfw.behaviour.hold import holding
from simfw.engine.simulator import Prepared
from simfw.gadget.model import Gadget
from simfw.vectors.gaps import Gaps
from simfw.vectors.orders import Ways, changes_nothing
from simfw.vectors.possible import all_faults
from tests.vectors.test_equal import MS, fault_of, made, region, row, told

STAYS = ("the end of an earlier stay still counts", "the end of the first stay still counts")
KEY = {"debounce": "20 ms", "hold": "700 ms"}


def lamp(back: str = "key.hold", **key: str) -> Gadget:
    """A lamp that a hold dims, and that goes out where it is lit for 400 ms."""
    return made({
        "lamp": region("dark", "dark lit dim out", row("lit", "dark", on="knob.press"),
                       row("dim", "lit", on="key.hold"), row("lit", "dim", on=back),
                       row("out", "lit", after="400 ms"), row("dark", "out", on="key.click"),
                       lit="lit"),
    }, buttons={"key": {**KEY, **key}, "knob": {"debounce": "20 ms"}})  # fmt: skip


HELD = lamp()
"""From one hold to the next takes longer than the lamp is lit."""
QUICK = lamp(hold="50 ms")
OTHER = lamp("knob.release")
CLICKED = lamp("key.click", double="90 ms")
RELEASED = lamp("key.release")
"""A hold that comes sooner; what another button tells; a click or a release, which follow soon."""

TURN = made({
    "lamp": region("dark", "dark lit dim out", row("lit", "dark", on="key.click"),
                   row("dim", "lit", on="knob.click"), row("lit", "dim", on="key.hold"),
                   row("dark", ["dim", "out"], on="key.click"), row("out", "lit", after="400 ms"),
                   lit="lit"),
}, buttons={"key": KEY, "knob": {"debounce": "20 ms"}})  # fmt: skip
"""A hold comes long behind a click of the same button, but not behind one of another."""


@pytest.mark.parametrize(("gadget", "about", "holds"), [
    pytest.param(HELD, "behaviour.lamp.rows[3]", True, id="a long hold"),
    pytest.param(QUICK, "behaviour.lamp.rows[3]", False, id="a short hold"),
    pytest.param(OTHER, "behaviour.lamp.rows[3]", False, id="another button"),
    pytest.param(RELEASED, "behaviour.lamp.rows[3]", False, id="a release"),
    pytest.param(TURN, "behaviour.lamp.rows[4]", False, id="a click of another button"),
])  # fmt: skip
def test_a_stay_is_over_by_then_only_where_all_ways_back_take_so_long(
    gadget: Gadget, about: str, holds: bool
) -> None:
    """Where a way back is shorter random play tells that the end of an earlier stay counts."""
    prepared, fault = fault_of(gadget, about, STAYS[0])
    assert changes_nothing(holding(prepared.system), fault) is holds
    assert bool(told(prepared, [fault], 120)) is not holds


@pytest.mark.parametrize("gadget", [HELD, QUICK, OTHER, CLICKED, RELEASED, TURN])
def test_no_stay_that_is_said_to_be_over_counts_in_random_play(gadget: Gadget) -> None:
    """What is said of an earlier stay, and of the first one."""
    prepared = Prepared(gadget)
    system = holding(prepared.system)
    silent = [fault for fault in all_faults(system)
              if fault.kind == "lasts" and changes_nothing(system, fault)]
    assert told(prepared, silent, 20) == []


def test_gaps_are_read_off_the_rows_of_the_one_region_that_makes_both() -> None:
    """Of a region that may be walked otherwise, or of two regions, nothing is said."""
    system = holding(Prepared(CLICKED).system)
    gaps = Gaps(system, "lamp")

    def gap(first: str, then: str, of: Gaps = gaps) -> int:
        return of.until(of.heard((), first, 5 * MS), then) - 5 * MS

    assert gap("key.hold", "key.hold") == 700 * MS
    assert gap("key.click", "key.hold") == 700 * MS
    assert gap("key.click", "key.click") == 90 * MS
    assert gap("key.hold", "key.click") == 90 * MS
    assert gap("knob.click", "key.hold") == -5 * MS
    assert gap("key.edge", "key.hold") == -5 * MS
    assert gap("key.hold", "key.hold", Gaps(system, "key.gesture")) == -5 * MS
    both = gaps.heard(gaps.heard((), "key.click", 0), "knob.click", 10 * MS)
    assert gaps.until(both, "key.hold") == 700 * MS
    assert len(gaps.heard(both, "knob.press", 900 * MS)) == 1


@pytest.mark.parametrize("gadget", [HELD, QUICK, OTHER, TURN])
def test_ways_that_are_kept_from_fault_to_fault_say_the_same_and_are_gone_once(
    gadget: Gadget, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In any order of asking; whoever asks again costs no step more."""
    system = holding(Prepared(gadget).system)
    faults = [fault for fault in all_faults(system) if fault.twist.lasts]
    alone = [changes_nothing(system, fault) for fault in faults]
    steps: list[int] = []
    heard = Gaps.heard
    monkeypatch.setattr(Gaps, "heard", lambda *asked: (steps.append(asked[3]), heard(*asked))[1])
    kept = Ways(system)
    assert [changes_nothing(system, fault, kept) for fault in faults] == alone
    gone = len(steps)
    assert gone > 0
    assert [changes_nothing(system, fault, kept) for fault in reversed(faults)] == alone[::-1]
    assert len(steps) == gone
    other = Ways(system)
    assert [changes_nothing(system, fault, other) for fault in reversed(faults)] == alone[::-1]
