"""Margins that jump from figure to figure: a sensor's looks, seen long after they began."""

from __future__ import annotations

import math
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np

from simfw.benchlog.jumping import foretold, polished, slope_of
from simfw.benchlog.margin import Margin
from simfw.benchlog.narrowing import narrow
from simfw.benchlog.search import Rival, Trial
from simfw.loading import load_bench_log
from tests.benchlog.lantern import interval

GADGET = """
[gadget]
name = "Niche light"
[cell]
curve = "line.csv"
capacity = "500 mAh"
[loads.glow]
current = "15 mA"
[proximity.eye]
every = "500 ms"
agree = 3
clear = "1 s"
carrier = "40 kHz"
duty = "25 %"
burst = 40
[behaviour.glimmer]
starts = "dark"
states.dark = {}
states.lit = { glow = "on" }
rows = [
  { on = "eye.wave", from = "dark", to = "lit" },
  { after = "3 s", from = "lit", to = "dark" },
]
"""

# Looks at 0, 500 ms ...: the third that sees a hand from 4.105 s on is that at 5.5 s, after
# 24.105 s that at 25.5 s; dark 3 s later.
RECORDING = """time_ms,eye,glow
0,0,0
4105,1,0
5500,1,1
5900,0,1
8500,0,0
24105,1,0
25500,1,1
25900,0,1
28500,0,0
29000,0,0
"""
LOG = """
gadget = "gadget.toml"
[unknown]
"proximity.eye.every" = "410 ms .. 560 ms"
[[questions]]
name = "goes out"
[[questions.answers]]
name = "after 3 s"
[[questions.answers]]
name = "after 5 s"
change = { "behaviour.glimmer.rows[1].after" = "5 s" }
[[observations]]
name = "analyser"
recording = "seen.csv"
map = "map.toml"
tolerance = "40 ms"
"""
MAP = """
charge = "50 %"
start = { glimmer = "dark" }
[wires.eye]
input = "eye"
distance = "5 cm"
[wires.glow]
output = "glow"
"""


def test_what_was_recorded_of_a_sensor_does_not_exclude_the_truth(tmp_path: Path):
    """Fits lie on islands a few tenths of a millisecond wide; no surface tells where.

    At 500 ms every edge is met to the microsecond; dark after 5 s is 2 s off, 50 tolerances.
    """
    for name, text in (("gadget.toml", GADGET), ("seen.csv", RECORDING), ("map.toml", MAP),
                       ("line.csv", "charge,voltage_v\n0,3.0\n1,4.2\n"), ("log.toml", LOG)):
        (tmp_path / name).write_text(text, encoding="utf-8")
    found = narrow(load_bench_log(tmp_path / "log.toml"), brief=True)
    assert [one.state for one in found.rivals] == ["fits", "excluded"]
    every = interval(found, "proximity.eye.every")
    assert every.low <= 500e6 <= every.high


def saw(x: np.ndarray, teeth: float) -> tuple[Margin, ...]:
    """A margin that rises by `teeth` tolerances and falls back, again and again."""
    return (Margin(z=float((teeth * x[0] + 3.3) % 8.0 - 4.0), low=-1.0, high=1.0),)


def looked(teeth: float) -> list[tuple[tuple[float, ...], tuple[Margin, ...]]]:
    """Looks at a saw, as the search makes them before any proposal."""
    return [((float(x),), saw(np.array([x]), teeth)) for x in (0.618034 * np.arange(1, 17)) % 1.0]


def test_a_saw_is_told_from_a_straight_line_and_led_along_its_tooth():
    """Of 7 tolerances it is one tooth, of 1000 a saw; a step along the tooth meets the middle."""
    assert foretold(looked(0.7))
    assert not foretold(looked(1000.0))
    assert slope_of(looked(1000.0), lambda x: saw(x, 1000.0)).jumps
    assert not slope_of(looked(0.7), lambda x: saw(x, 0.7)).jumps
    off, x = polished(np.array([0.7]), lambda x: saw(x, 1000.0))
    assert off < 1e-3
    assert abs(x[0] - 0.7) < 0.004  # half a tooth


def test_what_never_comes_where_it_is_led_may_lie_anywhere():
    """The surfaces keep a reading within its tolerance; the exact look has none at all there."""
    here = Trial(np.zeros(1), (0.0, 0.0))

    def may_reach(z: float) -> bool:
        told: Any = SimpleNamespace(
            spent=False, best=lambda subset: here, jumps=lambda number: False,
            look=lambda number, x: (Margin(z=z, low=-1.0, high=1.0),),
            trial=lambda x, subset: here, _extreme=lambda *asked, **more: here.x,
            _holding=lambda *asked, **more: ([1], 0.0),
            _goal=lambda *asked, **more: lambda x: (0.0, x))
        return Rival.may_reach(told, 0, 0, (1,), 2.0)

    assert not may_reach(0.5)
    assert may_reach(math.nan)
