"""Mutants of the behaviour and of the step function: small faults, to see how many of them the test
vectors notice.

Each mutant is one change of one row, time, guard, limit or state, written out as C like the gadget
itself, or of one operator of the step function, such as a slip of the pen would make.
"""

from __future__ import annotations

import random
import re
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

from simfw.behaviour.expression import (
    All,
    Any,
    Compare,
    Expression,
    Not,
    Number,
    Quantity,
)
from simfw.behaviour.region import Drive as Level
from simfw.behaviour.region import Region, Row, State, System
from simfw.conform.firmware import Drive, Firmware
from simfw.errors import UsageError
from simfw.report.source import c_files, harness_files
from simfw.report.source.plan import drive_level

__all__ = ["Build", "Mutant", "Score", "Subject", "mutants_of", "score"]

COMPILERS = ("tcc", "gcc", "clang", "cc")
MOVED = 0.03  # by how much a limit is moved: 30 mV, or 3 % of charge
LIMITS = ("gauge.measured", "gauge.counted", "cell.voltage", "cell.charge")

# Slips in the step function: what stood there, what stands there now, in words.
CORE = (
    ("fw.now + lasts)", "fw.now + lasts + 1u)", "a dwell ends one tick late"),
    ("to = fw.memory[region - FW_MEMORY_FIRST];", "to = fw.state[region];", "nothing is resumed"),
    (" || (fw.due[region] != fw.now)", "", "a stale dwell is not dropped"),
    ("(region != done) &&", "(done <= FW_NONE) &&", "more than the first matching row fires"),
    ("fw.memory[region - FW_MEMORY_FIRST] = state;", "(void)state;",
     "no resume point is remembered"),
    ("fw.woke = true;", "fw.woke = false;", "a short wake is missed"),
    ("(fw_index)(rank - taken)", "rank", "no segment is put out"),
    ("(here > most)", "(here > 0u)", "the last region wins an output"),
    ("holds ? FW_READ", "!holds ? FW_READ", "a watched condition is turned round"),
    ("    for (i = 0u; i < FW_REGION_COUNT; i++) {\n        arrive",
     "    for (i = 0u; i < FW_SIGNAL_COUNT; i++) {\n        put(i);\n    }\n"
     "    for (i = 0u; i < FW_REGION_COUNT; i++) {\n        arrive",
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
    system: System | None = None
    old: str = ""
    new: str = ""

    @property
    def files(self) -> dict[str, str]:
        """The C with this change."""
        files = self.subject.files
        if self.system is not None:
            return {**files, **c_files(self.system, self.subject.segments, self.subject.name)}
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


Faults = Iterator[tuple[str, System]]


def _with_region(system: System, region: Region) -> System:
    regions = tuple(region if one.name == region.name else one for one in system.regions)
    return replace(system, regions=regions)


def _with_rows(system: System, region: Region, rows: Mapping[str, Row | None]) -> System:
    """The system with other rows by key, None for none."""
    kept = (rows.get(row.key, row) for row in region.rows)
    return _with_region(system, replace(region, rows=tuple(row for row in kept if row)))


def _followed(region: Region, row: Row) -> bool:
    """Whether a later row without a guard leads a timed row's stay to the same place anyhow."""
    later = region.rows[region.rows.index(row) + 1 :]
    return any(
        (other.after_ns, other.when, other.to, other.sources)
        == (row.after_ns, None, row.to, row.sources)
        for other in later
    )


def _row_faults(system: System) -> Faults:
    for region in system.regions:
        for row in region.rows:
            changes: list[tuple[str, Row | None]] = []
            if row.on is not None:
                changes.append(("never fires", None))
            if row.when is not None:
                changes.append(("its guard is dropped", replace(row, when=None)))
            followed = row.after_ns is not None and _followed(region, row)
            if row.to != "same" and not followed:
                changes.append(("stays instead of going on", replace(row, to="same")))
            if row.emit:
                changes.append(("emits nothing", replace(row, emit=())))
            for words, changed in changes:
                yield f"{row.key}: {words}", _with_rows(system, region, {row.key: changed})


def _time_faults(system: System) -> Faults:
    for region in system.regions:
        # Rows that wait for one time in the same states keep one time.
        alike: dict[tuple[int, tuple[str, ...]], list[Row]] = {}
        for row in region.rows:
            if row.after_ns:
                alike.setdefault((row.after_ns, row.sources), []).append(row)
        for (after_ns, _), rows in alike.items():
            for factor, words in ((11, "10 % longer"), (9, "10 % shorter")):
                time = after_ns * factor // 10
                yield (f"the time of {', '.join(row.key for row in rows)} is {words}",
                       _with_rows(system, region,
                                  {row.key: replace(row, after_ns=time) for row in rows}))


def _moved(part: Expression, by: float) -> Expression:
    """The expression with its first limit moved; itself where there is none."""
    match part:
        case Compare(Quantity(name), sign, Number(value)) if name in LIMITS:
            return Compare(Quantity(name), sign, Number(round(value + by, 12)))
        case Compare(Number(value), sign, Quantity(name)) if name in LIMITS:
            return Compare(Number(round(value + by, 12)), sign, Quantity(name))
        case Not(inner):
            return Not(_moved(inner, by))
        case All(parts) | Any(parts):
            for place, inner in enumerate(parts):
                changed = _moved(inner, by)
                if changed != inner:
                    return type(part)((*parts[:place], changed, *parts[place + 1 :]))
    return part


def _guard_faults(system: System) -> Faults:
    asked = [(row.when, row.when_text) for region in system.regions for row in region.rows]
    asked += [(item.when, item.key) for item in system.conditions]
    for when, text in {when: (when, text) for when, text in reversed(asked) if when}.values():
        yield f"guard `{text}` turned round", _with_guard(system, when, Not(when))
        for by in (MOVED, -MOVED):
            changed = _moved(when, by)
            if changed != when:
                yield (f"the limit of `{text}` moved by {by * 1000:+.0f} mV",
                       _with_guard(system, when, changed))


def _with_guard(system: System, old: Expression, new: Expression) -> System:
    """The system with one guard changed wherever it stands."""
    def row_of(row: Row) -> Row:
        return replace(row, when=new) if row.when == old else row

    return replace(
        system,
        regions=tuple(replace(region, rows=tuple(map(row_of, region.rows)))
                      for region in system.regions),
        conditions=tuple(replace(item, when=new) if item.when == old else item
                         for item in system.conditions),
    )  # fmt: skip


def _at_once(region: Region, state: str) -> list[Row]:
    """The rows that leave this state in the instant in which it was entered."""
    return [row for row in region.rows if row.after_ns == 0 and state in row.sources]


def _passed_at_once(region: Region) -> Iterator[tuple[State, ...]]:
    """The states in groups: one that lasts no time, and leads on without a guard to the next, is
    passed in one instant with it.
    """
    group: tuple[State, ...] = ()
    for number, state in enumerate(region.states):
        group = (*group, state)
        rows = _at_once(region, state.name)
        following = region.states[number + 1].name if number + 1 < len(region.states) else ""
        if rows and rows[0].when is None and rows[0].to == following:
            continue
        yield group
        group = ()


def _state_faults(system: System) -> Faults:
    for region in system.regions:
        for group in _passed_at_once(region):
            awake = [state.name for state in group if state.awake]
            if awake:
                words = " and ".join(f"{region.name}: {name}" for name in awake)
                states = tuple(replace(state, awake=state.awake and state.name not in awake)
                               for state in region.states)  # fmt: skip
                yield (f"{words}: does not keep awake",
                       _with_region(system, replace(region, states=states)))
    for region in system.regions:
        for state in region.states:
            if _at_once(region, state.name):
                continue  # nobody sees what it drives
            for name, level in state.outputs.items():
                number = drive_level(level)
                less = number // 2 if number > 1 else 0
                changed = (Level(level.duty / 2) if level.segments is None
                           else Level(level.duty, less))  # fmt: skip
                yield (f"{region.name}: {state.name}: level {number} of {name} becomes {less}",
                       _with_state(system, region, replace(
                           state, outputs={**state.outputs, name: changed})))
            for name, factor in state.scales.items():
                other = factor / 2 if factor > 0 else 1.0
                yield (f"{region.name}: {state.name}: {name} is scaled by {other:g} and not by "
                       f"{factor:g}",
                       _with_state(system, region, replace(
                           state, scales={**state.scales, name: other})))
            for name, count in state.takes_out.items():
                yield (f"{region.name}: {state.name}: {count} put out of {name} becomes "
                       f"{count // 2}",
                       _with_state(system, region, replace(
                           state, takes_out={**state.takes_out, name: count // 2})))


def _with_state(system: System, region: Region, state: State) -> System:
    states = tuple(state if one.name == state.name else one for one in region.states)
    return _with_region(system, replace(region, states=states))


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
    faults = (*_row_faults(system), *_time_faults(system), *_guard_faults(system),
              *_state_faults(system))  # fmt: skip
    found = [Mutant(subject=subject, text=text, system=changed) for text, changed in faults]
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
