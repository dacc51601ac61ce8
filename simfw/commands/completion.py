"""`simfw completion`: what makes a shell complete commands, options and file names."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

from simfw.commands._shared import add_command, subparsers

if TYPE_CHECKING:
    import argparse

    from simfw.commands._shared import Commands

RANK = 91
SHELLS = ("bash", "zsh", "tcsh")
_FILES = ("FILE", "DIR", "FOLDER", "GADGET", "SCENARIO", "PATTERN", "RECORDING", "LOG", "OLD", "G",
          "M")  # what stands in the help for the name of a file or folder


def register(commands: Commands) -> None:
    """Add `completion` to the command line."""
    parser = add_command(
        commands,
        "completion",
        run,
        summary="make your shell complete commands and file names",
        examples=[
            "completion bash > ~/.local/share/bash-completion/completions/simfw",
            "completion zsh > ~/.zsh/_simfw",
        ],
    )
    parser.add_argument("shell", metavar="SHELL", help=f"one of {', '.join(SHELLS)}")


def run(arguments: argparse.Namespace) -> int:
    """Print the completion of one shell."""
    import shtab

    from simfw.errors import UsageError, hint

    if arguments.shell not in SHELLS:
        raise UsageError(f'There is no completion for "{arguments.shell}". '
                         f"Allowed: {', '.join(SHELLS)}.{hint(arguments.shell, SHELLS)}")
    parser = arguments.whole
    for command in subparsers(parser).values():
        for action in command._actions:
            if action.metavar in _FILES:
                action.complete = shtab.FILE  # type: ignore[attr-defined]
    sys.stdout.write(shtab.complete(parser, arguments.shell) + "\n")
    return 0
