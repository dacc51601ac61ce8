"""`simfw conform`: compare a replacement firmware with the model."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

from simfw.commands._options import add_gadget, add_json, add_map, add_seed
from simfw.commands._setting import add_set, settings_of
from simfw.commands._shared import add_command, dump_json, paint_for, telling, whole_number
from simfw.errors import UsageError

if TYPE_CHECKING:
    import argparse
    from collections.abc import Callable

    from simfw.commands._shared import Commands
    from simfw.conform.driving import Recorded
    from simfw.conform.firmware import Difference, Drive, Firmware
    from simfw.conform.outcome import Compared, Parted
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
            "conform gadget.toml --against ./mine --recording seen.vcd --map map.toml",
            "conform gadget.toml --against ./mine --vectors specification",
            "conform gadget.toml --against ./mine --no-vectors --examples 20",
            "conform gadget.toml --mutants 200",
        ],
    )
    add_gadget(parser)
    parser.add_argument("--against", metavar="PROGRAM", help="the firmware, compiled for this host")
    parser.add_argument(
        "--within", "--tolerance", metavar="TIME", default="0 s", help="allowed timing error [0 s]"
    )
    parser.add_argument(
        "--examples", type=whole_number, default=100, metavar="N",
        help="random stimulus lists after the vectors [100]",
    )  # fmt: skip
    which = parser.add_mutually_exclusive_group()
    which.add_argument("--no-vectors", action="store_true", help="leave the test vectors out")
    which.add_argument(
        "--vectors", metavar="FOLDER", type=Path,
        help="take the test vectors from a folder that `simfw spec` wrote [find them anew]",
    )  # fmt: skip
    add_seed(parser)
    parser.add_argument(
        "--also", metavar="SCENARIO", action="append", default=[],
        help="also run this scenario (may be repeated)",
    )  # fmt: skip
    parser.add_argument(
        "--recording", metavar="FILE", action="append", default=[], type=Path,
        help="a recording of the real thing (VCD, .sr or CSV) to drive it with as well (may be "
        "repeated)",
    )  # fmt: skip
    add_map(parser)
    parser.add_argument(
        "--witness", metavar="FILE", default=WITNESS,
        help=f"where the stimuli of a difference are saved as a scenario [{WITNESS}]",
    )  # fmt: skip
    add_json(parser)
    parser.add_argument(
        "--mutants", type=whole_number, default=0, metavar="N",
        help="also make N small faults in the rows, and tell which the vectors notice",
    )  # fmt: skip
    add_set(parser)


def conform(arguments: argparse.Namespace) -> int:
    """Drive, compare, report; 1 if the firmware parts from the model."""
    from simfw.commands._recordings import time_ns
    from simfw.conform.driving import kept_drives, vector_drives
    from simfw.conform.firmware import Firmware
    from simfw.conform.judged import judged
    from simfw.conform.outcome import outcome_json, outcome_text
    from simfw.engine.simulator import Prepared
    from simfw.loading import load_gadget
    from simfw.report.cautions import caution_block
    from simfw.writing import check_file

    if arguments.against is None and not arguments.mutants:
        raise UsageError("Name the firmware with --against PROGRAM, or ask for --mutants N.")
    if arguments.no_vectors and arguments.mutants:
        raise UsageError("--no-vectors: the faults of --mutants are held against the vectors.")
    if arguments.no_vectors and not (
            arguments.examples or arguments.also or arguments.recording):
        raise UsageError("--no-vectors, --examples 0: nothing is left to hold the firmware against."
                         " Allowed: --examples of 1 and more, --also, --recording.")
    if arguments.witness != WITNESS:
        check_file(arguments.witness)
    prepared = Prepared(load_gadget(arguments.gadget, settings_of(arguments)))
    # What may be wrong in files and at the firmware is told before the work begins.
    recorded = _recordings(prepared, arguments)
    others = [*_scenarios(prepared, arguments), *(one.drive for one in recorded)]
    firmware = None
    if arguments.against is not None:
        firmware = Firmware(arguments.against, within_ns=time_ns("--within", arguments.within))
        firmware.say_hello()
    vectors: list[Drive] = []
    said = [text for one in recorded for text in one.said]
    if arguments.vectors is not None:
        vectors, untold = kept_drives(arguments.vectors, prepared)
        said += untold
    elif not arguments.no_vectors:
        with telling("finding the test vectors"):
            vectors = vector_drives(prepared.gadget, prepared)
    compared = faults = None
    if firmware is not None:
        ticked, untold = _on_ticks(prepared, firmware, vectors)
        said += untold
        compared = _compared(prepared, firmware, ticked, others, arguments)
    if arguments.mutants:
        faults = judged(prepared, [*vectors, *others], arguments.mutants, seed=arguments.seed,
                        progress=_progress("mutants"))  # fmt: skip
    if arguments.no_vectors:
        said.append("The test vectors are left out: what only they show was not looked for.")
    if arguments.json:
        outcome = outcome_json(prepared.gadget.head.name, said, compared, faults)
        sys.stdout.write(dump_json(outcome))
    else:
        sys.stdout.write(outcome_text(said, compared, faults)
                         + caution_block(prepared.gadget, "conform", paint_for(sys.stdout)))
    return int(compared is not None and compared.parted is not None)


def _on_ticks(prepared: Prepared, firmware: Firmware, vectors: list[Drive]
              ) -> tuple[list[Drive], list[str]]:  # fmt: skip
    """The vectors as a firmware that counts in ticks gets them, and what is to be said of that."""
    from simfw.conform.driving import on_ticks_of
    from simfw.quantity import format_duration

    if firmware.tick_ns <= 1:
        return vectors, []
    made = on_ticks_of(firmware.tick_ns, vectors, prepared)
    kept = {drive.name for drive in made}
    gone = [drive.name for drive in vectors if drive.name not in kept]
    said = [f"Vectors left out: {', '.join(gone)}. With each act at a whole tick of "
            f"{format_duration(firmware.tick_ns)}, what the firmware has to do cannot be told."]
    return made, said if gone else []


def _compared(prepared: Prepared, firmware: Firmware, vectors: list[Drive], others: list[Drive],
              arguments: argparse.Namespace) -> Compared:  # fmt: skip
    """The firmware driven with all of it, and then at random."""
    from simfw.conform.driving import gaps_of, inputs_of
    from simfw.conform.firmware import compare, random_difference, shrunk
    from simfw.conform.outcome import Compared

    gadget = prepared.gadget
    drives = [*vectors, *others]
    fair = [drive for drive in drives if not (drive.exact and firmware.within_ns)]
    found = compare(firmware, fair, _progress("vectors"))
    if found is not None:
        found = shrunk(firmware, found, prepared.system, prepared.circuit, gadget.segments)
    else:
        found = random_difference(
            firmware, prepared.system, prepared.circuit, gadget.segments,
            inputs_of(gadget, prepared.circuit), gaps_of(gadget),
            examples=arguments.examples, seed=arguments.seed,
        )  # fmt: skip
    return Compared(
        drives=fair, recordings=len(arguments.recording), random_lists=arguments.examples,
        kinds=tuple(sorted(firmware.told | {"out"})), within_ns=firmware.within_ns,
        tick_ns=firmware.tick_ns, host_only=len(drives) - len(fair),
        parted=None if found is None else _parted(prepared, found, arguments.witness),
    )  # fmt: skip


def _parted(prepared: Prepared, found: Difference, witness: str) -> Parted:
    """The difference with where the model was; what led to it is saved."""
    from simfw.conform.driving import scenario_of
    from simfw.conform.outcome import Parted
    from simfw.conform.placed import placed
    from simfw.stimuli.scenario import write_scenario

    scenario = scenario_of(prepared.gadget, found)
    if scenario is not None:
        write_scenario(scenario, Path(witness))
    return Parted(found=found, placed=placed(prepared, found),
                  witness=None if scenario is None else witness)  # fmt: skip


def _progress(what: str) -> Callable[[int, int], None] | None:
    """Progress on a terminal only."""
    if not sys.stderr.isatty():
        return None

    def show(done: int, total: int) -> None:
        print(f"\r{what}: {done} of {total} ", end="", file=sys.stderr, flush=True)

    return show


def _scenarios(prepared: Prepared, arguments: argparse.Namespace) -> list[Drive]:
    """The scenarios as drives: each read as it stands, and then with the gadget that the firmware
    is held against, which it may not fit.
    """
    from simfw.conform.driving import scenario_drive
    from simfw.loading import load_scenario
    from simfw.vectors.build import Rehearsal

    for path in arguments.also:
        load_scenario(path)
    scenarios = [
        (path, load_scenario(path, settings_of(arguments), gadget=arguments.gadget))
        for path in arguments.also
    ]
    model = Rehearsal(prepared)
    return [scenario_drive(model, path, scenario) for path, scenario in scenarios]


def _recordings(prepared: Prepared, arguments: argparse.Namespace) -> list[Recorded]:
    """The recordings as drives, with what is to be said about them."""
    from simfw.commands._recordings import observed_in
    from simfw.conform.driving import recorded_drive
    from simfw.stimuli.recording.mapfile import read_map
    from simfw.vectors.build import Rehearsal
    from simfw.verify.replay import Options

    if arguments.map is not None and not arguments.recording:
        raise UsageError("--map belongs to a recording: give that with --recording.")
    model = Rehearsal(prepared)
    found = []
    for path in arguments.recording:
        mapped = None if arguments.map is None else read_map(arguments.map)
        observed, mapped = observed_in(path, mapped, prepared.gadget, arguments.gadget)
        options = Options(start=mapped.start,
                          charge=mapped.begins_at(prepared.gadget))
        found.append(recorded_drive(prepared, model, observed, options))
    return found
