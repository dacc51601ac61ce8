"""What every reader of recordings yields: wires, and blocks of value changes in time order.

A recording may be larger than memory, so nothing here holds it whole: `Recording.blocks` reads
the file from its beginning each time it is called and yields one `Block` after the other. Times
are whole ticks of the file's own clock (`Recording.tick_s` is an exact fraction), so a file in
picoseconds loses nothing.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from simfw.errors import DescriptionError, Problem

__all__ = [
    "HIGH_Z",
    "UNKNOWN",
    "Block",
    "Edge",
    "Recording",
    "Remark",
    "Remarks",
    "Wire",
    "bad_recording",
    "sample_rate",
    "seconds_text",
]

UNKNOWN = float("nan")
"""The value `x`: the writer did not know the level."""
HIGH_Z = float("inf")
"""The value `z`: nothing drove the wire."""

# Above this number of bits a double no longer holds every whole number.
EXACT_BITS = 53
MOST_HZ = 10**15  # a tick of the fastest recorder is a femtosecond
_HERTZ = {"": 1, "k": 10**3, "m": 10**6, "g": 10**9}


@dataclass(frozen=True, slots=True)
class Remark:
    """Something odd in a file that was handled: the line (from 1), and what was done about it."""

    line: int | None
    text: str

    def __str__(self) -> str:
        return self.text if self.line is None else f"line {self.line}: {self.text}"


class Remarks:
    """The odd things met while reading one file; equal kinds are counted, not repeated."""

    def __init__(self) -> None:
        self._first: dict[str, tuple[int | None, str]] = {}
        self._count: dict[str, int] = {}

    def add(self, text: str, line: int | None = None, *, kind: str | None = None) -> None:
        """Note `text`; further remarks of the same `kind` (default: the text) only count."""
        key = text if kind is None else kind
        self._first.setdefault(key, (line, text))
        self._count[key] = self._count.get(key, 0) + 1

    def __iter__(self) -> Iterator[Remark]:
        for key, (line, text) in self._first.items():
            more = self._count[key] - 1
            yield Remark(line, text if more == 0 else f"{text} (and {more} more like it)")

    def __len__(self) -> int:
        return len(self._first)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wire:
    """One signal of the file. `bits` is its width; 0 for a real number or an analogue voltage.

    `also` are further names that the file gives to the same signal.
    """

    name: str
    bits: int = 1
    also: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """Consecutive changes, in time order.

    `ticks` (int64), `wires` (index into `Recording.wires`) and `values` (float64: 0, 1, a whole
    number, a real, `UNKNOWN` or `HIGH_Z`) have one entry per change as written, equal values
    included. `texts` holds the digits of values that a double cannot hold (index in the block ->
    digits), whose entry in `values` is `UNKNOWN`. `end` is the last tick known so far.
    """

    ticks: NDArray[np.int64]
    wires: NDArray[np.int32]
    values: NDArray[np.float64]
    end: int
    texts: Mapping[int, str] = field(default_factory=dict)


class Edge(NamedTuple):
    """One change: tick of the file's clock, name of the wire, value (`str` for odd vectors)."""

    tick: int
    wire: str
    value: float | int | str


@dataclass(frozen=True, slots=True, kw_only=True)
class Recording:
    """An opened recording.

    `tick_s` is the length of one tick in seconds, exact. `written_s` is the last place that its
    times are written to, where that is coarser than a tick. `sample_hz` is the sample clock, None
    where the file names none. `notes` are the `key: value` lines of its comments. `start` is the
    first tick. `open_remarks` are the oddities of its header; `blocks` adds those of the rest.
    """

    path: Path
    kind: Literal["vcd", "sr", "csv"]
    tick_s: Fraction
    wires: tuple[Wire, ...]
    reader: Callable[[Remarks], Iterator[Block]]
    sample_hz: Fraction | None = None
    written_s: Fraction = Fraction(0)
    notes: Mapping[str, str] = field(default_factory=dict)
    open_remarks: tuple[Remark, ...] = ()

    @property
    def resolution_s(self) -> Fraction:
        """What it tells apart (s): a tick, a sample, or the last place of its times."""
        sample_s = 1 / self.sample_hz if self.sample_hz else Fraction(0)
        return max(self.tick_s, self.written_s, sample_s)

    @property
    def charge(self) -> float | None:
        """The cell's charge (0..1) that its comments note; None where they note none."""
        try:
            noted = float(self.notes.get("charge", ""))
        except ValueError:
            return None
        return noted if 0.0 <= noted <= 1.0 else None

    def blocks(self, remarks: Remarks | None = None) -> Iterator[Block]:
        """Read the file from its beginning.

        Raises `DescriptionError` where it makes no sense or can no longer be read.
        """
        try:
            yield from self.reader(Remarks() if remarks is None else remarks)
        except OSError as error:
            raise unreadable(self.path, error) from error

    def edges(self, remarks: Remarks | None = None) -> Iterator[Edge]:
        """The same as single changes with plain Python values: `x` and `z` as text."""
        names = [wire.name for wire in self.wires]
        whole = [wire.bits > 0 for wire in self.wires]
        for block in self.blocks(remarks):
            rows = zip(block.ticks.tolist(), block.wires.tolist(), block.values.tolist(),
                       strict=True)
            for at, (tick, wire, value) in enumerate(rows):
                if at in block.texts:
                    yield Edge(tick, names[wire], _exact(block.texts[at]))
                elif value != value:
                    yield Edge(tick, names[wire], "x")
                elif value == HIGH_Z:
                    yield Edge(tick, names[wire], "z")
                else:
                    yield Edge(tick, names[wire], int(value) if whole[wire] else value)

    def wire(self, name: str) -> int:
        """The index of the wire called `name` (KeyError if there is none)."""
        for index, wire in enumerate(self.wires):
            if name == wire.name or name in wire.also:
                return index
        raise KeyError(name)


def _exact(digits: str) -> int | str:
    return int(digits, 2) if set(digits) <= {"0", "1"} else digits


def bad_recording(
    path: Path, text: str, *, line: int | None = None, key: str = "",
    found: str | None = None, allowed: str | None = None, suggestion: str | None = None,
) -> DescriptionError:
    """The error for one place of a recording that cannot be read."""
    if not key and found is not None:
        key, found = found, None  # most places of a recording have no key: the word stands alone
    return DescriptionError([
        Problem(file=str(path), line=line, key=key, found=found, text=text, allowed=allowed,
                suggestion=suggestion)
    ])


def unreadable(path: Path, error: OSError) -> DescriptionError:
    """The error for a file that the system does not read."""
    return bad_recording(path, f"the file cannot be read: {(error.strerror or str(error)).lower()}")


def sample_rate(text: str) -> Fraction | None:
    """A sample rate such as `4 MHz` in hertz, None where it is none."""
    found = re.fullmatch(r"([0-9]{1,18}(?:\.[0-9]{1,18})?)\s*([kmg]?)(?:hz)?", text.strip().lower())
    rate = Fraction(found[1]) * _HERTZ[found[2]] if found else Fraction(0)
    return rate if 0 < rate <= MOST_HZ else None


def seconds_text(ticks: int, tick_s: Fraction) -> str:
    """A time in seconds as exact decimal text ("0.000000002211")."""
    exact = ticks * tick_s
    sign = "-" if exact < 0 else ""
    whole, rest = divmod(abs(exact.numerator), exact.denominator)
    if not rest:
        return f"{sign}{whole}"
    digits = ""
    while rest and len(digits) < 18:
        digit, rest = divmod(rest * 10, exact.denominator)
        digits += str(digit)
    return f"{sign}{whole}.{digits}"
