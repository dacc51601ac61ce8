"""Text to SI numbers and back."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pint
import pytest
import quantiphy
import rkm_codes
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from simfw import quantity as q
from simfw.errors import QuantityError
from simfw.units import DIMENSIONS, unit_key

PLAIN = [d for d in DIMENSIONS if d not in (q.TIME, q.PER_MONTH, q.TEMPERATURE)]
ns = st.integers(0, 2**62)


def refusal(text: object, dimension: q.Dimension, **options: Any) -> str:
    """The whole message that refuses `text`."""
    with pytest.raises(QuantityError) as caught:
        q.read_figure(text, dimension, **options)
    return str(caught.value)


@pytest.mark.parametrize(
    ("text", "dimension", "value"),
    [
        ("650 mAh", q.CHARGE, 2340.0),
        ("0.5 uC", q.CHARGE, 0.5e-6),
        ("4.5 uA", q.CURRENT, 4.5e-6),
        ("4.5 µA", q.CURRENT, 4.5e-6),
        ("4.5 μA", q.CURRENT, 4.5e-6),
        ("1e-14 A", q.CURRENT, 1e-14),
        ("3.3 kΩ", q.RESISTANCE, 3300.0),
        ("3.3 k\N{OHM SIGN}", q.RESISTANCE, 3300.0),
        ("3.3 kohm", q.RESISTANCE, 3300.0),
        ("60 mohm", q.RESISTANCE, 0.06),
        ("1000 V", q.VOLTAGE, 1000.0),
        ("2.75V", q.VOLTAGE, 2.75),
        ("38 kHz", q.FREQUENCY, 38e3),
        ("10 %", q.RATIO, 0.1),
        ("100%", q.RATIO, 1.0),
        ("2 %/month", q.PER_MONTH, 0.02),
        ("2 % / month", q.PER_MONTH, 0.02),
        ("0 %/year", q.PER_MONTH, 0.0),
        ("180 deg", q.ANGLE, 3.141592653589793),
        ("25°", q.ANGLE, 0.4363323129985824),
        ("-10 degC", q.TEMPERATURE, -10.0),
        ("25 ℃", q.TEMPERATURE, 25.0),
        ("25 °C", q.TEMPERATURE, 25.0),
        ("0.7 mW/m2", q.IRRADIANCE, 0.7e-3),
        ("0.7 mW/m²", q.IRRADIANCE, 0.7e-3),
        ("0.7 mW/m^2", q.IRRADIANCE, 0.7e-3),
        ("36 mW/sr", q.INTENSITY, 0.036),
        ("80 cm2", q.AREA, 0.008),
        ("12 cm", q.LENGTH, 0.12),
        ("4.7 uF", q.CAPACITANCE, 4.7e-6),
        ("60 K/W", q.THERMAL_RESISTANCE, 60.0),
        ("250 mW", q.POWER, 0.25),
    ],
)
def test_a_number_with_a_unit_is_read_in_si(
    text: str, dimension: q.Dimension, value: float
) -> None:
    """Each unit of the closed list has its size, in every spelling of its signs."""
    assert q.read_figure(text, dimension).value == value


# IEC 60062 codes as listed at en.wikipedia.org/wiki/IEC/EN_60062 (seen 2026-11) and
# probsee.com/p/RKM_code (R10, R300, 1K0, 2M2 and the letter L).
CODES = {
    "R47": 0.47, "4R7": 4.7, "470R": 470.0, "4K7": 4700.0, "47K": 47e3, "47K3": 47.3e3,
    "470K": 470e3, "4M7": 4.7e6, "R10": 0.1, "R300": 0.3, "1K0": 1000.0, "2M2": 2.2e6,
    "3k3": 3300.0, "22R": 22.0, "1k8": 1800.0, "35k": 35e3, "10L": 0.01, "0R": 0.0,
}  # fmt: skip


@pytest.mark.parametrize(("code", "ohms"), CODES.items())
def test_resistor_codes_of_iec_60062_are_read(code: str, ohms: float) -> None:
    """The published examples of the letter code have their published values."""
    assert q.read_figure(code, q.RESISTANCE).value == ohms


@given(st.from_regex(r"[1-9][0-9]{0,2}[RKM][0-9]{0,2}", fullmatch=True))
def test_resistor_codes_agree_with_a_reference_reader(code: str) -> None:
    """Codes with a digit before the letter are read as the library rkm-codes reads them."""
    reference = rkm_codes.from_rkm(code).real
    assert q.read_figure(code, q.RESISTANCE).value == pytest.approx(reference, rel=1e-12)


# How people write what can mean one thing only: in words, and with the letter of a resistor behind
# a decimal point or a blank (trade use: common practice, no source; the letters are those of
# IEC 60062:2016, of resistors and of capacitors).
SAME = [
    ("{}R", "{} Ω", q.RESISTANCE), ("{} R", "{} Ω", q.RESISTANCE), ("{}k", "{} kΩ", q.RESISTANCE),
    ("{} k", "{} kΩ", q.RESISTANCE), ("{}K", "{} kΩ", q.RESISTANCE),
    ("{}M", "{} MΩ", q.RESISTANCE),
    ("{}G", "{} GΩ", q.RESISTANCE), ("{} OHM", "{} Ω", q.RESISTANCE),
    ("{}Ohms", "{} Ω", q.RESISTANCE),
    ("{} kOHM", "{} kΩ", q.RESISTANCE), ("{} KOHM", "{} kΩ", q.RESISTANCE),
    ("{} mOhm", "{} mΩ", q.RESISTANCE), ("{} Mohm", "{} MΩ", q.RESISTANCE),
    ("{} Kilohms", "{} kΩ", q.RESISTANCE), ("{} meg", "{} MΩ", q.RESISTANCE),
    ("{}n", "{} nF", q.CAPACITANCE), ("{} u", "{} µF", q.CAPACITANCE),
    ("{}p", "{} pF", q.CAPACITANCE),
    ("{} microfarads", "{} µF", q.CAPACITANCE),
    ("{} volts", "{} V", q.VOLTAGE), ("{}Volt", "{} V", q.VOLTAGE),
    ("{} MILLIVOLTS", "{} mV", q.VOLTAGE),
    ("{} amps", "{} A", q.CURRENT), ("{} mAmps", "{} mA", q.CURRENT),
    ("{} Milliamperes", "{} mA", q.CURRENT), ("{} micro-amps", "{} µA", q.CURRENT),
    ("{} amp hours", "{} Ah", q.CHARGE), ("{} milliamp-hours", "{} mAh", q.CHARGE),
    ("{} HERTZ", "{} Hz", q.FREQUENCY), ("{} kilohertz", "{} kHz", q.FREQUENCY),
    ("{} percent", "{} %", q.RATIO), ("{} per cent", "{} %", q.RATIO),
    ("{} degrees", "{} deg", q.ANGLE), ("{} celsius", "{} degC", q.TEMPERATURE),
    ("{} Degrees Celsius", "{} degC", q.TEMPERATURE), ("{} metres", "{} m", q.LENGTH),
    ("{} Centimeters", "{} cm", q.LENGTH), ("{} milliwatts", "{} mW", q.POWER),
    ("{} secs", "{} s", q.TIME), ("{} SECONDS", "{} s", q.TIME), ("{} msec", "{} ms", q.TIME),
    ("{} usecs", "{} µs", q.TIME), ("{} Milliseconds", "{} ms", q.TIME),
    ("{} mins", "{} min", q.TIME),
    ("{} MIN", "{} min", q.TIME), ("{} Minutes", "{} min", q.TIME), ("{} hrs", "{} h", q.TIME),
    ("{} Hours", "{} h", q.TIME), ("{} DAYS", "{} days", q.TIME), ("{} Weeks", "{} weeks", q.TIME),
]  # fmt: skip


@given(number=st.decimals(0, 10**5, places=3), pair=st.sampled_from(SAME))
@settings(max_examples=400)
def test_every_other_spelling_equals_the_plain_one(
    number: Decimal, pair: tuple[str, str, q.Dimension]
) -> None:
    """What can mean one thing only is read, as the plain spelling is."""
    other, plain, dimension = pair
    written = f"{number.normalize():f}"
    assert q.read_number(other.format(written), dimension) == q.read_number(
        plain.format(written), dimension)


@pytest.mark.parametrize(
    ("text", "dimension", "plain"),
    [
        ("1.8R", q.RESISTANCE, "1.8 Ω"), ("2.7k", q.RESISTANCE, "2.7 kΩ"),
        ("10 k", q.RESISTANCE, "10 kΩ"), ("2.7 k ± 5 %", q.RESISTANCE, "2.7 kΩ"),
        ("6u8", q.CAPACITANCE, "6.8 uF"), ("4n7", q.CAPACITANCE, "4.7 nF"),
        ("10 OHM", q.RESISTANCE, "10 Ω"), ("3 secs", q.TIME, "3 s"),
        ("2 Hours 15 mins", q.TIME, "2 h 15 min"),
    ],
)  # fmt: skip
def test_what_is_on_a_part_or_in_a_note_is_read(
    text: str, dimension: q.Dimension, plain: str
) -> None:
    """Letters behind a decimal point or a blank, capitals, whole words."""
    assert q.read_figure(text, dimension).value == q.read_figure(plain, dimension).value


@pytest.mark.parametrize(
    ("text", "dimension", "value", "low", "high"),
    [
        ("22R ± 5 %", q.RESISTANCE, 22.0, 20.9, 23.1),
        ("22R +- 5 %", q.RESISTANCE, 22.0, 20.9, 23.1),
        ("22R+/-5%", q.RESISTANCE, 22.0, 20.9, 23.1),
        ("61 mA ± 2 mA", q.CURRENT, 0.061, 0.059, 0.063),
        ("4.5 uA (2 uA .. 9 uA)", q.CURRENT, 4.5e-6, 2e-6, 9e-6),
        ("55 % ± 5 %", q.RATIO, 0.55, 0.5, 0.6),
        ("25 degC ± 3 degC", q.TEMPERATURE, 25.0, 22.0, 28.0),
        ("-5 degC ± 3 degC", q.TEMPERATURE, -5.0, -8.0, -2.0),
    ],
)
def test_a_tolerance_becomes_a_range(
    text: str, dimension: q.Dimension, value: float, low: float, high: float
) -> None:
    """A percentage is of the value, except that of a share it is points of the share."""
    figure = q.read_figure(text, dimension)
    assert (figure.value, figure.low, figure.high) == (value, low, high)
    assert figure.text == text


def test_a_table_carries_range_standing_and_source() -> None:
    """The long form of a quantity says how sure it is and where it comes from."""
    written = {
        "value": "4.5 uA",
        "range": "2 uA .. 9 uA",
        "standing": "guess",
        "source": "bench, cold",
    }
    assert q.read_figure(written, q.CURRENT) == q.Figure(
        value=4.5e-6, low=2e-6, high=9e-6, standing="guess", source="bench, cold", text="4.5 uA",
        span="2 uA .. 9 uA",
    )  # fmt: skip
    timing = q.read_timing({"value": "20 ms ± 5 ms", "standing": "measured"})
    assert timing == q.Timing(
        ns=20_000_000,
        low_ns=15_000_000,
        high_ns=25_000_000,
        standing="measured",
        text="20 ms ± 5 ms",
    )


def test_what_is_read_already_is_given_back() -> None:
    """A `Figure` or a `Timing` needs no second reading."""
    figure, timing = q.read_figure("3 V", q.VOLTAGE), q.read_timing("3 s")
    assert q.read_figure(figure, q.VOLTAGE) is figure
    assert q.read_timing(timing) is timing


@pytest.mark.parametrize(
    ("text", "nanoseconds"),
    [
        ("1 ns", 1),
        ("0.000001 ms", 1),
        ("3 µs", 3_000),
        ("2.01 s", 2_010_000_000),
        ("0 s", 0),
        ("1 h 5 min", 3_900 * 10**9),
        ("1h5min", 3_900 * 10**9),
        ("25 min 1.5 s", 1_501_500_000_000),
        ("1 day 2 h 3 min 4 s 5 ms 6 us 7 ns", 93_784_005_006_007),
        ("2 days", 172_800 * 10**9),
        ("1 week", 604_800 * 10**9),
        ("1 year", 31_557_600 * 10**9),
        ("1e3 s", 10**12),
    ],
)
def test_times_become_whole_nanoseconds(text: str, nanoseconds: int) -> None:
    """Decimal text never passes through float on its way to nanoseconds."""
    assert q.read_ns(text) == nanoseconds


def test_the_ends_of_a_time_range_are_rounded_outwards() -> None:
    """A range never gets narrower by rounding to nanoseconds."""
    timing = q.read_timing("3 ns ± 50 %")
    assert (timing.ns, timing.low_ns, timing.high_ns) == (3, 1, 5)


V = "Allowed: a voltage such as \"3.7 V\" (units: nV, µV, mV, V, kV)."
A = "Allowed: a current such as \"20 mA\" (units: fA, pA, nA, µA, mA, A)."
R = "Allowed: a resistance such as \"3.3 kΩ\" (units: µΩ, mΩ, Ω, kΩ, MΩ, GΩ)."
T = (
    "Allowed: a time such as \"120 ms\" (units: ns, µs, ms, s, min, h, day, days, week, weeks, "
    "year, years)."
)
Q = "Allowed: a charge such as \"650 mAh\" (units: nAh, µAh, mAh, Ah, pC, nC, µC, mC, C)."
C = "Allowed: a temperature such as \"25 degC\" (units: degC, °C)."
P = "Allowed: a share such as \"10 %\" (units: %)."


@pytest.mark.parametrize(
    ("text", "dimension", "message"),
    [
        ("5 m", q.TIME, f'"m" is metres, not a time. {T} Did you mean "5 min" or "5 ms"?'),
        ("85 ua", q.CURRENT, f'unknown unit "ua". {A} Did you mean "85 uA"?'),
        ("650 ma", q.CURRENT, f'unknown unit "ma". {A} Did you mean "650 mA"?'),
        ("80 nAs", q.CHARGE, f'unknown unit "nAs". {Q} Did you mean "80 nC"?'),
        ("12 parsnips", q.CURRENT, f'unknown unit "parsnips". {A}'),
        ("20 mA", q.VOLTAGE, f'"mA" is the unit of a current. {V}'),
        ("3", q.VOLTAGE, f'"3" has no unit. {V} Did you mean "3 V"?'),
        (3, q.VOLTAGE, f'a number without a unit is not a quantity. {V} Did you mean "3 V"?'),
        ("3 wks", q.TIME, f'unknown unit "wks". {T} Did you mean "3 weeks"?'),
        ("5 H", q.TIME, f'unknown unit "H". {T} Did you mean "5 h"?'),
        ("1:30", q.TIME,
         f'"1:30" does not say its units. {T} Did you mean "1 min 30 s" or "1 h 30 min"?'),
        ("3 V ± 5", q.VOLTAGE, f'the tolerance "5" has no unit. {V} Did you mean "± 5 %"?'),
        (0.45, q.RATIO,
         f'a number without a unit is not a quantity. {P} Did you mean "45 %"?'),
        (45, q.RATIO, f'a number without a unit is not a quantity. {P} Did you mean "45 %"?'),
        ("2 %", q.PER_MONTH,
         '"%" is the unit of a share. Allowed: a self-discharge rate such as "2 %/month" '
         '(units: %/month, %/year). Did you mean "2 %/month" or "2 %/year"?'),
        (3.5, q.TIME,
         f'a number without a unit is not a quantity. {T} Did you mean "3.5 ms" or "3.5 s"?'),
        (True, q.VOLTAGE, f"true or false is not a quantity. {V}"),
        ([], q.VOLTAGE, f"a list is not a quantity. {V}"),
        (None, q.VOLTAGE, f"nothing is not a quantity. {V}"),
        ("", q.VOLTAGE, f"nothing is written here. {V}"),
        ("nan V", q.VOLTAGE, f'"nan" is not a number that a gadget can have. {V}'),
        ("-inf V", q.VOLTAGE, f'"inf" is not a number that a gadget can have. {V}'),
        ("-3 V", q.VOLTAGE, f'"-3 V" is negative. {V}'),
        ("three V", q.VOLTAGE, f'"three V" does not start with a number. {V}'),
        ("3,3 V", q.VOLTAGE, f'the decimal sign is a point. {V} Did you mean "3.3 V"?'),
        (".5 V", q.VOLTAGE, f'a number starts with a digit. {V} Did you mean "0.5 V"?'),
        ("1 2 V", q.VOLTAGE, f'"1 2 V" is not one number with one unit. {V}'),
        ("3.3.3 V", q.VOLTAGE, f'"3.3.3 V" is not one number with one unit. {V}'),
        ("1e999 V", q.VOLTAGE, '"1e999 V" is larger than anything that can be built. Allowed: a '
         'voltage such as "3.7 V" (units: nV, µV, mV, V, kV).'),
        ("1e9999 V", q.VOLTAGE, f'"1e9999 V" is not one number with one unit. {V}'),
        ("3.7 V @ 5 mA", q.VOLTAGE, f'unknown unit "V @ 5 mA". {V}'),
        ("k24", q.RESISTANCE,
         f'the resistor code "k24" has no digit before its letter. {R} '
         'Did you mean "240R"?'),
        ("2m2", q.RESISTANCE,
         f'"2m2" is not a resistor code: the letters are L, R, k, M and G. {R} '
         'Did you mean "2.2 mΩ"?'),
        ("22r", q.RESISTANCE,
         f'"22r" is not a resistor code: the letters are L, R, k, M and G. {R} '
         'Did you mean "22R"?'),
        ("4k7J", q.RESISTANCE,
         f'the tolerance letter "J" is not read. {R} Did you mean "4k7 ± 5 %"?'),
        ("470", q.RESISTANCE, f'"470" has no unit. {R} Did you mean "470 Ω"?'),
        ("R", q.RESISTANCE, f'"R" does not start with a number. {R}'),
        ("-300 degC", q.TEMPERATURE, f'"-300 degC" is below absolute zero. {C}'),
        ("25 degC ± 5 %", q.TEMPERATURE, f"a temperature has no tolerance in percent. {C}"),
        ("3 V ±", q.VOLTAGE, f"no tolerance follows the sign. {V}"),
        ("3 V ± 1 V ± 2 V", q.VOLTAGE, f"more than one tolerance is written. {V}"),
        ("3 V ± 200 %", q.VOLTAGE, f'the tolerance "200 %" reaches below zero. {V}'),
        ("3 V (4 V .. 5 V)", q.VOLTAGE,
         "the value lies outside its own range. Allowed: a range that holds the value."),
        ("3 V (5 V .. 2 V)", q.VOLTAGE,
         'the range "5 V .. 2 V" ends below its start. Allowed: the smaller end first.'),
        ("3 V (2 V)", q.VOLTAGE,
         '"2 V" is not a range. Allowed: two of a voltage with ".." between them, '
         "each with its unit."),
        ("3 V (2 .. 4 V)", q.VOLTAGE, f'"2" has no unit. {V} Did you mean "2 V"?'),
        ({"range": "2 V .. 3 V"}, q.VOLTAGE, f'the key "value" is missing. {V}'),
        ({"value": "3 A"}, q.VOLTAGE, f'"A" is the unit of a current. {V}'),
        ({"value": "3 V", "rang": "2 V .. 4 V"}, q.VOLTAGE,
         "unknown key. Allowed: value, range, standing, source. Did you mean \"range\"?"),
        ({"value": "3 V", "range": "4 V .. 5 V"}, q.VOLTAGE,
         "the value lies outside its own range. Allowed: a range that holds the value."),
        ({"value": "3 V", "range": "4 V"}, q.VOLTAGE,
         '"4 V" is not a range. Allowed: two of a voltage with ".." between them, '
         "each with its unit."),
        ({"value": "3 V ± 1 %", "range": "2 V .. 4 V"}, q.VOLTAGE,
         "a second range: the value has one already. Allowed: one range."),
        ({"value": "3 V", "standing": "mesured"}, q.VOLTAGE,
         'unknown standing. Allowed: "measured", "published", "guess". '
         'Did you mean "measured"?'),
        ({"value": "3 V", "source": 3}, q.VOLTAGE,
         "a number is not text. Allowed: text."),
        ("5 min 3 h", q.TIME, f'"h" may not follow a smaller or equal unit. {T}'),
        ("1.5 h 3 min", q.TIME,
         f'"1.5 h" must be a whole number before smaller units. {T}'),
        ("1 h 3 m", q.TIME, f'"m" is metres, not a time. {T} Did you mean "1 h 3 min"?'),
        ("1\N{ARABIC-INDIC DIGIT ZERO} V", q.VOLTAGE,
         f'"1\N{ARABIC-INDIC DIGIT ZERO} V" is not one number with one unit. {V}'),
        ("1 h -3 min", q.TIME, f"a sign may not stand inside a time. {T}"),
        ("9V0", q.VOLTAGE, f'"9V0" is a letter code, and only those of resistors are read. {V} '
         'Did you mean "9.0 V"?'),
        ("6u8", q.CURRENT, f'"6u8" is a letter code, and only those of resistors are read. {A} '
         'Did you mean "6.8 uA"?'),
        ("2h15", q.TIME, f'the "15" of "2h15" has no unit. {T} Did you mean "2 h 15 min"?'),
        ("1m30", q.TIME, f'the "30" of "1m30" has no unit. {T} Did you mean "1 min 30 s"?'),
        ("1:02:03", q.TIME,
         f'"1:02:03" does not say its units. {T} Did you mean "1 h 2 min 3 s"?'),
        ("½ V", q.VOLTAGE, f'a fraction is written as a decimal number. {V} '
         'Did you mean "0.5 V"?'),
        ("1 1/2 h", q.TIME, f'a fraction is written as a decimal number. {T} '
         'Did you mean "1.5 h"?'),
        ("1/3 V", q.VOLTAGE, f"a fraction is written as a decimal number. {V}"),
        ("1/0 V", q.VOLTAGE, f'unknown unit "/0 V". {V}'),
        ("1/4", q.RATIO, f'a fraction is written as a decimal number. {P} Did you mean "25 %"?'),
        ("1,000 mA", q.CURRENT, 'the comma in "1,000 mA" can be read in two ways: digits stand '
         f'together, and the decimal sign is a point. {A} Did you mean "1000 mA" or "1.000 mA"?'),
        ("1,234,567 uA", q.CURRENT, f"the digits of a number stand together. {A} "
         'Did you mean "1234567 uA"?'),
        ("1 000 uA", q.CURRENT, f"the digits of a number stand together. {A} "
         'Did you mean "1000 uA"?'),
        ("1.000,5 uA", q.CURRENT, f"the digits of a number stand together. {A} "
         'Did you mean "1000.5 uA"?'),
        ("0,500 V", q.VOLTAGE, f'the decimal sign is a point. {V} Did you mean "0.500 V"?'),
        ("2,5 h", q.TIME, f'the decimal sign is a point. {T} Did you mean "2.5 h"?'),
        ("0,45", q.RATIO, f'the decimal sign is a point. {P} Did you mean "45 %"?'),
        ("-.5", q.TEMPERATURE,
         f'a number starts with a digit. {C} Did you mean "-0.5 degC"?'),
        ("0.5C", q.CURRENT, '"0.5C" is a C rate: the current depends on the capacity, and is '
         f"written out (0.5 C of 650 mAh is 325 mA). {A}"),
        ("C/10", q.CURRENT, '"C/10" is a C rate: the current depends on the capacity, and is '
         f"written out (0.5 C of 650 mAh is 325 mA). {A}"),
        ("80m", q.RESISTANCE, f'"m" is a prefix without a unit. {R} Did you mean "80 mΩ"?'),
        ("80m", q.CURRENT, f'"m" is a prefix without a unit. {A} Did you mean "80 mA"?'),
        ("20 MA", q.CURRENT,
         f'the M of "MA" is mega; the m of milli is a small letter. {A}'),
        ("60 MOHM", q.RESISTANCE,
         f'the M of "MOHM" is mega; the m of milli is a small letter. {R}'),
        ("V 3.3", q.VOLTAGE, f'the number comes before its unit. {V} Did you mean "3.3 V"?'),
        ("25 C", q.TEMPERATURE, f'"C" is the unit of a charge. {C} Did you mean "25 degC"?'),
    ],
)  # fmt: skip
def test_slips_of_the_pen_are_refused(
    text: object, dimension: q.Dimension, message: str
) -> None:
    """Each message says what is wrong, what is allowed, and what was meant where it can tell."""
    assert refusal(text, dimension) == message


BARE = {
    q.VOLTAGE: "V", q.CURRENT: "A", q.RESISTANCE: "Ω", q.CHARGE: "Ah", q.TIME: "s",
    q.FREQUENCY: "Hz", q.CAPACITANCE: "F", q.POWER: "W", q.LENGTH: "m", q.IRRADIANCE: "W/m2",
}  # fmt: skip
LETTERS = {"f": -15, "p": -12, "n": -9, "u": -6, "µ": -6, "U": -6, "m": -3, "c": -2, "": 0, "k": 3,
           "K": 3, "M": 6, "G": 9}


@given(
    whole=st.integers(1, 999), rest=st.none() | st.integers(0, 99),
    letter=st.sampled_from(sorted(LETTERS)), dimension=st.sampled_from(list(BARE)),
    form=st.sampled_from(["{n}{p}{u}", "{n} {p}{u}", "{n}{p}", "{n} {p}", "{w}{p}{r}", "{w}{u}{r}",
                          "{n}{p}{v}", "{n} {p}{v}", "{c}{p}{u}", "{n} {p}{u}x", "{n} {p}{y}"]),
    data=st.data(),
)
@settings(max_examples=1500, deadline=None)
def test_no_suggestion_is_of_another_size(
    whole: int, rest: int | None, letter: str, dimension: q.Dimension, form: str,
    data: st.DataObject,
) -> None:
    """A suggestion has the digits that were written, and no more than ten times their size.

    The number, with the prefix that was written, is what was meant in SI units. Minutes are the one
    other reading of "m" in a time; a code with the unit in it has no prefix.
    """
    assume(letter or form not in ("{n}{p}", "{n} {p}", "{w}{p}{r}"))  # nothing tells the size
    unit = BARE[dimension]
    assume(form != "{w}{p}{r}" or letter != unit)  # the metres of "1m50": no prefix
    number = f"{whole}" if rest is None else f"{whole}.{rest:02}"
    words = {"Ω": "ohm", "A": "amp", "V": "volt", "s": "sec"}
    text = form.format(
        n=number, w=whole, r="" if rest is None else f"{rest:02}", p=letter, u=unit,
        v=data.draw(st.sampled_from([unit.upper(), unit.lower(), words.get(unit, unit).upper()])),
        c=number.replace(".", ","),
        y=data.draw(st.sampled_from([u for u in BARE.values() if u != "m"])),
    )
    try:
        q.read_number(text, dimension)
    except QuantityError as error:
        found = error.suggestion or ()
    else:
        return
    written = float(number) * 10.0 ** (0 if "{p}" not in form else LETTERS[letter])
    if dimension is q.CHARGE:
        written *= 3600
    elif dimension is q.TIME:
        written *= 1e9
    for suggestion in (found,) if isinstance(found, str) else found:
        value = q.read_number(suggestion, dimension)
        digits = "".join(char for char in suggestion if char.isdigit())
        if dimension is q.TIME and "min" in suggestion.split():
            assert letter == "m"
            continue
        if not unit.endswith("2"):
            assert digits.strip("0") == number.replace(".", "").strip("0")
        assert 0.1 <= value / written <= 10.0, (text, suggestion)


def test_zero_is_refused_where_it_is_senseless() -> None:
    """`positive` refuses zero, also as the low end of a range."""
    assert refusal("0 V", q.VOLTAGE, positive=True) == f"zero is not possible here. {V}"
    assert refusal("1 V (0 V .. 2 V)", q.VOLTAGE, positive=True).startswith("zero is")
    for read in (q.read_timing, q.read_ns):
        with pytest.raises(QuantityError, match="a time of zero is not possible here"):
            read("0 s", positive=True)
    with pytest.raises(QuantityError, match="zero is not possible here"):
        q.read_number("0 cm", q.LENGTH, positive=True)


@pytest.mark.parametrize("text", ["0.5 ns", "1.0000000001 s", "1e-10 s"])
def test_a_time_finer_than_a_nanosecond_is_refused(text: str) -> None:
    """Time is a whole number of nanoseconds; nothing is rounded in silence."""
    with pytest.raises(QuantityError) as caught:
        q.read_ns(text)
    assert str(caught.value) == (
        f'"{text}" is not a whole number of nanoseconds. Allowed: times no finer than 1 ns.'
    )


def test_a_time_beyond_the_range_of_the_clock_is_refused() -> None:
    """Times fit into 64 bits of nanoseconds."""
    with pytest.raises(QuantityError, match='"300 years" is longer than 292 years'):
        q.read_ns("300 years")


def test_spans_have_two_ends_or_one() -> None:
    """A span is "low .. high" or one value for both."""
    assert q.read_span("8 cm .. 15 cm", q.LENGTH) == (0.08, 0.15)
    assert q.read_span("8 cm", q.LENGTH) == (0.08, 0.08)


def test_points_may_carry_ranges_on_either_side() -> None:
    """A datasheet's "typical, minimum, maximum" fits on one line."""
    volts, amperes = q.read_point("3.0 V (2.6 V .. 3.4 V) @ 20 mA", q.VOLTAGE, q.CURRENT)
    assert (volts.low, volts.value, volts.high, amperes.value) == (2.6, 3.0, 3.4, 0.02)
    with pytest.raises(QuantityError, match="this is not a point"):
        q.read_point("3.0 V, 20 mA", q.VOLTAGE, q.CURRENT)


