"""Button timings against published figures of contacts and of people.

Contacts. J. Ganssle, "A Guide to Debouncing" (2004), ganssle.com/debouncing.htm, measured 18 switch
types: mean bounce of the 16 good ones 1557 us, longest of these 6200 us, worst of all 157 ms. (The
figures are taken from three independent public notes that quote the article.)

People. A button press or release takes 0.10 s, both 0.20 s: a later extension of the keystroke-
level model of S. K. Card, T. P. Moran, A. Newell (CACM 23(7), 1980), whose own list has no button.
Long press 500 ms and double tap 300 ms from release to
next press (defaults of a phone's open-source framework, ViewConfiguration.java of
platform_frameworks_base; the same 0.5 s long press stands in another maker's developer pages).
"""

from __future__ import annotations

import pytest

from tests.behaviour.bench import Bench

PEOPLE = '[buttons.key]\ndebounce = "10 ms"\nhold = "500 ms"\ndouble = "300 ms"\n'


def presses(debounce_ms, bounce_ms, gap_ms):
    """How many presses a closing that bounces for so long, a toggle each gap, is taken for."""
    bench = Bench(f'[buttons.key]\ndebounce = "{debounce_ms} ms"\n')
    toggles = int(bounce_ms / gap_ms) // 2 * 2
    bench.contact("key", *(100 + gap_ms * k for k in range(toggles)), 100 + bounce_ms)
    return sum(event == "key.press" for _, event in bench.until(5000))


@pytest.mark.parametrize("bounce_ms", [1.557, 6.2])
@pytest.mark.parametrize("toggles", [2, 5, 40])
def test_ten_milliseconds_of_debounce_are_enough_for_every_good_switch(bounce_ms, toggles):
    """Mean and longest bounce of the 16 good switches are one press, however fast they toggle."""
    assert presses(10, bounce_ms, bounce_ms / toggles) == 1


def test_one_millisecond_of_debounce_is_not():
    """A bounce of 6.2 ms with pauses of more than 1 ms counts as several presses."""
    assert presses(1, 6.2, 6.2 / 5) > 1


@pytest.mark.parametrize("debounce_ms", [20, 50])
def test_the_worst_switch_defeats_ordinary_debounce_times(debounce_ms):
    """157 ms of bounce with pauses of 52 ms are several presses, even with 50 ms of debounce."""
    assert presses(debounce_ms, 157, 157 / 3) > 1
    assert presses(debounce_ms, 157, 5) == 1


def test_an_ordinary_press_of_a_person_is_a_click():
    """0.20 s from press to release is far from a long press of 0.5 s."""
    bench = Bench(PEOPLE)
    bench.contact("key", 0, 200)
    assert [event for _, event in bench.until(2000)] == ["key.press", "key.release", "key.click"]


@pytest.mark.parametrize(("held_ms", "expected"), [(490, "key.click"), (510, "key.hold")])
def test_a_long_press_is_one_of_half_a_second(held_ms, expected):
    """0.49 s is a click, 0.51 s a hold; never both."""
    bench = Bench(PEOPLE)
    bench.contact("key", 0, held_ms)
    events = [event for _, event in bench.until(2000)]
    assert expected in events
    assert ("key.click" in events) != ("key.hold" in events)


@pytest.mark.parametrize(("gap_ms", "double"), [(290, True), (310, False)])
def test_a_double_tap_is_one_within_three_tenths_of_a_second(gap_ms, double):
    """From release to next press: 0.29 s is a double, 0.31 s two clicks."""
    bench = Bench(PEOPLE)
    bench.contact("key", 0, 150, 150 + gap_ms, 300 + gap_ms)
    events = [event for _, event in bench.until(3000)]
    assert events.count("key.double") == double
    assert events.count("key.click") == (0 if double else 2)


@pytest.mark.parametrize(("every_ms", "expected"), [(500, 0.2), (50, 1.0)])
def test_a_quick_wave_is_missed_by_slow_looks(every_ms, expected):
    """100 ms of hand against looks every 500 ms: seen in 1 of 5 phases; every 50 ms: always.

    An 85 mm hand at 0.5 to 1 m/s covers a point for 85 to 170 ms (derived; hand width from memory).
    """
    seen = 0
    phases = 50
    for phase in range(phases):
        bench = Bench(
            f'[proximity.hand]\nevery = "{every_ms} ms"\nsettle = "1 ms"\nagree = 1\n'
            'carrier = "38 kHz"\nduty = "50 %"\nburst = 24\n'
        )
        start = 1000 + phase * every_ms / phases
        bench.echo("hand", start, True)
        bench.echo("hand", start + 100, False)
        seen += ("hand.wave") in [event for _, event in bench.until(3000)]
    assert seen / phases == pytest.approx(expected, abs=0.02)
