"""What all states drive together."""

from hypothesis import given, settings
from hypothesis import strategies as st

from simfw.behaviour.build import build_system
from simfw.behaviour.outputs import drives_of, is_awake, larger, scaled
from simfw.behaviour.region import Drive
from tests.behaviour.bench import Bench, World, gadget

TWO = """
[lights.shelf]
forward = ["2.75 V @ 5 mA", "3.0 V @ 20 mA"]
resistor = "22R"
[lights.bars]
leds = 5
segments = true
forward = ["2.0 V @ 2 mA", "2.2 V @ 10 mA"]
resistor = "470R"
[behaviour.a]
starts = "x"
states.x = { shelf = "45 %", bars = 2 }
states.y = { controller = "awake" }
[behaviour.b]
starts = "x"
states.x = { shelf = "4 %", bars = 3 }
states.y = { shelf = "100 %" }
"""


def test_a_light_driven_by_two_regions_takes_the_larger():
    """Larger duty, or more segments."""
    system = Bench(TWO).system
    assert drives_of(system, {"a": "x", "b": "x"}, World()) == {
        "bars": Drive(1.0, 3), "shelf": Drive(0.45)
    }  # fmt: skip
    assert drives_of(system, {"a": "x", "b": "y"}, World()) == {
        "bars": Drive(1.0, 2), "shelf": Drive(1.0)
    }  # fmt: skip
    assert drives_of(system, {"a": "y", "b": "y"}, World()) == {"shelf": Drive(1.0)}


def test_segments_count_before_duty():
    """More bars win; with equal bars the first given stays."""
    assert larger(Drive(1.0, 2), Drive(1.0, 3)) == Drive(1.0, 3)
    assert larger(Drive(0.5), Drive(0.2)) == Drive(0.5)


def test_show_gates_the_outputs_of_its_region_alone():
    """The gauge's bars are hidden, those of another region are not."""
    text = TWO + '[gauge]\nlight = "bars"\nthresholds = ["3 V", "3.1 V", "3.2 V", "3.3 V"]\n' + (
        'show = "a.y"\n'
    )
    system = Bench(text, gauge_measured=4.0).system
    states = {"gauge": "bars.4", "a": "x", "b": "y"}
    assert drives_of(system, states, World(states=states))["bars"] == Drive(1.0, 2)
    states["a"] = "y"
    assert drives_of(system, states, World(states=states))["bars"] == Drive(1.0, 4)


def test_one_awake_state_keeps_the_controller_awake():
    """Any region is enough."""
    system = Bench(TWO).system
    assert is_awake(system, {"a": "y", "b": "x"})
    assert not is_awake(system, {"a": "x", "b": "y"})


DIM = TWO + """
[behaviour.dim]
starts = "no"
states.no = {}
states.quarter = { scale = { shelf = "25 %" } }
states.out = { scale = { shelf = "off", bars = "off" } }
[behaviour.save]
starts = "no"
states.no = {}
states.yes = { scale = { shelf = "40 %" } }
"""


def driven(dim: str, save: str, b: str = "y") -> dict[str, Drive]:
    """What is driven with a in x: 45 % of the shelf and two bars, b above that."""
    states = {"a": "x", "b": b, "dim": dim, "save": save}
    return drives_of(Bench(DIM).system, states, World())


def test_a_scale_multiplies_what_comes_out_after_the_largest_driver():
    """100 % of b, not 45 % of a, is cut to a quarter; two scales multiply."""
    assert driven("quarter", "no") == {"bars": Drive(1.0, 2), "shelf": Drive(0.25)}
    assert driven("quarter", "yes")["shelf"] == Drive(0.25 * 0.4)
    assert driven("quarter", "yes", "x")["shelf"] == Drive(0.45 * (0.25 * 0.4))


def test_a_scale_that_is_off_puts_out_and_blanks_segments():
    """Nothing is left, however much is driven."""
    assert driven("out", "no") == driven("out", "yes") == {}


def test_a_scale_blanks_the_bars_of_a_gauge():
    """After `show`: bars that are shown are blanked, and come back when the state is left."""
    text = DIM + '[gauge]\nlight = "bars"\nthresholds = ["3 V", "3.1 V"]\n'
    system = Bench(text, gauge_measured=4.0).system
    states = {"gauge": "bars.2", "a": "y", "b": "y", "dim": "out", "save": "no"}
    assert drives_of(system, states, World(states=states)) == {}
    states["dim"] = "no"
    assert drives_of(system, states, World(states=states))["bars"] == Drive(1.0, 2)


def test_a_scale_of_all_changes_nothing():
    """The regions are the same with `100 %` as without."""
    assert build_system(gadget(DIM)) == build_system(gadget(DIM.replace(
        "states.no = {}", 'states.no = { scale = { shelf = "100 %" } }')))


@settings(max_examples=200, deadline=None)
@given(st.lists(st.sampled_from([0.0, 0.07, 0.1, 0.3, 1 / 3, 0.7, 1.0]), max_size=5),
       st.sampled_from([0.01, 0.3, 0.45, 1.0]), st.randoms())
def test_scales_commute(factors, duty, rng):
    """The very same level in whatever order, never above the driver's, and 1 changes nothing."""
    left = scaled(Drive(duty), factors)
    shuffled = [*factors, 1.0]
    rng.shuffle(shuffled)
    assert scaled(Drive(duty), shuffled) == left
    assert left.duty <= duty
    assert scaled(Drive(1.0, 3), factors).segments == (3 if all(factors) else 0)
