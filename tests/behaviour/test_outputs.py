"""What all states drive together."""

from simfw.behaviour.outputs import drives_of, is_awake, larger
from simfw.behaviour.region import Drive
from tests.behaviour.bench import Bench, World

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
