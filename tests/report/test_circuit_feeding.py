"""What `simfw circuit` tells of a power path, and of a supply that goes."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from simfw.circuit.circuit import Circuit
from simfw.circuit.feeding import Feeding, feeding
from simfw.circuit.overview import overview
from simfw.engine.simulator import simulate
from simfw.loading import load_gadget
from simfw.report.circuit import circuit_json, circuit_text
from simfw.stimuli.scenario import Scenario
from simfw.stimuli.steps import Press, Toggle
from tests.dials.made import gadget
from tests.report.test_circuit_report import unnamed_keys

MS = 1_000_000
DAY_NS = 86_400_000 * MS
LATCH = """
[gadget]
name = "Night light"
[cell]
curve = "lco"
capacity = "650 mAh"
resistance = "180 mΩ"
cut_off = "3.05 V"
restart = "3.25 V"
leakage = "3 uA"
self_discharge = "2 %/month"
[charger]
program = "3k3"
gain = "1000 V"
float = "4.20 V"
finish = "10 %"
status = "low while charging"
[charger.input]
voltage = "5 V"
limit = "500 mA"
[controller]
awake = "1.2 mA"
asleep = "4.5 uA"
powered_by = ["power", "usb"]
hold_up = "20 ms"
[controller.regulator]
output = "3.0 V"
quiescent = "2 uA"
[lights.shelf]
forward = ["2.75 V @ 5 mA", "3.0 V @ 20 mA"]
resistor = "22R"
[lights.plug]
forward = ["1.9 V @ 2 mA", "2.05 V @ 10 mA"]
resistor = "3k3"
fed_by = "usb"
[lights.glow]
forward = ["1.9 V @ 2 mA", "2.05 V @ 10 mA"]
resistor = "3k3"
fed_by = "charger.status"
[toggles.main]
in_supply = true
starts = "on"
[toggles.lid]
supply = "3 uA"
[buttons.power]
debounce = "20 ms"
[behaviour.lamp]
starts = "on"
states.on = { shelf = "on" }
states.off = { controller = "unpowered" }
rows = [{ on = "power.click", from = "on", to = "off" }]
"""
PATH = LATCH.replace('status = "low', 'power_path = true\nstatus = "low')


def _fed(text: str) -> Feeding:
    made = gadget(text, "")
    found = feeding(made, Circuit(made))
    assert found is not None
    return found


def test_the_whole_text_of_a_power_path_with_a_latch():
    """Who keeps the supply, what each part draws from, and what is left when it is gone."""
    made = gadget(PATH, "")
    lines = circuit_text(made, overview(made)).splitlines()
    first = lines.index("Who feeds what")
    assert lines[first : lines.index("", first)] == [
        "Who feeds what",
        "  power path    with USB in the input feeds the parts, with an open protection too,",
        "                and charges with the rest",
        "  its limit     500 mA in all: first for the parts; what they take beyond it the cell "
        "gives",
        "  let go of     by the firmware in lamp.off",
        "  kept by       power or USB, whatever the firmware does, and for 20 ms longer",
        "  cut off by    main",
        "  supply gone   21 µA from a full cell, 3.02 µA from a low one, without USB; a full cell "
        "lasts 8 years,",
        "                until the protection opens",
        "                   without USB     with USB in                     supply gone",
        "  shelf            from the cell   from the input, then the cell   dead",
        "  lid.supply       from the cell   from the input, then the cell   dead",
        "  controller       from the cell   from the input, then the cell   dead",
        "  regulator        from the cell   from the input, then the cell   dead",
        "  leakage          from the cell   from the cell                   3 µA",
        "  self_discharge   from the cell   from the cell                   18 µA",
        "  plug             dark            from USB                        from USB",
        "  glow             dark            from USB, while it charges      from USB, while it "
        "charges",
    ]


@pytest.mark.parametrize(("from_text", "to_text", "source"), [
    ('limit = "500 mA"\n', 'limit = "500 mA"\n', "input"),
    ('limit = "500 mA"\n', "", "input alone"),
    ('limit = "500 mA"\n', 'resistance = "1 ohm"\n', "input"),
    ("power_path = true\n", "", "charger"),
])
def test_what_the_parts_draw_from_with_usb_in(from_text: str, to_text: str, source: str):
    """Past the cell over a power path, which may be short; else beside the charger."""
    found = _fed(PATH.replace(from_text, to_text))
    by = {part.name: part.with_usb for part in found.parts}
    assert by["shelf"] == by["controller"] == source
    assert by["leakage"] == "cell"
    assert (by["plug"], by["glow"]) == ("usb", "charging")


@pytest.mark.parametrize("how", ["let go of", "cut off"])
def test_the_current_with_the_supply_gone_is_that_of_a_run(how: str):
    """A month in which nothing is done: the ledger has the same parts, at the same current."""
    made = gadget(LATCH, "")
    found = _fed(LATCH)
    gone = (Press(at_ns=100 * MS, button="power", for_ns=100 * MS) if how == "let go of" else
            Toggle(at_ns=100 * MS, toggle="main", closed=False))
    begun = simulate(made, Scenario(charge=1.0, lasts_ns=1000 * MS, steps=(gone,)))
    month = simulate(made, Scenario(charge=1.0, lasts_ns=1000 * MS + 30 * DAY_NS, steps=(gone,)))
    later, sooner = ({use.name: use.charge_c for use in run.consumers} for run in (month, begun))
    drawn_a = {name: (later[name] - sooner[name]) / (30 * 86_400.0) for name in later}
    for part in found.parts:
        if part.without_usb is not None:
            # The cell loses a share of what it holds: some 1 % less on the mean of a month.
            assert drawn_a[part.name] == pytest.approx(part.dead_a or 0.0, rel=0.015)


def test_what_nothing_takes_away_has_no_such_part():
    """A charger beside the cell is told elsewhere; a power path alone leaves nothing dead."""
    plain = PATH.replace('controller = "unpowered"', "").replace("in_supply = true", "").replace(
        'powered_by = ["power", "usb"]\nhold_up = "20 ms"\n', "")
    alone = _fed(plain)
    assert alone.shelf is None
    assert all(part.dead_a is None for part in alone.parts)
    made = gadget(plain.replace("power_path = true\n", ""), "")
    assert feeding(made, Circuit(made)) is None
    found = overview(made)
    assert circuit_json(made, found)["supply"] is None
    assert "Who feeds what" not in circuit_text(made, found)


def test_a_gadget_without_usb_is_told_without_it():
    """A reed contact, a primary cell: no word of a plug that there is not."""
    made = load_gadget(Path(__file__).parents[1] / "gallery" / "fridge-door" / "gadget.toml")
    lines = circuit_text(made, overview(made)).splitlines()
    first = lines.index("Who feeds what")
    assert lines[first + 1 : lines.index("", first)] == [
        "  let go of     by the firmware in guard.off",
        "  kept by       door, whatever the firmware does, and for 200 ms longer",
        "  supply gone   nothing draws from the cell",
        "               supplied        supply gone",
        "  buzzer       from the cell   dead",
        "  controller   from the cell   dead",
    ]


def test_every_key_of_it_is_documented():
    """No key is printed that the page on the JSON does not name, and nothing JSON lacks."""
    made = gadget(PATH, "")
    told = circuit_json(made, overview(made))["supply"]
    json.dumps(told, allow_nan=False)
    assert {"power_path", "shelf", "parts"} <= set(told)
    assert unnamed_keys(told) == set()
