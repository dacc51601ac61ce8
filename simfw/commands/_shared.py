"""What the subcommands share: their parsers, what they print, and how it looks on a terminal."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any, TextIO

if TYPE_CHECKING:
    Commands = argparse._SubParsersAction[argparse.ArgumentParser]

__all__ = ["Action", "add_command", "dump_json", "paints", "whole_number"]

Action = Callable[[argparse.Namespace], int]

STATUS = "exit status: 0 fine, 1 a rule, expectation or comparison failed, 2 bad input or usage"


def add_command(
    commands: Commands, name: str, action: Action, *, summary: str, examples: Sequence[str]
) -> argparse.ArgumentParser:
    """Add the subcommand `name`, which calls `action`; `examples` stand at the end of its help."""
    shown = "\n".join(f"  simfw {example}" for example in examples)
    parser = commands.add_parser(
        name,
        help=summary,
        description=summary[0].upper() + summary[1:] + ".",
        epilog=f"examples:\n{shown}\n\n{STATUS}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.set_defaults(action=action)
    return parser


def dump_json(value: Any) -> str:
    """`value` as JSON text: standard numbers only (no NaN), keys in the order given."""
    return json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def paints(stream: TextIO | None = None) -> bool:
    """Whether colour may be used: only on a terminal, and not where NO_COLOR is set."""
    stream = sys.stdout if stream is None else stream
    return stream.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"


def whole_number(text: str) -> int:
    """An argument that must be a whole number from 0 on."""
    if not (text.isascii() and text.isdigit()):
        raise argparse.ArgumentTypeError(f"{text!r} is not a whole number from 0 on")
    return int(text)
