"""`simfw next`: what to look at next at the bench, by what a bench log leaves open."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING

from simfw.commands._options import add_json, add_plot
from simfw.commands._shared import add_command, dump_json, paint_for
from simfw.commands._study import add_search_options, positive_number

if TYPE_CHECKING:
    from simfw.benchlog.model import Kit
    from simfw.commands._shared import Commands

RANK = 57


def register(commands: Commands) -> None:
    """Add `next` to the command line."""
    parser = add_command(
        commands,
        "next",
        run,
        fails="nothing fits what was observed",
        summary="tell what to look at next at the bench",
        examples=[
            "next scenarios/key-hook/bench.toml",
            "next bench.toml --kit eyes,stopwatch --minutes 30",
        ],
    )
    parser.add_argument("log", metavar="LOG", help="a bench log (TOML)")
    parser.add_argument("--minutes", type=positive_number, metavar="N",
                        help="leave out what takes longer [nothing is left out]")
    parser.add_argument("--kit", type=_kit, metavar="A,B",
                        help="what lies on the bench [what the log says]")
    parser.add_argument("--write", metavar="DIR",
                        help="write a list for hands, and a scenario for each handling, into DIR")
    add_plot(parser, "what each experiment takes and tells")
    add_search_options(parser)
    add_json(parser)


def run(arguments: argparse.Namespace) -> int:
    """Narrow, look for experiments and print them; 1 where nothing fits."""
    import os
    from pathlib import Path

    from simfw.benchlog.experiments import next_experiments
    from simfw.benchlog.narrowing import narrow
    from simfw.commands._progress import Bar
    from simfw.loading import load_bench_log
    from simfw.report.bench_next import next_files, next_json, next_text
    from simfw.report.sameness import proved_same
    from simfw.writing import check_folder, write_folder

    if arguments.plot is not None:
        from simfw.report.drawing import check_ending

        check_ending(arguments.plot)
    if arguments.write is not None:
        check_folder(arguments.write)
    log = load_bench_log(arguments.log)
    with Bar(sys.stderr, "combinations") as bar:
        left = narrow(log, seed=arguments.seed, runs=arguments.runs, jobs=arguments.jobs,
                      brief=not arguments.json, progress=bar.show)
        if arguments.json and log.pattern is not None:
            from simfw.report.bench_days import with_days

            bar.tell("days between charges")
            left = with_days(left)
        bar.tell("looking for experiments")
        found = next_experiments(
            left, kit=arguments.kit, minutes=arguments.minutes, same=proved_same)
    if arguments.write is not None:
        where = os.path.relpath(log.gadget_path, Path(arguments.write))
        write_folder(arguments.write, next_files(found, where))
    if arguments.plot is not None:
        from simfw.report.bench_plot import write_next_plot

        write_next_plot(found, arguments.plot)
    if arguments.json:
        sys.stdout.write(dump_json(next_json(found)))
    else:
        sys.stdout.write(next_text(found, paint_for(sys.stdout)))
    return int(not left.possible)


def _kit(text: str) -> tuple[Kit, ...]:
    """Names of the kit with commas between them."""
    from simfw.benchlog.model import KIT
    from simfw.errors import hint

    names = [name.strip() for name in text.split(",")]
    for name in names:
        if name not in KIT:
            raise argparse.ArgumentTypeError(f'there is no "{name}" in the kit. '
                                             f'Allowed: {", ".join(KIT)}.{hint(name, KIT)}')
    return tuple(one for one in KIT if one in names)
