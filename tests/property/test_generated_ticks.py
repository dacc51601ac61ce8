"""The C that ships: time in ticks, a counter that wraps, a queue just large enough."""

from __future__ import annotations

import random
from collections import deque
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simfw.behaviour.build import build_system
from simfw.behaviour.machine import _Expired
from simfw.behaviour.region import Condition, Region, Row, State, System
from simfw.behaviour.tree import Constant, Flag
from simfw.report.source import harness_files
from simfw.report.source.bound import always_ends, queue_bound
from simfw.report.source.tick import choose_tick, rounded
from tests.report.generated_c import (
    Account,
    build_case,
    compile_harness,
    compiler,
    first_difference,
    random_gadget,
    random_list,
    talk,
    write_harness,
)

CC = compiler("tcc", "gcc", "clang")
NEEDS_CC = pytest.mark.skipif(CC is None, reason="no C compiler installed")


def on_ticks(system, tick_ns):
    """The system with each time as long as so many whole ticks."""
    times = rounded(system, tick_ns)
    regions, clocks = (
        tuple(
            replace(region, rows=tuple(
                row if row.after_ns is None else replace(row, after_ns=times[row.key])
                for row in region.rows))
            for region in some
        )
        for some in (system.regions, system.clocks)
    )  # fmt: skip
    return replace(system, regions=regions, clocks=clocks)


@NEEDS_CC
@pytest.mark.parametrize("seed", range(8))
def test_time_in_ticks_is_the_model_with_its_times_in_whole_ticks(seed, tmp_path):
    """Line for line, while the counter of 16 or 32 bits wraps, in a queue of no more than the
    proved number of entries.
    """
    gadget, system = build_case(seed)
    tick_ns = choose_tick(system).ns
    account, rng = Account(on_ticks(system, tick_ns), gadget.segments), random.Random(seed)
    for _ in range(8):
        random_list(account, rng, 12, tick_ns)
    write_harness(tmp_path, gadget, system)
    options = ["-DFW_TARGET_TICK", "-DFW_TICK_START=0xFFFFFFC0u"]
    bound = queue_bound(system)
    if bound is not None:
        options.append(f"-DFW_QUEUE_SIZE={bound}u")
    program = compile_harness(tmp_path, CC, "-w", *options)
    assert talk(program, ["hello"])[0] == f"hello 1 tick_ns={tick_ns}"
    difference = first_difference(account, talk(program, account.asked))
    assert difference is None, difference


class Counted(deque):
    """The queue of the model, with the most entries that the C would have held in it: rows of one
    time are one entry there.
    """

    most = 0

    def extend(self, items):
        """As a deque, and count."""
        super().extend(items)
        self._count()

    def append(self, item):
        """As a deque, and count."""
        super().append(item)
        self._count()

    def _count(self):
        times = {(item.region, item.stay, item.row.after_ns)
                 for item in self if isinstance(item, _Expired)}  # fmt: skip
        events = sum(not isinstance(item, _Expired) for item in self)
        self.most = max(self.most, events + len(times))


def most_held(gadget, system, seed, lists=4):
    """The most entries of the queue in random event lists."""
    account, rng, most = Account(system, gadget.segments), random.Random(seed), 0

    def power(now_ns, moved=(), *, plain=account.power):
        try:
            plain(now_ns, moved)
        finally:  # the stepper is made at power-up, whose own instant may find no end
            account.stepper._queue = Counted(account.stepper._queue)

    account.power = power
    for _ in range(lists):
        random_list(account, rng, 12)
        most = max(most, account.stepper._queue.most)
    return most


@given(st.integers(0, 5_000))
@settings(max_examples=25, deadline=None)
def test_the_queue_never_holds_more_than_its_bound(seed):
    """The law of the weights, on random gadgets under random stimuli."""
    gadget = random_gadget(seed)
    system = build_system(gadget)
    bound = queue_bound(system)
    if bound is not None:
        assert most_held(gadget, system, seed) <= bound


def region(name, *rows, states=("a", "b")):
    """A region by hand."""
    return Region(name=name, group="behaviour", starts="a", rows=rows,
                  states=tuple(State(name=state) for state in states))  # fmt: skip


