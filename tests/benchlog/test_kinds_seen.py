"""Recordings and counted sights as observations, against what is worked out by hand."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from simfw.benchlog import solving
from simfw.benchlog.model import BenchLog
from simfw.benchlog.narrowing import narrow
from simfw.errors import DescriptionError
from simfw.loading import load_bench_log
from tests.benchlog.lantern import interval

GADGET = """
[gadget]
name = "Porch light"
[cell]
curve = "line.csv"
capacity = "500 mAh"
[loads.lamp]
current = "60 mA"
[buttons.key]
debounce = "20 ms"
hold = "150 ms"
[behaviour.light]
starts = "dark"
states.dark = {}
states.lit = { lamp = "on" }
rows = [
  { on = "key.click", from = "dark", to = "lit" },
  { on = "key.hold", from = "lit", to = "dark" },
  { after = "10 s", from = "lit", to = "dark" },
]
"""

# A press from 1.000 s to 1.100 s; lit at 1.120 s, dark again at 10.770 s.
RECORDING = "time_s,key,lamp\n0,0,0\n1.0,1,0\n1.1,0,0\n1.12,0,1\n10.77,0,0\n14,0,0\n"

RECORDED = """
[unknown]
clock = "± 10 %"
[[questions]]
name = "off"
[[questions.answers]]
name = "by itself after 10 s"
[[questions.answers]]
name = "by itself after 12 s"
change = { "behaviour.light.rows[2].after" = "12 s" }
[[observations]]
name = "analyser"
recording = "seen.csv"
"""

COUNTED = """
[unknown]
"buttons.key.hold" = "80 ms .. 240 ms"
[[observations]]
name = "quick presses"
steps = [
  { press = "key", for = "30 ms" }, { wait = "1 s" }, { press = "key" }, { wait = "1 s" },
  { see = "light.dark" },
]
count = "7 of 10"
"""


def porch(folder: Path, text: str) -> BenchLog:
    """A bench log of the porch light."""
    (folder / "line.csv").write_text("charge,voltage_v\n0,3.0\n1,4.2\n", encoding="utf-8")
    (folder / "gadget.toml").write_text(GADGET, encoding="utf-8")
    (folder / "seen.csv").write_text(RECORDING, encoding="utf-8")
    (folder / "log.toml").write_text(f'gadget = "gadget.toml"\n{text}', encoding="utf-8")
    return load_bench_log(folder / "log.toml")


def test_a_recording_narrows_the_clock_and_excludes_an_answer(tmp_path: Path):
    """Dark at 1.1 s + 10.02 s x clock; recorded at 10.77 s, within 20 ms as replay takes it."""
    found = narrow(porch(tmp_path, RECORDED), brief=True)
    assert [one.state for one in found.rivals] == ["fits", "excluded"]
    clock = interval(found, "clock")
    assert clock.low == pytest.approx((9.67 - 0.02) / 10.02, abs=2e-4)
    assert clock.high == pytest.approx((9.67 + 0.02) / 10.02, abs=2e-4)
    assert clock.low_by == clock.high_by == ("analyser",)


def test_a_wider_tolerance_leaves_more(tmp_path: Path):
    """What is allowed of an edge is what the log says."""
    found = narrow(porch(tmp_path, RECORDED + 'tolerance = "100 ms"\n'), brief=True, jobs=2)
    clock = interval(found, "clock")
    assert clock.low == pytest.approx((9.67 - 0.1) / 10.02, abs=5e-4)
    assert clock.high == pytest.approx((9.67 + 0.1) / 10.02, abs=5e-4)


def test_a_count_bounds_what_chance_decides(tmp_path: Path):
    """A press of 50 ms to 250 ms is a hold with p = (250 ms - hold) / 200 ms.

    Of seven of ten by the ratio of likelihoods, within three standard deviations
    (Wilks 1938, from memory).
    """
    low = next(
        p / 1000 for p in range(1, 700)
        if 2 * (7 * math.log(0.7 / (p / 1000)) + 3 * math.log(0.3 / (1 - p / 1000))) <= 9)
    hold = interval(narrow(porch(tmp_path, COUNTED), brief=True), "buttons.key.hold")
    assert hold.high_reached * 1e-6 == pytest.approx(250 - 200 * low, abs=200 / 24)
    assert hold.high_reached <= hold.high <= 220e6
    assert hold.low * 1e-6 == 80.0  # p = 0.85 there, which 7 of 10 believes


def test_mistakes_of_recordings_and_counts_are_told_together(tmp_path: Path):
    """Each key that means nothing there, files that are not there, counts that cannot be."""
    with pytest.raises(DescriptionError) as caught:
        porch(tmp_path, """
[[observations]]
name = "a"
recording = "sen.csv"
[[observations]]
name = "b"
recording = "seen.csv"
map = "none.toml"
by = "hand"
temperature = "20 degC"
[[observations]]
name = "c"
steps = [{ press = "key", for = "100 ms" }, { see = "light.lit" }]
count = "3 of 5"
tolerance = "5 ms"
[[observations]]
name = "d"
mode = "light.lit"
reading = "59 mA .. 61 mA"
by = "analyser"
count = "2 of 3"
""")
    said = str(caught.value)
    for part in (
        'observations[0].recording = "sen.csv": there is no such file',
        'observations[1].map = "none.toml": there is no such file',
        'observations[1].by = "hand": this has no meaning without steps',
        "a recording has its own temperature",
        'observations[2].count = "3 of 5": nothing in these steps falls differently each time',
        'observations[2].tolerance = "5 ms": this has no meaning without recording',
        'observations[3].by = "analyser": this has no meaning without steps',
        'observations[3].count = "2 of 3": this has no meaning without steps',
    ):
        assert part in said, (part, said)
    with pytest.raises(DescriptionError, match="this does not say how often it was seen"):
        porch(tmp_path, COUNTED.replace("7 of 10", "11 of 10"))


def test_a_map_that_begins_in_a_state_there_is_not_is_refused(tmp_path: Path):
    """The states that the map names are looked for in the gadget, the nearest is told; and in
    those of the answers, of which one may lack it.
    """
    wires = ('charge = "50 %"\nstart = {{ light = "{}" }}\n'
             '[wires.key]\ninput = "key"\n[wires.lamp]\noutput = "lamp"\n')
    (tmp_path / "wires.toml").write_text(wires.format("lti"), encoding="utf-8")
    wrong = r'wires\.toml:2: start\.light = "lti": .*\n*.*Did you mean "lit"'
    with pytest.raises(DescriptionError, match=wrong):
        porch(tmp_path, RECORDED + 'map = "wires.toml"\n')
    (tmp_path / "wires.toml").write_text(wires.format("lit"), encoding="utf-8")
    (tmp_path / "other.toml").write_text(
        GADGET.replace("states.lit =", "states.lid =").replace('"lit"', '"lid"'), encoding="utf-8")
    other = RECORDED.replace('change = { "behaviour.light.rows[2].after" = "12 s" }',
                             'file = "other.toml"')
    with pytest.raises(DescriptionError, match=r'names "light\.lit".*\n*.*Did you mean "lid"'):
        porch(tmp_path, other + 'map = "wires.toml"\n')


def test_an_end_of_a_range_but_for_rounding_is_that_end():
    """Last digits differ from processor to processor; a trace of charge is not an empty cell."""
    found = solving._at_its_end(np.array([2e-13, 1.0 - 2e-13, 0.25, 1e-6]))
    assert found.tolist() == [0.0, 1.0, 0.25, 1e-6]
