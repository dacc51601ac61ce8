"""`simfw narrow --plot` and `simfw next --plot`.

What was known of each unknown before, what is left, what was reached, and which pairs trade off;
what each experiment takes and tells, and what the explanations predict of the first.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from simfw.report.bench_log import answers_text, end_text, measured_text
from simfw.report.drawing import BLUE, FAINT, REST, STYLE, WIDTH_IN, write_figure

if TYPE_CHECKING:
    from pathlib import Path

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from simfw.benchlog.experiments import Experiment, NextResult
    from simfw.benchlog.narrowed import Interval, Narrowed, RivalResult, Together

__all__ = ["narrowed_figure", "next_figure", "write_narrowed_plot", "write_next_plot"]

MOST = 12  # combinations that are drawn
MOST_PAIRS = 3  # figures that trade off, side by side
MOST_NUMBERED = 12  # experiments
ROW_IN = 0.45
PAIR_IN = 2.6


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
    pairs = [(rival, pair) for rival in found.possible for pair in rival.together][:MOST_PAIRS]
    height_in = 1.2 + ROW_IN * max(len(rows), 1)
    with plt.rc_context(STYLE):
        figure = plt.figure(
            figsize=(WIDTH_IN, height_in + (PAIR_IN if pairs else 0.0)), layout="constrained")
        grid = figure.add_gridspec(
            2, max(len(pairs), 1), height_ratios=[height_in, PAIR_IN]) if pairs else None
        axes = figure.add_subplot() if grid is None else figure.add_subplot(grid[0, :])
        for n, (rival, pair) in enumerate(pairs):
            assert grid is not None
            _draw_pair(figure.add_subplot(grid[1, n]), found, rival, pair)
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


def _draw_pair(
    axes: Axes, found: Narrowed, rival: RivalResult, pair: Together
) -> None:
    """Two figures that trade off: runs that fit, and the band in which both lie together."""
    one, two = (next(u for u in found.log.unknowns if u.key == key) for key in pair.keys)
    left = {part.key: part for part in rival.intervals}
    spans = [(left[u.key].low, left[u.key].high) for u in (one, two)]
    (low, high), (bottom, top) = spans
    xs = [low + (high - low) * n / 60 for n in range(61)]

    def other(x: float, made: float) -> float:
        second = {"sum": made - x, "ratio": x / made, "product": made / x}[pair.kind]
        return min(max(second, bottom), top)

    axes.fill_between(xs, [other(x, pair.low) for x in xs], [other(x, pair.high) for x in xs],
                      color=BLUE, alpha=0.3, lw=0)
    axes.plot([p[one.key] for p in rival.fitting], [p[two.key] for p in rival.fitting],
              "o", color="black", ms=3)
    for mark, unknown, span in (("x", one, spans[0]), ("y", two, spans[1])):
        getattr(axes, f"set_{mark}ticks")(span, [end_text(unknown, v) for v in span])
        getattr(axes, f"set_{mark}label")(unknown.key, fontsize=8)
        axes.tick_params(axis=mark, labelsize=8)  # type: ignore[arg-type]
    who = f" if {answers_text(found.log, rival.combination)}" if len(found.possible) > 1 else ""
    axes.set_title(f"trade off{who}; dots: runs that fit", fontsize=8)


def next_figure(found: NextResult) -> Figure:
    """Bits against the time at the bench, by number; then what is predicted of the first."""
    import matplotlib.pyplot as plt

    log = found.narrowed.log
    looks = found.experiments[:MOST_NUMBERED]
    bands = looks[0].predictions[:MOST] if looks else ()
    names_in = 0.22 * len(looks)
    with plt.rc_context(STYLE):
        figure, (axes, below) = plt.subplots(
            2, 1, figsize=(WIDTH_IN, 3.6 + names_in + ROW_IN * max(len(bands), 1)),
            height_ratios=[3.0, 0.6 + ROW_IN * max(len(bands), 1)], layout="constrained")
        for n, one in enumerate(looks, 1):
            axes.plot([one.minutes], [one.bits], "o", color=BLUE, ms=5)
            axes.annotate(str(n), (one.minutes, one.bits), xytext=(5, 4),
                          textcoords="offset points", fontsize=8)
        if looks:
            axes.set_xscale("log")
            axes.xaxis.set_major_formatter("{x:g}")
            axes.set_ylim(0.0, 1.15 * max(one.bits for one in looks))
        axes.set_xlabel("time at the bench (min)")
        axes.set_ylabel("what it tells (bits)")
        axes.set_title("\n".join(f"{n}: {one.name}" for n, one in enumerate(looks, 1))
                       or "nothing in the library tells anything", fontsize=8, loc="left")
        if looks:
            _draw_bands(below, looks[0], [answers_text(log, one.combination) for one in bands])
        else:
            below.set_axis_off()
    return figure


def _draw_bands(axes: Axes, look: Experiment, names: list[str]) -> None:
    """What each explanation predicts: a band of readings, with how well they are read in grey."""
    for row, one in enumerate(look.predictions[: len(names)]):
        said = " or ".join(one.sights)
        if one.low is not None and one.high is not None:
            axes.barh(row, one.high - one.low + 2 * look.blur, left=one.low - look.blur,
                      color=REST, height=0.7)
            axes.barh(row, one.high - one.low, left=one.low, color=BLUE, height=0.4)
            axes.plot([one.low, one.high], [row, row], "|", color="black")
            ends = dict.fromkeys(measured_text(v, look.unit) for v in (one.low, one.high))
            said = " or ".join([" .. ".join(ends), *one.sights])
        axes.annotate(said, (1.0, row), xycoords=("axes fraction", "data"), xytext=(-4, 0),
                      textcoords="offset points", ha="right", va="center", fontsize=8)
    axes.set_yticks(range(len(names)), names)
    axes.tick_params(axis="y", labelsize=8)
    axes.set_ylim(len(names) - 0.5, -0.5)
    axes.set_xticks([])
    axes.margins(x=0.35)
    axes.grid(visible=False)
    axes.set_title(f"1: {look.name}: what is predicted; grey: as well as it is read"
                   if look.unit else f"1: {look.name}: what is predicted", fontsize=8)


def write_next_plot(found: NextResult, path: str | Path) -> None:
    """Draw it into a file (.png, .svg or .pdf)."""
    write_figure(path, lambda: next_figure(found))


def _reached(interval: Interval) -> list[float]:
    return [value for value in (interval.low_reached, interval.high_reached)
            if math.isfinite(value)]


def write_narrowed_plot(found: Narrowed, path: str | Path) -> None:
    """Draw it into a file (.png, .svg or .pdf)."""
    write_figure(path, lambda: narrowed_figure(found))
