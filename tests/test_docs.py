"""What the documentation says is run, so that it stays true.

A `console` block is a list of commands (after `$`) and what they print; a line `...` stands for any
lines. A `toml` or `csv` block with a file name after the word is written to that file. `python`
blocks are run, one after the other. All blocks of a page share one folder, which has a copy of
`scenarios`.
"""

from __future__ import annotations

import contextlib
import io
import re
import shlex
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

import simfw
from simfw import cli
from simfw.cli import main
from simfw.errors import UsageError

ROOT = Path(__file__).resolve().parents[1]
PAGES = [
    ROOT / "README.md",
    ROOT / "DEVELOPERS.md",
    *sorted((ROOT / "docs").rglob("*.md")),
    *sorted((ROOT / "scenarios").glob("*/*.md")),
]
BLOCK = re.compile(r"^```(\w+)[ ]?([^\n]*)\n(.*?)^```$", re.DOTALL | re.MULTILINE)
FILES = ("toml", "csv")
LINK = re.compile(r"\[[^\]]*\]\(([^)#\s]+)[^)]*\)")


@dataclass(frozen=True)
class Block:
    """A fenced block: its language, what follows it on the line, and its text."""

    language: str
    rest: str
    text: str


def blocks(page: Path) -> list[Block]:
    """The fenced blocks of a page that are run."""
    return [
        Block(*found.groups())
        for found in BLOCK.finditer(page.read_text(encoding="utf-8"))
        if found[1] in ("console", "python") or (found[1] in FILES and found[2])
    ]


ELSEWHERE = ("gadget-file.md", "scenario-file.md", "quantities.md")  # tests/test_file_pages.py
RUNNABLE = [
    page
    for page in PAGES
    if page.name not in ELSEWHERE and any(block.language not in FILES for block in blocks(page))
]


def commands(text: str) -> list[tuple[str, list[str]]]:
    """The commands of a console block with the lines each is to print."""
    found: list[tuple[str, list[str]]] = []
    for line in text.splitlines():
        if line.startswith("$ "):
            found.append((line.removeprefix("$ "), []))
        else:
            found[-1][1].append(line)
    return found


def printed(command: str) -> tuple[int, str]:
    """Exit status of a `simfw` command, and what it prints: standard output and error together."""
    words = shlex.split(command)
    assert words[0] == "simfw", f"only simfw is run here: {command}"
    stream = io.StringIO()
    with contextlib.redirect_stdout(stream), contextlib.redirect_stderr(stream):
        status = main(words[1:])
    return status, stream.getvalue()


def matches(text: str, wanted: list[str]) -> bool:
    """Whether `text` is the wanted lines, with `...` for any number of lines."""
    parts = [r"(?:.*\n)*?" if line == "..." else re.escape(line) + r"[ ]*\n" for line in wanted]
    return re.fullmatch("".join(parts), text) is not None


