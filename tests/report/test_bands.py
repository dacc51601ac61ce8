"""What a real unit can tell apart, held against the formula of the converter written out."""

import math
import pickle
from functools import cache

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simfw import load_gadget
from simfw.engine.simulator import Prepared
from simfw.gadget.model import Gadget
from simfw.vectors.bands import Bands
from tests.report.golden import DEMOS


@cache
def bands(name):
    """The bands of a demo gadget."""
    found = Bands.of(Prepared(load_gadget(next(p for p in DEMOS if p.parent.name == name))))
    assert found is not None
    return found


def read_by(supply_v, reference_v):
    """What a firmware that believes in 1.1 V takes a supply for, with 10 bits: Microchip, "Measure
    VCC/Battery Voltage Without Using I/O Pin".
    """
    return 1024 * 1.1 / min(1023, math.floor(1024 * reference_v / supply_v))


def test_3299_mv_and_3301_mv_are_one_code():
    """1024 x 1.1 / 3.299 is 341.4, by 3.301 it is 341.2."""
    larder = bands("larder-lamp")
    assert larder.code(3.299) == larder.code(3.301) == 341
    assert not larder.is_sure(3.299)
    assert not larder.is_sure(3.301)


@given(name=st.sampled_from(["key-hook", "larder-lamp"]), reading=st.floats(1.5, 4.4),
       share=st.floats(0, 1), reference=st.floats(0, 1))  # fmt: skip
def test_every_unit_reads_a_supply_in_the_window_on_the_same_side(name, reading, share, reference):
    """Wherever its reference lies in the range: 1.0 to 1.2 V, and 1.1 V within 3 %."""
    found = bands(name)
    window = found.window_v(reading)
    if window is None:
        return
    low, high = window
    low, high = 1.3 if low is None else low, 5.0 if high is None else high
    supply = low + share * (high - low)
    ends = {"key-hook": (1.0, 1.2), "larder-lamp": (1.067, 1.133)}[name]
    unit = ends[0] + reference * (ends[1] - ends[0])
    assert found.around(read_by(supply, unit)) == found.around(reading)


@given(name=st.sampled_from(["key-hook", "larder-lamp"]), reading=st.floats(1.5, 4.4))
def test_a_reading_in_codes_is_on_the_same_side_and_has_its_code(name, reading):
    """In whole microvolts; what is a level exactly stays so."""
    found = bands(name)
    value = found.coded(reading)
    assert found.around(value) == found.around(reading)
    assert abs(value - reading) < 2 * found.step_v(reading)
    if value != reading:
        code = found.code(value)
        assert math.floor(1024 * 1.1 / code * 1e6) == round(value * 1e6)
    for level in found.levels:
        assert found.coded(level) == level
        assert not found.is_sure(level)


@given(name=st.sampled_from(["key-hook", "larder-lamp"]), reading=st.floats(1.5, 4.4))
def test_what_is_set_on_the_bench_instead_is_sure(name, reading):
    """It is a code's, and further from the level that the reading is next to."""
    found = bands(name)
    safe = found.safe(reading)
    assert safe is not None
    assert found.is_sure(safe)
    assert found.coded(safe) == safe
    next_to = min(found.levels, key=lambda level: abs(level - reading))
    assert (safe > next_to) == (reading >= next_to)


@pytest.mark.parametrize(("reading", "sure"), [
    (2.95, True), (2.985, True), (2.995, False), (3.0, False), (3.005, False), (3.02, True)])
def test_without_a_converter_10_mv_are_kept(reading, sure):
    """Nothing is known of its steps; a level is one number then."""
    gadget = Gadget.model_validate({
        "gadget": {"name": "Night light"}, "cell": {"curve": "lco", "capacity": "50 mAh"},
        "lights": {"lamp": {"forward": ["2.0 V @ 5 mA", "2.1 V @ 20 mA"], "resistor": "47R"}},
        "gauge": {"method": "voltage", "thresholds": ["3.0 V"]},
        "behaviour": {"lamp": {"starts": "lit", "states": {"lit": {"lamp": "on"}}}},
    })  # fmt: skip
    found = Bands.of(Prepared(gadget))
    assert found is not None
    assert found.code(reading) is None
    assert found.coded(reading) == reading
    assert found.is_sure(reading) == sure


@pytest.mark.parametrize("name", ["key-hook", "larder-lamp"])
def test_bands_can_be_sent(name):
    """Vectors are made by another process, and shared."""
    assert pickle.loads(pickle.dumps(bands(name))) == bands(name)
