"""What the circuit says against a gadget, and that a check is left out with the part it needs."""

from __future__ import annotations

from pathlib import Path

import pytest

from simfw.circuit.circuit import Circuit, LoadSet
from simfw.verify.electrical import Loads, electrical_checks
from tests.quality import cases
from tests.verify.gadgets import gadget

CONTROLLER = """
[controller]
awake = "50 mA"
asleep = "8 mA"
reference = "1.1 V (1.0 V .. 1.2 V)"
adc_bits = 10
"""
RESTART = 'cut_off = "3.05 V"\nrestart = "3.25 V"\n'
RECHARGE = 'recharge = "4.05 V"\n'
FAULTY = (
    cases.HEAD + cases.CELL + CONTROLLER + cases.LAMP + cases.BARS + cases.GAUGE + cases.KEY
    + cases.CLICKS + cases.CHARGER.replace(RECHARGE, 'recharge = "4.19 V"\n')
)
FLAT = {"flat-below-cut-off", "reserve-short"}
CHARGING = {"charge-never-ends", "recharge-cycling", "precharge-starved"}


def told(folder: Path, text: str) -> set[str]:
    """The checks that find something with the lamp as the only load."""
    made = gadget(text, folder)
    rest = LoadSet(controller="off" if made.controller is None else "asleep")
    lit = LoadSet(drives=(("lamp", 1.0, -1),), controller=rest.controller)
    loads = Loads(rest=rest, all=(rest, lit), charging=(rest, lit))
    return {one.check for one in electrical_checks(made, Circuit(made), loads)}


@pytest.mark.parametrize(
    ("part", "gone"),
    [
        (RESTART, FLAT),
        # Without what it draws at rest the cell does not fall to the recharge voltage either.
        (CONTROLLER, {*FLAT, "precharge-starved", "recharge-cycling"}),
        (cases.GAUGE, FLAT),
        ('finish = "10 %"\n', {"charge-never-ends"}),
        ('recharge = "4.19 V"\n', {"recharge-cycling"}),
        ('precharge = { below = "2.9 V", rate = "10 %" }\n', {"precharge-starved"}),
        (cases.CHARGER.replace(RECHARGE, 'recharge = "4.19 V"\n'), CHARGING),
    ],
    ids=["cut-off", "controller", "gauge", "finish", "recharge", "precharge", "charger"],
)
def test_a_check_is_left_out_with_the_part_it_needs(
    tmp_path: Path, part: str, gone: set[str]
) -> None:
    """Nothing electrical is assumed in its place; the other checks still find what they found."""
    assert FAULTY.count(part) == 1
    whole = told(tmp_path, FAULTY)
    assert whole >= FLAT | CHARGING
    left = told(tmp_path, FAULTY.replace(part, ""))
    assert whole - left >= gone
    assert left >= (FLAT | CHARGING) - gone
