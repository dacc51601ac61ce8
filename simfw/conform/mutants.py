"""Mutants of the behaviour and of the step function: small faults, to see how many of them the test
vectors notice.

Each mutant is a fault of the rows (`vectors/faults.py`), written out as C like the gadget
itself, or a change of one operator of the step function, such as a slip of the pen would make. They
are the check from outside on faults that are judged in Python.
"""

from __future__ import annotations

import random
import re
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from simfw.behaviour.region import System
from simfw.conform.firmware import Drive, Firmware
from simfw.errors import UsageError
from simfw.report.source import c_files, harness_files
from simfw.vectors.faults import NONE, Fault
from simfw.vectors.possible import all_faults

__all__ = ["Build", "Mutant", "Score", "Subject", "mutants_of", "score"]

COMPILERS = ("tcc", "gcc", "clang", "cc")

# Slips in the step function: what stood there, what stands there now, in words.
CORE = (
    ("fw.now + lasts)", "fw.now + lasts + 1u)", "a dwell ends one tick late"),
    ("to = fw.memory[region - FW_MEMORY_FIRST];", "to = fw.state[region];", "nothing is resumed"),
    (" || (fw.due[region] != fw.now)", "", "a stale dwell is not dropped"),
    ("(region != done) &&", "(done <= FW_NONE) &&", "more than the first matching row fires"),
    ("fw.memory[region - FW_MEMORY_FIRST] = state;", "(void)state;",
     "no resume point is remembered"),
    ("fw.woke = true;", "fw.woke = false;", "a short wake is missed"),
    ("(fw_index)(group->rank - group->taken)", "group->rank", "no segment is put out"),
    ("(here > most)", "(here > 0u)", "the last region wins an output"),
    ("holds ? FW_READ", "!holds ? FW_READ", "a watched condition is turned round"),
    ("    for (i = 0u; i < FW_REGION_COUNT; i++) {\n#if FW_KEPT_COUNT > 0\n        arrive",
     "    for (i = 0u; i < FW_SIGNAL_COUNT; i++) {\n        put(i);\n    }\n"
     "    for (i = 0u; i < FW_REGION_COUNT; i++) {\n#if FW_KEPT_COUNT > 0\n        arrive",
     "edges are made up at power-up"),
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Subject:
    """The behaviour that mutants are made of; `segments` counts those of lights."""

    system: System
    segments: Mapping[str, int]
    name: str = ""

    @cached_property
    def files(self) -> dict[str, str]:
        """Its C with the harness, by file name."""
        return harness_files(self.system, self.segments, self.name)


@dataclass(frozen=True, kw_only=True)
class Mutant:
    """One change, in words: another behaviour, or another text in the step function."""

    subject: Subject
    text: str
    fault: Fault | None = None
    old: str = ""
    new: str = ""

    @property
    def files(self) -> dict[str, str]:
        """The C with this change."""
        files = self.subject.files
        if self.fault is not None:
            return {**files, **c_files(self.fault.system, self.subject.segments, self.subject.name)}
        return {**files, "firmware.c": files["firmware.c"].replace(self.old, self.new)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """How many mutants were noticed; `survivors` are those that were not."""

    killed: int
    total: int
    survivors: tuple[Mutant, ...]

    @property
    def share(self) -> float:
        """The share noticed, 1 for none at all."""
        return self.killed / self.total if self.total else 1.0


def _unused(system: System) -> set[str]:
    """Slips of the step function that this gadget cannot show: they would tell nothing."""
    found: set[str] = set()
    regions = system.regions
    if not any(region.resume_points for region in regions):
        found |= {"nothing is resumed", "no resume point is remembered"}
    if not any(row.after_ns is not None for region in regions for row in region.rows):
        found |= {"a dwell ends one tick late", "a stale dwell is not dropped"}
    if not system.conditions:
        found.add("a watched condition is turned round")
    if not any(state.takes_out for region in regions for state in region.states):
        found.add("no segment is put out")
    users: dict[str, set[str]] = {}
    for region in regions:
        for state in region.states:
            for name in state.outputs:
                users.setdefault(name, set()).add(region.name)
    if not any(len(names) > 1 for names in users.values()):
        found.add("the last region wins an output")
    if not any(state.awake for region in regions for state in region.states):
        found.add("a short wake is missed")
    # An edge of a contact that is closed at power-up shows only where a row hears it.
    heard = {row.on for region in regions for row in region.rows}
    if heard.isdisjoint(set(system.raw_events) - {"usb.edge", "status.edge"}):
        found.add("edges are made up at power-up")
    return found


def mutants_of(subject: Subject) -> list[Mutant]:
    """All mutants, in a fixed order."""
    system = subject.system
    found = [Mutant(subject=subject, text=fault.text, fault=fault)
             for fault in all_faults(system)
             if fault.system is not system and fault.twist == NONE]  # a slip is in no table
    unused = _unused(system)
    for old, new, words in CORE:
        if old not in subject.files["firmware.c"]:
            raise AssertionError(words)
        if words not in unused:
            found.append(Mutant(subject=subject, text=f"step function: {words}", old=old, new=new))
    return found


SOURCES = ("firmware.c", "tables.c", "names.c", "harness.c")


class Build:
    """The C of a subject in a folder, compiled file by file, so that most mutants cost one file.

    UsageError where there is no compiler.
    """

    def __init__(self, subject: Subject, folder: Path) -> None:
        command = next((name for name in COMPILERS if shutil.which(name)), None)
        if command is None:
            raise UsageError("No C compiler was found (tcc, gcc, clang or cc); mutants need one.")
        self.files = subject.files
        self.folder = folder
        self.command = command
        self.program = folder / "mutant"
        self._write(self.files)
        for name in SOURCES:
            self._run("-w", "-DFW_HOST", "-c", name, "-o", f"{name}.o")

    def mutated(self, mutant: Mutant) -> Path:
        """Compile with one mutant; the program."""
        files = mutant.files
        changed = {name: text for name, text in files.items() if text != self.files[name]}
        anew = SOURCES if any(name.endswith(".h") for name in changed) else tuple(changed)
        self._write(changed)
        try:
            self._run("-w", "-DFW_HOST", "-o", self.program.name,
                      *(name if name in anew else f"{name}.o" for name in SOURCES))  # fmt: skip
        finally:
            self._write({name: self.files[name] for name in changed})
        return self.program

    def _write(self, files: Mapping[str, str]) -> None:
        for name, text in files.items():
            (self.folder / name).write_text(text, encoding="utf-8")

    def _run(self, *options: str) -> None:
        done = subprocess.run([self.command, *options], cwd=self.folder, capture_output=True,
                              text=True, check=False)  # fmt: skip
        if done.returncode != 0:
            raise UsageError(
                f"{self.command} refuses the generated C: {done.stderr.strip()[:400]}"
            )


def score(subject: Subject, drives: Sequence[Drive], count: int, *, seed: int = 0,
          only: str = "", progress: Callable[[int, int], None] | None = None) -> Score:
    """Compile `count` mutants (all, if there are fewer) and drive each until one drive notices.

    `only` is a pattern that the text of a mutant has to hold.
    """
    found = [mutant for mutant in mutants_of(subject) if re.search(only, mutant.text)]
    chosen = found if count >= len(found) else random.Random(seed).sample(found, count)
    quick_first = sorted(drives, key=lambda drive: len(drive.replay.reports))
    survivors = []
    with tempfile.TemporaryDirectory() as folder:
        build = Build(subject, Path(folder))
        for done, mutant in enumerate(chosen):
            if progress is not None:
                progress(done, len(chosen))
            firmware = Firmware(build.mutated(mutant), timeout_s=20.0)
            firmware.told = {"event", "wake", "sleep"}
            if all(firmware.differs(drive) is None for drive in quick_first):
                survivors.append(mutant)
    return Score(killed=len(chosen) - len(survivors), total=len(chosen),
                 survivors=tuple(survivors))  # fmt: skip
