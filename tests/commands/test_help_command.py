"""`simfw help` and `simfw completion`."""

from __future__ import annotations

import subprocess
import tomllib
from pathlib import Path
from typing import Any

import pytest

from simfw.cli import main

ROOT = Path(__file__).parents[2]


def said(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    """Exit status, output and complaint of a command."""
    status = main(words)
    out, err = capsys.readouterr()
    return status, out, err


def test_help_alone_lists_commands_pages_and_words(capsys: Any) -> None:
    """Each line fits on a terminal of 80 columns."""
    status, out, _ = said(capsys, "help")
    assert status == 0
    for name in ("panel", "gadget-file", "re-arm"):
        assert name in out
    assert max(map(len, out.splitlines())) <= 80


def test_help_explains_a_word_by_any_of_its_names(capsys: Any) -> None:
    """An entry that holds two words is found by either, in capital and small letters."""
    meaning = "emitter, receiver\n  the two halves of an infra-red proximity sensor\n"
    assert said(capsys, "help", "receiver") == (0, meaning, "")
    assert said(capsys, "help", "Emitter") == (0, meaning, "")
    assert said(capsys, "help", "stock", "region")[1].startswith("stock region\n  ")


def test_help_prints_a_command_or_a_page(capsys: Any) -> None:
    """A word that is a command too has both; links of a page lose their targets."""
    assert said(capsys, "help", "schema")[1].startswith("usage: simfw schema ")
    both = said(capsys, "help", "run")[1]
    assert both.startswith("run\n  ")
    assert "\nusage: simfw run " in both
    assert said(capsys, "help", "cautions")[1].startswith("# Cautions\n")
    page = said(capsys, "help", "glossary")[1]
    assert page.startswith("# Words\n")
    assert "](" not in said(capsys, "help", "commands")[1]


def test_help_names_the_nearest_topic(capsys: Any) -> None:
    """Exit status 2, nothing printed."""
    assert said(capsys, "help", "gadget-fil") == (
        2, "", 'There is nothing about "gadget-fil". Did you mean "gadget-file"? `simfw help` '
        "lists all there is.\n")


def test_help_names_the_page_that_has_a_word_without_an_entry(capsys: Any) -> None:
    """Chemistries of cells are told on the page of the gadget file, not in the glossary."""
    assert said(capsys, "help", "alkaline") == (
        2, "", 'There is nothing about "alkaline". It stands on the page gadget-file. '
        "`simfw help` lists all there is.\n")


def test_an_installation_brings_the_pages_that_help_prints() -> None:
    """They are packed from the folder that a checkout reads."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    wheel = project["tool"]["hatch"]["build"]["targets"]["wheel"]
    assert wheel["force-include"] == {
        "docs/reference": "simfw/pages",
        "docs/explanation/cautions.md": "simfw/pages/cautions.md",
    }


def test_bash_completes_commands_options_and_files(capsys: Any, tmp_path: Path) -> None:
    """The printed script is run by bash as a user's shell runs it."""
    (tmp_path / "evening.toml").touch()
    script = tmp_path / "simfw.bash"
    script.write_text(said(capsys, "completion", "bash")[1], encoding="utf-8")

    def completed(*words: str) -> set[str]:
        line = " ".join(words)
        asked = (f'source {script}; COMP_WORDS=({line}); COMP_CWORD={len(words) - 1}; '
                 '_shtab_simfw; printf "%s\\n" "${COMPREPLY[@]}"')
        done = subprocess.run(["bash", "-c", asked], cwd=tmp_path, capture_output=True, text=True,
                              check=True)
        return set(done.stdout.split())

    assert completed("simfw", "re") == {"replay"}
    assert completed("simfw", "run", "--pl") == {"--plot"}
    assert "evening.toml" in completed("simfw", "run", "ev")


def test_a_shell_that_is_not_known_is_refused(capsys: Any) -> None:
    """With those that are, and the nearest."""
    assert said(capsys, "completion", "bsh") == (
        2, "", 'There is no completion for "bsh". Allowed: bash, zsh, tcsh. Did you mean "bash"?\n')
