"""Mutations of a valid file: what damage, other programs and slips of the pen make of it."""

from __future__ import annotations

import io
import random
import re
import zipfile
import zlib
from collections.abc import Callable

__all__ = ["mutated", "mutated_archive"]

MOST_BYTES = 300_000
NUMBER = re.compile(rb"[+-]?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?")
WORD = re.compile(rb"[A-Za-z_]+")
VALUE = re.compile(rb"=[^\n]*")
NUMBERS = [
    b"nan", b"inf", b"-inf", b"0", b"-0", b"-1", b"1e999", b"1e-999", b"1e308", b"9" * 40,
    b"9" * 5000,
    b"0." + b"0" * 400 + b"1", b"18446744073709551616", b"9223372036854775807", b"1e18", b"1e17",
    b"4294967296", b"0x10", b"1_000", b"0.1e1", b"1.", b".5", b"1,5", "½".encode(), "²".encode(),
    "٣".encode(),
]  # fmt: skip
TOKENS = [
    b"\0", b"\xff\xfe", b"\xef\xbb\xbf", b"\r", b"\r\n", b"\x1b[2J", b'"', b"'''", b'"""', b"[",
    b"]",
    b"{", b"}", b"[[", b"=", b",", b".", b";", b"#", b"$end", b"$dumpvars", b"#-1", b"\t", b" ",
    "±".encode(), "Ω".encode(), "𝔘".encode(), "\u202e".encode(), b"\xed\xa0\x80", b"ok", b"error",
    b" not " * 300 + b"x", b"(" * 300 + b"1" + b")" * 300, b"a." * 3000 + b"b", b"[" * 2000,
    b"true", b"2026-01-01", b"1979-05-27T07:32:00Z", b"same", b"resume", b"*", b"lamp.*", b"%",
    b" mV", b" GOhm", b" years", b" ns", b" +/- 1000 %", b"(0 .. 1)", b"@", b"/dev/zero", b"../..",
    b"\\u0000",
]  # fmt: skip


def mutated(raw: bytes, chance: random.Random, others: list[bytes]) -> bytes:
    """`raw` after one to four changes; `others` are valid files that pieces are taken from."""
    for _ in range(chance.choice([1, 1, 1, 2, 3, 4])):
        raw = chance.choice(_CHANGES)(raw, chance, others)[:MOST_BYTES]
    return raw


def mutated_archive(raw: bytes, chance: random.Random, others: list[bytes]) -> bytes:
    """A zip archive: its bytes damaged, or a member changed, made huge, renamed or left out."""
    if chance.random() < 0.4:
        return mutated(raw, chance, others)
    result = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(raw)) as old, zipfile.ZipFile(result, "w") as new:
        for name in old.namelist():
            data = old.read(name)
            change = chance.randrange(6)
            if change == 0:
                data = mutated(data, chance, others)
            elif change == 1 and chance.random() < 0.3:
                data = data[:1] * 20_000_000  # inflates from next to nothing
            elif change == 2:
                name = chance.choice([f"{name}-1", f"{name}-{'9' * 5000}", "metadata", "logic-1-2",
                                      "x"])  # fmt: skip
            elif change == 3 and chance.random() < 0.3:
                continue
            method = chance.choice([zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED, zipfile.ZIP_BZIP2,
                                    zipfile.ZIP_LZMA])  # fmt: skip
            new.writestr(name[:60_000], data, method)
    whole = result.getvalue()
    return mutated(whole, chance, others) if chance.random() < 0.3 else whole


def _place(raw: bytes, chance: random.Random) -> int:
    return chance.randrange(len(raw) + 1)


def _span(raw: bytes, chance: random.Random) -> tuple[int, int]:
    start = _place(raw, chance)
    return start, min(len(raw), start + int(chance.expovariate(1 / 20)) + 1)


def _bits(raw: bytes, chance: random.Random, _: list[bytes]) -> bytes:
    changed = bytearray(raw)
    for _turn in range(chance.choice([1, 1, 2, 8]) if raw else 0):
        changed[chance.randrange(len(raw))] ^= 1 << chance.randrange(8)
    return bytes(changed)


