"""Two more firmwares, one in Python and one in C, by authors who had the folders of their
specifications only: a light on a key hook, and a counter of strokes with a digit and a chirp.

Both conformed at once. The faults are their authors' too, made before anybody looked which of them
the vectors notice.
"""

from pathlib import Path

import pytest

from tests.conform import bell_faults, key_faults
from tests.conform.inside import Inside, with_fault
from tests.conform.kept_firmware import compiled, conforms, is_told, model

HERE = Path(__file__).parent
KEY = (HERE / "key_firmware.py").read_text(encoding="utf-8")
BELL = (HERE / "bell_firmware.c").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def key():
    """The key-hook light, prepared, and what its vectors drive a firmware with."""
    return model("scenarios/key-hook/gadget.toml")


@pytest.fixture(scope="module")
def bell():
    """The bell counter, prepared, and what its vectors drive a firmware with."""
    return model("tests/gallery/bell-counter/gadget.toml")


def test_the_light_conforms(key):
    """In all vectors, and in thirty random stimulus lists."""
    conforms(key, Inside(KEY))


def test_the_counter_conforms(bell, tmp_path):
    """In all vectors, and in thirty random stimulus lists."""
    conforms(bell, compiled(tmp_path, BELL))


@pytest.mark.parametrize("name", key_faults.FAULTS)
def test_a_fault_of_the_light_is_told_but_for_those_known_to_be_open(name, key):
    """By the vectors alone. What is open and is told is no longer open."""
    made = Inside(with_fault(KEY, key_faults.FAULTS[name]))
    is_told(key, made, "", key_faults.OPEN.get(name), shorter=False)


@pytest.mark.parametrize("name", bell_faults.FAULTS)
def test_a_fault_of_the_counter_is_told_but_for_those_known_to_be_open(name, bell, tmp_path):
    """By the vectors alone. What is open and is told is no longer open."""
    made = compiled(tmp_path, with_fault(BELL, bell_faults.FAULTS[name]))
    is_told(bell, made, "", bell_faults.OPEN.get(name), shorter=False)
