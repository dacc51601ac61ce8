"""`simfw new`: a commented gadget folder to start from."""

from __future__ import annotations

import shlex
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING

from simfw.commands._shared import add_command
from simfw.errors import UsageError
from simfw.writing import write_folder

if TYPE_CHECKING:
    import argparse

    from simfw.commands._shared import Commands

RANK = 5
FILES = ("README.md", "first-evening.toml", "gadget.toml")
MARK = "@TITLE@"


def register(commands: Commands) -> None:
    """Add `new` to the command line."""
    parser = add_command(
        commands,
        "new",
        new,
        summary="make a commented gadget folder to start from",
        examples=["new porch-light", "run porch-light/first-evening.toml"],
    )
    parser.add_argument("name", metavar="NAME", help="the folder to make; it must not exist")


def new(arguments: argparse.Namespace) -> int:
    """Make the folder and say what to do next."""
    folder = Path(arguments.name)
    name = folder.name
    if not name or not all(letter.isalnum() or letter in " -_." for letter in name):
        raise UsageError(
            f'"{arguments.name}" cannot be the name of a gadget folder. '
            "Allowed: letters, digits, space, hyphen, underscore, dot."
        )
    if folder.exists() or folder.is_symlink():
        raise UsageError(f"{folder} exists already; nothing was written.")
    words = name.replace("-", " ").replace("_", " ").strip()
    title = words[:1].upper() + words[1:]
    template = resources.files("simfw.commands") / "template"
    write_folder(
        folder,
        {
            file: (template / file).read_text(encoding="utf-8").replace(MARK, title)
            for file in FILES
        },
    )
    print(f"Made {folder} with {', '.join(FILES)}.")
    print(f"Next: simfw run {shlex.quote(str(folder / 'first-evening.toml'))}")
    return 0
