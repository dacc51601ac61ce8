"""One gadget on one node: consumers, phases, charger, protection."""

from __future__ import annotations

import numpy as np
import pytest

from simfw.circuit import Circuit, LoadSet
from simfw.circuit.light import Channel
from simfw.errors import DescriptionError
from tests.circuit.parts import CELL, CHARGER, CONTROLLER, LIGHTS, SENSOR, gadget

ALL = (CELL, CHARGER, CONTROLLER, LIGHTS, SENSOR)
SPREAD = np.linspace(0.0, 1.0, 101)


def net_a(solution):
    """What leaves the cell (A)."""
    return solution.consumers_a.sum(axis=0) - solution.charger_a


def test_only_written_consumers_exist():
    """A bare cell has no consumers; each written section adds its own, bare of prefixes."""
    assert Circuit(gadget()).consumers == ()
    rich = gadget(CELL + 'leakage = "3 uA"\nself_discharge = "2 %/month"\n', *ALL[1:])
    assert Circuit(rich).consumers == (
        "shelf", "bars", "emitter", "receiver", "controller", "leakage", "self_discharge",
    )  # fmt: skip


def test_two_sensors_name_their_parts():
    """With two proximity sensors the emitters and receivers carry the sensor's name."""
    second = SENSOR.replace("proximity.wave", "proximity.door")
    circuit = Circuit(gadget(CELL, SENSOR, second))
    assert circuit.consumers == (
        "wave.emitter", "wave.receiver", "door.emitter", "door.receiver",
    )  # fmt: skip
    only_wave = LoadSet(drives=(("wave.emitter", 0.5, -1), ("wave.receiver", 1.0, -1)))
    amps = circuit.solve(only_wave, 0.5).consumers_a[:, 0]
    assert amps[0] > 0.0
    assert amps[1] == pytest.approx(0.37e-3, rel=1e-12)
    assert amps[2:].tolist() == [0.0, 0.0]


def test_node_balances():
    """The terminal is the open-circuit voltage less resistance times what leaves the cell."""
    circuit = Circuit(gadget(*ALL))
    loads = LoadSet(drives=(("bars", 1.0, 3), ("shelf", 1.0, -1)), controller="awake")
    solution = circuit.solve(loads, SPREAD)
    drop = 0.18 * net_a(solution)
    assert np.allclose(solution.open_circuit_v - drop, solution.voltage_v, rtol=0, atol=2e-9)
    assert np.all(solution.consumers_a >= 0.0)


def test_consumers_are_solved_together():
    """A second load on the same cell takes a little from the first."""
    circuit = Circuit(gadget(CELL.replace("180 mΩ", "2 Ω"), LIGHTS))
    alone = circuit.solve(LoadSet(drives=(("shelf", 1.0, -1),)), 0.5).consumers_a[0, 0]
    both = LoadSet(drives=(("bars", 1.0, 5), ("shelf", 1.0, -1)))
    beside = circuit.solve(both, 0.5).consumers_a[0, 0]
    assert 0.9 * alone < beside < alone


def test_segments_draw_so_many_single_branches():
    """Lit segments of a light with pins of their own are equal branches, none at 0."""
    circuit = Circuit(gadget(CELL.replace('resistance = "180 mΩ"', ""), LIGHTS))
    amps = [
        float(circuit.solve(LoadSet(drives=(("bars", 1.0, n),)), 0.6).consumers_a[1, 0])
        for n in (0, 1, 3, 5)
    ]
    assert amps[0] == 0.0
    assert amps[2] == pytest.approx(3 * amps[1], rel=1e-9)
    assert amps[3] == pytest.approx(5 * amps[1], rel=1e-9)
    whole = circuit.solve(LoadSet(drives=(("bars", 1.0, -1),)), 0.6).consumers_a[1, 0]
    assert whole == pytest.approx(amps[3], rel=1e-12)


