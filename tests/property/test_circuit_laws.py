"""Laws that every circuit keeps, whatever its figures."""

from __future__ import annotations

import tomllib

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from simfw.circuit import Circuit, LoadSet
from simfw.circuit.endurance import charge_time, discharge
from simfw.circuit.spread import light_spread
from simfw.gadget.model import Gadget

CHARGES = np.linspace(0.0, 1.0, 60)

switches = st.sampled_from(
    [
        'switch = { kind = "pin", resistance = "25R" }',
        'switch = { kind = "nmos", on_resistance = "60 mΩ" }',
        'switch = { kind = "npn", base = "1k", gain = 200, saturation_current = "1e-14 A" }',
        'switch = { kind = "npn", base = "4k7", saturation = "0.1 V" }',
        "",
    ]
)


@st.composite
def lights(draw, name: str) -> str:
    """A light of any kind."""
    first = draw(st.floats(1.5, 3.0))
    rise = draw(st.floats(0.03, 0.6))
    shared = draw(st.sampled_from(["true", "false"]))
    return f"""
[lights.{name}]
leds = {draw(st.integers(1, 8))}
forward = ["{first:.3f} V @ 2 mA", "{first + rise:.3f} V @ 15 mA"]
resistor = "{draw(st.integers(5, 2000))}R"
shared = {shared}
{draw(switches)}
"""


@st.composite
def gadgets(draw) -> Gadget:
    """A cell with a charger, two lights and a plain load."""
    curve = draw(st.sampled_from(["lco", "nmc", "nmc-150mah-pouch"]))
    head = f"""
[gadget]
name = "Any"
[cell]
curve = "{curve}"
capacity = "{draw(st.integers(40, 3000))} mAh"
resistance = "{draw(st.floats(0.0, 3.0)):.3f} Ω"
leakage = "{draw(st.integers(0, 20))} uA"
self_discharge = "{draw(st.floats(0.0, 20.0)):.2f} %/month"
[charger]
current = "{draw(st.integers(20, 1000))} mA"
float = "{draw(st.floats(3.9, 4.35)):.3f} V"
finish = "10 %"
precharge = {{ below = "66.5 %", rate = "10 %" }}
[controller]
awake = "1.2 mA"
asleep = "4 uA"
[loads.radio]
current = "{draw(st.integers(1, 200))} mA"
"""
    text = head + draw(lights("one")) + draw(lights("two"))
    return Gadget.model_validate(tomllib.loads(text))


@st.composite
def load_sets(draw) -> LoadSet:
    """Any combination of what the gadget can switch."""
    duties = st.sampled_from([0.0, 0.04, 0.3, 0.45, 0.999, 1.0])
    drives = tuple((name, draw(duties), -1) for name in ("one", "radio", "two"))
    return LoadSet(
        drives=drives,
        controller=draw(st.sampled_from(["awake", "asleep", "off"])),
        charger=draw(st.sampled_from(["off", "precharge", "fast", "complete"])),
        protected=draw(st.booleans()),
    )


@given(gadget=gadgets(), loads=load_sets())
@settings(max_examples=80, deadline=None)
def test_node_is_balanced_and_nothing_is_negative(gadget, loads):
    """Terminal and currents fit each other; the charger never exceeds its setting."""
    circuit = Circuit(gadget)
    solution = circuit.solve(loads, CHARGES)
    charger = circuit.charger
    assert charger is not None
    assert np.all(np.isfinite(solution.consumers_a))
    assert np.all(solution.consumers_a >= 0.0)
    assert np.all(solution.charger_a >= 0.0)
    assert np.all(solution.charger_a <= charger.constant_current_a * (1 + 1e-12))
    if loads.charger in ("off", "complete"):
        assert not solution.charger_a.any()
    full = LoadSet(
        drives=tuple((name, float(duty > 0), n) for name, duty, n in loads.drives),
        controller=loads.controller, charger=loads.charger, protected=loads.protected,
    )
    worst = circuit.solve(full, CHARGES)
    net = worst.consumers_a.sum(axis=0) - worst.charger_a
    ohm = gadget.cell.resistance.value
    assert np.allclose(worst.open_circuit_v - ohm * net, worst.voltage_v, rtol=0, atol=1e-7)
    # The reported voltage is that of the phase in which everything is on.
    assert np.allclose(solution.voltage_v, worst.voltage_v, rtol=0, atol=1e-8)


@given(gadget=gadgets(), loads=load_sets())
@settings(max_examples=80, deadline=None)
def test_consumers_never_fall_as_the_cell_rises(gadget, loads):
    """Each consumer's current rises with the cell's charge, the charger's output falls."""
    solution = Circuit(gadget).solve(loads, CHARGES)
    assert np.all(np.diff(solution.consumers_a, axis=1) >= -1e-9)
    assert np.all(np.diff(solution.voltage_v) >= -1e-9)
    if loads.drives[1][1] in (0.0, 1.0):
        mean = solution.charger_a - solution.consumers_a.sum(axis=0)
        assert np.all(np.diff(mean) <= 1e-9)


