"""Whatever figures a file may hold, the circuit is solved or refused; nothing else happens."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from simfw import load_gadget
from simfw.circuit import Circuit, LoadSet
from simfw.circuit.overview import overview
from simfw.circuit.pins import check_pins
from simfw.errors import DescriptionError
from simfw.gadget.electrical import electrical_problems
from simfw.gadget.model import Gadget
from simfw.gadget.quantities import quantities, with_values
from simfw.gadget.wiring import wiring_problems
from simfw.quantity import Figure
from simfw.report.circuit import circuit_json, circuit_text
from simfw.report.pins import pins_text

LARDER = load_gadget(Path(__file__).parents[2] / "scenarios" / "larder-lamp" / "gadget.toml")
ELECTRICAL = ("cell.", "charger.", "controller.", "lights.", "pins.", "proximity.", "gauge.")
KEYS = [
    key for key, quantity in quantities(LARDER).items()
    if key.startswith(ELECTRICAL) and isinstance(quantity, Figure)
]  # fmt: skip
# The fields themselves refuse a share above 100 %, a month that leaves nothing, half angles beyond
# 90 degrees, and zero for what divides.
SHARES = ("rate", "finish", "reflectance", "duty", "input_low", "input_high", "self_discharge")
NEVER_ZERO = (
    "voltage_v", "current_a", "intensity_w_sr", "carrier", "half_angle", "threshold", "area",
)  # fmt: skip
FACTORS = st.sampled_from([0.0, 1e-9, 1e-3, 0.1, 0.5, 0.97, 1.03, 2.0, 10.0, 1e3, 1e9])
LOADS = (
    LoadSet(),
    LoadSet(controller="off", protected=True, charger="precharge"),
    LoadSet(
        drives=(("bars", 1.0, 3), ("marker", 1.0, -1), ("shelf", 0.45, -1),
                ("wave.emitter", 0.5, -1), ("wave.receiver", 1.0, -1)),
        controller="awake", charger="fast",
    ),
)  # fmt: skip
CHARGES = np.linspace(0.0, 1.0, 30)


def varied(factors: dict[str, float]) -> Gadget | None:
    """The larder lamp with these figures, None where a loader would refuse them."""
    found = quantities(LARDER)
    values = {key: found[key].value * by for key, by in factors.items()}
    for key, value in values.items():
        if key.endswith(SHARES) and value >= 1.0:
            values[key] = 0.999
        if key.endswith("half_angle"):
            values[key] = min(value, 1.5)
        if key.endswith(NEVER_ZERO) and value == 0.0:
            values[key] = 1e-9
    gadget = with_values(LARDER, values)
    refused = electrical_problems(gadget) or wiring_problems(gadget)
    return None if refused else gadget


@given(st.dictionaries(st.sampled_from(KEYS), FACTORS, min_size=1, max_size=4))
@settings(max_examples=80, deadline=None)
def test_any_accepted_figures_make_a_circuit(factors):
    """Extreme but accepted figures give finite, balanced currents, or a described refusal."""
    gadget = varied(factors)
    if gadget is None:
        return
    try:
        circuit = Circuit(gadget)
    except DescriptionError:
        return
    for loads in LOADS:
        solution = circuit.solve(loads, CHARGES)
        for values in (solution.consumers_a, solution.charger_a, solution.voltage_v):
            assert np.all(np.isfinite(values))
        assert np.all(solution.consumers_a >= 0.0)
        assert np.all(solution.charger_a >= 0.0)
        assert np.all(solution.voltage_v >= -1e-9)


@given(st.dictionaries(st.sampled_from(KEYS), FACTORS, min_size=1, max_size=3))
@settings(max_examples=12, deadline=None)
def test_any_accepted_figures_make_a_report(factors):
    """Extreme but accepted figures have an overview and a table of pins, in valid JSON."""
    gadget = varied(factors)
    if gadget is None:
        return
    try:
        facts = overview(gadget)
    except DescriptionError:
        return
    json.dumps(circuit_json(gadget, facts), allow_nan=False)
    assert circuit_text(gadget, facts)
    assert pins_text(gadget, check_pins(gadget))
