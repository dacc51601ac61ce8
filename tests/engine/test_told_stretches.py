"""Runs whose stretches are told: plain instants are gone by in them as in any other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest

from simfw.circuit.circuit import LoadSet
from simfw.engine import clocks
from simfw.engine import prepared as prepared_module
from simfw.engine.course import Course
from simfw.engine.observer import Observer
from simfw.engine.repeat import repeat_life
from simfw.engine.served import Watch
from simfw.engine.simulator import Prepared, Simulation, simulate
from simfw.loading import load_gadget
from simfw.stimuli.scenario import Press, Scenario, Step, Wave
from tests.engine.bench import LARDER_LAMP, MS, S

Told = tuple[int, int, tuple[tuple[LoadSet, int], ...], float, float]


class Stretches(Observer):
    """Writes down what it is told."""

    def __init__(self) -> None:
        self.told: list[Told] = []

    def drove(self, start_ns: int, end_ns: int, times: Sequence[tuple[LoadSet, int]],
              start_charge: float, end_charge: float) -> None:  # fmt: skip
        """One stretch."""
        self.told.append((start_ns, end_ns, tuple(times), start_charge, end_charge))


STEPS: tuple[Step, ...] = (
    Press(at_ns=10 * S + 7 * MS, button="power", for_ns=150 * MS),
    Wave(at_ns=40 * S + 11 * MS, sensor="wave", distance_m=0.1, for_ns=400 * MS),
    Press(at_ns=41 * S + 13 * MS, button="level", for_ns=150 * MS),
    Wave(at_ns=43 * S + 17 * MS, sensor="wave", distance_m=0.1, for_ns=400 * MS),
)
SCENARIO = Scenario(charge=0.7, lasts_ns=60 * S, steps=STEPS)


def told(
    prepared: Prepared, *, glides: bool = True, charge: float = 0.7
) -> tuple[Simulation, Stretches, Course]:
    """A simulation that has told its stretches, with the course that it wrote."""
    seen, course = Stretches(), Course()
    simulation = Simulation(prepared, replace(SCENARIO, charge=charge), 0, True, False, (seen,),
                            None, log=False, course=course)
    simulation.glide.fits = glides and simulation.glide.fits
    simulation.go()
    return simulation, seen, course


def test_plain_instants_are_gone_by_where_stretches_are_told(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Few of the instants between the stretches are handled one by one."""
    prepared = Prepared(load_gadget(LARDER_LAMP)).without_rules()
    told(prepared)  # what the rows make of each instant is known from here on
    handled: list[int] = []
    instant = Simulation._instant

    def counted(simulation: Simulation, *given: Any, **named: Any) -> None:
        handled.append(simulation.now)
        instant(simulation, *given, **named)

    monkeypatch.setattr(Simulation, "_instant", counted)
    _, seen, _ = told(prepared)
    assert len(seen.told) > 100
    assert len(handled) < len(seen.told) / 3


@pytest.mark.parametrize("charge", [1.0, 0.7, 0.2])
def test_stretches_are_told_to_the_last_bit(charge: float) -> None:
    """The same as where each instant is handled by itself, and so is the course."""
    prepared = Prepared(load_gadget(LARDER_LAMP)).without_rules()
    one, seen, course = told(prepared, charge=charge)
    other, alike, slow = told(prepared, glides=False, charge=charge)
    assert one.glide.fits
    assert seen.told == alike.told
    assert one.plant.moved == other.plant.moved
    assert 0 < sum(one.time_in.values()) == sum(other.time_in.values())
    assert course.usable == slow.usable
    for shift in (0.0, 1e-6, -1e-6, 1e-4, 0.05):
        ends = []
        for written in (course, slow):
            follower = Stretches()
            end = written.follow(charge - shift, follower.drove)
            ends.append((end, follower.told if end is not None else []))
        assert ends[0] == ends[1]


def test_the_times_of_load_sets_are_those_of_the_stretches() -> None:
    """Each load set that was on, in the order in which they came, for as long as it was on."""
    prepared = Prepared(load_gadget(LARDER_LAMP)).without_rules()
    watch, seen = Watch(prepared, SCENARIO), Stretches()
    Simulation(prepared, SCENARIO, 0, True, False, (seen, watch), None, log=False).go()
    times: dict[LoadSet, int] = {}
    for start_ns, end_ns, parts, _, _ in seen.told:
        count = (end_ns - start_ns) // sum(lasts_ns for _, lasts_ns in parts)
        for loads, lasts_ns in parts:
            times[loads] = times.get(loads, 0) + count * lasts_ns
    assert list(watch.times_ns.items()) == list(times.items())
    assert sum(watch.times_ns.values()) == SCENARIO.lasts_ns
    assert watch.instants == len(seen.told)


def test_parts_that_draw_the_same_are_tabulated_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """What the reference is moves readings, not currents: both its ends share the charge clocks,
    and the life is to the last bit that of clocks made anew.
    """
    gadget = load_gadget(LARDER_LAMP)
    prepared = Prepared(gadget)
    run = simulate(gadget, replace(SCENARIO, charge=0.8, lasts_ns=12 * S, steps=STEPS[:1]),
                   prepared=prepared, trace=False)
    made: list[int] = []
    tabulate = clocks.tabulate

    def counted(*given: Any, **named: Any) -> Any:
        made.append(len(made))
        return tabulate(*given, **named)

    monkeypatch.setattr(clocks, "tabulate", counted)
    life = repeat_life(run, ranges=True, prepared=prepared)
    shared = len(made)
    made.clear()
    monkeypatch.setattr(Prepared, "draw_with", lambda *_: None)
    assert repeat_life(run, ranges=True, prepared=prepared) == life
    assert life.low_days is not None
    assert shared < 0.8 * len(made)


def test_figures_that_no_row_reads_have_the_rows_built_once(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The range of a battery life asks what capacity, drain and reference do: not the rows anew."""
    gadget = load_gadget(LARDER_LAMP)
    prepared = Prepared(gadget)
    run = simulate(gadget, replace(SCENARIO, charge=0.8, lasts_ns=12 * S, steps=STEPS[:1]),
                   prepared=prepared, trace=False)
    built: list[str] = []
    build = prepared_module.build_system

    def counted(asked: Any) -> Any:
        built.append(asked.head.name)
        return build(asked)

    monkeypatch.setattr(prepared_module, "build_system", counted)
    life = repeat_life(run, ranges=True, prepared=prepared)
    assert life.low_days is not None
    assert life.high_days is not None
    assert life.low_days < life.high_days
    assert built == []
