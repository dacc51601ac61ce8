"""Two times of one state, each with a clock of its own: a slip in one leaves the other as it is."""

from __future__ import annotations

import pytest

from simfw.behaviour.hold import holding
from simfw.engine.simulator import Prepared
from simfw.vectors.equal import Prover
from simfw.vectors.possible import all_faults
from simfw.vectors.sketch import Act
from simfw.verify.budget import Budget
from tests.sharing import uncounted
from tests.vectors.acts import pressed
from tests.vectors.test_equal import MS, fault_of, made, region, row, told
from tests.vectors.test_telling import Found, judged

TWO = made({
    "lamp": region("dark", "dark lit",
                   row("lit", "dark", on="key.press"), row("dark", "lit", on="key.press"),
                   row("dark", "lit", after="300 ms", when="not other.pressed"),
                   row("dark", "lit", after="600 ms"), lit="lit"),
}, buttons={"key": {"debounce": "20 ms"}, "other": {"debounce": "20 ms"}})  # fmt: skip
"""A lamp that goes out after 300 ms, or after 600 ms where `other` is pressed just then."""

SHORT, LONG = "behaviour.lamp.rows[2]", "behaviour.lamp.rows[3]"
FIRST, EARLIER = "the first", "an earlier"


def course(key: list[int], other: tuple[int, int] | None = None) -> Found:
    """Taps of 50 ms on the key at these times, `other` pressed from one to another (all in ms)."""
    acts = [*pressed("key", *((at, 30) for at in key)),
            *(pressed("other", (other[0], other[1] - other[0])) if other else ())]
    acts = sorted(acts, key=lambda act: act.at_ns)
    return Found(charge=0.5, acts=tuple(acts), ends_ns=acts[-1].at_ns + 1000 * MS,
                 covers=frozenset())  # fmt: skip


def alone(words: str) -> str:
    """The words of a stay that still counts, for one time alone."""
    return f"its end of {words} stay still counts, and no other"


@pytest.mark.parametrize(("about", "words", "taps", "other", "parts_ms"), [
    pytest.param(SHORT, "its time begins anew at other.press", [1000], (1100, 1200), 1420,
                 id="begun anew"),
    pytest.param(LONG, "its time begins anew at other.press", [1000], (1100, 1200), None,
                 id="the other has ended before"),
    pytest.param(LONG, "its time begins anew at other.press", [1000], (1100, 1400), 1720,
                 id="begun anew, and held over the first"),
    pytest.param(SHORT, "its time begins anew at other.press", [1000], (1100, 1390), 1420,
                 id="begun anew, and its guard fails no more"),
    pytest.param(SHORT, alone(EARLIER), [1000, 1100, 1200], None, 1320, id="ends too soon"),
    pytest.param(SHORT, alone(EARLIER), [1000, 1100, 1200], (1290, 1400), 1820,
                 id="ends too soon, where its guard fails"),
    pytest.param(LONG, alone(EARLIER), [1000, 1100, 1200], None, None, id="the long is too long"),
    pytest.param(LONG, alone(EARLIER), [1000, 1100, 1200], (1480, 1560), 1620,
                 id="the long alone ends too soon"),
    pytest.param(SHORT, alone(EARLIER), [1000, 1060, 1120, 1180, 1240], None, 1440,
                 id="of the last stay"),
    pytest.param(SHORT, alone(FIRST), [1000, 1060, 1120, 1180, 1240], None, 1320,
                 id="of the first stay"),
    pytest.param(SHORT, alone(EARLIER), [1000, 2000, 2100, 2200], None, 2320, id="of a later stay"),
    pytest.param(SHORT, alone(FIRST), [1000, 2000, 2100, 2200], None, None,
                 id="the first is over for good"),
    pytest.param(SHORT, "the end of the first stay still counts", [1000, 2000, 2100, 2200], None,
                 None, id="over for good, with all times"),
])  # fmt: skip
def test_a_clock_by_itself_parts_from_the_model_where_it_ends(
    about: str, words: str, taps: list[int], other: tuple[int, int] | None, parts_ms: int | None,
) -> None:
    """Worked out by hand: a press is told 20 ms after it, lit counts from there. Where the firmware
    tells nothing in time it parts at the next that it tells.
    """
    prepared, fault = fault_of(TWO, about, words)
    parts = judged(prepared, fault, course(taps, other))[0]
    assert parts == (None if parts_ms is None else parts_ms * MS)


def test_a_loss_of_the_supply_begins_all_clocks_anew() -> None:
    """What was counted before is gone."""
    prepared, fault = fault_of(TWO, SHORT, alone(EARLIER))
    path = course([1000, 1100, 1300])
    lost = (Act(1200 * MS, "supply", "supply", 0.0), Act(1210 * MS, "supply", "supply", 1.0))
    acts = sorted([*path.acts, *lost], key=lambda act: act.at_ns)
    assert judged(prepared, fault, Found(charge=0.5, acts=tuple(acts), ends_ns=path.ends_ns,
                                         covers=frozenset())) == [None]


ONCE = made({
    "lamp": region("dark", "dark lit over",
                   row("lit", "dark", on="key.press", when="bell.rung"),
                   row("over", "lit", after="300 ms", when="not key.pressed"),
                   row("over", "lit", after="600 ms"), lit="lit"),
    "bell": region("waits", "waits rings rung", row("rings", "waits", after="50 ms", emit="ring"),
                   row("rung", "rings", after="50 ms")),
})  # fmt: skip
"""A lamp that is lit once, and not before the bell has rung."""


@pytest.mark.parametrize("gadget", [TWO, ONCE], ids=["again", "once"])
def test_no_clock_that_is_proved_to_change_nothing_is_told_by_random_play(gadget) -> None:
    """Proofs and play of all slips in one clock of two."""
    prepared = Prepared(gadget)
    system = holding(prepared.system)
    faults = [fault for fault in all_faults(system) if fault.twist.alone or fault.twist.once]
    assert len(faults) > 4
    with uncounted():
        prover = Prover(system, gadget.segments, 0.1, whole=Budget(150_000))
        same = [fault for fault in faults if prover.same(fault)]
        assert told(prepared, same, 18) == []
        open_ones = [fault for fault in faults if fault not in same]
        if gadget is TWO:
            assert len(told(prepared, open_ones, 18)) > 4
        else:
            assert same != []
