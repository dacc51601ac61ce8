"""The search with zones and an independent search in small steps see the same."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import pytest
from hypothesis import Phase, assume, given, settings
from hypothesis import strategies as st

from simfw.behaviour import expression as ex
from simfw.behaviour.region import Condition, Region, Row, State, System
from simfw.verify.explore import explore
from simfw.verify.letting_go import LET_GO_ACTS
from simfw.verify.machine import Act, Machine, Monitor
from simfw.verify.terms import SUPPLY, Config
from tests.verify.brute import GRID, Brute

FLAGS = ("wet",)
ACTS = (Act("knob", "knob", (), "knob.edge"), Act("wet", "wet", (("wet", None),), "wet.edge"))
EVENTS = ("ping", "pong")
HEARD = ("knob.edge", "wet.edge", *EVENTS, "dry", "damp")


@st.composite
def small_systems(draw: st.DrawFn) -> System:
    """Two regions of two or three states, dwells of a few grid steps, guards, memory."""
    states = {f"r{k}": ("a", "b", "c")[: draw(st.integers(2, 3))] for k in range(2)}

    def guard() -> ex.Expression | None:
        kind = draw(st.integers(0, 4))
        region = draw(st.sampled_from(sorted(states)))
        inside = ex.Inside(region, frozenset({draw(st.sampled_from(states[region]))}))
        return (None, None, inside, ex.Not(inside), ex.Flag("wet"))[kind]

    regions = []
    for name, names in states.items():
        resume = names[-2:] if draw(st.booleans()) else ()
        rows = []
        for number in range(draw(st.integers(2, 5))):
            timed = draw(st.booleans())
            targets = [*names, "same", *(["resume"] if resume else [])]
            rows.append(Row(
                key=f"{name}.{number}",
                sources=tuple(n for n in names if draw(st.booleans())) or names[:1],
                to=draw(st.sampled_from(targets)),
                on=None if timed else draw(st.sampled_from(HEARD)),
                after_ns=GRID * draw(st.sampled_from((0, 1, 1, 2, 3))) if timed else None,
                when=guard(),
                emit=(draw(st.sampled_from(EVENTS)),) if draw(st.integers(0, 2)) == 0 else (),
            ))
        regions.append(Region(name=name, group="behaviour",
                              states=tuple(State(name=n) for n in names), starts=names[0],
                              rows=tuple(rows), resume_points=tuple(resume)))
    conditions = ()
    if draw(st.booleans()):
        conditions = (Condition(key="watch", when=guard() or ex.Flag("wet"), rises="damp",
                                falls="dry"),)
    return System(regions=tuple(regions), conditions=conditions, events=EVENTS,
                  raw_events=("knob.edge", "wet.edge"))


def monitors(draw: st.DrawFn, system: System) -> tuple[Monitor, ...]:
    """One monitor of each kind about the states of the system."""

    def inside() -> ex.Inside:
        region = draw(st.sampled_from(system.regions))
        return ex.Inside(region.name, frozenset({draw(st.sampled_from(region.states)).name}))

    times = st.sampled_from((0, GRID, 2 * GRID, 3 * GRID))
    return (
        Monitor(name="n", kind="never", when=ex.All((inside(), inside()))),
        Monitor(name="s", kind="stay", when=inside(), time_ns=draw(times) or GRID),
        Monitor(name="a", kind="answer", then=inside(), time_ns=draw(times),
                when=ex.All((ex.Happened(draw(st.sampled_from(EVENTS))), inside()))),
    )


# What fails here is small already; making it smaller takes minutes.
@settings(max_examples=60, deadline=None, phases=[Phase.explicit, Phase.reuse, Phase.generate])
@given(st.data(), small_systems())
def test_both_reach_the_same_states_and_break_the_same_rules(
    data: st.DataObject, system: System
) -> None:
    """Dense time with zones and small steps with every order tried agree on small systems."""
    watched = data.draw(st.composite(lambda draw: monitors(draw, system))())
    brute = Brute(system, ACTS, FLAGS, watched, together=2).search(limit=4_000)
    if brute is None:
        return
    machine = Machine(system.regions, conditions=system.conditions, acts=ACTS, flags=FLAGS,
                      monitors=watched)
    try:
        starts = [out for wet in (False, True) for out in machine.starts((wet,))]
    except Exception as error:
        assert brute.endless, error  # noqa: PT017 - what is asserted is the other search's answer
        return
    search = explore(machine, starts, together=2, until_broken=False)
    assert search.finished
    reached = {
        (machine.region_states(config), tuple(machine.flag_values(config).values()))
        for config in search.zones
    }
    assert reached == brute.states
    assert bool(search.endless) == brute.endless
    if not brute.endless:
        assert set(search.broken) == brute.broken


@settings(max_examples=40, deadline=None, phases=[Phase.explicit, Phase.reuse, Phase.generate])
@given(st.data(), small_systems())
def test_both_let_go_of_the_supply_alike(data: st.DataObject, system: System) -> None:
    """One state, or two of two regions, let go of it, and something may be kept over that; rules
    ask for inputs and times, too.
    """
    goes = data.draw(st.sampled_from("ab"))
    letting = {name for name in ("r0", "r1") if name == "r0" or data.draw(st.booleans())}
    kept = {name: data.draw(st.sampled_from((None, "resume", "state"))) for name in ("r0", "r1")}
    system = replace(system, regions=tuple(
        replace(region, kept=kept[region.name], states=tuple(
            replace(state, unpowered=region.name in letting and state.name == goes)
            for state in region.states))
        for region in system.regions))
    of_inputs = Monitor(name="w", kind="never", when=ex.All((
        ex.Flag("wet"), ex.Inside("r0", frozenset({data.draw(st.sampled_from("ab"))})))))
    # Whatever is driven is dark without the supply.
    lit, b = ex.Flag(SUPPLY), ex.Happened(data.draw(st.sampled_from(HEARD)))
    a = ex.Happened(data.draw(st.sampled_from(("knob.edge", "wet.edge", "ping"))))
    of_outputs = (
        Monitor(name="l", kind="answer", when=a, then=lit,
                time_ns=data.draw(st.sampled_from((0, GRID)))),
        Monitor(name="d", kind="answer", when=b, then=ex.Not(lit)),
        Monitor(name="u", kind="answer", when=ex.Flag("wet"), then=ex.Not(ex.All((
            lit, ex.Inside("r1", frozenset({data.draw(st.sampled_from("ab"))})))))),
        Monitor(name="t", kind="stay", when=lit, time_ns=GRID),
    )
    watched = (*data.draw(st.composite(lambda draw: monitors(draw, system))()), of_inputs,
               *of_outputs)
    powering = FLAGS if data.draw(st.booleans()) else ()
    acts, flags = (*ACTS, *LET_GO_ACTS), (*FLAGS, SUPPLY)
    brute = Brute(system, acts, flags, watched, together=2, powering=powering).search(limit=1_000)
    assume(brute is not None and not brute.endless)
    machine = Machine(system.regions, conditions=system.conditions, acts=acts, flags=flags,
                      monitors=watched, letting=letting, powering=powering)
    starts = [out for wet in (False, True) for out in machine.starts((wet, True))]
    search = explore(machine, starts, together=2, until_broken=False)
    assert search.finished
    reached = {
        (machine.region_states(config), tuple(machine.flag_values(config).values()))
        for config in search.zones
    }
    assert reached == brute.states
    assert set(search.broken) == brute.broken


@settings(max_examples=15, phases=[Phase.explicit, Phase.reuse, Phase.generate])
@given(small_systems())
def test_what_never_coincides_is_part_of_what_may(system: System) -> None:
    """Without coincidences by chance nothing new is reached."""
    # Only systems that are small and come to rest: one that does not branches without bound.
    brute = Brute(system, ACTS, FLAGS, (), together=2).search(limit=1_000)
    assume(brute is not None and not brute.endless)
    machine = Machine(system.regions, conditions=system.conditions, acts=ACTS, flags=FLAGS)
    starts = [out for wet in (False, True) for out in machine.starts((wet,))]
    wide = explore(machine, starts, together=2)
    apart = explore(machine, starts, apart=True)
    assert wide.finished
    assert apart.finished
    assert set(apart.zones) <= set(wide.zones)


@pytest.mark.parametrize(("kept", "reached"), [(None, False), ("state", True)])
def test_what_is_kept_is_there_at_the_next_power_up(
    kept: Literal["state"] | None, reached: bool
) -> None:
    """`r1` gets to `b` while `r0` is about to let go; beside `a` it is only by being kept."""
    off = ex.Inside("r0", frozenset("b"))
    system = System(raw_events=("knob.edge", "wet.edge"), regions=(
        Region(name="r0", group="behaviour", starts="a",
               states=(State(name="a"), State(name="b", unpowered=True)),
               rows=(Row(key="0", sources=("a",), to="b", on="knob.edge"),)),
        Region(name="r1", group="behaviour", starts="a", kept=kept,
               states=(State(name="a"), State(name="b")),
               rows=(Row(key="1", sources=("a",), to="b", on="wet.edge", when=off),))))
    acts, flags = (*ACTS, *LET_GO_ACTS), (*FLAGS, SUPPLY)
    brute = Brute(system, acts, flags, (), together=1).search()
    assert brute is not None
    machine = Machine(system.regions, acts=acts, flags=flags, letting={"r0"})
    search = explore(machine, machine.starts((False, True)), together=1)
    found = {machine.region_states(config) for config in search.zones}
    assert found == {names for names, _ in brute.states}
    assert (("a", "b") in found) == reached


@st.composite
def latches(draw: st.DrawFn) -> System:
    """A region that lets go of the supply in one state or two and keeps its state, with a row for
    nearly every event, beside one that may do either, too.
    """
    def region(name: str, states: str, goes: set[str], kept: Literal["state"] | None) -> Region:
        rows = []
        for source in states:
            for on in draw(st.sets(st.sampled_from(("knob.edge", "wet.edge", "ping")), min_size=1)):
                rows.append(Row(
                    key=f"{name}.{len(rows)}", sources=(source,), on=on,
                    to=draw(st.sampled_from(states)),
                    emit=("ping",) if on != "ping" and draw(st.booleans()) else ()))
        if draw(st.booleans()):
            rows.append(Row(key=f"{name}.{len(rows)}", sources=(draw(st.sampled_from(states)),),
                            to=draw(st.sampled_from(states)),
                            after_ns=draw(st.sampled_from((0, GRID))),
                            emit=("ping",) if draw(st.booleans()) else ()))
        return Region(name=name, group="behaviour", starts=draw(st.sampled_from(states)), kept=kept,
                      states=tuple(State(name=n, unpowered=n in goes) for n in states),
                      rows=tuple(rows))

    first = region("r0", "abcd"[: draw(st.integers(3, 4))],
                   draw(st.sampled_from(({"c"}, {"b", "c"}))), "state")
    second = region("r1", "ab", draw(st.sampled_from((set(), {"b"}))),
                    draw(st.sampled_from((None, "state"))))
    return System(regions=(first, second), events=EVENTS, raw_events=("knob.edge", "wet.edge"))


def _come_back_alike(
    system: System, powering: tuple[str, ...] = (), *, together: int = 2
) -> set[tuple[tuple[str, ...], tuple[str, ...]]] | None:
    """What may stand, and what is kept then, after both searches were found to say so; None where
    that is too much, or does not end.
    """
    acts, flags = (*ACTS, *LET_GO_ACTS), (*FLAGS, SUPPLY)
    brute = Brute(system, acts, flags, (), together, powering).search(limit=2_000)
    if brute is None or brute.endless:
        return None
    machine = Machine(system.regions, acts=acts, flags=flags, powering=powering,
                      letting={region.name for region in system.regions if region.lets_go})
    starts = [out for wet in (False, True) for out in machine.starts((wet, True))]
    search = explore(machine, starts, together=together)
    keeps = [n for n, region in enumerate(system.regions) if region.kept == "state"]

    def kept(config: Config) -> tuple[str, ...]:
        found = list(machine.region_states(config))
        for place, (region, goes) in enumerate(machine.keeping, machine.kept_at):
            assert (config[place] >= 0) == (config[region] in goes)
            if config[region] in goes:
                found[region] = machine.parts[region].states[config[place]]
        return tuple(found[n] for n in keeps)

    assert {
        (machine.region_states(config), tuple(machine.flag_values(config).values()), kept(config))
        for config in search.zones
    } == {(names, values, tuple(stood[n] for n in keeps)) for names, values, stood in brute.kept}
    return {(names, tuple(stood[n] for n in keeps)) for names, _, stood in brute.kept}


@settings(max_examples=100, deadline=None, phases=[Phase.explicit, Phase.reuse, Phase.generate])
@given(latches(), st.booleans())
def test_both_come_back_to_what_stood_settled_last(system: System, powered: bool) -> None:
    """A region that lets go comes back in the state that it kept: the last one before that, of
    those that stood at the end of an instant.
    """
    assume(_come_back_alike(system, FLAGS if powered else ()) is not None)


def test_what_stands_within_an_instant_only_is_not_kept() -> None:
    """The knob and the dwell in one instant: `b` is passed, and `a` is kept."""
    system = System(events=EVENTS, raw_events=("knob.edge", "wet.edge"), regions=(
        Region(name="r0", group="behaviour", starts="a", kept="state",
               states=(State(name="a"), State(name="b"), State(name="c", unpowered=True)),
               rows=(Row(key="0", sources=("a",), to="b", on="knob.edge"),
                     Row(key="1", sources=("b",), to="c", on="ping"))),
        Region(name="r1", group="behaviour", starts="a",
               states=(State(name="a"), State(name="b")),
               rows=(Row(key="2", sources=("a",), to="b", after_ns=GRID, emit=("ping",)),))))
    found = _come_back_alike(system, together=1)
    assert found is not None
    assert {kept for names, (kept,) in found if names[0] == "c"} == {"a", "b"}
