"""Events inside folds: as many as without folding, and none kept where nobody asked for them."""

from __future__ import annotations

import tracemalloc

import pytest

from simfw.engine.observer import Observer
from tests.engine.bench import gadget_of, run

# A ticker that emits, quick beside a slow ticker that emits too, beside a gauge.
TICKERS = """
[gadget]
name = "Two tickers"
[cell]
curve = "lco"
capacity = "500 mAh"
[controller]
asleep = "5 uA"
awake = "1 mA"
reference = "1.1 V"
adc_bits = 10
[gauge]
thresholds = ["3.3 V", "3.7 V", "3.9 V"]
every = "3 s"
[behaviour.quick]
starts = "a"
states.a = {}
states.b = { controller = "awake" }
rows = [
  { after = "37 ms", from = "a", to = "b", emit = "quick.tick" },
  { after = "4 ms", from = "b", to = "a" },
]
[behaviour.slow]
starts = "a"
states.a = {}
states.b = {}
rows = [
  { after = "1.7 s", from = "a", to = "b", emit = "slow.tick" },
  { after = "130 ms", from = "b", to = "a" },
  { on = "quick.tick", from = "a", to = "same", emit = "slow.heard" },
]
"""


@pytest.mark.parametrize("lasts", ["10 s", "61 s", "150 s"])
def test_folding_loses_no_event_of_a_ticker_inside_a_longer_cycle(lasts: str) -> None:
    """Names and times are those of a run that handles every tick by itself, nested folds too."""
    gadget = gadget_of(TICKERS)
    folded, plain = run(gadget, lasts=lasts), run(gadget, lasts=lasts, fold=False)
    assert any(part.cycles for part in folded.intervals)
    assert [(e.time_ns, e.name) for e in folded.events] == [
        (e.time_ns, e.name) for e in plain.events
    ]


class _Counts(Observer):
    def __init__(self) -> None:
        self.heard = 0

    def event(self, time_ns: int, name: str) -> None:
        self.heard += 1


def test_observers_hear_the_events_of_a_run_that_keeps_none() -> None:
    """`log=False` keeps no event, and an observer still hears each."""
    counts = _Counts()
    gadget = gadget_of(TICKERS)
    result = run(gadget, lasts="150 s", log=False, observers=(counts,))
    assert result.events == ()
    assert counts.heard == len(run(gadget, lasts="150 s").events) > 3000


def test_memory_does_not_grow_with_the_time_of_a_ticker_that_emits() -> None:
    """Sixty times the time takes no more memory where neither trace nor log is asked for."""
    rounder = TICKERS.replace("37 ms", "36 ms").replace("1.7 s", "1.87 s")
    gadget = gadget_of(rounder)

    def peak(lasts: str) -> int:
        tracemalloc.start()
        try:
            run(gadget, lasts=lasts, trace=False, log=False)
            return tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()

    peak("10 min")  # whatever is loaded at first use
    assert peak("10 h") < 1.2 * peak("10 min")


# A ticker that tells that it waits before it moves, and reads its cell in an instant that moves
# nothing.
STAYING = """
[gadget]
name = "One that stays"
[cell]
curve = "lco"
capacity = "20 mAh"
[loads.motor]
current = "30 mA"
[behaviour.lamp]
starts = "a"
states.a = { motor = "on" }
rows = [
  { after = "70 ms", from = "a", to = "same", emit = "lamp.waits" },
  { after = "90 ms", from = "a", to = "b", when = "cell.charge < 0.899" },
  { after = "120 ms", from = "a", to = "a" },
]
states.b = { motor = "on" }
"""


@pytest.mark.parametrize("lasts", ["1230 ms", "12 s"])
def test_folding_loses_no_event_of_a_dwell_that_keeps_the_state(lasts: str) -> None:
    """A dwell that ends without moving a region is an instant of the cycle as any other."""
    gadget = gadget_of(STAYING)
    folded, plain = (run(gadget, charge=0.9, lasts=lasts, fold=fold) for fold in (True, False))
    assert any(part.cycles for part in folded.intervals)
    assert [(e.time_ns, e.name) for e in folded.events] == [
        (e.time_ns, e.name) for e in plain.events
    ]
    times = {(use.region, use.state): use.time_ns for use in plain.states}
    assert {(use.region, use.state): use.time_ns for use in folded.states} == times
    assert (times.get(("lamp", "b"), 0) > 0) == (lasts == "12 s")
