"""`simfw replay`: compare a recording of the real thing with the gadget file."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from simfw.commands._options import add_json, add_map, add_plot, add_recording, add_wanted_gadget
from simfw.commands._setting import add_set, refuse_beside, settings_of
from simfw.commands._shared import add_command, dump_json, paint_for

if TYPE_CHECKING:
    from simfw.commands._shared import Commands
    from simfw.verify.replay import Options

__all__ = ["RANK", "register"]

RANK = 52


def register(commands: Commands) -> None:
    """Add the subcommand."""
    parser = add_command(
        commands, "replay", _replay,
        fails="the outputs do not agree",
        summary="feed a recording to the gadget file and compare the outputs edge by edge",
        examples=["replay capture.vcd --gadget gadget.toml --map capture-map.toml",
                  "replay capture.csv --gadget gadget.toml --tolerance 5ms --json",
                  "replay capture.sr --map capture-map.toml --as-scenario seen.toml"],
    )
    add_recording(parser)
    add_wanted_gadget(parser)
    add_map(parser)
    parser.add_argument("--tolerance", "--within", metavar="TIME", default="20 ms",
                        help="allowed timing error [20 ms]")
    parser.add_argument("--start", action="append", default=[], metavar="REGION=STATE",
                        help="state of a region at the start [power-up, or what fits] (may be "
                        "repeated)")
    parser.add_argument("--charge", metavar="CHARGE",
                        help='charge of the cell at the start, or its voltage at rest ("3.9 V") '
                        '[as the map or recording says, or as it fits]')
    parser.add_argument("--clock", metavar="FACTOR",
                        help="clock factor, 0.9 to 1.1 [fitted]")
    parser.add_argument("--no-timings", action="store_true", help="leave the timings out")
    add_plot(parser, "recording and model")
    add_json(parser)
    parser.add_argument("--csv", type=Path, metavar="FILE", help="write every edge as a table")
    parser.add_argument("--as-scenario", type=Path, metavar="FILE",
                        help="write the inputs and what the outputs did as a scenario")
    add_set(parser)


def _replay(arguments: argparse.Namespace) -> int:
    from dataclasses import replace

    from simfw.commands._charge import charge_option
    from simfw.commands._recordings import gadget_of, observed_in
    from simfw.errors import UsageError
    from simfw.loading import load_gadget
    from simfw.report.cautions import caution_block
    from simfw.report.replay import as_scenario, replay_csv, replay_json, replay_text
    from simfw.stimuli.recording.mapfile import read_map
    from simfw.stimuli.scenario import write_scenario
    from simfw.verify.explaining import explain
    from simfw.verify.prediction import Model
    from simfw.verify.replay import replay
    from simfw.verify.timings import timing_report
    from simfw.writing import check_file, write_whole

    for target in (arguments.csv, arguments.as_scenario):
        if target is not None:
            check_file(target)
    options = _options(arguments)
    if arguments.plot is not None:
        from simfw.report.drawing import check_ending

        check_ending(arguments.plot)
    settings = settings_of(arguments)
    refuse_beside(settings, "--as-scenario", arguments.as_scenario)
    mapped = None if arguments.map is None else read_map(arguments.map)
    gadget_path = gadget_of(arguments.recording, arguments.gadget, mapped, arguments.map)
    gadget = load_gadget(gadget_path, settings)
    observed, mapped = observed_in(arguments.recording, mapped, gadget, gadget_path)
    if arguments.charge is not None:
        options = replace(options, charge=charge_option(arguments.charge, gadget))
    options = _from_map(options, mapped.start, mapped.begins_at(gadget))
    if not observed.outputs:
        raise UsageError(f"{arguments.recording}: no wire is an output of the gadget, so there is "
                         "nothing to compare.")
    model = Model(gadget, observed)
    replayed = replay(observed, gadget, options, model)
    if replayed.observed is not observed:
        model = Model(gadget, replayed.observed, like=model)
    divergence = explain(replayed, gadget, model)
    timings = None if arguments.no_timings else timing_report(replayed, gadget, model,
                                                                        divergence)
    if arguments.json:
        text = dump_json(replay_json(replayed, divergence, timings))
    else:
        paint = paint_for(sys.stdout)
        text = (replay_text(replayed, divergence, timings, paint)
                + caution_block(gadget, "replay", paint))
    if arguments.csv is not None:
        write_whole(arguments.csv, replay_csv(replayed))
    if arguments.as_scenario is not None:
        write_scenario(as_scenario(replayed, gadget, gadget_path), arguments.as_scenario)
    if arguments.plot is not None:
        from simfw.report.replay_plot import write_replay_plot

        write_replay_plot(replayed, arguments.plot)
    sys.stdout.write(text)
    return 0 if replayed.agrees else 1


def _options(arguments: argparse.Namespace) -> Options:
    from simfw.commands._charge import charge_option
    from simfw.commands._recordings import time_ns
    from simfw.errors import UsageError
    from simfw.verify.clock_fit import HIGH, LOW
    from simfw.verify.replay import Options

    start: dict[str, str] = {}
    for text in arguments.start:
        region, equals, state = text.partition("=")
        if not equals:
            raise UsageError(f"--start {text}: this is not REGION=STATE.")
        start[region.strip()] = state.strip()
    factor = None
    if arguments.clock is not None:
        try:
            factor = float(arguments.clock)
        except ValueError:
            factor = float("nan")
        if not LOW <= factor <= HIGH:
            raise UsageError(f"--clock {arguments.clock}: a clock factor is a number from {LOW} "
                             f"to {HIGH}.")
    return Options(
        tolerance_ns=time_ns("--tolerance", arguments.tolerance), start=start, factor=factor,
        charge=None if arguments.charge is None else charge_option(arguments.charge, None))


def _from_map(options: Options, start: dict[str, str], charge: float | None) -> Options:
    """What the map says about the beginning, where the command line says nothing."""
    from dataclasses import replace

    return replace(options, start=options.start or start,
                   charge=charge if options.charge is None else options.charge)
