"""Buttons: contact and gesture, walked by hand at exact edges."""

import pytest

from tests.behaviour.bench import MS, Bench

NS = 1 / MS  # in milliseconds

PLAIN = '[buttons.power]\ndebounce = "20 ms"\n'
HOLD = PLAIN + 'hold = "2 s"\n'
DOUBLE = PLAIN + 'double = "350 ms"\n'
BOTH = PLAIN + 'hold = "2 s"\ndouble = "350 ms"\n'


def test_a_press_settles_after_the_debounce_time():
    """Press and release follow the last raw edge by the debounce time; the release is a click."""
    bench = Bench(PLAIN)
    bench.contact("power", 100, 250)
    assert bench.until(1000) == [
        (120, "power.press"),
        (270, "power.release"),
        (270, "power.click"),
    ]


def test_a_bounce_starts_the_debounce_time_anew():
    """Edges 1 ns short of the debounce time put the press off; the last edge counts."""
    bench = Bench(PLAIN)
    bench.contact("power", 100, 119.999999, 139.999998, 300)
    assert bench.until(1000) == [
        (159.999998, "power.press"),
        (320, "power.release"),
        (320, "power.click"),
    ]


def test_a_press_counts_from_the_last_of_its_edges():
    """Closed at 100 ms, open and closed again at 110 and 112 ms: the press is at 132 ms."""
    bench = Bench(PLAIN)
    bench.contact("power", 100, 110, 112)
    assert bench.until(1000) == [(132, "power.press")]


def test_an_edge_at_the_very_end_of_the_debounce_time_wins():
    """An edge is a stimulus and comes before the dwell of the same instant, which is dropped."""
    bench = Bench(PLAIN)
    bench.contact("power", 100, 120)
    assert bench.until(1000) == []
    assert bench.state("power.contact") == "still"


def test_a_blip_shorter_than_the_debounce_time_is_nothing():
    """A contact that closes and opens within the debounce time yields no event at all."""
    bench = Bench(PLAIN)
    bench.contact("power", 100, 110)
    assert bench.until(1000) == []


def test_a_bounce_inside_a_hold_does_not_restart_it():
    """The contact opens for 15 ms during a hold: the hold still comes 2 s after the press."""
    bench = Bench(HOLD)
    bench.contact("power", 0.5, 1000, 1015, 3000)
    assert bench.until(4000) == [
        (20.5, "power.press"),
        (2020.5, "power.hold"),
        (3020, "power.release"),
    ]


def test_a_hold_counts_from_the_settled_press():
    """A release that settles 1 ns before the hold is a click, one that settles with it is a hold.

    The contact's dwell comes first in the queue, but the release it emits is queued behind the
    expired hold.
    """
    short = Bench(HOLD)
    short.contact("power", 100, 2100 - NS)
    assert short.until(4000) == [
        (120, "power.press"),
        (2120 - NS, "power.release"),
        (2120 - NS, "power.click"),
    ]
    level = Bench(HOLD)
    level.contact("power", 100, 2100)
    assert level.until(4000) == [
        (120, "power.press"),
        (2120, "power.release"),
        (2120, "power.hold"),
    ]


def test_a_held_press_yields_no_click():
    """A hold is followed by the release alone."""
    bench = Bench(HOLD)
    bench.contact("power", 0, 5000)
    events = [event for _, event in bench.until(9000)]
    assert events == ["power.press", "power.hold", "power.release"]


def test_pressed_lasts_from_the_settled_press_to_the_settled_release():
    """`power.pressed` is true while the gesture is down or held."""
    bench = Bench(HOLD)
    bench.contact("power", 100, 3000)
    seen = []
    for ms in (119, 121, 2119, 2121, 3019, 3021):
        bench.until(ms)
        seen.append(bench.state("power.gesture"))
    assert seen == ["up", "down", "down", "held", "held", "up"]


