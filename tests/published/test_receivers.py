"""Published figures of 38 kHz receivers and reflective infra-red."""

from __future__ import annotations

import tomllib

import pytest

from simfw.circuit.infrared import (
    GAIN_CONTROL,
    Echo,
    burst_verdict,
    catch_probability,
    output_width_s,
)
from simfw.circuit.overview import overview
from simfw.gadget.model import Gadget


def test_output_width_of_a_600_us_burst():
    """Between t - 5/f and t + 6/f at 38 kHz: 468.4 to 757.9 us (Vishay, application overview)."""
    low, high = output_width_s(600e-6, 38e3)
    assert low == pytest.approx(468.4e-6, abs=0.1e-6)
    assert high == pytest.approx(757.9e-6, abs=0.1e-6)


# Vishay 82492 Rev. 1.1, p. 5: (burst, gap) in carrier cycles, legal for AGC2, for AGC4.
PAIRS = [
    (8, 100, False, False),
    (22, 22, True, True),
    (50, 20, True, False),
    (100, 300, False, False),
    (100, 500, True, False),
    (100, 1100, True, True),
]


@pytest.mark.parametrize(("burst", "gap", "second", "fourth"), PAIRS)
def test_burst_and_gap_rules(burst, gap, second, fourth):
    """At least 10 cycles; AGC2: 70 cycles, then 4 times; AGC4: 35 cycles, then 10 times."""
    assert burst_verdict(GAIN_CONTROL["AGC2"], burst, gap).legal is second
    assert burst_verdict(GAIN_CONTROL["AGC4"], burst, gap).legal is fourth


@pytest.mark.parametrize(("cycles", "micros"), [(10, 263.2), (35, 921.1), (70, 1842.1)])
def test_lengths_of_the_rule_in_time(cycles, micros):
    """The rule's cycles at 38 kHz as the document's figures have them."""
    assert cycles / 38e3 * 1e6 == pytest.approx(micros, abs=0.05)
    assert cycles in (
        GAIN_CONTROL["AGC2"].shortest, GAIN_CONTROL["AGC2"].short, GAIN_CONTROL["AGC4"].short,
    )  # fmt: skip


def test_short_bursts_are_limited_per_second():
    """10 cycles on, 10 off is 1900 bursts a second, more than the 1800 of HS0038BD (AGC2, p. 5)."""
    verdict = burst_verdict(GAIN_CONTROL["AGC2"], 10, 10, 38e3)
    assert verdict.why == ("1900 bursts a second are more than 1800",)
    assert burst_verdict(GAIN_CONTROL["AGC2"], 11, 11, 38e3).legal


def sensor(every: str, burst: int, kind: str) -> Gadget:
    """A gadget with one sensor."""
    return Gadget.model_validate(
        tomllib.loads(f"""
[gadget]
name = "Published"
[cell]
curve = "lco"
capacity = "500 mAh"
[proximity.wave]
every = "{every}"
agree = 1
carrier = "38 kHz"
duty = "50 %"
burst = {burst}
receiver = {{ supply = "0.37 mA", gain_control = "{kind}" }}
emitter = {{ forward = ["1.2 V @ 20 mA", "1.35 V @ 100 mA"], resistor = "47R" }}
""")
    )


def test_proximity_pattern_desensitises_a_remote_control_receiver():
    """120 ms every 500 ms (TSSP57P38, Vishay 82480 p. 5) is no pattern for an AGC2 receiver.

    120 ms are 4560 cycles; more than 480 ms of gap would be needed, 380 ms are left.
    """
    notes = overview(sensor("500 ms", 4560, "AGC2")).notes
    assert [note.text for note in notes if note.key == "proximity.wave.burst"] == [
        "the receiver's gain control makes it less sensitive: after 4560 cycles the gap has to be "
        "longer than 18240 cycles, not 14440"
    ]
    legal = overview(sensor("601 ms", 4560, "AGC2")).notes
    assert [note for note in legal if note.key == "proximity.wave.burst"] == []


def test_fourth_power_explains_the_range_of_a_less_sensitive_receiver():
    """20 times less sensitive, half the range (Vishay 82737 against 82479): 20^(1/4) = 2.11."""
    strong = Echo(
        intensity_per_a=0.36, solid_angle_sr=0.5887, reflectance=0.55, area_m2=80e-4,
        threshold_w_per_m2=0.7e-3,
    )
    ratio = strong.range_m(0.1) / strong.in_light(20 * 0.7e-3).range_m(0.1)
    assert ratio == pytest.approx(2.0, rel=0.10)
    assert ratio == pytest.approx(20**0.25, rel=1e-6)


@pytest.mark.parametrize(("poll_s", "chance"), [(0.5, 0.2), (0.05, 1.0)])
def test_a_short_wave_against_a_slow_poll(poll_s, chance):
    """A 100 ms wave against a 500 ms poll is caught one time in five, against 50 ms always.

    Derived: no published figures of waves were found.
    """
    assert catch_probability(0.1, poll_s) == pytest.approx(chance)
