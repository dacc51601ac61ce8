"""`simfw source`: portable C99 for a replacement firmware."""

from __future__ import annotations

from typing import TYPE_CHECKING

from simfw.commands._shared import add_command

if TYPE_CHECKING:
    import argparse

    from simfw.commands._shared import Commands

RANK = 70


def register(commands: Commands) -> None:
    """Add the subcommand."""
    parser = add_command(
        commands,
        "source",
        run,
        summary="write portable C99 for a replacement firmware, with a harness for the host",
        examples=["source scenarios/larder-lamp/gadget.toml -o firmware"],
    )
    parser.add_argument("gadget", metavar="GADGET", help="the gadget file (TOML)")
    parser.add_argument(
        "-o",
        "--output",
        metavar="FOLDER",
        required=True,
        help="the folder to write into; it is made if it is not there",
    )


def run(arguments: argparse.Namespace) -> int:
    """Write the folder and say what it takes."""
    from simfw.behaviour.build import build_system
    from simfw.loading import load_gadget
    from simfw.report.source import source_files
    from simfw.report.source.bundle import gadget_plan
    from simfw.report.source.size import size_of
    from simfw.writing import write_folder

    gadget = load_gadget(arguments.gadget)
    system = build_system(gadget)
    write_folder(arguments.output, source_files(gadget, system))
    plan = gadget_plan(gadget, system)
    size = size_of(plan)
    print(
        f"Wrote {arguments.output}: {len(plan.regions)} regions, {len(plan.states)} states, "
        f"{len(plan.rows)} rows."
    )
    print(
        f"Tables {size.flash} bytes of flash, {size.memory} bytes of memory, the code on top. "
        "README.md there says what to fill in."
    )
    return 0
