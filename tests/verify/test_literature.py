"""Timed automata of the literature, worked by hand there or here, searched as regions."""

from __future__ import annotations

from dataclasses import replace

import pytest

from simfw.behaviour import expression as ex
from simfw.behaviour.region import Region, Row, State
from simfw.verify.explore import Explored, explore
from simfw.verify.machine import Act, Machine, Monitor, Span
from simfw.verify.timing import earliest, way_differences

UNIT = 1_000  # ns a time unit of the sources


def region(name: str, states: str, *rows: Row) -> Region:
    """A region that starts in its first state."""
    names = states.split()
    return Region(name=name, group="behaviour", states=tuple(State(name=n) for n in names),
                  starts=names[0], rows=rows)


def row(key: str, sources: str, to: str, on: str | None = None, after: float | None = None,
        when: ex.Expression | None = None, emit: str = "") -> Row:
    """A row; times in units."""
    return Row(key=key, sources=tuple(sources.split()), to=to, on=on,
               after_ns=None if after is None else round(after * UNIT), when=when,
               emit=tuple(emit.split()))


def inside(name: str, *states: str) -> ex.Inside:
    """The region is in one of these states."""
    return ex.Inside(name, frozenset(states))


def search(machine: Machine, **options: bool) -> Explored:
    """All of it, from power-up."""
    return explore(machine, machine.starts(()), until_broken=False, **options)


LIGHT = region(
    "light", "off light late bright",
    row("on", "off", "light", on="press"),
    row("twice", "light", "bright", on="press"),
    row("slow", "light", "late", after=3),
    row("out", "late bright", "off", on="press"),
)


def test_two_quick_presses_make_the_light_bright_and_slow_ones_do_not() -> None:
    """Intelligent light control: brighter when pressed twice within 3, else off.

    Source: lecture "Timed automata", intelligent light control, guard x <= 3, after Alur and Dill
    1990 (seen as text of the slides). At exactly 3 the press still counts, at 4 it does not.
    """
    machine = Machine([LIGHT], acts=[Act("press", "press", (), "press")],
                      monitors=[Monitor(name="b", kind="never", when=inside("light", "bright"))])
    found = search(machine)
    assert found.finished
    assert found.reached(machine) == [{"off", "light", "late", "bright"}]
    way = found.broken[0].steps
    differences = way_differences(way)
    for apart, possible in ((1, True), (2, True), (2.999, True), (3.001, False), (4, False)):
        extra = (2, 1, -round(apart * UNIT))
        assert (earliest(len(way), [*differences, extra]) is not None) == possible
    # At exactly 3 the press is in the queue before the dwell, and still makes it bright.
    light = next(c for c in found.zones if machine.region_states(c) == ("light",))
    (tie,) = machine.outcomes(light, (0,), ((0, -1),))
    assert machine.region_states(tie.config) == ("bright",)
    late = [c for c in found.zones if machine.region_states(c) == ("late",)]
    assert len(late) == 1


SWITCH = region(
    "switch", "waiting ready on",
    row("rested", "waiting", "ready", after=2),
    row("push", "ready", "on", on="push"),
    row("by itself", "on", "waiting", after=9),
)


@pytest.mark.parametrize(
    ("kind", "when", "then", "time", "holds"),
    [
        ("answer", ex.All((ex.Happened("push"), inside("switch", "ready"))),
         inside("switch", "waiting"), 9 * UNIT, True),
        ("answer", ex.All((ex.Happened("push"), inside("switch", "ready"))),
         inside("switch", "waiting"), 9 * UNIT - 1, False),
        ("stay", inside("switch", "waiting", "ready"), None, 2 * UNIT, True),
        ("stay", inside("switch", "waiting", "ready"), None, 2 * UNIT + 1, False),
        ("stay", inside("switch", "on"), None, 9 * UNIT, True),
        ("stay", inside("switch", "on"), None, 9 * UNIT + 1, False),
    ],
)
def test_the_light_switch_keeps_its_times_to_the_nanosecond(
    kind: str, when: ex.Expression, then: ex.Expression | None, time: int, holds: bool
) -> None:
    """A switch that turns on 2 after the last off at the soonest, and off by itself after 9.

    Source: the same lecture, "Light switch". Each bound holds exactly and breaks 1 ns beyond.
    """
    machine = Machine([SWITCH], acts=[Act("push", "push", (), "push")],
                      monitors=[Monitor(name="m", kind=kind, when=when, then=then, time_ns=time)])
    found = search(machine)
    assert found.finished
    assert (not found.broken) == holds


def test_clocks_that_run_apart_for_ever_are_searched_to_the_end() -> None:
    """A loop of exactly 10 beside a time of at least 20: without care the zones never end.

    Source: the example of J. Bengtsson and W. Yi, LNCS 3098 (2004), on why zone graphs may be
    infinite (from memory). By hand: y - x is 0, 10, then nothing reads y any more; the end can be
    taken from y = 20 on, thus in the third round.
    """
    machine = Machine(
        [region("x", "loop", row("round", "loop", "loop", after=10)),
         region("y", "early ripe end", row("ripen", "early", "ripe", after=20),
                row("end", "ripe", "end", on="go"))],
        acts=[Act("go", "go", (), "go")],
        monitors=[Monitor(name="end", kind="never", when=inside("y", "end"))],
    )
    found = search(machine)
    assert found.finished
    assert found.combinations == 3
    times = earliest(len(found.broken[0].steps), way_differences(found.broken[0].steps))
    assert times is not None
    assert times[-1] == 20 * UNIT + 1


