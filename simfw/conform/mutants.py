"""Mutants of the generated C: small faults, to see how many of them the test vectors notice.

Each mutant is one change of one entry of a table, of one guard, or of one operator of the step
function, such as a slip of the pen would make.
"""

from __future__ import annotations

import random
import re
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from simfw.conform.firmware import Drive, Firmware
from simfw.errors import UsageError

__all__ = ["Build", "Mutant", "Score", "mutants_of", "score"]

COMPILERS = ("tcc", "gcc", "clang", "cc")
CORE = (
    ("firmware.c", "< dwell->after", "<= dwell->after", "a dwell ends one tick late"),
    ("firmware.c", "if (row->to == FW_RESUME)", "if (row->to == FW_NONE)", "nothing is resumed"),
    ("firmware.c", "(entry.stay == m->stay[entry.region])", "(entry.stay != 0xFFFFu)",
     "a stale dwell is not dropped"),
    ("firmware.c", "            return;\n        }\n    }\n}\n\nstatic void watch",
     "        }\n    }\n}\n\nstatic void watch", "more than the first matching row fires"),
    ("firmware.c", "m->memory[region] = state;", "(void)state;", "no resume point is remembered"),
    ("firmware.c", "        m->woke = true;", "        m->woke = false;", "a short wake is missed"),
    ("firmware.c", "return (taken < level) ? (level - taken) : 0u;", "return level;",
     "no segment is put out"),
    ("firmware.c", "(here > level)", "(here > 0u)", "the last region wins an output"),
    ("firmware.c", "holds ? fw_conditions[i].rises", "!holds ? fw_conditions[i].rises",
     "a watched condition is turned round"),
    ("firmware.c", "fw_signals[i].at_power_up && (levels", "fw_signals[i].at_power_up || (levels",
     "edges are made up at power-up"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Mutant:
    """One change: in which file, what stood there, what stands there now, and in words."""

    file: str
    old: str
    new: str
    text: str
    place: int = 0

    def apply(self, files: Mapping[str, str]) -> dict[str, str]:
        """The files with this change."""
        text = files[self.file]
        return {**files, self.file: text[: self.place] + self.new
                + text[self.place + len(self.old):]}  # fmt: skip


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


def _lines(text: str, table: str) -> Iterator[tuple[int, str]]:
    """The entries of a table with where they begin."""
    start = text.index(f"{table}[] = {{")
    end = text.index("\n};", start)
    for match in re.finditer(r"^    (\{.*)$", text[start:end], re.MULTILINE):
        yield start + match.start(1), match[1]


def _followed(entries: Sequence[tuple[int, str]], index: int, to: str) -> bool:
    """Whether a later row without a guard leads a timed row's stay to the same place anyhow."""
    if not entries[index][1].startswith("{FW_NONE, "):
        return False
    return any(line.startswith(f"{{FW_NONE, FW_NONE, {to}, ")
               for _, line in entries[index + 1 : index + 3])  # fmt: skip


def _rows(text: str) -> Iterator[Mutant]:
    entries = list(_lines(text, "fw_rows"))
    for index, (place, line) in enumerate(entries):
        match = re.match(r"\{(\S+), (\S+), (\S+), (\d+)u, (\d+)u\} /\* \d+: (.*) \*/", line)
        if match is None:
            continue
        on, guard, to, _, emits, key = match.groups()
        fields = line[: line.index("}") + 1]

        def change(old: str, new: str, words: str, *, fields: str = fields, place: int = place,
                   key: str = key) -> Mutant:  # fmt: skip
            return Mutant("tables.c", fields, fields.replace(old, new, 1), f"{key}: {words}", place)

        if on != "FW_NONE":
            yield change(on, "FW_NONE", "never fires")
        if guard != "FW_NONE":
            yield change(f", {guard},", ", FW_NONE,", "its guard is dropped")
        if to != "FW_SAME" and not _followed(entries, index, to):
            yield change(f", {to},", ", FW_SAME,", "stays instead of going on")
        if emits != "0":
            yield change(f"{emits}u}}", "0u}", "emits nothing")


def _times(text: str) -> Iterator[Mutant]:
    # Rows of one state with one time stand together; they keep one time.
    for match in re.finditer(r"(?:    \{FW_TICKS\((\d+)\), \d+u\},\n)"
                             r"(?:    \{FW_TICKS\(\1\), \d+u\},\n)*", text):
        time = int(match[1])
        rows = ", ".join(re.findall(r"(\d+)u\}", match[0]))
        for factor, words in ((11, "10 % longer"), (9, "10 % shorter")):
            if time:
                new = match[0].replace(f"({time})", f"({time * factor // 10})")
                yield Mutant("tables.c", match[0], new, f"the time of rows {rows} is {words}",
                             match.start())  # fmt: skip


def _guards(text: str) -> Iterator[Mutant]:
    start = text.index("bool fw_guard")
    for match in re.finditer(r"case (\d+)u: /\* (.*) \*/\n        holds = (.*);", text[start:]):
        place = start + match.start(3)
        yield Mutant("tables.c", match[3], f"!({match[3]})", f"guard `{match[2]}` turned round",
                     place)  # fmt: skip
        number = re.search(r"(<=|>=|<|>) (\d{6,})", match[3])
        if number is not None:
            for shift in (30_000, -30_000):
                new = match[3].replace(number[2], str(int(number[2]) + shift), 1)
                yield Mutant("tables.c", match[3], new,
                             f"the limit of `{match[2]}` moved by {shift / 1000:+.0f} mV", place)


def _fields(line: str) -> list[int]:
    """The numbers of an entry of fw_states."""
    return [int(word) for word in re.findall(r"(\d+)u", line[: line.index("}")])]


def _passing_drives(text: str) -> set[int]:
    """Entries of fw_drives that belong to states that last no time: nobody sees what they drive."""
    times = [line for _, line in _lines(text, "fw_dwells")]
    found: set[int] = set()
    for _, line in _lines(text, "fw_states"):
        _, _, dwells, dwell_count, drives, drive_count, *_ = _fields(line)
        if dwell_count and times[dwells].startswith("{FW_TICKS(0)"):
            found |= set(range(drives, drives + drive_count))
    return found


def _shared_outputs(text: str) -> bool:
    """Whether two regions drive one output."""
    drives = [line.split(",")[0] for _, line in _lines(text, "fw_drives")]
    users: dict[str, set[str]] = {}
    for _, line in _lines(text, "fw_states"):
        _, _, _, _, first, count, *_ = _fields(line)
        region = line[line.index("/*") + 3 :].partition(": ")[0]
        for output in drives[first : first + count]:
            users.setdefault(output, set()).add(region)
    return any(len(regions) > 1 for regions in users.values())


def _named(line: str) -> str:
    """The name of an entry of fw_states, as its comment tells it: "region: state"."""
    return line[line.index("/*") + 3 : -3].strip()


def _passed_at_once(text: str) -> Iterator[tuple[int, ...]]:
    """The entries of fw_states in groups: a state that lasts no time, and leads on without a guard
    to the next entry, is passed in one instant with it.
    """
    rows = [line for _, line in _lines(text, "fw_rows")]
    times = [line for _, line in _lines(text, "fw_dwells")]
    states = [line for _, line in _lines(text, "fw_states")]
    group: tuple[int, ...] = ()
    for number, line in enumerate(states):
        group = (*group, number)
        _, _, dwells, count, *_ = _fields(line)
        match = re.match(r"\{FW_TICKS\(0\), (\d+)u\}", times[dwells]) if count else None
        if match is not None and number + 1 < len(states):
            _, guard, to, *_ = rows[int(match[1])].split(", ")
            region, _, state = _named(states[number + 1]).partition(": ")
            if guard == "FW_NONE" and to == "FW_ST_" + re.sub(
                    r"\W", "_", f"{region}__{state}").upper():  # fmt: skip
                continue
        yield group
        group = ()


def _states(text: str) -> Iterator[Mutant]:
    lines = list(_lines(text, "fw_states"))
    for group in _passed_at_once(text):
        awake = [number for number in group if "FW_STATE_AWAKE" in lines[number][1]]
        if not awake:
            continue
        first, last = lines[awake[0]], lines[awake[-1]]
        old = text[first[0] : last[0] + last[1].index("}") + 1]
        words = " and ".join(_named(lines[number][1]) for number in awake)
        yield Mutant("tables.c", old, old.replace("FW_STATE_AWAKE", "0u"),
                     f"{words}: does not keep awake", first[0])  # fmt: skip
    owners: dict[int, str] = {}
    for _, line in lines:
        _, _, _, _, start, driven, taken, *_ = _fields(line)
        owners |= dict.fromkeys(range(start, start + driven + taken), _named(line))
    passing = _passing_drives(text)
    for number, (place, line) in enumerate(_lines(text, "fw_drives")):
        if number in passing:
            continue
        match = re.match(r"\{(\w+), (\d+)u\}", line)
        if match is not None:
            level = int(match[2])
            new = level // 2 if level > 1 else 0
            yield Mutant("tables.c", match[0], f"{{{match[1]}, {new}u}}",
                         f"{owners[number]}: level {level} of {match[1]} becomes {new}",
                         place)  # fmt: skip


def mutants_of(files: Mapping[str, str]) -> list[Mutant]:
    """All mutants, in a fixed order."""
    text = files["tables.c"]
    found = [*_rows(text), *_times(text), *_guards(text), *_states(text)]
    # A change of the step function that this gadget cannot show would tell nothing.
    unused = set()
    if "FW_STATE_RESUMES" not in text:
        unused |= {"nothing is resumed", "no resume point is remembered"}
    if re.search(r"#define FW_CONDITION_COUNT 0u", files["tables.h"]):
        unused.add("a watched condition is turned round")
    if not any(re.match(r"\{(?:\d+u, ){6}[1-9]", line) for _, line in _lines(text, "fw_states")):
        unused.add("no segment is put out")
    if not _shared_outputs(text):
        unused.add("the last region wins an output")
    # An edge of a contact that is closed at power-up shows only where a row hears it.
    heard = {line[1:].partition(",")[0] for _, line in _lines(text, "fw_rows")}
    if heard.isdisjoint(re.findall(r"\{(\w+), false\}", text)):
        unused.add("edges are made up at power-up")
    found += [Mutant(file, old, new, f"step function: {words}", files[file].index(old))
              for file, old, new, words in CORE if words not in unused]  # fmt: skip
    return found


SOURCES = ("firmware.c", "tables.c", "names.c", "harness.c")


class Build:
    """The generated C in a folder, compiled file by file, so that a mutant costs one file.

    UsageError where there is no compiler.
    """

    def __init__(self, files: Mapping[str, str], folder: Path) -> None:
        command = next((name for name in COMPILERS if shutil.which(name)), None)
        if command is None:
            raise UsageError("No C compiler was found (tcc, gcc, clang or cc); mutants need one.")
        self.files = files
        self.folder = folder
        self.command = command
        self.program = folder / "mutant"
        for name, text in files.items():
            (folder / name).write_text(text, encoding="utf-8")
        for name in SOURCES:
            self._run("-w", "-DFW_HOST", "-c", name, "-o", f"{name}.o")

    def mutated(self, mutant: Mutant) -> Path:
        """Compile with one mutant; the program."""
        changed = self.folder / f"changed_{mutant.file}"
        changed.write_text(mutant.apply(self.files)[mutant.file], encoding="utf-8")
        self._run("-w", "-DFW_HOST", "-o", self.program.name, changed.name,
                  *(f"{name}.o" for name in SOURCES if name != mutant.file))  # fmt: skip
        return self.program

    def _run(self, *options: str) -> None:
        done = subprocess.run([self.command, *options], cwd=self.folder, capture_output=True,
                              text=True, check=False)  # fmt: skip
        if done.returncode != 0:
            raise UsageError(
                f"{self.command} refuses the generated C: {done.stderr.strip()[:400]}"
            )


def score(files: Mapping[str, str], drives: Sequence[Drive], count: int, *, seed: int = 0,
          only: str = "", progress: Callable[[int, int], None] | None = None) -> Score:
    """Compile `count` mutants (all, if there are fewer) and drive each until one drive notices.

    `only` is a pattern that the text of a mutant has to hold.
    """
    found = [mutant for mutant in mutants_of(files) if re.search(only, mutant.text)]
    chosen = found if count >= len(found) else random.Random(seed).sample(found, count)
    quick_first = sorted(drives, key=lambda drive: len(drive.replay.reports))
    survivors = []
    with tempfile.TemporaryDirectory() as folder:
        build = Build(files, Path(folder))
        for done, mutant in enumerate(chosen):
            if progress is not None:
                progress(done, len(chosen))
            firmware = Firmware(build.mutated(mutant), timeout_s=20.0)
            firmware.told = {"event", "wake", "sleep"}
            if all(firmware.differs(drive) is None for drive in quick_first):
                survivors.append(mutant)
    return Score(killed=len(chosen) - len(survivors), total=len(chosen),
                 survivors=tuple(survivors))  # fmt: skip
