"""Plots of a study over users: its spread, a week's heat strip, what it depends on.

Colours as in `report.drawing`; the heat strip uses a scale of even lightness ("cividis"), made for
colour-blind eyes. matplotlib is imported inside the functions.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from simfw.report.drawing import (
    BLUE,
    GREEN,
    ORANGE,
    RED,
    SKY,
    WIDTH_IN,
    format_days,
    in_si,
    roomy,
    write_figure,
)
from simfw.report.spans import span_of
from simfw.report.text import heading

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from simfw.life.life import Life

__all__ = ["life_figure", "write_life_plot"]

DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
WIDE = 8.0  # days that differ by more are drawn in ratio
FEWEST_ROWS = 4
ALIKE = 1e-6  # days that differ by less (a share) are one bar
SHOWN = 8  # contributors with a bar of their own


def write_life_plot(found: Life, path: str | Path) -> None:
    """Draw a study into `path`, as PNG, SVG or PDF by its ending, whole or not at all."""
    write_figure(path, lambda: life_figure(found))


def life_figure(found: Life) -> Figure:
    """The whole picture of a study as a matplotlib figure."""
    from matplotlib.figure import Figure as NewFigure

    figure = NewFigure(figsize=(WIDTH_IN, 9.6), layout=roomy())
    figure.suptitle(
        f"{heading(found.pattern.gadget, found.pattern.title)}   "
        f"({found.users} users, seed {found.seed})",
        fontweight="bold",
    )
    axes = figure.subplots(3, 1, height_ratios=[3.2, 2.6, 3.0])
    _draw_days(axes[0], found)
    _draw_week(axes[1], found, figure)
    _draw_shares(axes[2], found)
    return figure


def _draw_days(axes: Axes, found: Life) -> None:
    from matplotlib.ticker import LogLocator, MaxNLocator

    span = span_of(found.pattern)
    axes.set_title(f"{span.days}, one count per user", loc="left")
    axes.set_xlabel(span.days)
    axes.set_ylabel("users")
    days = found.days[~np.isnan(found.days)]
    if found.percentiles is None or len(days) == 0:
        axes.text(0.5, 0.5, found.why.get("days_between_charges", ""), ha="center",
                  transform=axes.transAxes)
        return
    low, high = float(days.min()), float(days.max())
    if high - low > ALIKE * high:
        count = min(40, max(8, len(days) // 8))
        wide = low > 0 and high > WIDE * low
        bins = np.geomspace(low, high, count + 1) if wide else np.linspace(low, high, count + 1)
        axes.hist(days, bins=bins.tolist(), color=SKY, edgecolor="white")
        if wide:
            axes.set_xscale("log")
            axes.xaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
            axes.xaxis.set_major_formatter("{x:g}")
            axes.xaxis.set_minor_formatter("")
    else:
        count = found.users if len(found.days) == 1 else len(days)  # one stands for all, or each
        axes.bar([low], [count], width=0.02 * low, color=SKY)
        axes.set_xlim(0.8 * low, 1.2 * low)
    if axes.get_xscale() == "linear":
        axes.ticklabel_format(axis="x", useOffset=False, style="plain")
    axes.yaxis.set_major_locator(MaxNLocator(integer=True))
    for value, name, style in zip(
        found.percentiles, ("P10", "median", "P90"), (":", "-", "--"), strict=True
    ):
        axes.axvline(value, color=BLUE, linestyle=style, label=f"{name} {format_days(value)}")
    if found.corners_days is not None:
        worst, best = found.corners_days
        if np.isfinite(best):
            axes.axvspan(worst, best, color=RED, alpha=0.12, linewidth=0, zorder=0,
                         label="worst to best parts, typical users: "
                         f"{format_days(worst)} to {format_days(best)}")
    axes.legend(loc="upper right", framealpha=0.8, edgecolor="none")


def _draw_week(axes: Axes, found: Life, figure: Figure) -> None:
    from matplotlib.colors import LogNorm
    from matplotlib.ticker import FixedLocator, LogLocator

    axes.set_title("a week: mean current in each quarter of an hour, over all users", loc="left")
    axes.grid(visible=False)
    axes.set_yticks(range(7), DAYS)
    axes.set_xticks(range(0, 97, 12), [f"{hour}" for hour in range(0, 25, 3)])
    axes.set_xlabel("time of day (h)")
    axes.set_ylabel("day of the week")
    heat = np.array(found.heat_a)
    if heat.size == 0 or heat.max() <= 0:
        return
    grid = heat.reshape(7, 96)
    least = max(grid[grid > 0].min(), 1e-4 * grid.max())
    drawn = axes.imshow(
        np.maximum(grid, least), aspect="auto", cmap="cividis", interpolation="nearest",
        norm=LogNorm(vmin=least * 0.999, vmax=grid.max()), extent=(0, 96, 6.5, -0.5),
    )
    bar = figure.colorbar(drawn, ax=axes, pad=0.01)
    bar.set_label("mean current")
    if grid.max() > 2 * least:
        bar.ax.yaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
    else:  # too flat for round figures: its ends
        bar.ax.yaxis.set_major_locator(FixedLocator([least, grid.max()]))
    bar.ax.yaxis.set_major_formatter(in_si("A"))
    bar.ax.yaxis.set_minor_formatter("")


def _draw_shares(axes: Axes, found: Life) -> None:
    axes.set_title("what the spread of the days depends on", loc="left")
    shown = [one for one in found.contributors if one.share >= 0.005][:SHOWN]
    if not shown:
        axes.text(0.5, 0.5, "not shown: needs more users, and figures with a range or habits "
                  "that are drawn", ha="center", transform=axes.transAxes)
        axes.set_axis_off()
        return
    names = [one.name for one in shown][::-1]
    shares = [100.0 * one.share for one in shown][::-1]
    people = [name in ("habits", "day to day") for name in names]
    axes.barh(names, shares, color=[ORANGE if one else GREEN for one in people],
              hatch=["////" if one else "" for one in people], edgecolor="white", linewidth=0.0)
    axes.set_ylim(min(-0.6, len(shown) - FEWEST_ROWS - 0.4), len(shown) - 0.4)
    for row, share in enumerate(shares):
        axes.text(share, row, f" {share:.0f} %", va="center")
    axes.set_xlabel("share of the variance (%): parts green, people orange and hatched")
    axes.grid(visible=False, axis="y")
