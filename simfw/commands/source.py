"""`simfw source`: portable C99 for a replacement firmware."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from simfw.commands._options import add_gadget, add_output
from simfw.commands._shared import add_command
from simfw.errors import UsageError

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
        summary="write portable C99 for a replacement firmware",
        examples=["source scenarios/larder-lamp/gadget.toml -o firmware"],
    )
    add_gadget(parser)
    add_output(parser, "; a board.c or Makefile that was changed is left as it is")
    parser.add_argument(
        "--sizes", action="store_true",
        help="also say what the compilers that are installed make of it",
    )


def run(arguments: argparse.Namespace) -> int:
    """Write the folder and say what it takes."""
    from simfw.behaviour.build import build_system
    from simfw.loading import load_gadget
    from simfw.report.source import source_files
    from simfw.report.source.bundle import YOURS, gadget_plan
    from simfw.report.source.size import size_of
    from simfw.writing import write_folder

    gadget = load_gadget(arguments.gadget)
    system = build_system(gadget)
    folder = Path(arguments.output)
    files = source_files(gadget, system)
    _refuse_other_readme(folder)
    kept = [name for name in YOURS if _differs(folder / name, files[name])]
    write_folder(folder, {name: text for name, text in files.items() if name not in kept})
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
    if arguments.sizes:
        from simfw.report.source.compilers import sizes

        print("\n".join(sizes(files)))
    for name in kept:
        print(f"{folder / name} is yours and was left as it is.")
    return 0


def _differs(path: Path, text: str) -> bool:
    """Whether there is a file at `path` that says anything but `text`."""
    return path.is_file() and path.read_bytes() != text.encode("utf-8")


def _refuse_other_readme(folder: Path) -> None:
    """Raise UsageError where the folder has a README of another's: it would be lost."""
    found = folder / "README.md"
    if found.is_file() and b"Written out by simfw" not in found.read_bytes():
        raise UsageError(
            f"{found} was not written by simfw and would be lost: give a folder of its own."
        )
