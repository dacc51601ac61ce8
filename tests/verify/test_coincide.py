"""Things in one instant that may as well happen one after another are not gone through together."""

from __future__ import annotations

from pathlib import Path

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

GALLERY = Path(__file__).parents[1] / "gallery"
ACTS = (Act("knob", "knob", (), "knob.edge"), Act("wet", "wet", (("wet", None),), "wet.edge"))
EVENTS = ("ping", "pong")


@st.composite
def systems(draw: st.DrawFn) -> tuple[System, dict[str, Span]]:
    """Three regions of two states; most dwells may end at any time, some are exact."""
    names = [f"r{k}" for k in range(3)]
    spans: dict[str, Span] = {}

    def guard() -> ex.Expression | None:
        inside = ex.Inside(draw(st.sampled_from(names)), frozenset("b"))
        return (None, inside, ex.Not(inside), ex.Flag("wet"), ex.Flag("echo"))[
            draw(st.integers(0, 4))]

    regions = []
    for name in names:
        rows = []
        for number in range(draw(st.integers(2, 4))):
            key, timed = f"{name}.{number}", draw(st.booleans())
            if timed and draw(st.integers(0, 2)):
                spans[key] = Span(0, None)
            rows.append(Row(
                key=key, sources=draw(st.sampled_from((("a",), ("b",), ("a", "b")))),
                to=draw(st.sampled_from(("a", "b", "same"))),
                on=None if timed else draw(st.sampled_from(
                    ("knob.edge", "wet.edge", "damp", *EVENTS))),
                after_ns=draw(st.sampled_from((6, 12))) if timed else None, when=guard(),
                emit=(draw(st.sampled_from(EVENTS)),) if draw(st.integers(0, 2)) == 0 else ()))
        regions.append(Region(name=name, group="behaviour", starts="a", rows=tuple(rows),
                              states=(State(name="a"), State(name="b"))))
    watched = Condition(key="watch", when=guard() or ex.Flag("wet"), rises="damp", falls="dry")
    return System(regions=tuple(regions), conditions=(watched,) if draw(st.booleans()) else (),
                  events=EVENTS, raw_events=("knob.edge", "wet.edge")), spans


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
@given(made=systems())
def test_leaving_out_what_may_come_one_after_another_leaves_out_no_state(
    made: tuple[System, dict[str, Span]]
) -> None:
    """The same combinations and the same broken rules as with every instant run as it is."""
    short = search(*made)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(coincide.Order, "_ways", lambda *_: [])
        patch.setattr(coincide.Sorter, "kind", lambda *_: coincide.TOGETHER)
        whole = search(*made)
    if short is None or whole is None:
        return
    assert set(short.zones) == set(whole.zones)
    assert set(short.broken) == set(whole.broken)


def test_what_only_two_things_in_one_instant_make_is_found() -> None:
    """By hand: knob, wet, ping and pong are worked off in this order, and ping finds r2 in b for
    the one moment in which only wet and knob together have it there.
    """
    open_ = ex.Inside("r2", frozenset("b"))
    rows = {
        "r0": (Row(key="knob", sources=("a",), to="b", on="knob.edge", emit=("ping",)),),
        "r1": (Row(key="ping", sources=("a",), to="b", on="ping", when=open_),),
        "r2": (Row(key="wet", sources=("a",), to="b", on="wet.edge", emit=("pong",)),
               Row(key="pong", sources=("b",), to="a", on="pong")),
    }
    system = System(regions=tuple(
        Region(name=name, group="behaviour", starts="a", rows=its,
               states=(State(name="a"), State(name="b"))) for name, its in rows.items()
    ), events=EVENTS, raw_events=("knob.edge", "wet.edge"))
    both = search(system, {})
    assert both is not None
    assert {config[1] for config in both.zones} == {0, 1}
    machine = Machine(system.regions, acts=ACTS, flags=("wet",))
    alone = explore(machine, machine.starts((False,)), apart=True)
    assert {config[1] for config in alone.zones} == {0}


@pytest.mark.parametrize("name", ["one-list", "three-locks"])
def test_the_coincidences_of_a_gadget_come_to_their_end(name: str) -> None:
    """Rules that hold by hand are proved with every coincidence, not only without."""
    report = check_gadget(load_gadget(GALLERY / name / "gadget.toml"), only=("rule", "coincidence"),
                          runs=1)
    assert report.verdicts
    assert {verdict.standing for verdict in report.verdicts} == {"proved"}
