"""Value change dumps (IEEE 1364-2005, clause 18), read as a stream.

The keywords and the forms of a change are those of the standard: `#n` a time, `1!` a scalar,
`b1010 !` a vector, `r1.5 !` a real; identifier codes are ASCII 33 to 126, so `$` and `#` are
codes too. Plain stretches of a file (times and scalars only, which is what logic analysers write)
are decoded whole blocks at a time with NumPy; everything else goes through `_Careful`, token by
token, which is also where every complaint gets its line.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from simfw.errors import nearest
from simfw.stimuli.recording.base import (
    EXACT_BITS,
    HIGH_Z,
    UNKNOWN,
    Block,
    Recording,
    Remarks,
    bad_recording,
)
from simfw.stimuli.recording.vcd_header import TOKEN, Header, read_header, shown

__all__ = ["open_vcd"]

CHUNK: Final = 1 << 22
PIECE: Final = 1 << 15
LONGEST_LINE: Final = 1 << 26  # bytes
DUMPS: Final = frozenset({b"$dumpvars", b"$dumpall", b"$dumpon", b"$dumpoff"})
SCALARS: Final = {
    ord("0"): 0.0, ord("1"): 1.0,
    ord("x"): UNKNOWN, ord("X"): UNKNOWN, ord("z"): HIGH_Z, ord("Z"): HIGH_Z,
}
# Nine-valued logic (IEEE 1164) as some simulators write it: weak levels count as levels.
STRENGTHS: Final = {
    ord("L"): 0.0, ord("l"): 0.0, ord("H"): 1.0, ord("h"): 1.0,
    ord("U"): UNKNOWN, ord("u"): UNKNOWN, ord("W"): UNKNOWN, ord("w"): UNKNOWN,
    ord("-"): UNKNOWN,
}
MAX_TICK: Final = (1 << 63) - 1


def open_vcd(path: Path, timescale: Fraction | None = None) -> Recording:
    """Open a value change dump; reads the declarations only.

    `timescale` (seconds per tick) is used where the file states none. Raises `DescriptionError`
    with the line for everything that makes the declarations unusable.
    """
    with path.open("rb") as stream:
        header = read_header(path, stream)
    tick_s = header.tick_s
    if tick_s is None:
        if timescale is None:
            raise bad_recording(
                path, "the file states no $timescale, so its times have no unit",
                allowed='timescale = "1 ns" (for example) in the map file',
            )
        tick_s = timescale
        header.remarks.add("no $timescale in the file; the map's is used")
    notes, sample_hz = _notes(header.comments)
    return Recording(
        path=path, kind="vcd", tick_s=tick_s, wires=tuple(header.wires), notes=notes,
        sample_hz=sample_hz, open_remarks=tuple(header.remarks),
        reader=lambda remarks: _read_body(path, header, remarks),
    )


def _notes(comments: list[str]) -> tuple[dict[str, str], Fraction | None]:
    notes: dict[str, str] = {}
    for comment in comments:
        for line in comment.splitlines():
            key, colon, value = line.strip().lstrip("#").partition(":")
            if colon and key.strip():
                notes.setdefault(key.strip().lower(), value.strip())
    return notes, None


def _read_body(path: Path, header: Header, remarks: Remarks) -> Iterator[Block]:
    careful = _Careful(path, header, remarks)
    quick = _Quick(header)
    with path.open("rb") as stream:
        stream.seek(header.size)
        rest = b""
        line = header.lines + 1
        while True:
            more = stream.read(CHUNK)
            if not more:
                break
            # Only whole lines are decoded; what follows the last line end waits for the rest.
            cut = more.rfind(b"\n") + 1
            if cut == 0:
                rest += more
                if len(rest) > LONGEST_LINE:
                    raise bad_recording(path, f"this line is longer than {LONGEST_LINE >> 20} MB",
                                        line=line)
                continue
            chunk, rest = rest + more[:cut], more[cut:]
            whole = None if careful.busy else quick.decode(chunk, careful.tick)
            if whole is not None:
                careful.tick = whole.end
                line += chunk.count(b"\n")
                yield whole
                continue
            # Something here is not plain: find where, piece by piece.
            for piece in _pieces(chunk):
                block = None if careful.busy else quick.decode(piece, careful.tick)
                if block is None:
                    block = careful.decode(piece, line)
                careful.tick = block.end
                line += piece.count(b"\n")
                yield block
        yield careful.decode(rest, line, last=True)


def _pieces(chunk: bytes) -> Iterator[bytes]:
    at = 0
    while at < len(chunk):
        until = chunk.find(b"\n", at + PIECE) + 1 or len(chunk)
        yield chunk[at:until]
        at = until


class _Quick:
    """Whole blocks that hold only times and scalars of known wires, decoded with NumPy."""

    def __init__(self, header: Header) -> None:
        codes = {code: wire for code, wire in header.by_code.items()
                 if wire >= 0 and header.wires[wire].bits == 1}
        self.longest = max((len(code) for code in codes), default=0)
        keys = sorted((self.key(code), wire) for code, wire in codes.items())
        self.usable = bool(codes) and self.longest <= 7
        self.keys = np.array([key for key, _ in keys] if self.usable else [], dtype=np.int64)
        self.wires = np.array([wire for _, wire in keys], dtype=np.int32)
        self.values = np.full(256, -1.0)
        self.values[ord("0")], self.values[ord("1")] = 0.0, 1.0
        # Codes of one or two characters, which is nearly every file, need no search.
        self.small = np.full(1 << 16, -1, dtype=np.int32)
        for key, wire in keys:
            if key < 1 << 16:
                self.small[key] = wire

    @staticmethod
    def key(code: bytes) -> int:
        return int.from_bytes(code, "little")

    def decode(self, chunk: bytes, tick: int) -> Block | None:
        """The changes of `chunk`, or None where anything but plain scalars and times occurs."""
        if not self.usable:
            return None
        raw = np.frombuffer(chunk, dtype=np.uint8)
        dark = raw > 32
        turns = np.flatnonzero(dark[1:] != dark[:-1]) + 1
        if dark[0]:
            turns = np.concatenate((np.zeros(1, dtype=turns.dtype), turns))
        starts, ends = turns[0::2], turns[1::2]  # chunks end with a line end
        if not len(starts):
            return _block([], [], [], tick)
        first = raw[starts]
        is_time = first == 35
        times = self.times(raw, starts[is_time], ends[is_time])
        if times is None or (len(times) and (times[0] < tick or (np.diff(times) < 0).any())):
            return None
        is_change = ~is_time
        at, until = starts[is_change] + 1, ends[is_change]
        values = self.values[first[is_change]]
        wires = self.lookup(raw, at, until)
        # Odd values (NaN and infinity among them) take the careful way, which reports them.
        if wires is None or not ((values == 0.0) | (values == 1.0)).all():
            return None
        stamp = np.concatenate((np.array([tick], dtype=np.int64), times))
        ticks = stamp[np.cumsum(is_time)[is_change]]
        return Block(ticks=ticks, wires=wires, values=values, end=int(stamp[-1]))

    @staticmethod
    def times(
        raw: NDArray[np.uint8], starts: NDArray[np.intp], ends: NDArray[np.intp]
    ) -> NDArray[np.int64] | None:
        digits = ends - starts - 1
        times = np.zeros(len(starts), dtype=np.int64)
        if not len(starts):
            return times
        low, high = int(digits.min()), int(digits.max())
        if low < 1 or high > 18:
            return None
        for count in range(low, high + 1):
            chosen = np.flatnonzero(digits == count) if low != high else np.arange(len(starts))
            at = starts[chosen]
            value = np.zeros(len(chosen), dtype=np.int64)
            for place in range(1, count + 1):
                digit = raw[at + place] - np.uint8(48)  # wraps far above 9 for anything else
                if (digit > 9).any():
                    return None
                value = value * 10 + digit
            times[chosen] = value
        return times

    def lookup(
        self, raw: NDArray[np.uint8], at: NDArray[np.intp], until: NDArray[np.intp]
    ) -> NDArray[np.int32] | None:
        if not len(at):
            return np.zeros(0, dtype=np.int32)
        width = until - at
        longest = int(width.max())
        if int(width.min()) < 1 or longest > self.longest:
            return None
        key = raw[at].astype(np.int64)
        for place in range(1, longest):
            inside = width > place
            key[inside] |= raw[at[inside] + place].astype(np.int64) << (8 * place)
        if longest <= 2:
            wires = self.small[key]
            return None if (wires < 0).any() else wires
        found = np.minimum(np.searchsorted(self.keys, key), len(self.keys) - 1)
        if (self.keys[found] != key).any():
            return None
        return np.asarray(self.wires[found])


def _block(ticks: list[int], wires: list[int], values: list[float], end: int,
           texts: dict[int, str] | None = None) -> Block:
    return Block(ticks=np.array(ticks, dtype=np.int64), wires=np.array(wires, dtype=np.int32),
                 values=np.array(values, dtype=np.float64), end=end, texts=texts or {})


class _Careful:
    """Token by token: vectors, reals, sections, and every complaint with its line."""

    def __init__(self, path: Path, header: Header, remarks: Remarks) -> None:
        self.path, self.header, self.remarks = path, header, remarks
        self.tick = 0
        self.open_section: tuple[bytes, int] | None = None  # a $comment and its line
        self.pending: tuple[bytes, int] | None = None  # a vector or real that awaits its code
        self.dumping = False

    @property
    def busy(self) -> bool:
        """Whether the next token belongs to something that has begun."""
        return self.open_section is not None or self.pending is not None

    def bad(self, line: int, text: str, *, key: str = "", **more: str | None) -> Exception:
        return bad_recording(self.path, text, line=line, key=key, **more)

    def decode(self, chunk: bytes, line: int, *, last: bool = False) -> Block:
        self.ticks: list[int] = []
        self.wires: list[int] = []
        self.values: list[float] = []
        self.texts: dict[int, str] = {}
        cut = len(chunk) if last and chunk and not chunk[-1:].isspace() else -1
        position = 0
        for found in TOKEN.finditer(chunk):
            line += chunk.count(b"\n", position, found.start())
            position = found.start()
            word = found.group()
            try:
                self.token(word, line)
            except Exception:
                # Only the very last word of a file without a final line end may be half a word.
                if found.end() != cut:
                    raise
                self.remarks.add(f"the file ends in the middle of {shown(word)!r}; the cut word "
                                 f"is left out", line)
                cut = -1
        if last:
            self.finish(line, half=cut >= 0)
        return _block(self.ticks, self.wires, self.values, self.tick, self.texts)

    def finish(self, line: int, *, half: bool) -> None:
        if self.pending is not None:
            self.remarks.add(f"the file ends after the value {shown(self.pending[0])!r}, whose "
                             "identifier code is missing; left out", self.pending[1])
        elif self.open_section is not None:
            self.remarks.add(f"the file ends inside {shown(self.open_section[0])}",
                             self.open_section[1])
        elif half:
            self.remarks.add("the file does not end with a line end; its last line may be cut",
                             line)

    def token(self, word: bytes, line: int) -> None:
        if self.open_section is not None:
            if word == b"$end":
                self.open_section = None
            return
        if self.pending is not None:
            value, at = self.pending
            self.pending = None
            self.vector(value, word, at)
            return
        head = word[0]
        if head == 35:
            self.time(word, line)
        elif head in b"bBrRsS" and len(word) > 1:
            self.pending = (word, line)
        elif head == 36:
            self.keyword(word, line)
        elif head in SCALARS or head in STRENGTHS:
            self.scalar(word, line)
        else:
            raise self.bad(line, "this is neither a time, nor a change, nor a keyword",
                           found=shown(word))

    def time(self, word: bytes, line: int) -> None:
        digits, point, zeros = word[1:].partition(b".")
        if not digits.isdigit() or zeros.strip(b"0") or len(digits) > 400:
            raise self.bad(line, "this is not a time", found=shown(word),
                           allowed="# and a whole number")
        if point:
            self.remarks.add("times are written with a point; their fraction is zero", line,
                             kind="point")
        tick = int(digits)
        if tick > MAX_TICK:
            raise self.bad(line, "this time is larger than 64 bits hold", found=shown(word))
        if tick < self.tick:
            raise self.bad(line, f"time goes back from {self.tick} to {tick}", found=shown(word),
                           allowed="times that rise or stay")
        self.tick = tick

    def keyword(self, word: bytes, line: int) -> None:
        if word in DUMPS:
            self.dumping = True
            if word == b"$dumpoff":
                self.remarks.add("the writer paused here ($dumpoff); levels are unknown until "
                                 "$dumpon", line, kind="dumpoff")
        elif word == b"$end":
            if not self.dumping:
                self.remarks.add("a $end that closes nothing; skipped", line, kind="end")
            self.dumping = False
        elif word == b"$comment":
            self.open_section = (word, line)
        else:
            known = [*sorted(shown(dump) for dump in DUMPS), "$comment", "$end"]
            raise self.bad(line, "this keyword does not belong among the changes",
                           found=shown(word), allowed=", ".join(known),
                           suggestion=nearest(shown(word), known))

    def wire(self, code: bytes, line: int, written: bytes) -> int:
        wire = self.header.by_code.get(code)
        if wire is None:
            known = [shown(key) for key in self.header.by_code]
            raise self.bad(line, f"no $var declares the identifier code `{shown(code)}`",
                           found=shown(written),
                           allowed=", ".join(known[:12]) + (", ..." if len(known) > 12 else ""))
        return wire

    def scalar(self, word: bytes, line: int) -> None:
        if len(word) < 2:
            raise self.bad(line, "a value without an identifier code", found=shown(word))
        wire = self.wire(word[1:], line, word)
        value = SCALARS.get(word[0])
        if value is None:
            value = STRENGTHS[word[0]]
            self.remarks.add(f"`{chr(word[0])}` is not a value of IEEE 1364; read by IEEE 1164 "
                             "as its level", line, kind="strength")
        self.change(wire, value, line)

    def vector(self, value: bytes, code: bytes, line: int) -> None:
        written = value + b" " + code
        wire = self.wire(code, line, written)
        if wire < 0:
            return  # text, said in the header's remarks
        bits = self.header.wires[wire].bits
        kind = value[:1].lower()
        if kind == b"s":
            raise self.bad(line, "text for a wire that holds levels", found=shown(written))
        if kind == b"r":
            try:
                number = float(value[1:])
            except ValueError:
                raise self.bad(line, "this is not a real number", found=shown(written)) from None
            self.change(wire, number, line)
            return
        digits = value[1:].decode("ascii", "replace").lower()
        if not digits or set(digits) - set("01xzuwlh-"):
            raise self.bad(line, "this is not a vector", found=shown(written),
                           allowed="digits 0, 1, x and z")
        name = self.header.wires[wire].name
        if bits == 0:
            raise self.bad(line, f"a vector for {name}, which is a real number",
                           found=shown(written))
        if len(digits) > bits:
            raise self.bad(line, f"{len(digits)} digits for {name}, which has {bits} "
                           f"bit{'' if bits == 1 else 's'}", found=shown(written))
        if set(digits) <= {"0", "1"}:
            if bits <= EXACT_BITS:
                self.change(wire, float(int(digits, 2)), line)
            else:
                self.texts[len(self.ticks)] = digits.zfill(bits)
                self.change(wire, UNKNOWN, line, said=True)
                self.remarks.add(f"{name} has {bits} bits; its values are kept but not compared",
                                 line, kind=f"wide {name}")
        elif bits == 1:
            self.change(wire, {**SCALARS, **STRENGTHS}[ord(digits)], line)
        else:
            # A short vector extends to the left with x or z if it begins with that, else with 0.
            pad = digits[0] if digits[0] in "xz" else "0"
            self.texts[len(self.ticks)] = pad * (bits - len(digits)) + digits
            self.change(wire, UNKNOWN, line)

    def change(self, wire: int, value: float, line: int, *, said: bool = False) -> None:
        if wire < 0:
            return
        if (value != value or value == HIGH_Z) and not said:
            name = self.header.wires[wire].name
            letter = "z" if value == HIGH_Z else "x"
            self.remarks.add(f"{name} is {letter} here", line, kind=f"{letter} {name}")
        self.ticks.append(self.tick)
        self.wires.append(wire)
        self.values.append(value)


