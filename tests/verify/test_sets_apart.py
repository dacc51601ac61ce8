"""Regions that do not meet are searched one set at a time, and what is told of all is the same."""

from __future__ import annotations

from itertools import product

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from simfw.behaviour import expression as ex
from simfw.behaviour.build import build_system
from simfw.behaviour.region import Condition, Drive, Region, Row, State, System
from simfw.behaviour.rules import build_rules
from simfw.circuit.circuit import Circuit
from simfw.verify import loads as loads_module
from simfw.verify.budget import Budget
from simfw.verify.check import check_gadget
from simfw.verify.decide import monitor_of
from simfw.verify.loads import MOST_LOADS, loads_of
from simfw.verify.output import report_json, report_text
from simfw.verify.reach import never_asked, reach_checks
from simfw.verify.whole import Whole, search_whole
from tests.quality import cases
from tests.verify.gadgets import behaviour, gadget, many, rule, together


def sets_of(whole: Whole) -> list[list[str]]:
    """The written regions of each set."""
    return [[region.name for region in part.reduced.machine.regions if region.group == "behaviour"]
            for part in whole.parts]


@pytest.mark.parametrize("count", range(1, 11))
def test_states_grow_with_the_sum_of_regions_that_do_not_meet(count: int) -> None:
    """A lamp and its key are four states; n of them are 4 n, where one search had 4 ** n."""
    whole = search_whole(build_system(many(count)))
    assert whole.finished
    assert len(whole.parts) == count
    assert (whole.states, whole.combinations) == (4 * count, 4 * count)
    if count <= 3:
        assert together(build_system(many(count))).states == 4 ** count


def test_the_check_tells_how_many_sets_were_searched_apart() -> None:
    """In its text and in its JSON; a gadget whose regions all meet is told as before."""
    report = check_gadget(many(8), only=("unreachable-state", "dead-end"))
    assert report.reached_all
    assert report_json(report)["searched"] == {
        "states": 32, "combinations": 32, "finished": True, "sets": 8, "loads_left_out": 0,
        "gestures": 0, "every_order": False, "timed_out": False,
    }
    shown = " ".join(report_text(report, lambda text, _tone: text).split())
    assert ("All written regions: searched to the end in 8 sets that do not meet, "
            "32 combinations in 32 states, events in every order.") in shown
    one = check_gadget(many(1), only=("unreachable-state",))
    assert ("All written regions: searched to the end, 4 combinations in 4 states"
            in report_text(one, lambda text, _tone: text))


LAMP2 = 'dark = {}; lit = { flash = "on" }'
FLASH = '\n[loads.flash]\ncurrent = "30 mA"\n[buttons.other]\n'
OFF2 = 'on = "other.click", from = "lit", to = "dark"'


@pytest.mark.parametrize(
    ("row", "more"),
    [
        ('on = "key.hold", from = "dark", to = "lit"', ""),
        ('on = "other.click", from = "dark", to = "lit", when = "lamp.dark"', ""),
        ('on = "other.click", from = "dark", to = "lit", when = "lamp > 0"', ""),
        ('on = "gone", from = "dark", to = "lit"', ""),
        ('on = "other.click", from = "dark", to = "lit", when = "cell.voltage > 3.5"', ""),
        ('on = "usb.in", from = "dark", to = "lit"', ""),
    ],
    ids=["a button", "a state", "a level", "an event", "a reading", "the plug"],
)
def test_what_two_regions_share_makes_them_one_set(row: str, more: str) -> None:
    """One button, a guard on a state or a level, an event, a reading of the cell, the USB plug."""
    first = cases.BASE + cases.KEY.replace("[buttons.key]", '[buttons.key]\nhold = "2 s"') + (
        cases.CHARGER + behaviour(
            "lamp", "dark", cases.LIT,
            'on = "key.click", from = "dark", to = "lit", emit = "gone", '
            'when = "cell.voltage > 3.3 and not usb"',
            'on = "key.click", from = "lit", to = "dark"'))
    apart = first + FLASH + more + behaviour(
        "second", "dark", LAMP2, 'on = "other.click", from = "dark", to = "lit"', OFF2)
    assert sets_of(search_whole(build_system(gadget(apart)))) == [["lamp"], ["second"]]
    met = first + FLASH + more + behaviour("second", "dark", LAMP2, row, OFF2)
    assert sets_of(search_whole(build_system(gadget(met)))) == [["lamp", "second"]]


