"""Reading scenario files."""

from pathlib import Path

import simfw

DATA = Path(__file__).parent.parent / "data"


def test_a_whole_scenario_file_is_read():
    """The steps of the file become typed values in nanoseconds and metres."""
    scenario = simfw.load_scenario(DATA / "jam-evening.toml")
    assert scenario.charge == 0.8
    assert len(scenario.steps) == 8
    assert scenario.gadget is not None
