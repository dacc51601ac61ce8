"""Stock regions against plain models of what they are for.

Each model is written from the meaning of the part (a debounced contact, a click, a wave, a bar with
hysteresis), in one pass over the whole list, and knows nothing of regions, rows or queues. Times
are whole nanoseconds; gaps are drawn on both sides of every limit.
"""

from __future__ import annotations

from itertools import pairwise

from hypothesis import assume, given, settings
from hypothesis import strategies as st

from tests.behaviour.bench import MS, Bench

DEBOUNCE, HOLD, DOUBLE = 20 * MS, 100 * MS, 70 * MS
GAPS = st.sampled_from(
    [1, 5 * MS, DEBOUNCE - 1, DEBOUNCE, DEBOUNCE + 1, 30 * MS, 60 * MS, DOUBLE - 1, DOUBLE,
     DOUBLE + 1, HOLD - 1, HOLD, HOLD + 1, 150 * MS]
)  # fmt: skip
END = 5000 * MS


def edges_from(gaps: list[int]) -> list[int]:
    """Times of edges, the first of which closes the contact."""
    times, now = [], 10 * MS
    for gap in gaps:
        times.append(now)
        now += gap
    return times


def settled(edges: list[int]) -> list[tuple[int, str]]:
    """A level counts once it has stood for the debounce time; an edge at its very end undoes it."""
    found, level = [], False
    for count, (edge, following) in enumerate(pairwise([*edges, END * 2])):
        closed = count % 2 == 0
        if following - edge > DEBOUNCE and closed != level:
            level = closed
            found.append((edge + DEBOUNCE, "press" if closed else "release"))
    return found


def gestures(found: list[tuple[int, str]], hold: bool, double: bool) -> list[tuple[int, str]]:
    """Clicks, doubles and holds of settled presses and releases."""
    out: list[tuple[int, str]] = []
    waiting: int | None = None  # end of the double window
    for (when, what), (later, _) in pairwise([*found, (END * 2, "")]):
        if what == "press":
            second = waiting is not None and when < waiting
            if waiting is not None:
                out.append((when, "double") if second else (waiting, "click"))
            waiting = None
            # A release that settles in the instant in which the hold ends is too late.
            held = second or (hold and later >= when + HOLD)
            if held and not second and when + HOLD < END:
                out.append((when + HOLD, "hold"))
        elif not held:
            if double:
                waiting = when + DOUBLE
            else:
                out.append((when, "click"))
    if waiting is not None:
        out.append((waiting, "click"))
    return out


@settings(max_examples=150, deadline=None)
@given(st.lists(GAPS, max_size=14), st.booleans(), st.booleans())
def test_a_button_yields_what_its_meaning_says(gaps, hold, double):
    """Press, release, click, double and hold, each at its exact time, for any train of edges."""
    edges = edges_from(gaps)
    text = '[buttons.key]\ndebounce = "20 ms"\n'
    text += 'hold = "100 ms"\n' * hold + 'double = "70 ms"\n' * double
    bench = Bench(text)
    bench.contact("key", *(edge / MS for edge in edges))
    levels = settled(edges)
    expected = levels + gestures(levels, hold, double)
    found = [(round(ms * MS), event.removeprefix("key.")) for ms, event in bench.until(END / MS)]
    assert sorted(found) == sorted(expected)


@settings(max_examples=100, deadline=None)
@given(st.lists(st.integers(1, DEBOUNCE - 1), max_size=15), st.integers(0, 10**9))
def test_a_bounce_shorter_than_the_debounce_time_never_makes_two_presses(gaps, held):
    """However the contact bounces, one closing is one press, and none if it ends open."""
    bench = Bench('[buttons.key]\ndebounce = "20 ms"\n')
    edges = edges_from([*gaps, DEBOUNCE + 1 + held])
    bench.contact("key", *(edge / MS for edge in edges))
    presses = [event for _, event in bench.until(10**6) if event == "key.press"]
    assert len(presses) == len(edges) % 2


@settings(max_examples=100, deadline=None)
@given(st.lists(st.integers(1, 30), max_size=15), st.integers(1, 5))
def test_a_sampled_button_needs_equal_reads_in_a_row(gaps, samples):
    """Reads at 4, 8, 12 ms ...; the level changes at the n-th equal read that differs from it."""
    bench = Bench(
        f'[buttons.key]\nstyle = "sample"\nsamples = {samples}\nsample_every = "4 ms"\n'
    )
    edges = edges_from([gap * MS for gap in gaps])
    bench.contact("key", *(edge / MS for edge in edges))
    expected, level, count = [], False, 0
    for read in range(4 * MS, 600 * MS, 4 * MS):
        closed = sum(edge <= read for edge in edges) % 2 == 1
        count = count + 1 if closed != level else 0
        if count == samples:
            level, count = closed, 0
            expected.append((read, "key.press" if closed else "key.release"))
    found = [(round(ms * MS), event) for ms, event in bench.until(600)]
    assert [each for each in found if each[1] != "key.click"] == expected
    assert [each[0] for each in found if each[1] == "key.click"] == [
        when for when, event in expected if event == "key.release"
    ]


