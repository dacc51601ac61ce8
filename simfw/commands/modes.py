"""`simfw modes`: what a gadget draws at rest, in each combination of its states."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING, Any

from simfw.commands._options import add_gadget, add_json
from simfw.commands._setting import add_set, answer, as_written, settings_of
from simfw.commands._shared import add_command, paint_for
from simfw.errors import QuantityError

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
        ],
    )
    add_gadget(parser)
    parser.add_argument(
        "--charge",
        type=_share,
        default=1.0,
        metavar="SHARE",
        help="charge of the cell at which the current is read, such as 50 %% [100 %%]",
    )
    add_json(parser)
    add_set(parser)


def modes(arguments: argparse.Namespace) -> int:
    """Print the modes; 1 if a meter's reading does not agree, or an instant would have no end."""
    from simfw.behaviour.build import build_system
    from simfw.behaviour.cycles import zero_time_loops
    from simfw.engine.modes import survey
    from simfw.loading import load_gadget
    from simfw.report.modes import modes_json, modes_text

    settings = settings_of(arguments)
    gadget = load_gadget(arguments.gadget, settings)
    found = survey(gadget, charge=arguments.charge)
    loops = zero_time_loops(build_system(gadget))
    value = modes_json(gadget, found, loops)

    def other() -> dict[str, Any]:
        gadget = load_gadget(arguments.gadget)
        return modes_json(gadget, survey(gadget, charge=arguments.charge),
                          zero_time_loops(build_system(gadget)))

    sys.stdout.write(answer(
        value, lambda: modes_text(gadget, found, paint_for(sys.stdout), loops),
        as_written(settings, other), as_json=arguments.json,
    ))
    readings = [reading for mode in value["modes"] for reading in mode["readings"]]
    return int(
        bool(found.restless or loops) or any(one["agrees"] is False for one in readings)
    )


def _share(text: str) -> float:
    """A share of the cell's charge, 0 % to 100 %."""
    from simfw.quantity import RATIO, read_number

    try:
        share = read_number(text, RATIO)
    except QuantityError as error:
        raise argparse.ArgumentTypeError(str(error)) from None
    if not 0.0 <= share <= 1.0:
        raise argparse.ArgumentTypeError(f"{text} is not between 0 % and 100 %")
    return share
