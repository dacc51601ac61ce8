"""Things in one instant that may as well happen one after another are not gone through together."""

from __future__ import annotations

from pathlib import Path
from random import Random

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from simfw.behaviour import expression as ex
from simfw.behaviour.region import Condition, Region, Row, State, System
from simfw.loading import load_gadget
from simfw.verify import coincide
from simfw.verify.check import check_gadget
from simfw.verify.explore import Explored, explore
from simfw.verify.machine import Act, Machine, Monitor
from simfw.verify.terms import Endless, Span
from simfw.verify.touch import Touch

GALLERY = Path(__file__).parents[1] / "gallery"
ACTS = (Act("knob", "knob", (), "knob.edge"), Act("wet", "wet", (("wet", None),), "wet.edge"))
RAW = ("knob.edge", "wet.edge")
EVENTS = ("ping", "pong", "pang")


def coupled(chance: Random) -> tuple[System, dict[str, Span]]:
    """Two regions that pass through a state, for a while or within an instant, and a third that
    hears of it where both stand right: what that one comes to may hang on a coincidence.
    """
    spans: dict[str, Span] = {}
    names = chance.sample(["r0", "r1", "r2"], 3)
    *passing, told = names

    def inside(name: str) -> ex.Expression:
        found = ex.Inside(name, frozenset("b"))
        return found if chance.random() < 0.6 else ex.Not(found)

    def both() -> ex.Expression:
        return ex.All(tuple(inside(name) for name in passing))

    def emit(on: str | None) -> tuple[str, ...]:
        later = EVENTS[EVENTS.index(on) + 1 :] if on in EVENTS else EVENTS  # else it has no end
        return (chance.choice(later),) if later and chance.random() < 0.7 else ()

    def region(name: str, rows: list[Row]) -> Region:
        return Region(name=name, group="behaviour", starts="a", rows=tuple(rows),
                      states=(State(name="a"), State(name="b")))

    made = {}
    for name, other, heard in zip(passing, passing[::-1], chance.sample(RAW, 2), strict=True):
        on = heard if chance.random() < 0.8 else chance.choice(EVENTS[:2])
        rows = [Row(key=f"{name}.0", sources=("a",), to="b", on=on, emit=emit(on),
                    when=inside(other) if chance.random() < 0.2 else None)]
        back = None if chance.random() < 0.4 else chance.choice((*RAW, *EVENTS))
        rows.append(Row(key=f"{name}.1", sources=("b",), to="a", on=back, emit=emit(back),
                        after_ns=chance.choice((0, 6, 6, 12)) if back is None else None))
        if back is None and chance.random() < 0.3:
            spans[f"{name}.1"] = Span(0, None)
        made[name] = region(name, rows)
    made[told] = region(told, [
        Row(key=f"{told}.{number}", sources=("ab"[number],), to="ba"[number],
            on=chance.choice((*EVENTS, *EVENTS, "damp", *RAW)), emit=emit("ping"),
            when=(both(), inside(passing[0]), None)[min(chance.randrange(5) // 2, 2)])
        for number in range(chance.choice((1, 1, 2)))
    ])
    watched = Condition(key="watch", when=chance.choice((both(), inside("r0"), ex.Flag("wet"))),
                        rises=chance.choice(("damp", "ping")), falls="dry")
    return System(regions=tuple(made[name] for name in sorted(made)), raw_events=RAW, events=EVENTS,
                  conditions=(watched,) if chance.random() < 0.3 else ()), spans


def monitors() -> tuple[Monitor, ...]:
    """One of each kind."""
    first, second = (ex.Inside(name, frozenset("b")) for name in ("r0", "r1"))
    return (
        Monitor(name="n", kind="never", when=ex.All((first, second))),
        Monitor(name="s", kind="stay", when=first, time_ns=6),
        Monitor(name="a", kind="answer", when=ex.All((ex.Happened("ping"), second)), then=first,
                time_ns=6),
        Monitor(name="b", kind="answer", when=ex.Happened("pong"), then=second, time_ns=0),
    )


def search(system: System, spans: dict[str, Span]) -> Explored | None:
    """Everything, or None where it is too much or power-up has no end."""
    machine = Machine(system.regions, conditions=system.conditions, acts=ACTS, flags=("wet",),
                      monitors=monitors(), spans=spans)
    try:
        starts = [out for wet in (False, True) for out in machine.starts((wet,))]
    except Endless:
        return None
    found = explore(machine, starts, until_broken=False, limit=400)
    return found if found.finished and not found.endless else None


# What fails here is small already; making it smaller takes minutes.
@settings(max_examples=60, deadline=None, phases=[Phase.explicit, Phase.reuse, Phase.generate])
@given(chance=st.randoms(use_true_random=True))
def test_leaving_out_what_may_come_one_after_another_leaves_out_no_state(
    chance: Random
) -> None:
    """The same combinations and the same broken rules as with every instant run as it is."""
    made = coupled(chance)
    short = search(*made)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(coincide.Order, "_ways", lambda *_: [])
        patch.setattr(coincide.Sorter, "kind", lambda *_: coincide.TOGETHER)
        whole = search(*made)
    if short is None or whole is None:
        return
    assert set(short.zones) == set(whole.zones)
    assert set(short.broken) == set(whole.broken)


def latched(rows: dict[str, tuple[Row, ...]], latch: int) -> tuple[set[int], set[int]]:
    """The states that region `latch` is in with every coincidence, and with none by chance."""
    system = System(regions=tuple(
        Region(name=name, group="behaviour", starts="a", rows=its,
               states=(State(name="a"), State(name="b"))) for name, its in rows.items()
    ), events=EVENTS, raw_events=RAW)
    both = search(system, {})
    assert both is not None
    machine = Machine(system.regions, acts=ACTS, flags=("wet",))
    alone = explore(machine, machine.starts((False,)), apart=True)
    return {config[latch] for config in both.zones}, {config[latch] for config in alone.zones}


OPEN = ex.Inside("r2", frozenset("b"))


def test_what_only_two_things_in_one_instant_make_is_found() -> None:
    """By hand: knob, wet, ping and pong are worked off in this order, and ping finds r2 in b for
    the one moment in which only wet and knob together have it there.
    """
    assert latched({
        "r0": (Row(key="knob", sources=("a",), to="b", on="knob.edge", emit=("ping",)),),
        "r1": (Row(key="ping", sources=("a",), to="b", on="ping", when=OPEN),),
        "r2": (Row(key="wet", sources=("a",), to="b", on="wet.edge", emit=("pong",)),
               Row(key="pong", sources=("b",), to="a", on="pong")),
    }, 1) == ({0, 1}, {0})


def test_two_times_that_end_together_because_they_began_together_are_found() -> None:
    """By hand: knob and wet each begin 6 ns and do not meet. Only where both came at once, pong
    and ping do, and ping finds r2 in b before pang takes it back.
    """
    assert latched({
        "r0": (Row(key="knob", sources=("a",), to="b", on="knob.edge"),
               Row(key="first", sources=("b",), to="a", after_ns=6, emit=("pong",))),
        "r1": (Row(key="wet", sources=("a",), to="b", on="wet.edge"),
               Row(key="second", sources=("b",), to="a", after_ns=6, emit=("ping",))),
        "r2": (Row(key="pong", sources=("a",), to="b", on="pong", emit=("pang",)),
               Row(key="pang", sources=("b",), to="a", on="pang")),
        "r3": (Row(key="ping", sources=("a",), to="b", on="ping", when=OPEN),),
    }, 3) == ({0, 1}, {0})


@pytest.mark.parametrize("name", ["one-list", "three-locks"])
def test_the_coincidences_of_a_gadget_come_to_their_end(name: str) -> None:
    """Rules that hold by hand are proved with every coincidence, not only without."""
    report = check_gadget(load_gadget(GALLERY / name / "gadget.toml"), only=("rule", "coincidence"),
                          runs=1)
    assert report.verdicts
    assert {verdict.standing for verdict in report.verdicts} == {"proved"}


def test_what_may_come_beside_a_dwell_is_told_apart_by_the_dwell() -> None:
    """The same options that meet alike: a region whose dwell is due does nothing beside it."""
    options = ((0, 1), (1, 1))
    touch = Touch((0,), (1,), 0, 1, 0, 0, False, False)
    sorter = coincide.Sorter()
    all_of: list[coincide.Choice] = [(((0, 1),), 1), (((1, 1),), 2)]
    first = sorter.sets(options, (0,), all_of[1:], [touch] * 3)
    other = sorter.sets(options, (1,), all_of[:1], [touch] * 3)
    assert first.meeting == (((1, 1),),)
    assert other.meeting == (((0, 1),),)
