"""Every pin in every power state at every corner."""

from __future__ import annotations

import math

import pytest

from simfw.circuit.pins import PinReport, check_pins
from simfw.report.pins import pins_json, pins_text
from tests.circuit.parts import CELL, CHARGER, CONTROLLER, LIGHTS, SENSOR, gadget

LIMITS = """
[controller.limits]
input_low = "30 %"
input_high = "60 %"
above = "0.5 V"
below = "0.5 V"
leakage = "1 uA"
pin_current = "40 mA"
"""
DIVIDER = """
[pins.sense]
source = "usb"
series = "10k"
to_ground = "15k"
"""


def report(*texts: str) -> PinReport:
    """The report on a gadget with these sections."""
    return check_pins(gadget(CELL, CHARGER, CONTROLLER, *texts))


def said(found: PinReport, pin: str = "") -> list[str]:
    """The faults of a pin."""
    return [fault.text for fault in found.faults if pin in ("", fault.pin)]


def row_of(found: PinReport, power: str, source: str):
    """The one row of a state."""
    (row,) = [r for r in found.rows if r.power == power and r.source.startswith(source)]
    return row


def test_no_pins_is_said():
    """A file without pins has nothing to check, which is a note, not a fault."""
    found = check_pins(gadget())
    assert [(f.fault, f.text) for f in found.findings] == [
        (False, "the file describes no input pins ([pins.NAME])")
    ]


def test_limits_that_are_missing_are_said():
    """Without limits nothing can be judged, and that is said."""
    assert report(DIVIDER).findings[-1].text == (
        "no [controller.limits]: levels and limits are not judged"
    )
    some = report(DIVIDER, '[controller.limits]\ninput_low = "30 %"\n')
    assert [f.text for f in some.findings] == [
        "controller.limits.input_high is not given: not judged",
        "controller.limits.above is not given: not judged",
        "no clamp voltage is given: back-powering is not judged",
    ]


def test_divider_is_the_mean_by_conductance():
    """5 V through 10k over 15k stands at 3 V; corners of USB and leakage are around it."""
    found = report(DIVIDER, LIMITS, '[charger.input]\nvoltage = "5 V"\n')
    row = row_of(found, "running", "USB in")
    assert row.low_v == pytest.approx(3.0 - 6e-3)
    assert row.high_v == pytest.approx(3.0 + 6e-3)
    assert row.levels == ("high",)
    assert row.usb


def test_dead_controller_is_fed_through_its_clamp():
    """With the controller off the divider drives its protection diode: back-powering."""
    found = report(DIVIDER, LIMITS, '[charger.input]\nvoltage = "5 V"\n')
    row = row_of(found, "off", "USB in")
    assert row.back_powers
    assert row.high_v == 0.5
    assert row.injected_a == pytest.approx(4.5 / 10e3 - 0.5 / 15e3)
    assert said(found) == [
        "off, USB in: feeds 0.417 mA into a controller that is off (no injection is allowed for)"
    ]


def test_level_between_low_and_high_is_a_fault():
    """A divider that is too deep leaves a level that may read either way."""
    found = report(DIVIDER.replace('"15k"', '"8k2"'), LIMITS)
    assert any("reads undefined" in text and "not high" in text for text in said(found))


def test_open_source_without_a_resistor_floats():
    """A series resistor alone leaves the pin floating while USB is out."""
    found = report(DIVIDER.replace('to_ground = "15k"\n', ""), LIMITS)
    assert "running, USB out: nothing holds the pin, it floats" in said(found)


def test_direct_supply_breaks_the_clamp():
    """USB straight on a pin: what flows through the diode nobody knows, and no figure is told."""
    found = report('[pins.sense]\nsource = "usb"\nto_ground = "1M"\n', LIMITS)
    row = row_of(found, "running", "USB in")
    assert row.injected_a == math.inf
    assert row.high_v == pytest.approx(5.25)  # USB 2.0, at the port
    assert (
        "running, USB in: 5.25 V stand at the pin without a series resistor; nothing in the file "
        "limits what flows through the protection diode (no injection is allowed for)"
    ) in said(found)