def test_pwm_is_weighted_phase_by_phase():
    """Two duties make three phases; each is the solution of what is on in it."""
    circuit = Circuit(gadget(CELL.replace("180 mΩ", "2 Ω"), LIGHTS, CONTROLLER))
    mixed = circuit.solve(LoadSet(drives=(("bars", 0.7, 2), ("shelf", 0.3, -1))), 0.5)
    both = circuit.solve(LoadSet(drives=(("bars", 1.0, 2), ("shelf", 1.0, -1))), 0.5)
    bars = circuit.solve(LoadSet(drives=(("bars", 1.0, 2),)), 0.5)
    rest = circuit.solve(LoadSet(), 0.5)
    mean = 0.3 * both.consumers_a + 0.4 * bars.consumers_a + 0.3 * rest.consumers_a
    assert np.allclose(mixed.consumers_a, mean, rtol=1e-12)
    assert mixed.voltage_v == both.voltage_v  # the lowest phase


def test_plain_loads_draw_what_they_say():
    """A constant current is one at any voltage, a resistance follows Ohm's law."""
    circuit = Circuit(
        gadget(CELL, '[loads.heater]\nresistance = "1k"\n[loads.radio]\ncurrent = "28 mA"\n'
                     "[loads.idea]\n")
    )
    loads = LoadSet(drives=(("heater", 1.0, -1), ("idea", 1.0, -1), ("radio", 0.5, -1)))
    solution = circuit.solve(loads, SPREAD)
    assert np.allclose(solution.consumers_a[1], 14e-3, rtol=1e-12)
    full_phase = solution.voltage_v / 1000.0
    assert np.all(np.abs(solution.consumers_a[0] / full_phase - 1.0) < 2e-3)
    assert np.all(solution.consumers_a[2] == 0.0)


def test_a_load_too_heavy_for_the_cell_pulls_it_to_nothing():
    """Where no voltage is left a constant load fades, and the node still has a solution."""
    circuit = Circuit(
        gadget(CELL.replace("180 mΩ", "1 kΩ"), '[loads.radio]\ncurrent = "28 mA"\n')
    )
    solution = circuit.solve(LoadSet(drives=(("radio", 1.0, -1),)), SPREAD)
    assert np.all(solution.voltage_v > 0.0)
    assert np.all(solution.voltage_v < 0.1)
    assert np.all(solution.consumers_a < 28e-3)


def test_controller_states_have_their_currents():
    """Awake, asleep and off draw what the file says, off nothing."""
    circuit = Circuit(gadget(CELL, CONTROLLER))
    drawn = [
        float(circuit.solve(LoadSet(controller=state), 0.5).consumers_a[0, 0])
        for state in ("awake", "asleep", "off")
    ]
    assert drawn == pytest.approx([1.2e-3, 4.5e-6, 0.0], rel=1e-12)


def test_only_written_parts_draw_though_driven():
    """A receiver or controller without a current in the file draws nothing and has no row."""
    sensor = SENSOR.replace('supply = "0.37 mA", ', "")
    circuit = Circuit(gadget(CELL, sensor, "[controller]\n"))
    assert circuit.consumers == ("emitter",)
    solution = circuit.solve(LoadSet(drives=(("wave.receiver", 1.0, -1),)), 0.5)
    assert solution.consumers_a.tolist() == [[0.0]]


def test_self_discharge_goes_with_the_charge_that_is_left():
    """Two per cent a month means just that, at any charge, whatever else is on."""
    circuit = Circuit(gadget(CELL + 'self_discharge = "2 %/month"\n'))
    solution = circuit.solve(LoadSet(protected=True), [0.5, 1.0])
    month_s = 30.4375 * 86400
    left = np.exp(-solution.consumers_a[0] / ([0.5, 1.0] * np.array(circuit.capacity_c)) * month_s)
    assert np.allclose(left, 0.98, rtol=1e-12)


def test_open_protection_cuts_the_loads_off():
    """With the protection open only leakage and self-discharge draw; the charger still charges."""
    circuit = Circuit(
        gadget(CELL + 'leakage = "3 uA"\nself_discharge = "2 %/month"\n', *ALL[1:])
    )
    drives = (("shelf", 1.0, -1), ("wave.emitter", 0.5, -1))
    solution = circuit.solve(
        LoadSet(drives=drives, controller="awake", charger="precharge", protected=True), 0.01
    )
    assert solution.consumers_a[:5, 0].tolist() == [0.0] * 5
    assert np.all(solution.consumers_a[5:, 0] > 0.0)
    assert solution.charger_a[0] == pytest.approx(0.1 * 1000 / 3300, rel=1e-12)