INPUTS = ("p", "q", "r")
HEARD = tuple(f"{name}.edge" for name in INPUTS)


@st.composite
def loose_systems(draw: st.DrawFn) -> System:
    """Three regions that may or may not meet: in events, guards, inputs, readings, conditions."""
    names = ("r0", "r1", "r2")

    def guard(own: str) -> ex.Expression | None:
        kind = draw(st.integers(0, 9))
        other = draw(st.sampled_from(names)) if kind == 1 else own
        inside = ex.Inside(other, frozenset({draw(st.sampled_from("abc"))}))
        flag = ex.Flag(f"{draw(st.sampled_from(INPUTS))}.closed")
        reading = ex.Compare(ex.Quantity(draw(st.sampled_from(
            ("cell.voltage", "gauge.measured")))), ">", ex.Number(3.5))
        return {0: inside, 1: ex.Not(inside), 2: flag, 3: reading}.get(kind)

    regions, conditions = [], []
    for k, name in enumerate(names):
        heard: list[str] = [HEARD[k], HEARD[k], "bell.click"]
        if draw(st.integers(0, 3)) == 0:
            when = guard(name) or ex.Flag(f"{draw(st.sampled_from(INPUTS))}.closed")
            conditions.append(Condition(key=f"w{k}", when=when, rises=f"up{k}", falls=f"down{k}"))
            heard += [f"up{k}", f"down{k}"]
        rows = []
        for number in range(draw(st.integers(1, 4))):
            timed = draw(st.integers(0, 2)) == 0
            rows.append(Row(
                key=f"behaviour.{name}.rows[{number}]",
                sources=tuple(one for one in "abc" if draw(st.booleans())) or ("a",),
                to=draw(st.sampled_from(("a", "b", "c", "same"))),
                on=None if timed else draw(st.sampled_from(heard)),
                after_ns=draw(st.sampled_from((0, 10, 20, 30))) if timed else None,
                when=guard(name),
                emit=("bell.click",) if draw(st.integers(0, 7)) == 0 else (),
            ))
        regions.append(Region(name=name, group="behaviour", starts=draw(st.sampled_from("aab")),
                              states=tuple(state(one, k) for one in "abc"), rows=tuple(rows)))
    return System(regions=tuple(regions), conditions=tuple(conditions), events=("bell.click",),
                  raw_events=HEARD)


LIT = gadget(cases.BASE + cases.LAMP.replace("lights.lamp", "lights.glow"))


def state(name: str, number: int) -> State:
    """The second drives a light, of which two regions share one; the third stays awake in one."""
    light = ("lamp", "glow", "lamp")[number]
    return State(name=name, awake=name == "c" and number == 1,
                 outputs={light: Drive(1.0)} if name == "b" else {})


def seen(whole: Whole) -> set[frozenset[tuple[str, object]]]:
    """Every combination of region states and inputs, over all sets."""
    return {
        frozenset(pair for one in chosen for pair in one)
        for chosen in product(*(
            {frozenset([
                *((region.name, name) for region, name in zip(
                    part.reduced.machine.regions,
                    part.reduced.machine.region_states(config), strict=True)),
                *part.reduced.machine.flag_values(config).items(),
            ]) for config in part.search.zones}
            for part in whole.parts
        ))
    }


@settings(max_examples=150, deadline=None,
          phases=[Phase.explicit, Phase.reuse, Phase.generate])