def test_the_table_of_a_point_gives_its_standing_to_both_quantities() -> None:
    """A point of a datasheet is published as a whole."""
    table = {"value": "3.0 V ± 1 % @ 20 mA", "standing": "published", "source": "sheet"}
    volts, amperes = q.read_point(table, q.VOLTAGE, q.CURRENT)
    assert (volts.value, volts.low, amperes.value) == (3.0, 2.97, 0.02)
    for figure in (volts, amperes):
        assert (figure.standing, figure.source) == ("published", "sheet")


@pytest.mark.parametrize(("text", "parts"), [
    ("22R ± 5 %", ("22R", "± 5 %")), ("22R +- 5 %", ("22R", "± 5 %")),
    ("4.5 uA (2 uA .. 9 uA)", ("4.5 uA", "2 uA .. 9 uA")), (" 1 h 5 min ", ("1 h 5 min", "")),
    ("-5 degC", ("-5 degC", "")),
])  # fmt: skip
def test_a_quantity_and_its_range_are_parted_as_written(
    text: str, parts: tuple[str, str]
) -> None:
    """Every form of a tolerance or range, and none."""
    assert q.without_range(text) == parts


@settings(max_examples=60, deadline=None)
@given(number=st.decimals(0, 10**6, places=3), dimension=st.sampled_from(PLAIN), data=st.data())
def test_quantities_agree_with_pint(
    number: Decimal, dimension: q.Dimension, data: st.DataObject
) -> None:
    """Every unit has the size that the library pint gives it."""
    unit = data.draw(st.sampled_from(sorted(dimension.units)))
    if unit.endswith(("deg", "°")):
        reference = UNITS.Quantity(float(number), "degree").to("radian").magnitude
    elif unit == "%":
        reference = float(number) / 100
    else:
        base = {q.CHARGE: "coulomb", q.RESISTANCE: "ohm"}.get(dimension)
        spelt = unit.replace("Ah", "A*h").replace("m2", "m**2").replace("Ω", "ohm")
        spelt = spelt.replace("cm**2", "(cm**2)").replace("mm**2", "(mm**2)")
        measured = UNITS.Quantity(float(number), spelt)
        reference = (measured.to(base) if base else measured.to_base_units()).magnitude
        if base is None:
            unity = UNITS.Quantity(1.0, SI[dimension]).to_base_units().magnitude
            reference /= unity
    assert q.read_number(f"{number} {unit}", dimension) == pytest.approx(reference, rel=1e-12)


