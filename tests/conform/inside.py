"""Firmwares written in Python, driven in this process: hundreds of them cost seconds."""

from __future__ import annotations

import io
import sys
from collections.abc import Iterable, Sequence

from simfw.conform.firmware import LEAST_BYTES, Firmware

__all__ = ["Inside", "with_fault"]


class _Floods(Exception):
    pass


class _Answers(io.StringIO):
    """What is answered, as far as there is room for it: a firmware may never come to an end."""

    def __init__(self, most: int) -> None:
        super().__init__()
        self.room = most

    def write(self, text: str) -> int:
        self.room -= len(text)
        if self.room < 0:
            raise _Floods
        return super().write(text)


class Inside(Firmware):
    """A firmware given as its source, which runs as a program on the lines of a drive."""

    def __init__(self, source: str, *, within_ns: int = 0) -> None:
        super().__init__("firmware.py", within_ns=within_ns)
        self.code = compile(source, "firmware.py", "exec")

    def talk(self, lines: Sequence[str], most_bytes: int = LEAST_BYTES) -> list[str]:
        """Send lines, then `quit`; all that it answers. One that fails has a last line `error`."""
        names: dict[str, object] = {"__name__": "__main__"}
        before, answers = (sys.stdin, sys.stdout), _Answers(most_bytes)
        failed = ""
        try:
            sys.stdin, sys.stdout = io.StringIO("\n".join([*lines, "quit", ""])), answers
            exec(self.code, names)
        except SystemExit:
            pass
        except Exception as error:
            failed = f"error {type(error).__name__}: {error}"
        finally:
            sys.stdin, sys.stdout = before
        return [*answers.getvalue().splitlines(), *([failed] if failed else [])]


def with_fault(text: str, edits: Iterable[tuple[str, str]]) -> str:
    """The text of a firmware with a fault put into it: each edit fits one place."""
    for right, wrong in edits:
        assert text.count(right) == 1, right
        text = text.replace(right, wrong)
    return text
