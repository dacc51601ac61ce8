"""Raw samples in a zip (`.sr`, an open logic-analyser library's session file).

The archive holds `metadata` (ini: sample rate, names of the probes, bytes per sample) and the
samples, least significant bit first: one member `logic-1`, or numbered parts `logic-1-1`,
`logic-1-2`, ... Analogue channels, where there are any, are named in the remarks.
"""

from __future__ import annotations

import configparser
import lzma
import re
import zipfile
import zlib
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import IO, Final

import numpy as np
from numpy.typing import NDArray

from simfw.stimuli.recording.base import (
    Block,
    Recording,
    Remarks,
    Wire,
    bad_recording,
    sample_rate,
)

__all__ = ["open_sr"]

CHUNK: Final = 1 << 22  # bytes
LONGEST_METADATA: Final = 1_000_000  # bytes
DAMAGED: Final = (zipfile.BadZipFile, zlib.error, lzma.LZMAError, EOFError, OSError, RuntimeError,
                  NotImplementedError, ValueError, OverflowError, KeyError)
"""What the reading of a damaged (or encrypted) archive raises."""
METHODS: Final = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
"""Of the others one small read can inflate to gigabytes at once, so they are not read."""


def open_sr(path: Path) -> Recording:
    """Open a `.sr` file; reads its `metadata` only.

    Raises `DescriptionError` where the archive or its metadata cannot be used.
    """
    remarks = Remarks()
    try:
        with zipfile.ZipFile(path) as archive:
            members = archive.namelist()
            if "metadata" not in members:
                raise bad_recording(path, "no `metadata` in this archive",
                                    found=", ".join(members[:6]) or "nothing")
            with _opened(path, archive, "metadata") as stream:
                raw = stream.read(LONGEST_METADATA + 1)
    except DAMAGED as error:
        raise bad_recording(path, f"this is not a whole zip archive ({_reason(error)})") from error
    if len(raw) > LONGEST_METADATA:
        raise bad_recording(path, f"`metadata` is longer than {LONGEST_METADATA // 10**6} MB")
    text = raw.decode("utf-8", "replace")
    device = _device(path, text)
    rate = _rate(path, device)
    size = _whole(path, device, "unitsize", 1)
    capture = device.get("capturefile", "logic-1")
    names = _names(device, size * 8, remarks)
    parts = _parts(members, capture)
    if not parts:
        raise bad_recording(path, "no samples in this archive", key="capturefile", found=capture,
                            allowed=", ".join(members))
    analogue = [value for key, value in sorted(device.items()) if key.startswith("analog")]
    if analogue:
        remarks.add("analogue channels are not read: " + ", ".join(analogue))
    return Recording(
        path=path, kind="sr", tick_s=1 / rate, sample_hz=rate, open_remarks=tuple(remarks),
        wires=tuple(Wire(name=name) for _, name in names),
        reader=lambda more: _read(path, parts, size, [bit for bit, _ in names], more),
    )


def _opened(path: Path, archive: zipfile.ZipFile, name: str) -> IO[bytes]:
    method = archive.getinfo(name).compress_type
    if method not in METHODS:
        raise bad_recording(path, f"{name[:60]} is compressed in a way that is not read",
                            key="method", found=str(method), allowed="0 (stored) or 8 (deflate)")
    return archive.open(name)


def _reason(error: Exception) -> str:
    return getattr(error, "strerror", None) or str(error) or type(error).__name__


def _device(path: Path, text: str) -> dict[str, str]:
    parser = configparser.ConfigParser(interpolation=None, strict=False)
    try:
        parser.read_string(text)
    except configparser.Error as error:
        raise bad_recording(path, f"`metadata` cannot be read ({error.message.splitlines()[0]})"
                            ) from error
    devices = [name for name in parser.sections() if name.startswith("device")]
    if not devices:
        raise bad_recording(path, "`metadata` describes no device", key="metadata",
                            found=", ".join(parser.sections()) or "nothing")
    return dict(parser[devices[0]])


def _rate(path: Path, device: dict[str, str]) -> Fraction:
    text = device.get("samplerate", "")
    rate = sample_rate(text)
    if rate is None:
        raise bad_recording(path, "this is not a sample rate", key="metadata.samplerate",
                            found=text or "nothing", allowed="for example `4 MHz`")
    return rate


