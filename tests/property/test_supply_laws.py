"""Laws of what stands between the cell and what it feeds."""

from __future__ import annotations

import tempfile
import tomllib
from pathlib import Path

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

import simfw
from simfw.circuit.circuit import Circuit, LoadSet
from simfw.engine.run import Run
from simfw.gadget.model import Gadget

PARTS = """
[controller]
awake = "2 mA"
asleep = "5 uA"
[lights.lamp]
leds = 2
forward = ["2.75 V @ 5 mA", "3.0 V @ 20 mA"]
resistor = "47R"
switch = { kind = "nmos", on_resistance = "60 mΩ" }
[loads.coil]
resistance = "90R"
[loads.motor]
current = "7 mA"
"""
POINTS = ((0.0, 1.7), (0.3, 2.2), (1.0, 2.6))
DRIVES = st.lists(
    st.tuples(st.sampled_from(["coil", "lamp", "motor"]), st.floats(0.01, 1.0)),
    max_size=3, unique_by=lambda drive: drive[0],
).map(lambda drives: tuple((name, duty, -1) for name, duty in sorted(drives)))


def simulated(gadget: str, scenario: str) -> Run:
    """A run of a scenario, both as the files hold them."""
    with tempfile.TemporaryDirectory() as folder:
        Path(folder, "gadget.toml").write_text(gadget, encoding="utf-8")
        Path(folder, "scenario.toml").write_text(scenario, encoding="utf-8")
        loaded = simfw.load_scenario(Path(folder, "scenario.toml"))
    return simfw.simulate(loaded.gadget, loaded)


def circuit(cell: str, volts: float, parts: str = PARTS) -> Circuit:
    """A circuit on a cell whose curve has so many times the voltage of `POINTS`."""
    text = f'[gadget]\nname = "Law"\n[cell]\ncurve = "own.csv"\ncapacity = "1 Ah"\n{cell}\n{parts}'
    points = tuple((charge, volts * v) for charge, v in POINTS)
    gadget = Gadget.model_validate(tomllib.loads(text))
    return Circuit(gadget.model_copy(update={"curve_points": points}))


@settings(max_examples=25, deadline=None)
@given(st.integers(1, 4), st.integers(50, 2000), st.booleans(), DRIVES, st.floats(-10.0, 50.0))
def test_cells_in_series_are_one_with_their_voltage_and_resistance(
    series: int, milliohm: int, against_charge: bool, drives: tuple[tuple[str, float, int], ...],
    celsius: float,
) -> None:
    """So many cells draw, sag and lose what one of n times the voltage and the resistance does."""
    def cell(ohm: int) -> str:
        lines = [f'resistance_at_charge = ["{2 * ohm} mΩ @ 10 %", "{ohm} mΩ @ 90 %"]'
                 if against_charge else f'resistance = "{ohm} mΩ"',
                 f'resistance_at_temperature = ["{3 * ohm} mΩ @ 0 degC", "{ohm} mΩ @ 25 degC"]',
                 'self_discharge = "3 %/month"', 'leakage = "3 uA"']
        return "\n".join(lines)

    loads = LoadSet(drives=drives, controller="awake", temperature_c=celsius)
    charge = np.linspace(0.0, 1.0, 9)
    many = circuit(f"series = {series}\n{cell(milliohm)}", 1.0).solve(loads, charge)
    one = circuit(cell(series * milliohm), series).solve(loads, charge)
    np.testing.assert_allclose(many.consumers_a, one.consumers_a, rtol=1e-9, atol=1e-15)
    np.testing.assert_allclose(many.voltage_v, one.voltage_v, rtol=1e-9)
    np.testing.assert_allclose(many.open_circuit_v, one.open_circuit_v, rtol=1e-12)


def test_one_cell_in_series_is_the_cell() -> None:
    """`series = 1` changes nothing, to the last digit."""
    loads = LoadSet(drives=(("lamp", 0.4, -1),), controller="awake")
    charge = np.linspace(0.0, 1.0, 9)
    written = circuit('series = 1\nresistance = "300 mΩ"', 1.6).solve(loads, charge)
    left_out = circuit('resistance = "300 mΩ"', 1.6).solve(loads, charge)
    assert (written.consumers_a == left_out.consumers_a).all()
    assert (written.voltage_v == left_out.voltage_v).all()


@settings(max_examples=25, deadline=None)
@given(st.integers(1, 900), st.integers(0, 500), st.integers(0, 3000), st.integers(1, 4),
       st.booleans(), st.floats(0.01, 1.0))
