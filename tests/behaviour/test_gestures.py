"""First edges, several holds, repeats, counted clicks and second holds, walked at exact edges."""

import pytest

from tests.behaviour.bench import MS, Bench

NS = 1 / MS  # in milliseconds

FIRST = '[buttons.key]\nstyle = "first-edge"\ndebounce = "20 ms"\n'
KEY = '[buttons.key]\ndebounce = "20 ms"\n'
HOLDS = KEY + 'holds = { reset = "5 s", dimming = "600 ms" }\n'
REPEAT = KEY + 'hold = "600 ms"\nrepeat = "150 ms"\n'
THREE = KEY + 'double = "350 ms"\nclicks = 3\n'
SECOND = KEY + 'double = "350 ms"\nsecond_hold = "600 ms"\n'


def happened(text: str, *changes_ms: float, until: float = 10_000) -> list[tuple[float, str]]:
    """The events of `key`, its name left out, when its contact changes at these times."""
    bench = Bench(text)
    bench.contact("key", *changes_ms)
    return [(ms, event.removeprefix("key.")) for ms, event in bench.until(until)]


# -- first edge ------------------------------------------------------------------------------------


def test_the_first_edge_counts_and_the_bounce_behind_it_does_not():
    """Closed at 100 ms it is pressed at 100 ms; the same when it opens."""
    assert happened(FIRST, 100, 105, 110, 250, 255, 262) == [
        (100, "press"), (250, "release"), (250, "click")]


def test_a_contact_that_differs_when_the_time_ends_counts_then():
    """Open again at 110 ms, that is a release at 120 ms; closed at 130 ms, a press at 140 ms."""
    assert happened(FIRST, 100, 110, 130) == [
        (100, "press"), (120, "release"), (120, "click"), (140, "press")]


def test_an_edge_in_the_instant_in_which_the_time_ends_counts_in_that_instant():
    """The edge is ignored, but what is read when the time ends is the contact behind it."""
    assert happened(FIRST, 100, 120) == [(100, "press"), (120, "release"), (120, "click")]
    assert happened(FIRST, 100, 120 + NS)[1] == (120 + NS, "release")


def test_the_opening_edge_may_have_a_time_of_its_own():
    """20 ms after closing and 50 ms after opening; closed at 290 ms it is pressed at 300 ms."""
    text = FIRST + 'debounce_release = "50 ms"\n'
    assert happened(text, 100, 250, 290) == [
        (100, "press"), (250, "release"), (250, "click"), (300, "press")]
    bench = Bench(text)
    bench.contact("key", 100, 250)
    bench.until(110)
    assert bench.state("key.contact") == "bouncing.closing"
    bench.until(299)
    assert bench.state("key.contact") == "bouncing.opening"


def test_a_settling_contact_may_open_more_slowly_than_it_closes():
    """Still for 20 ms to be pressed, for 50 ms to be released; a gap of 40 ms is none."""
    text = KEY + 'debounce_release = "50 ms"\n'
    assert happened(text, 100, 250) == [(120, "press"), (300, "release"), (300, "click")]
    assert happened(text, 100, 200, 240, 400) == [
        (120, "press"), (450, "release"), (450, "click")]
    assert happened(text, 100, 250, 290, 295)[1] == (345, "release")


# -- holds and repeats -----------------------------------------------------------------------------


def test_each_length_of_a_hold_is_told_when_it_is_reached():
    """600 ms and 5 s from the settled press; no click follows."""
    assert happened(HOLDS, 100, 6000) == [
        (120, "press"), (720, "dimming"), (5120, "reset"), (6020, "release")]


def test_a_press_that_ends_short_of_a_length_does_not_reach_it():
    """1 ns short of either; once the first is reached there is no click."""
    assert happened(HOLDS, 100, 5100 - NS) == [
        (120, "press"), (720, "dimming"), (5120 - NS, "release")]
    assert happened(HOLDS, 100, 700 - NS) == [
        (120, "press"), (720 - NS, "release"), (720 - NS, "click")]


def test_a_hold_stands_among_the_named_ones():
    """`hold` keeps its event; in expressions `held` is any of them."""
    text = HOLDS + 'hold = "2 s"\n'
    bench = Bench(text)
    bench.contact("key", 100, 3000)
    assert bench.until(2500) == [
        (120, "key.press"), (720, "key.dimming"), (2120, "key.hold")]
    assert bench.state("key.gesture") == "held.hold"
    assert bench.system.names.inside("key.held").states == {  # type: ignore[union-attr]
        "held.dimming", "held.hold", "held.reset"}


