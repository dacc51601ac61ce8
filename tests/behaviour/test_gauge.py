"""The gauge, its blinking bar, and the cell region, walked by hand."""

import pytest

from simfw.behaviour.build import build_system
from simfw.behaviour.outputs import drives_of
from simfw.behaviour.region import Drive
from simfw.errors import DescriptionError
from simfw.loading import load_gadget
from tests.behaviour.bench import HEAD, Bench, World

BARS = """
[lights.bars]
leds = 3
segments = true
forward = ["2.0 V @ 2 mA", "2.2 V @ 10 mA"]
resistor = "470R"
"""
GAUGE = BARS + """
[gauge]
light = "bars"
thresholds = ["3.3 V", "3.6 V", "3.9 V"]
hysteresis = "40 mV"
every = "1 s"
"""




@pytest.mark.parametrize(
    ("volts", "lit"),
    [(3.2999, 0), (3.3, 1), (3.5999, 1), (3.6, 2), (3.8999, 2), (3.9, 3), (4.3, 3)],
)
def test_the_first_sample_sets_the_bars_without_hysteresis(volts, lit):
    """It is taken at power-up, and emits neither up nor down."""
    bench = Bench(GAUGE, gauge_measured=volts)
    assert bench.state("gauge") == f"bars.{lit}"
    assert bench.until(1) == []


def test_a_bar_goes_out_below_its_threshold_and_returns_above_the_hysteresis():
    """3.6 V keeps bar 2, less puts it out; 3.639 V leaves it out, 3.64 V brings it back."""
    bench = Bench(GAUGE, gauge_measured=3.7)
    for ms, volts in ((500, 3.6), (1500, 3.5999), (2500, 3.6399), (3500, 3.64)):
        bench.at(ms, gauge_measured=volts)
    assert bench.until(10_000) == [(2000, "gauge.down"), (4000, "gauge.up")]
    assert bench.state("gauge") == "bars.2"


def test_several_bars_may_go_in_one_sample_with_one_event():
    """From three bars to none and back: one event each."""
    bench = Bench(GAUGE, gauge_measured=4.0)
    bench.at(500, gauge_measured=3.0)
    bench.at(1500, gauge_measured=4.0)
    bench.until(1400)
    assert bench.state("gauge") == "bars.0"
    assert bench.until(2400) == [(1000, "gauge.down"), (2000, "gauge.up")]
    assert bench.state("gauge") == "bars.3"


def test_bars_between_threshold_and_hysteresis_depend_on_where_they_came_from():
    """At 3.62 V two bars stay lit, but one bar stays one bar."""
    for first, lit in ((3.7, 2), (3.4, 1)):
        bench = Bench(GAUGE, gauge_measured=first)
        bench.at(500, gauge_measured=3.62)
        bench.until(5000)
        assert bench.state("gauge") == f"bars.{lit}"


def test_every_sample_is_an_awake_moment_that_lasts_no_time():
    """A sample passes through `reading.k`, which is awake and shows the same bars."""
    bench = Bench(GAUGE, gauge_measured=3.7)
    bench.until(1000.001)
    assert [row.key for row in bench.stepper.fired] == ["gauge.every#4", "gauge.every#8"]
    region = bench.system.region("gauge")
    assert all(state.awake is state.name.startswith(("reading", "unread"))
               for state in region.states)
    for k in range(4):
        assert region.state(f"bars.{k}").outputs == region.state(f"reading.{k}").outputs
    assert region.state("bars.2").outputs == {"bars": Drive(1.0, 2)}


def test_a_gauge_without_thresholds_only_feeds_the_cell_region():
    """It samples all the same, and has no events of its own."""
    bench = Bench('[gauge]\nlow = "3.4 V"\nevery = "1 s"\n', gauge_measured=3.3)
    assert bench.system.events == ("cell.low", "cell.back")
    assert bench.state("gauge") == "bars.0"
    assert bench.state("cell") == "low"


def test_one_sample_is_judged_under_one_load():
    """`cell` hears of a sample before the bars change: what is measured sags with every bar lit."""

    class Sagging(World):
        def quantity(self, name: str) -> float:
            lit = bench.state("gauge").rpartition(".")[2] if bench else "0"
            return 3.5 - 0.1 * int(lit if lit.isdigit() else 0)

    bench = None
    text = GAUGE.replace('["3.3 V", "3.6 V", "3.9 V"]', '["3.0 V", "3.1 V", "3.45 V"]')
    bench = Bench(text + 'low = "3.25 V"\n', gauge_measured=4.0)
    bench.world = Sagging()
    assert bench.state("gauge") == "bars.3"
    # 3.2 V with three bars lit is low, although it is 3.3 V as soon as a bar has gone out.
    assert bench.until(2500) == [(1000, "cell.low"), (1000, "gauge.down"), (2000, "cell.back")]


def test_a_gauge_has_a_limited_number_of_bars(tmp_path):
    """64 at most; a longer list is refused with its place."""
    path = tmp_path / "gadget.toml"
    volts = ", ".join(f'"{3 + k / 100:.2f} V"' for k in range(65))
    path.write_text(f"{HEAD.lstrip()}[gauge]\nthresholds = [{volts}]\n", encoding="utf-8")
    with pytest.raises(DescriptionError) as caught:
        load_gadget(path)
    (problem,) = caught.value.problems
    assert problem.key == "gauge.thresholds"
    assert (problem.text, problem.allowed) == ("this list is too long", "64 or fewer")
    path.write_text(path.read_text().replace('"3.00 V", ', ""), encoding="utf-8")
    assert len(build_system(load_gadget(path)).region("gauge").states) == 2 + 2 * 65


