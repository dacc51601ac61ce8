"""`simfw sweep`: vary one or two figures of the gadget and compare."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

from simfw.commands._options import add_json, add_plot, required
from simfw.commands._setting import add_set, settings_of
from simfw.commands._shared import add_command, dump_json, paint_for
from simfw.commands._study import add_study_options, means
from simfw.preferred import SERIES

if TYPE_CHECKING:
    import argparse

    from simfw.commands._shared import Commands
    from simfw.life.sweep import Sweep

RANK = 32


def register(commands: Commands) -> None:
    """Add `sweep` to the command line."""
    parser = add_command(
        commands,
        "sweep",
        run,
        summary="vary one or two values and compare battery life with missed waves",
        examples=[
            'sweep household.toml --vary "proximity.wave.every=50 ms..500 ms:6"',
            'sweep home.toml --vary lights.lamp.resistor=15R..47R --plot days.png',
        ],
    )
    parser.add_argument("pattern", metavar="PATTERN", help="a pattern file (TOML)")
    required(parser).add_argument(
        "--vary", metavar="KEY=FROM..TO[:N]", action="append", required=True,
        help="a figure of the gadget file and the values it takes, N of them [7] (may be given "
        "twice)",
    )
    parser.add_argument(
        "--series", choices=SERIES, default=SERIES[0],
        help=f"preferred values that resistors between the ends take [{SERIES[0]}]",
    )
    add_study_options(parser)
    add_plot(parser, "the trade-off")
    add_json(parser)
    add_set(parser)


def run(arguments: argparse.Namespace) -> int:
    """Simulate each design, print the comparison, draw it if asked."""
    from simfw.errors import UsageError
    from simfw.life.kept import study_of
    from simfw.life.sweep import read_vary, sweep
    from simfw.loading import load_pattern
    from simfw.report.drawing import check_ending

    if arguments.plot is not None:
        check_ending(arguments.plot)
    if len(arguments.vary) > 2:
        raise UsageError("--vary may be given once or twice.")
    pattern = load_pattern(arguments.pattern, settings_of(arguments))
    assert pattern.gadget is not None
    varied = [read_vary(text, pattern.gadget, series=arguments.series) for text in arguments.vary]
    if len({vary.key for vary in varied}) < len(varied):
        raise UsageError("--vary: the same figure twice.")
    users, seed = arguments.users, arguments.seed
    with means(
        arguments, lambda: study_of(pattern, users, seed, command="sweep", varied=varied)
    ) as by:
        found = sweep(
            pattern, varied, users=users, seed=seed, workers=by.workers, kept=by.kept,
            progress=by.bar.show,
        )
    if arguments.plot is not None:
        from simfw.report.sweep_plot import write_sweep_plot

        write_sweep_plot(found, arguments.plot)
    if arguments.json:
        sys.stdout.write(dump_json(_json(found)))
    else:
        sys.stdout.write(_text(found))
    return 0


def _json(found: Sweep) -> dict[str, Any]:
    gadget = found.pattern.gadget
    assert gadget is not None
    return {
        "format": 1,
        "title": found.pattern.title,
        "gadget": gadget.head.name,
        "users": found.users,
        "seed": found.seed,
        "keys": list(found.keys),
        "points": [
            {
                "values": list(point.values),
                "texts": list(point.texts),
                "days_between_charges": None if point.percentiles is None else {
                    "p10": point.percentiles[0],
                    "p50": point.percentiles[1],
                    "p90": point.percentiles[2],
                    "error": point.error_days,
                },
                "missed_wave_share": point.missed_wave_share,
                "response_s": point.response_s,
                "best": point.best,
                "within_share": point.within_share,
            }
            for point in found.points
        ],
    }


def _text(found: Sweep) -> str:
    from simfw.quantity import format_rough_time
    from simfw.report.cautions import caution_block
    from simfw.report.spans import ADDED_UP, span_of, within
    from simfw.report.sweep_plot import goals_of
    from simfw.report.text import columns, heading

    paint = paint_for(sys.stdout)
    goals = goals_of(found)
    days = span_of(found.pattern).days
    rows = [(*found.keys, days, "P10 .. P90", *(goal.column for goal in goals), "")]
    for point in found.points:
        days = spread = "none"
        if point.percentiles is not None:
            low, middle, high = (format_rough_time(86_400.0 * q) for q in point.percentiles)
            days, spread = middle, f"{low} .. {high}"
        rows.append(
            (*point.texts, days, spread, *(goal.text(point) for goal in goals),
             "*" if point.best else "")
        )
    *others, last = ["more days", *(goal.better for goal in goals)]
    better = f"{', '.join(others)} and {last}" if others else last
    lines = [
        paint(heading(found.pattern.gadget, found.pattern.title), "head"),
        f"{found.users} users, seed {found.seed}",
        "",
        *columns(rows),
        "",
        f"* of the designs tried, no other has {better}",
    ]
    off = [point.within_share for point in found.points if point.within_share is not None]
    if off and (told := within(max(off))):
        lines.append(f"{told}: {ADDED_UP}")
    assert found.pattern.gadget is not None
    return "\n".join(lines) + "\n" + caution_block(
        found.pattern.gadget, "sweep", paint, varied=found.keys)