def row(key, to, **more):
    """A row from state a."""
    return Row(key=key, sources=("a",), to=to, **more)


WORST = {
    # Two inputs in one instant, one entry each.
    "inputs": (System(regions=(region("one", row("x", "b", on="p.edge")),),
                      raw_events=("p.edge", "q.edge")), 2),
    # One input that three regions answer with two events each.
    "answers": (System(regions=tuple(
        region(name, row(name, "same", on="p.edge", emit=("e", "e"))) for name in "xyz"),
        events=("e",), raw_events=("p.edge",)), 6),
    # A chain does not add up: each entry is gone before the next comes.
    "chain": (System(regions=(region("one", row("x", "same", on="p.edge", emit=("e",)),
                                     row("y", "same", on="e", emit=("f",))),),
                     events=("e", "f"), raw_events=("p.edge",)), 1),
    # A state of no length is one more entry.
    "zero": (System(regions=(Region(
        name="one", group="behaviour", starts="a",
        states=tuple(State(name=state) for state in "abc"),
        rows=(row("x", "b", on="p.edge", emit=("e",)),
              Row(key="y", sources=("b",), to="c", after_ns=0))),),
        events=("e",), raw_events=("p.edge",)), 2),
    # All watched expressions may turn over when the queue has run empty.
    "watched": (System(regions=(region("one", row("x", "b", on="p.edge")),), conditions=tuple(
        Condition(key=name, when=Flag("p.closed"), rises=name, falls=name) for name in "efg"),
        internal_events=("e", "f", "g"), raw_events=("p.edge",)), 3),
}  # fmt: skip


@NEEDS_CC
@pytest.mark.parametrize("name", list(WORST))
def test_the_bound_is_reached(name, tmp_path):
    """One entry less is too few: the harness tells so, and with the bound it does not."""
    system, wanted = WORST[name]
    assert queue_bound(system) == wanted
    for file, text in harness_files(system, {}).items():
        (tmp_path / file).write_text(text, encoding="utf-8")
    signals = [event.removesuffix(".edge") for event in system.raw_events]
    lines = ["power 0", *(f"set {signal} 1" for signal in signals), "step 5"]
    for size in (wanted, wanted - 1):
        if size:
            program = compile_harness(tmp_path, CC, "-w", f"-DFW_QUEUE_SIZE={size}u")
            full = any("queue full" in line for line in talk(program, lines))
            assert full == (size < wanted)


def test_rows_that_multiply_events_round_a_ring_have_no_bound():
    """Two events for each: no number of entries is sure to be enough."""
    ring = region("one", row("x", "same", on="e", emit=("e", "e"), when=Constant(True)))
    assert queue_bound(System(regions=(ring,), events=("e",))) is None


def test_an_endless_ring_that_does_not_grow_has_a_bound():
    """It ends as an endless instant, not with a full queue."""
    ring = region("one", row("x", "same", on="e", emit=("e",)))
    assert queue_bound(System(regions=(ring,), events=("e",), raw_events=("e.edge",))) == 1
    assert not always_ends(System(regions=(ring,), events=("e",)))


def test_an_instant_is_counted_only_where_it_might_not_end():
    """Chains end; rings, watched expressions and states of no length that lead round may not."""
    assert all(always_ends(WORST[name][0]) for name in ("inputs", "answers", "chain", "zero"))
    assert not always_ends(WORST["watched"][0])
    round_ = Region(name="one", group="behaviour", starts="a",
                    states=(State(name="a"), State(name="b")),
                    rows=(row("x", "b", after_ns=0),
                          Row(key="y", sources=("b",), to="a", after_ns=0)))  # fmt: skip
    assert not always_ends(System(regions=(round_,)))


@given(st.integers(0, 5_000))
@settings(max_examples=25, deadline=None)
def test_what_is_said_to_end_does(seed):
    """On random gadgets under random stimuli no instant goes on for ever."""
    gadget = random_gadget(seed)
    system = build_system(gadget)
    if always_ends(system):
        account, rng = Account(system, gadget.segments), random.Random(seed)
        assert all(random_list(account, rng, 8) for _ in range(3))
