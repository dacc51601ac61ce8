"""`simfw life`: how long it lasts over a usage pattern."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING

from simfw.commands._shared import add_command, dump_json, paint_for, whole_number

if TYPE_CHECKING:
    from simfw.commands._shared import Commands

RANK = 30
USERS = 100


def register(commands: Commands) -> None:
    """Add `life` to the command line."""
    parser = add_command(
        commands,
        "life",
        run,
        summary="days between charges over a usage pattern: many users, and the spread of parts",
        examples=[
            "life scenarios/larder-lamp/household.toml --users 20",
            "life household.toml --plot life.png --jobs 2",
            "life household.toml --json > life.json",
        ],
    )
    parser.add_argument("pattern", metavar="PATTERN", help="a pattern file (TOML)")
    add_study_options(parser)
    parser.add_argument("--plot", metavar="FILE", help="draw the study into a .png, .svg or .pdf")
    parser.add_argument("--json", action="store_true", help="print JSON instead of text")


def add_study_options(parser: argparse.ArgumentParser) -> None:
    """Add the options that every study over users has."""
    parser.add_argument(
        "--users", type=positive_number, default=USERS, metavar="N",
        help=f"how many users are drawn [{USERS}]",
    )
    parser.add_argument(
        "--seed", type=whole_number, default=0, metavar="S", help="seed of what is drawn [0]"
    )
    parser.add_argument(
        "--jobs", type=positive_number, default=1, metavar="N",
        help="processes that share the work; the result is the same [1]",
    )


def positive_number(text: str) -> int:
    """An argument that must be a whole number from 1 on."""
    number = whole_number(text)
    if number < 1:
        raise argparse.ArgumentTypeError(f"{text!r} is not a whole number from 1 on")
    return number


def run(arguments: argparse.Namespace) -> int:
    """Simulate the users, print the answers, draw what was asked for."""
    from simfw.commands._progress import Bar
    from simfw.life.life import life
    from simfw.loading import load_pattern
    from simfw.report.life import life_json, life_text
    from simfw.report.plots import check_ending

    if arguments.plot is not None:
        check_ending(arguments.plot)
    pattern = load_pattern(arguments.pattern)
    with Bar(sys.stderr, "users") as bar:
        found = life(
            pattern, users=arguments.users, seed=arguments.seed, jobs=arguments.jobs,
            progress=bar.show,
        )
    if arguments.plot is not None:
        from simfw.report.life_plots import write_life_plot

        write_life_plot(found, arguments.plot)
    if arguments.json:
        sys.stdout.write(dump_json(life_json(found)))
    else:
        sys.stdout.write(life_text(found, paint_for(sys.stdout)))
    return 0