def _removed(raw: bytes, chance: random.Random, _: list[bytes]) -> bytes:
    start, end = _span(raw, chance)
    return raw[:start] + raw[end:]


def _repeated(raw: bytes, chance: random.Random, _: list[bytes]) -> bytes:
    start, end = _span(raw, chance)
    return raw[:end] + raw[start:end] * chance.choice([1, 2, 1000]) + raw[end:]


def _cut(raw: bytes, chance: random.Random, _: list[bytes]) -> bytes:
    return raw[: _place(raw, chance)]


def _noise(raw: bytes, chance: random.Random, _: list[bytes]) -> bytes:
    at = _place(raw, chance)
    return raw[:at] + chance.randbytes(chance.choice([1, 4, 50])) + raw[at:]


def _token(raw: bytes, chance: random.Random, _: list[bytes]) -> bytes:
    at = _place(raw, chance)
    return raw[:at] + chance.choice(TOKENS) + raw[at:]


def _replaced(pattern: re.Pattern[bytes], by: Callable[[bytes, random.Random], bytes]
              ) -> Callable[[bytes, random.Random, list[bytes]], bytes]:  # fmt: skip
    def change(raw: bytes, chance: random.Random, others: list[bytes]) -> bytes:
        places = list(pattern.finditer(raw))
        if not places:
            return _noise(raw, chance, others)
        place = chance.choice(places)
        return raw[: place.start()] + by(place[0], chance) + raw[place.end() :]

    return change


def _other_word(raw: bytes, chance: random.Random, others: list[bytes]) -> bytes:
    words = WORD.findall(chance.choice([raw, *others])) or [b"x"]
    return _replaced(WORD, lambda _old, drawn: drawn.choice(words))(raw, chance, others)


def _spliced(raw: bytes, chance: random.Random, others: list[bytes]) -> bytes:
    other = chance.choice([raw, *others])
    start, end = _span(other, chance)
    at = _place(raw, chance)
    return raw[:at] + other[start : end + chance.choice([0, 200])] + raw[at:]


def _lines(raw: bytes, chance: random.Random, _: list[bytes]) -> bytes:
    lines = raw.split(b"\n")
    one, other = chance.randrange(len(lines)), chance.randrange(len(lines))
    how = chance.randrange(4)
    if how == 0:
        lines[one], lines[other] = lines[other], lines[one]
    elif how == 1:
        del lines[one]
    elif how == 2:
        lines[one:one] = [lines[other]] * chance.choice([1, 3, 2000])
    else:
        lines[one] = b""
    return b"\n".join(lines)


def _other_value(value: bytes, chance: random.Random) -> bytes:
    return b"= " + chance.choice([
        b"{}", b"[]", b'""', b"true", b"0", b"nan", b"[[[[1]]]]", b"1979-05-27", b'"5"', b'"x" ',
        b'{ value = "1 V", range = "0 V .. 2 V" }', b'["1 V", 2]', value[1:] + value[1:],
    ])  # fmt: skip


def _packed(raw: bytes, chance: random.Random, _: list[bytes]) -> bytes:
    return chance.choice([b"PK\x03\x04" + raw, zlib.compress(raw), b"\x1f\x8b" + raw,
                          raw.decode("latin-1").encode("utf-16")])  # fmt: skip


_CHANGES: list[Callable[[bytes, random.Random, list[bytes]], bytes]] = [
    _bits, _removed, _repeated, _cut, _noise, _token, _token, _spliced, _lines, _lines, _other_word,
    _other_word, _replaced(NUMBER, lambda _old, chance: chance.choice(NUMBERS)),
    _replaced(NUMBER, lambda _old, chance: chance.choice(NUMBERS)),
    _replaced(NUMBER, lambda old, chance: old + b"0" * chance.choice([1, 3, 9])),
    _replaced(NUMBER, lambda _old, chance: str(chance.randrange(-5, 100)).encode()),
    _replaced(VALUE, _other_value), _packed,
]  # fmt: skip
