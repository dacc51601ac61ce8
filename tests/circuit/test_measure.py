"""The controller's idea of its own supply."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simfw.circuit import Circuit
from tests.circuit.parts import CELL, CONTROLLER, gadget


def circuit_with(text: str, reference_v: float | None = None) -> Circuit:
    """A circuit with this controller."""
    return Circuit(gadget(CELL, text), reference_v=reference_v)


def test_without_reference_it_is_exact():
    """No controller, or no reference: the measured voltage is the true one."""
    for circuit in (circuit_with(""), circuit_with("[controller]\n")):
        assert circuit.measured_v(3.456) == 3.456
        assert circuit.true_v_for(3.456) == 3.456


def test_without_bits_only_the_reference_errs():
    """A reference 3 % high makes every reading 3 % low, endlessly fine."""
    text = CONTROLLER.replace("adc_bits = 10", "")
    circuit = circuit_with(text, 1.1 * 1.03)
    assert circuit.measured_v(3.7) == pytest.approx(3.7 / 1.03)
    assert circuit.true_v_for(3.6) == pytest.approx(3.6 * 1.03)
    assert circuit.measured_v(circuit.true_v_for(3.6)) >= 3.6


@given(
    measured=st.floats(1.2, 8.0),
    bits=st.integers(4, 14),
    reference=st.floats(1.0, 1.2),
)
def test_true_v_for_is_the_lowest_that_reads_so(measured, bits, reference):
    """The answer reads at least the wanted value, and nothing below it does."""
    circuit = circuit_with(CONTROLLER.replace("= 10", f"= {bits}"), reference)
    lowest = circuit.true_v_for(measured)
    assert circuit.measured_v(lowest) >= measured
    if lowest > 0.0:
        assert circuit.measured_v(math.nextafter(lowest, 0.0)) < measured


def test_a_reading_every_supply_gives():
    """Below the reference the converter is full: whatever reads that little is any supply."""
    circuit = circuit_with(CONTROLLER)
    assert circuit.true_v_for(1.0) == 0.0
    assert circuit.true_v_for(0.0) == 0.0
    assert circuit.measured_v(0.5) == pytest.approx(1024 * 1.1 / 1023)


def test_a_count_of_nothing_is_an_endless_voltage():
    """A supply beyond the converter's range reads as endless."""
    circuit = circuit_with(CONTROLLER.replace("= 10", "= 1"))
    assert circuit.measured_v(3.0) == math.inf
