"""The generated C on other parts: no compiler says a word, sizes stay small, and all tell the same.

Compilers and emulators are those of Debian; a test says which one is not installed and is skipped.
"""

import shutil
import subprocess
from pathlib import Path

import pytest

from simfw import load_gadget
from simfw.behaviour.build import build_system
from simfw.cli import main
from simfw.conform.driving import vector_drives
from simfw.conform.firmware import Firmware, compare
from simfw.engine.simulator import Prepared
from simfw.report.source import source_files
from simfw.report.source.compilers import TARGETS, compiled, sizes
from simfw.report.source.tick import choose_tick
from tests.bench.chips import fixed_list
from tests.report.chips import AVR, on_avr, on_host
from tests.report.generated_c import compile_harness, write_harness

ROOT = Path(__file__).parent.parent.parent
LAMP = ROOT / "scenarios" / "larder-lamp" / "gadget.toml"
HOOK = ROOT / "scenarios" / "key-hook" / "gadget.toml"
STEPS = ROOT / "scenarios" / "cellar-steps" / "gadget.toml"
SMALL = ROOT / "tests" / "data" / "two-buttons" / "gadget.toml"
BUOY = ROOT / "tests" / "gallery" / "bell-buoy" / "gadget.toml"
PIER = ROOT / "tests" / "gallery" / "pier-light" / "gadget.toml"
GLIMMER = ROOT / "tests" / "gallery" / "stair-glimmer" / "gadget.toml"


def needs(*commands):
    """Skip with the names of what is not installed."""
    missing = [command for command in commands if shutil.which(command) is None]
    if missing:
        pytest.skip(f"not installed: {', '.join(missing)}")


def files_of(path):
    """The folder of a gadget."""
    gadget = load_gadget(path)
    return source_files(gadget, build_system(gadget))


BARE = [ROOT / "tests" / "gallery" / name / "gadget.toml"
        for name in ("bell-buoy", "dock-low", "five-winks", "stair-glimmer", "three-switches",
                     "ticker")]


@pytest.mark.parametrize("path", [LAMP, HOOK, STEPS, SMALL, *BARE],
                         ids=lambda path: path.parent.name)  # fmt: skip
@pytest.mark.parametrize("target", TARGETS, ids=lambda target: target.name)
def test_no_compiler_says_a_word(path, target):
    """Firmware, tables and board, with warnings on; also where a gadget has no input, no output or
    no event, so that a part of them is left out.
    """
    needs(target.command, *([target.size] if target.size else []))
    made = compiled(target, files_of(path))
    assert made is not None
    assert made.said == ""
    assert made.flash > 500
    assert made.memory > 15


@pytest.mark.parametrize("target", TARGETS[:2], ids=lambda target: target.name)
def test_dials_and_lists_that_say_the_same_compile_without_a_word(target):
    """A dial that is stepped, where `int` has 16 bits; two tables alike, in one program."""
    needs(target.command)
    made = compiled(target, files_of(PIER))
    assert made is not None
    assert made.said == ""


# Most bytes of flash and of static memory: (flash, memory).
MOST = {
    ("larder-lamp", "8-bit AVR"): (5 * 1024, 320),
    ("larder-lamp", "Cortex-M0"): (3584, 256),
    ("pier-light", "8-bit AVR"): (5 * 1024, 128),
    ("pier-light", "Cortex-M0"): (4400, 128),
    ("two-buttons", "8-bit AVR"): (1800, 96),
    ("two-buttons", "8-bit AVR, whole program"): (1600, 96),
    ("two-buttons", "Cortex-M0"): (1536, 96),
}


@pytest.mark.parametrize("key", list(MOST), ids=" ".join)
def test_the_firmware_fits_the_part(key):
    """Start-up code and main loop included on AVR; what a compiler makes is what counts."""
    gadget, name = key
    target = next(one for one in TARGETS if one.name == name)
    needs(target.command)
    path = next(one for one in (LAMP, PIER, SMALL) if one.parent.name == gadget)
    made = compiled(target, files_of(path))
    assert made is not None
    flash, memory = MOST[key]
    assert made.flash <= flash
    assert made.memory <= memory


def test_what_is_written_for_two_buttons_and_a_light_takes_one_and_a_half_kilobytes(tmp_path):
    """Step function and tables on an 8-bit part, without the main loop and the start-up code."""
    needs("avr-gcc", "avr-size")
    for name, text in files_of(SMALL).items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    subprocess.run(["avr-gcc", "-std=c99", "-mmcu=attiny85", "-Os", "-c", "firmware.c", "tables.c"],
                   cwd=tmp_path, check=True)  # fmt: skip
    told = subprocess.run(["avr-size", "firmware.o", "tables.o"], cwd=tmp_path, check=True,
                          capture_output=True, text=True).stdout  # fmt: skip
    rows = [line.split() for line in told.splitlines()[1:]]
    assert sum(int(row[0]) + int(row[1]) for row in rows) <= 1536
    assert sum(int(row[1]) + int(row[2]) for row in rows) <= 96