@given(loose_systems())
def test_sets_searched_apart_reach_what_one_search_reaches(system: System) -> None:
    """The same combinations, rows, endless instants and findings, and never more states."""
    apart, one = search_whole(system), together(system)
    assert seen(apart) == seen(one)
    assert bool(apart.endless) == bool(one.endless)
    fired = [set().union(*(part.search.fired for part in whole.parts)) for whole in (apart, one)]
    assert fired[0] == fired[1]
    rings = [any(part.search.endless for part in whole.parts) for whole in (apart, one)]
    assert rings[0] == rings[1]
    assert apart.states <= one.states + len(apart.parts) - 1  # a sum, not a product
    found = [
        {(finding.check, finding.rows, finding.text.partition(":")[0].partition(" in ")[0])
         for finding in reach_checks(LIT, system, whole)}
        for whole in (apart, one)
    ]
    assert found[0] == found[1]


def test_a_rule_of_two_sets_is_read_in_every_combination_of_them() -> None:
    """Both may be lit at once; a state that no way leads to is never asked for, whatever else."""
    system = build_system(many(3))
    apart, one = search_whole(system), together(system)
    for when, never in (
        ("r0.lit and r1.lit", False),
        ("r0.lit and not r1.lit and r2.dark", False),
        ("r0.lit and not (r0.lit or r1.lit)", True),
        ("r0.lit and r0.dark and r2.lit", True),
    ):
        made = many(3, rule(f'when = "{when}"\nthen = "r2.dark"\nwithin = "1 s"'))
        (asked,) = map(monitor_of, build_rules(made, system))
        assert (never_asked(apart, asked), never_asked(one, asked)) == (never, never)


def test_what_sets_draw_together_is_worked_out_as_in_one_search() -> None:
    """Of three lamps the eight load sets, as many as one search finds, and the same at rest."""
    made = many(3)
    circuit, system = Circuit(made), build_system(made)
    apart = loads_of(made, search_whole(system), circuit)
    one = loads_of(made, together(system), circuit)
    assert set(apart.all) == set(one.all)
    assert len(apart.all) == 8
    assert apart.left_out == 0
    assert (apart.rest, set(apart.charging)) == (one.rest, set(one.charging))


def test_of_many_ways_to_draw_the_least_and_the_heaviest_are_kept(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Ten lamps are 1024 ways: what decides is among the few that are kept, the rest is counted."""
    made = many(10)
    circuit, whole = Circuit(made), search_whole(build_system(made))
    few = loads_of(made, whole, circuit)
    assert len(few.all) + few.left_out == 1024
    assert len(few.all) <= MOST_LOADS
    monkeypatch.setattr(loads_module, "MOST_LOADS", 1024)
    full = loads_of(made, whole, circuit)
    assert (len(full.all), full.left_out) == (1024, 0)
    assert set(few.all) < set(full.all)
    assert few.rest == full.rest
    lowest = [min(float(circuit.solve(load, 0.5).voltage_v[0]) for load in loads.all)
              for loads in (few, full)]
    assert lowest[0] == lowest[1]


def test_a_set_that_never_starts_leaves_the_others_unreached() -> None:
    """A power-up without end is one of the whole gadget: no region of it gets anywhere."""
    text = cases.BASE + cases.KEY + cases.CLICKS + behaviour(
        "a", "x", "x = {}; y = {}", 'after = "0 s", from = "x", to = "y"',
        'after = "0 s", from = "y", to = "x"')
    whole = search_whole(build_system(gadget(text)))
    assert sets_of(whole) == [["lamp", "a"]]
    assert (whole.states, len(whole.endless)) == (0, 1)


def test_the_work_is_shared_among_the_sets() -> None:
    """A large set that is not finished takes nothing from the small ones; all of it is counted."""
    system = build_system(many(1, FLASH + behaviour(
        "wheel", "s0", "; ".join(f"s{k} = {{}}" for k in range(40)),
        *(f'on = "other.click", from = "s{k}", to = "s{(k + 1) % 40}"' for k in range(40)))))
    budget = Budget(400)
    whole = search_whole(system, budget=budget)
    assert [part.search.finished for part in whole.parts] == [True, False]
    assert not whole.finished
    assert budget.left() < 200
    assert whole.states == search_whole(system, budget=Budget(400)).states
