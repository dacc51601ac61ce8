"""Recordings of lights in time, held against sequences."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from simfw.cli import main

GADGET = """
[gadget]
name = "Winking"
[cell]
curve = "lco"
capacity = "300 mAh"
[loads.red]
current = "10 mA"
[buttons.power]
[sequences.hurry]
steps = ["on for 60 ms", "off for 80 ms", "on for 60 ms", "off for 800 ms"]
[behaviour.lamp]
starts = "dark"
states.dark = {}
states.flash = { red = "hurry" }
rows = [
  { on = "power.click", from = "dark", to = "flash" },
  { on = "power.click", from = "flash", to = "dark" },
]
"""


def edges(pause_ms: int, *, pressed: bool = False) -> str:
    """Rounds of the blink, recorded from 490 ms after one began, or from before a click began it
    (at 1 s, told at 1.12 s).
    """
    lines, at = ["time_ms,power,red", "0,0,0"], 510
    if pressed:
        lines, at = [*lines, "1000,1,0", "1100,0,0"], 1120
    for _ in range(3):
        for level, lasts in ((1, 60), (0, 80), (1, 60), (0, pause_ms)):
            lines.append(f"{at},0,{level}")
            at += lasts
    return "\n".join([*lines, f"{at},0,0"]) + "\n"


def replayed(
    folder: Path, recording: str, capsys: pytest.CaptureFixture[str], *more: str
) -> tuple[int, dict[str, object]]:
    """What `simfw replay` says."""
    (folder / "gadget.toml").write_text(GADGET, encoding="utf-8")
    (folder / "rec.csv").write_text(recording, encoding="utf-8")
    status = main(["replay", str(folder / "rec.csv"), "--gadget", str(folder / "gadget.toml"),
                   "--json", *more])
    return status, json.loads(capsys.readouterr().out)


def test_a_recording_may_begin_in_the_middle_of_a_blink(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The state and how long it had been held are found; every step is measured."""
    status, found = replayed(tmp_path, edges(800), capsys)
    assert status == 0
    start = found["start"]
    assert (start["states"], start["offset_s"]) == ({"lamp": "flash"}, 0.49)  # type: ignore[index]
    for step, ns in enumerate((60, 80, 60, 800)):
        (one,) = [timing for timing in found["timings"]  # type: ignore[attr-defined]
                  if timing["key"] == f"sequences.hurry.steps[{step}].lasts"]
        assert one["measured_s"] == pytest.approx(ns / 1000)
        assert one["finding"] == "consistent"


def test_a_step_that_lasts_longer_on_the_bench_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A pause of 900 ms contradicts the 800 ms of the file, and no other step."""
    status, found = replayed(tmp_path, edges(900, pressed=True), capsys, "--clock", "1")
    assert status == 1
    against = [timing["key"] for timing in found["timings"]  # type: ignore[attr-defined]
               if timing["finding"] == "contradicts"]
    assert against == ["sequences.hurry.steps[3].lasts"]
