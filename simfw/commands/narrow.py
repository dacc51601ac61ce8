"""`simfw narrow`: which guesses a bench log leaves, and how far each figure is known."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

from simfw.commands._options import add_json, add_plot
from simfw.commands._shared import add_command, dump_json, paint_for
from simfw.commands._study import add_search_options

if TYPE_CHECKING:
    import argparse

    from simfw.commands._shared import Commands

RANK = 56


def register(commands: Commands) -> None:
    """Add `narrow` to the command line."""
    parser = add_command(
        commands,
        "narrow",
        run,
        fails="nothing fits what was observed",
        summary="tell which guesses fit what was seen at the bench",
        examples=[
            "narrow scenarios/key-hook/bench.toml",
            "narrow bench.toml --json",
        ],
    )
    parser.add_argument("log", metavar="LOG", help="a bench log (TOML)")
    add_search_options(parser)
    parser.add_argument("--write", metavar="FILE",
                        help="write the gadget file with the narrowed figures to FILE")
    add_plot(parser, "what is left of each unknown")
    add_json(parser)


def run(arguments: argparse.Namespace) -> int:
    """Narrow and print; 1 where nothing fits."""
    from simfw.benchlog.narrowing import narrow
    from simfw.commands._progress import Bar
    from simfw.loading import load_bench_log
    from simfw.report.bench_log import narrowed_json, narrowed_text
    from simfw.writing import check_file, write_whole

    if arguments.plot is not None:
        from simfw.report.drawing import check_ending

        check_ending(arguments.plot)
    if arguments.write is not None:
        check_file(arguments.write)
    log = load_bench_log(arguments.log)
    with Bar(sys.stderr, "combinations") as bar:
        found = narrow(log, seed=arguments.seed, runs=arguments.runs,
                       jobs=arguments.jobs, progress=bar.show)
        if log.pattern is not None:
            from simfw.report.bench_days import with_days

            bar.tell("days between charges")
            found = with_days(found)
    notes = ""
    if arguments.write is not None:
        from simfw.report.bench_write import rewritten

        made = rewritten(found, arguments.write)
        write_whole(arguments.write, made.source)
        notes = f"\nWrote {arguments.write}: {', '.join(made.written) or 'no figure narrowed'}.\n"
        notes += "".join(f"Not written: {one}.\n" for one in made.left)
    if arguments.plot is not None:
        from simfw.report.bench_plot import write_narrowed_plot

        write_narrowed_plot(found, arguments.plot)
    if arguments.json:
        sys.stdout.write(dump_json(narrowed_json(found)))
    else:
        sys.stdout.write(narrowed_text(found, paint_for(sys.stdout)) + notes)
    return int(not found.possible)