def test_status_pin_without_a_series_resistor_gets_no_invented_figure():
    """A driven status output is a fault with its voltage; text and JSON hold no ampere figure."""
    high = CHARGER.replace("low while charging", "low while charging, high when complete")
    made = gadget(CELL, high, CONTROLLER, LIMITS + 'injection_sum = "1 mA"\n',
                  '[pins.status]\nsource = "charger.status"\npull_up = true\n')
    found = check_pins(made)
    faults = [text for text in said(found, "status") if "series resistor" in text]
    assert any("into a controller that is off" in text for text in faults)
    assert not any("feeds" in text for text in said(found))
    assert "not limited, powers the controller" in pins_text(made, found)
    rows = pins_json(made, found)["rows"]
    assert None in [row["injected_a"] for row in rows]
    assert max(row["injected_a"] or 0.0 for row in rows) < 1.0


def test_small_injection_within_its_limit_is_a_note():
    """An injected current below the limit is noted, above it a fault; the sum counts too."""
    text = '[pins.sense]\nsource = "usb"\nseries = "1k"\nto_ground = "1M"\n'
    soft = report(text, LIMITS + 'injection = "5 mA"\n')
    assert not [t for t in said(soft) if "protection diode" in t]
    assert any("(limit 5 mA)" in f.text for f in soft.findings)
    hard = report(text, LIMITS + 'injection = "1 mA"\ninjection_sum = "1.2 mA"\n')
    assert any("(limit 1 mA)" in t for t in said(hard))
    assert any("all pins together inject" in t for t in said(hard, "all pins"))


def test_wide_clamp_lets_the_pin_pass_its_maximum():
    """A clamp that carries only above the absolute maximum does not protect the pin."""
    text = '[pins.sense]\nsource = "usb"\nseries = "10k"\nto_ground = "1M"\n'
    found = report(text, LIMITS + 'clamp = "0.9 V"\n')
    assert any("is above the absolute maximum" in t for t in said(found))


def test_source_below_ground_is_clamped_there():
    """A pin that would be pulled below ground stops at its lower diode."""
    text = '[pins.sense]\nsource = "cell"\nseries = "10M"\nto_ground = "10M"\n'
    found = report(text, LIMITS.replace('leakage = "1 uA"', 'leakage = "1 mA"'))
    assert min(row.low_v for row in found.rows) == -0.5
    assert min(row.free_low_v for row in found.rows) < -0.5


def test_clamp_beyond_the_absolute_maximum_below_ground():
    """Below ground as above the supply: a clamp that carries only beyond the maximum is a fault."""
    text = '[pins.sense]\nsource = "cell"\nseries = "10M"\nto_ground = "10M"\n'
    limits = LIMITS.replace('leakage = "1 uA"', 'leakage = "1 mA"')
    for clamp, told in (('clamp = "0.9 V"\n', True), ("", False)):
        found = report(text, limits + clamp)
        assert any("is below the absolute maximum, -0.50 V" in t for t in said(found)) is told


STATUS = '[pins.status]\nsource = "charger.status"\n'


def test_floating_status_needs_the_pull_up():
    """An open-drain status floats when complete unless the pull-up holds it."""
    bare = report(STATUS, LIMITS)
    assert any("status floating (complete): nothing holds the pin" in t for t in said(bare))
    held = report(STATUS + "pull_up = true\n", LIMITS)
    assert said(held) == []
    assert row_of(held, "running", "status low").levels == ("low",)
    assert row_of(held, "running", "status floating (complete)").levels == ("high",)


def test_status_driven_from_usb_meets_the_dead_controller():
    """A status output that goes to the charger's supply feeds a controller that is off."""
    high = CHARGER.replace("low while charging", "low while charging, high when complete")
    found = check_pins(
        gadget(CELL, high, CONTROLLER, LIMITS, STATUS + 'series = "10k"\npull_up = true\n')
    )
    assert any("off, status high (complete): feeds" in t for t in said(found))


def test_status_without_a_charger_has_no_rows():
    """A status pin means nothing where there is no charger."""
    assert check_pins(gadget(CELL, CONTROLLER, LIMITS, STATUS)).rows == ()


def test_status_high_while_charging_rests_low():
    """A push-pull status the other way round needs a pull-down when it floats."""
    other = CHARGER.replace("low while charging", "high while charging")
    found = check_pins(
        gadget(CELL, other, CONTROLLER, LIMITS,
               STATUS + 'series = "10k"\nto_ground = "10k"\n[charger.input]\nvoltage = "6 V"\n')
    )
    assert row_of(found, "running", "status high").levels == ("high",)
    assert row_of(found, "running", "status floating").levels == ("low",)


BUTTON = '[pins.top]\nsource = "button.power"\n'


