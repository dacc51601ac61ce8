"""`simfw modes`: what a gadget draws at rest, in each combination of its states."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING, Any

from simfw.commands._options import add_gadget, add_json
from simfw.commands._setting import add_set, answer, as_written, settings_of
from simfw.commands._shared import add_command, paint_for

if TYPE_CHECKING:
    from simfw.commands._shared import Commands

RANK = 20


def register(commands: Commands) -> None:
    """Add `modes` to the command line."""
    parser = add_command(
        commands,
        "modes",
        modes,
        fails="a reading does not agree or a mode never rests",
        summary="current in each steady state, compared with your meter readings",
        examples=[
            "modes scenarios/larder-lamp/gadget.toml",
            "modes gadget.toml --charge '50 %'",
            "modes gadget.toml --charge '3.9 V'",
        ],
    )
    add_gadget(parser)
    parser.add_argument(
        "--charge",
        default="100 %",
        metavar="CHARGE",
        help='charge of the cell at which the current is read, or its voltage at rest ("3.9 V") '
             '[100 %%]',
    )
    add_json(parser)
    add_set(parser)


def modes(arguments: argparse.Namespace) -> int:
    """Print the modes; 1 if a meter's reading does not agree, or an instant would have no end."""
    from simfw.behaviour.build import build_system
    from simfw.behaviour.cycles import zero_time_loops
    from simfw.commands._charge import charge_option
    from simfw.engine.modes import survey
    from simfw.loading import load_gadget
    from simfw.report.modes import modes_json, modes_text

    charge_option(arguments.charge, None)
    settings = settings_of(arguments)
    gadget = load_gadget(arguments.gadget, settings)
    found = survey(gadget, charge=charge_option(arguments.charge, gadget))
    loops = zero_time_loops(build_system(gadget))
    value = modes_json(gadget, found, loops)

    def other() -> dict[str, Any]:
        gadget = load_gadget(arguments.gadget)
        charge = charge_option(arguments.charge, gadget)
        return modes_json(gadget, survey(gadget, charge=charge),
                          zero_time_loops(build_system(gadget)))

    sys.stdout.write(answer(
        value, lambda: modes_text(gadget, found, paint_for(sys.stdout), loops),
        as_written(settings, other), as_json=arguments.json,
    ))
    readings = [reading for mode in value["modes"] for reading in mode["readings"]]
    return int(
        bool(found.restless or loops) or any(one["agrees"] is False for one in readings)
    )
