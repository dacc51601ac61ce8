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


def test_a_start_and_a_distance_that_the_gadget_has_not_are_told_with_their_lines(
    larder: Gadget, tmp_path: Path
) -> None:
    """A state and a region of `start`, and a hand before a button, with the mistakes of wires."""
    table = tmp_path / "log.csv"
    table.write_text("time_ms,key,lamp\n0,0,0\n100,1,1\n150,0,0\n")
    path = tmp_path / "map.toml"
    path.write_text('[start]\nlamp = "drak"\nlamb = "dark"\n[wires.key]\ninput = "power"\n'
                    'distance = "5 cm"\n[wires.lamp]\noutput = "shelv"\n')
    with pytest.raises(DescriptionError) as caught:
        observe(open_recording(table), read_map(path), larder)
    assert [(problem.line, problem.key, problem.suggestion) for problem in caught.value.problems
            ] == [(2, "start.lamp", "dark"), (3, "start.lamb", "lamp"),
                  (6, "wires.key.distance", None), (8, "wires.lamp.output", "shelf")]
    assert all(problem.file == str(path) for problem in caught.value.problems)


def test_the_charge_of_a_map_may_be_what_a_meter_shows(tmp_path: Path) -> None:
    """3.5 V is half of a curve that runs straight from 3 V to 4 V; 5 V is none of its voltages."""
    (tmp_path / "straight.csv").write_text("charge,voltage_v\n0,3.0\n1,4.0\n")
    (tmp_path / "gadget.toml").write_text(
        '[gadget]\nname = "G"\n[cell]\ncurve = "straight.csv"\ncapacity = "1 Ah"\n')
    gadget = simfw.load_gadget(tmp_path / "gadget.toml")
    found = []
    for charge in ("3.5 V", "50 %"):
        (tmp_path / "map.toml").write_text(f'charge = "{charge}"\n')
        found.append(read_map(tmp_path / "map.toml").begins_at(gadget))
    assert found == [pytest.approx(0.5), 0.5]
    (tmp_path / "map.toml").write_text('about = "x"\ncharge = "5 V"\n')
    with pytest.raises(DescriptionError, match=r"map.toml:2: charge = .5 V.*3 V to 4 V"):
        read_map(tmp_path / "map.toml").begins_at(gadget)
