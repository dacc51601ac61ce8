"""What `[gauge]` takes by its method: levels in volts or in shares, and what only one reads."""

from __future__ import annotations

import pytest

from simfw.errors import DescriptionError
from simfw.loading import load_gadget

HEAD = '[gadget]\nname = "Bench"\n[cell]\ncurve = "lco"\ncapacity = "100 mAh"\n[gauge]\n'
COUNTING = {
    "method": '"counting"', "capacity": '"90 mAh"', "power_up": '"0 %"',
    "thresholds": '["10 %", "50 %"]', "hysteresis": '"5 %"', "low": '"20 %"', "flat": '"5 %"',
}
VOLTAGE = {"thresholds": '["3.5 V", "3.8 V"]', "hysteresis": '"40 mV"', "flat": '"3.3 V"'}


def problems(tmp_path, keys):
    """The messages that loading a gauge with these keys ends in."""
    file = tmp_path / "gadget.toml"
    file.write_text(HEAD + "".join(f"{key} = {value}\n" for key, value in keys.items()),
                    encoding="utf-8")  # fmt: skip
    try:
        load_gadget(file)
    except DescriptionError as error:
        return [f"{one.key}: {one.text}" for one in error.problems]
    return []


def test_both_methods_are_taken(tmp_path):
    """A gauge that measures, and the same gauge that counts."""
    assert problems(tmp_path, VOLTAGE) == []
    assert problems(tmp_path, COUNTING) == []


@pytest.mark.parametrize(("change", "key", "found"), [
    ({"capacity": None}, "gauge.method", "needs capacity"),
    ({"power_up": None}, "gauge.method", "needs power_up"),
    ({"capacity": '"0 mAh"'}, "gauge.capacity", "no charge"),
    ({"thresholds": '["3.5 V"]'}, "gauge.thresholds[0]", "unit of a voltage"),
    ({"low": '"3.5 V"'}, "gauge.low", "unit of a voltage"),
    ({"hysteresis": '"40 mV"'}, "gauge.hysteresis", "unit of a voltage"),
    ({"hysteresis": '"55 %"'}, "gauge.hysteresis", "never come back"),
    ({"flat": '"30 %"'}, "gauge.flat", "flat before it is low"),
    ({"power_up": '"120 %"'}, "gauge.power_up", "at most 100 %"),
])  # fmt: skip
def test_what_a_counting_gauge_cannot_read_is_refused(tmp_path, change, key, found):
    """Each with its key and what is wrong; nothing is taken and then left aside."""
    keys = {name: value for name, value in (COUNTING | change).items() if value is not None}
    told = problems(tmp_path, keys)
    assert any(one.startswith(f"{key}: ") and found in one for one in told), told


@pytest.mark.parametrize("key", ["capacity", "power_up"])
def test_a_gauge_that_measures_takes_no_count(tmp_path, key):
    """The figures of a counter beside a voltage method would do nothing."""
    (told,) = problems(tmp_path, VOLTAGE | {key: COUNTING[key]})
    assert told.startswith(f"gauge.{key}: ")
    assert "counts nothing" in told


def test_a_voltage_gauge_takes_no_shares(tmp_path):
    """A share where a voltage belongs is named."""
    (told,) = problems(tmp_path, VOLTAGE | {"flat": '"5 %"'})
    assert told.startswith("gauge.flat: ")


def test_the_count_is_no_name_for_expressions(tmp_path):
    """What a gauge measures is not known to one that counts: its bars are."""
    region = ('[buttons.key]\n[behaviour.lamp]\nstarts = "off"\nstates.off = {}\n'
              'states.on = {}\nrows = [{ on = "key.press", from = "off", to = "on", '
              'when = "gauge.measured > 3.5" }]\n')  # fmt: skip
    keys = dict(COUNTING)
    keys["flat"] += "\n" + region
    (told,) = problems(tmp_path, keys)
    assert 'there is no "gauge.measured"' in told
