"""From edges to levels, duty, bursts and frames."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simfw.stimuli.recording.base import HIGH_Z, UNKNOWN
from simfw.stimuli.recording.frames import Frame, FrameForm, Frames
from simfw.stimuli.recording.tracks import Bursts, Cleaner, Clock, Duty, Levels

US = Clock(Fraction(1, 10**6))
Edges = list[tuple[int, float]]


def run(decoder: Duty | Bursts | Levels | Frames, edges: Edges, end: int, chunk: int = 7) -> None:
    """Feed edges in pieces, as blocks do, and close."""
    for at in range(0, len(edges), chunk):
        piece = edges[at : at + chunk]
        decoder.feed(np.array([t for t, _ in piece], dtype=np.int64),
                     np.array([v for _, v in piece]))
    decoder.finish(end)


def clean(cleaner: Cleaner, edges: Edges, chunk: int = 3) -> Edges:
    """Feed a cleaner in pieces and collect what it lets through."""
    found: Edges = []
    for at in range(0, len(edges), chunk):
        piece = edges[at : at + chunk]
        ticks, values = cleaner.feed(np.array([t for t, _ in piece], dtype=np.int64),
                                     np.array([v for _, v in piece]))
        found += zip(ticks.tolist(), values.tolist(), strict=True)
    ticks, values = cleaner.finish()
    return found + list(zip(ticks.tolist(), values.tolist(), strict=True))


def train(start: int, periods: int, period: int, high: int) -> Edges:
    """A PWM train of whole periods."""
    return [edge for k in range(periods)
            for edge in ((start + k * period, 1.0), (start + k * period + high, 0.0))]


def steps(decoder: Duty | Bursts | Levels) -> list[tuple[int, float]]:
    """The steps in microseconds."""
    return [(time // 1000, round(level, 4)) for time, level in
            zip(decoder.track.times_ns, decoder.track.levels, strict=True)]


def test_pwm_becomes_its_duty_between_its_first_and_last_pulse() -> None:
    """Off, 30 % for ten periods, 60 % for ten, off again."""
    duty = Duty(US, longest=3000, step=0.01)
    run(duty, [(0, 0.0), *train(5000, 10, 1000, 300), *train(15_000, 10, 1000, 600)], 40_000)
    assert duty.track.start == 0.0
    assert steps(duty) == [(5000, 0.3), (15_000, 0.6), (24_600, 0.0)]
    assert set(duty.periods) == {1000}
    assert set(duty.highs) == {300, 600}


def test_steady_levels_around_a_train_are_seen() -> None:
    """Steadily on before, a train that reaches full, and a train still running at both ends."""
    duty = Duty(US, longest=3000, step=0.01)
    run(duty, [(0, 1.0), (9000, 0.0), *train(9200, 5, 1000, 800), (14_200, 1.0)], 30_000)
    assert duty.track.start == 1.0
    assert steps(duty) == [(9200, 0.8), (14_200, 1.0)]
    running = Duty(US, longest=3000, step=0.01)
    run(running, [(0, 1.0), (100, 0.0), *train(800, 9, 1000, 250)], 9000)
    assert (running.track.start, steps(running)) == (0.25, [])


def test_a_long_pulse_within_a_train_is_full_on() -> None:
    """Two periods without a falling edge are full level, though shorter than `longest`."""
    duty = Duty(US, longest=3000, step=0.01)
    run(duty, [*train(5000, 5, 1000, 900), (10_000, 1.0), (12_000, 0.0),
               *train(12_100, 5, 1000, 900)], 17_000)
    assert steps(duty) == [(5000, 0.9), (10_000, 1.0), (12_100, 0.9)]


def test_lone_pulses_and_a_cut_last_pulse() -> None:
    """A pulse alone is on for its length; a train switched off within a pulse keeps its level."""
    alone = Duty(US, longest=3000, step=0.01)
    run(alone, [(0, 0.0), (8000, 1.0), (8100, 0.0), (20_000, 1.0), (26_000, 0.0)], 40_000)
    assert steps(alone) == [(8000, 1.0), (8100, 0.0), (20_000, 1.0), (26_000, 0.0)]
    cut = Duty(US, longest=3000, step=0.01)
    run(cut, [(0, 0.0), *train(5000, 4, 1000, 500), (9000, 1.0), (9050, 0.0)], 20_000)
    assert steps(cut) == [(5000, 0.5), (9050, 0.0)]
    assert cut.cut == 1
    never = Duty(US, longest=3000, step=0.01)
    run(never, [(0, 1.0)], 10_000)
    assert (never.track.start, steps(never)) == (1.0, [])
    falls = Duty(US, longest=3000, step=0.01)
    run(falls, [(0, 1.0), (100, 0.0)], 10_000)
    assert (falls.track.start, steps(falls)) == (0.0, [])
    rises = Duty(US, longest=3000, step=0.01)
    run(rises, [(0, 0.0), (5000, 1.0)], 10_000)
    assert (rises.track.start, steps(rises)) == (0.0, [(5000, 1.0)])


@given(st.integers(5, 95), st.integers(200, 5000), st.integers(3, 60))
def test_any_duty_is_measured_to_a_tick(percent: int, period: int, count: int) -> None:
    """The measured duty of a clean train is high over period."""
    high = max(1, period * percent // 100)
    duty = Duty(US, longest=20_000, step=0.001)
    run(duty, [(0, 0.0), *train(50_000, count, period, high)], 10**7)
    assert steps(duty)[0] == (50_000, round(high / period, 4))
    assert steps(duty)[-1][1] == 0.0


def test_bursts_of_a_carrier() -> None:
    """24 cycles of 38 kHz every 125 ms, the last one cut by the end of the file."""
    clock = Clock(Fraction(1, 38_000 * 4))
    bursts = Bursts(clock, gap=12)
    edges = [edge for start in (100, 19_100) for edge in train(start, 24, 4, 2)]
    run(bursts, [(0, 0.0), *edges, (38_100, 1.0)], 38_101)
    assert [(burst.cycles, round(burst.duty, 3)) for burst in bursts.bursts] == [(24, 0.511)] * 2
    assert bursts.track.levels == [1.0, 0.0, 1.0, 0.0, 1.0]
    assert bursts.bursts[0].start_ns == clock.ns(100)
    assert bursts.bursts[1].end_ns == clock.ns(19_100 + 23 * 4 + 2)


def test_the_cleaner_drops_glitches_repeats_and_unknown_levels() -> None:
    """What is shorter than the filter goes, is counted, and the pieces around it join."""
    cleaner = Cleaner(glitch=10)
    assert clean(cleaner, [(0, 0.0), (3, 1.0), (100, 1.0), (105, 0.0), (108, 1.0), (200, UNKNOWN),
                           (210, 0.0), (300, HIGH_Z), (310, 1.0), (312, 0.0)]) == [
        (0, 0.0), (3, 1.0), (210, 0.0)]
    assert (cleaner.glitches, cleaner.unknown) == (2, 2)
    inverted = Cleaner(inverted=True, threshold=1.5)
    assert clean(inverted, [(0, 0.2), (5, 1.4), (9, 3.3)]) == [(0, 1.0), (9, 0.0)]
    assert clean(Cleaner(), []) == []


@given(st.lists(st.tuples(st.integers(1, 50), st.sampled_from([0.0, 1.0])), max_size=40),
       st.integers(1, 9))
def test_the_cleaner_does_not_depend_on_how_edges_are_cut(
    waits: list[tuple[int, float]], chunk: int
) -> None:
    """Any cut into blocks gives the same edges, alternating and in order."""
    at, edges = 0, []
    for wait, value in waits:
        at += wait
        edges.append((at, value))
    whole = clean(Cleaner(glitch=12), edges, chunk=100)
    assert clean(Cleaner(glitch=12), edges, chunk=chunk) == whole
    assert all(a[1] != b[1] for a, b in pairwise(whole))


FORM = FrameForm(lead_mark=9_000_000, lead_space=4_500_000, mark=562_500, space_0=562_500,
                 space_1=1_687_500, length=32, tolerance=0.3, again_space=2_250_000,
                 check="last byte inverts the one before")


def frame_edges(code: bytes, start: int, stretch: int = 0) -> Edges:
    """A frame in microseconds; `stretch` lengthens each mark at the cost of the space after it."""
    edges: Edges = []
    at = start

    def mark(length: int, space: int) -> None:
        nonlocal at
        edges.extend([(at, 1.0), (at + length + stretch, 0.0)])
        at += length + space

    mark(9000, 4500)
    for octet in code:
        for bit in range(8):
            mark(562, 1688 if octet >> bit & 1 else 562)
    mark(562, 0)
    return edges


def repeat_edges(start: int) -> Edges:
    """A repeat in microseconds."""
    return [(start, 1.0), (start + 9000, 0.0), (start + 11_250, 1.0), (start + 11_812, 0.0)]


@given(st.integers(0, 255), st.integers(0, 255), st.integers(-100, 100))
def test_any_code_is_decoded_with_stretched_marks(
    address: int, command: int, stretch: int
) -> None:
    """A receiver that stretches or shrinks marks by 100 us does no harm; repeats are joined."""
    code = bytes([address, address ^ 255, command, command ^ 255])
    frames = Frames(US, FORM)
    run(frames, [(0, 0.0), *frame_edges(code, 1000, stretch), *repeat_edges(109_000),
                 *repeat_edges(217_000)], 400_000)
    assert [frame.code for frame in frames.frames] == [code.hex().upper()]
    assert len(frames.frames[0].repeats_ns) == 2
    assert frames.problems == []
    assert frames.stray_marks == 0


def test_broken_frames_are_named() -> None:
    """Cut, damaged, failing its check, a repeat alone, strays: each is said, none is fed."""
    good = bytes([0, 255, 7, 248])
    frames = Frames(US, FORM)
    short = frame_edges(good, 10_000)[:20]
    wrong = frame_edges(bytes([0, 255, 7, 7]), 200_000)
    cut = frame_edges(good, 600_000)[:8]
    edges = [(0, 0.0), *repeat_edges(1000), *short, (150_000, 1.0), (150_050, 0.0), *wrong,
             *repeat_edges(310_000), *repeat_edges(330_000)[:2], *repeat_edges(345_000)[:2],
             (370_000, 1.0), (370_562, 0.0), *cut]
    run(frames, edges, 700_000)
    assert frames.frames == []
    assert [text for _, text in frames.problems] == [
        "a repeat without a frame before it",
        "a frame that breaks off after 8 of 32 bits",
        "the frame 00FF0707 fails its check",
        "a repeat without a frame before it",
        "a frame that breaks off after 0 of 32 bits",
        "a frame that breaks off after 0 of 32 bits",
        "a frame of 2 bits instead of 32, cut by the end of the recording at 0.700000 s"]
    assert frames.stray_marks == 2


def test_bits_may_come_high_first() -> None:
    """The order of bits is data."""
    form = FrameForm(lead_mark=9_000_000, lead_space=4_500_000, mark=562_500,
                     space_0=562_500, space_1=1_687_500, length=8, tolerance=0.3,
                     order="high bit first")
    frames = Frames(US, form)
    run(frames, [(0, 0.0), *frame_edges(bytes([0b10110000]), 1000)], 100_000)
    assert frames.frames == [Frame(1_000_000, frames.frames[0].end_ns, "0D")]


@pytest.mark.parametrize("time", [-1, 0, 5, 10, 25])
def test_a_track_knows_its_level(time: int) -> None:
    """Before the first step the start level, then the latest step's."""
    levels = Levels(Clock(Fraction(1, 10**9)))
    run(levels, [(0, 1.0), (5, 0.0), (10, 1.0), (20, 1.0)], 30)
    assert levels.track.at(time) == (1.0 if time < 5 or time >= 10 else 0.0)
