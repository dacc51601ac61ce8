"""Tables of text: an edge list or regular samples, with the time's unit in the header.

    # any comment                      # comment lines may hold `key: value`
    time_ms,power,shelf                time_us;signal;value
    0,0,0                              0;power;0
    12.5,1,                            12500;power;1

On the left one column per signal and a row per change (or per sample; an empty cell means "as
before"); on the right one change per row. The separator is a comma, a semicolon or a tab. Without
a time column the rows are regular samples and a comment states `sample rate: 4 MHz`.
"""

from __future__ import annotations

import csv
import itertools
import re
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from decimal import Context, Decimal, InvalidOperation
from fractions import Fraction
from io import TextIOBase
from pathlib import Path
from typing import Final, TextIO

import numpy as np

from simfw.errors import DescriptionError, Problem, nearest
from simfw.stimuli.recording.base import (
    HIGH_Z,
    UNKNOWN,
    Block,
    Recording,
    Remarks,
    Wire,
    bad_recording,
    sample_rate,
)

__all__ = ["cells_of", "open_csv"]

UNITS: Final = {"s": 0, "ms": 3, "us": 6, "µs": 6, "μs": 6, "ns": 9, "ps": 12, "fs": 15}
WORDS: Final = {
    "0": 0.0, "1": 1.0, "low": 0.0, "high": 1.0, "false": 0.0, "true": 1.0, "off": 0.0, "on": 1.0,
    "none": -1.0,  # no hand
    "x": UNKNOWN, "z": HIGH_Z,
}
NUMBER: Final = re.compile(r"[+-]?(\d{1,60}(\.\d{0,60})?|\.\d{1,60})([eE][+-]?\d{1,3})?", re.ASCII)
WIDE: Final = Context(prec=200)
ROWS: Final = 1 << 15
PEEK: Final = 200
FEWEST_SAMPLES: Final = 20  # evenly spaced, before a table is taken for samples
LONGEST_LINE: Final = 1 << 24  # characters
MOST_PROBLEMS: Final = 20  # that are told of one table
LARGEST_POWER: Final = 40  # of ten; a time or level beyond it is no time and no level
ALLOWED_VALUES: Final = "0, 1, low, high, on, off, true, false, none, x, z, a number, or nothing"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Layout:
    """How the table is laid out. `columns[k]` is the cell of wire k; `time` is None for samples."""

    encoding: str
    separator: str
    width: int
    time: int | None
    exponent: int  # the time's unit is 10**-exponent s
    places: int  # a tick is 10**-places s
    written: int  # the first rows have their times to 10**-written s
    columns: tuple[int, ...]
    long: tuple[int, int] | None  # the cells of `signal` and `value`
    header_line: int


def open_csv(path: Path) -> Recording:
    """Open a table; reads its comments, its header and its first rows only.

    Raises `DescriptionError` with the line where the header cannot be understood.
    """
    remarks = Remarks()
    raw = _first_bytes(path)
    if not raw:
        raise bad_recording(path, "the file is empty")
    if b"\0" in raw and not raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise bad_recording(path, "this is not text: the file holds zero bytes", line=1)
    encoding = "utf-16" if raw.startswith((b"\xff\xfe", b"\xfe\xff")) else "utf-8-sig"
    if encoding == "utf-16":
        remarks.add("the file is UTF-16; read as such", 1)
    notes: dict[str, str] = {}
    with path.open(encoding=encoding, errors="replace", newline="") as stream:
        header, line = _header(path, stream, notes)
        separator = max(",;\t", key=header.count)
        _, cells = next(cells_of(path, [header], separator, line - 1))
        names = [name.strip() for name in cells]
        rows = [row for _, (_, row) in zip(range(PEEK), cells_of(path, stream, separator, line),
                                           strict=False)]
    rate = _rate(path, notes)
    layout, wires = _layout(path, names, rows, line, separator, encoding, rate)
    tick_s = 1 / rate if layout.time is None and rate else Fraction(1, 10**layout.places)
    if rate is None:
        rate = _sampled(rows, layout)
    # A writer that tells that its clock is exact leaves out what is zero.
    exact = layout.time is None or notes.get("clock") == "exact"
    if layout.long is not None:
        wires = _long_wires(path, layout)
    return Recording(
        path=path, kind="csv", tick_s=tick_s, wires=wires, notes=notes,
        sample_hz=rate, written_s=Fraction(0) if exact else Fraction(1, 10**layout.written),
        open_remarks=tuple(remarks),
        reader=lambda more: _Rows(path, layout, wires, more).read(),
    )


