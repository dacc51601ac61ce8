"""Two firmwares, one in C and one in Python, by authors who had the folders of their specifications
only: a light on a key hook, and the tally of a turnstile with a lamp that is dimmed.

Both conformed at once. The faults are their authors' too, made before anybody looked which of them
the vectors notice.
"""

from pathlib import Path

import pytest

from tests.conform import light_faults, turnstile_faults
from tests.conform.inside import Inside, with_fault
from tests.conform.kept_firmware import compiled, conforms, is_told, model

HERE = Path(__file__).parent
LIGHT = (HERE / "light_firmware.c").read_text(encoding="utf-8")
TURNSTILE = (HERE / "turnstile_firmware.py").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def light():
    """The key-hook light, prepared, and what its vectors drive a firmware with."""
    return model("scenarios/key-hook/gadget.toml")


@pytest.fixture(scope="module")
def turnstile():
    """The turnstile's tally, prepared, and what its vectors drive a firmware with."""
    return model("tests/gallery/turnstile/gadget.toml")


def test_the_light_conforms(light, tmp_path):
    """In all vectors, and in thirty random stimulus lists."""
    conforms(light, compiled(tmp_path, LIGHT))


def test_the_tally_conforms(turnstile):
    """In all vectors, and in thirty random stimulus lists."""
    conforms(turnstile, Inside(TURNSTILE))


@pytest.mark.parametrize("name", light_faults.FAULTS)
def test_a_fault_of_the_light_is_told_but_for_those_known_to_be_open(name, light, tmp_path):
    """By the vectors alone. What is open and is told is no longer open."""
    made = compiled(tmp_path, f"#define FAULT {light_faults.FAULTS[name]}\n{LIGHT}")
    is_told(light, made, "", light_faults.OPEN.get(name), shorter=False)


@pytest.mark.parametrize("name", turnstile_faults.FAULTS)
def test_a_fault_of_the_tally_is_told_but_for_those_known_to_be_open(name, turnstile):
    """By the vectors alone. What is open and is told is no longer open."""
    made = Inside(with_fault(TURNSTILE, turnstile_faults.FAULTS[name]))
    is_told(turnstile, made, "", turnstile_faults.OPEN.get(name), shorter=False)
