"""The line that tells how far long work is."""

from __future__ import annotations

import io

import pytest

from simfw.commands import _progress
from simfw.commands._progress import Bar


class Terminal(io.StringIO):
    """A stream that says it is a terminal."""

    def isatty(self) -> bool:
        """It is."""
        return True


def test_a_terminal_is_told_what_is_done_and_what_is_left(monkeypatch: pytest.MonkeyPatch) -> None:
    """Half done after ten seconds: ten seconds left; the line is erased at the end."""
    clock = iter([0.0, 0.0, 10.0, 10.05])
    monkeypatch.setattr(_progress.time, "monotonic", lambda: next(clock))
    stream = Terminal()
    with Bar(stream, "users") as bar:
        bar.show(0, 8)
        bar.show(4, 8)
        bar.show(5, 8)  # too soon after the one before: not drawn
    lines = [line.removesuffix("\x1b[K") for line in stream.getvalue().split("\r") if line]
    assert lines == [
        "[" + " " * 30 + "] 0 of 8 users",
        "[" + "=" * 15 + " " * 15 + "] 4 of 8 users, 10 s left",
        "",
    ]


def test_a_file_is_told_nothing() -> None:
    """No progress where the stream is no terminal."""
    stream = io.StringIO()
    with Bar(stream, "users") as bar:
        bar.show(1, 2)
    assert stream.getvalue() == ""