def test_repeats_begin_one_period_after_the_hold_and_end_with_the_release():
    """Hold at 720 ms, repeats at 870 and 1020 ms; released at 1100 ms."""
    assert happened(REPEAT, 100, 1080) == [
        (120, "press"), (720, "hold"), (870, "repeat"), (1020, "repeat"), (1100, "release")]


def test_a_repeat_due_with_the_release_comes_behind_it():
    """Both at 1170 ms; the next one would be at 1320 ms and does not come."""
    assert happened(REPEAT, 100, 1150)[-2:] == [(1170, "release"), (1170, "repeat")]


def test_a_press_let_go_in_the_instant_of_its_hold_repeats_nothing():
    """The release is heard first, then the hold; nobody holds any more."""
    assert happened(REPEAT, 100, 700) == [(120, "press"), (720, "release"), (720, "hold")]


def test_repeats_go_on_through_longer_holds():
    """From the first of them: 720 ms, then every 150 ms, 1620 ms among them."""
    text = KEY + 'holds = { slow = "600 ms", slower = "1500 ms" }\nrepeat = "150 ms"\n'
    found = happened(text, 100, 1800)
    assert [ms for ms, event in found if event == "repeat"] == [
        870, 1020, 1170, 1320, 1470, 1620, 1770]
    assert [one for one in found if one[1] in ("slow", "slower")] == [
        (720, "slow"), (1620, "slower")]


# -- counted clicks --------------------------------------------------------------------------------


def test_the_highest_count_is_told_at_its_press():
    """Presses settle at 120, 320 and 620 ms; releases at 170, 370 and 670 ms."""
    assert happened(THREE, 100, 150, 300, 350, 600, 650) == [
        (120, "press"), (170, "release"), (320, "press"), (370, "release"), (620, "press"),
        (620, "clicks3"), (670, "release")]


def test_a_smaller_count_is_told_when_the_window_ends():
    """350 ms after the settled release of the last press: 520 ms for one, 720 ms for two."""
    assert happened(THREE, 100, 150)[-1] == (520, "click")
    assert happened(THREE, 100, 150, 300, 350)[-1] == (720, "double")


def test_a_third_press_at_the_very_end_of_the_window_is_a_first():
    """It settles at 720 ms, with the end of the window: the double is told, then a click."""
    found = happened(THREE, 100, 150, 300, 350, 700, 750)
    assert found[4:] == [(720, "press"), (720, "double"), (770, "release"), (1120, "click")]
    assert happened(THREE, 100, 150, 300, 350, 700 - NS, 750)[5] == (720 - NS, "clicks3")


def test_a_long_second_press_counts_like_a_short_one():
    """It is no hold; the double waits for the window behind its release at 2320 ms."""
    found = happened(THREE + 'hold = "500 ms"\n', 100, 150, 300, 2300)
    assert found == [(120, "press"), (170, "release"), (320, "press"), (2320, "release"),
                     (2670, "double")]  # fmt: skip


def test_four_in_a_row():
    """Two and three wait, four is told at its press."""
    text = KEY + 'double = "350 ms"\nclicks = 4\n'
    taps = [100, 150, 300, 350, 500, 550, 700, 750]
    assert happened(text, *taps[:6])[-1] == (920, "clicks3")
    assert (720, "clicks4") in happened(text, *taps)


# -- a second press that lasts ---------------------------------------------------------------------


def test_a_second_press_that_lasts_yields_that_and_nothing_else():
    """Settled at 320 ms it is told at 920 ms; neither click nor double."""
    assert happened(SECOND, 100, 150, 300, 1000) == [
        (120, "press"), (170, "release"), (320, "press"), (920, "second_hold"),
        (1020, "release")]


def test_a_shorter_second_press_is_a_double_when_it_is_let_go():
    """Not at its press, since nobody could know; let go 1 ns short of the time is short."""
    assert happened(SECOND, 100, 150, 300, 500)[2:] == [
        (320, "press"), (520, "release"), (520, "double")]
    assert happened(SECOND, 100, 150, 300, 900 - NS)[-1] == (920 - NS, "double")
    assert happened(SECOND, 100, 150, 300, 900)[-1] == (920, "second_hold")


