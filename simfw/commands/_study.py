"""What `simfw life` and `simfw sweep` share: who does the work, and what is kept of it."""

from __future__ import annotations

import argparse
import contextlib
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from simfw.commands._options import add_seed

if TYPE_CHECKING:
    from simfw.commands._progress import Bar
    from simfw.life.kept import Kept, Study
    from simfw.life.workers import Workers

__all__ = ["Means", "add_search_options", "add_study_options", "means", "positive_number"]

USERS = 100


@dataclass(frozen=True, slots=True)
class Means:
    """Who does the work of a study, where finished groups are kept, and what shows the progress."""

    workers: Workers
    kept: Kept | None
    bar: Bar


def add_study_options(parser: argparse.ArgumentParser) -> None:
    """Add the options that every study over users has."""
    parser.add_argument(
        "--users", type=positive_number, default=USERS, metavar="N",
        help=f"how many users are drawn [{USERS}]",
    )
    add_seed(parser)
    who = parser.add_mutually_exclusive_group()
    _add_jobs(who)
    who.add_argument(
        "--cluster", metavar="ADDRESS",
        help="let the workers of the dask scheduler at HOST:PORT do the work",
    )
    parser.add_argument(
        "--keep", metavar="FILE",
        help="keep finished users in FILE; the same command goes on from there",
    )


def add_search_options(parser: argparse.ArgumentParser) -> None:
    """Add the options of what looks through the combinations that a bench log leaves."""
    add_seed(parser)
    parser.add_argument(
        "--runs", type=positive_number, default=20_000, metavar="N",
        help="exact runs allowed for each combination of answers [20000]",
    )
    _add_jobs(parser)


def _add_jobs(parser: argparse._ActionsContainer) -> None:
    parser.add_argument(
        "--jobs", type=positive_number, default=1, metavar="N",
        help="processes that share the work; the result is the same [1]",
    )


def positive_number(text: str) -> int:
    """An argument that must be a whole number from 1 on."""
    if not (text.isascii() and text.isdigit() and int(text) >= 1):
        raise argparse.ArgumentTypeError(f"{text!r} is not a whole number from 1 on")
    return int(text)


@contextlib.contextmanager
def means(arguments: argparse.Namespace, study: Callable[[], Study]) -> Iterator[Means]:
    """The means of a study by its options; `study` tells what the file of `--keep` belongs to.

    Where the study is interrupted, the message says what is kept.
    """
    from simfw.commands._progress import Bar
    from simfw.life.kept import Kept
    from simfw.life.workers import Here, Processes

    kept: Kept | None = None
    try:
        with contextlib.ExitStack() as stack:
            if arguments.keep is not None:
                kept = stack.enter_context(Kept(arguments.keep, study()))
            workers: Workers = Here()
            if arguments.cluster is not None:
                from simfw.life.cluster import Cluster

                workers = stack.enter_context(Cluster(arguments.cluster))
            elif arguments.jobs > 1:
                workers = stack.enter_context(Processes(arguments.jobs))
            yield Means(workers, kept, stack.enter_context(Bar(sys.stderr, "users")))
    except KeyboardInterrupt:
        if kept is None:
            raise
        users = f"{kept.users} finished user{'' if kept.users == 1 else 's'}"
        raise KeyboardInterrupt(
            f"Stopped. {users} kept in {kept.path}; the same command goes on from there."
        ) from None