def test_a_double_click_is_emitted_at_its_second_press():
    """A settled press within the window is a double at once; its release is only a release."""
    bench = Bench(BOTH)
    bench.contact("power", 0, 100, 300, 5000)
    assert bench.until(9000) == [
        (20, "power.press"),
        (120, "power.release"),
        (320, "power.press"),
        (320, "power.double"),
        (5020, "power.release"),
    ]


def test_the_window_counts_from_the_settled_release():
    """The click of a button with a double comes when the window ends."""
    bench = Bench(DOUBLE)
    bench.contact("power", 0, 100)
    assert bench.until(1000) == [(20, "power.press"), (120, "power.release"), (470, "power.click")]


@pytest.mark.parametrize(
    ("second_ms", "expected"),
    [
        (450 - NS, [(470 - NS, "power.press"), (470 - NS, "power.double")]),
        (450, [(470, "power.click"), (470, "power.press")]),
        (450 + NS, [(470, "power.click"), (470 + NS, "power.press")]),
    ],
)
def test_a_press_exactly_at_the_end_of_the_window_loses(second_ms, expected):
    """1 ns inside is a double; at the end, or after it, is a click and then another press.

    At the end both dwells expire in one instant: the contact's first, but the press it emits stands
    in the queue behind the end of the window.
    """
    bench = Bench(DOUBLE)
    bench.contact("power", 0, 100, second_ms)
    events = bench.until(600)[2:]
    assert sorted(events) == sorted(expected)
    assert bench.state("power.gesture") == ("held" if "power.double" in dict(map(reversed, events))
                                            else "down")


def test_a_contact_closed_at_power_up_is_no_press():
    """No edge is invented; opening it later finds nothing pressed."""
    bench = Bench(PLAIN)
    bench.world.flags["power.closed"] = True
    bench.at(500, "power.edge", flags={"power.closed": False})
    assert bench.until(1000) == []
    assert bench.state("power.contact") == "still"


def test_two_buttons_settling_together_are_heard_in_file_order():
    """Equal times: the button that stands first in the file is first."""
    bench = Bench("[buttons.b]\n[buttons.a]\n")
    bench.contact("a", 10)
    bench.contact("b", 10)
    assert bench.until(100) == [(30, "b.press"), (30, "a.press")]


# -- reading by samples ----------------------------------------------------------------------------

SAMPLED = '[buttons.power]\nstyle = "sample"\nsamples = 3\nsample_every = "5 ms"\n'


def test_reads_run_free_from_power_up():
    """Closed at 7 ms: reads at 10, 15 and 20 ms see it, the third is the press."""
    bench = Bench(SAMPLED)
    bench.contact("power", 7, 21)
    assert bench.until(100) == [(20, "power.press"), (35, "power.release"), (35, "power.click")]


def test_a_read_at_the_very_moment_of_the_edge_sees_the_edge():
    """Stimuli come before dwells: closing at 10 ms is seen by the read at 10 ms."""
    bench = Bench(SAMPLED)
    bench.contact("power", 10)
    assert bench.until(100) == [(20, "power.press")]


def test_an_unequal_read_starts_the_count_anew():
    """Two closed reads, one open one: three more are needed."""
    bench = Bench(SAMPLED)
    bench.contact("power", 9, 18, 22)
    assert bench.until(100) == [(35, "power.press")]


def test_bounces_between_reads_are_not_seen():
    """A contact that is open only between two reads counts as closed."""
    bench = Bench(SAMPLED)
    bench.contact("power", 9, 11, 14, 16, 19)
    assert bench.until(100) == [(20, "power.press")]


def test_one_sample_is_enough_if_the_file_says_so():
    """`samples = 1`: the first read that differs is the press."""
    bench = Bench('[buttons.power]\nstyle = "sample"\nsamples = 1\nsample_every = "4 ms"\n')
    bench.contact("power", 5, 9)
    assert bench.until(100) == [(8, "power.press"), (12, "power.release"), (12, "power.click")]