def _first_bytes(path: Path) -> bytes:
    with path.open("rb") as stream:
        return stream.read(4096)


def _header(path: Path, stream: TextIO, notes: dict[str, str]) -> tuple[str, int]:
    for number, text in enumerate(iter(lambda: stream.readline(LONGEST_LINE), ""), start=1):
        stripped = text.strip()
        if stripped.startswith(("#", ";", "//")):
            key, colon, value = stripped.lstrip("#;/ ").partition(":")
            if colon:
                notes.setdefault(key.strip().lower(), value.strip())
        elif stripped:
            return text.rstrip("\r\n"), number
    raise bad_recording(path, "the file has comments but no header")


def cells_of(path: Path, stream: Iterable[str], separator: str, before: int
           ) -> Iterator[tuple[int, list[str]]]:  # fmt: skip
    """The rows of a table with the line that each ends at; `before` lines went before."""
    if isinstance(stream, TextIOBase):
        stream = _bounded(path, stream, before)
    rows = csv.reader(stream, delimiter=separator)
    while True:
        try:
            row = next(rows)
        except StopIteration:
            return
        except csv.Error as error:
            raise bad_recording(path, f"this row cannot be read ({error})",
                                line=before + rows.line_num) from error
        yield before + rows.line_num, row


def _bounded(path: Path, stream: TextIOBase, before: int) -> Iterator[str]:
    for number, text in enumerate(iter(lambda: stream.readline(LONGEST_LINE), ""), start=1):
        if len(text) == LONGEST_LINE:
            raise bad_recording(path, f"this line is longer than {LONGEST_LINE // 10**6} million "
                                "characters", line=before + number)
        yield text


def _rate(path: Path, notes: dict[str, str]) -> Fraction | None:
    text = notes.get("sample rate", notes.get("samplerate"))
    if text is None:
        return None
    rate = sample_rate(text)
    if rate is None:
        raise bad_recording(path, "this is not a sample rate", key="sample rate", found=text,
                            allowed="for example `4 MHz`")
    return rate


def _time_unit(name: str) -> str | None:
    """The unit in `time_ms`, `time (ms)`, `Time [ms]` or `time ms`; "" for a bare `time`."""
    found = re.fullmatch(r"time(?:\s*[_(\[]?\s*([a-zµμ]*)\s*[)\]]?)?", name.lower())
    return None if found is None else found[1] or ""


def _layout(
    path: Path, names: list[str], rows: list[list[str]], line: int, separator: str, encoding: str,
    rate: Fraction | None,
) -> tuple[_Layout, tuple[Wire, ...]]:
    units = {index: unit for index, name in enumerate(names)
             if (unit := _time_unit(name)) is not None}
    times = list(units)
    if len(times) > 1:
        raise bad_recording(path, "more than one time column", line=line,
                            found=", ".join(names[index] for index in times))
    if not times and rate is None:
        near = nearest(names[0], [f"time_{unit}" for unit in UNITS])
        raise bad_recording(
            path, "no time column", line=line, found=separator.join(names),
            allowed="a column time_s, time_ms, time_us, time_ns or time_ps, or a comment "
            "`# sample rate: 4 MHz`", suggestion=near)
    exponent = places = written = 0
    if times:
        unit = units[times[0]]
        if unit not in UNITS:
            said = (f'there is no unit "{unit}" for a time column' if unit
                    else "the time column needs a unit")
            raise bad_recording(path, said, line=line,
                                found=names[times[0]],
                                allowed="time_s, time_ms, time_us, time_ns or time_ps")
        exponent = UNITS[unit]
        digits, written = (exponent + most for most in _decimals(rows, times[0], separator))
        places = max(9, exponent, digits)
        places = next(size for size in (9, 12, 15, 18) if size >= min(places, 15))
    others = [index for index, name in enumerate(names) if index not in units]
    lowered = [names[index].lower() for index in others]
    long = None
    if sorted(lowered) in (["signal", "value"], ["value", "wire"]):
        value = others[lowered.index("value")]
        long = (next(index for index in others if index != value), value)
    empty = [index for index in others if not names[index]]
    if empty and empty != [len(names) - 1]:
        raise bad_recording(path, f"column {empty[0] + 1} has no name", line=line,
                            found=separator.join(names))
    others = [index for index in others if names[index]]
    counted = Counter(names[index] for index in others)
    doubled = {name for name, count in counted.items() if count > 1}
    if doubled:
        raise bad_recording(path, "two columns have the same name", line=line,
                            found=", ".join(sorted(doubled)))
    if not others:
        raise bad_recording(path, "no column besides the time", line=line, found=names[0])
    layout = _Layout(
        encoding=encoding, separator=separator, width=len(names),
        time=times[0] if times else None, exponent=exponent, places=places,
        written=written, columns=tuple(others), long=long, header_line=line)
    return layout, tuple(Wire(name=names[index], bits=0) for index in others)


