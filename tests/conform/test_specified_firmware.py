"""A firmware written from the folder of a specification conforms; faults put into it are told."""

import sys
from pathlib import Path

import pytest

from simfw import load_gadget
from simfw.conform.driving import vector_drives
from simfw.conform.firmware import Firmware, compare
from simfw.engine.simulator import Prepared
from tests.conform.at_random import parts_at_random
from tests.report.golden import DEMOS

SOURCE = Path(__file__).parent / "cellar_firmware.py"
CELLAR = next(path for path in DEMOS if path.parent.name == "cellar-steps")
WITHIN_NS = 1  # with a tolerance, outputs may change places inside one instant

FAULTS = [
    ("return [(50 * MS, self.read)]", "return [(49 * MS, self.read)]"),
    ("if self.count == 2:", "if self.count == 3:"),
    ('Gesture(self, "up", 1 * S)', 'Gesture(self, "up", 1100 * MS)'),
    ('"held" if self.board.chord.state == "active" else "down"', '"down"'),
    ('elif event == "both.chord" and self.state == "down":',
     'elif event == "both.chord" and self.state == "no":'),
    ("return [(150 * MS, lambda", "return [(250 * MS, lambda"),
    ("if not other.pressed():", "if other.state == \"up\" and self.state == \"idle\":"),
    ('        if status == 1:\n', "        if status == 3:\n"),
    ("OUT, BACK = (3_450_000, 3_620_000, 3_850_000)",
     "OUT, BACK = (3_450_000, 3_600_000, 3_850_000)"),
    ("(3_500_000, 3_670_000, 3_900_000)", "(3_450_000, 3_620_000, 3_850_000)"),
    ("self.bars = high[-1]", "self.bars = high[0]"),
    ("self.bars = low[0]", "self.bars = before - 1"),
    ("self.enter(\"out\" if state == \"lit\" else \"lit\")", "self.enter(\"out\")"),
    ("elif value > 3_400_000 and", "elif value > 3_300_000 and"),
    ('state in ("dark", "low") and cell == "fine"', 'state == "low" and cell == "fine"'),
    # What its author wrote: a hold at full light began the 10 min anew, and nothing told it.
    ('state in ("dark", "low") and cell == "fine"', 'state != "shut" and cell == "fine"'),
    ('elif event == "cell.low" and state == "high":', 'elif event == "no":'),
    ("return [(10 * MIN, lambda", "return [(11 * MIN, lambda"),
    ('if event == "cell.back" and self.state == "pause":', 'if event == "no":'),
    ("return [(1970 * MS, self.wink)]", "return [(1980 * MS, self.wink)]"),
    ('if self.board.cell.state != "flat":', "if True:"),
    ("if bars and self.blink.state == \"out\":", "if False:"),
    ('bars = self.gauge.bars if lit or self.charge.state != "unplugged" else 0',
     "bars = self.gauge.bars if lit else 0"),
]  # fmt: skip


@pytest.fixture(scope="module")
def model():
    """The cellar lamp, prepared, and what its vectors drive a firmware with."""
    gadget = load_gadget(CELLAR)
    prepared = Prepared(gadget)
    return prepared, vector_drives(gadget, prepared)


def firmware(path):
    """A Python file as a firmware; its first line names the Python of these tests."""
    return Firmware(str(path), within_ns=WITHIN_NS)


def runnable(folder, text):
    """`text` as a program of its own."""
    path = folder / "firmware.py"
    path.write_text(f"#!{sys.executable}\n{text}", encoding="utf-8")
    path.chmod(0o755)
    return path


def test_it_conforms(model, tmp_path):
    """In all vectors, and in thirty random stimulus lists."""
    prepared, drives = model
    made = firmware(runnable(tmp_path, SOURCE.read_text(encoding="utf-8")))
    made.say_hello()
    assert compare(made, drives, lambda *_: None) is None
    assert parts_at_random(made, prepared) is None


@pytest.mark.parametrize("number", range(len(FAULTS)))
def test_a_fault_put_into_it_is_told(number, model, tmp_path):
    """By the vectors alone."""
    _, drives = model
    text, (right, wrong) = SOURCE.read_text(encoding="utf-8"), FAULTS[number]
    assert text.count(right) == 1, right
    made = firmware(runnable(tmp_path, text.replace(right, wrong)))
    assert compare(made, drives, lambda *_: None) is not None
