"""Limits of the charger, pins and resistances that cannot be: each with its whole message."""

from __future__ import annotations

import pytest

from simfw.gadget.wiring import wiring_problems
from tests.circuit.parts import CELL, CHARGER, CONTROLLER, gadget

INPUT = '[charger.input]\nvoltage = "5 V"\n'
WINDOWS = '[charger.windows]\ncold = "0 degC"\nhot = "60 degC"\n'
LIMITS = '[controller.limits]\ninput_low = "30 %"\n'
BUTTON = '[buttons.power]\ndebounce = "20 ms"\n'

CASES = {
    "two values at one charge": (
        (CELL + 'resistance_at_charge = ["1 Ω @ 10 %", "2 Ω @ 10 %"]',),
        "cell.resistance_at_charge: two values at one charge. Allowed: one value each.",
    ),
    "two values at one temperature": (
        (CELL + 'resistance_at_temperature = ["1 Ω @ 0 degC", "2 Ω @ 0 degC"]',),
        "cell.resistance_at_temperature: two values at one temperature. Allowed: one value each.",
    ),
    "a resistance of zero": (
        (CELL + 'resistance_at_temperature = ["0 Ω @ 0 degC"]',),
        "cell.resistance_at_temperature[0]: a resistance of zero scales nothing. "
        "Allowed: more than zero.",
    ),
    "heat without input": (
        (CELL, CHARGER, '[charger.heat]\nresistance = "60 K/W"\nlimit = "120 degC"'),
        "charger.heat: the input voltage is not given. Allowed: charger.input beside it.",
    ),
    "pass element without input": (
        (CELL, CHARGER + 'pass_resistance = "350 mΩ"'),
        "charger.pass_resistance: the input voltage is not given. "
        "Allowed: charger.input beside it.",
    ),
    "hold without resistance": (
        (CELL, CHARGER, INPUT + 'hold = "4.5 V"'),
        "charger.input.hold: what is in front of the charger is not given. "
        "Allowed: charger.input.resistance beside it.",
    ),
    "stop above start": (
        (CELL, CHARGER, INPUT + 'start = "3.4 V"\nstop = "3.5 V"'),
        "charger.input.stop: the charger would stop before it starts. "
        "Allowed: start (3.4 V) or less.",
    ),
    "warm float above float": (
        (CELL, CHARGER, WINDOWS + 'warm = "45 degC"\nwarm_float = "4.3 V"'),
        "charger.windows.warm_float: a warm cell would be charged further than a cool one. "
        "Allowed: charger.float (4.20 V) or less.",
    ),
    "a charger that its supply cannot start": (
        (CELL, CHARGER, INPUT + 'start = "5.1 V"'),
        "charger.input.start: the charger would never run. Allowed: voltage (5 V) or less.",
    ),
    "a charger that stops by its own current": (
        (CELL, CHARGER, INPUT + 'resistance = "2 Ω"\nlimit = "200 mA"\nstop = "4.9 V"'),
        "charger.input.stop: its own current would pull its input down to 4.6 V and stop it, again "
        "and again. Allowed: 4.6 V or less, or hold above it.",
    ),
    "a full cell too near to the supply to start": (
        (CELL, CHARGER, INPUT + 'start_above_cell = "850 mV"'),
        "charger.input.start_above_cell: the charger would stand still before the cell is full. "
        "Allowed: voltage less float (0.8 V) or less.",
    ),
    "a full cell too near to the supply to go on": (
        (CELL, CHARGER, INPUT + 'stop_above_cell = "850 mV"'),
        "charger.input.stop_above_cell: the charger would stand still before the cell is full. "
        "Allowed: voltage less float (0.8 V) or less.",
    ),
    "two rules for bursts": (
        (CELL, '[proximity.eye]\ncarrier = "38 kHz"\nduty = "50 %"\nburst = 24\n'
         'receiver = { gain_control = "AGC2", bursts = { shortest = 6, short = 70, gap = 10, '
         'long_gap = 4 } }'),
        "proximity.eye.receiver.gain_control: the rules for bursts are written twice. "
        "Allowed: gain_control or bursts.",
    ),
    "a short circuit": (
        (CELL, '[pins.top]\nsource = "usb"\nto_ground = "0 Ω"'),
        "pins.top.to_ground: a short circuit. Allowed: more than zero.",
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_each_mistake_has_its_whole_message(case):
    """Key, what is wrong, and what is allowed."""
    texts, message = CASES[case]
    assert [str(problem) for problem in wiring_problems(gadget(*texts))] == [message]


def test_sound_sections_have_no_problems():
    """A whole set of limits, windows and pins is taken as it is."""
    whole = gadget(
        CELL + 'resistance_at_charge = ["1 Ω @ 10 %", "2 Ω @ 90 %"]',
        CHARGER + 'pass_resistance = "350 mΩ"',
        INPUT + 'resistance = "1 Ω"\nhold = "4.5 V"\nstart = "3.5 V"\nstop = "3.4 V"',
        '[charger.heat]\nresistance = "60 K/W"\nlimit = "120 degC"',
        WINDOWS + 'cool = "10 degC"\ncool_rate = "50 %"\nwarm = "45 degC"\nwarm_float = "4.1 V"',
        CONTROLLER,
        LIMITS + 'input_high = "60 %"',
        BUTTON,
        '[pins.top]\nsource = "button.power"\npull_up = true\nto_supply = "100k"',
    )
    assert wiring_problems(whole) == []
