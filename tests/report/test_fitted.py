"""Reports on terminals: folded to their width, in letters that they have."""

from __future__ import annotations

import contextlib
import io
import json
import os
import pty
import re
import shutil
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simfw.cli import main
from simfw.report.fitted import fitted
from tests.examples import ROOT, SCENARIOS, printed

KEPT = sorted(SCENARIOS.glob("*/expected/*.txt"))
GADGETS = [*sorted(SCENARIOS.glob("*/gadget.toml")),
           *sorted((ROOT / "tests/gallery").glob("*/gadget.toml"))]
KEY_HOOK = str(SCENARIOS / "key-hook/gadget.toml")
BOLD = "\x1b[1m", "\x1b[0m"


def widest(text: str) -> int:
    """The longest line of a text."""
    return max(map(len, text.splitlines()), default=0)


@pytest.mark.parametrize("width", [60, 80])
def test_reports_of_the_demo_gadgets_fit_a_terminal(width: int) -> None:
    """What `run` and `life` print, with all its words in their order."""
    assert len(KEPT) > 15
    for path in KEPT:
        text = path.read_text(encoding="utf-8")
        assert widest(text) > 80
        folded = fitted(text, width)
        assert widest(folded) <= width, path
        assert folded.split() == text.split(), path


@pytest.mark.parametrize("command", ["figures", "pins", "modes"])
def test_reports_of_all_gadgets_fit_a_terminal(command: str) -> None:
    """Demos and gallery; a word that is longer than a line (a path, a key) would stand alone."""
    for path in GADGETS if command != "modes" else GADGETS[::6]:
        text = printed(command, str(path))[1]
        folded = fitted(text, 80)
        assert folded.split() == text.split(), path
        assert all(len(line) <= 80 or len(line.split()) == 1 for line in folded.splitlines()), path


def test_rows_go_on_below_themselves_all_from_the_same_column() -> None:
    """A table breaks at a gutter; its last column hangs where it has room enough."""
    text = ("  part    where it is                  what it does there\n"
            "  shelf   below the upper cupboard     lights the table\n"
            "  bars    beside the switch            show the charge\n")
    assert fitted(text, 42) == (
        "  part    where it is\n      what it does there\n"
        "  shelf   below the upper cupboard\n      lights the table\n"
        "  bars    beside the switch\n      show the charge\n")
    assert fitted("  cell     capacity 650 mAh, resistance 180 ohm, cut-off 3.0 V\n"
                  "  shelf    none\n", 40) == (
        "  cell     capacity 650 mAh, resistance\n           180 ohm, cut-off 3.0 V\n"
        "  shelf    none\n")


def test_a_wrapped_paragraph_is_wrapped_anew() -> None:
    """No short line is left in its middle; the next paragraph begins a line."""
    text = "  note: " + "word " * 17 + "word\n    " + "next " * 4 + "end\n  other: x\n"
    folded = fitted(text, 60).splitlines()
    assert [len(line) > 50 for line in folded] == [True, True, False, False]
    assert folded[-1] == "  other: x"


@given(st.lists(st.lists(st.text("abc \x1b[1m:;-", max_size=30), max_size=5), max_size=6),
       st.integers(20, 60))
def test_words_are_kept_and_what_fits_is_left_alone(rows: list[list[str]], width: int) -> None:
    """Of anything at all, with gaps or without."""
    text = "\n".join("   ".join(row) for row in rows)
    assert fitted(text, width).split() == text.split()
    assert fitted(text, 400) == text


@pytest.mark.parametrize("path", KEPT[::6], ids=lambda path: path.stem)
def test_colours_have_no_width(path: Path) -> None:
    """A coloured report folds like a plain one."""
    plain = path.read_text(encoding="utf-8")
    coloured = re.sub(r"(?<=\b)(cell|average current|Cautions|on)\b",
                      lambda word: word[0].join(BOLD), plain)
    assert coloured != plain
    assert re.sub(r"\x1b\[\d*m", "", fitted(coloured, 80)) == fitted(plain, 80)


@pytest.mark.parametrize(("more", "most"), [((), 72), (("--json",), 1000)])
def test_a_terminal_gets_folded_lines_and_json_whole(
    more: tuple[str, ...], most: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On a pseudo-terminal of 72 columns (POSIX `openpty`)."""
    monkeypatch.setenv("COLUMNS", "72")
    monkeypatch.setenv("TERM", "dumb")
    outer, inner = pty.openpty()
    with os.fdopen(inner, "w", encoding="utf-8") as terminal:
        monkeypatch.setattr(sys, "stdout", terminal)
        assert terminal.isatty()
        main(["figures", KEY_HOOK, "--without-origin", *more])
        assert sys.stdout is terminal
        monkeypatch.undo()
    said = b""
    with contextlib.suppress(OSError):  # EIO: the other end is closed (Linux, pty(7))
        while part := os.read(outer, 4096):
            said += part
    os.close(outer)
    text = said.decode("utf-8")
    assert 0 < widest(text) <= most
    if more:
        json.loads(text)


def test_errors_on_a_terminal_are_folded(monkeypatch: pytest.MonkeyPatch) -> None:
    """Standard error is one of its own."""

    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    terminal = Terminal()
    monkeypatch.setattr(sys, "stderr", terminal)
    monkeypatch.setattr(shutil, "get_terminal_size", lambda: os.terminal_size((80, 24)))
    assert main(["check", KEY_HOOK, "--only", "nothing"]) == 2
    assert 40 < widest(terminal.getvalue()) <= 80


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "cp437"])
def test_a_terminal_without_the_signs_of_the_trade_gets_letters(
    encoding: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Text has "uA" and "ohm" where need be; JSON means the same as ever."""
    said = {}
    for name in (encoding, "utf-8"):
        for more in ((), ("--json",)):
            raw = io.BytesIO()
            stream = io.TextIOWrapper(raw, encoding=name)
            with monkeypatch.context() as patch:
                patch.setattr(sys, "stdout", stream)
                main(["modes", KEY_HOOK, *more])
            said[name, more] = raw.getvalue().decode(name)
    assert json.loads(said[encoding, ("--json",)]) == json.loads(said["utf-8", ("--json",)])
    text = said[encoding, ()]
    assert "\\u" not in text
    assert ("4.16 uA" if encoding == "ascii" else "4.16 µA") in text
    assert "µ" in said["utf-8", ()]
