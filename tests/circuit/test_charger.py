"""The charger's steps, status pin, windows and limits."""

from __future__ import annotations

import numpy as np
import pytest

from simfw.circuit import Circuit, LoadSet
from simfw.circuit.charger import ChargerModel, ChargerStep, charger_model
from tests.circuit.parts import CELL, CHARGER, CONTROLLER, gadget

INPUT = '[charger.input]\nvoltage = "5 V"\n'
HEAT = INPUT + '[charger.heat]\nresistance = "230 K/W"\nlimit = "125 degC"\n'
WINDOWS = """
[charger.windows]
cold = "0 degC"
cool = "10 degC"
cool_rate = "50 %"
warm = "45 degC"
warm_float = "4.06 V"
hot = "60 degC"
"""


def charger_of(*texts: str) -> ChargerModel:
    """The charger of a gadget of these sections."""
    found = charger_model(gadget(CELL, *texts))
    assert found is not None
    return found


def test_no_section_no_charger():
    """A gadget without a charger has none."""
    assert charger_model(gadget()) is None


def test_current_from_program_or_as_written():
    """Constant current is gain over program, or the current as written, or nothing."""
    assert charger_of(CHARGER).constant_current_a == pytest.approx(1000 / 3300)
    written = CHARGER.replace('program = "3k3"\ngain = "1000 V"', 'current = "250 mA"')
    assert charger_of(written).constant_current_a == 0.25
    silent = CHARGER.replace('program = "3k3"\n', "")
    assert charger_of(silent).constant_current_a == 0.0
    assert charger_of(silent).feed("fast") is None


def test_thresholds_may_be_shares_of_float():
    """Written in per cent, the thresholds follow the float voltage and its tolerance."""
    text = CHARGER.replace('"4.20 V"', '"4.20 V ± 0.75 %"')
    text = text.replace('below = "2.9 V"', 'below = "66.5 %"').replace('"4.05 V"', '"94 %"')
    made = gadget(CELL, text).charger
    assert made is not None
    assert made.precharge is not None
    assert made.recharge is not None
    assert made.precharge.below.value == pytest.approx(2.793)
    assert made.recharge.value == pytest.approx(3.948)
    assert made.recharge.high == pytest.approx(3.948 * 1.0075)


@pytest.mark.parametrize(
    "bad", ['float = "tall"', 'float = 4.2', 'recharge = "12 parsnips"']
)
def test_unreadable_thresholds_are_left_to_their_field(bad):
    """What cannot be turned is refused by its own field."""
    key = bad.split(" ")[0]
    lines = [line for line in CHARGER.splitlines() if not line.startswith(key)]
    with pytest.raises(ValueError, match=key):
        gadget(CELL, "\n".join([*lines, bad]))


def test_steps_of_a_whole_charge():
    """Precharge, fast, complete, fast again, each at its threshold."""
    charger = charger_of(CHARGER)
    assert charger.start_mode(2.5) == "precharge"
    assert charger.start_mode(2.9) == "fast"
    assert charger.steps("precharge") == (
        ChargerStep(quantity="voltage_v", rising=True, level=2.9, to="fast"),
    )
    assert charger.steps("fast") == (
        ChargerStep(
            quantity="output_a", rising=False, level=pytest.approx(100 / 3300), to="complete"
        ),
        ChargerStep(
            quantity="voltage_v", rising=False, level=pytest.approx(2.9, abs=2e-9), to="precharge"
        ),
    )
    assert charger.steps("complete") == (
        ChargerStep(quantity="voltage_v", rising=False, level=4.05, to="fast"),
    )
    assert charger.steps("off") == ()


def test_hysteresis_goes_back_to_precharge():
    """With a hysteresis, a sagging cell falls back to precharge."""
    charger = charger_of(CHARGER.replace('rate = "10 %"', 'rate = "10 %", hysteresis = "110 mV"'))
    assert charger.steps("fast")[1] == ChargerStep(
        quantity="voltage_v", rising=False, level=pytest.approx(2.79), to="precharge"
    )


def test_charger_without_thresholds_ends_at_a_full_cell_alone():
    """Absent thresholds are absent steps: what is left is the end at charge 1."""
    charger = charger_of('[charger]\ncurrent = "100 mA"\nfloat = "4.2 V"\n')
    full = ChargerStep(quantity="charge", rising=True, level=1.0, to="complete")
    assert charger.start_mode(1.0) == "fast"
    assert charger.steps("precharge") == charger.steps("fast") == (full,)
    assert charger.steps("complete") == ()
    assert charger.feed("precharge") is None


@pytest.mark.parametrize(("load_a", "ends"), [(0.009, True), (0.011, False)])
def test_a_full_cell_ends_a_charge_whose_load_is_below_the_finish_current(load_a, ends):
    """At charge 1 the output is the load: 10 % of 100 mA is 10 mA."""
    charger = charger_of(
        '[charger]\ncurrent = "100 mA"\nfloat = "4.2 V"\nfinish = "10 %"\n'
    )
    full = ChargerStep(quantity="charge", rising=True, level=1.0, to="complete")
    assert (full in charger.steps("fast", 25.0, load_a)) is ends