@pytest.mark.parametrize(("mode", "share"), [("fast", 1.0), ("precharge", 0.1)])
def test_charger_gives_its_current_below_float(mode, share):
    """Below the float voltage the charger puts out its current, a share of it in precharge."""
    circuit = Circuit(gadget(*ALL))
    solution = circuit.solve(LoadSet(charger=mode), 0.3)
    assert solution.charger_a[0] == pytest.approx(share * 1000 / 3300, rel=1e-12)
    assert solution.voltage_v[0] > solution.open_circuit_v[0]


def test_charger_holds_the_float_voltage():
    """Near full it gives just what keeps the terminal at the float voltage, load included."""
    circuit = Circuit(gadget(*ALL))
    loads = LoadSet(drives=(("shelf", 0.5, -1),), charger="fast")
    solution = circuit.solve(loads, np.linspace(0.97, 1.0, 20))
    held = np.isclose(solution.voltage_v, 4.2, rtol=0, atol=1e-12)
    assert held[-1]
    assert np.all(solution.charger_a <= 1000 / 3300)
    into_cell = solution.charger_a - solution.consumers_a.sum(axis=0)
    wanted = (4.2 - solution.open_circuit_v) / 0.18
    assert np.allclose(into_cell[held], wanted[held], rtol=1e-9)


def test_charger_gives_nothing_to_a_cell_above_float():
    """A cell above the float voltage is left alone until its load has brought it down."""
    circuit = Circuit(gadget(*[text.replace("4.20 V", "4.10 V") for text in ALL]))
    solution = circuit.solve(LoadSet(charger="fast"), 1.0)
    assert solution.charger_a[0] == 0.0
    assert solution.voltage_v[0] > 4.1


def test_cell_without_resistance_is_fed_no_more_than_its_load_at_float():
    """Without resistance the terminal is the cell's own voltage; at float only loads are fed."""
    stiff = CELL.replace('resistance = "180 mΩ"', "")
    circuit = Circuit(gadget(stiff, CHARGER.replace("4.20 V", "4.198130 V"), LIGHTS))
    loads = LoadSet(drives=(("shelf", 1.0, -1),), charger="fast")
    solution = circuit.solve(loads, [0.5, 1.0])
    assert solution.charger_a[0] == pytest.approx(1000 / 3300)
    assert solution.charger_a[1] == pytest.approx(solution.consumers_a[0, 1], rel=1e-12)


def test_modes_without_charger_section_do_nothing():
    """A mode of the charger means nothing where the file has none."""
    assert Circuit(gadget()).solve(LoadSet(charger="fast"), 0.5).charger_a[0] == 0.0


def test_led_current_leaves_out_the_base():
    """The LEDs of an npn-switched light carry less than the light draws."""
    text = LIGHTS.replace(
        '{ kind = "nmos", on_resistance = "60 mΩ" }',
        '{ kind = "npn", base = "1k", gain = 200, saturation_current = "1e-14 A" }',
    )
    circuit = Circuit(gadget(CELL, text))
    loads = LoadSet(drives=(("shelf", 0.5, -1),))
    drawn = circuit.solve(loads, 0.5).consumers_a[0, 0]
    through = circuit.light_current_a("shelf", loads, 0.5)[0]
    base = circuit.pin_current_a("shelf", float(circuit.solve(loads, 0.5).voltage_v[0]))
    assert drawn - through == pytest.approx(0.5 * base, rel=1e-9)
    assert 2e-3 < base < 4e-3


