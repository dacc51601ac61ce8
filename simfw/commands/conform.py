"""`simfw conform`: compare a replacement firmware with the model."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

from simfw.commands._setting import add_set, settings_of
from simfw.commands._shared import add_command, whole_number
from simfw.errors import UsageError

if TYPE_CHECKING:
    import argparse
    from collections.abc import Callable

    from simfw.commands._shared import Commands
    from simfw.conform.firmware import Difference, Drive
    from simfw.engine.simulator import Prepared

RANK = 75

WITNESS = "witness.toml"


def register(commands: Commands) -> None:
    """Add `conform` to the command line."""
    parser = add_command(
        commands,
        "conform",
        conform,
        fails="the firmware parts from the model",
        summary="compare a firmware that runs on this host with the model, over the line protocol",
        examples=[
            "conform scenarios/larder-lamp/gadget.toml --against firmware/harness",
            "conform gadget.toml --against ./mine --within '1 ms' --examples 500",
            "conform gadget.toml --against ./mine --recording evening.vcd --map evening-map.toml",
            "conform gadget.toml --mutants 200",
        ],
    )
    parser.add_argument("gadget", metavar="GADGET", help="the gadget file (TOML)")
    parser.add_argument("--against", metavar="PROGRAM", help="the firmware, compiled for this host")
    parser.add_argument(
        "--within", metavar="TIME", default="0 s", help="allowed timing error [0 s]"
    )
    parser.add_argument(
        "--examples", type=whole_number, default=100, metavar="N",
        help="random stimulus lists after the vectors [100]",
    )  # fmt: skip
    parser.add_argument("--seed", type=whole_number, default=0, metavar="N", help="random seed [0]")
    parser.add_argument(
        "--also", metavar="SCENARIO", action="append", default=[],
        help="also run this scenario (may be repeated)",
    )  # fmt: skip
    parser.add_argument(
        "--recording", metavar="FILE", action="append", default=[], type=Path,
        help="a recording of the real thing (VCD, .sr or CSV) to drive it with as well (may be "
        "repeated)",
    )  # fmt: skip
    parser.add_argument(
        "--map", metavar="M", type=Path,
        help="map file of the recordings; not needed where the wires have the gadget's names",
    )  # fmt: skip
    parser.add_argument(
        "--witness", metavar="FILE", default=WITNESS,
        help=f"where the stimuli of a difference are saved as a scenario [{WITNESS}]",
    )  # fmt: skip
    parser.add_argument(
        "--mutants", type=whole_number, default=0, metavar="N",
        help="also make N small faults in the rows, and tell which the vectors notice",
    )  # fmt: skip
    add_set(parser)


def conform(arguments: argparse.Namespace) -> int:
    """Drive, compare, report; 1 if the firmware parts from the model."""
    from simfw.conform.driving import gaps_of, inputs_of, on_ticks_of, vector_drives
    from simfw.conform.firmware import Firmware, compare, random_difference, shrunk
    from simfw.engine.simulator import Prepared
    from simfw.loading import load_gadget
    from simfw.quantity import format_duration, read_ns
    from simfw.writing import check_file

    if arguments.against is None and not arguments.mutants:
        raise UsageError("Name the firmware with --against PROGRAM, or ask for --mutants N.")
    if arguments.witness != WITNESS:
        check_file(arguments.witness)
    settings = settings_of(arguments)
    gadget = load_gadget(arguments.gadget, settings)
    prepared = Prepared(gadget)
    segments = gadget.segments
    vectors = vector_drives(gadget, prepared)
    drives = [*vectors, *_scenarios(prepared, arguments.also), *_recordings(prepared, arguments)]
    status = 0
    if arguments.against is not None:
        firmware = Firmware(arguments.against, within_ns=read_ns(arguments.within))
        firmware.say_hello()
        if firmware.tick_ns > 1:
            print(f"It counts in ticks of {format_duration(firmware.tick_ns)}: times may be off by "
                  "one, and edges come at the beginning of one.")  # fmt: skip
            drives[: len(vectors)] = on_ticks_of(firmware.tick_ns, vectors, prepared)
        fair = [drive for drive in drives if not (drive.exact and firmware.within_ns)]
        if len(fair) < len(drives):
            print(f"{len(drives) - len(fair)} vectors are left out: they hang on what comes first "
                  "within a few milliseconds, which is not told where times may be off.")
        found = compare(firmware, fair, _progress("vectors"))
        if found is not None:
            found = shrunk(firmware, found, prepared.system, prepared.circuit, segments)
        else:
            found = random_difference(
                firmware, prepared.system, prepared.circuit, segments,
                inputs_of(gadget, prepared.circuit), gaps_of(gadget),
                examples=arguments.examples, seed=arguments.seed,
            )  # fmt: skip
        if found is None:
            counted = f"{len(fair) - len(arguments.recording)} vectors and scenarios"
            if arguments.recording:
                counted += f", {len(arguments.recording)} recordings"
            told = ", ".join(sorted(firmware.told | {"out"}))
            print(f"Conforms: {counted}, {arguments.examples} random stimulus lists; compared: "
                  f"{told}.")  # fmt: skip
            for line in _not_compared(fair):
                print(line)
        else:
            status = 1
            _report(prepared, found, arguments.witness, changed=bool(settings))
    if arguments.mutants:
        _mutants(prepared, drives, arguments.mutants, arguments.seed)
    return status


def _not_compared(drives: list[Drive]) -> list[str]:
    """What was left out of accounts that are too long."""
    from simfw.quantity import format_duration
    from simfw.report.vectors.replay import MOST_REPORTS

    ends = [(drive.name, drive.replay.unrolled.ends_ns) for drive in drives]
    return [f"{name}: compared up to {format_duration(ends_ns)} only, where {MOST_REPORTS:,} "
            "reports are told." for name, ends_ns in ends if ends_ns is not None]  # fmt: skip


def _progress(what: str) -> Callable[[int, int], None] | None:
    """Progress on a terminal only."""
    if not sys.stderr.isatty():
        return None

    def show(done: int, total: int) -> None:
        print(f"\r{what}: {done} of {total} ", end="", file=sys.stderr, flush=True)

    return show


def _scenarios(prepared: Prepared, paths: list[str]) -> list[Drive]:
    from simfw.conform.driving import scenario_drive
    from simfw.loading import load_scenario
    from simfw.report.vectors.build import Rehearsal

    model = Rehearsal(prepared)
    return [scenario_drive(model, path, load_scenario(path)) for path in paths]


def _recordings(prepared: Prepared, arguments: argparse.Namespace) -> list[Drive]:
    """The recordings as drives; what is to be said about them is printed."""
    from simfw.commands._recordings import observed_in
    from simfw.conform.driving import recorded_drive
    from simfw.report.vectors.build import Rehearsal
    from simfw.stimuli.recording.mapfile import read_map
    from simfw.verify.replay import Options

    if arguments.map is not None and not arguments.recording:
        raise UsageError("--map belongs to a recording: give that with --recording.")
    model = Rehearsal(prepared)
    drives = []
    for path in arguments.recording:
        mapped = None if arguments.map is None else read_map(arguments.map)
        observed, mapped = observed_in(path, mapped, prepared.gadget, arguments.gadget)
        options = Options(start=mapped.start,
                          charge=None if mapped.charge is None else mapped.charge.value)
        recorded = recorded_drive(prepared, model, observed, options)
        for text in recorded.said:
            print(text)
        drives.append(recorded.drive)
    return drives


def _report(prepared: Prepared, found: Difference, witness: str, *, changed: bool) -> None:
    """Tell the first difference and save what led to it; `changed`: something was set."""
    from simfw.conform.driving import scenario_of
    from simfw.quantity import format_duration

    print(f"Differs at {format_duration(found.time_ns)} in {found}")
    print("What led there:")
    print(f"  cell at {found.drive.charge:.4%}")
    for act in found.drive.acts:
        print(f"  {format_duration(act.at_ns)}: {act.text}")
    scenario = scenario_of(prepared.gadget, found)
    if scenario is None:
        print("This needs a bench that sets the pins; it is no scenario.")
        return
    from simfw.stimuli.scenario import write_scenario

    write_scenario(scenario, Path(witness))
    with_set = " It names the gadget file as written: run it with the same --set."
    print(f"Saved as {witness}.{with_set if changed else ''}")


def _mutants(prepared: Prepared, drives: list[Drive], count: int, seed: int) -> None:
    """Tell what becomes of the faults that can be made in the rows."""
    from simfw.conform.judged import judged

    result = judged(prepared, drives, count, seed=seed, progress=_progress("mutants"))
    for line in result.lines():
        print(line)