def test_button_to_ground_or_to_supply():
    """A pull-up waits for ground, a pull-down for the supply."""
    down = report(BUTTON + "pull_up = true\n", LIMITS)
    assert row_of(down, "running", "power pressed").levels == ("low",)
    assert row_of(down, "running", "power released").levels == ("high",)
    up = report(BUTTON + 'to_ground = "100k"\n', LIMITS)
    assert row_of(up, "asleep", "power pressed").levels == ("high",)
    assert row_of(up, "asleep", "power released").levels == ("low",)
    assert said(down) == said(up) == []
    costs = [f.text for f in up.findings if "draws" in f.text]
    assert costs == [
        "draws up to 43 µA while it is held (58 % of the capacity in a year, if it sticks)"
    ]


def test_what_held_buttons_draw_is_told_once():
    """Two buttons with pull-ups make one note; a hand opens them, so it is about a stuck key."""
    text = BUTTON + 'pull_up = true\n[pins.bottom]\nsource = "button.level"\npull_up = true\n'
    found = report(text, LIMITS)
    notes = [(f.pin, f.text) for f in found.findings if "draws" in f.text]
    drawn = "each draws up to 120 µA while it is held"
    sticks = "(160 % of the capacity in a year, if it sticks)"
    assert notes == [("power and level", f"{drawn} {sticks}")]


def test_external_pull_up_reaches_a_pin():
    """A resistor to the supply holds a released button high."""
    found = report(BUTTON + 'to_supply = "47k"\n', LIMITS)
    assert row_of(found, "running", "power released").levels == ("high",)


def test_receiver_pulls_down_when_it_answers():
    """A receiver's output is low on an answer, else at the supply."""
    found = report('[pins.ir]\nsource = "receiver.wave"\n', LIMITS)
    assert row_of(found, "running", "wave answers").levels == ("low",)
    assert row_of(found, "running", "wave silent").levels == ("high",)


def test_cell_divider_costs_charge_all_the_time():
    """A divider across the cell is a cost, and an analogue pin has no level."""
    text = '[pins.cell]\nsource = "cell"\nseries = "100k"\nto_ground = "100k"\nanalog = true\n'
    found = report(text, LIMITS)
    assert row_of(found, "asleep", "cell").cell_a == pytest.approx(21.5e-6)
    assert row_of(found, "asleep", "cell").levels == ("analog",)
    assert [f.text for f in found.findings if f.pin == "cell"] == [
        "asleep, cell: draws up to 21.5 µA from the cell all the time (29 % of the capacity a year)"
    ]


def test_outputs_are_held_against_the_pin_current():
    """Pins that feed LEDs or bases are compared with what a pin may carry."""
    weak = LIMITS.replace("40 mA", "4 mA")
    found = report(LIGHTS, SENSOR, weak, DIVIDER)
    assert [row.name for row in found.outputs] == ["lights.bars", "proximity.wave.emitter"]
    assert said(found, "lights.bars") == ["carries 4.3 mA, more than 4 mA"]
    assert said(found, "proximity.wave.emitter") == []


def test_primary_cell_supplies_up_to_its_fresh_voltage():
    """Without cut-off and charger the supply runs over the whole curve."""
    text = CELL.replace('"lco"', '"coin-primary"').replace('cut_off = "3.05 V"', "")
    found = check_pins(gadget(text, CONTROLLER, LIMITS, BUTTON + "pull_up = true\n"))
    row = row_of(found, "running", "power released")
    assert row.low_v < 1.9
    assert row.high_v == pytest.approx(2.985, abs=0.05)


def test_what_a_toggle_draws_is_told_of_its_position():
    """It stays where it is put, so that nothing has to stick."""
    toggle = "[toggles.reed]\n"
    found = report(toggle, '[pins.reed]\nsource = "toggle.reed"\npull_up = true\n', LIMITS)
    assert [f.text for f in found.findings if "draws" in f.text] == [
        "draws up to 120 µA while it is on (160 % of the capacity in a year)"
    ]


def test_an_answer_of_a_receiver_costs_nothing_all_the_time():
    """It lasts for a burst: the pull-up at its output is no drain on the shelf."""
    found = report('[pins.ir]\nsource = "receiver.wave"\npull_up = true\n', LIMITS)
    assert row_of(found, "asleep", "wave answers").cell_a > 50e-6
    assert [f.text for f in found.findings if "draws" in f.text] == []
