"""Readings that step where another bar shows: each step has surfaces of its own."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from simfw.benchlog.narrowing import narrow
from simfw.benchlog.search import FITS, Rival
from simfw.benchlog.surface import Lifted, Surface
from simfw.engine.modes import mean_current
from simfw.engine.prepared import Prepared
from simfw.loading import load_bench_log, load_gadget
from tests.bench.narrowing import write_log
from tests.benchlog.lantern import write_lantern

TRUTH = {"lights.lamp.resistor": 22.0, "cell.resistance": 0.2, "controller.reference": 1.1}
LIGHTS = """[lights.bars]
leds = 3
segments = true
colour = "red"
forward = ["1.9 V @ 1 mA", "2.1 V @ 20 mA"]
resistor = "220R"
[lights.lamp]
leds = 4
colour = "white"
forward = ["2.75 V @ 5 mA", "3.0 V @ 20 mA"]
resistor = "22R"
[gauge]
light = "bars"
show = "lamp.lit or lamp.half"
"""
ROWS = """  { on = "key.click", from = "lit", to = "half" },
  { on = "key.click", from = "half", to = "dark" },
"""
UNKNOWN = """gadget = "gadget.toml"
[unknown]
"lights.lamp.resistor" = "10R .. 33R"
"cell.resistance" = "80 mΩ .. 400 mΩ"
"controller.reference" = "1.067 V .. 1.133 V"
"""


def written(folder: Path) -> Path:
    """A lantern whose bars shine with the lamp, and four readings of it, two or three bars lit.

    What a bar draws is 30 times the tolerance of a reading.
    """
    gadget = write_lantern(folder, resistance="200 mΩ", asleep="8 uA", awake="1 mA")
    text = gadget.read_text(encoding="utf-8")
    for old, new in (('[loads.lamp]\ncurrent = "60 mA"\n', ""), ("[gauge]\n", LIGHTS),
                     ("states.lit", 'states.half = { lamp = "45 %" }\nstates.lit'),
                     ('  { on = "key.click", from = "lit", to = "dark" },\n', ROWS)):
        assert old in text
        text = text.replace(old, new)
    gadget.write_text(text, encoding="utf-8")
    prepared, log = Prepared(load_gadget(gadget)), UNKNOWN
    for state, charge in (("lit", 0.75), ("half", 0.78), ("lit", 0.735), ("half", 0.76)):
        amps = mean_current(prepared, [("lamp", state)], charge=charge).current_a
        assert amps is not None
        log += (f'[[observations]]\nname = "{state} {charge}"\nmode = "lamp.{state}"\n'
                'charge = "72 % .. 80 %"\n'
                f'reading = "{1e3 * amps:.3f} mA ± {amps:.3f} mA"\n')
    (folder / "log.toml").write_text(log, encoding="utf-8")
    return folder / "log.toml"


def test_bars_are_told_beside_a_current(tmp_path: Path):
    """Three from 3.9 V on, two below; a cell of 3.0 V to 4.2 V without load is there at 75 %."""
    gadget = load_gadget(written(tmp_path).with_name("gadget.toml"))
    found = [mean_current(gadget, [("lamp", "lit")], charge=one) for one in (0.95, 0.7)]
    assert [one.bars for one in found] == [3, 2]
    assert mean_current(gadget, [("lamp", "dark")]).bars == 0
    assert mean_current(load_gadget(write_lantern(tmp_path)), [("lamp", "lit")]).bars is None


def test_readings_on_different_steps_are_fitted(tmp_path: Path):
    """A surface through all of them shows a slope where the steps are, and led to no fit."""
    found = narrow(load_bench_log(written(tmp_path)), brief=True)
    assert [one.state for one in found.rivals] == ["fits"]
    for one in found.intervals:
        assert one.low <= TRUTH[one.key] <= one.high


def lamp_of_the_bench(folder: Path, combination: tuple[int, ...]) -> Rival:
    """The larder lamp of the bench for speed, with its first two readings looked at."""
    rival = Rival(load_bench_log(write_log(folder)), combination, seed=0, most=4000)
    rival.lend(0)
    rival.lend(1)
    return rival


def test_a_step_that_few_looks_are_on_leaves_nothing_open(tmp_path: Path):
    """Both readings are of one light, and with the half at 60 % no resistor lets both fit: nearly
    four tolerances are missing. A surface through a few looks at three bars told that they fit.
    """
    rival = lamp_of_the_bench(tmp_path, (1, 1, 0))
    state, best = rival.least((0, 1))
    assert state == "excluded"
    assert max(best.offs[:2]) > 3.0
    assert rival.runs < 600


def test_a_reading_is_brought_back_onto_a_step_by_its_own_start(tmp_path: Path):
    """Another bar shows beyond some charge, which no other observation has a say in."""
    rival = lamp_of_the_bench(tmp_path, (0, 0, 0))
    state, best = rival.least((0, 1))
    assert state == "fits"
    (own,) = rival._own(0)
    off = []
    for share in np.linspace(0.0, 1.0, 9):
        x = best.x.copy()
        x[own] = share
        off.append(rival.trial(x, (0, 1)))
    worst = max(off, key=lambda one: one.offs[0])
    assert worst.offs[0] > FITS
    mended = rival.mended(worst, (0, 1))
    assert max(mended.offs[:2]) <= FITS
    assert np.flatnonzero(mended.x != worst.x).tolist() == [own]


def test_a_lifted_surface_keeps_its_slope():
    """Higher by the same number everywhere, at one point and at many."""
    points = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0], [0.7, 0.9], [0.3, 0.4]])
    below = Surface(points, np.array([0.0, 1.0, 3.0, 2.0, 5.0]))
    lifted = Lifted(below, 2.5)
    here = np.array([0.2, 0.6])
    (value, slope), (low, steep) = lifted.at(here), below.at(here)
    assert value == low + 2.5
    assert slope.tolist() == steep.tolist()
    assert lifted.many(points).tolist() == (below.many(points) + 2.5).tolist()
    flat = Lifted(Surface(points, np.ones(5)), 2.5)
    assert (flat.flat, flat.level) == (True, 3.5)
