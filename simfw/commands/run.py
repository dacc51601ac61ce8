"""`simfw run`: run a scenario and tell what it costs."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from simfw.commands._options import add_json, add_plot, add_seed
from simfw.commands._setting import Against, add_set, answer, as_written, settings_of
from simfw.commands._shared import add_command, paint_for, telling

if TYPE_CHECKING:
    import argparse

    from simfw.commands._shared import Commands
    from simfw.engine.run import Run
    from simfw.stimuli.scenario import Scenario

RANK = 10


def register(commands: Commands) -> None:
    """Add `run` to the command line."""
    parser = add_command(
        commands,
        "run",
        run,
        fails="an expectation was not met or a rule broke",
        summary="run a scenario: charge per consumer, average current, battery life, expectations",
        examples=[
            "run scenarios/larder-lamp/jam-making.toml",
            "run evening.toml --plot evening.png --csv evening/",
            'run evening.toml --plot click.png --from "24 min" --to "25 min"',
            "run evening.toml --json > evening.json",
            "run evening.toml --page evening.html",
        ],
    )
    parser.add_argument("scenario", metavar="SCENARIO", help="a scenario file (TOML)")
    add_plot(parser, "the run")
    parser.add_argument(
        "--from", dest="from_time", metavar="TIME", help="where --plot begins [0 s]"
    )
    parser.add_argument(
        "--to", dest="to_time", metavar="TIME", help="where --plot ends [the end of the run]"
    )
    add_json(parser)
    parser.add_argument("--csv", metavar="DIR", help="write the run's tables as CSV files into DIR")
    parser.add_argument(
        "--record", metavar="FILE", help="write stimuli and outputs as a recording (.vcd or .csv)"
    )
    parser.add_argument(
        "--page", metavar="FILE", help="write the run as one .html page to scrub through"
    )
    add_seed(parser, None)
    parser.add_argument(
        "--no-fold", action="store_true",
        help="simulate every sensor look, blink and sample individually"
    )
    parser.add_argument("--events", action="store_true", help="list the events in the report")
    add_set(parser)
    parser.add_argument(
        "--since", metavar="OLD", help="tell what differs from the same run of this gadget file"
    )


def run(arguments: argparse.Namespace) -> int:
    """Run the scenario, write what was asked for, print the report; 1 if anything failed."""
    from simfw.engine.prepared import Prepared
    from simfw.engine.repeat import repeat_life, time_left
    from simfw.engine.simulator import simulate
    from simfw.loading import load_scenario
    from simfw.report.ledger import ledger_json, write_csv
    from simfw.report.text import text_report
    from simfw.writing import check_folder

    if arguments.plot is not None:
        from simfw.report.drawing import check_ending

        check_ending(arguments.plot)
    if arguments.record is not None:
        from simfw.report.record import check_record

        check_record(arguments.record)
    if arguments.csv is not None:
        check_folder(arguments.csv)
    if arguments.page is not None:
        check_page(arguments.page)
    settings = settings_of(arguments)
    scenario = load_scenario(arguments.scenario, settings)
    from_ns, to_ns = _drawn(arguments, scenario.lasts_ns)
    gadget = scenario.gadget
    assert gadget is not None
    seed = scenario.seed if arguments.seed is None else arguments.seed
    fold = not arguments.no_fold
    # Only what lists events and intervals gets them: ticks would fill the memory for nothing.
    log = bool(arguments.json or arguments.csv is not None or arguments.events
               or settings or arguments.since or arguments.page is not None)
    trace = any(one is not None for one in (
        arguments.csv, arguments.plot, arguments.record, arguments.page))

    def simulated(scenario: Scenario, prepared: Prepared | None = None) -> Run:
        assert scenario.gadget is not None
        return simulate(scenario.gadget, scenario, seed=seed or 0, fold=fold, log=log, trace=trace,
                        prepared=prepared)

    with telling("running the scenario"):
        prepared = Prepared(gadget)
        result = simulated(scenario, prepared)

    def other() -> dict[str, Any]:
        return ledger_json(simulated(_with_earlier(arguments.scenario, arguments.since)))

    against = as_written(settings, other)
    if arguments.since is not None:
        against = Against(title=f"Against {arguments.since}", other=other, before="before",
                          values=settings)
    with telling("repeating it until the cell is empty"):
        life = repeat_life(result, ranges=not arguments.json, prepared=prepared)
        left = time_left(result, prepared=prepared)
        text = answer(
            ledger_json(result, life, left),
            lambda: text_report(result, life, left, paint_for(sys.stdout),
                                events=arguments.events),
            against, as_json=arguments.json,
        )
    if arguments.record is not None:
        from simfw.report.record import write_recording

        write_recording(result, arguments.record)
    if arguments.csv is not None:
        write_csv(result, arguments.csv)
    if arguments.plot is not None:
        from simfw.report.plots import write_plot

        write_plot(result, prepared.circuit, arguments.plot, from_ns=from_ns, to_ns=to_ns)
    if arguments.page is not None:
        from simfw.panel.kept import page_of
        from simfw.writing import write_whole

        title = f"{gadget.head.name}: {scenario.title or Path(arguments.scenario).stem}"
        report = text_report(result, life, left, events=False)
        write_whole(arguments.page, page_of(result, prepared, report, title))
    sys.stdout.write(text)
    failed = any(not expected.met for expected in result.expectations)
    return int(failed or any(not rule.held for rule in result.rules))


def check_page(path: str) -> None:
    """Raise UsageError where no page can be written to `path`."""
    from simfw.errors import UsageError
    from simfw.writing import check_file

    if not path.lower().endswith((".html", ".htm")):
        raise UsageError(f"--page {path}: a page is an .html file. Allowed: FILE.html.")
    check_file(path)


def _with_earlier(path: str, since: str) -> Scenario:
    """The scenario with an earlier gadget file; what is wrong with it there says so."""
    from simfw.errors import DescriptionError
    from simfw.loading import load_scenario

    try:
        return load_scenario(path, gadget=since)
    except DescriptionError as error:
        raise DescriptionError([
            replace(problem, text=f"with --since {since}, {problem.text}")
            if problem.file == str(path) else problem
            for problem in error.problems
        ]) from None


def _drawn(arguments: argparse.Namespace, lasts_ns: int) -> tuple[int, int]:
    """Where the plot begins and ends (ns); raises `UsageError`."""
    from simfw.commands._recordings import time_ns
    from simfw.errors import UsageError
    from simfw.quantity import format_duration

    begins, ends = arguments.from_time, arguments.to_time
    for option, text in (("--from", begins), ("--to", ends)):
        if text is not None and arguments.plot is None:
            raise UsageError(f"{option} {text}: it says what --plot draws, and there is no --plot.")
    from_ns = 0 if begins is None else time_ns("--from", begins)
    to_ns = lasts_ns if ends is None else time_ns("--to", ends)
    if from_ns >= lasts_ns:
        raise UsageError(f"--from {begins}: the run ends at {format_duration(lasts_ns)}. "
                         f"Allowed: 0 s and later, before {format_duration(lasts_ns)}.")
    if not from_ns < to_ns <= lasts_ns:
        raise UsageError(f"--to {ends}: the plot would end before it begins, or after the run. "
                         f"Allowed: after {format_duration(from_ns)}, "
                         f"up to {format_duration(lasts_ns)}.")
    return from_ns, to_ns