def test_constant_saturation_voltage_is_an_explicit_choice():
    """A constant saturation voltage takes that off the LEDs and lets the base draw all it could."""
    fixed = LIGHTS.replace(
        '{ kind = "nmos", on_resistance = "60 mΩ" }',
        '{ kind = "npn", base = "1k", saturation = "0.1 V" }',
    )
    plain = LIGHTS.replace('switch = { kind = "nmos", on_resistance = "60 mΩ" }', "")
    lifted = Circuit(gadget(CELL, plain)).led_current_a("shelf", 3.6)
    circuit = Circuit(gadget(CELL, fixed))
    assert circuit.led_current_a("shelf", 3.7)[0] == pytest.approx(lifted[0], rel=1e-6)
    assert circuit.pin_current_a("shelf", 3.7) == pytest.approx(3.7e-3, rel=1e-9)
    unbased = LIGHTS.replace(
        '{ kind = "nmos", on_resistance = "60 mΩ" }', '{ kind = "npn", saturation = "0.1 V" }'
    )
    bare = Circuit(gadget(CELL, unbased))
    drawn = bare.solve(LoadSet(drives=(("shelf", 1.0, -1),)), 0.5).consumers_a[0, 0]
    assert drawn == pytest.approx(
        bare.light_current_a("shelf", LoadSet(drives=(("shelf", 1.0, -1),)), 0.5)[0], rel=1e-12
    )


def test_pin_carries_one_segment_or_all_leds():
    """A segment's own pin carries one LED; the pin of a plain light carries them all."""
    circuit = Circuit(gadget(CELL, LIGHTS))
    one = circuit.led_current_a("bars", 3.7)[0] / 5
    assert circuit.pin_current_a("bars", 3.7) == pytest.approx(one, rel=1e-12)
    assert circuit.pin_current_a("shelf", 3.7) == pytest.approx(
        circuit.led_current_a("shelf", 3.7)[0], rel=1e-12
    )


def test_npn_without_its_figures_is_refused():
    """An npn that lacks what its law needs is a mistake of the file, with the key."""
    nmos = '{ kind = "nmos", on_resistance = "60 mΩ" }'
    text = LIGHTS.replace(nmos, '{ kind = "npn", gain = 9 }')
    with pytest.raises(DescriptionError) as caught:
        Circuit(gadget(CELL, text))
    assert str(caught.value).splitlines()[0] == (
        "lights.shelf.switch: an npn needs base, saturation_current. Allowed: base, gain and "
        "saturation_current, or a constant saturation voltage."
    )


def test_points_that_are_no_diode_are_refused():
    """Forward points that no diode passes are a mistake of the file, with the key."""
    text = LIGHTS.replace('"2.75 V @ 5 mA"', '"0.05 V @ 5 mA"')
    with pytest.raises(DescriptionError) as caught:
        Circuit(gadget(CELL, text))
    assert str(caught.value).startswith("lights.shelf.forward: these points are not a diode's: ")


def test_resistance_follows_charge_and_temperature():
    """Resistances against charge and temperature act together, linear between and flat outside."""
    text = CELL + (
        'resistance_at_charge = ["300 mΩ @ 10 %", "200 mΩ @ 50 %"]\n'
        'resistance_at_temperature = ["400 mΩ @ 0 degC", "200 mΩ @ 25 degC"]\n'
    )
    circuit = Circuit(gadget(text, '[loads.radio]\ncurrent = "100 mA"\n'))

    def ohm(charge, temperature=25.0):
        loads = LoadSet(drives=(("radio", 1.0, -1),), temperature_c=temperature)
        solution = circuit.solve(loads, charge)
        return float((solution.open_circuit_v - solution.voltage_v)[0] / 0.1)

    assert ohm(0.0) == pytest.approx(0.3, rel=1e-6)
    assert ohm(0.3) == pytest.approx(0.25, rel=1e-6)
    assert ohm(0.9) == pytest.approx(0.2, rel=1e-6)
    assert ohm(0.9, 0.0) == pytest.approx(0.4, rel=1e-6)
    assert ohm(0.9, 12.5) == pytest.approx(0.3, rel=1e-6)
    assert {0.1, 0.5} <= set(circuit.charge_nodes.tolist())


def test_resistance_from_temperature_alone():
    """With values against temperature only, that at 25 degrees is the resistance."""
    text = CELL.replace(
        'resistance = "180 mΩ"',
        'resistance_at_temperature = ["400 mΩ @ 0 degC", "200 mΩ @ 50 degC"]',
    )
    circuit = Circuit(gadget(text, '[loads.radio]\ncurrent = "100 mA"\n'))
    solution = circuit.solve(LoadSet(drives=(("radio", 1.0, -1),)), 0.5)
    drop = solution.open_circuit_v - solution.voltage_v
    assert drop[0] == pytest.approx(0.03, rel=1e-6)


