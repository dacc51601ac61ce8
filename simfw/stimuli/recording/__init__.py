"""Recordings of real signals: readers, what is on each wire, the map to a gadget's signals."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

from simfw.errors import UsageError
from simfw.stimuli.recording.base import Block, Edge, Recording, Remark, Remarks, Wire, unreadable

__all__ = ["Block", "Edge", "Recording", "Remark", "Remarks", "Wire", "open_recording"]


def open_recording(path: Path, *, timescale: Fraction | None = None) -> Recording:
    """Open a recording by what it contains, whatever it is called.

    `timescale` (seconds per tick) serves dumps that state none. Raises `UsageError` where there
    is no such file and `DescriptionError` where the file cannot be understood.
    """
    from simfw.stimuli.recording.csv import open_csv
    from simfw.stimuli.recording.sr import open_sr
    from simfw.stimuli.recording.vcd import open_vcd

    try:
        if path.exists() and not path.is_file() and not path.is_dir():
            # It is read more than once, and may have no end.
            raise UsageError(f"{path}: this is a device or a pipe, not a file.")
        with path.open("rb") as stream:
            head = stream.read(4096)
        if head.startswith(b"PK"):
            return open_sr(path)
        text = head.removeprefix(b"\xef\xbb\xbf").lstrip()
        if text.startswith(b"$") or path.suffix.lower() in (".vcd", ".dump"):
            return open_vcd(path, timescale)
        return open_csv(path)
    except FileNotFoundError:
        raise UsageError(f"{path}: there is no such file.") from None
    except IsADirectoryError:
        raise UsageError(f"{path}: this is a folder, not a file.") from None
    except OSError as error:
        raise unreadable(path, error) from error
