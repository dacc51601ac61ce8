"""What the compilers that are installed make of the C: flash and memory, and what they say.

Nothing here decides what is written; it measures what was written.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

__all__ = ["TARGETS", "Made", "Target", "compiled", "sizes"]

GCC = ("-std=c99", "-Wall", "-Wextra", "-Wpedantic", "-Wconversion")
SOURCES = ("firmware.c", "tables.c", "board.c")


@dataclass(frozen=True, slots=True)
class Target:
    """A part with its compiler. `flags` choose the part and how the compiler optimises; `size` is
    the program that tells sections, None where the linker's map does. `linked`: whether a whole
    image is made, start-up code included, or only the parts that are ours are counted.
    """

    name: str
    command: str
    flags: tuple[str, ...]
    size: str | None
    linked: bool = False


AVR = ("-mmcu=attiny85", "-Os", "-ffunction-sections", "-Wl,--gc-sections")
TARGETS = (
    Target("8-bit AVR", "avr-gcc", (*GCC, *AVR), "avr-size", linked=True),
    Target("8-bit AVR, whole program", "avr-gcc",
           ("-std=gnu99", "-Wall", "-Wextra", "-Wconversion", *AVR, "-flto"), "avr-size",
           linked=True),
    Target("Cortex-M0", "arm-none-eabi-gcc", (*GCC, "-mcpu=cortex-m0", "-mthumb", "-ffreestanding",
                                            "-Os"),
           "arm-none-eabi-size"),
    Target("RISC-V RV32EC", "riscv64-unknown-elf-gcc",
           (*GCC, "-march=rv32ec", "-mabi=ilp32e", "-ffreestanding", "-Os"),
           "riscv64-unknown-elf-size"),
    Target("STM8", "sdcc", ("-mstm8", "--std-c99", "--opt-code-size"), None, linked=True),
    Target("Z80", "sdcc", ("-mz80", "--std-c99", "--opt-code-size"), None, linked=True),
    Target("this host, gcc", "gcc", (*GCC, "-Os"), "size"),
    Target("this host, clang", "clang", (*GCC, "-Os"), "size"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Made:
    """What a compiler made: bytes of flash and of static memory, and what it said."""

    flash: int
    memory: int
    said: str


def compiled(target: Target, files: Mapping[str, str]) -> Made | None:
    """The firmware with its `board.c` as it stands, compiled; None where it is not installed.

    Where a compiler refuses it both sizes are 0 and `said` tells why.
    """
    if shutil.which(target.command) is None:
        return None
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for file, text in files.items():
            (folder / file).write_text(text, encoding="utf-8")
        if target.size is None:
            return _by_map(target, folder)
        made = "fw.elf"
        steps = [[target.command, *target.flags, *SOURCES, "-o", made]]
        parts = [made]
        if not target.linked:
            steps = [[target.command, *target.flags, "-c", *SOURCES]]
            parts = [source.replace(".c", ".o") for source in SOURCES]
        said = _run(steps, folder)
        if said is None:
            return Made(0, 0, "it does not end")
        if not all((folder / part).is_file() for part in parts):
            return Made(0, 0, said)
        told = _run([[target.size, *parts]], folder) or ""
        rows = [line.split() for line in told.splitlines()[1:]]
        code, data, bss = (sum(int(row[place]) for row in rows) for place in range(3))
        return Made(code + data, data + bss, said)


def _by_map(target: Target, folder: Path) -> Made:
    """SDCC compiles one file at a time, and its linker tells the areas of the image."""
    objects = [source.replace(".c", ".rel") for source in SOURCES]
    steps = [[target.command, *target.flags, "-c", source] for source in SOURCES]
    said = _run([*steps, [target.command, *target.flags, *objects, "-o", "fw.ihx"]], folder) or ""
    try:
        text = (folder / "fw.map").read_text(encoding="latin-1")
    except OSError:
        return Made(0, 0, said)
    areas: dict[str, int] = {}
    for area, digits in re.findall(r"^_?(\w+) +[0-9A-F]{8} +([0-9A-F]{8}) =", text, re.MULTILINE):
        areas[area] = areas.get(area, 0) + int(digits, 16)
    flash = sum(size for area, size in areas.items() if area not in MEMORY)
    return Made(flash, sum(areas.get(area, 0) for area in MEMORY), said)


MEMORY = ("DATA", "INITIALIZED", "BSEG", "HEAP", "SSEG")


def _run(steps: Sequence[Sequence[str]], folder: Path) -> str | None:
    """What these commands say; None where one does not end within two minutes."""
    said = ""
    for step in steps:
        try:
            done = subprocess.run(step, cwd=folder, capture_output=True, text=True, timeout=120,
                                  check=False)  # fmt: skip
        except subprocess.TimeoutExpired:
            return None
        said += done.stdout + done.stderr
    return said


def sizes(files: Mapping[str, str]) -> list[str]:
    """A line for each compiler that is installed, and one for those that are not."""
    lines = [
        "Bytes of flash and of static memory, by compiler; board.c as it stands, start-up code "
        "where a whole image is made:"
    ]
    missing: list[str] = []
    for target in TARGETS:
        made = compiled(target, files)
        if made is None:
            if target.command not in missing:
                missing.append(target.command)
        elif not made.flash:
            first = (made.said.strip().splitlines() or ["nothing"])[0]
            lines.append(f"  {target.name:26} {target.command} refuses it: {first}")
        else:
            said = "" if not made.said.strip() else ", with warnings"
            image = "whole image" if target.linked else "our parts"
            lines.append(f"  {target.name:26} {made.flash:6} {made.memory:6}  "
                         f"{target.command}, {image}{said}")
    if missing:
        lines.append(f"  not installed: {', '.join(missing)}")
    return lines
