"""What stands before the first change of a value change dump (IEEE 1364-2005, clause 18)."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import BinaryIO, Final

from simfw.errors import nearest
from simfw.stimuli.recording.base import Remarks, Wire, bad_recording

__all__ = ["TOKEN", "Header", "read_header", "shown"]

TOKEN: Final = re.compile(rb"\S+")
HEADER_LIMIT: Final = 1 << 26
END: Final = re.compile(rb"(?<!\S)\$enddefinitions\s+\$end(?!\S)")
UNITS: Final = {"s": 0, "ms": 3, "us": 6, "ns": 9, "ps": 12, "fs": 15}
REAL_TYPES: Final = frozenset({"real", "realtime", "real_parameter", "shortreal"})


@dataclass
class Header:
    """What stands before the first change."""

    tick_s: Fraction | None = None
    wires: list[Wire] = field(default_factory=list)
    by_code: dict[bytes, int] = field(default_factory=dict)
    comments: list[str] = field(default_factory=list)
    remarks: Remarks = field(default_factory=Remarks)
    size: int = 0  # bytes
    lines: int = 0  # line ends within these bytes


def read_header(path: Path, stream: BinaryIO) -> Header:
    """Read the declarations, up to the end of them.

    Raises `DescriptionError` with the line for everything that makes them unusable.
    """
    read = bytearray()
    seen = 0  # up to here there is no end; a few bytes more are kept for one that was cut in two
    while True:
        more = stream.read(1 << 16)
        read += more
        found = END.search(read, seen)
        if found and (found.end() < len(read) or not more):
            break
        if not more or len(read) > HEADER_LIMIT:
            raise _no_end(path, bytes(read))
        # What may yet become the end begins at the last `$enddefinitions`.
        last = read.rfind(b"$enddefinitions", seen)
        seen = max(0, last - 1 if last >= 0 else len(read) - 16)
    data = bytes(read)
    header = Header(size=found.end(), lines=data.count(b"\n", 0, found.end()))
    if data.startswith(b"\xef\xbb\xbf"):
        header.remarks.add("the file begins with a byte order mark; ignored", 1)
        data = b"   " + data[3:]
    _Declarations(path, data[: found.end()], header).read()
    if not header.wires:
        raise bad_recording(path, "no $var declares any signal")
    return header


def _no_end(path: Path, data: bytes) -> Exception:
    if not data.strip():
        return bad_recording(path, "the file is empty")
    if data.startswith(b"\x1f\x8b"):
        return bad_recording(path, "the file is compressed (gzip)",
                             allowed="the file as `gzip -d` leaves it")
    if not data.lstrip(b"\xef\xbb\xbf \t\r\n").startswith(b"$"):
        return bad_recording(path, "this is not a value change dump: it does not begin with a $ "
                                   "keyword", line=1, found=shown(data.split(b"\n")[0][:40]))
    return bad_recording(path, "the declarations never end: no `$enddefinitions $end`",
                         line=data.count(b"\n") + 1)


def shown(raw: bytes) -> str:
    """Bytes of the file as a message shows them."""
    return raw.decode("ascii", "backslashreplace").strip()


class _Declarations:
    """The sections before `$enddefinitions $end`."""

    def __init__(self, path: Path, data: bytes, header: Header) -> None:
        self.path, self.data, self.header = path, data, header
        self.known = (0, 1)
        self.scopes: list[str] = []
        self.declared: list[tuple[tuple[str, ...], str, int, bytes, int]] = []

    def line(self, position: int) -> int:
        """The line of a position; mostly a later one than the one asked for before."""
        known, line = self.known if self.known[0] <= position else (0, 1)
        self.known = position, line + self.data.count(b"\n", known, position)
        return self.known[1]

    def bad(self, position: int, text: str, *, key: str = "", **more: str | None) -> Exception:
        return bad_recording(self.path, text, line=self.line(position), key=key, **more)

    def read(self) -> None:
        tokens = TOKEN.finditer(self.data)
        for token in tokens:
            word, position = token.group(), token.start()
            if not word.startswith(b"$"):
                raise self.bad(position, "this does not belong between declarations",
                               found=shown(word), allowed="a $ keyword")
            parts: list[bytes] = []
            last = position
            for part in tokens:
                if part.group() == b"$end":
                    last = part.start()
                    break
                parts.append(part.group())
            else:
                raise self.bad(position, "no $end closes this", found=shown(word))
            self.section(word, parts, position, last)
        self.finish()

    def section(self, word: bytes, parts: list[bytes], position: int, last: int) -> None:
        name = shown(word)
        if name == "$var":
            self.var(parts, position)
        elif name == "$scope":
            self.scopes.append(shown(parts[1]) if len(parts) > 1 else "")
        elif name == "$upscope":
            if not self.scopes:
                raise self.bad(position, "$upscope without a $scope")
            self.scopes.pop()
        elif name == "$timescale":
            self.timescale(b"".join(parts), position)
        elif name == "$comment":
            text = self.data[position + len(word) : last].decode("utf-8", "backslashreplace")
            self.header.comments.append(text)
        elif name not in ("$date", "$version", "$enddefinitions"):
            known = ("$var", "$scope", "$upscope", "$timescale", "$comment", "$date", "$version",
                     "$enddefinitions")
            near = nearest(name, known)
            if near is not None:
                raise self.bad(position, "this is not a keyword", found=name, suggestion=near)
            self.header.remarks.add(f"{name} is not a keyword of IEEE 1364; skipped up to $end",
                                    self.line(position), kind=f"keyword {name}")

    def timescale(self, raw: bytes, position: int) -> None:
        found = re.fullmatch(rb"(\d{1,9})([a-z]+)", raw)
        if not found or int(found[1]) not in (1, 10, 100) or shown(found[2]) not in UNITS:
            raise self.bad(position, "this is not a timescale", key="$timescale",
                           found=shown(raw), allowed="1, 10 or 100 of s, ms, us, ns, ps or fs")
        self.header.tick_s = Fraction(int(found[1]), 10 ** UNITS[shown(found[2])])

    def var(self, parts: list[bytes], position: int) -> None:
        if len(parts) < 4 or not parts[1].isdigit() or len(parts[1]) > 9:
            raise self.bad(position, "this $var is not complete", key="$var",
                           found=shown(b" ".join(parts)),
                           allowed="$var TYPE BITS CODE NAME $end")
        kind, code = shown(parts[0]), parts[2]
        bits = 0 if kind in REAL_TYPES else int(parts[1])
        name = shown(b"".join(parts[3:])).removeprefix("\\")
        if kind == "string" or (kind not in REAL_TYPES and bits == 0):
            self.header.remarks.add(f"{name} holds text, not levels; not read",
                                    self.line(position), kind=f"text {name}")
            self.header.by_code[code] = -1
            return
        if bits > 1 or kind in REAL_TYPES:
            # A range such as [7:0] says what `bits` says already.
            name = re.sub(r"\[-?\d+:-?\d+\]$", "", name) or name
        self.declared.append((tuple(self.scopes), name, bits, code, self.line(position)))

    def finish(self) -> None:
        """Give every signal its shortest name that is not ambiguous."""
        taken: dict[str, int] = {}
        for _, name, _, _, _ in self.declared:
            taken[name] = taken.get(name, 0) + 1
        names: dict[str, None] = {}
        next_number: dict[str, int] = {}
        for scopes, name, _, _, line in self.declared:
            if taken[name] > 1:
                name = ".".join([*scopes, name])
            full = name
            number = next_number.get(full, 2)
            while name in names:
                name = f"{full}.{number}"
                number += 1
            next_number[full] = number
            if name != full:
                self.header.remarks.add(f"a second signal is called {full}; it is read as {name}",
                                        line)
            names[name] = None
        header = self.header
        for name, (_, _, bits, code, line) in zip(names, self.declared, strict=True):
            if code not in header.by_code:
                header.by_code[code] = len(header.wires)
                header.wires.append(Wire(name=name, bits=bits))
                continue
            first = header.wires[header.by_code[code]]
            if first.bits != bits:
                raise bad_recording(
                    self.path, f"the identifier code stands for {first.name} ({first.bits} bits) "
                    f"already; {name} has {bits}", line=line, key="$var", found=shown(code))
            header.remarks.add(f"{name} is another name of {first.name}", line)
            header.wires[header.by_code[code]] = Wire(name=first.name, bits=bits,
                                                      also=(*first.also, name))