UNITS = pint.UnitRegistry()
SI = {
    q.VOLTAGE: "V", q.CURRENT: "A", q.FREQUENCY: "Hz", q.CYCLES: "cycle", q.IRRADIANCE: "W/m**2",
    q.INTENSITY: "W/sr", q.AREA: "m**2", q.LENGTH: "m", q.CAPACITANCE: "F",
    q.THERMAL_RESISTANCE: "K/W", q.POWER: "W",
}  # fmt: skip


@given(
    number=st.decimals(0, 10**6, places=3),
    unit=st.sampled_from(["nV", "uV", "mV", "V", "kV"]),
)
def test_quantities_agree_with_quantiphy(number: Decimal, unit: str) -> None:
    """Numbers with SI prefixes are read as the library quantiphy reads them."""
    text = f"{number} {unit}"
    reference = quantiphy.Quantity(text, "V").real
    assert q.read_number(text, q.VOLTAGE) == pytest.approx(reference, rel=1e-12)


@given(
    value=st.floats(1e-12, 1e9),
    pair=st.sampled_from([("V", q.VOLTAGE), ("A", q.CURRENT), ("Ω", q.RESISTANCE),
                          ("C", q.CHARGE), ("Hz", q.FREQUENCY), ("W", q.POWER),
                          ("m", q.LENGTH), ("W/m2", q.IRRADIANCE), ("W/sr", q.INTENSITY),
                          ("F", q.CAPACITANCE)]),
    digits=st.integers(1, 9),
)  # fmt: skip
def test_what_is_written_reads_back_within_half_a_digit(
    value: float, pair: tuple[str, q.Dimension], digits: int
) -> None:
    """Reading what `format_si` wrote gives the value back to half of its last digit."""
    unit, dimension = pair
    back = q.read_number(q.format_si(value, unit, digits), dimension)
    assert abs(back - value) <= 0.5000001 * value * 10 ** (1 - digits)


