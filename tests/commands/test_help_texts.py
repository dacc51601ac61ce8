"""The help of all commands reads as one text, and the documentation shows each option at work."""

from __future__ import annotations

import argparse
import re
import shlex
from collections import defaultdict

import pytest

from simfw.cli import _parser
from simfw.commands._shared import subparsers
from tests.test_docs import PAGES, ROOT, blocks, commands

# The same word for what is about another file or moment in each command.
DIFFERENT = {"--csv", "--write", "--witness", "--output", "--charge", "--bench", "--since"}


@pytest.fixture
def parsers(monkeypatch: pytest.MonkeyPatch) -> dict[str, argparse.ArgumentParser]:
    """The parsers of all commands, on a terminal of 80 columns."""
    monkeypatch.setenv("COLUMNS", "80")
    return subparsers(_parser())


def options(parser: argparse.ArgumentParser) -> list[argparse.Action]:
    """What a command takes by a name with dashes, without `--help`."""
    return [action for action in parser._actions
            if action.option_strings and "--help" not in action.option_strings]


def test_options_that_are_the_same_have_one_wording(
    parsers: dict[str, argparse.ArgumentParser]
) -> None:
    """Apart from its default, an option is explained in the same words by every command."""
    said = defaultdict(set)
    for parser in parsers.values():
        for action in options(parser):
            words = re.sub(r" \[.*?\]", "", action.help or "")
            words = re.sub(r"^draw .* into a", "draw into a", words)
            for name in set(action.option_strings) - DIFFERENT:
                if name.startswith("--"):
                    said[name].add((words, action.metavar))
    assert {name: texts for name, texts in said.items() if len(texts) > 1} == {}


def test_defaults_stand_in_brackets(parsers: dict[str, argparse.ArgumentParser]) -> None:
    """An option with a default that is no bare "no" tells it in one form."""
    for name, parser in parsers.items():
        for action in options(parser):
            text = action.help or ""
            assert not re.search(r"default|; else|, else", text), f"{name}: {text}"
            if action.default not in (None, False, [], "==SUPPRESS==") and action.default:
                assert re.search(r"\[.+\]", text), f"{name}: {text}"


def test_what_must_be_given_is_no_option(parsers: dict[str, argparse.ArgumentParser]) -> None:
    """It stands under "required", before the options."""
    found = set()
    for name, parser in parsers.items():
        text = parser.format_help()
        for action in options(parser):
            if action.required:
                found.add(name)
                head, _, rest = text.partition("\noptions:\n")
                assert f"\nrequired:\n  {action.option_strings[0]}" in head, name
                assert f"\n  {action.option_strings[0]}" not in rest.partition("\nexamples")[0]
    assert found == {"map", "source", "spec", "sweep"}


def test_help_keeps_80_columns_and_tells_the_exit_status(
    parsers: dict[str, argparse.ArgumentParser]
) -> None:
    """Each command says what its own status means."""
    for name, parser in {"": _parser(), **parsers}.items():
        text = parser.format_help()
        assert max(map(len, text.splitlines())) <= 80, name
        status = " ".join(text[text.index("\nexit status: "):].split())
        assert re.fullmatch("exit status: 0 fine, (1 .+, )?2 bad input or usage", status), name


def test_every_option_is_used_in_an_example_that_is_run(
    parsers: dict[str, argparse.ArgumentParser]
) -> None:
    """Of each command all options stand in some `$ simfw ...` of the documentation.

    A panel goes on until it is stopped and a cluster is another machine: their lines are read only.
    """
    lines = [command for page in PAGES for block in blocks(page) if block.language == "console"
             for command, _ in commands(block.text)]
    page = (ROOT / "docs/reference/command-lines.md").read_text(encoding="utf-8")
    for line in re.findall(r"^    (simfw .*)$", page, re.MULTILINE):
        assert line.startswith("simfw panel ") or " --cluster " in line
        assert _parser().parse_known_args(shlex.split(line)[1:])[1] == []
        lines.append(line)
    used: dict[str, set[str]] = defaultdict(set)
    for line in lines:
        _, name, *words = shlex.split(line)
        used[name] |= {word.partition("=")[0] for word in words if word[:1] == "-"}
    missing = {
        f"{name} {action.option_strings[-1]}"
        for name, parser in parsers.items() for action in options(parser)
        if used[name].isdisjoint(action.option_strings)
    }
    assert missing == set()
