"""Finished groups of a study, kept in a file, so that a study that was stopped can go on.

The first line tells which study they belong to. Each further line is one group: a check sum, the
number of its design and its own, how many users it has, and its outcome as JSON. A line is written
at once when its group ends; one that is cut short or damaged counts as not there.
"""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import json
import zlib
from array import array
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, BinaryIO, Self

from simfw import __version__
from simfw.errors import UsageError
from simfw.life.sweep import Vary
from simfw.life.work import Outcome
from simfw.stimuli.pattern import Pattern
from simfw.writing import write_whole

__all__ = ["Kept", "Study", "study_of"]

KIND = "finished groups of a simfw study"
FORMAT = 4

Study = Mapping[str, str | int]

_DIFFERENCES = {
    "version": "by simfw {then}, and this is {now}",
    "command": "by simfw {then}, and this is simfw {now}",
    "users": "for {then} users, and now {now} are asked for",
    "seed": "with seed {then}, and now it is {now}",
    "vary": "for {then}, and now for {now}",
    "values": "with other values between the same ends",
    "pattern": "with another pattern, or it was changed since",
    "gadget": "with another gadget, or it was changed since",
}


def study_of(
    pattern: Pattern, users: int, seed: int, *, command: str, varied: Sequence[Vary] = ()
) -> Study:
    """What makes a study another one; paths and comments of its files do not."""
    gadget = pattern.gadget
    assert gadget is not None
    habits = dataclasses.replace(pattern, gadget=None, gadget_path=Path(), file="")
    parts = gadget.model_copy(update={"file": "", "digest": ""})
    return {
        "version": __version__,
        "command": command,
        "users": users,
        "seed": seed,
        "vary": ", ".join(f"{v.key}={v.texts[0]}..{v.texts[-1]}:{len(v.texts)}" for v in varied),
        "values": _digest(repr([v.values for v in varied])),
        "pattern": _digest(repr(habits)),
        "gadget": _digest(repr(parts)),
    }


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


class Kept:
    """The finished groups in the file at `path`, which is made where it is missing.

    For the length of a `with` block. `users` counts those that are kept. Raises UsageError where
    the file belongs to another study, is of another kind, or cannot be used; it is then left as it
    is.
    """

    def __init__(self, path: str | Path, study: Study) -> None:
        self.path = Path(path)
        self.users = 0
        self._places: dict[int, array[int]] = {}  # of the lines of each design
        self._made = False
        self._stream = self._opened({"simfw": KIND, "format": FORMAT, **study})

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._stream.close()
        if self._made and not self.users:  # stopped before the first group: nothing to go on from
            with contextlib.suppress(OSError):
                self.path.unlink()

    def outcomes(self, design: int) -> Iterator[Outcome]:
        """The groups kept for a design, in the order in which they ended."""
        seen: set[int] = set()
        for place in self._places.get(design, ()):
            self._stream.seek(place)
            line = self._stream.readline()
            number, _, text = line.split(b" ", 2)[2].split(b" ", 2)
            if int(number) not in seen:
                seen.add(int(number))
                values: dict[str, Any] = {
                    key: tuple(value) if isinstance(value, list) else value
                    for key, value in json.loads(text).items()
                }
                yield Outcome(number=int(number), **values)

    def add(self, design: int, outcome: Outcome) -> None:
        """Keep a group that has ended."""
        values = {
            field.name: getattr(outcome, field.name)
            for field in dataclasses.fields(outcome) if field.name != "number"
        }
        users = len(outcome.users)
        body = f"{design} {outcome.number} {users} {json.dumps(values)}".encode()
        try:
            self._stream.seek(0, 2)
            place = self._stream.tell()
            self._stream.write(b"%08x %s\n" % (zlib.crc32(body), body))
            self._stream.flush()
        except OSError as error:
            raise self._unusable("written", error) from error
        self._places.setdefault(design, array("q")).append(place)
        self.users += users

    # -- opening ---------------------------------------------------------------------------------

    def _opened(self, head: Mapping[str, str | int]) -> BinaryIO:
        try:
            if self.path.exists() and not self.path.is_file():
                raise UsageError(f"--keep {self.path}: this is no file but a folder or a device.")
            if not self.path.exists() or self.path.stat().st_size == 0:
                self._made = not self.path.exists()
                write_whole(self.path, json.dumps(head) + "\n")
            stream = self.path.open("r+b")
        except OSError as error:
            raise self._unusable("used", error) from error
        try:
            self._compare(stream.readline(), head)
            self._index(stream)
        except BaseException:
            stream.close()
            raise
        return stream

    def _unusable(self, what: str, error: OSError) -> UsageError:
        reason = (error.strerror or str(error)).lower()
        return UsageError(f"--keep {self.path}: the file cannot be {what}: {reason}.")

    def _compare(self, line: bytes, head: Mapping[str, str | int]) -> None:
        then: Any = None
        with contextlib.suppress(ValueError):
            then = json.loads(line)
        if not isinstance(then, dict) or then.get("simfw") != KIND or then.get("format") != FORMAT:
            raise UsageError(
                f"--keep {self.path}: this is no file with finished groups of a study; it is left "
                "as it is. Give a new name, or that of a file that --keep has made."
            )
        differ = {key for key in _DIFFERENCES if then.get(key) != head[key]}
        if "vary" in differ:
            differ.discard("values")
        wrong = [
            text.format(then=then.get(key), now=head[key])
            for key, text in _DIFFERENCES.items() if key in differ
        ]
        if wrong:
            raise UsageError(
                f"--keep {self.path}: these groups belong to another study; they are left as they "
                f"are. It was begun {'; '.join(wrong)}. Go on as it was begun, or give another "
                "file."
            )

    def _index(self, stream: BinaryIO) -> None:
        """Note where each whole line is, and take off one that was cut short at the end."""
        place = stream.tell()
        for line in iter(stream.readline, b""):
            if not line.endswith(b"\n"):
                stream.truncate(place)
                break
            check, _, body = line[:-1].partition(b" ")
            parts = body.split(b" ", 3)
            if len(parts) == 4 and check == b"%08x" % zlib.crc32(body):
                self._places.setdefault(int(parts[0]), array("q")).append(place)
                self.users += int(parts[2])
            place += len(line)