def test_own_curve_is_used():
    """A gadget with points of its own takes its voltage from them."""
    own = gadget().model_copy(update={"curve_points": ((0.0, 3.0), (1.0, 4.0))})
    assert Circuit(own).open_circuit_v([0.25]).tolist() == [3.25]


def test_many_load_sets_do_not_pile_up():
    """The plans kept ready are bounded."""
    circuit = Circuit(gadget(CELL, LIGHTS))
    for k in range(600):
        circuit.solve(LoadSet(drives=(("shelf", (k + 1) / 601, -1),)), 0.5)
    assert len(circuit._plans) == 512


def test_a_sink_in_drop_out_is_what_the_cell_and_its_resistance_leave():
    """With a sink in drop-out the node still balances: V = OCV - R I, at every charge."""
    made = gadget(
        '[gadget]\nname = "x"\n[cell]\ncurve = "lco"\ncapacity = "650 mAh"\nresistance = "6 Ω"\n',
        '[lights.lamp]\nleds = 4\nforward = ["2.567 V @ 3 mA", "2.604 V @ 14 mA"]\n'
        'driver = { kind = "sink", current = "52 mA", drop = "117 mV" }\n',
    )
    circuit = Circuit(made)
    charge = np.linspace(0.0, 1.0, 201)
    loads = LoadSet(drives=(("lamp", 1.0, -1),))
    found = circuit.solve(loads, charge)
    lamp_a = found.consumers_a[0]
    assert found.voltage_v == pytest.approx(found.open_circuit_v - 6.0 * lamp_a, abs=1e-7)
    together = circuit.totals([loads], charge)
    assert together.consumed_a[0] == pytest.approx(lamp_a, abs=1e-7)
    assert lamp_a.min() < 0.1 < lamp_a.max() == pytest.approx(0.208)  # 4 times 52 mA


def test_a_channel_is_tabulated_once_for_all_gadgets_that_have_the_same(monkeypatch):
    """Gadgets that differ elsewhere share its table; another resistor makes another one."""
    tabulated = []
    plain = Channel.tabulated

    def counted(channel, grid):
        tabulated.append(channel)
        return plain(channel, grid)

    monkeypatch.setattr(Channel, "tabulated", counted)
    loads = LoadSet(drives=(("shelf", 1.0, -1),))
    written = LIGHTS.replace("22R", "21R5")  # as no other test has it
    first = Circuit(gadget(CELL, written)).solve(loads, 0.5)
    other = Circuit(gadget(CELL.replace("180 mΩ", "280 mΩ"), written)).solve(loads, 0.5)
    assert len(tabulated) == 1
    assert other.voltage_v[0] < first.voltage_v[0]
    Circuit(gadget(CELL, LIGHTS.replace("22R", "21R4"))).solve(loads, 0.5)
    assert len(tabulated) == 2


def test_what_a_charger_does_next_is_solved_for_once(monkeypatch):
    """Clock, levels and phase of a load set ask for the same steps."""
    circuit = Circuit(gadget(CELL, CHARGER, LIGHTS))
    loads = LoadSet(drives=(("shelf", 1.0, -1),), charger="fast")
    steps = circuit.steps(loads)
    monkeypatch.setattr(circuit, "solve", None)
    assert circuit.steps(loads) is steps
    assert circuit.feeds_on(loads)
    assert circuit.levels(loads)[1]


@pytest.mark.parametrize("charger", ["off", "fast"])
@pytest.mark.parametrize("duty", [1.0, 0.3])
def test_the_terminal_voltage_alone_is_that_of_the_whole_solution(charger, duty):
    """To the last bit: a table and what is read beside it are of one piece."""
    circuit = Circuit(gadget(CELL, CHARGER, LIGHTS, CONTROLLER))
    loads = LoadSet(drives=(("bars", 1.0, 3), ("shelf", duty, -1)), charger=charger)
    for charge in (0.0, 0.3, 0.97):
        assert circuit.terminal_v(loads, charge) == circuit.solve(loads, charge).voltage_v[0]