@given(st.just(0.0) | st.floats(1e-30, 1), st.integers(1, 9))
def test_percentages_read_back_within_half_a_digit(share: float, digits: int) -> None:
    """Reading what `format_percent` wrote gives the share back to half of its last digit."""
    back = q.read_number(q.format_percent(share, digits), q.RATIO)
    assert abs(back - share) <= 0.5000001 * share * 10 ** (1 - digits)


@given(ns)
def test_durations_read_back_exactly(nanoseconds: int) -> None:
    """A duration is written without loss."""
    assert q.read_ns(q.format_duration(nanoseconds)) == nanoseconds


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (0.0612, "A", "61.2 mA"),
        (4.5e-6, "A", "4.5 µA"),
        (0.99996, "A", "1 A"),
        (999.96, "V", "1 kV"),
        (-0.0612, "A", "-61.2 mA"),
        (0.0, "A", "0 A"),
        (3300, "ohm", "3.3 kΩ"),
        (2e-18, "A", "0.002 fA"),
        (5e9, "V", "5000000 kV"),
        (42.0, "lux", "42 lux"),
    ],
)
def test_numbers_are_written_with_a_fitting_prefix(value: float, unit: str, text: str) -> None:
    """Rounding may carry into the next prefix, and signs stay in front."""
    assert q.format_si(value, unit) == text


