"""What the subcommands share: their parsers, what they print, and how it looks on a terminal."""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import re
import sys
import textwrap
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, Any, NoReturn, TextIO

from simfw.errors import hint

if TYPE_CHECKING:
    Commands = argparse._SubParsersAction[argparse.ArgumentParser]

__all__ = ["Action", "Parser", "add_command", "dump_json", "paint_for", "subparsers", "telling",
           "whole_number"]

Action = Callable[[argparse.Namespace], int]

TONES = {"head": "1", "good": "32", "bad": "1;31"}  # ECMA-48 codes: bold, green, bold red

STATUS = "exit status: 0 fine, {fails}2 bad input or usage"


class Parser(argparse.ArgumentParser):
    """A parser whose complaints name the nearest command or option."""

    def error(self, message: str) -> NoReturn:
        """Print the complaint with the nearest name, and leave with status 2."""
        choice = re.search(r"invalid choice: '(.*?)' \(choose from (.*)\)", message)
        if choice is not None:
            names = [name.strip(" '") for name in choice[2].split(",")]
            option = re.match(r"argument (-\S+):", message)
            head = "there is no command" if option is None else f"{option[1].split('/')[0]}: not"
            message = f'{head} "{choice[1]}".{_names(choice[1], names)}'
        super().error(message)

    def refuse(self, rest: Sequence[str]) -> NoReturn:
        """Complain of arguments that mean nothing to this parser."""
        word = rest[0]
        if not word.startswith("-"):
            super().error(f'"{word}" is one word too many')
        options = [name for action in self._actions for name in action.option_strings]
        found = word.partition("=")[0]
        super().error(f"there is no option {found}.{_names(found, options)}")


def _names(word: str, names: Sequence[str]) -> str:
    """What may stand instead of `word`, and the nearest of it."""
    return f" Allowed: {', '.join(names)}.{hint(word, names)}"


def add_command(
    commands: Commands, name: str, action: Action, *, summary: str, examples: Sequence[str],
    fails: str | None = None,
) -> argparse.ArgumentParser:
    """Add the subcommand `name`, which calls `action`; `examples` stand at the end of its help.

    `fails` says when the exit status is 1; None where that never is.
    """
    shown = "\n".join(f"  simfw {example}" for example in examples)
    status = textwrap.fill(STATUS.format(fails="" if fails is None else f"1 {fails}, "), 80,
                           subsequent_indent="  ", break_on_hyphens=False)
    parser = commands.add_parser(
        name,
        help=summary,
        description=textwrap.fill(f"{summary[0].upper()}{summary[1:]}.", 80),
        epilog=f"examples:\n{shown}\n\n{status}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.set_defaults(action=action, parser=parser)
    return parser


def subparsers(parser: argparse.ArgumentParser) -> dict[str, argparse.ArgumentParser]:
    """The parsers of all commands, by name."""
    return {name: found for action in parser._actions if isinstance(action.choices, dict)
            for name, found in action.choices.items()}


def dump_json(value: Any) -> str:
    """`value` as JSON text: standard numbers only (no NaN), keys in the order given."""
    return json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def paint_for(stream: TextIO) -> Callable[[str, str], str]:
    """What colours a word by its tone ("head", "good", "bad") on `stream`.

    Only a terminal gets colour, and none where NO_COLOR is set (no-color.org).
    """
    coloured = stream.isatty() and not os.environ.get("NO_COLOR")
    if not coloured or os.environ.get("TERM") == "dumb":
        return lambda text, _tone: text
    return lambda text, tone: f"\x1b[{TONES[tone]}m{text}\x1b[0m"


@contextlib.contextmanager
def telling(what: str) -> Iterator[None]:
    """Say on a terminal what takes its time, and take it back when it is done."""
    stream = sys.stderr
    if not stream.isatty() or os.environ.get("TERM") == "dumb":
        yield
        return
    stream.write(f"{what} ...\r")
    stream.flush()
    try:
        yield
    finally:
        stream.write("\x1b[K")  # ECMA-48: erase to the end of the line
        stream.flush()


def whole_number(text: str) -> int:
    """An argument that must be a whole number from 0 on."""
    if not (text.isascii() and text.isdigit()):
        raise argparse.ArgumentTypeError(f"{text!r} is not a whole number from 0 on")
    return int(text)
