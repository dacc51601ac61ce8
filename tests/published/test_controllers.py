"""Published figures of small controllers: supply measurement, pins, clamps."""

from __future__ import annotations

import tomllib

import pytest

from simfw.circuit import Circuit, LoadSet
from simfw.circuit.measure import Converter
from simfw.circuit.pins import PinReport, check_pins
from simfw.gadget.model import Gadget


def made(controller: str, rest: str = "", points=()) -> Gadget:
    """A pouch cell with this controller."""
    gadget = Gadget.model_validate(
        tomllib.loads(f"""
[gadget]
name = "Published"
[cell]
curve = "lco"
capacity = "500 mAh"
[controller]
{controller}
{rest}
""")
    )
    return gadget.model_copy(update={"curve_points": tuple(points)})


BANDGAP = 'reference = "1.1 V (1.0 V .. 1.2 V)"\nadc_bits = 10\n'


@pytest.mark.parametrize(
    ("count", "volts", "printed"), [(470, 2.3965, 2.39), (375, 3.0037, 3.00)]
)
def test_supply_from_bandgap_counts(count, volts, printed):
    """1024 x 1.1 V / count: 470 gives 2.397 V (printed cut short, 2.39), 375 gives 3.004 V.

    ATtiny25 bandgap example page; Microchip, "Measure VCC/Battery Voltage Without Using I/O Pin".
    """
    circuit = Circuit(made(BANDGAP))
    converter = Converter(nominal_v=1.1, true_v=1.1, steps=1024)
    assert converter.count(volts) == count
    assert circuit.measured_v(volts) == pytest.approx(volts, abs=2e-4)
    assert circuit.measured_v(volts) == pytest.approx(printed, abs=0.01)


@pytest.mark.parametrize(("reference_v", "volts"), [(1.0, 2.73), (1.2, 3.28)])
def test_bandgap_tolerance_is_nine_per_cent(reference_v, volts):
    """1.0 to 1.2 V (ATtiny13A, 8126F table 18-4): a reading of 375 means 2.73 to 3.28 V."""
    circuit = Circuit(made(BANDGAP), reference_v=reference_v)
    assert Converter(nominal_v=1.1, true_v=reference_v, steps=1024).count(volts) in (374, 375)
    measured = circuit.measured_v(1024 * reference_v / 375.5)
    assert measured == pytest.approx(1024 * 1.1 / 375, rel=1e-9)
    assert 1024 * reference_v / 375 / measured - 1 == pytest.approx(
        reference_v / 1.1 - 1, abs=1e-9
    )
    assert abs(reference_v / 1.1 - 1) == pytest.approx(0.091, abs=5e-4)


@pytest.mark.parametrize(("volts", "step_mv"), [(3.0, 8.0), (4.2, 15.7), (5.0, 22.2)])
def test_one_count_in_millivolts(volts, step_mv):
    """One count is V^2 / (1024 Vref): 8.0, 15.7 and 22.2 mV (derived)."""
    converter = Converter(nominal_v=1.1, true_v=1.1, steps=1024)
    count = converter.count(volts)
    step = 1024 * 1.1 / count - 1024 * 1.1 / (count + 1)
    assert step * 1e3 == pytest.approx(step_mv, rel=0.02)


def test_base_and_watchdog_current_add():
    """PIC16F630 asleep: 0.0012 uA and 1.8 uA for the watchdog add to 1.8012 uA (DS40039F p. 92)."""
    gadget = made('asleep = "1.2 nA"', '[loads.watchdog]\ncurrent = "1.8 uA"\n')
    solution = Circuit(gadget).solve(LoadSet(drives=(("watchdog", 1.0, -1),)), 0.5)
    assert float(solution.consumers_a.sum()) == pytest.approx(1.8012e-6, rel=1e-9)


