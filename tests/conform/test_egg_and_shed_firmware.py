"""Two firmwares, one in Python and one in C, by an author who had the folders of their
specifications only.

The first conformed at once, the second at its second attempt. The faults are their author's too,
made before anybody looked which of them the vectors notice.
"""

from pathlib import Path

import pytest

from simfw.conform.firmware import compare
from simfw.report.specification import document_of, specification_files
from tests.conform import egg_faults, shed_faults
from tests.conform.at_random import parts_at_random
from tests.conform.inside import Inside, with_fault
from tests.conform.kept_firmware import compiled, conforms, is_told, model

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
EGG = (HERE / "egg_firmware.py").read_text(encoding="utf-8")
SHED = (HERE / "shed_firmware.c").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def egg():
    """The egg timer, prepared, and what its vectors drive a firmware with."""
    return model("tests/gallery/egg-timer/gadget.toml")


@pytest.fixture(scope="module")
def shed():
    """The potting-shed torch, prepared, and what its vectors drive a firmware with."""
    return model("scenarios/potting-shed/gadget.toml")


def test_the_egg_timer_conforms(egg):
    """In all vectors, and in thirty random stimulus lists."""
    conforms(egg, Inside(EGG))


def test_the_torch_conforms(shed, tmp_path):
    """In all vectors, and in thirty random stimulus lists."""
    conforms(shed, compiled(tmp_path, SHED))


def test_a_firmware_that_compares_codes_conforms_as_the_document_tells_it_to(shed, tmp_path):
    """A reading that is exactly a level to be exceeded is taken for the next higher code."""
    right = "gone = low && reading() > 3450000;"
    plain = with_fault(SHED, [(right, "gone = low && c <= 326;")])
    told = with_fault(SHED, [(right, "gone = low && c + (reading() == 3450000) <= 326;")])
    conforms(shed, compiled(tmp_path, told))
    prepared, drives = shed
    assert compare(compiled(tmp_path, plain), drives) is not None
    document = specification_files(document_of(prepared.gadget, prepared.system))
    assert "One exception on a host" in document["specification.md"]


def test_random_stimuli_begin_in_the_very_instant_of_power_up_too(egg):
    """A firmware that does not see the edge which comes there is found by them alone."""
    prepared, _ = egg
    _, edits = egg_faults.FAULTS["an edge in the instant of power-up is not seen"]
    found = parts_at_random(Inside(with_fault(EGG, edits)), prepared, examples=100, seed=0)
    assert found is not None
    assert found.drive.acts[0].at_ns == 0


def test_each_account_begins_as_the_protocol_says(egg):
    """A firmware that has never had a supply hears that it goes."""
    _, drives = egg
    assert {drive.replay.exchanges[0].lines for drive in drives} == {("off 0",)}
    page = (ROOT / "docs/reference/line-protocol.md").read_text(encoding="utf-8")
    assert "Their\nfirst line is `off 0`: nothing has run before." in page


@pytest.mark.parametrize("name", egg_faults.FAULTS)
def test_a_fault_of_the_egg_timer_is_told_and_named_but_for_those_known_to_be_open(name, egg):
    """By the vectors alone. What is open and is told is no longer open."""
    named, edits = egg_faults.FAULTS[name]
    is_told(egg, Inside(with_fault(EGG, edits)), named, egg_faults.OPEN.get(name))


@pytest.mark.parametrize("name", shed_faults.FAULTS)
def test_a_fault_of_the_torch_is_told_and_named_but_for_those_known_to_be_open(
    name, shed, tmp_path
):
    """By the vectors alone. What is open and is told is no longer open."""
    named, edits = shed_faults.FAULTS[name]
    made = compiled(tmp_path, with_fault(SHED, edits))
    is_told(shed, made, named, shed_faults.OPEN.get(name))
