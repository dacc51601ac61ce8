"""Time that passes, against integrals that neither simulator takes part in."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from scipy.integrate import quad

from tests.reference_sim.compare import reference, run
from tests.reference_sim.generator import Case

CURVE = [("0", "2.8144"), ("0.1845", "3.53"), ("0.7202", "3.8717"), ("1", "4.0468")]
FALLING: dict[str, Any] = {
    "gadget": {"name": "Falling"},
    "cell": {
        "curve": "curve.csv",
        "capacity": "36.4 uAh",
        "resistance_at_charge": ["2809 mΩ @ 1 %", "113 mΩ @ 68 %"],
    },
    "charger": {
        "current": "146 mA",
        "float": "3.860 V",
        "finish": "7 %",
        "status": "low while charging, high when complete",
    },
    "buttons": {"power": {}},
}
SCENARIO: dict[str, Any] = {
    "title": "falling",
    "gadget": "gadget.toml",
    "charge": "29 %",
    "lasts": "600 ms",
    "steps": [
        {"at": "110 ms", "usb": True},
        {"at": "461 ms", "press": "power", "for": "80824031 ns"},
    ],
}


def test_a_charge_through_a_falling_resistance_ends_when_its_integral_says() -> None:
    """Q times the integral of ds / I(s): I is 146 mA, then (float - OCV) / R, to 7 % of 146 mA."""
    points = [(float(s), float(v)) for s, v in CURVE]

    def current_a(s: float) -> float:
        ocv = float(np.interp(s, [p[0] for p in points], [p[1] for p in points]))
        ohm = float(np.interp(s, [0.01, 0.68], [2.809, 0.113]))
        return min(0.146, (3.86 - ocv) / ohm)

    # On straight lines: where the terminal reaches the float voltage, and where 10.22 mA are left.
    slope, per_s = 0.3417 / 0.5357, 2.696 / 0.67
    held = (3.86 - 3.53 + slope * 0.1845 - 0.146 * (2.809 + per_s * 0.01)) / (slope - 0.146 * per_s)
    end = 0.1845 + (3.86 - 0.113 * 0.01022 - 3.53) / slope
    bends = [0.29, held, 0.68, end]
    parts = [quad(lambda s: 1.0 / current_a(s), low, high, epsabs=0.0, epsrel=1e-12)[0]
             for low, high in pairwise(bends)]
    ends_ns = 110e6 + 36.4e-6 * 3600.0 * sum(parts) * 1e9
    case = Case(FALLING, SCENARIO, CURVE)
    [(at, _)] = [event for event in reference(case).events if event[1] == "charge.completed"]
    assert at == pytest.approx(ends_ns, abs=600)
    assert run(case).differences == []
