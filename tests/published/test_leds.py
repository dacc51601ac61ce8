"""Published figures of LEDs, emitters and their switches.

"Mirror" marks a third party's copy of a maker's document; the maker's number is what is cited.
"""

from __future__ import annotations

import math
import tomllib

import pytest

from simfw.circuit import Circuit
from simfw.circuit.diode import THERMAL_V, fit_diode
from simfw.circuit.overview import overview
from simfw.circuit.resistors import E24, led_resistor_ohm, next_e24
from simfw.circuit.spread import light_spread
from simfw.circuit.switch import Bipolar
from simfw.gadget.model import Gadget

# "LED notes", andromeda.df.lu.lv/wiki (oldid 3644): resistors for supplies of 3.0, 3.3, 5 and 12 V.
# Its heading says 10 V for the last column, its figures say 12 V.
LED_NOTES = [
    (2e-3, 1.8, (620, 750, 1600, 5100)),
    (2e-3, 2.1, (470, 620, 1500, 5100)),
    (5e-3, 1.8, (240, 300, 680, 2200)),
    (5e-3, 2.1, (180, 240, 620, 2000)),
    (10e-3, 1.8, (120, 150, 330, 1100)),
    (10e-3, 2.1, (91, 120, 300, 1000)),
    (20e-3, 1.8, (68, 75, 160, 560)),
    (20e-3, 2.1, (47, 62, 150, 510)),
]
SUPPLIES = (3.0, 3.3, 5.0, 12.0)
# Two entries of the page are not the next E24 value: 60 ohm gives 62, and 510 is itself one.
WRONG = {(20e-3, 1.8, 3.0): (68, 62), (20e-3, 1.8, 12.0): (560, 510)}


@pytest.mark.parametrize(
    ("amps", "forward", "supply", "printed"),
    [
        (amps, forward, supply, printed)
        for amps, forward, row in LED_NOTES
        for supply, printed in zip(SUPPLIES, row, strict=True)
    ],
)
def test_series_resistor_table(amps, forward, supply, printed):
    """30 of 32 published resistors are the next E24 value; the other two are known to be wrong."""
    found = next_e24(led_resistor_ohm(supply, forward, amps))
    if (amps, forward, supply) in WRONG:
        assert (printed, found) == WRONG[amps, forward, supply]
    else:
        assert found == printed


def test_resistor_limits():
    """No current or no headroom is no resistor; every E24 value is its own next value."""
    with pytest.raises(ValueError, match=r"2 V cannot drive 0\.01 A at 2\.1 V"):
        led_resistor_ohm(2.0, 2.1, 0.01)
    with pytest.raises(ValueError, match="0 ohm is not above zero"):
        next_e24(0.0)
    for digits in E24:
        for scale in (0.1, 1.0, 100.0, 1e5):
            assert next_e24(digits * scale) == pytest.approx(digits * scale, rel=1e-12)
    assert next_e24(9.2) == 10.0


# Forward voltages (V) at a current (A): least, typical, most.
FORWARD = {
    # RND 135-00123, Distrelec RND data sheet p. 2 (mirror).
    "white RND 135-00123": (2.60, 3.00, 3.40, 20e-3),
    # Broadcom ASMT-QTB4-0AA02 p. 3 table 4 (mirror); its current is taken as 20 mA.
    "red ASMT-QTB4": (1.80, 2.10, 2.40, 20e-3),
    "blue ASMT-QTB4": (2.80, 3.20, 3.80, 20e-3),
    # Kingbright DSAN8288 V.5B p. 2 (mirror).
    "yellow WP7113LSYCK": (1.50, 1.85, 2.10, 2e-3),
}


def lamp(points: str, rest: str = "", cut_off: str = "3.0 V") -> Gadget:
    """A gadget with one light."""
    return Gadget.model_validate(
        tomllib.loads(f"""
[gadget]
name = "Published"
[cell]
curve = "nmc"
capacity = "1 Ah"
cut_off = "{cut_off}"
[lights.lamp]
forward = [{points}]
resistor = "22R"
{rest}
""")
    )


@pytest.mark.parametrize("part", FORWARD)
def test_worst_part_is_told_by_the_published_range(part):
    """Below the top of the forward-voltage range the rated current is not guaranteed."""
    least, typical, most, amps = FORWARD[part]
    ranged = f'"{typical} V ({least} V .. {most} V) @ {amps * 1e3} mA"'
    gadget = lamp(f'"{typical - 0.25} V @ {amps * 250} mA", {ranged}')
    spread = light_spread(gadget, "lamp", 3.3)
    assert spread.sure_above_v == pytest.approx(most)
    assert spread.least_a < spread.nominal_a < spread.most_a
    circuit = Circuit(gadget)
    typical_a = circuit.led_current_a("lamp", typical + 22 * amps)[0]
    assert typical_a == pytest.approx(amps, rel=1e-6)


def test_white_led_on_a_sagging_cell_may_not_light():
    """3.0 V typical, 3.4 V at most on a cell that sags to 3.0 V: the worst part is flagged."""
    white = lamp('"2.75 V @ 5 mA", "3.0 V (2.6 V .. 3.4 V) @ 20 mA"')
    (note,) = [note for note in overview(white).notes if note.key.startswith("lights.")]
    assert note.text == (
        "the worst part may not light below 3.15 V, and the cell goes down to 3.00 V"
    )
    amber = lamp('"1.9 V @ 2 mA", "2.0 V (1.8 V .. 2.2 V) @ 10 mA"')
    assert [note for note in overview(amber).notes if note.key.startswith("lights.")] == []


