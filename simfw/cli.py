"""The command line: parse, call, print. Each subcommand is a module of `simfw.commands`."""

from __future__ import annotations

import argparse
import importlib
import os
import pkgutil
import sys
from collections.abc import Sequence
from typing import Any

from simfw import __version__, commands
from simfw.commands._shared import Parser
from simfw.errors import SimfwError, UsageError

__all__ = ["main"]

BROKEN_PIPE = 141  # what a shell reports for a program ended by SIGPIPE (128 + 13)
INTERRUPTED = 130  # and for one ended by SIGINT (128 + 2)

EPILOG = """\
examples:
  simfw new porch-light                 a commented gadget folder to start from
  simfw run scenarios/larder-lamp/jam-making.toml --plot evening.png
  simfw modes scenarios/larder-lamp/gadget.toml

`simfw COMMAND -h` tells more about one command.
exit status: 0 fine, 1 a rule, expectation or comparison failed, 2 bad input or usage"""


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit status. Errors go to standard error as text."""
    _open_closed_streams()
    parser = _parser()
    arguments, rest = parser.parse_known_args(argv)
    if rest:
        arguments.parser.refuse(rest)
    try:
        status = int(arguments.action(arguments))
        sys.stdout.flush()
    except SimfwError as error:
        print(error, file=sys.stderr)
        return error.exit_code
    except KeyboardInterrupt as stop:
        print(str(stop) or "Stopped.", file=sys.stderr)
        return INTERRUPTED
    except BrokenPipeError:
        # The reader has gone (`simfw run ... | head`): no further output, and no complaint at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return BROKEN_PIPE
    except OSError as error:
        if error.filename is not None:
            raise
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        reason = (error.strerror or str(error)).lower()
        print(f"Cannot write the output: {reason}.", file=sys.stderr)
        return UsageError.exit_code
    return status


def _open_closed_streams() -> None:
    """Put the null device where standard output or error was closed (`simfw run ... >&-`).

    Python has None there, and the next file to be opened would get the number of the closed one.
    """
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115


def _parser() -> argparse.ArgumentParser:
    parser = Parser(
        prog="simfw",
        description="Write down what a small battery gadget does, run it, "
        "and learn what it costs in battery.",
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument("--version", action="version", version=f"simfw {__version__}")
    subparsers = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    for module in _modules():
        module.register(subparsers)
    return parser


def _modules() -> list[Any]:
    """The modules of the subcommands, in the order in which the help lists them."""
    names = [found.name for found in pkgutil.iter_modules(commands.__path__)]
    modules = [
        importlib.import_module(f"{commands.__name__}.{name}")
        for name in names
        if not name.startswith("_")
    ]
    return sorted(modules, key=lambda module: (module.RANK, module.__name__))