def test_every_read_is_an_awake_moment():
    """Each read enters a state that keeps the controller awake, if only for no time."""
    bench = Bench(SAMPLED)
    region = bench.system.region("power.contact")
    assert {state.name for state in region.states if state.awake} == {
        "reading", "bouncing.1", "bouncing.2"
    }
    bench.until(5)
    bench.at(5)
    bench.until(5.001)
    assert [row.key for row in bench.stepper.fired] == [
        "buttons.power.sample_every", "buttons.power.samples#2"
    ]
    assert bench.state("power.contact") == "still"


def test_a_contact_closed_at_power_up_is_a_press_when_it_is_sampled():
    """Reads know no edges: three closed reads are a press, whenever the contact closed."""
    bench = Bench(SAMPLED)
    bench.world.flags["power.closed"] = True
    assert bench.until(100) == [(15, "power.press")]


# -- chords ----------------------------------------------------------------------------------------

PAIR = """
[buttons.up]
hold = "1 s"
[buttons.down]
double = "300 ms"
[chords]
both = { buttons = ["up", "down"], within = "60 ms" }
"""


def test_a_chord_takes_the_place_of_click_and_hold():
    """Both pressed within the time: a chord, then only releases, however long they are held."""
    bench = Bench(PAIR)
    bench.contact("up", 0, 3000)
    bench.contact("down", 50, 4000)
    assert bench.until(9000) == [
        (20, "up.press"),
        (70, "down.press"),
        (70, "both.chord"),
        (3020, "up.release"),
        (4020, "down.release"),
    ]


@pytest.mark.parametrize(("second_ms", "chord"), [(60 - NS, True), (60, False), (61, False)])
def test_the_second_press_of_a_chord_must_settle_before_the_time_ends(second_ms, chord):
    """At the very end the time has run out before the press is taken from the queue."""
    bench = Bench(PAIR)
    bench.contact("up", 0, 500)
    bench.contact("down", second_ms, 510)
    events = [event for _, event in bench.until(2000)]
    assert ("both.chord" in events) is chord
    assert ("up.click" in events) is not chord


def test_a_partner_held_for_long_makes_no_chord():
    """A press while the other button has been down for longer than the time is an ordinary one."""
    bench = Bench(PAIR)
    bench.contact("up", 0, 5000)
    bench.contact("down", 2000, 2100)
    assert bench.until(9000) == [
        (20, "up.press"),
        (1020, "up.hold"),
        (2020, "down.press"),
        (2120, "down.release"),
        (2420, "down.click"),
        (5020, "up.release"),
    ]


def test_a_press_during_a_chord_stays_part_of_it():
    """One button is let go and pressed again while the other keeps the chord: no click of it."""
    bench = Bench(PAIR)
    bench.contact("up", 0, 500, 600, 700)
    bench.contact("down", 0, 900)
    assert [event for _, event in bench.until(2000)] == [
        "up.press", "down.press", "both.chord",
        "up.release", "up.press", "up.release", "down.release",
    ]
    assert bench.state("both") == "idle"


def test_a_chord_can_follow_a_click():
    """After both are released everything begins anew."""
    bench = Bench(PAIR)
    bench.contact("up", 0, 100, 1000, 1500)
    bench.contact("down", 1010, 1600)
    assert [event for _, event in bench.until(3000)].count("both.chord") == 1


def test_a_first_press_repeated_in_time_starts_the_time_anew():
    """The first button is let go and pressed again: the time counts from its last press."""
    bench = Bench('[buttons.up]\ndebounce = "1 ms"\n[buttons.down]\ndebounce = "1 ms"\n'
                  '[chords]\nboth = { buttons = ["up", "down"], within = "60 ms" }\n')
    bench.contact("up", 0, 20, 40)
    bench.contact("down", 90)
    assert bench.until(200)[-2:] == [(91, "down.press"), (91, "both.chord")]


THREE = """
[buttons.a]
[buttons.b]
[buttons.c]
[chords]
all = { buttons = ["a", "b", "c"], within = "100 ms" }
"""


