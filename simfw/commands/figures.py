"""`simfw figures`: every figure of a gadget file and where it comes from."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

from simfw.commands._options import add_gadget, add_json
from simfw.commands._shared import add_command, dump_json, paint_for

if TYPE_CHECKING:
    import argparse

    from simfw.commands._shared import Commands

RANK = 33


def register(commands: Commands) -> None:
    """Add `figures` to the command line."""
    parser = add_command(
        commands,
        "figures",
        run,
        summary="list every figure of a gadget file and where it comes from",
        examples=["figures scenarios/larder-lamp/gadget.toml",
                  "figures gadget.toml --without-origin"],
    )
    add_gadget(parser)
    parser.add_argument("--without-origin", action="store_true",
                        help="only the figures that do not say where they come from")
    add_json(parser)


def run(arguments: argparse.Namespace) -> int:
    """List the figures."""
    from simfw.loading import load_gadget
    from simfw.report.figures import figures_json, figures_text

    gadget = load_gadget(arguments.gadget)
    only = arguments.without_origin
    if arguments.json:
        sys.stdout.write(dump_json(figures_json(gadget, without_origin=only)))
    else:
        sys.stdout.write(figures_text(gadget, paint_for(sys.stdout), without_origin=only))
    return 0
