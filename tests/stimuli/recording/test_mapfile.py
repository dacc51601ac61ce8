"""Map files: what is read, and how names are checked against recording and gadget."""

from __future__ import annotations

from pathlib import Path

import pytest

import simfw
from simfw.errors import DescriptionError
from simfw.gadget.model import Gadget
from simfw.stimuli.recording import open_recording
from simfw.stimuli.recording.mapfile import find_signal, gadget_signals, read_map
from simfw.stimuli.recording.signals import observe
from simfw.stimuli.scenario import Press, Wave

LARDER = Path(__file__).parents[3] / "scenarios" / "larder-lamp" / "gadget.toml"

@pytest.fixture(scope="module")
def larder() -> Gadget:
    """The larder lamp."""
    return simfw.load_gadget(LARDER)


def test_signals_have_the_gadgets_names(larder: Gadget) -> None:
    """Inputs first; sections, segments and infra-red parts may be named."""
    signals = gadget_signals(larder)
    assert list(signals)[:5] == ["power", "level", "wave", "usb", "temperature"]
    bar = find_signal(signals, "bars.2")
    assert bar is not None
    assert (bar.kind, bar.segment) == ("segment", 2)
    assert find_signal(signals, "bars.9") is None
    assert find_signal(signals, "lights.shelf") == signals["shelf"]
    assert find_signal(signals, "buttons.shelf") is None


def test_inputs_are_read_through_the_map(larder: Gadget, tmp_path: Path) -> None:
    """Polarity, gaps closed, a distance for a two-valued wire, what is on at the start."""
    table = tmp_path / "log.csv"
    table.write_text("time_ms,key,near,lamp\n0,0,0,0\n100,1,1,0\n150,1,0,0\n160,1,1,0\n"
                     "300,1,0,1\n500,0,0,1\n900,0,0,1\n")
    path = tmp_path / "map.toml"
    path.write_text('[wires.key]\ninput = "power"\nactive = "low"\n[wires.near]\ninput = "wave"\n'
                    'distance = "5 cm"\nmerge = "20 ms"\n[wires.lamp]\noutput = "shelf"\n')
    found = observe(open_recording(table), read_map(path), larder)
    ms = 1_000_000
    assert found.started_on == ("power",)
    assert found.steps == (
        Press(at_ns=0, button="power", for_ns=100 * ms),
        Wave(at_ns=100 * ms, sensor="wave", distance_m=0.05, for_ns=200 * ms),
        Press(at_ns=500 * ms, button="power", for_ns=400 * ms + 1))
    assert found.outputs["shelf"].times_ns == [300 * ms]
    path.write_text('[wires.kee]\ninput = "power"\n[wires.lamp]\noutput = "shelv"\n')
    with pytest.raises(DescriptionError) as caught:
        observe(open_recording(table), read_map(path), larder)
    assert [(problem.line, problem.suggestion) for problem in caught.value.problems] == [
        (1, "key"), (4, "shelf")]