def test_three_buttons_make_a_chord_in_any_order():
    """The chord comes with the last of the three; no one clicks until all are released."""
    bench = Bench(THREE)
    bench.contact("c", 0, 1000)
    bench.contact("a", 40, 1100)
    bench.contact("b", 99, 1200, 1250, 1300)
    assert bench.until(2000) == [
        (20, "c.press"), (60, "a.press"), (119, "b.press"), (119, "all.chord"),
        (1020, "c.release"), (1120, "a.release"), (1220, "b.release"),
        (1270, "b.press"), (1320, "b.release"), (1320, "b.click"),
    ]  # fmt: skip


def test_two_of_three_buttons_are_no_chord():
    """When the time ends with one button missing, the third press comes too late."""
    bench = Bench(THREE)
    bench.contact("a", 0, 1000)
    bench.contact("b", 50, 1000)
    bench.contact("c", 101, 1000)
    events = [event for _, event in bench.until(2000)]
    assert "all.chord" not in events
    assert sorted(event for event in events if event.endswith("click")) == [
        "a.click", "b.click", "c.click"
    ]


def test_chords_may_share_a_button():
    """Two chords with one button in common: only the one whose buttons are pressed sounds."""
    bench = Bench(
        "[buttons.a]\n[buttons.b]\n[buttons.c]\n[chords]\n"
        'left = { buttons = ["a", "b"] }\nright = { buttons = ["b", "c"] }\n'
    )
    bench.contact("b", 0, 500)
    bench.contact("c", 30, 500)
    events = [event for _, event in bench.until(1000)]
    assert events == ["b.press", "c.press", "right.chord", "b.release", "c.release"]


def test_a_double_click_can_be_part_of_a_chord_later():
    """A chord that begins while a button waits for its second press: the double comes first."""
    bench = Bench(PAIR)
    bench.contact("down", 0, 100, 200, 900)
    bench.contact("up", 230, 900)
    assert [event for _, event in bench.until(2000)] == [
        "down.press", "down.release", "down.press", "down.double", "up.press", "both.chord",
        "up.release", "down.release",
    ]


CHORDED = """
[buttons.a]
debounce = "10 ms"
double = "350 ms"
[buttons.b]
debounce = "10 ms"
double = "350 ms"
[chords]
both = { buttons = ["a", "b"], within = "60 ms" }
"""


def kinds(found):
    """The names of events that are no press and no release."""
    return [name for _, name in found if not name.endswith((".press", ".release"))]


@pytest.mark.parametrize("first", ["a", "b"])
@pytest.mark.parametrize("apart_ms", [0, 20])
def test_a_chord_takes_the_place_of_the_double_of_its_last_button(first, apart_ms):
    """A second press inside the window that ends a chord is the chord alone, also at one time."""
    other = "b" if first == "a" else "a"
    bench = Bench(CHORDED)
    bench.contact(other, 0, 50, 200 + apart_ms, 300)
    bench.contact(first, 200, 300)
    assert kinds(bench.until(2000)) == ["both.chord"]


def test_both_buttons_of_a_chord_may_have_been_clicked_before():
    """Neither pending click comes, neither double."""
    bench = Bench(CHORDED)
    for button in "ab":
        bench.contact(button, 0, 50, 200, 300)
    found = kinds(bench.until(2000))
    assert found == ["both.chord"] * 2 or found == ["both.chord"]


def test_a_double_click_of_a_chord_button_comes_at_its_second_settled_press():
    """The chord does not delay it; what has been emitted stands when the chord comes later."""
    bench = Bench(CHORDED)
    bench.contact("a", 0, 50, 200, 300)
    assert [one for one in bench.until(1000) if one[1] == "a.double"] == [(210, "a.double")]
    bench.contact("a", 1000, 1050, 1200, 1300)
    bench.contact("b", 1230, 1300)
    assert kinds(bench.until(3000)) == ["a.double", "a.double", "both.chord"]


def test_a_button_counts_as_pressed_while_its_double_is_decided():
    """From the settled press on, without a gap."""
    bench = Bench(CHORDED)
    assert set(bench.system.names.inside("a.pressed").states) == {"down", "held", "again"}
