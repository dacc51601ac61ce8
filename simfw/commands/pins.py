"""`simfw pins`: every pin of the controller in every power state."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

from simfw.commands._options import add_gadget, add_json
from simfw.commands._setting import add_set, answer, as_written, settings_of
from simfw.commands._shared import add_command, paint_for

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
        fails="a limit is broken",
        summary="check every pin: levels, limits, injected current, back-powering",
        examples=["pins scenarios/larder-lamp/gadget.toml", "pins gadget.toml --json"],
    )
    add_gadget(parser)
    add_json(parser)
    add_set(parser)


def run(arguments: argparse.Namespace) -> int:
    """Check the pins and print the report; 1 if a limit is broken."""
    from simfw.circuit.pins import check_pins
    from simfw.loading import load_gadget
    from simfw.report.pins import pins_json, pins_text

    settings = settings_of(arguments)
    gadget = load_gadget(arguments.gadget, settings)
    report = check_pins(gadget)

    def other() -> dict[str, Any]:
        gadget = load_gadget(arguments.gadget)
        return pins_json(gadget, check_pins(gadget))

    sys.stdout.write(answer(
        pins_json(gadget, report), lambda: pins_text(gadget, report, paint_for(sys.stdout)),
        as_written(settings, other), as_json=arguments.json,
    ))
    return int(bool(report.faults))