def _whole(path: Path, device: dict[str, str], key: str, default: int) -> int:
    text = device.get(key, str(default))
    if text not in ("1", "2", "3", "4", "5", "6", "7", "8"):
        raise bad_recording(path, "this is not a number of bytes", key=f"metadata.{key}",
                            found=text, allowed="1 to 8")
    return int(text)


def _names(device: dict[str, str], bits: int, remarks: Remarks) -> list[tuple[int, str]]:
    names: list[tuple[int, str]] = []
    seen: set[str] = set()
    for bit in range(bits):
        name = device.get(f"probe{bit + 1}")
        if name is None:
            continue
        if name in seen:
            remarks.add(f"a second probe is called {name}; it is read as {name}.{bit + 1}")
            name = f"{name}.{bit + 1}"
        seen.add(name)
        names.append((bit, name))
    if not names:
        remarks.add("the probes have no names; they are called D0, D1, ...")
        names = [(bit, f"D{bit}") for bit in range(bits)]
    return names


def _parts(members: list[str], capture: str) -> list[str]:
    numbered = [(int(found[1]), name) for name in members
                if (found := re.fullmatch(re.escape(capture) + r"-([0-9]{1,9})", name))]
    return [capture] if capture in members else [name for _, name in sorted(numbered)]


def _read(
    path: Path, parts: list[str], size: int, bits: list[int], remarks: Remarks
) -> Iterator[Block]:
    previous: np.uint64 | None = None
    done = 0
    part = parts[0]
    rest = b""
    try:
        with zipfile.ZipFile(path) as archive:
            for part in parts:
                rest = b""
                with _opened(path, archive, part) as stream:
                    while raw := stream.read(CHUNK):
                        raw = rest + raw
                        whole = len(raw) // size * size
                        raw, rest = raw[:whole], raw[whole:]
                        samples = _samples(raw, size)
                        if len(samples):
                            yield _changes(samples, previous, done, bits)
                            previous = samples[-1]
                            done += len(samples)
                if rest:
                    remarks.add(f"{part} ends in the middle of a sample; {len(rest)} bytes left "
                                "out")
    except DAMAGED as error:
        remarks.add(f"{part} breaks off after sample {done} ({_reason(error)}); what follows is "
                    "missing")


def _samples(raw: bytes, size: int) -> NDArray[np.uint64]:
    if size in (1, 2, 4, 8):
        return np.frombuffer(raw, dtype=f"<u{size}")
    wide = np.zeros((len(raw) // size, 8), dtype=np.uint8)
    wide[:, :size] = np.frombuffer(raw, dtype=np.uint8).reshape(-1, size)
    return wide.view("<u8").ravel()


def _changes(
    samples: NDArray[np.uint64], previous: np.uint64 | None, done: int, bits: list[int]
) -> Block:
    """The samples that differ from the one before, one change per bit that differs."""
    turned = np.flatnonzero(samples[1:] != samples[:-1]) + 1
    if previous is None or samples[0] != previous:
        turned = np.concatenate((np.zeros(1, dtype=turned.dtype), turned))
    now = samples[turned].astype(np.uint64)
    before = samples[np.maximum(turned - 1, 0)].astype(np.uint64)
    if previous is None:
        before[0] = ~now[0]  # the first sample states every wire
    elif len(turned) and turned[0] == 0:
        before[0] = previous
    differs = now ^ before
    ticks, wires, values = [], [], []
    for wire, bit in enumerate(bits):
        chosen = np.flatnonzero((differs >> np.uint64(bit)) & np.uint64(1))
        ticks.append(turned[chosen].astype(np.int64) + done)
        wires.append(np.full(len(chosen), wire, dtype=np.int32))
        values.append(((now[chosen] >> np.uint64(bit)) & np.uint64(1)).astype(np.float64))
    when = np.concatenate(ticks)
    order = np.argsort(when, kind="stable")
    return Block(ticks=when[order], wires=np.concatenate(wires)[order],
                 values=np.concatenate(values)[order], end=done + len(samples))