def test_a_driver_at_a_high_supply_draws_its_current(
    milliamps: int, drop_mv: int, own_ua: int, leds: int, shared: bool, duty: float
) -> None:
    """So much for each LED, or for all, times the duty; and its own current whatever the duty."""
    light = f"""[lights.lamp]
leds = {leds}
shared = {str(shared).lower()}
forward = ["2.75 V @ 5 mA", "3.0 V @ 20 mA"]
driver = {{ kind = "sink", current = "{milliamps} mA", drop = "{drop_mv} mV", \
quiescent = "{own_ua} uA" }}
"""
    made = circuit("", 10.0, light)  # 17 V to 26 V
    found = made.solve(LoadSet(drives=(("lamp", duty, -1),)), [0.0, 1.0]).consumers_a[0]
    sinks = 1 if shared else leds
    expected = duty * sinks * milliamps * 1e-3 + own_ua * 1e-6
    resting = made.solve(LoadSet(), [0.5]).consumers_a[0]
    if (milliamps / (leds if shared else 1)) <= 300:  # more needs more than 17 V across this diode
        np.testing.assert_allclose(found, expected, rtol=1e-12)
    assert (found <= expected * (1 + 1e-12)).all()
    assert resting == 0.0


@settings(max_examples=15, deadline=None)
@given(st.lists(st.tuples(DRIVES, st.sampled_from(["awake", "asleep"])), min_size=1, max_size=4),
       st.integers(10, 900))
def test_load_sets_with_drivers_are_solved_alike_one_by_one_and_together(
    sets: list[tuple[tuple[tuple[str, float, int], ...], str]], milliohm: int
) -> None:
    """`totals` is `solve`, also where a driver passes from drop-out to its current."""
    driver = 'driver = { kind = "sink", current = "30 mA", drop = "400 mV", quiescent = "1 mA" }'
    parts = PARTS.replace('resistor = "47R"', driver)
    made = circuit(f'resistance = "{milliohm} mΩ"', 1.45, parts)
    loads = [LoadSet(drives=drives, controller=state) for drives, state in sets]  # type: ignore[arg-type]
    charge = np.linspace(0.0, 1.0, 40)
    totals = made.totals(loads, charge)
    for number, one in enumerate(loads):
        solved = made.solve(one, charge)
        np.testing.assert_allclose(totals.voltage_v[number], solved.voltage_v, atol=1e-8)
        np.testing.assert_allclose(
            totals.consumed_a[number], solved.consumers_a.sum(axis=0), rtol=1e-6, atol=1e-12)


FED = """
[charger]
current = "{current} mA"
float = "4.1 V"
status = "low while charging"
pass_resistance = "{own} mΩ"
[charger.input]
voltage = "5 V"
resistance = "{source} mΩ"
limit = "{limit} mA"
[lights.plug]
forward = ["1.8 V @ 2 mA", "2.0 V @ 10 mA"]
resistor = "{ohm}R"
fed_by = "usb"
[lights.busy]
forward = ["1.9 V @ 2 mA", "2.1 V @ 10 mA"]
resistor = "470R"
fed_by = "charger.status"
"""


@settings(max_examples=30, deadline=None)
@given(st.integers(5, 400), st.integers(0, 900), st.integers(0, 4000), st.integers(10, 500),
       st.integers(100, 2000))
def test_what_usb_gives_is_what_charger_and_lights_take(
    current: int, own: int, source: int, limit: int, ohm: int
) -> None:
    """Kirchhoff behind `input.resistance`: one voltage at the input, and no more than `limit`.

    What is left of it reaches a cell through the charger. The cell's node knows nothing of the
    lights: its own balance holds without them.
    """
    made = circuit('resistance = "300 mΩ"', 1.55, PARTS + FED.format(
        current=current, own=own, source=source, limit=limit, ohm=ohm))
    loads = LoadSet(drives=(("motor", 1.0, -1),), controller="awake", charger="fast")
    charge = np.linspace(0.0, 1.0, 21)
    solved = made.solve(loads, charge)
    fed = made.fed_a("fast", solved.charger_a)
    total = solved.charger_a + fed.sum(axis=0)
    assert (total <= max(limit * 1e-3, fed.sum(axis=0).max()) + 1e-9).all()
    together = made.totals([loads, loads], charge)
    np.testing.assert_allclose(together.charger_a[1], solved.charger_a, rtol=1e-6, atol=1e-9)
    at_input = 5.0 - source * 1e-3 * total
    # Each light is what its own resistor and diode make of that voltage.
    bare = circuit("", 1.0, f"""[lights.plug]
forward = ["1.8 V @ 2 mA", "2.0 V @ 10 mA"]
resistor = "{ohm}R"
[charger]
current = "1 mA"
float = "6 V"
""")
    np.testing.assert_allclose(fed[0], bare.led_current_a("plug", at_input), rtol=2e-6, atol=1e-9)
    # The charger's own resistance leaves it at the input's voltage less its drop, at the most.
    assert (solved.voltage_v + own * 1e-3 * solved.charger_a <= at_input + 1e-5).all()
    inside = (solved.open_circuit_v - solved.voltage_v) / 0.3
    np.testing.assert_allclose(inside, solved.consumers_a.sum(axis=0) - solved.charger_a, atol=1e-7)


