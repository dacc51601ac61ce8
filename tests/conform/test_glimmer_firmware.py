"""A firmware that an author wrote who had nothing but the folder of the specification.

It conformed at once. The faults are its author's too, made before anybody looked which of them the
vectors notice.
"""

import re
from pathlib import Path

import pytest

from simfw import load_gadget
from simfw.conform.driving import vector_drives
from simfw.conform.firmware import Difference, compare, shrunk
from simfw.conform.outcome import Parted
from simfw.conform.placed import placed
from simfw.engine.simulator import Prepared
from simfw.report.specification import document_of, specification_files
from tests.conform.at_random import parts_at_random
from tests.conform.glimmer_faults import FAULTS, OPEN
from tests.conform.inside import Inside, with_fault

SOURCE = Path(__file__).parent / "glimmer_firmware.py"
GADGET = Path(__file__).parents[1] / "gallery" / "stair-glimmer" / "gadget.toml"
WITHIN_NS = 1  # it tells no `wake` at power-up, which a tolerance forgives


@pytest.fixture(scope="module")
def model():
    """The stair light, prepared, and what its vectors drive a firmware with."""
    gadget = load_gadget(GADGET)
    prepared = Prepared(gadget)
    return prepared, vector_drives(gadget, prepared)


@pytest.fixture(scope="module")
def numbers(model):
    """The numbers of the requirements in the document that an author has."""
    prepared, _ = model
    document = specification_files(document_of(prepared.gadget, prepared.system))
    return set(re.findall(r"\b[A-Z][A-Z-]*-[0-9A-F]{4,}\b", document["specification.md"]))


def firmware(text):
    """`text` as a firmware."""
    made = Inside(text, within_ns=WITHIN_NS)
    made.say_hello()
    return made


def test_it_conforms(model):
    """In all vectors, and in thirty random stimulus lists."""
    prepared, drives = model
    made = firmware(SOURCE.read_text(encoding="utf-8"))
    assert compare(made, drives, lambda *_: None) is None
    assert parts_at_random(made, prepared) is None


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_put_into_it_is_told_but_for_those_known_to_be_open(name, model):
    """By the vectors alone. What is open and is told is no longer open."""
    _, drives = model
    text = with_fault(SOURCE.read_text(encoding="utf-8"), FAULTS[name])
    told = compare(firmware(text), drives, lambda *_: None) is not None
    assert told == (name not in OPEN)


@pytest.mark.parametrize(("right", "wrong", "at_s"), [
    ("    def say(self, text):\n",
     "    def say(self, text):\n"
     "        if text.startswith('out 22800000000'):\n"
     "            text = text + '0'\n", 22),
])  # fmt: skip
def test_what_is_done_in_a_stretch_that_only_repeats_is_told(right, wrong, at_s, model):
    """There the model's account leaves periods out; a firmware is held against its own last one."""
    _, drives = model
    stretched = [drive for drive in drives if any(
        after <= at_s * 10**9 <= up_to for after, up_to, _ in drive.replay.repeats())]
    assert stretched
    text = SOURCE.read_text(encoding="utf-8")
    assert text.count(right) == 1
    told = compare(firmware(text.replace(right, wrong)), stretched, lambda *_: None)
    assert told is not None
    assert told.time_ns == at_s * 10**9 + 800_000_000


@pytest.mark.parametrize(("name", "state", "row", "standing", "number", "bench"), [
    ("30 s guard dropped", "glimmer.lit", "behaviour.glimmer.rows[2]", "unmet", "GLIMMER-",
     " and look at glow "),
    ("wave after a 30 s end lost", "glimmer.dark", "behaviour.glimmer.rows[0]", "fired",
     "GLIMMER-", "the model has it at 100 % from"),
    ("60 s is 59 s", "glimmer.lit", "behaviour.glimmer.rows[3]", "due", "GLIMMER-",
     "the model changes nothing, the firmware has it off from"),
    ("emitter at 24 %", "eye.look.settling", "proximity.eye.settle", "fired", "EYE-LOOK-",
     "trigger at power-up and look at eye.emitter 1 ms later: the model has it at 25 % from 1 ms "
     "on, the firmware has it at 24 % from 1 ms on."),
])  # fmt: skip
def test_a_difference_is_placed(
    name, state, row, standing, number, bench, model, numbers, tmp_path
):
    """In the state that the model was in, at the row that fired, will fire or had its guard unmet,
    at the requirement of the document, with what to look at.
    """
    prepared, drives = model
    text = SOURCE.read_text(encoding="utf-8")
    for right, wrong in FAULTS[name]:
        text = text.replace(right, wrong)
    made = firmware(text)
    found = compare(made, drives)
    found = shrunk(made, found, prepared.system, prepared.circuit, prepared.gadget.segments)
    parted = Parted(found=found, placed=placed(prepared, found), witness=None)
    told = parted.as_json()
    assert state in {f"{one['region']}.{one['state']}" for one in told["states"]}
    assert [(one["key"].partition("#")[0], one["standing"]) for one in told["rows"]][-1] == (
        row, standing)  # fmt: skip
    assert told["rows"][-1]["requirement"].startswith(number)
    assert {one["number"] for one in told["requirements"]} <= numbers
    assert bench in told["bench"]
    lines = parted.lines()
    for word in (state, told["rows"][-1]["requirement"], told["bench"]):
        assert any(word in line for line in lines)


@pytest.mark.parametrize(("expected", "told"), [
    ("nothing", "out 5 \x1b[2J"), ("event 2000000 eye.far", "nothing more"),
    ("nothing", "event 99999999999999999999 x"), ("out 1000000 eye.emitter 250000", "out"),
    ("sleep 2000000", "error no answer in time"), ("nothing", ""),
])  # fmt: skip
def test_whatever_was_told_a_difference_can_be_placed(expected, told, model):
    """Rubbish has no row and no requirement; what is expected has its own."""
    prepared, drives = model
    found = Difference(drive=drives[0], time_ns=2_000_000, expected=expected, told=told)
    parted = Parted(found=found, placed=placed(prepared, found), witness=None)
    assert all(line.isprintable() for line in parted.lines())
    if expected.startswith(("out", "sleep")):
        assert parted.placed.rows