def crossing(enter: float) -> tuple[Machine, Explored]:
    """Train, gate and controller; the train enters no sooner than `enter` after it approaches."""
    train = region(
        "train", "away near inside",
        row("approach", "away", "near", on="approach"),
        row("enter", "near", "inside", after=enter),
        row("exit", "inside", "away", after=1, emit="exit"),
    )
    controller = region(
        "controller", "idle lower raise",
        row("seen", "idle raise", "lower", on="approach"),
        row("lower", "lower", "idle", after=1, emit="lower"),
        row("left", "idle", "raise", on="exit"),
        row("raise", "raise", "idle", after=1, emit="raise"),
    )
    gate = region(
        "gate", "up closing down opening",
        row("close", "up opening", "closing", on="lower"),
        row("closed", "closing", "down", after=1),
        row("open", "down", "opening", on="raise"),
        row("opened", "opening", "up", after=1),
    )
    machine = Machine(
        [train, controller, gate],
        acts=[Act("train", "train", (), "approach")],
        spans={"enter": Span(round(enter * UNIT), 5 * UNIT), "exit": Span(0, 3 * UNIT),
               "raise": Span(0, UNIT), "closed": Span(0, UNIT), "opened": Span(UNIT, 2 * UNIT)},
        monitors=[Monitor(name="safe", kind="never",
                          when=ex.All((inside("train", "inside"),
                                       ex.Not(inside("gate", "down")))))],
    )
    return machine, search(machine)


@pytest.mark.parametrize(("enter", "safe"), [(2.001, True), (2, True), (1.999, False), (1, False)])
def test_the_gate_is_down_whenever_the_train_is_inside(enter: float, safe: bool) -> None:
    """Train, gate and controller of R. Alur, "Timed automata" (NATO ASI F 170, 2000).

    The properties were seen in a copy of the model (in -> down holds); the constants (enter after
    more than 2, exit by 5, lower at 1, closing takes up to 1, opening 1 to 2) are from memory. By
    hand: the command comes at 1, the gate is down at 2 at the latest; entering at 2 is one instant
    with the closing of the gate and still safe, entering any sooner is not.
    """
    _, found = crossing(enter)
    assert found.finished
    assert (not found.broken) == safe


def fischer(set_by: float, check_after: float) -> Explored:
    """Two processes with one shared variable; times to set and to check."""
    lock = region(
        "lock", "free p1 p2",
        *(row(f"set{i}", "free p1 p2", f"p{i}", on=f"set.{i}") for i in (1, 2)),
        row("clear", "p1 p2", "free", on="clear"),
    )

    def process(i: int) -> Region:
        mine, free = inside("lock", f"p{i}"), inside("lock", "free")
        return region(
            f"process{i}", "remainder test set check critical",
            row(f"try{i}", "remainder", "test", on=f"try.{i}"),
            row(f"test{i}", "test", "set", after=0, when=free),
            row(f"again{i}", "test", "set", on="clear", when=free),
            row(f"write{i}", "set", "check", after=set_by, emit=f"set.{i}"),
            row(f"mine{i}", "check", "critical", after=check_after, when=mine),
            row(f"lost{i}", "check", "test", after=check_after, when=ex.Not(mine)),
            row(f"leave{i}", "critical", "remainder", on=f"leave.{i}", emit="clear"),
        )

    spans = {f"write{i}": Span(0, round(set_by * UNIT)) for i in (1, 2)}
    spans |= {f"{k}{i}": Span(round(check_after * UNIT), None)
              for k in ("mine", "lost") for i in (1, 2)}
    machine = Machine(
        [lock, process(1), process(2)], spans=spans,
        acts=[Act(f"{k}.{i}", f"{k}.{i}", (), f"{k}.{i}")
              for k in ("try", "leave") for i in (1, 2)],
        monitors=[Monitor(name="both", kind="never",
                          when=ex.All((inside("process1", "critical"),
                                       inside("process2", "critical"))))],
    )
    return explore(machine, machine.starts(()), apart=True)


@pytest.mark.parametrize(
    ("set_by", "check_after", "exclusive"), [(2, 3, True), (1, 4, True), (3, 2, False)]
)
def test_mutual_exclusion_holds_exactly_where_setting_is_quicker_than_checking(
    set_by: float, check_after: float, exclusive: bool
) -> None:
    """Fischer's algorithm: exclusive if every set comes sooner than any check (u_set < l_check).

    Source: D. Kaynar, N. Lynch, R. Segala and F. Vaandrager, "The theory of timed I/O automata"
    (2006), example of figures 4.5 and 4.6 (seen).
    """
    found = fischer(set_by, check_after)
    assert (not found.broken) == exclusive
    assert found.finished or not exclusive


def test_the_copy_of_a_region_is_searched_like_the_region() -> None:
    """Names do not matter to what is reached."""
    machine = Machine([replace(SWITCH, name="other")], acts=[Act("push", "push", (), "push")])
    assert search(machine).combinations == 3