@settings(max_examples=8, deadline=None)
@given(st.integers(20, 300), st.integers(0, 2000), st.integers(20, 500), st.integers(10, 95))
def test_a_run_keeps_the_books_of_cell_and_usb_apart(
    current: int, source: int, limit: int, percent: int
) -> None:
    """Consumers less charger is what the cell lost; the lights on USB are in neither."""
    text = f"""[gadget]
name = "Law"
[cell]
curve = "lco"
capacity = "20 mAh"
resistance = "300 mΩ"
cut_off = "3.05 V"
{PARTS}{FED.format(current=current, own=100, source=source, limit=limit, ohm=680)}"""
    gadget = Gadget.model_validate(tomllib.loads(text))
    run = simulated(text, f"""title = "law"
gadget = "gadget.toml"
charge = "{percent} %"
lasts = "1 h"
steps = [ {{ at = "10 min", usb = true }}, {{ at = "50 min", usb = false }} ]
""")
    drawn = sum(use.charge_c for use in run.consumers)
    lost = run.capacity_c * (run.start_charge - run.end_charge)
    assert abs(drawn - run.charger_charge_c - lost) <= 1e-9 * run.capacity_c
    assert {use.name for use in run.consumers}.isdisjoint({"plug", "busy"})
    (plug, busy) = run.fed
    made = Circuit(gadget)
    most, least = made.fed_a("complete", [0.0])[0, 0], made.fed_a("fast", [current * 1e-3])[0, 0]
    assert least * 2400 * (1 - 1e-9) <= plug.charge_c <= most * 2400 * (1 + 1e-9)
    assert busy.charge_c > 0.0
    if run.end_charge > 0.999:
        assert busy.charge_c < plug.charge_c


def test_usb_lights_its_light_beside_an_empty_cell_too() -> None:
    """The charger is in a fault, the cell runs out on the way: 20 s of USB all the same."""
    run = simulated("""[gadget]
name = "Out"
[cell]
curve = "lco"
capacity = "10 uAh"
leakage = "6 uA"
[charger]
current = "50 mA"
float = "4.2 V"
input = { voltage = "5 V" }
[controller]
asleep = "2 mA"
[lights.plug]
forward = ["1.9 V @ 2 mA", "2.0 V @ 20 mA"]
resistor = "1k"
fed_by = "usb"
""", """title = "out"
gadget = "gadget.toml"
charge = "40 %"
lasts = "30 s"
steps = [ { at = "0 s", fault = true }, { at = "5 s", usb = true }, { at = "25 s", usb = false } ]
""")
    assert run.empty_at_ns is not None
    assert 7e9 < run.empty_at_ns < 7.3e9  # 4 uAh at 2 mA: 7.2 s
    (plug,) = run.fed
    assert 20 * 3.0e-3 < plug.charge_c < 20 * 3.1e-3  # (5 V - 1.9 V) / 1k, and a little less


@settings(max_examples=15, deadline=None)
@given(st.integers(5, 400), st.integers(0, 900), st.integers(0, 4000), st.integers(10, 300),
       st.sampled_from(["fast", "complete"]), st.sampled_from([(), ("motor",), ("coil", "motor")]))
def test_on_a_power_path_pin_node_and_cell_keep_kirchhoff(
    current: int, own: int, source: int, limit: int, mode: str, on: tuple[str, ...]
) -> None:
    """No more than `limit` from USB; the node at the pin, or held by the limit, or at the cell's
    terminal, which alone gives then; each consumer by its own law at the node.
    """
    fed = FED.replace('status = "low while charging"',
                      'status = "low while charging"\npower_path = true')
    made = circuit('resistance = "300 mΩ"', 1.55, PARTS + fed.format(
        current=current, own=own, source=source, limit=limit, ohm=470))
    loads = LoadSet(drives=tuple((name, 1.0, -1) for name in on), controller="awake",
                    charger=mode)  # type: ignore[arg-type]
    solved = made.solve(loads, np.linspace(0.0, 1.0, 21))
    total = solved.charger_a + made.fed_a(mode, solved.charger_a).sum(axis=0)  # type: ignore[arg-type]
    pin, node, cell = 5.0 - source * 1e-3 * total, solved.supply_v, solved.voltage_v
    lights = made.fed_a(mode, [0.0]).sum()  # type: ignore[arg-type]
    assert (total <= max(limit * 1e-3, lights) + 1e-9).all()
    used = dict(zip(made.consumers, solved.consumers_a, strict=True))
    np.testing.assert_allclose(used["controller"], 2e-3, rtol=1e-9)
    if "motor" in on:
        np.testing.assert_allclose(used["motor"], 7e-3, rtol=1e-9)
    if "coil" in on:
        np.testing.assert_allclose(used["coil"], node / 90.0, rtol=1e-9)
    held = total >= limit * 1e-3 - 1e-8
    assert (node <= pin + 1e-6).all()
    assert (node >= cell - 1e-9).all()
    assert ((np.abs(node - pin) < 1e-5) | held | solved.short).all()
    assert (np.abs(node - cell)[solved.short] < 1e-9).all()
    out = solved.consumers_a.sum(axis=0) - solved.charger_a
    np.testing.assert_allclose((solved.open_circuit_v - cell) / 0.3, out, atol=1e-7)
    assert ((out > 0.0) == solved.short).all() or mode == "complete"
    if mode == "complete":
        assert (np.abs(out[~solved.short]) < 1e-9).all()