@pytest.mark.parametrize(
    ("nanoseconds", "text"),
    [
        (540 * 10**9, "9 min"),
        (3_900 * 10**9, "1 h 5 min"),
        (1_501_500_000_000, "25 min 1.5 s"),
        (350_000_000, "350 ms"),
        (1_350_000_000, "1.35 s"),
        (120_500_000, "120.5 ms"),
        (1, "1 ns"),
        (2_500, "2.5 µs"),
        (0, "0 s"),
        (86_400 * 10**9, "1 day"),
        (36 * 3_600 * 10**9, "1 day 12 h"),
        (14 * 86_400 * 10**9, "2 weeks"),
        (10 * 86_400 * 10**9, "10 days"),
        (31_557_600 * 10**9, "1 year"),
    ],
)
def test_durations_are_written_in_the_largest_exact_units(nanoseconds: int, text: str) -> None:
    """Nine minutes are not 540 seconds."""
    assert q.format_duration(nanoseconds) == text


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0.0, "0 s"), (148_500.0, "1.72 days"), (41.26 * 3600, "1.72 days"), (86_400.0, "1 day"),
        (7_200.0, "2 h"), (59.996, "1 min"), (90.0, "1.5 min"), (0.0123, "12.3 ms"),
        (3e-5, "30 µs"), (31_557_600.0, "365 days"), (3 * 31_557_600.0, "3 years"),
        (1e-12, "0.001 ns"),
    ],
)  # fmt: skip
def test_rough_times_have_few_digits(seconds: float, text: str) -> None:
    """A run time is told to the digits it deserves, in the largest unit that it fills."""
    assert q.format_rough_time(seconds) == text


