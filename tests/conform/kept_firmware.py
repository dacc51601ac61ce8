"""How firmwares whose authors had the folder of the specification only are held against the model,
with the faults that their authors planted.
"""

from __future__ import annotations

import subprocess
from collections.abc import Sequence
from pathlib import Path

import pytest

from simfw import load_gadget
from simfw.conform.driving import vector_drives
from simfw.conform.firmware import Difference, Drive, Firmware, compare, shrunk
from simfw.conform.outcome import Parted
from simfw.conform.placed import placed
from simfw.engine.simulator import Prepared
from tests.conform.at_random import parts_at_random
from tests.report.generated_c import compiler

__all__ = ["Model", "compiled", "conforms", "is_told", "model", "said_of"]

ROOT = Path(__file__).parents[2]
Model = tuple[Prepared, list[Drive]]


def model(path: str) -> Model:
    """A gadget, prepared, and what its vectors drive a firmware with."""
    gadget = load_gadget(ROOT / path)
    prepared = Prepared(gadget)
    return prepared, vector_drives(gadget, prepared)


def compiled(folder: Path, text: str) -> Firmware:
    """A firmware in C, made in a folder; the test is left out where there is no compiler."""
    cc = compiler("gcc", "clang", "cc")
    if cc is None:
        pytest.skip("no C compiler is installed")
    source, program = folder / "firmware.c", folder / "firmware"
    source.write_text(text, encoding="utf-8")
    subprocess.run([cc, "-std=c99", "-O0", "-o", program, source], check=True)
    return Firmware(program)


def conforms(beside: Model, made: Firmware) -> None:
    """In all vectors, and in thirty random stimulus lists."""
    prepared, drives = beside
    made.say_hello()
    assert compare(made, drives) is None
    assert parts_at_random(made, prepared) is None


def said_of(prepared: Prepared, found: Difference) -> Sequence[str]:
    """What is printed of a difference."""
    return Parted(found=found, placed=placed(prepared, found), witness=None).lines()


def is_told(
    beside: Model, made: Firmware, named: str, open_: str | None, *, shorter: bool = True
) -> None:
    """By the vectors alone, unless it is open, and with the name of what it is about. Without
    `shorter` the stimuli are left as they are: where times are long, making them short is dear.
    """
    prepared, drives = beside
    found = compare(made, drives)
    assert (found is None) == (open_ is not None), open_ or "It is not told."
    if found is None:
        return
    if shorter:
        found = shrunk(made, found, prepared.system, prepared.circuit, prepared.gadget.segments)
    lines = said_of(prepared, found)
    assert named in "\n".join(lines), lines
