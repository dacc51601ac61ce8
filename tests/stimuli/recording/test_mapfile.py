"""Map files: what is read, and all mistakes of one file together."""

from __future__ import annotations

from pathlib import Path

import pytest

import simfw
from simfw.errors import DescriptionError, UsageError
from simfw.gadget.model import Gadget
from simfw.stimuli.recording import open_recording
from simfw.stimuli.recording.mapfile import find_signal, gadget_signals, read_map
from simfw.stimuli.recording.signals import observe
from simfw.stimuli.scenario import Press, Wave

LARDER = Path(__file__).parents[3] / "scenarios" / "larder-lamp" / "gadget.toml"

BROKEN = """\
[wires.A]
input = "power"
output = "shelf"
[wires.B]
decode = "frame"
form = "remot"
[wires.C]
output = "shelf"
step = "1 %"
[frames.remote]
header = ["9 ms", "4.5 ms"]
mark = "562 us"
zero = "562 us"
one = "1.7 ms"
bits = 32
tolerance = "30 %"
press = "30 ms"
[frames.remote.codes]
FF = "power"
"""


def refusal(path: Path) -> list[str]:
    """The problems of a map, without the folder."""
    with pytest.raises(DescriptionError) as caught:
        read_map(path)
    return [str(problem).replace(f"{path.parent}/", "") for problem in caught.value.problems]


def test_all_mistakes_of_a_map_are_told_together(tmp_path: Path) -> None:
    """Whole messages, each with its line."""
    path = tmp_path / "map.toml"
    path.write_text(BROKEN)
    assert refusal(path) == [
        "map.toml:1: wires.A: a wire is either an `input` or an `output`.",
        'map.toml:6: wires.B.form = remot: no such form of frames. Allowed: remote. Did you mean '
        '"remote"?',
        'map.toml:9: wires.C.step: `step` belongs to decode = "pwm".',
        "map.toml:19: frames.remote.codes = FF: this is not a code of this form. Allowed: 8 "
        "hexadecimal digits, in order of arrival."]


def test_keys_values_and_toml_are_checked(tmp_path: Path) -> None:
    """An unknown key with the nearest, a value that is no choice, text that is not TOML."""
    path = tmp_path / "map.toml"
    path.write_text('[wires.A]\noutptu = "shelf"\nactive = "up"\n')
    first, second = sorted(refusal(path))
    assert first.startswith("map.toml:2: wires.A.outptu: unknown key.")
    assert first.endswith('Did you mean "output"?')
    assert second == ("map.toml:3: wires.A.active = \"up\": this is not one of the choices. "
                      "Allowed: 'high' or 'low'.")
    path.write_text("[wires\n")
    assert "this is not TOML" in refusal(path)[0]
    with pytest.raises(UsageError, match="cannot be read"):
        read_map(tmp_path / "none.toml")


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
    assert [problem.suggestion for problem in caught.value.problems] == ["key", "shelf"]
