"""The charge clock against an ODE solver, and its own laws."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from simfw.circuit.circuit import Circuit, LoadSet
from simfw.engine.clock import Clock, Tally
from simfw.engine.clocks import tabulate
from simfw.loading import load_gadget
from tests.engine.bench import LARDER_LAMP


@pytest.fixture(scope="module")
def circuit() -> Circuit:
    """The circuit of the larder lamp."""
    return Circuit(load_gadget(LARDER_LAMP))


LOADS = (
    LoadSet(),
    LoadSet(controller="awake", drives=(("shelf", 1.0, -1),)),
    LoadSet(drives=(("bars", 1.0, 4), ("marker", 1.0, -1), ("shelf", 0.45, -1))),
    LoadSet(
        controller="awake", drives=(("wave.emitter", 0.5, -1), ("wave.receiver", 1.0, -1))
    ),
    LoadSet(charger="fast", drives=(("shelf", 0.04, -1),)),
    LoadSet(charger="precharge"),
)


def clock_of(circuit: Circuit, loads: LoadSet) -> Clock:
    """Tabulate one load set."""
    return tabulate(
        lambda charge: circuit.solve(loads, charge), circuit.charge_nodes, circuit.capacity_c
    )


def rate_of(circuit: Circuit, loads: LoadSet, charge: float) -> float:
    """ds/dt straight from the circuit (1/s)."""
    solution = circuit.solve(loads, np.array([charge]))
    net_a = solution.consumers_a.sum() - solution.charger_a[0]
    return float(-net_a / circuit.capacity_c)


def test_state_of_charge_agrees_with_an_ode_solver_over_two_hundred_intervals(circuit):
    """Against scipy.integrate.solve_ivp on the same circuit: within 1e-6 of full charge."""
    rng = np.random.default_rng(4)
    worst = 0.0
    clocks = {loads: clock_of(circuit, loads) for loads in LOADS}
    for number in range(200):
        loads = LOADS[number % len(LOADS)]
        start = float(rng.uniform(0.15, 0.9))
        per_s = abs(rate_of(circuit, loads, start))
        lasts = float(rng.uniform(0.001, 0.12) / per_s)
        change = clocks[loads].advance(start, lasts)
        assert change is not None
        exact = solve_ivp(
            lambda _, s, loads=loads: [rate_of(circuit, loads, float(s[0]))],
            (0.0, lasts), [start], rtol=1e-8, atol=1e-10, max_step=lasts / 8,
        )  # fmt: skip
        worst = max(worst, abs(start + change - float(exact.y[0, -1])))
    assert worst < 1e-6


def test_the_charge_of_all_consumers_is_what_left_the_cell(circuit):
    """For every load set, sum over consumers less the charger's output = capacity * change."""
    for loads in LOADS:
        clock = clock_of(circuit, loads)
        tally = Tally()
        moved, charge, time_s = 0.0, 0.7, 1e-4
        for _ in range(40):
            change = clock.advance(charge + moved, time_s, tally)
            assert change is not None
            moved += change
            time_s *= 1.35
        weights, counted_s = clock.weights(tally)
        left_c = float((clock.consumers_a.sum(axis=0) - clock.charger_a) @ weights)
        assert left_c == pytest.approx(-moved * clock.capacity_c, rel=1e-9)
        assert counted_s == pytest.approx(sum(1e-4 * 1.35**k for k in range(40)), rel=1e-12)


def test_time_to_a_charge_and_advancing_by_that_time_are_inverse(circuit):
    """time_to(s0, s1) seconds after s0 the charge is s1, near and far, up and down."""
    for loads in LOADS:
        clock = clock_of(circuit, loads)
        sign = 1.0 if clock.rate(0.5) > 0.0 else -1.0
        for distance in (1e-9, 1e-6, 1e-3, 0.05, 0.3):
            goal = 0.5 + sign * distance
            seconds = clock.time_to(0.5, goal)
            change = clock.advance(0.5, seconds)
            assert change == pytest.approx(goal - 0.5, rel=1e-7)
            assert clock.time_to(0.5, 0.5 - sign * distance) == math.inf
    assert clock.time_to(0.5, 0.5) == 0.0