def _decimals(rows: list[list[str]], column: int, separator: str) -> tuple[int, int]:
    """The most places that a time needs, and that one is written with: 1.500 needs one of three."""
    most = written = 0
    for row in rows:
        if len(row) > column:
            text = row[column].strip()
            text = text if separator == "," else text.replace(",", ".")
            try:
                number = Decimal(text)
            except InvalidOperation:
                continue
            if not number.is_finite() or abs(number.adjusted()) > LARGEST_POWER:
                continue
            as_written = number.as_tuple().exponent
            shortest = number.normalize(WIDE).as_tuple().exponent
            assert isinstance(as_written, int)  # it is finite
            assert isinstance(shortest, int)
            most, written = max(most, -shortest), max(written, -as_written)
    return most, written


def _sampled(rows: list[list[str]], layout: _Layout) -> Fraction | None:
    """The sample clock (Hz) of a table with times, where its first rows are those of one.

    Samples come evenly and mostly repeat the one before; rows that are written for a change do not.
    """
    if layout.time is None or layout.long is not None or len(rows) < FEWEST_SAMPLES:
        return None
    times, levels = [], []
    for row in rows:
        if len(row) < layout.width:
            return None
        text = row[layout.time].strip()
        text = text if layout.separator == "," else text.replace(",", ".")
        if not NUMBER.fullmatch(text) or abs(Decimal(text).adjusted()) > LARGEST_POWER:
            return None
        times.append(Fraction(text) / 10**layout.exponent)
        levels.append([row[column] for column in layout.columns])
    steps = {after - before for before, after in itertools.pairwise(times)}
    repeated = sum(before == after for before, after in itertools.pairwise(levels))
    if len(steps) != 1 or 2 * repeated < len(rows):
        return None
    step_s = steps.pop()
    return 1 / step_s if step_s > 0 else None


def _long_wires(path: Path, layout: _Layout) -> tuple[Wire, ...]:
    """The names in the column `signal`, in order of appearance; reads the file once."""
    assert layout.long is not None
    names: dict[str, None] = {}
    with path.open(encoding=layout.encoding, errors="replace", newline="") as stream:
        for _ in range(layout.header_line):
            stream.readline()
        for _, row in cells_of(path, stream, layout.separator, layout.header_line):
            if row and len(row) > layout.long[0] and not row[0].lstrip().startswith("#"):
                names.setdefault(row[layout.long[0]].strip())
    if not names:
        raise bad_recording(path, "no row follows the header", line=layout.header_line)
    return tuple(Wire(name=name, bits=0) for name in names)


