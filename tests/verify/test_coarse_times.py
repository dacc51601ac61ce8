"""What a table that a hand has written says of a timing: no more than the places of its times."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from simfw.cli import main
from tests.verify.gadgets import PLAIN

# A click 20 ms after the contact opened, and 30 s of light; the times are cut off after 0.01 s.
SEEN = """time_s,key,lamp
0.00,0,0
1.00,1,0
1.10,0,0
1.12,0,1
4.00,1,1
4.10,0,1
4.12,0,0
5.00,0,0
"""


@pytest.mark.parametrize(("digits", "step_s"), [(2, 0.01), (4, 0.0001)])
def test_a_timing_is_told_within_the_places_of_the_recording(
    digits: int, step_s: float, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """20 ms from the release to the light, each known to a step: a step either way."""
    (tmp_path / "gadget.toml").write_text(PLAIN, encoding="utf-8")
    lines = [line.split(",", 1) for line in SEEN.splitlines()]
    text = "\n".join([",".join(lines[0]), *(
        f"{float(at):.{digits}f},{rest}" for at, rest in lines[1:])]) + "\n"
    (tmp_path / "seen.csv").write_text(text, encoding="utf-8")
    arguments = [str(tmp_path / "seen.csv"), "--gadget", str(tmp_path / "gadget.toml")]
    assert main(["replay", *arguments, "--json"]) == 0
    timings = {one["key"]: one for one in json.loads(capsys.readouterr().out)["timings"]}
    debounce = timings["buttons.key.debounce"]
    assert debounce["measured_s"] == pytest.approx(0.02)
    assert debounce["low_s"] == pytest.approx(0.02 - step_s)
    assert debounce["high_s"] == pytest.approx(0.02 + step_s)
