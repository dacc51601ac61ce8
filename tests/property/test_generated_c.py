"""The generated C does what the model does: random gadgets, random event lists, every instant.

The always-run part is small; `python -m tests.bench.generated_c` runs the full count.
"""

import random
from pathlib import Path

import pytest

from simfw import load_gadget
from simfw.behaviour.build import build_system
from tests.report.generated_c import (
    Account,
    build_case,
    compile_harness,
    compiler,
    first_difference,
    links,
    random_list,
    talk,
    write_harness,
)

ROOT = Path(__file__).parent.parent.parent
DEMOS = sorted(ROOT.glob("scenarios/*/gadget.toml"))
SANITIZERS = "-fsanitize=address,undefined"


def account_of(gadget, system, seed, lists, steps=12):
    """The model's account of `lists` random event lists."""
    account, rng = Account(system, gadget.segments), random.Random(seed)
    for _ in range(lists):
        random_list(account, rng, steps)
    return account


def compare(gadget, system, account, folder, command, *flags):
    """Compile, replay, and fail with the first difference."""
    write_harness(folder, gadget, system)
    program = compile_harness(folder, command, *flags)
    difference = first_difference(account, talk(program, account.asked))
    assert difference is None, difference


@pytest.mark.parametrize("seed", range(10))
def test_random_gadgets_agree(seed, tmp_path):
    """Same events, outputs, wakes and sleeps at every instant of random event lists."""
    command = compiler("tcc", "gcc", "clang")
    if command is None:
        pytest.skip("no C compiler installed")
    gadget, system = build_case(seed)
    account = account_of(gadget, system, seed, lists=6)
    assert len(account.expected) > 60
    compare(gadget, system, account, tmp_path, command)


@pytest.mark.parametrize("path", DEMOS, ids=lambda path: path.parent.name)
def test_the_demo_gadgets_agree(path, tmp_path):
    """The same for the gadgets that come with the project."""
    command = compiler("tcc", "gcc", "clang")
    if command is None:
        pytest.skip("no C compiler installed")
    gadget = load_gadget(path)
    system = build_system(gadget)
    compare(gadget, system, account_of(gadget, system, 1, lists=6), tmp_path, command)


@pytest.mark.parametrize("command", ["gcc", "clang"])
def test_the_sanitizers_find_nothing(command, tmp_path):
    """A random gadget with many parts under the address and undefined-behaviour sanitizers."""
    if compiler(command) is None:
        pytest.skip(f"{command} is not installed")
    if not links(command, SANITIZERS):
        pytest.skip(f"{command} is installed without its sanitizer runtime")
    seed = max(range(30), key=lambda seed: len(build_case(seed)[1].regions))
    gadget, system = build_case(seed)
    account = account_of(gadget, system, seed, lists=4)
    compare(gadget, system, account, tmp_path, command, "-g", SANITIZERS,
            "-fno-sanitize-recover=all")  # fmt: skip


def test_a_wrong_table_is_noticed(tmp_path):
    """The comparison can fail: one dwell of the C made longer is found, with what led to it."""
    command = compiler("tcc", "gcc", "clang")
    if command is None:
        pytest.skip("no C compiler installed")
    gadget, system = build_case(4)
    account = account_of(gadget, system, 4, lists=6)
    write_harness(tmp_path, gadget, system)
    tables = tmp_path / "tables.c"
    text = tables.read_text()
    dwell = next(part for part in text.split("FW_TICKS(")[1:] if not part.startswith("0)"))
    wrong = text.replace(f"FW_TICKS({dwell}", f"FW_TICKS(1{dwell}", 1)
    assert wrong != text
    tables.write_text(wrong)
    difference = first_difference(account, talk(compile_harness(tmp_path, command), account.asked))
    assert difference is not None
    assert "asked before:" in difference


def test_a_compiler_without_a_library_is_told_from_one_that_has_it():
    """What a test needs is tried out, not taken from a compiler's being there."""
    command = compiler("gcc", "clang")
    if command is None:
        pytest.skip("no C compiler installed")
    assert links(command)
    assert not links(command, "-lno-such-library")
