"""`simfw life`: how long it lasts over a usage pattern."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

from simfw.commands._options import add_json, add_plot
from simfw.commands._setting import add_set, answer, as_written, settings_of
from simfw.commands._shared import add_command, paint_for
from simfw.commands._study import add_study_options, means

if TYPE_CHECKING:
    import argparse

    from simfw.commands._shared import Commands
    from simfw.life.life import Life
    from simfw.stimuli.pattern import Pattern

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
            "life household.toml --users 1000 --keep household.kept --json",
        ],
    )
    parser.add_argument("pattern", metavar="PATTERN", help="a pattern file (TOML)")
    add_study_options(parser)
    add_plot(parser, "the study")
    add_json(parser)
    add_set(parser)


def run(arguments: argparse.Namespace) -> int:
    """Simulate the users, print the answers, draw what was asked for."""
    from simfw.life.kept import study_of
    from simfw.life.life import life
    from simfw.loading import load_pattern
    from simfw.report.drawing import check_ending
    from simfw.report.life import life_json, life_text

    if arguments.plot is not None:
        check_ending(arguments.plot)
    settings = settings_of(arguments)
    pattern = load_pattern(arguments.pattern, settings)
    users, seed = arguments.users, arguments.seed

    def lived(pattern: Pattern) -> Life:
        with means(arguments, lambda: study_of(pattern, users, seed, command="life")) as by:
            return life(
                pattern, users=users, seed=seed, workers=by.workers, kept=by.kept,
                progress=by.bar.show, stage=by.bar.tell,
            )

    found = lived(pattern)
    if arguments.plot is not None:
        from simfw.report.life_plots import write_life_plot

        write_life_plot(found, arguments.plot)
    sys.stdout.write(answer(
        life_json(found), lambda: life_text(found, paint_for(sys.stdout)),
        as_written(settings, lambda: life_json(lived(load_pattern(arguments.pattern)))),
        as_json=arguments.json,
    ))
    return 0
