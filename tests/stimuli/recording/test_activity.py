"""What is seen on wires whose meaning is not known yet, and the map that is drafted from it."""

from __future__ import annotations

from pathlib import Path

import pytest

import simfw
from simfw.stimuli.recording import open_recording
from simfw.stimuli.recording.activity import activity, draft_map
from simfw.stimuli.recording.mapfile import read_map

LARDER = Path(__file__).parents[3] / "scenarios" / "larder-lamp" / "gadget.toml"


@pytest.fixture
def log(tmp_path: Path) -> Path:
    """A capture with a dimmed light, a carrier, a button, a wire that rests and an odd name."""
    edges: list[tuple[float, int, int]] = []
    for wire, half_us, count in ((0, 1000.0, 40), (1, 13.158, 30), (4, 200_000.0, 2)):
        edges += [(1000.0 + k * half_us, wire, 1 - k % 2) for k in range(2 * count)]
    edges += [(50_000.0, 2, 0), (200_000.0, 2, 1)]
    level = [0, 0, 1, 1, 0]
    rows = ["time_us,shelf,wave.emitter,Power,resting,a b"]
    rows.append("0," + ",".join(map(str, level)))
    for at_us, wire, value in sorted(edges):
        level[wire] = value
        rows.append(f"{at_us:.3f}," + ",".join(map(str, level)))
    rows.append("900000," + ",".join(map(str, level)))
    path = tmp_path / "log.csv"
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return path


def test_a_draft_says_what_was_seen_and_guesses_how_to_read_it(log: Path, tmp_path: Path) -> None:
    """PWM, carrier, a contact that is high at rest, a name nearly right, and wires unknown."""
    gadget = simfw.load_gadget(LARDER)
    found = activity(open_recording(log))
    draft = draft_map(found, gadget)
    blocks = draft.split("\n\n")
    shelf = next(block for block in blocks if "[wires.shelf]" in block)
    assert "about 500 Hz" in shelf
    assert 'output = "shelf"\ndecode = "pwm"\nlongest = "4.4 ms"' in shelf
    emitter = next(block for block in blocks if '[wires."wave.emitter"]' in block)
    assert 'decode = "burst"' in emitter
    power = next(block for block in blocks if "[wires.Power]" in block)
    assert 'input = "power"      # a guess by name' in power
    assert 'active = "low"      # it is high most of the time' in power
    resting = next(block for block in blocks if "resting" in block)
    assert "no edge, always 1" in resting
    assert '# [wires."a b"]' in draft
    path = tmp_path / "map.toml"
    path.write_text(draft, encoding="utf-8")
    assert list(read_map(path).wires)[:3] == ["shelf", "wave.emitter", "Power"]
