"""What to look at where a difference is one of events, and where what is kept is told."""

from __future__ import annotations

from simfw.conform.placed import Placed
from simfw.vectors.sketch import Act
from tests.conform.differing import differing
from tests.vectors.acts import pressed

MS = 1_000_000
TALLY = """
[gadget]
name = "Tally"
[cell]
curve = "lco"
capacity = "100 mAh"
[loads.lamp]
current = "10 mA"
[loads.mark]
current = "1 mA"
[buttons.key]
debounce = "5 ms"
hold = "1 s"
[buttons.dimmer]
debounce = "5 ms"
[dials.count]
values = ["0 %", "30 %", "60 %"]
kept = true
rows = [{ on = "key.press", step = 1, wrap = true }, { on = "key.hold", to = 0 }]
[behaviour.show]
starts = "lit"
states.lit = { lamp = "count" }
states.dark = {}
rows = [{ on = "dimmer.click", from = "dark", to = "lit" }]
[behaviour.search]
starts = "idle"
states.idle = {}
states.running = {}
rows = [
  { on = "dimmer.press", from = "idle", to = "running" },
  { after = "2 s", from = "running", to = "idle", emit = "search.over" },
]
[behaviour.wink]
starts = "off"
states.off = {}
states.on = { mark = "on" }
rows = [
  { on = "key.click", from = "off", to = "on" },
  { on = "search.over", from = "on", to = "off" },
]
"""


def placed_at(acts: list[Act], at_ms: int, expected: str, told: str) -> Placed:
    """What is said where the model says one line at a time and the firmware another."""
    lines = [f"{one.split()[0]} {at_ms * MS} {' '.join(one.split()[1:])}" if one != "nothing"
             else one for one in (expected, told)]  # fmt: skip
    found, place = differing(TALLY, acts, acts[-1].at_ns // MS + 3000, at_ms, *lines)
    if expected != "nothing":
        assert lines[0] in [one.line for one in found.drive.replay.reports]
    return place


def test_an_output_that_the_model_switches_with_an_event_is_looked_at() -> None:
    """The row that emits `count.changed` moves the lamp, and nothing hears it."""
    place = placed_at(pressed("key", (100, 1500)), 1105, "event count.changed", "nothing")
    assert "look at lamp 1.005 s later, which the model switches with count.changed" in place.bench


def test_an_output_that_rests_then_is_not_looked_at() -> None:
    """`search.over` puts out a mark that was never lit, or one that is lit."""
    acts = pressed("dimmer", (100, 50))
    place = placed_at(acts, 2105, "event search.over", "nothing")
    assert ("look at all outputs 1.955 s later: search.over shows at no pin, and nothing that "
            "follows from it switches one." in place.bench)
    place = placed_at([*pressed("key", (10, 20)), *acts], 2105, "event search.over", "nothing")
    assert "look at mark 1.955 s later, which the model switches with search.over" in place.bench


def test_an_output_that_is_off_for_a_moment_is_looked_at_from_then_on() -> None:
    """`search.over` ends a winking that shows nothing just then: the firmware goes on with it."""
    acts = [*pressed("key", (10, 20)), *pressed("dimmer", (100, 50))]
    blinking = '[sequences.blink]\nsteps = ["on for 40 ms", "off for 960 ms"]\n[dials.count]'
    text = TALLY.replace("[dials.count]", blinking).replace('mark = "on"', 'mark = "blink"')
    found, place = differing(text, acts, 5000, 2105, f"event {2105 * MS} search.over", "nothing")
    assert f"event {2105 * MS} search.over" in [one.line for one in found.drive.replay.reports]
    assert not [one for one in found.drive.replay.reports
                if (one.kind, one.time_ns) == ("out", 2105 * MS)]
    assert "look at mark 1.955 s later and after that, which what follows" in place.bench


def test_what_follows_from_an_event_of_the_firmware_alone_is_looked_at() -> None:
    """A press that the model does not hear makes the count step; a release makes a click first,
    which puts the mark on. What stands lit already cannot be lit.
    """
    acts = pressed("dimmer", (100, 50))
    place = placed_at(acts, 120, "nothing", "event key.press")
    assert ("look at lamp 20 ms later and after that, which what follows from key.press may "
            "switch: the event itself shows at no pin." in place.bench)
    place = placed_at(acts, 120, "nothing", "event key.release")
    assert "look at mark 20 ms later and after that, which what follows from key." in place.bench
    place = placed_at(acts, 120, "nothing", "event dimmer.click")
    assert ("dimmer.click shows at no pin, and nothing that follows from it switches one."
            in place.bench)


def _cut() -> list[Act]:
    return [Act(4000 * MS, "supply", "supply", 0.0), Act(5000 * MS, "supply", "supply", 1.0)]


def test_a_count_that_was_cleared_and_comes_back_is_placed_at_what_is_kept() -> None:
    """The model brings back a 0, which is the first position too: no row fires, and the firmware
    shows what it had kept before.
    """
    acts = [*pressed("key", (100, 1500)), *_cut()]
    place = placed_at(acts, 5000, "nothing", "out lamp 300000")
    assert place.requirements[0].number.startswith("KEEP")
    place = placed_at([*acts, *pressed("key", (6000, 50))], 6005, "out lamp 300000",
                      "out lamp 600000")  # fmt: skip
    assert "KEEP" in place.requirements[1].number


def test_what_is_kept_is_not_spoken_of_once_the_region_has_moved_since() -> None:
    """The press at 6 s has taken the count on; what it does at 7 s is its row's."""
    acts = [*_cut(), *pressed("key", (6000, 50), (7000, 50))]
    place = placed_at(acts, 7005, "out lamp 600000", "out lamp 300000")
    assert not [one for one in place.requirements if one.number.startswith("KEEP")]


def test_an_output_that_stays_off_is_no_matter_of_what_was_kept_long_ago() -> None:
    """Off is what no position brings about that the count could have been left in."""
    acts = [*pressed("key", (100, 1500)), *_cut(), *pressed("key", (6000, 50))]
    place = placed_at(acts, 6005, "out lamp 300000", "nothing")
    assert not [one for one in place.requirements if one.number.startswith("KEEP")]