CELL = '[gauge]\nevery = "1 s"\nlow = "3.45 V"\nflat = "3.25 V"\n'


def test_low_and_flat_come_in_order_when_both_are_passed_at_once():
    """From fine to below flat in one sample: low first, then flat."""
    bench = Bench(CELL, gauge_measured=3.8)
    bench.at(500, gauge_measured=3.2)
    assert bench.until(1500) == [(1000, "cell.low"), (1000, "cell.flat")]
    assert bench.state("cell") == "flat"


def test_low_then_flat_then_back():
    """Flat holds until the cell measures above low again; exactly low is not above it."""
    bench = Bench(CELL, gauge_measured=3.8)
    for ms, volts in ((500, 3.4499), (1500, 3.25), (2500, 3.2499), (3500, 3.40), (4500, 3.45),
                      (5500, 3.4501)):  # fmt: skip
        bench.at(ms, gauge_measured=volts)
    assert bench.until(9000) == [(1000, "cell.low"), (3000, "cell.flat"), (6000, "cell.back")]


def test_low_alone_comes_back_above_low():
    """Without flat there are two states."""
    bench = Bench('[gauge]\nlow = "3.4 V"\n', gauge_measured=3.39)
    bench.at(500, gauge_measured=3.41)
    assert bench.until(1500) == [(0, "cell.low"), (1000, "cell.back")]


def test_flat_alone_comes_back_above_flat():
    """Without low, back means above flat."""
    bench = Bench('[gauge]\nflat = "3.2 V"\n', gauge_measured=3.1)
    bench.at(500, gauge_measured=3.2)
    bench.at(1500, gauge_measured=3.21)
    assert bench.until(2500) == [(0, "cell.flat"), (2000, "cell.back")]


def test_cell_low_in_an_expression_holds_in_low_and_flat():
    """`cell.low` until `cell.back`; `cell.flat` in flat only."""
    names = Bench(CELL).system.names
    low, flat = names.inside("cell.low"), names.inside("cell.flat")
    assert low is not None
    assert flat is not None
    assert low.states == {"low", "flat"}
    assert flat.states == {"flat"}


BLINKING = GAUGE + """
blink = "400 ms"
show = "not charge.unplugged"
[charger]
current = "300 mA"
float = "4.2 V"
status = "low while charging"
"""


def lit(bench):
    """How many bars are lit now."""
    drives = drives_of(bench.system, bench.stepper.states, bench.stepper.view(bench.world))
    return drives["bars"].segments if "bars" in drives else 0


def test_the_top_bar_blinks_while_charging():
    """Lit for a half period, out for a half period; steady when charging ends."""
    bench = Bench(BLINKING, gauge_measured=3.7)
    bench.usb(100, True)
    bench.status(200, low=True)
    bench.status(1500, high=True)
    seen = []
    for ms in (50, 150, 250, 599, 601, 999, 1001, 1401, 1501):
        bench.until(ms)
        seen.append(lit(bench))
    assert seen == [0, 2, 2, 2, 1, 1, 2, 1, 2]


def test_a_gauge_with_no_bar_blinks_none():
    """There is no bar to put out."""
    bench = Bench(BLINKING, gauge_measured=3.0)
    bench.usb(100, True)
    bench.status(200, low=True)
    bench.until(700)
    assert bench.state("gauge.blink") == "out"
    assert lit(bench) == 0


def test_blinking_ends_with_usb():
    """USB leaves in the dark half: steady at once."""
    bench = Bench(BLINKING, gauge_measured=3.7)
    bench.usb(100, True)
    bench.status(100, low=True)
    bench.usb(700, False)
    bench.until(699)
    assert bench.state("gauge.blink") == "out"
    bench.until(701)
    assert bench.state("gauge.blink") == "steady"


ASKED = GAUGE + """sample = "lamp.dark"
[buttons.power]
debounce = "0 s"
[behaviour.lamp]
starts = "dark"
states.dark = {}
states.lit = {}
rows = [
  { on = "power.press", from = "dark", to = "lit" },
  { on = "power.release", from = "lit", to = "dark" },
]
"""


def test_samples_are_taken_while_they_are_wanted_and_at_once_when_they_begin_to_be():
    """Dark at power-up: at 0. Lit from 1.5 s to 3.2 s: none. From there at 3.2 s, 4.2 s, ..."""
    bench = Bench(ASKED, gauge_measured=3.7)
    assert bench.state("gauge") == "bars.2"
    bench.at(1400, gauge_measured=3.2)
    bench.contact("power", 1500, 3200)
    bench.at(3500, gauge_measured=4.0)
    found = [one for one in bench.until(6000) if one[1].startswith("gauge")]
    assert found == [(3200, "gauge.down"), (4200, "gauge.up")]


def test_a_sample_that_is_due_in_the_instant_in_which_the_wish_ends_is_taken():
    """The press that ends it at 2 s comes at the end of a dwell of no time, behind the sample."""
    bench = Bench(ASKED, gauge_measured=3.7)
    bench.at(1900, gauge_measured=3.2)
    bench.contact("power", 2000)
    bench.at(2500, gauge_measured=4.0)
    found = [one for one in bench.until(9000) if one[1].startswith("gauge")]
    assert found == [(2000, "gauge.down")]


def test_before_the_first_sample_there_are_no_bars():
    """Wanted only while lit: none at power-up, and the controller does not wait awake for it."""
    bench = Bench(ASKED.replace('sample = "lamp.dark"', 'sample = "lamp.lit"'), gauge_measured=3.7)
    assert bench.state("gauge") == "unread"
    assert not bench.system.region("gauge").state("unread").awake
    bench.contact("power", 2500)
    bench.until(2600)
    assert bench.state("gauge") == "bars.2"