def test_emitter_slope_of_tsus4300():
    """1.3 V at 100 mA and 2.2 V at 1.5 A: 0.64 ohm between (Vishay 81053 Rev. 1.4, mirror)."""
    diode = fit_diode([(1.3, 0.1), (2.2, 1.5)])
    rise = float(diode.voltage_v(1.5) - diode.voltage_v(0.1))
    assert rise / 1.4 == pytest.approx(0.64, abs=0.005)
    assert 0.5 < diode.series_ohm < 0.64


def test_emitter_power_of_tsal6100():
    """1.35 V at 100 mA is 135 mW (as quoted at electronics.stackexchange.com/q/104049)."""
    diode = fit_diode([(1.2, 0.02), (1.35, 0.1)])
    assert float(diode.voltage_v(0.1)) * 0.1 == pytest.approx(0.135, abs=1e-4)


@pytest.mark.parametrize(
    ("part", "ohm", "amps", "drop_v"),
    [
        ("2N7002, gate 5 V", 7.5, 0.050, 0.375),  # DC Components 2N7002: VDS(on) <= 0.375 V
        ("2N7002, gate 10 V", 7.5, 0.500, 3.75),  # and <= 3.75 V
        ("AO3400A, gate 2.5 V", 0.048, 0.100, 0.0048),  # AOS AO3400A: 48 mohm at most
    ],
)
def test_fet_drops_its_resistance_times_current(part, ohm, amps, drop_v):
    """The published drop of a FET, added to diode and resistor, gives just that current."""
    gadget = lamp(
        '"1.2 V @ 20 mA", "1.35 V @ 100 mA"',
        f'switch = {{ kind = "nmos", on_resistance = "{ohm} Ω" }}',
    )
    diode = fit_diode([(1.2, 0.02), (1.35, 0.1)])
    supply = float(diode.voltage_v(amps)) + 22 * amps + drop_v
    if supply < 4.4:
        assert Circuit(gadget).led_current_a("lamp", supply)[0] == pytest.approx(amps, rel=1e-3)
    else:
        assert float(diode.current_a(supply, 22 + ohm)) == pytest.approx(amps, rel=1e-3)


@pytest.mark.parametrize(("base_v", "ohm"), [(0.85, 2150.0), (0.65, 2350.0)])
def test_base_resistor_of_2n3904(base_v, ohm):
    """VBE(sat) 0.65 to 0.85 V at 1 mA: 2.15 to 2.35 kohm from a 3.0 V pin (MCC 2N3904).

    The saturation current is set so that the junction has the published voltage there.
    """
    # Deep in saturation with a reverse gain of 1 the emitter junction carries Ic + 2 Ib.
    saturation = 12e-3 / math.exp(base_v / THERMAL_V)
    npn = Bipolar(base_ohm=ohm, forward_gain=1e6, reverse_gain=1.0, saturation_a=saturation)
    lowest, highest = 0.0, 3.0
    for _ in range(60):
        drop = 0.5 * (lowest + highest)
        supply, base_a = npn.at_collector(10e-3, drop)
        lowest, highest = (drop, highest) if float(supply) < 3.0 else (lowest, drop)
    assert float(base_a) == pytest.approx(1e-3, rel=0.005)


@pytest.mark.parametrize(
    ("collector_a", "base_a", "most_v"),
    [
        (10e-3, 0.5e-3, 0.100),  # BC847BS, NXP BC847BS_3 table 7: at most 100 mV
        (10e-3, 1.0e-3, 0.200),  # 2N3904, MCC: at most 200 mV
        (50e-3, 5.0e-3, 0.300),  # 2N3904, MCC: at most 300 mV
    ],
)
def test_saturation_voltage_is_below_the_published_most(collector_a, base_a, most_v):
    """The junctions alone saturate below what makers promise, and well above nothing."""
    gain, reverse, saturation = 300.0, 1.0, 1e-14
    mix = saturation * ((1 + 1 / reverse) / gain + 1 / reverse)
    y = 1 + (base_a - collector_a / gain) / mix
    x = 1 + collector_a / saturation + (1 + 1 / reverse) * (y - 1)
    saturated_v = THERMAL_V * math.log(x / y)
    assert 0.02 < saturated_v < most_v
    # BC848, NXP BC848_SER_7 table 8: 90 mV typical at 10 mA and 0.5 mA.
    if base_a == 0.5e-3:
        assert saturated_v == pytest.approx(0.090, abs=0.015)
    # The branch solution has that voltage between collector and emitter.
    npn = Bipolar(base_ohm=1.0, forward_gain=gain, reverse_gain=reverse, saturation_a=saturation)
    base_collector_v = THERMAL_V * math.log(y)
    supply, found = npn.at_collector(collector_a, base_a * 1.0 + base_collector_v)
    assert float(found) == pytest.approx(base_a, rel=1e-3)
    assert float(supply) - (base_a + base_collector_v) == pytest.approx(saturated_v, abs=1e-4)
