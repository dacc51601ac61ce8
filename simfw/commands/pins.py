"""`simfw pins`: every pin of the controller in every power state."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

from simfw.commands._shared import add_command, dump_json, paint_for

if TYPE_CHECKING:
    import argparse

    from simfw.commands._shared import Commands

RANK = 36


def register(commands: Commands) -> None:
    """Add `pins` to the command line."""
    parser = add_command(
        commands,
        "pins",
        run,
        summary="check every pin: levels, limits, injected current, back-powering",
        examples=["pins scenarios/larder-lamp/gadget.toml", "pins gadget.toml --json"],
    )
    parser.add_argument("gadget", metavar="GADGET", help="a gadget file (TOML)")
    parser.add_argument("--json", action="store_true", help="print JSON instead of text")


def run(arguments: argparse.Namespace) -> int:
    """Check the pins and print the report; 1 if a limit is broken."""
    from simfw.circuit.pins import check_pins
    from simfw.loading import load_gadget
    from simfw.report.pins import pins_json, pins_text

    gadget = load_gadget(arguments.gadget)
    report = check_pins(gadget)
    if arguments.json:
        sys.stdout.write(dump_json(pins_json(gadget, report)))
    else:
        sys.stdout.write(pins_text(gadget, report, paint_for(sys.stdout)))
    return int(bool(report.faults))