class _Rows:
    """The rows after the header."""

    def __init__(self, path: Path, layout: _Layout, wires: tuple[Wire, ...],
                 remarks: Remarks) -> None:
        self.path, self.layout, self.remarks = path, layout, remarks
        self.wires = wires
        self.index = {wire.name: number for number, wire in enumerate(wires)}
        self.last: list[str | None] = [None] * len(wires)
        self.levels: list[float | None] = [None] * len(wires)
        self.tick = 0
        self.started = False

    def bad(self, line: int, text: str, *, key: str = "", **more: str | None) -> DescriptionError:
        return bad_recording(self.path, text, line=line, key=key, **more)

    def read(self) -> Iterator[Block]:
        layout = self.layout
        self.clear()
        problems: list[Problem] = []  # after the first the rest is looked at for more
        with self.path.open(encoding=layout.encoding, errors="replace", newline="") as stream:
            for _ in range(layout.header_line):
                stream.readline()
            tail = ""
            for line, row in cells_of(self.path, stream, layout.separator, layout.header_line):
                if not row or not any(row):
                    continue
                if row[0].lstrip().startswith(("#", "//")):
                    continue
                try:
                    self.row(row, line)
                except DescriptionError as error:
                    problems += error.problems
                if len(problems) >= MOST_PROBLEMS:
                    problems += self.bad(line, "the rows after this one were not read").problems
                    break
                tail = row[-1]
                if problems:
                    self.clear()
                elif len(self.ticks) >= ROWS:
                    yield self.block()
        if problems:
            raise DescriptionError(problems)
        if not self.started:
            raise self.bad(layout.header_line, "no row follows the header")
        if not _ends_with_newline(self.path):
            self.remarks.add(f"the file does not end with a line end; its last row (which ends "
                             f"in {tail!r}) may be cut", line)
        yield self.block()

    def clear(self) -> None:
        self.ticks: list[int] = []
        self.numbers: list[int] = []
        self.values: list[float] = []

    def block(self) -> Block:
        block = Block(
            ticks=np.array(self.ticks, dtype=np.int64),
            wires=np.array(self.numbers, dtype=np.int32),
            values=np.array(self.values, dtype=np.float64), end=self.tick)
        self.clear()
        return block

    def odd(self, line: int, row: list[str]) -> Exception:
        """A row with too few or too many cells; a decimal comma makes one cell two."""
        comma = self.layout.separator == "," and len(row) > self.layout.width
        return self.bad(line, f"{len(row)} cells where the header has {self.layout.width}",
                        found=self.layout.separator.join(row),
                        allowed="a decimal comma only where the cells are separated by semicolons "
                        "or tabs" if comma else None)

    def row(self, row: list[str], line: int) -> None:
        layout = self.layout
        if len(row) < layout.width:
            # An empty last name in the header is a trailing separator, which rows may lack.
            if len(row) <= max(layout.columns):
                raise self.odd(line, row)
        elif any(cell.strip() for cell in row[layout.width:]):
            raise self.odd(line, row)
        if layout.time is None:
            self.tick += 1 if self.started else 0
        else:
            tick = self.time(row[layout.time], line)
            if self.started and tick < self.tick:
                raise self.bad(line, "time goes back", found=row[layout.time],
                               allowed="times that rise or stay")
            self.tick = tick
        self.started = True
        if layout.long is not None:
            name = row[layout.long[0]].strip()
            self.cell(self.index[name], row[layout.long[1]], line)
            return
        for wire, column in enumerate(layout.columns):
            text = row[column]
            if text != self.last[wire]:
                self.cell(wire, text, line)

    def time(self, text: str, line: int) -> int:
        shown, text = text, text.strip()
        if self.layout.separator != "," and "," in text:
            self.remarks.add("times are written with a decimal comma", line, kind="comma")
            text = text.replace(",", ".")
        if not NUMBER.fullmatch(text):
            raise self.bad(line, "this is not a time", key="time", found=shown or "nothing",
                           allowed="a decimal number")
        exact = Decimal(text).scaleb(self.layout.places - self.layout.exponent, WIDE)
        if exact and exact.adjusted() > LARGEST_POWER:
            raise self.bad(line, "this time is larger than 64 bits hold", found=shown)
        tick = int(exact.to_integral_value(context=WIDE))
        if tick != exact:
            self.remarks.add(f"the time {text} is finer than the tick of "
                             f"1e-{self.layout.places} s; rounded", line, kind="finer")
        if abs(tick) >= 1 << 63:
            raise self.bad(line, "this time is larger than 64 bits hold", found=shown)
        return tick

    def cell(self, wire: int, text: str, line: int) -> None:
        self.last[wire] = text
        word = text.strip().lower()
        if not word:
            return
        value = WORDS.get(word)
        if value is None:
            if self.layout.separator != ",":
                word = word.replace(",", ".")
            if not NUMBER.fullmatch(word):
                raise self.bad(line, "this is not a level", key=self.wires[wire].name,
                               found=text, allowed=ALLOWED_VALUES)
            value = float(word)
            if value != value or abs(value) > 10.0**LARGEST_POWER:
                raise self.bad(line, "this number is too large for a level",
                               key=self.wires[wire].name, found=text, allowed=ALLOWED_VALUES)
        elif value != value or value == HIGH_Z:
            self.remarks.add(f"{self.wires[wire].name} is {word} here", line,
                             kind=f"{word} {wire}")
        if value == self.levels[wire]:
            return  # written in another way, or a sample like the one before
        self.levels[wire] = value
        self.ticks.append(self.tick)
        self.numbers.append(wire)
        self.values.append(value)


def _ends_with_newline(path: Path) -> bool:
    with path.open("rb") as stream:
        stream.seek(-1, 2)
        return stream.read(1) in b"\r\n\0"