@settings(max_examples=100, deadline=None)
@given(
    st.lists(st.tuples(st.booleans(), st.integers(1, 6)), max_size=12), st.integers(1, 4),
    st.sampled_from([50, 100, 150, 199, 201, 350]),
)  # fmt: skip
def test_a_wave_is_a_hand_after_a_clear_field(spans, agree, clear_ms):
    """Near and far by counting echoes; a wave only after the field has been clear long enough."""
    answers = [answer for answer, count in spans for _ in range(count)]
    bench = Bench(
        f'[proximity.hand]\nevery = "100 ms"\nsettle = "2 ms"\nagree = {agree}\n'
        f'clear = "{clear_ms} ms"\ncarrier = "38 kHz"\nduty = "50 %"\nburst = 38\n'
    )
    for look, answer in enumerate(answers):
        bench.echo("hand", 100 * look + 1, answer)
    bench.echo("hand", 100 * len(answers) + 1, False)

    expected, near, run = [], False, 0
    clear_from: float | None = 0.0  # since when the field is clear, if it is; 0: long enough
    for look, answer in enumerate([*answers, *[False] * 12]):
        now = 100 * look + 3
        if not near and not answer and clear_from is None:
            clear_from = now
        run = run + 1 if answer != near else 0
        if not near and answer and run == 1 and clear_from and now - clear_from < clear_ms:
            clear_from = None  # the field was not clear after all
        if run == agree:
            near, run = answer, 0
            expected.append((now, "hand.near" if near else "hand.far"))
            if near and clear_from is not None:
                expected.append((now, "hand.wave"))
            clear_from = None if near else now
    assert bench.until(100 * (len(answers) + 12)) == expected


VOLTS = st.integers(2900, 4100).map(lambda mv: mv / 1000)


@settings(max_examples=100, deadline=None)
@given(
    st.lists(VOLTS, min_size=1, max_size=20),
    st.sets(st.integers(3000, 4000), min_size=1, max_size=5),
    st.integers(0, 400),
)
def test_bars_follow_the_hysteresis_law(volts, thresholds_mv, hysteresis_mv):
    """Every bar by itself: lit goes out below its threshold, out returns above the hysteresis."""
    limits = sorted(mv / 1000 for mv in thresholds_mv)
    gap = hysteresis_mv / 1000
    text = "[gauge]\nthresholds = [" + ", ".join(f'"{limit} V"' for limit in limits)
    text += f']\nhysteresis = "{hysteresis_mv} mV"\nevery = "1 s"\n'
    bench = Bench(text, gauge_measured=volts[0])
    lit = [volts[0] >= limit for limit in limits]
    events = []
    for second, measured in enumerate(volts):
        if second:
            bench.at(1000 * second - 500, gauge_measured=measured)
            before = sum(lit)
            lit = [
                measured >= limit if was else measured >= round(limit + gap, 12)
                for was, limit in zip(lit, limits, strict=True)
            ]
            if sum(lit) != before:
                events.append((1000 * second, f"gauge.{'up' if sum(lit) > before else 'down'}"))
        # Thresholds rise and all share one hysteresis, so the lit bars are always the lowest.
        assume(lit == sorted(lit, reverse=True))
        assert bench.until(1000 * second + 400) == events
        assert bench.state("gauge") == f"bars.{sum(lit)}"


@settings(max_examples=60, deadline=None)
@given(st.lists(VOLTS, min_size=1, max_size=20))
def test_low_and_flat_come_and_go_in_order(volts):
    """Low before flat, back only after low, and the state agrees with the last event."""
    bench = Bench('[gauge]\nlow = "3.4 V"\nflat = "3.1 V"\nevery = "1 s"\n',
                  gauge_measured=volts[0])  # fmt: skip
    for second, measured in enumerate(volts[1:], start=1):
        bench.at(1000 * second - 500, gauge_measured=measured)
    state, expected = "fine", []
    for second, measured in enumerate(volts):
        if measured > 3.4 and state != "fine":
            state = "fine"
            expected.append((1000 * second, "cell.back"))
        if measured < 3.4 and state == "fine":
            state = "low"
            expected.append((1000 * second, "cell.low"))
        if measured < 3.1 and state == "low":
            state = "flat"
            expected.append((1000 * second, "cell.flat"))
    assert bench.until(1000 * len(volts) - 500) == expected
    assert bench.state("cell") == state


CHORD_GAPS = st.sampled_from([1, 21, 30, 59, 60, 61, 90])


@settings(max_examples=100, deadline=None)
@given(st.lists(st.tuples(st.sampled_from("ab"), CHORD_GAPS), max_size=14))
def test_a_chord_silences_its_buttons_until_all_are_released(toggles):
    """Between a chord and the release of the last button nothing clicks; outside all do."""
    bench = Bench('[buttons.a]\n[buttons.b]\n[chords]\n'
                  'both = { buttons = ["a", "b"], within = "60 ms" }\n')  # fmt: skip
    closed, now = {"a": False, "b": False}, 10
    for button, gap in toggles:
        closed[button] = not closed[button]
        bench.at(now, f"{button}.edge", flags={f"{button}.closed": closed[button]})
        now += gap
    down: dict[str, float] = {}
    silent = False
    clicks = []
    events = bench.until(now + 500)
    for ms, event in events:
        name, _, what = event.partition(".")
        if what == "press":
            down[name] = ms
        elif what == "chord":
            assert len(down) == 2
            assert max(down.values()) == ms
            assert ms - min(down.values()) < 60
            silent = True
        elif what == "release":
            del down[name]
            if not silent:
                clicks.append((ms, f"{name}.click"))
            silent = silent and bool(down)
    assert [each for each in events if each[1].endswith("click")] == clicks
