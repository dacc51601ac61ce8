"""A firmware that an author wrote who had nothing but the folder of the specification.

It conformed at once. The faults are its author's too, made before anybody looked which of them the
vectors notice.
"""

import sys
from pathlib import Path

import pytest

from simfw import load_gadget
from simfw.conform.driving import gaps_of, inputs_of, vector_drives
from simfw.conform.firmware import Firmware, compare, random_difference
from simfw.engine.simulator import Prepared
from tests.conform.glimmer_faults import FAULTS, OPEN

SOURCE = Path(__file__).parent / "glimmer_firmware.py"
GADGET = Path(__file__).parents[1] / "gallery" / "stair-glimmer" / "gadget.toml"
WITHIN_NS = 1  # it tells no `wake` at power-up, which a tolerance forgives


@pytest.fixture(scope="module")
def model():
    """The stair light, prepared, and what its vectors drive a firmware with."""
    gadget = load_gadget(GADGET)
    prepared = Prepared(gadget)
    return prepared, vector_drives(gadget, prepared)


def firmware(folder, text):
    """`text` as a firmware."""
    path = folder / "firmware.py"
    path.write_text(f"#!{sys.executable}\n{text}", encoding="utf-8")
    path.chmod(0o755)
    made = Firmware(str(path), within_ns=WITHIN_NS)
    made.say_hello()
    return made


def test_it_conforms(model, tmp_path):
    """In all vectors, and in thirty random stimulus lists."""
    prepared, drives = model
    made = firmware(tmp_path, SOURCE.read_text(encoding="utf-8"))
    assert compare(made, drives, lambda *_: None) is None
    gadget = prepared.gadget
    assert random_difference(
        made, prepared.system, prepared.circuit, gadget.segments,
        inputs_of(gadget, prepared.circuit), gaps_of(gadget), examples=30, seed=3,
    ) is None  # fmt: skip


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_put_into_it_is_told_but_for_those_known_to_be_open(name, model, tmp_path):
    """By the vectors alone. What is open and is told is no longer open."""
    _, drives = model
    text = SOURCE.read_text(encoding="utf-8")
    for right, wrong in FAULTS[name]:
        assert text.count(right) == 1, right
        text = text.replace(right, wrong)
    told = compare(firmware(tmp_path, text), drives, lambda *_: None) is not None
    assert told == (name not in OPEN)


@pytest.mark.parametrize(("right", "wrong", "at_s"), [
    ("    def say(self, text):\n",
     "    def say(self, text):\n"
     "        if text.startswith('out 22800000000'):\n"
     "            text = text + '0'\n", 22),
])  # fmt: skip
def test_what_is_done_in_a_stretch_that_only_repeats_is_told(right, wrong, at_s, model, tmp_path):
    """There the model's account leaves periods out; a firmware is held against its own last one."""
    _, drives = model
    stretched = [drive for drive in drives if any(
        after <= at_s * 10**9 <= up_to for after, up_to, _ in drive.replay.repeats())]
    assert stretched
    text = SOURCE.read_text(encoding="utf-8")
    assert text.count(right) == 1
    told = compare(firmware(tmp_path, text.replace(right, wrong)), stretched, lambda *_: None)
    assert told is not None
    assert told.time_ns == at_s * 10**9 + 800_000_000
