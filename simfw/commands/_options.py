"""Arguments and options that several commands have: one name, one wording, one form of a default.

A default stands in square brackets at the end of a help text.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from simfw.commands._shared import whole_number

if TYPE_CHECKING:
    import argparse

__all__ = [
    "RECORDED",
    "add_gadget",
    "add_json",
    "add_map",
    "add_output",
    "add_plot",
    "add_recording",
    "add_seed",
    "add_wanted_gadget",
    "required",
]

RECORDED = "gadget file of a recording"


def add_gadget(parser: argparse.ArgumentParser) -> None:
    """Add GADGET, the file that a command is about."""
    parser.add_argument("gadget", metavar="GADGET", help="a gadget file (TOML)")


def add_recording(parser: argparse.ArgumentParser) -> None:
    """Add RECORDING, the file that a command is about."""
    parser.add_argument("recording", type=Path, metavar="RECORDING",
                        help="a recording (VCD, .sr or CSV)")


def add_wanted_gadget(parser: argparse.ArgumentParser) -> None:
    """Add `--gadget` where a recording stands in the place of the gadget, and a map may name it."""
    parser.add_argument("--gadget", type=Path, metavar="GADGET",
                        help=f"{RECORDED} [the one that the map names]")


def add_map(parser: argparse.ArgumentParser) -> None:
    """Add `--map`, which says what the wires of a recording are."""
    parser.add_argument("--map", type=Path, metavar="MAP",
                        help="map file of a recording [none: its wires have the gadget's names]")


def add_json(parser: argparse.ArgumentParser) -> None:
    """Add `--json`."""
    parser.add_argument("--json", action="store_true", help="print JSON instead of text")


def add_plot(parser: argparse.ArgumentParser, what: str) -> None:
    """Add `--plot`, which draws `what`."""
    parser.add_argument("--plot", metavar="FILE", help=f"draw {what} into a .png, .svg or .pdf")


def add_seed(parser: argparse.ArgumentParser, default: int | None = 0) -> None:
    """Add `--seed`; None as the default where a scenario may say it."""
    told = "0" if default is not None else "that of the scenario, or 0"
    parser.add_argument("--seed", type=whole_number, default=default, metavar="N",
                        help=f"random seed [{told}]")


def required(parser: argparse.ArgumentParser) -> argparse._ArgumentGroup:
    """The part of the help for what has a name like an option and must be given."""
    group = parser.add_argument_group("required")
    groups = parser._action_groups
    groups.insert(1, groups.pop())  # after the arguments, before the options
    return group


def add_output(parser: argparse.ArgumentParser, more: str = "") -> None:
    """Add `-o FOLDER`, which must be given."""
    required(parser).add_argument("-o", "--output", metavar="FOLDER", required=True,
                                  help=f"the folder to write into{more}")
