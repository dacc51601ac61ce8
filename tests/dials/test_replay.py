"""A recording that begins in the middle: the position of a dial is found by the level it gives."""

from __future__ import annotations

from pathlib import Path

import pytest

from simfw.cli import main
from tests.dials.made import PARTS

LAMP = """
[dials.dim]
values = ["5 %", "30 %", "100 %"]
starts = 1
rows = [{ on = "up.press", step = 1 }, { on = "down.press", step = -1 }]
[behaviour.lamp]
starts = "off"
states.off = {}
states.lit = { warm = "dim" }
rows = [
  { on = "key.press", from = "off", to = "lit" },
  { on = "key.press", from = "lit", to = "off" },
]
"""


def test_the_position_at_the_beginning_is_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """At full level when the recording begins: lit in the last position; one step down is 30 %."""
    monkeypatch.chdir(tmp_path)
    Path("gadget.toml").write_text(PARTS + LAMP, encoding="utf-8")
    Path("log.csv").write_text(
        "time_s,up,down,key,warm,cool\n0,0,0,0,1,0\n1,0,1,0,1,0\n1.005,0,1,0,0.3,0\n1.1,0,0,0,0.3,0\n"
        "3,0,1,0,0.3,0\n3.005,0,1,0,0.05,0\n3.1,0,0,0,0.05,0\n5,0,0,0,0.05,0\n", encoding="utf-8")
    status = main(["replay", "log.csv", "--gadget", "gadget.toml"])
    said = capsys.readouterr().out
    assert status == 0, said
    assert "begins in dim.2, lamp.lit" in said
