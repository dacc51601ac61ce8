"""Broken gadget files: each gives one whole message, and never a traceback."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

import simfw
from simfw.errors import DescriptionError
from tests.broken import DATA, Broken, broken

SOUND = (DATA / "larder-lamp.toml").read_text(encoding="utf-8")
CASES = broken("gadgets.txt")


def refusal(content: bytes | str, folder: Path, name: str = "gadget.toml") -> str:
    """The whole message with which a gadget file of this content is refused."""
    raw = content.encode() if isinstance(content, str) else content
    (folder / name).write_bytes(raw)
    with pytest.raises(DescriptionError) as caught:
        simfw.load_gadget(name)
    assert caught.value.exit_code == 2
    return str(caught.value)


@pytest.fixture(autouse=True)
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Work in an empty folder, so that messages name files without a path."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_each_mistake_has_its_whole_message(case: Broken, here: Path) -> None:
    """Place, key, what stands there, what is wrong, what is allowed, and the nearest name."""
    assert refusal(case.apply(SOUND), here) == case.message


def test_all_mistakes_of_a_file_are_told_together(here: Path) -> None:
    """Many mistakes in one file give all their messages, by line, and no others."""
    # A renamed section would rename the keys in other messages.
    chosen = [
        case
        for case in CASES
        if "not TOML" not in case.message and "unknown section" not in case.message
    ]
    text, wanted = SOUND, []
    for case in chosen:
        lines = case.message.splitlines()
        alone = len(lines) == 2 and case.old.count("\n") == case.new.count("\n")
        if alone and text.count(case.old) == SOUND.count(case.old) and _far(case, wanted):
            text = case.apply(text)
            wanted.append(case)
    *told, count = refusal(text, here).splitlines()
    assert len(wanted) > 20
    assert sorted(told) == sorted(case.message.splitlines()[0] for case in wanted)
    assert [_line(message) for message in told] == sorted(map(_line, told))
    assert count == f"{len(wanted)} problems; nothing was done."


def _line(message: str) -> int:
    place = message.split(":")[1]
    return int(place) if place.isdigit() else 0


def _far(case: Broken, others: list[Broken]) -> bool:
    """Whether a mistake stands in a section of its own, so that none can hide it."""
    return all(_section(case) != _section(other) for other in others)


def _section(case: Broken) -> str:
    return case.message.split(": ")[1].split(" = ")[0].rpartition(".")[0]


def test_a_file_that_is_not_there_is_refused(here: Path) -> None:
    """The nearest file of that folder is offered."""
    (here / "gadget.toml").write_text(SOUND)
    with pytest.raises(DescriptionError) as caught:
        simfw.load_gadget("gadgte.toml")
    assert str(caught.value) == (
        'gadgte.toml: there is no such file. Did you mean "gadget.toml"?\n'
        "1 problem; nothing was done."
    )


def test_a_folder_that_is_not_there_is_refused() -> None:
    """Nothing is offered where there is nothing near."""
    with pytest.raises(DescriptionError) as caught:
        simfw.load_gadget("nowhere/gadget.toml")
    assert str(caught.value) == (
        "nowhere/gadget.toml: there is no such file.\n1 problem; nothing was done."
    )


def test_a_folder_is_not_a_file(here: Path) -> None:
    """The files in it are offered."""
    (here / "lamp").mkdir()
    (here / "lamp" / "gadget.toml").write_text(SOUND)
    with pytest.raises(DescriptionError) as caught:
        simfw.load_gadget("lamp")
    assert str(caught.value) == (
        'lamp: this is a folder, not a file. Did you mean "lamp/gadget.toml"?\n'
        "1 problem; nothing was done."
    )


def test_a_name_that_no_file_can_have_is_refused() -> None:
    """A NUL in a path is refused like any other bad name."""
    with pytest.raises(DescriptionError, match="the file cannot be read: embedded null byte"):
        simfw.load_gadget("a\0b")


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "gadget.toml: the file says nothing."),
        (b"# only a comment\n", "gadget.toml: the file says nothing."),
        (
            SOUND.replace("Larder", "Lärder").encode("latin-1", "replace"),
            "gadget.toml:2: byte 0xe4 is not UTF-8 text. Allowed: text files saved as UTF-8.",
        ),
        (
            SOUND.encode("utf-16"),
            "gadget.toml:1: byte 0xff is not UTF-8 text (it looks like UTF-16). "
            "Allowed: text files saved as UTF-8.",
        ),
        (
            b"\x00\x01\x02",
            "gadget.toml:1: this is not TOML: invalid statement. "
            "Allowed: [section] or key = value on each line.\n    ???\n    ^",
        ),
        (b"x = " + b"[" * 100_000, "gadget.toml: tables and lists are nested more than 32 deep."),
        (b"a = 1\n" * 700_000, "gadget.toml: the file is larger than 4 MB."),
        (random.Random(1).randbytes(10_000_000), "gadget.toml: the file is larger than 4 MB."),
        (
            random.Random(1).randbytes(3_000_000),
            "gadget.toml:1: byte 0xf5 is not UTF-8 text. Allowed: text files saved as UTF-8.",
        ),
        (
            b"no" * 1_900_000,
            "gadget.toml:1: this is not TOML: expected '=' after a key in a key/value pair. "
            "Allowed: [section] or key = value on each line.\n"
            f"    {'on' * 34}o\n    {' ' * 69}^",
        ),
    ],
    ids=["empty", "comments", "latin-1", "utf-16", "control", "deep", "long", "noise",
         "short noise", "one word"],
)  # fmt: skip
def test_content_that_is_no_gadget_is_refused(content: bytes, message: str, here: Path) -> None:
    """Nonsense of any size gives one problem in a moment."""
    assert refusal(content, here) == f"{message}\n1 problem; nothing was done."


@pytest.mark.parametrize(
    "content",
    [
        SOUND.replace("\n", "\r\n").encode(),
        b"\xef\xbb\xbf" + SOUND.encode(),
        SOUND.rstrip("\n").encode(),
    ],
    ids=["CRLF", "byte order mark", "no last newline"],
)
def test_the_habits_of_editors_do_no_harm(content: bytes, here: Path) -> None:
    """Line ends and a byte order mark change nothing but the digest."""
    (here / "sound.toml").write_text(SOUND, encoding="utf-8")
    (here / "gadget.toml").write_bytes(content)
    blank = {"file": "", "digest": ""}
    found = simfw.load_gadget("gadget.toml").model_copy(update=blank)
    assert found == simfw.load_gadget("sound.toml").model_copy(update=blank)


def test_lines_are_right_behind_crlf(here: Path) -> None:
    """A mistake in a file with CRLF line ends has the same line as with LF."""
    text = SOUND.replace('leds = 4', 'leds = 4.5')
    assert refusal(text.replace("\n", "\r\n"), here) == refusal(text, here)


def test_another_kind_of_file_is_told_apart(here: Path) -> None:
    """A scenario where a gadget is wanted is one problem, not twenty."""
    (here / "larder-lamp.toml").write_text(SOUND)
    scenario = (DATA / "jam-evening.toml").read_text(encoding="utf-8")
    assert refusal(scenario, here) == (
        "gadget.toml: this is a scenario file; expected a gadget file. "
        'Did you mean "larder-lamp.toml"?\n1 problem; nothing was done.'
    )
    assert refusal('title = "x"\nhorizon = "1 year"\n', here) == (
        "gadget.toml: this is a pattern file; expected a gadget file.\n"
        "1 problem; nothing was done."
    )


def test_a_slip_does_not_bring_others_with_it(here: Path) -> None:
    """What names a part with a slip in it is not blamed, nor is the part blamed twice."""
    text = SOUND.replace("leds = 5\n", 'leds = "five"\n').replace(
        '{ shelf = "4 %" }', '{ shelf = "4 %", bars = 3 }'
    )
    assert refusal(text, here) == (
        'gadget.toml:45: lights.bars.leds = "five": this is not a whole number. '
        "Allowed: a whole number.\n1 problem; nothing was done."
    )


def test_a_part_that_is_no_table_keeps_its_name(here: Path) -> None:
    """Sections, parts and rows that are of the wrong kind are noted once each."""
    text = SOUND.replace('[buttons.level]\ndebounce = "20 ms"\ndouble = "350 ms"\n', "").replace(
        "[buttons.power]", 'buttons.level = 3\n[buttons.power]'
    )
    text = "loads = 3\n" + text.replace("buttons.level = 3\n", "").replace(
        'on = "level.click", from = "lit.full", to = "lit.half"', "on = [], from = 3, to = {}"
    )
    message = refusal(text, here)
    assert "Traceback" not in message
    assert "loads = 3: a number cannot stand here. Allowed: a table { ... }." in message
    assert 'behaviour.lamp.rows[4].on = []: this list is empty' in message