@pytest.mark.parametrize(
    ("style", "fast", "complete"),
    [
        ("low while charging", "low", "floating"),
        ("low while charging, high when complete", "low", "high"),
        ("high while charging", "high", "low"),
    ],
)
def test_status_has_three_levels(style, fast, complete):
    """The status pin says charging and complete by its style, and floats otherwise."""
    charger = charger_of(CHARGER.replace("low while charging", style), CONTROLLER)
    assert charger.status("fast", True) == charger.status("precharge", True) == fast
    assert charger.status("complete", True) == complete
    for mode, usb in (("fast", False), ("off", True), ("fault", True)):
        assert charger.status(mode, usb) == "floating"
    assert charger.reads_low("fast", True) == (fast == "low")
    assert charger.reads_high("complete", True) == (complete != "low")


def test_floating_reads_high_only_with_a_pull_up():
    """Without a pull-up a floating status reads as nothing."""
    bare = charger_of(CHARGER)
    assert not bare.reads_high("complete", True)
    assert not bare.reads_low("complete", True)
    assert charger_of(CHARGER, CONTROLLER).reads_high("complete", True)


def test_no_status_pin_floats():
    """A charger without a status pin never says anything."""
    charger = charger_of(CHARGER.replace('status = "low while charging"', ""))
    assert charger.status("fast", True) == "floating"


@pytest.mark.parametrize(
    ("temperature", "amps", "float_v"),
    [(-1, 0.0, 4.2), (0, 0.5, 4.2), (9.9, 0.5, 4.2), (10, 1.0, 4.2), (45, 1.0, 4.2),
     (45.1, 1.0, 4.06), (60, 1.0, 4.06), (60.1, 0.0, 4.06)],
)  # fmt: skip
def test_windows_limit_by_cell_temperature(temperature, amps, float_v):
    """Cold and hot stop charging, cool halves the current, warm lowers the float voltage."""
    circuit = Circuit(gadget(CELL, CHARGER + WINDOWS))
    charger = circuit.charger
    assert charger is not None
    solution = circuit.solve(LoadSet(charger="fast", temperature_c=temperature), 0.3)
    assert solution.charger_a[0] == pytest.approx(amps * 1000 / 3300)
    assert charger.float_at(temperature) == float_v
    assert bool(charger.steps("fast", temperature)) == (amps > 0.0)


def test_windows_without_inner_limits():
    """Only cold and hot written: full current between them."""
    text = '[charger.windows]\ncold = "0 degC"\nhot = "45 degC"\n'
    charger = charger_of(CHARGER + text)
    feed = charger.feed("fast", 1.0)
    assert feed is not None
    assert feed.most_a == pytest.approx(1000 / 3300)
    assert charger.float_at(44.0) == 4.2


def test_heat_folds_the_current_back():
    """The junction limit caps (input - terminal) times current."""
    circuit = Circuit(gadget(CELL, CHARGER.replace('"3k3"', '"1k"') + HEAT))
    solution = circuit.solve(LoadSet(charger="fast", temperature_c=45.0), np.linspace(0, 0.8, 9))
    heat_w = (5.0 - solution.voltage_v) * solution.charger_a
    assert np.allclose(heat_w, 80.0 / 230.0, rtol=1e-6)
    assert np.all(solution.charger_a < 1.0)
    assert np.all(np.diff(solution.charger_a) > 0.0)


def test_too_hot_surroundings_leave_nothing():
    """At the junction limit no heat may be made: no current flows."""
    circuit = Circuit(gadget(CELL, CHARGER + HEAT))
    solution = circuit.solve(LoadSet(charger="fast", temperature_c=130.0), 0.5)
    assert solution.charger_a[0] == 0.0


def test_input_limits():
    """A limited input, or a held input voltage behind a cable, caps the current."""
    limited = CHARGER + INPUT + 'limit = "100 mA"\n'
    assert charger_of(limited).feed("fast").most_a == 0.1
    held = CHARGER + INPUT + 'resistance = "4 Ω"\nhold = "4.5 V"\n'
    assert charger_of(held).feed("fast").most_a == pytest.approx(0.125)


def test_pass_element_needs_voltage():
    """Source and pass element let through what stands across them."""
    text = CHARGER.replace('"3k3"', '"1k"') + 'pass_resistance = "1 Ω"\n' + INPUT
    circuit = Circuit(gadget(CELL, text + 'resistance = "1 Ω"\n'))
    solution = circuit.solve(LoadSet(charger="fast"), np.linspace(0.1, 0.8, 8))
    through = (5.0 - solution.voltage_v) / 2.0
    assert np.allclose(solution.charger_a, through, rtol=1e-6)
