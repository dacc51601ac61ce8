"""Echo, range, bursts and the chance to see a wave."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simfw.circuit import Circuit, LoadSet
from simfw.circuit.infrared import (
    GAIN_CONTROL,
    Echo,
    burst_rule,
    burst_verdict,
    catch_probability,
    certain_wave_s,
    echo_of,
    output_width_s,
    range_sensitivity,
)
from tests.circuit.parts import CELL, SENSOR, gadget

ECHO = Echo(
    intensity_per_a=0.36, solid_angle_sr=0.5887, reflectance=0.55, area_m2=80e-4,
    threshold_w_per_m2=0.7e-3,
)


def test_echo_is_continuous_where_the_hand_stops_filling_the_beam():
    """Both laws meet at the distance at which the beam is as wide as the hand."""
    edge = math.sqrt(ECHO.area_m2 / ECHO.solid_angle_sr)
    near, far = ECHO.irradiance(0.05, edge * (1 - 1e-9)), ECHO.irradiance(0.05, edge * (1 + 1e-9))
    assert near == pytest.approx(far, rel=1e-7)
    assert ECHO.irradiance(0.05, edge / 2) == pytest.approx(4 * near, rel=1e-7)
    assert ECHO.irradiance(0.05, edge * 2) == pytest.approx(near / 16, rel=1e-7)


@given(amps=st.floats(1e-6, 2.0), threshold=st.floats(1e-6, 10.0))
def test_range_is_where_the_echo_meets_the_threshold(amps, threshold):
    """At the range the echo is the threshold, on either side of the edge."""
    echo = Echo(
        intensity_per_a=0.36, solid_angle_sr=0.5887, reflectance=0.55, area_m2=80e-4,
        threshold_w_per_m2=threshold,
    )
    assert echo.irradiance(amps, echo.range_m(amps)) == pytest.approx(threshold, rel=1e-9)


def test_no_current_no_range():
    """Without emitter current nothing is seen."""
    assert ECHO.range_m(0.0) == 0.0


@pytest.mark.parametrize(("amps", "power"), [(0.05, 0.25), (1e-5, 0.5)])
def test_sensitivity_is_the_slope_of_range_over_current(amps, power):
    """A quarter power far away, half a power near, as a small step in current shows."""
    assert range_sensitivity(ECHO, amps) == power
    ratio = math.log(ECHO.range_m(amps * 1.001) / ECHO.range_m(amps)) / math.log(1.001)
    assert ratio == pytest.approx(power, rel=1e-6)


def test_sensor_answers_within_its_range():
    """A hand is answered up to the range, less far on a weaker cell."""
    circuit = Circuit(gadget(CELL, SENSOR))
    reach = circuit.range_m("wave", 3.7)
    assert reach is not None
    assert circuit.answers("wave", reach * 0.999, 3.7)
    assert not circuit.answers("wave", reach * 1.001, 3.7)
    assert circuit.answers("wave", 0.0, 3.7)
    assert circuit.range_m("wave", 3.0) < reach


@pytest.mark.parametrize(
    "missing",
    ['intensity = "36 mW/sr @ 100 mA"', ', threshold = "0.7 mW/m2"',
     'target = { reflectance = "55 %", area = "80 cm2" }'],
)  # fmt: skip
def test_a_sensor_that_cannot_be_reckoned_answers_any_hand(missing):
    """Without intensity, threshold or target the range is unknown and every hand is answered."""
    circuit = Circuit(gadget(CELL, SENSOR.replace(missing, "")))
    assert circuit.range_m("wave", 3.7) is None
    assert circuit.answers("wave", 5.0, 3.7)


def test_sensor_without_emitter_answers_any_hand():
    """A receiver alone cannot be reckoned either, and its absent emitter carries nothing."""
    text = SENSOR[: SENSOR.index("[proximity.wave.emitter]")]
    circuit = Circuit(gadget(CELL, text))
    assert circuit.answers("wave", 1.0, 3.7)
    assert circuit.emitter_current_a("wave", 3.7) == 0.0
    assert circuit.solve(LoadSet(drives=(("wave.emitter", 0.5, -1),)), 0.5).consumers_a[0, 0] == 0.0


def test_a_beam_of_unknown_width_is_never_filled():
    """Without a half angle the far law holds everywhere."""
    sensor = gadget(CELL, SENSOR.replace('half_angle = "25 deg"', "")).proximity["wave"]
    echo = echo_of(sensor)
    assert echo is not None
    assert echo.irradiance(0.05, 0.01) == pytest.approx(
        1e4 * echo.irradiance(0.05, 0.1), rel=1e-9
    )


def test_stored_charge_lengthens_every_carrier_cycle():
    """A storage time adds its share of the carrier's period to the emitter's duty."""
    slow = SENSOR.replace('kind = "npn"', 'kind = "npn", storage = "2 us"')
    loads = LoadSet(drives=(("wave.emitter", 0.5, -1),))
    plain = Circuit(gadget(CELL, SENSOR)).solve(loads, 0.5).consumers_a[0, 0]
    longer = Circuit(gadget(CELL, slow)).solve(loads, 0.5).consumers_a[0, 0]
    assert longer / plain == pytest.approx((0.5 + 2e-6 * 38e3) / 0.5, rel=1e-3)
    whole = LoadSet(drives=(("wave.emitter", 1.0, -1),))
    assert Circuit(gadget(CELL, slow)).solve(whole, 0.5).consumers_a[0, 0] == pytest.approx(
        Circuit(gadget(CELL, SENSOR)).solve(whole, 0.5).consumers_a[0, 0], rel=1e-12
    )


def test_burst_rules_come_from_the_file_or_the_kind():
    """Own figures go before a published kind; nothing written is no rule."""
    plain = gadget(CELL, SENSOR).proximity["wave"].receiver
    assert burst_rule(plain) is None
    assert burst_rule(None) is None
    kind = SENSOR.replace("receiver = {", 'receiver = { gain_control = "AGC4",')
    assert burst_rule(gadget(CELL, kind).proximity["wave"].receiver) == GAIN_CONTROL["AGC4"]
    own = SENSOR.replace(
        "receiver = {",
        "receiver = { bursts = { shortest = 6, short = 40, gap = 8, long_gap = 2.5 },",
    )
    rule = burst_rule(gadget(CELL, own).proximity["wave"].receiver)
    assert rule is not None
    assert (rule.shortest, rule.short, rule.gap, rule.long_gap) == (6, 40, 8, 2.5)


def test_verdict_says_why():
    """What is wrong with a burst is said in cycles."""
    verdict = burst_verdict(GAIN_CONTROL["AGC2"], 8, 5)
    assert not verdict.legal
    assert verdict.why == (
        "a burst of 8 cycles is shorter than 10", "a gap of 5 cycles is shorter than 10",
    )  # fmt: skip
    long = burst_verdict(GAIN_CONTROL["AGC2"], 100, 300)
    assert long.why == ("after 100 cycles the gap has to be longer than 400 cycles, not 300",)


def test_output_width_is_never_negative():
    """A burst shorter than five cycles may give no output at all."""
    assert output_width_s(1e-4, 38e3)[0] == 0.0


@pytest.mark.parametrize("agree", [1, 2, 3])
@pytest.mark.parametrize("wave_s", [0.04, 0.15, 0.22, 0.31, 0.5])
def test_catch_probability_is_what_random_phases_give(wave_s, agree):
    """Counting looks at random phases gives the closed form."""
    every_s, rng, caught, tries = 0.125, random.Random(1), 0, 20_000
    for _ in range(tries):
        first = rng.uniform(0.0, every_s)  # from the start of the wave to the next look
        looks = 0 if first >= wave_s else 1 + int((wave_s - first) / every_s)
        caught += looks >= agree
    exact = catch_probability(wave_s, every_s, agree)
    assert caught / tries == pytest.approx(exact, abs=0.012)
    assert catch_probability(certain_wave_s(every_s, agree), every_s, agree) == 1.0
