"""The words of a replay report: levels, stimuli, disagreements, measured times."""

from __future__ import annotations

from fractions import Fraction

import pytest

from simfw.report.replay import _tick, _timings, level_text, measured_text, pair_text, step_text
from simfw.stimuli.recording.mapfile import Signal
from simfw.stimuli.scenario import Expect, Press, Step, Temperature, Usb, Wave
from simfw.verify.alignment import Edge, Pair
from simfw.verify.timings import Measured, TimingReport, ToRecord

S = 10**9
MS = 10**6
LIGHT = Signal(kind="light", name="lamp")
BARS = Signal(kind="segments", name="bars", segments=5)


@pytest.mark.parametrize(
    ("level", "signal", "text"),
    [
        (None, LIGHT, "unknown"),
        (0.0, LIGHT, "off"),
        (1.0, LIGHT, "on"),
        (0.455, LIGHT, "45.5 %"),
        (0.0, BARS, "0 lit"),
        (3.0, BARS, "3 lit"),
    ],
)
def test_a_level_is_written_as_in_the_gadget_file(
    level: float | None, signal: Signal, text: str
) -> None:
    """On, off, a share, or a number of segments."""
    assert level_text(level, signal) == text


@pytest.mark.parametrize(
    ("step", "text"),
    [
        (Press(at_ns=2 * S, button="key", for_ns=150 * MS), "2.000000 s: press key for 150 ms"),
        (Wave(at_ns=S, sensor="wave", distance_m=0.085, for_ns=300 * MS),
         "1.000000 s: hand before wave at 8.5 cm for 300 ms"),
        (Usb(at_ns=0, present=True), "0.000000 s: USB in"),
        (Usb(at_ns=3 * S, present=False), "3.000000 s: USB out"),
        (Temperature(at_ns=S, temperature_c=-5.5), "1.000000 s: -5.5 degC"),
        (Expect(at_ns=S, text="lamp.dark"), "1.000000 s: expect lamp.dark"),
    ],
)  # fmt: skip
def test_a_stimulus_is_told_with_its_figures(step: Step, text: str) -> None:
    """When, what, where and for how long."""
    assert step_text(step) == text


@pytest.mark.parametrize(
    ("low", "middle", "high", "text"),
    [
        (None, None, None, "-"),
        (None, None, 80e6, "below 80 ms"),
        (20e6, None, None, "above 20 ms"),
        (20e6, None, 80e6, "between 20 ms and 80 ms"),
        (20e6, 25e6, 80e6, "25 ms (20 ms .. 80 ms)"),
        (599e9, 600e9, 2700.5e9, "600 s (599 s .. 2700.5 s)"),
    ],
)
def test_a_measured_time_is_a_spread_a_bracket_or_a_dash(
    low: float | None, middle: float | None, high: float | None, text: str
) -> None:
    """Never a bare number."""
    one = Measured(key="buttons.key.hold", written="2 s", written_ns=2 * S, low_ns=low,
                   middle_ns=middle, high_ns=high, count=3, finding="consistent")  # fmt: skip
    assert measured_text(one) == text


def edge(at_s: float, before: float, level: float) -> Edge:
    """An edge of an output."""
    return Edge(number=0, time_ns=at_s * S, before=before, level=level)


@pytest.mark.parametrize(
    ("kind", "recorded", "model", "text"),
    [
        ("missing", None, edge(1, 0, 1),
         "missing: the model goes off -> on at 1.000000 s; the recording does not"),
        ("extra", edge(2, 1, 0), None,
         "extra: the recording goes on -> off at 2.000000 s; the model does not"),
        ("level", edge(1, 0, 0.5), edge(1, 0, 1),
         "other level: recorded off -> 50 % at 1.000000 s, model off -> on at 1.000000 s"),
        ("late", edge(1.1, 0, 1), edge(1, 0, 1),
         "late by 100 ms: recorded off -> on at 1.100000 s, model off -> on at 1.000000 s"),
    ],
)  # fmt: skip
def test_a_disagreement_is_told_in_words(
    kind: str, recorded: Edge | None, model: Edge | None, text: str
) -> None:
    """What went where and when, on both sides."""
    pair = Pair(kind=kind, recorded=recorded, model=model)  # type: ignore[arg-type]
    assert pair_text(pair, LIGHT) == text


def test_the_timings_that_were_not_exercised_are_counted_not_listed() -> None:
    """A file of hundreds of dwells still gives a report of a page; --json has them all."""
    idle = [
        Measured(key=f"behaviour.r.rows[{n}].after", written="2 s", written_ns=2 * S, low_ns=None,
                 middle_ns=None, high_ns=None, count=0, finding="not exercised")
        for n in range(200)
    ]  # fmt: skip
    asked = tuple(ToRecord(key=one.key, sequence="wait") for one in idle)
    lines = _timings(TimingReport(timings=tuple(idle), to_record=asked))
    assert lines[0] == "  200 timings of the file not exercised"
    assert lines[-1] == "    and 188 more, listed by --json"
    assert len(lines) == 15


@pytest.mark.parametrize(
    ("tick", "text"),
    [(Fraction(1, 10**9), "1 ns"), (Fraction(1, 10**12), "1e-12 s"), (Fraction(1, 1000), "1 ms")],
)
def test_a_tick_is_written_with_its_unit(tick: Fraction, text: str) -> None:
    """No power of ten where a unit fits."""
    assert _tick(tick) == text