def zero_clock() -> Clock:
    """A made-up load set that draws nothing at half charge: f = (0.5 - s) / 1000 s."""
    nodes = np.array([0.0, 0.25, 1.0])
    consumers = np.array([[0.0, 0.25, 1.0]])
    charger = np.full(3, 0.5)
    return Clock(nodes, consumers, charger, 3.0 + nodes, 1000.0)


def test_a_zero_of_the_net_current_is_approached_and_never_passed():
    """Towards the point where charger and load balance the motion is an exponential."""
    clock = zero_clock()
    for start in (0.3, 0.9):
        change = clock.advance(start, 1500.0)
        assert change is not None
        assert start + change == pytest.approx(0.5 + (start - 0.5) * math.exp(-1.5), rel=1e-9)
        far = clock.advance(start, 1e9)
        assert far is not None
        assert start + far == pytest.approx(0.5, abs=1e-12)
        assert clock.time_to(start, 0.5) == math.inf
    assert clock.advance(0.5, 1e6) == pytest.approx(0.0, abs=1e-15)


@pytest.mark.parametrize("left", [1e-20, 1e-300])
def test_a_rate_that_all_but_vanishes_at_a_node_has_a_time_that_is_told(left: float) -> None:
    """Down to a trace of the rate it takes ln(first / last) time constants, as its law says."""
    nodes = np.array([0.0, 0.25, 0.5, 1.0])
    charger = 1e-3 * np.array([1.0, 0.5, left, 1.0])
    clock = Clock(nodes, np.zeros((1, 4)), charger, 3.0 + nodes, 1.0)
    # ds/dt = 1e-3 (1 - 2 s) up to the middle: a time constant of 500 s; the same away from it.
    alone = -500.0 * math.log(left)
    assert clock.advance(0.0, alone / 2) == pytest.approx(0.5 - 0.5 * left**0.5, abs=1e-12)
    assert clock.advance(0.0, 0.9 * alone) == pytest.approx(0.5)
    assert clock.advance(0.0, 2.1 * alone) == pytest.approx(1.0)
    assert clock.time_to(0.0, 1.0) == pytest.approx(2 * alone, rel=1e-9)


def test_a_step_that_would_leave_the_bounds_is_refused_and_not_counted():
    """With bounds, advance says None instead of passing one, and the tally stays as it was."""
    clock = zero_clock()
    tally = Tally()
    assert clock.advance(0.9, 5000.0, tally, low=0.6) is None
    assert not tally.time_s
    assert not tally.whole
    assert clock.advance(0.9, 10.0, tally, low=0.6) == pytest.approx(-0.4 * 10 / 1000, rel=0.01)
    assert tally.time_s


def test_a_flat_or_missing_voltage_level_is_never_or_always_below():
    """A level under the whole curve is never passed, one above it always."""
    clock = zero_clock()
    assert clock.charge_at_voltage(2.9) == -math.inf
    assert clock.charge_at_voltage(4.1) == math.inf
    assert clock.charge_at_voltage(3.25) == pytest.approx(0.25)
    assert clock.voltage(0.1) == pytest.approx(3.1)


def test_a_voltage_that_falls_while_the_charge_rises_is_passed_more_than_once() -> None:
    """3.0 V up to 3.4 V, down to 3.2 V and up to 4.0 V: 3.3 V is passed three times."""
    nodes = np.array([0.0, 0.4, 0.6, 1.0])
    volts = np.array([3.0, 3.4, 3.2, 4.0])
    clock = Clock(nodes, np.full((1, 4), 1e-3), np.full(4, 3e-3), volts, 3.6)
    assert clock.charges_at_voltage(3.3) == pytest.approx([0.3, 0.5, 0.65])
    below = [clock.is_below(3.3, charge) for charge in (0.0, 0.29, 0.31, 0.49, 0.51, 0.64, 0.66)]
    assert below == [True, True, False, False, True, True, False]
    assert [clock.is_below(level, 0.5) for level in (2.9, 4.1)] == [False, True]
    assert clock.voltage(0.5) == pytest.approx(3.3)
