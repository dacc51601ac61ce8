"""`simfw life`: how long it lasts over a usage pattern."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

from simfw.commands._shared import add_command, dump_json, paint_for
from simfw.commands._study import add_study_options, means

if TYPE_CHECKING:
    import argparse

    from simfw.commands._shared import Commands

RANK = 30


def register(commands: Commands) -> None:
    """Add `life` to the command line."""
    parser = add_command(
        commands,
        "life",
        run,
        summary="estimate days between charges for many simulated users and part tolerances",
        examples=[
            "life scenarios/larder-lamp/household.toml --users 20",
            "life household.toml --plot life.png --jobs 2",
            "life household.toml --users 1000 --keep household.kept --json > life.json",
        ],
    )
    parser.add_argument("pattern", metavar="PATTERN", help="a pattern file (TOML)")
    add_study_options(parser)
    parser.add_argument("--plot", metavar="FILE", help="draw the study into a .png, .svg or .pdf")
    parser.add_argument("--json", action="store_true", help="print JSON instead of text")


def run(arguments: argparse.Namespace) -> int:
    """Simulate the users, print the answers, draw what was asked for."""
    from simfw.life.kept import study_of
    from simfw.life.life import life
    from simfw.loading import load_pattern
    from simfw.report.drawing import check_ending
    from simfw.report.life import life_json, life_text

    if arguments.plot is not None:
        check_ending(arguments.plot)
    pattern = load_pattern(arguments.pattern)
    users, seed = arguments.users, arguments.seed
    with means(arguments, lambda: study_of(pattern, users, seed, command="life")) as by:
        found = life(
            pattern, users=users, seed=seed, workers=by.workers, kept=by.kept,
            progress=by.bar.show, stage=by.bar.tell,
        )
    if arguments.plot is not None:
        from simfw.report.life_plots import write_life_plot

        write_life_plot(found, arguments.plot)
    if arguments.json:
        sys.stdout.write(dump_json(life_json(found)))
    else:
        sys.stdout.write(life_text(found, paint_for(sys.stdout)))
    return 0
