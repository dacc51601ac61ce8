"""The command line: parse, call, print. Each subcommand is a module of `simfw.commands`."""

from __future__ import annotations

import argparse
import codecs
import contextlib
import importlib
import io
import os
import pkgutil
import shutil
import sys
import warnings
from collections.abc import Callable, Iterator, Sequence
from typing import Any, TextIO

from simfw import __version__, commands
from simfw.commands._shared import Parser
from simfw.errors import GadgetWarning, SimfwError, UsageError

__all__ = ["main"]

BROKEN_PIPE = 141  # what a shell reports for a program ended by SIGPIPE (128 + 13)
INTERRUPTED = 130  # and for one ended by SIGINT (128 + 2)

EPILOG = """\
examples:
  simfw new porch-light                 a commented gadget folder to start from
  simfw run scenarios/larder-lamp/jam-making.toml --plot evening.png
  simfw modes scenarios/larder-lamp/gadget.toml

`simfw COMMAND -h` tells more about one command.
exit status: 0 fine, 1 a rule or comparison failed, 2 bad input or usage"""


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit status. Errors go to standard error as text."""
    _prepare_streams()
    parser = _parser()
    arguments, rest = parser.parse_known_args(argv)
    if rest:
        arguments.parser.refuse(rest)
    try:
        with warnings.catch_warnings(), _for_people(arguments):
            warnings.simplefilter("always", GadgetWarning)
            warnings.showwarning = _show(warnings.showwarning)
            status = int(arguments.action(arguments) or 0)
            sys.stdout.flush()
    except SimfwError as error:
        print(_folded(str(error), sys.stderr), file=sys.stderr)
        return error.exit_code
    except KeyboardInterrupt as stop:
        print(str(stop) or "Stopped.", file=sys.stderr)
        return INTERRUPTED
    except BrokenPipeError:
        # The reader has gone (`simfw run ... | head`): no further output, and no complaint at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return BROKEN_PIPE
    except OSError as error:
        # Files are read and written with messages of their own; what is left is standard output.
        reason = (error.strerror or str(error)).lower()
        where = "the output" if error.filename is None else str(error.filename)
        if error.filename is None and not isinstance(sys.stdout, _Closed):
            with contextlib.suppress(OSError, ValueError):
                os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        print(f"Cannot write {where}: {reason}.", file=sys.stderr)
        return UsageError.exit_code
    except MemoryError:
        print("Out of memory.", file=sys.stderr)
        return UsageError.exit_code
    return status


def _show(other: Callable[..., None]) -> Callable[..., None]:
    """What shows a warning about a gadget as one line of text; `other` shows the rest."""

    def show(message: Warning | str, category: type[Warning], *where: Any, **more: Any) -> None:
        if issubclass(category, GadgetWarning):
            print(_folded(f"Warning: {message}", sys.stderr), file=sys.stderr)
        else:
            other(message, category, *where, **more)

    return show


class _Closed(io.StringIO):
    """Stands for a standard output that was closed: nothing can be written to it."""

    def write(self, _text: str, /) -> int:
        raise OSError(None, "it is closed")


# What these print is a file: no character of it may be another.
FILES = ("completion", "map", "schema")


@contextlib.contextmanager
def _for_people(arguments: argparse.Namespace) -> Iterator[None]:
    """While a report is printed: lines as wide as the terminal, letters that it has."""
    stream = sys.stdout
    command = arguments.parser.prog.rpartition(" ")[2]
    if getattr(arguments, "json", False) or command in FILES:
        yield
        return
    if isinstance(stream, io.TextIOWrapper):
        stream.reconfigure(errors="simfw-plain")
    if not stream.isatty():
        yield
        return
    pages = _Pages(stream)
    sys.stdout = pages
    try:
        yield
    finally:
        sys.stdout = stream
        pages.flush()


class _Pages(io.StringIO):
    """A standard output that folds what it is given when it is flushed."""

    def __init__(self, stream: TextIO) -> None:
        super().__init__()
        self._stream = stream

    def isatty(self) -> bool:
        """It stands for a terminal."""
        return True

    def fileno(self) -> int:
        """The terminal's."""
        return self._stream.fileno()

    def flush(self) -> None:
        """Print what has come since the last time."""
        text = self.getvalue()
        self.seek(0)
        self.truncate()
        self._stream.write(_folded(text, self._stream))
        self._stream.flush()


def _folded(text: str, stream: TextIO) -> str:
    """`text` in lines as wide as a terminal; as it is for anything else."""
    if not stream.isatty():
        return text
    from simfw.report.fitted import fitted

    return fitted(text, max(40, shutil.get_terminal_size().columns))


def _prepare_streams() -> None:
    """Let standard output and error take any text, and nothing be lost where one was closed.

    Where one was closed (`simfw run ... >&-`) Python has None, and the next file to be opened would
    get the number of the closed one: the null device keeps that number. What is meant for a closed
    standard output then fails like any output that cannot be written. Characters that the
    terminal's encoding does not have are escaped.
    """
    for number, name in ((1, "stdout"), (2, "stderr")):
        stream = getattr(sys, name)
        if stream is None:
            with contextlib.suppress(OSError):
                opened = os.open(os.devnull, os.O_WRONLY)
                if opened != number:
                    os.dup2(opened, number)
                    os.close(opened)
            closed = _Closed() if name == "stdout" else open(  # noqa: SIM115
                os.devnull, "w", encoding="utf-8")
            setattr(sys, name, closed)
        elif isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="simfw")


def _escaped(error: UnicodeError) -> tuple[str, int]:
    """Characters as JSON and most languages escape them, with four hexadecimal digits each."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    raw = error.object[error.start : error.end].encode("utf-16-be", "surrogatepass")
    return ("".join(f"\\u{raw[at]:02x}{raw[at + 1]:02x}" for at in range(0, len(raw), 2)),
            error.end)


# Signs of the trade in letters that every terminal has.
PLAIN = {"µ": "u", "Ω": "ohm", "°": "deg ", "±": "+/-", "×": "x", "·": "*", "−": "-", "–": "-",
         "’": "'", "→": "->", "…": "...", "≤": "<=", "≥": ">=", "√": "sqrt"}


def _plain(error: UnicodeError) -> tuple[str, int]:
    """Signs of the trade in plain letters; others escaped."""
    if isinstance(error, UnicodeEncodeError):
        sign = error.object[error.start : error.start + 1]
        if sign in PLAIN:
            return PLAIN[sign], error.start + 1
        error.end = error.start + 1
    return _escaped(error)


codecs.register_error("simfw", _escaped)
codecs.register_error("simfw-plain", _plain)


def _parser() -> argparse.ArgumentParser:
    parser = Parser(
        prog="simfw",
        description="Write down what a small battery gadget does, run it, and learn what it costs.",
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument("--version", action="version", version=f"simfw {__version__}")
    parser.set_defaults(action=lambda _: parser.print_help(), parser=parser, whole=parser)
    subparsers = parser.add_subparsers(title="commands", metavar="COMMAND")
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