# ATtiny13A at 2.4 .. 5.5 V: VIL 0.3, VIH 0.6 of the supply, pins -0.5 V .. VCC + 0.5 V, leakage
# 1 uA, 40 mA a pin (8126F pp. 117-118); protection diodes carry at 0.5 V (Microchip AVR182).
AVR = """
[controller.limits]
input_low = "30 %"
input_high = "60 %"
above = "0.5 V"
below = "0.5 V"
pin_current = "40 mA"
"""
STEADY_3V = ((0.0, 2.99), (1.0, 3.0))


def pin_report(volts: str, pin: str, limits: str = AVR, points=STEADY_3V) -> PinReport:
    """A report on one pin, its source at `volts` (written as the charger's input)."""
    sense = f'[pins.sense]\nsource = "usb"\n{pin}'
    return check_pins(made("", charger_from(volts) + limits + sense, points))


def charger_from(volts: str) -> str:
    """A charger whose input is at `volts`: that is what a source "usb" then is."""
    return f"""
[charger]
current = "1 mA"
float = "3.0 V"
[charger.input]
voltage = "{volts}"
"""


def test_divider_into_a_3_volt_part():
    """5 V over 10k/10k is 2.5 V on a 3.0 V part, no injection; with the part off 0.40 mA flows.

    (5 - 0.5)/10k - 0.5/10k, derived from the clamp of AVR182.
    """
    report = pin_report("5 V", 'series = "10k"\nto_ground = "10k"\n')
    on, off = (
        next(row for row in report.rows if row.power == power and row.usb)
        for power in ("running", "off")
    )
    assert on.high_v == pytest.approx(2.5)
    assert on.levels == ("high",)
    assert on.injected_a == 0.0
    assert off.injected_a == pytest.approx(0.40e-3, rel=1e-9)
    assert off.back_powers


def test_mains_through_a_megohm():
    """311 V peak on a 5 V pin through 1 Mohm: 306 uA, 305.6 with the diode's 0.5 V.

    "Detecting zero-crossing with ATmega8"; it leaves the diode out.
    """
    report = pin_report("311 V", 'series = "1M"\n', points=((0.0, 4.99), (1.0, 5.0)))
    worst = max(row.injected_a for row in report.rows if row.power == "running")
    assert worst == pytest.approx(305.6e-6, rel=0.005)
    assert worst == pytest.approx(306e-6, rel=0.005)


def test_seven_volts_on_a_five_volt_pin_without_resistor():
    """Flagged as destructive (scienceprog.com, using current limiting resistors on AVR pins)."""
    report = pin_report("7 V", "", points=((0.0, 4.99), (1.0, 5.0)))
    assert any(
        "through the protection diode (no injection is allowed for)" in fault.text
        for fault in report.faults
    )


def test_injected_currents_add_by_amount():
    """Nine pins of 3 mA are 27 mA and break a sum of 25 mA, eight do not (STM32F102)."""
    limits = AVR + 'injection = "5 mA"\ninjection_sum = "25 mA"\n'
    for count, breaks in ((9, True), (8, False)):
        # 3 mA through 1 kohm above a clamp at 3.5 V.
        pins = "".join(f'[pins.p{k}]\nsource = "usb"\nseries = "1k"\n' for k in range(count))
        text = charger_from("6.5 V") + limits + pins
        report = check_pins(made("", text, ((0.0, 2.999), (1.0, 3.0))))
        running = [fault for fault in report.faults if fault.text.startswith("running: all pins")]
        assert bool(running) is breaks


def test_pic_clamps_bear_twenty_milliamperes():
    """Clamp +-20 mA (PIC12C67X, DS30561B p. 89): 15 mA is a note, 25 mA a fault."""
    limits = AVR.replace('"0.5 V"', '"0.3 V"') + 'injection = "20 mA"\n'
    for volts, breaks in (("4.8 V", False), ("5.8 V", True)):
        report = pin_report(volts, 'series = "100R"\n', limits)
        found = [
            finding for finding in report.findings
            if "protection diode" in finding.text and finding.text.startswith("running")
        ]
        assert [finding.fault for finding in found] == [breaks]
