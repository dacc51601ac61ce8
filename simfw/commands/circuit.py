"""`simfw circuit`: lights, infra-red, charging and gauge of a gadget at a glance."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING, Any

from simfw.commands._options import add_gadget, add_json, add_plot
from simfw.commands._setting import add_set, answer, as_written, settings_of
from simfw.commands._shared import add_command, paint_for
from simfw.errors import QuantityError, UsageError

if TYPE_CHECKING:
    from simfw.circuit.overview import Overview
    from simfw.commands._shared import Commands
    from simfw.gadget.model import Gadget

RANK = 35

_WAVE_S = 0.15


def register(commands: Commands) -> None:
    """Add `circuit` to the command line."""
    parser = add_command(
        commands,
        "circuit",
        run,
        summary="currents, run times, infra-red range, charge time and what the bars mean",
        examples=[
            "circuit scenarios/larder-lamp/gadget.toml",
            "circuit gadget.toml --wave '80 ms' --plot circuit.png",
        ],
    )
    add_gadget(parser)
    parser.add_argument(
        "--wave", type=_seconds, default=None, metavar="TIME",
        help="length of the wave whose chance of being seen is told [150 ms]",
    )  # fmt: skip
    add_plot(parser, "current and light against the cell")
    add_json(parser)
    add_set(parser)


def _seconds(text: str) -> float:
    from simfw.quantity import read_ns

    try:
        return read_ns(text, positive=True) * 1e-9
    except QuantityError as error:
        raise argparse.ArgumentTypeError(f"{text!r}: {error}") from None


def run(arguments: argparse.Namespace) -> int:
    """Compute the overview, write the plot if asked for, print the report."""
    from simfw.circuit.overview import overview
    from simfw.engine.modes import light_run_times
    from simfw.engine.prepared import Prepared
    from simfw.engine.untouched import charge_from_empty
    from simfw.loading import load_gadget
    from simfw.report.circuit import circuit_json, circuit_text
    from simfw.report.drawing import check_ending

    if arguments.plot is not None:
        check_ending(arguments.plot)
    settings = settings_of(arguments)
    gadget = load_gadget(arguments.gadget, settings)
    if arguments.wave is not None and not gadget.proximity:
        raise UsageError(f"--wave asks what a proximity sensor sees, and {arguments.gadget} has "
                         "no [proximity.NAME].")

    def seen(gadget: Gadget) -> Overview:
        prepared = Prepared(gadget)
        times = light_run_times(gadget, prepared=prepared)
        return overview(
            gadget, wave_s=_WAVE_S if arguments.wave is None else arguments.wave,
            run_times={name: ({**mode.states, **mode.outside}, mode.dials, time)
                       for name, (mode, time) in times.items()},
            charging=None if gadget.charger is None else charge_from_empty(prepared),
        )

    def other() -> dict[str, Any]:
        gadget = load_gadget(arguments.gadget)
        return circuit_json(gadget, seen(gadget))

    found = seen(gadget)
    if arguments.plot is not None:
        from simfw.report.circuit_plot import write_circuit_plot

        write_circuit_plot(gadget, arguments.plot)
    sys.stdout.write(answer(
        circuit_json(gadget, found), lambda: circuit_text(gadget, found, paint_for(sys.stdout)),
        as_written(settings, other), as_json=arguments.json,
    ))
    return 0
