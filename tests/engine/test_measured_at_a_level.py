"""A reading of the converter that is a level exactly: above it, or not."""

from __future__ import annotations

import pytest

from simfw.behaviour.expression import COMPARE, turning_level
from simfw.circuit.circuit import LoadSet
from simfw.circuit.measure import Converter
from simfw.engine.prepared import Prepared
from simfw.engine.simulator import simulate
from simfw.report.specification.first import code_below
from simfw.stimuli.scenario import Scenario
from simfw.stimuli.steps import Press
from tests.dials.made import gadget

MS = 1_000_000
CODE = 320  # of 1024 steps of 1.1 V: 1126.4 V / 320 = 3.52 V, in floats 4e-16 V more
TEXT = """
[gadget]
name = "Meter"
[cell]
curve = "lco"
capacity = "100 mAh"
[controller]
awake = "1 uA"
asleep = "1 uA"
reference = "1.1 V"
adc_bits = 10
[loads.glow]
current = "1 uA"
[buttons.key]
debounce = "5 ms"
[gauge]
every = "1 s"
low = "3.52 V"
[behaviour.lamp]
starts = "dark"
states.dark = {}
states.lit = { glow = "on" }
rows = [{ on = "key.press", from = "dark", to = "lit", when = "gauge.measured SIGN 3.52" }]
"""


@pytest.mark.parametrize(("sign", "lit"), [(">", False), (">=", True), ("<=", True), ("<", False)])
def test_a_code_that_stands_for_a_level_is_not_above_it(sign: str, lit: bool) -> None:
    """Nor below: the words of the specification, `cell.back` "above" low, and the C say so."""
    made = gadget(TEXT.replace("SIGN", sign), "")
    prepared = Prepared(made)
    low, high = 0.0, 1.0
    while high - low > 1e-9:
        middle = (low + high) / 2
        solved = prepared.circuit.solve(LoadSet(controller="asleep"), middle)
        low, high = (low, middle) if solved.voltage_v[0] > 3.515 else (middle, high)
    converter = Converter.of(made.controller)
    assert converter.count(3.515) == CODE
    assert converter.measured_v(3.515) == pytest.approx(3.52, abs=1e-12)
    ran = simulate(made, Scenario(charge=low, lasts_ns=3000 * MS, steps=(
        Press(at_ns=100 * MS, button="key", for_ns=50 * MS),)))
    assert ran.final.regions[ran.regions.index("lamp")].state == ("lit" if lit else "dark")
    # The generated C compares whole microvolts.
    assert COMPARE[sign](converter.readings_uv(3.52)[1], 3_520_000) is lit


def test_the_specification_names_the_next_code_where_low_ends() -> None:
    """Codes below the one that it gives stand for more than `low`, which `cell.back` waits for."""
    made = gadget(TEXT.replace("SIGN", ">"), "")
    assert code_below(made, 3.52) == CODE + 1
    assert code_below(made, turning_level("gauge.measured", ">", 3.52)) == CODE