def test_numbers_that_are_not_finite_cannot_be_written() -> None:
    """A missing value is told in words by the caller, never as "nan"."""
    for write in (
        lambda: q.format_si(float("nan"), "V"),
        lambda: q.format_percent(float("inf")),
        lambda: q.format_rough_time(float("nan")),
        lambda: q.format_duration(-1),
    ):
        with pytest.raises(ValueError, match="cannot be written"):
            write()


@given(st.text(max_size=20), st.sampled_from(DIMENSIONS))
def test_any_text_is_read_or_refused(text: str, dimension: q.Dimension) -> None:
    """No text makes the reader fail in any other way."""
    try:
        figure = q.read_figure(text, dimension)
    except QuantityError:
        return
    assert figure.low <= figure.value <= figure.high < float("inf")


def test_every_example_in_a_message_can_be_read() -> None:
    """What a message offers is accepted, and units have one spelling inside."""
    for dimension in DIMENSIONS:
        q.read_figure(dimension.example, dimension)
        assert all(unit_key(unit) == unit for unit in dimension.units)


@pytest.mark.parametrize("text", ["10 min s", "10 sec s", "10 m s", "10 second S", "1 h 5 min s"])
def test_a_lone_s_behind_a_unit_is_no_plural(text: str) -> None:
    """It was read as if it were not there, or as milliseconds: nobody knows which was meant."""
    with pytest.raises(ValueError, match="unknown unit"):
        q.read_ns(text)