def test_tables_stay_out_of_memory():
    """On a part whose constants go to memory unless told otherwise, the lamp would not even link:
    512 bytes of memory are too few for its tables.
    """
    needs("avr-gcc", "avr-size")
    files = files_of(LAMP)
    target = TARGETS[0]
    good = compiled(target, files)
    assert good is not None
    forgotten = {**files, "tables.h": files["tables.h"].replace("PROGMEM", "").replace(
        "pgm_read_byte(at)", "(*(at))").replace("pgm_read_word(at)", "(*(at))").replace(
        "pgm_read_dword(at)", "(*(at))")}  # fmt: skip
    bad = compiled(target, forgotten)
    assert bad is not None
    assert bad.flash == 0
    assert "will not fit in region" in bad.said
    assert good.memory < 512


@pytest.mark.parametrize("path", [LAMP, HOOK, SMALL, BUOY],
                         ids=lambda path: path.parent.name)  # fmt: skip
def test_an_eight_bit_part_tells_what_a_host_tells(path, tmp_path):
    """16-bit `int` on a simulated ATmega: each instant, state and level of a press of each button,
    and no instant in which one region makes one move takes more than 1,500 cycles.
    """
    needs(*AVR, "gcc")
    gadget = load_gadget(path)
    system = build_system(gadget)
    files = files_of(path)
    tick = choose_tick(system)
    acts = fixed_list(len(gadget.buttons), tick.ns)
    (tmp_path / "avr").mkdir()
    (tmp_path / "host").mkdir()
    told = on_avr(files, acts, tmp_path / "avr")
    wanted = on_host(["gcc", "-std=c99", "-w"], [], files, acts, tmp_path / "host")
    assert len(told) > 6
    assert [(one.tick, one.moved, one.after) for one in told] == [
        (one.tick, one.moved, one.after) for one in wanted]  # fmt: skip
    every = gadget.gauge.every.ns // tick.ns if gadget.gauge else 10**9
    sampled = range(0, told[-1].tick + 1, every)  # two moves of one region
    single = [one.cycles for one in told[1:] if one.moved == 1 and one.tick not in sampled]
    assert single
    assert max(single) <= 1500


EMULATED = {
    "big-endian, 32 bits": ("powerpc-linux-gnu-gcc", "qemu-ppc"),
    "little-endian, 32 bits": ("i686-linux-gnu-gcc", "qemu-i386"),
}


@pytest.mark.parametrize("path", [HOOK, GLIMMER], ids=lambda path: path.parent.name)
@pytest.mark.parametrize("name", list(EMULATED))
def test_other_byte_orders_and_word_sizes_conform(name, path, tmp_path):
    """All vectors, through an emulator: exact, and in ticks of the target."""
    command, emulator = EMULATED[name]
    needs(command, emulator)
    gadget = load_gadget(path)
    prepared = Prepared(gadget)
    drives = vector_drives(gadget, prepared)
    write_harness(tmp_path, gadget, prepared.system)
    program = compile_harness(tmp_path, command, "-w", "-static")
    shell = tmp_path / "emulated"
    shell.write_text(f"#!/bin/sh\nexec {emulator} {program}\n", encoding="utf-8")
    shell.chmod(0o755)
    assert compare(Firmware(shell), drives) is None


def test_the_sizes_name_compilers_that_are_not_there(monkeypatch, tmp_path, capsys):
    """What was not measured is told, and nothing is made up for it."""
    monkeypatch.setattr("shutil.which", lambda name: None)
    assert sizes({})[1:] == [
        "  not installed: avr-gcc, arm-none-eabi-gcc, riscv64-unknown-elf-gcc, sdcc, gcc, clang"]
    assert main(["source", str(SMALL), "-o", str(tmp_path / "out"), "--sizes"]) == 0
    assert "not installed: avr-gcc" in capsys.readouterr().out


def test_a_compiler_that_refuses_is_told_with_its_words():
    """The first thing it says."""
    needs("gcc", "size")
    target = next(one for one in TARGETS if one.command == "gcc")
    made = compiled(target, {**files_of(SMALL), "tables.c": "#error nothing here\n"})
    assert made is not None
    assert made.flash == 0
    assert "nothing here" in made.said