@pytest.mark.parametrize("page", RUNNABLE, ids=lambda page: str(page.relative_to(ROOT)))
def test_examples_of_a_page_do_what_it_says(
    page: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each command prints what stands below it; each Python block runs."""
    shutil.copytree(ROOT / "scenarios", tmp_path / "scenarios")
    monkeypatch.chdir(tmp_path)
    names = {"__name__": "example"}
    for block in blocks(page):
        if block.language in FILES:
            Path(block.rest).write_text(block.text, encoding="utf-8")
        elif block.language == "python":
            with contextlib.redirect_stdout(io.StringIO()):
                exec(compile(block.text, str(page), "exec"), names)
        else:
            for command, wanted in commands(block.text):
                status, text = printed(command)
                told = any(line != "..." for line in wanted)
                assert told or status != UsageError.exit_code, f"$ {command}\n{text}"
                if wanted:
                    assert matches(text, wanted), f"$ {command}\n{text}"


def test_the_comparison_of_console_blocks_can_fail() -> None:
    """A changed figure, a missing line and a line too many are all found."""
    text = "a 1\nb 2\nc 3\n"
    assert matches(text, ["a 1", "...", "c 3"])
    assert not matches(text, ["a 1", "...", "c 4"])
    assert not matches(text, ["a 1", "b 2"])
    assert not matches(text, ["a 1", "b 2", "c 3", "d 4"])


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_links_of_a_page_lead_somewhere(page: Path) -> None:
    """Every relative link names a file or folder that exists."""
    for target in LINK.findall(page.read_text(encoding="utf-8")):
        if "://" not in target:
            assert (page.parent / target).exists(), target


def test_every_page_of_the_documentation_is_listed() -> None:
    """A reader finds every page from docs/README.md."""
    index = (ROOT / "docs/README.md").read_text(encoding="utf-8")
    listed = {(ROOT / "docs" / target).resolve() for target in LINK.findall(index)}
    for page in (ROOT / "docs").rglob("*.md"):
        assert page == ROOT / "docs/README.md" or page in listed, page


def test_what_is_public_in_python_stands_on_one_page() -> None:
    """All names of the package, attributes that a run has, and the modules that pages import."""
    page = (ROOT / "docs/reference/python.md").read_text(encoding="utf-8")
    first = {name for cell in re.findall(r"^\| (.+?) \|", page, re.MULTILINE)
             for name in re.findall(r"`(\w+)", cell)}
    assert set(simfw.__all__) <= first
    attributes = first - set(simfw.__all__)
    assert {"average_current_a", "events"} <= attributes
    assert {name for name in attributes if not hasattr(simfw.Run, name)} == set()
    for path in PAGES:
        for module in re.findall(r"^from (simfw\.[\w.]+) import", path.read_text("utf-8"), re.M):
            assert f"`{module}`" in page, f"{path.name} imports {module}"


def test_every_command_is_described() -> None:
    """docs/reference/commands.md has a section for each subcommand, and no others."""
    page = (ROOT / "docs/reference/commands.md").read_text(encoding="utf-8")
    described = re.findall(r"^## `simfw (\w+)", page, re.MULTILINE)
    existing = [module.__name__.rpartition(".")[2] for module in cli._modules()]
    assert sorted(described) == sorted(existing)


def test_every_option_of_a_run_or_a_study_is_described() -> None:
    """The options in the help and those on the page are the same."""
    page = (ROOT / "docs/reference/commands.md").read_text(encoding="utf-8")
    for name in ("run", "modes", "life", "sweep"):
        section = page.split(f"## `simfw {name} ")[1].split("\n## ")[0]
        done = subprocess.run(
            [sys.executable, "-m", "simfw", name, "-h"],
            capture_output=True, text=True, cwd=ROOT, check=True,
        )  # fmt: skip
        options = set(re.findall(r"--[a-z][a-z-]*", done.stdout.split("examples:")[0])) - {"--help"}
        assert options == set(re.findall(r"--[a-z][a-z-]*", section))


def test_readme_has_two_setup_commands_and_ci_runs_the_second() -> None:
    """The first runs the main job, the second the tests; CI takes the second from the README."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    setups = [block for language, _, block in BLOCK.findall(text) if language == "sh"]
    assert len(setups) == 2
    assert setups[0].splitlines()[-1].endswith("simfw run scenarios/larder-lamp/jam-making.toml")
    assert "pytest" in setups[1].splitlines()[-1]
    for setup in setups:
        done = subprocess.run(["bash", "-n", "-c", setup], capture_output=True, check=False)
        assert done.returncode == 0, done.stderr
    assert "README.md" in (ROOT / ".ci/run").read_text(encoding="utf-8")


def test_each_command_of_the_readme_lacks_nothing_but_its_files(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str],
) -> None:
    """As they stand in its table they ask for a file, and for no option; each name is told of."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    rows = [line for line in text.splitlines() if line.startswith("|")]
    commands = re.findall(r"`simfw ([^`]+)`", "\n".join(rows))
    assert len(commands) > 10
    monkeypatch.chdir(tmp_path)
    for command in commands:
        try:
            status = cli.main(command.split())
        except SystemExit as ended:
            status = ended.code
        told = capsys.readouterr().err
        assert (status, "there is no such file" in told) == (2, True), (command, told)
        for name in re.findall(r"\b[A-Z]{3,}\b", command):
            assert f"`{name}" in text or name == "FOLDER", name
