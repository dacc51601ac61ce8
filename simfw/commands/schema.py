"""`simfw schema`: the JSON Schema of a kind of file, for TOML editors."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

from simfw.commands._shared import add_command, dump_json

if TYPE_CHECKING:
    import argparse

    from simfw.commands._shared import Commands

RANK = 7


def register(commands: Commands) -> None:
    """Add `schema` to the command line."""
    parser = add_command(
        commands,
        "schema",
        run,
        summary="write the JSON Schema of a kind of file, for editors",
        examples=["schema gadget -o gadget.schema.json", "schema scenario"],
    )
    parser.add_argument("kind", metavar="KIND",
                        help="the kind of file: gadget, scenario, pattern, map or bench-log")
    parser.add_argument("-o", "--output", metavar="FILE", type=Path,
                        help="write the schema to FILE [printed]")


def run(arguments: argparse.Namespace) -> int:
    """Print or write the schema."""
    from simfw.schema import schema_of
    from simfw.writing import write_whole

    text = dump_json(schema_of(arguments.kind))
    if arguments.output is None:
        sys.stdout.write(text)
    else:
        write_whole(arguments.output, text)
    return 0
