"""Rarer single changes: a row that nobody wrote, reads of a contact, the gauge, the start."""

from __future__ import annotations

from pathlib import Path

import pytest

from simfw.verify.explaining import Suspect, explain
from simfw.verify.prediction import Model
from simfw.verify.replay import replay
from tests.verify.gadgets import gadget
from tests.verify.recorded import recorded

TORCH = """
[gadget]
name = "Torch"
[cell]
curve = "lco"
capacity = "200 mAh"
resistance = "150 mΩ"
[loads.lamp]
current = "60 mA"
[loads.spark]
current = "5 mA"
[lights.bars]
leds = 3
segments = true
forward = ["2.0 V @ 2 mA", "2.2 V @ 10 mA"]
resistor = "470R"
[buttons.key]
style = "sample"
samples = 3
sample_every = "40 ms"
hold = "1 s"
[gauge]
light = "bars"
thresholds = ["3.4 V", "3.7 V", "3.9 V"]
every = "1 s"
show = "mode.lit"
[behaviour.mode]
starts = "dark"
resume_points = ["lit.full", "lit.low"]
states.dark = {}
states."lit.full" = { lamp = "on" }
states."lit.low" = { lamp = "30 %" }
states.spark = { spark = "on" }
rows = [
  { on = "key.click", from = "dark", to = "resume" },
  { on = "key.click", from = "lit.full", to = "lit.low" },
  { on = "key.click", from = "lit.low", to = "dark" },
  { on = "key.hold", from = "dark", to = "spark" },
  { after = "4 s", from = "spark", to = "dark" },
]
"""
STEPS = """
title = "Trying the torch"
gadget = "gadget.toml"
charge = "62 %"
lasts = "25 s"
steps = [
  { at = "1 s",  press = "key", for = "300 ms" },
  { at = "2 s",  press = "key", for = "90 ms" },
  { at = "5 s",  press = "key", for = "300 ms" },
  { at = "7 s",  press = "key", for = "300 ms" },
  { at = "9 s",  press = "key", for = "300 ms" },
  { at = "10 s", press = "key", for = "1500 ms" },
  { at = "17 s", press = "key", for = "90 ms" },
  { at = "19 s", press = "key", for = "300 ms" },
  { at = "22 s", press = "key", for = "300 ms" },
]
"""


def suspects(
    folder: Path, written_text: str, true_text: str, session: str = STEPS
) -> tuple[Suspect, ...]:
    """The suspects of the first difference."""
    written = gadget(written_text, folder)
    observed = recorded(folder, true_text, session, written)
    model = Model(written, observed)
    found = explain(replay(observed, written, model=model), written, model)
    assert found is not None
    assert found.tried > 0
    return found.suspects


@pytest.mark.parametrize(
    ("before", "after", "key"),
    [
        ("samples = 3", "samples = 4", "buttons.key.samples"),
        ('"3.7 V", "3.9 V"', '"3.7 V", "3.85 V"', "gauge.thresholds[2]"),
        ('show = "mode.lit"\n', "", "gauge.show"),
        ('starts = "dark"', 'starts = "spark"', "behaviour.mode.starts"),
        ('["lit.full", "lit.low"]', '["lit.low", "lit.full"]', "behaviour.mode.resume_points"),
        ('spark = { spark = "on" }', 'spark = { spark = "50 %" }',
         "behaviour.mode.states.spark.spark"),
    ],
    ids=lambda value: value if value.startswith(("b", "g")) else "",
)  # fmt: skip
def test_a_rare_change_is_among_the_suspects(
    tmp_path: Path, before: str, after: str, key: str
) -> None:
    """What the real torch has otherwise than the file says is named."""
    assert TORCH.count(before) == 1
    found = suspects(tmp_path, TORCH, TORCH.replace(before, after))
    assert key in [suspect.key for suspect in found], found


def test_a_row_that_nobody_wrote_is_proposed(tmp_path: Path) -> None:
    """Without the row on a hold the file cannot explain the spark."""
    row = '  { on = "key.hold", from = "dark", to = "spark" },\n'
    found = suspects(tmp_path, TORCH.replace(row, ""), TORCH)
    assert any(
        suspect.key == "behaviour.mode.rows"
        and suspect.change == "one more row: on key.hold from dark to spark"
        for suspect in found
    ), found


BELLS = """
[gadget]
name = "Bells"
[cell]
curve = "lco"
capacity = "200 mAh"
[loads.bell]
current = "20 mA"
[loads.lamp]
current = "5 mA"
[buttons.key]
debounce = "20 ms"
[behaviour.bell]
starts = "quiet"
states.quiet = {}
states.loud = { bell = "on" }
rows = [
  { on = "key.click", from = "quiet", to = "loud", emit = "bell.rung" },
  { after = "1 s", from = "loud", to = "quiet" },
  { on = "key.click", from = "loud", to = "loud", emit = "bell.rung" },
]
[behaviour.lamp]
starts = "dark"
states.dark = {}
states.lit = { lamp = "on" }
rows = [{ on = "bell.rung", from = "dark", to = "lit" }]
"""
RINGS = """
title = "Two rings"
gadget = "gadget.toml"
charge = "80 %"
lasts = "12 s"
steps = [
  { at = "2 s", press = "key", for = "200 ms" },
  { at = "8 s", press = "key", for = "200 ms" },
]
"""


def test_a_row_that_tells_what_it_should_not_is_among_the_suspects(tmp_path: Path) -> None:
    """The real bell rings and tells nobody: the lamp that the file lights stays dark."""
    found = suspects(tmp_path, BELLS, BELLS.replace(', emit = "bell.rung"', "", 1), RINGS)
    assert ("behaviour.bell.rows[0]", "emits nothing") in [
        (suspect.key, suspect.change) for suspect in found if suspect.left == 0], found  # fmt: skip
