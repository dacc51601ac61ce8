"""`simfw check`: what can never happen, what can, and how."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING

from simfw.commands._options import add_gadget, add_json, add_seed
from simfw.commands._setting import add_set, answer, as_written, refuse_beside, settings_of
from simfw.commands._shared import add_command, paint_for

if TYPE_CHECKING:
    from collections.abc import Callable

    from simfw.commands._shared import Commands
    from simfw.gadget.model import Gadget
    from simfw.verify.finding import Report

RANK = 45


def register(commands: Commands) -> None:
    """Add `check` to the command line."""
    parser = add_command(
        commands,
        "check",
        run,
        fails="a fault was found",
        summary="find design faults and state changes that must never happen",
        examples=[
            "check scenarios/larder-lamp/gadget.toml",
            "check gadget.toml --rules extra-rules.toml --witness witnesses/",
            "check gadget.toml --without press-unanswered --effort 10 --json",
        ],
    )
    add_gadget(parser)
    parser.add_argument("--rules", metavar="FILE", help="a file with further [[rules]]")
    add_json(parser)
    add_set(parser)
    parser.add_argument(
        "--witness", metavar="DIR",
        help="write a scenario, a list and a timeline of each broken rule into DIR",
    )
    parser.add_argument(
        "--effort", type=_above_0, default=1.0, metavar="N",
        help="how many times the usual work to do [1]",
    )
    parser.add_argument(
        "--seconds", type=_above_0, metavar="N",
        help="also stop after this time, and say so; how far that gets depends on the machine",
    )
    add_seed(parser)
    parser.add_argument(
        "--without", action="append", default=[], metavar="CHECK",
        help="leave a built-in check out (may be repeated)",
    )
    parser.add_argument(
        "--only", action="append", default=[], metavar="CHECK",
        help="make only this built-in check (may be repeated)",
    )


def _above_0(text: str) -> float:
    """An argument that must be a number above 0."""
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 0 < value < 1e9:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number above 0")
    return value


def run(arguments: argparse.Namespace) -> int:
    """Check the gadget, write witnesses, print the report; 1 if there are faults."""
    import time

    from simfw.loading import load_gadget
    from simfw.report.cautions import caution_block
    from simfw.verify.check import check_gadget
    from simfw.verify.output import report_json, report_text, write_witnesses
    from simfw.verify.rulefile import read_rules
    from simfw.writing import check_folder

    settings = settings_of(arguments)
    refuse_beside(settings, "--witness", arguments.witness)
    if arguments.witness is not None:
        check_folder(arguments.witness)
    gadget = load_gadget(arguments.gadget, settings)

    def checked(gadget: Gadget) -> Report:
        rules = () if arguments.rules is None else read_rules(arguments.rules, gadget)
        return check_gadget(
            gadget, clock=time.monotonic, rules=rules, seconds=arguments.seconds,
            effort=arguments.effort, seed=arguments.seed, without=tuple(arguments.without),
            only=tuple(arguments.only), progress=_progress(),
        )

    report = checked(gadget)
    if arguments.witness is not None:
        write_witnesses(gadget, report, arguments.witness)
    paint = paint_for(sys.stdout)
    sys.stdout.write(answer(
        report_json(report, arguments.witness),
        lambda: report_text(report, paint, arguments.witness)
        + caution_block(gadget, "check", paint),
        as_written(settings, lambda: report_json(checked(load_gadget(arguments.gadget)), None)),
        as_json=arguments.json,
    ))
    return int(bool(report.faults))


def _progress() -> Callable[[str], None]:
    """What shows how far the check is: on a terminal only."""
    if not sys.stderr.isatty():
        return lambda _text: None
    return lambda text: print(f"\r\x1b[K{text} ...", end="\r", file=sys.stderr, flush=True)
