"""Looking things up in a system."""

import pytest

from simfw.behaviour.expression import Flag, Happened, evaluate
from tests.behaviour.bench import Bench, World


def test_regions_and_states_are_found_by_name():
    """An unknown name is a KeyError with that name."""
    system = Bench("[buttons.power]\n").system
    assert system.region("power.gesture").state("down").name == "down"
    with pytest.raises(KeyError, match=r"power\.gestures"):
        system.region("power.gestures")
    with pytest.raises(KeyError, match="held"):
        system.region("power.gesture").state("held")


def test_a_stepper_lends_its_states_to_a_view():
    """Inputs and events still come from outside."""
    bench = Bench("[buttons.power]\n")
    view = bench.stepper.view(World(flags={"usb": True}, events={"power.click"}))
    assert view.state("power.gesture") == "up"
    assert evaluate(Flag("usb"), view)
    assert evaluate(Happened("power.click"), view)
    assert view.quantity("cell.charge") == 0