def test_with_three_clicks_a_short_second_press_waits_for_the_third():
    """Released at 520 ms: the double at 870 ms, or three clicks at the third press."""
    text = THREE + 'second_hold = "600 ms"\n'
    assert happened(text, 100, 150, 300, 500)[-1] == (870, "double")
    assert (720, "clicks3") in happened(text, 100, 150, 300, 500, 700, 750)
    assert happened(text, 100, 150, 300, 1000)[-2:] == [(920, "second_hold"), (1020, "release")]


# -- chords ----------------------------------------------------------------------------------------

THREE_BUTTONS = "[buttons.a]\n[buttons.b]\n[buttons.c]\n[chords]\n"
PAIR = 'ab = { buttons = ["a", "b"], within = "60 ms" }\n'
ALL = 'abc = { buttons = ["a", "b", "c"], within = "60 ms" }\n'


@pytest.mark.parametrize("order", [PAIR + ALL, ALL + PAIR])
def test_of_two_chords_that_are_complete_together_the_larger_wins(order):
    """All three settle at 120 ms: one chord, whichever stands first in the file."""
    bench = Bench(THREE_BUTTONS + order)
    for name in "abc":
        bench.contact(name, 100, 500)
    found = [event for _, event in bench.until(1000) if not event.endswith(("press", "release"))]
    assert found == ["abc.chord"]
    assert bench.state("ab") == bench.state("abc") == "idle"


def test_a_smaller_chord_that_was_told_before_stands():
    """The third button settles 10 ms later: both are told, each when it is complete."""
    bench = Bench(THREE_BUTTONS + PAIR + ALL)
    for name, closed in (("a", 100), ("b", 100), ("c", 110)):
        bench.contact(name, closed, 500)
    found = [one for one in bench.until(1000) if not one[1].endswith(("press", "release"))]
    assert found == [(120, "ab.chord"), (130, "abc.chord")]


def test_a_smaller_chord_is_not_told_while_a_larger_one_lasts():
    """One is let go and pressed again while two hold the larger one: no pair, no click."""
    bench = Bench(THREE_BUTTONS + 'bc = { buttons = ["b", "c"], within = "400 ms" }\n' + ALL)
    bench.contact("a", 100, 1000)
    bench.contact("b", 100, 200, 300, 1000)
    bench.contact("c", 100, 220, 280, 1000)
    found = [one for one in bench.until(2000) if not one[1].endswith(("press", "release"))]
    assert found == [(120, "abc.chord")]


def test_a_chord_ends_repeats_and_longer_holds():
    """Held since 120 ms, the other settles at 920 ms: what was told stands, nothing follows."""
    bench = Bench(
        '[buttons.a]\nholds = { long = "500 ms", longest = "1 s" }\nrepeat = "150 ms"\n'
        '[buttons.b]\n[chords]\nboth = { buttons = ["a", "b"], within = "2 s" }\n')
    bench.contact("a", 100, 3000)
    bench.contact("b", 900, 1500)
    assert bench.until(5000) == [
        (120, "a.press"), (620, "a.long"), (770, "a.repeat"), (920, "a.repeat"), (920, "b.press"),
        (920, "both.chord"), (1520, "b.release"), (3020, "a.release")]


def test_a_chord_takes_the_place_of_clicks_that_are_counted():
    """Two clicks of a wait for a third when a and b make the chord at 430 ms: no double."""
    bench = Bench(
        '[buttons.a]\ndouble = "350 ms"\nclicks = 3\n'
        '[buttons.b]\n[chords]\nboth = { buttons = ["a", "b"], within = "60 ms" }\n')
    bench.contact("a", 100, 150, 300, 350, 410, 600)
    bench.contact("b", 400, 600)
    found = [one for one in bench.until(5000) if not one[1].endswith(("press", "release"))]
    assert found == [(430, "both.chord")]


def test_a_second_press_becomes_part_of_a_chord():
    """With a second hold the press of a waits; b makes the chord of it: neither hold nor double."""
    bench = Bench(
        '[buttons.a]\ndouble = "350 ms"\nsecond_hold = "500 ms"\n'
        '[buttons.b]\n[chords]\nboth = { buttons = ["a", "b"], within = "60 ms" }\n')
    bench.contact("a", 100, 150, 300, 1500)
    bench.contact("b", 320, 1500)
    found = [one for one in bench.until(5000) if not one[1].endswith(("press", "release"))]
    assert found == [(340, "both.chord")]