@given(gadget=gadgets(), loads=load_sets())
@settings(max_examples=40, deadline=None)
def test_scalar_and_vector_agree(gadget, loads):
    """A charge alone gives what it gives among others."""
    circuit = Circuit(gadget)
    together = circuit.solve(loads, CHARGES)
    alone = circuit.solve(loads, CHARGES[17])
    assert np.allclose(alone.consumers_a[:, 0], together.consumers_a[:, 17], rtol=1e-7, atol=1e-12)
    assert np.allclose(alone.charger_a[0], together.charger_a[17], rtol=1e-6, atol=1e-9)


@given(gadget=gadgets(), loads=load_sets(), start=st.floats(0.05, 0.9))
@settings(max_examples=60, deadline=None)
def test_charging_conserves_charge_with_a_load_on(gadget, loads, start):
    """What the charger gives less what the loads take is what the cell has gained."""
    circuit = Circuit(gadget)
    assert circuit.charger is not None
    charging = LoadSet(drives=loads.drives, controller=loads.controller, charger="fast")
    end = start + 0.05
    grid = np.linspace(start, end, 400)
    solution = circuit.solve(charging, grid)
    into = solution.charger_a - solution.consumers_a.sum(axis=0)
    if np.any(into <= 1e-6):
        return
    # Integrate each current over the time that the net current takes.
    weights = np.concatenate([[0.5], np.ones(398), [0.5]]) * (grid[1] - grid[0])
    time_per_charge = circuit.capacity_c / into
    given_c = float((weights * time_per_charge * solution.charger_a).sum())
    taken_c = float((weights * time_per_charge * solution.consumers_a.sum(axis=0)).sum())
    assert abs(given_c - taken_c - circuit.capacity_c * 0.05) < 1e-9 * circuit.capacity_c


@given(gadget=gadgets(), loads=load_sets())
@settings(max_examples=40, deadline=None)
def test_charge_time_has_a_time_or_a_reason(gadget, loads):
    """A charge ends, or something keeps it; steps go forward in time and charge."""
    circuit = Circuit(gadget)
    with_loads = LoadSet(drives=loads.drives, controller=loads.controller)
    found = charge_time(circuit, with_loads, start=0.2)
    assert (found.time_s is None) <= (found.why != "")
    assert found.ends == (found.why == "")
    times = [0.0] + [step[1] for step in found.steps]
    charges = [0.2] + [step[2] for step in found.steps]
    assert times == sorted(times)
    assert charges == sorted(charges)


@given(gadget=gadgets(), loads=load_sets(), start=st.floats(0.3, 1.0))
@settings(max_examples=40, deadline=None)
def test_two_parts_of_a_discharge_are_the_whole(gadget, loads, start):
    """Discharging to a voltage and on from there takes as long as in one go."""
    circuit = Circuit(gadget)
    off = LoadSet(drives=loads.drives, controller=loads.controller)
    whole = discharge(circuit, off, start=start, stop_v=2.9)
    if whole.ended_by == "never":
        return
    first = discharge(circuit, off, start=start, stop_v=3.5)
    second = discharge(circuit, off, start=float(first.charge[-1]), stop_v=2.9)
    parts = first.time_s[-1] + second.time_s[-1]
    assert abs(parts - whole.time_s[-1]) <= 2e-4 * whole.time_s[-1] + 1e-6


@given(
    low=st.floats(0.0, 0.3), high=st.floats(0.0, 0.3), volts=st.floats(2.9, 4.2),
    share=st.floats(0.0, 1.0),
)
@settings(max_examples=60, deadline=None)
def test_spread_encloses_every_sampled_part(low, high, volts, share):
    """No part within the forward-voltage range leaves the corners' currents."""

    def made(first: float, second: str) -> Gadget:
        return Gadget.model_validate(
            tomllib.loads(f"""
[gadget]
name = "Any"
[cell]
curve = "lco"
capacity = "650 mAh"
[lights.lamp]
forward = ["{first!r} V @ 5 mA", "{second} @ 20 mA"]
resistor = "22R"
""")
        )

    ranged = made(2.75, f"3.0 V ({3.0 - low!r} V .. {3.0 + high!r} V)")
    found = light_spread(ranged, "lamp", volts)
    offset = -low + share * (low + high)
    part = light_spread(made(2.75 + offset, f"{3.0 + offset!r} V"), "lamp", volts).nominal_a
    assert found.least_a - 1e-12 <= part <= found.most_a + 1e-12
