"""A program that may do anything: started, told its input, and heard up to a bound.

It is started in a process group of its own, so that nothing that it started outlives it.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import subprocess
import threading
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from simfw.errors import UsageError

__all__ = ["Answer", "shown", "talk_to"]

CHUNK = 65_536
LONGEST_SHOWN = 80
COMPLAINT_LINES = 3
LONGEST_END_S = 1.0  # a pipe that something else holds open is not waited for
MOST_COMPLAINT = 4_096  # bytes of the end of what a program complains that are kept


@dataclass(frozen=True, slots=True)
class Answer:
    """What a program wrote, and what went wrong (empty: nothing).

    `complaint` is the end of what it wrote to its standard error, on one line.
    """

    text: str
    failed: str
    complaint: str = ""


def talk_to(program: Path, said: str, *, timeout_s: float, most_bytes: int) -> Answer:
    """Start the program, send `said`, and read what it answers until it ends.

    It is stopped when it has answered `most_bytes`, or has not ended after `timeout_s`. Where a
    program was ended while it told a line, what there is of this line is no answer. Bytes that are
    no UTF-8 are written by their number. Of its standard error the end is kept. Raises UsageError
    for a program that cannot be run.
    """
    try:
        process = subprocess.Popen(
            [str(program)], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
            stderr=subprocess.PIPE, start_new_session=True,
        )  # fmt: skip
    except FileNotFoundError:
        blank = " " in program.name and shutil.which(program.name.split()[0]) is not None
        raise UsageError(f"{program}: there is no such program." + (
            " Allowed: one program, without arguments; what needs some is started from a script."
            if blank else "")) from None
    except OSError as error:
        if program.is_dir():
            raise UsageError(f"{program} is a folder, not a program.") from error
        reason = (error.strerror or str(error)).lower()
        raise UsageError(f"{program} cannot be run: {reason}.") from error
    assert process.stdin is not None
    assert process.stdout is not None
    assert process.stderr is not None
    late = threading.Event()

    def stop_late() -> None:
        late.set()
        _stop(process)

    timer = threading.Timer(timeout_s, stop_late)
    feeder = threading.Thread(target=_feed, args=(process.stdin, said.encode()), daemon=True)
    complained = bytearray()
    listener = threading.Thread(target=_keep_end, args=(process.stderr, complained), daemon=True)
    read = bytearray()
    try:
        timer.start()
        feeder.start()
        listener.start()
        while len(read) <= most_bytes and (more := os.read(process.stdout.fileno(), CHUNK)):
            read += more
        if len(read) > most_bytes:
            _stop(process)
        status = process.wait()
    finally:
        timer.cancel()
        _stop(process)
        process.wait()
        process.stdout.close()
        listener.join(LONGEST_END_S)
    whole = len(read)
    if late.is_set() or status:
        # What a program has not sent yet is lost with it: programs send blocks, not lines.
        whole = read.rfind(b"\n") + 1
    failed = ""
    if late.is_set():
        failed = "no answer in time"
    elif len(read) > most_bytes:
        whole = most_bytes
        failed = f"the program answered more than {most_bytes} bytes"
    elif status < 0:
        failed = f"the program was ended by signal {-status}"
    elif status:
        failed = f"the program ended with status {status}"
    return Answer(bytes(read[: min(whole, most_bytes)]).decode("utf-8", "backslashreplace"), failed,
                  _last_lines(bytes(complained)))


def _feed(stream: IO[bytes], said: bytes) -> None:
    # A program that no longer listens is heard all the same.
    with contextlib.suppress(OSError, ValueError):
        stream.write(said)
    with contextlib.suppress(OSError, ValueError):
        stream.close()


def _keep_end(stream: IO[bytes], kept: bytearray) -> None:
    """Read a stream to its end, so that nobody waits to write it, and keep its end."""
    with contextlib.suppress(OSError, ValueError), stream:
        while more := os.read(stream.fileno(), CHUNK):
            kept += more
            del kept[:-MOST_COMPLAINT]


def _last_lines(said: bytes) -> str:
    lines = [line.strip() for line in said.decode("utf-8", "backslashreplace").splitlines()]
    return " / ".join([shown(line) for line in lines if line][-COMPLAINT_LINES:])


def _stop(process: subprocess.Popen[bytes]) -> None:
    """End the program and all that it has started."""
    with contextlib.suppress(OSError):
        os.killpg(process.pid, signal.SIGKILL)


def shown(line: str) -> str:
    """A line of a program for people: on one line, without control characters, cut where long."""
    head = line[: LONGEST_SHOWN + 1]
    text = "".join(char if char.isprintable() else f"\\x{ord(char):02x}" for char in head)
    if len(text) <= LONGEST_SHOWN:
        return text
    return f"{text[:LONGEST_SHOWN]}... ({len(line)} characters)"
