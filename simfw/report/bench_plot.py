"""`simfw narrow --plot`: what was known of each unknown before, what is left, what was reached."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from simfw.report.bench_log import answers_text, end_text
from simfw.report.drawing import BLUE, FAINT, REST, STYLE, WIDTH_IN, write_figure

if TYPE_CHECKING:
    from pathlib import Path

    from matplotlib.figure import Figure

    from simfw.benchlog.narrowing import Interval, Narrowed

__all__ = ["narrowed_figure", "write_narrowed_plot"]

MOST = 12  # combinations that are drawn
ROW_IN = 0.45


def narrowed_figure(found: Narrowed) -> Figure:
    """Each unknown from its low end to its high one: over all, then by combination."""
    import matplotlib.pyplot as plt

    log = found.log
    rivals = found.possible[:MOST] if len(found.possible) > 1 else ()
    rows = [
        (unknown, name, interval)
        for k, unknown in enumerate(log.unknowns)
        for name, interval in [
            (unknown.key, found.intervals[k]),
            *((f"  {answers_text(log, one.combination)}", one.intervals[k]) for one in rivals),
        ]
    ] if found.intervals else []
    with plt.rc_context(STYLE):
        figure, axes = plt.subplots(
            figsize=(WIDTH_IN, 1.2 + ROW_IN * max(len(rows), 1)), layout="constrained")
        for row, (unknown, _, interval) in enumerate(rows):
            low, high = unknown.share(interval.low), unknown.share(interval.high)
            axes.barh(row, 1.0, color=REST, height=0.7)
            axes.barh(row, high - low, left=low, color=BLUE, height=0.4)
            for value in _reached(interval):
                axes.plot([unknown.share(value)] * 2, [row - 0.3, row + 0.3], color="black", lw=1)
            axes.text(-0.01, row, end_text(unknown, unknown.low), ha="right", va="center",
                      color=FAINT, fontsize=8)
            axes.text(1.01, row, f"{end_text(unknown, unknown.high)}   left: "
                      f"{end_text(unknown, interval.low, -1)} .. "
                      f"{end_text(unknown, interval.high, 1)}",
                      ha="left", va="center", fontsize=8)
        axes.set_yticks(range(len(rows)), [name for _, name, _ in rows])
        axes.tick_params(axis="y", pad=60)
        axes.set_xticks([])
        axes.set_xlim(0.0, 1.0)
        axes.invert_yaxis()
        axes.grid(visible=False)
        axes.set_title("grey: before; blue: what is left; black: reached by a run that fits"
                       if rows else "nothing fits what was observed", fontsize=9)
    return figure


def _reached(interval: Interval) -> list[float]:
    return [value for value in (interval.low_reached, interval.high_reached)
            if math.isfinite(value)]


def write_narrowed_plot(found: Narrowed, path: str | Path) -> None:
    """Draw it into a file (.png, .svg or .pdf)."""
    write_figure(path, lambda: narrowed_figure(found))
