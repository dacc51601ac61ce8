"""Plots of a study over users: its spread, a week's heat strip, what it hangs on, trade-offs.

Colours as in `report.plots`; the heat strip uses a scale of even lightness ("cividis"), made for
colour-blind eyes. matplotlib is imported inside the functions.
"""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from simfw.report.plots import BLUE, GREEN, ORANGE, RED, SKY, STYLE, WIDTH_IN, check_ending
from simfw.writing import write_whole

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from simfw.life.life import Life
    from simfw.life.sweep import Sweep

__all__ = ["life_figure", "sweep_figure", "write_life_plot", "write_sweep_plot"]

DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
SHOWN = 8  # contributors with a bar of their own


def write_life_plot(found: Life, path: str | Path) -> None:
    """Draw a study into `path`, as PNG, SVG or PDF by its ending, whole or not at all."""
    _write(path, lambda: life_figure(found))


def write_sweep_plot(found: Sweep, path: str | Path) -> None:
    """Draw a sweep into `path`, as PNG, SVG or PDF by its ending, whole or not at all."""
    _write(path, lambda: sweep_figure(found))


def _write(path: str | Path, draw: Any) -> None:
    ending = check_ending(path)
    import matplotlib

    stream = io.BytesIO()
    with matplotlib.rc_context(STYLE):
        # No date and no program version inside: the same study gives the same bytes.
        metadata = {"png": {"Software": None}, "svg": {"Date": None}, "pdf": {"CreationDate": None}}
        draw().savefig(stream, format=ending, dpi=130, metadata=metadata[ending])
    write_whole(path, stream.getvalue())


def life_figure(found: Life) -> Figure:
    """The whole picture of a study as a matplotlib figure."""
    from matplotlib.figure import Figure as NewFigure

    gadget = found.pattern.gadget
    assert gadget is not None
    figure = NewFigure(figsize=(WIDTH_IN, 9.6), layout="constrained")
    figure.suptitle(
        f"{gadget.head.name}: {found.pattern.title}   ({found.users} users, seed {found.seed})",
        fontweight="bold",
    )
    axes = figure.subplots(3, 1, height_ratios=[3.2, 2.6, 3.0])
    _draw_days(axes[0], found)
    _draw_week(axes[1], found, figure)
    _draw_shares(axes[2], found)
    return figure


def _draw_days(axes: Axes, found: Life) -> None:
    axes.set_title("days between charges, one count per user", loc="left")
    axes.set_xlabel("days between charges")
    axes.set_ylabel("users")
    days = found.days[~np.isnan(found.days)]
    if found.percentiles is None or len(days) == 0:
        axes.text(0.5, 0.5, found.why.get("days_between_charges", ""), ha="center",
                  transform=axes.transAxes)
        return
    if np.ptp(days) > 0:
        axes.hist(days, bins=min(40, max(8, len(days) // 8)), color=SKY, edgecolor="white")
    else:
        axes.bar(days[:1], [found.users], width=0.02 * days[0], color=SKY)
    for value, name, style in zip(
        found.percentiles, ("P10", "median", "P90"), (":", "-", "--"), strict=True
    ):
        axes.axvline(value, color=BLUE, linestyle=style, label=f"{name} {value:.3g} days")
    if found.corners_days is not None:
        for value, name in zip(found.corners_days, ("worst", "best"), strict=True):
            if np.isfinite(value):
                axes.axvline(value, color=RED, linewidth=0.8, linestyle="-.",
                             label=f"{name} parts {value:.3g} days")
    axes.legend(loc="upper right", frameon=False)


def _draw_week(axes: Axes, found: Life, figure: Figure) -> None:
    from matplotlib.colors import LogNorm

    axes.set_title("a week: mean current in each quarter of an hour, over all users", loc="left")
    axes.grid(visible=False)
    axes.set_yticks(range(7), DAYS)
    axes.set_xticks(range(0, 97, 12), [f"{hour}:00" for hour in range(0, 25, 3)])
    axes.set_xlabel("time of day")
    heat = 1e3 * np.array(found.heat_a)
    if heat.size == 0 or heat.max() <= 0:
        return
    grid = heat.reshape(7, 96)
    least = max(grid[grid > 0].min(), 1e-4 * grid.max())
    drawn = axes.imshow(
        np.maximum(grid, least), aspect="auto", cmap="cividis", interpolation="nearest",
        norm=LogNorm(vmin=least * 0.999, vmax=grid.max()), extent=(0, 96, 6.5, -0.5),
    )
    bar = figure.colorbar(drawn, ax=axes, pad=0.01)
    bar.set_label("mean current (mA)")


def _draw_shares(axes: Axes, found: Life) -> None:
    axes.set_title("what the spread of the days hangs on", loc="left")
    shown = [one for one in found.contributors if one.share >= 0.005][:SHOWN]
    if not shown:
        axes.text(0.5, 0.5, "nothing is drawn at random" if not found.contributors else "",
                  ha="center", transform=axes.transAxes)
        axes.set_axis_off()
        return
    names = [one.name for one in shown][::-1]
    shares = [100.0 * one.share for one in shown][::-1]
    axes.barh(names, shares, color=[ORANGE if n in ("habits", "day to day") else GREEN
                                    for n in names])
    for row, share in enumerate(shares):
        axes.text(share, row, f" {share:.0f} %", va="center")
    axes.set_xlabel("share of the variance (%): parts green, people orange")
    axes.grid(visible=False, axis="y")


def sweep_figure(found: Sweep) -> Figure:
    """The trade-off of a sweep as a matplotlib figure."""
    from matplotlib.figure import Figure as NewFigure

    gadget = found.pattern.gadget
    assert gadget is not None
    waves = any(point.missed_wave_share is not None for point in found.points)
    figure = NewFigure(figsize=(WIDTH_IN, 5.2), layout="constrained")
    figure.suptitle(f"{gadget.head.name}: {found.pattern.title}", fontweight="bold")
    panels = figure.subplots(1, 2 if waves else 1, squeeze=False)[0]
    _draw_vary(panels[0], found)
    if waves:
        _draw_trade(panels[1], found)
    return figure


def _draw_vary(axes: Axes, found: Sweep) -> None:
    first = found.keys[0]
    axes.set_xlabel(first)
    axes.set_ylabel("days between charges (median; bars: P10 to P90)")
    others = sorted({point.values[1:] for point in found.points})
    colours = (BLUE, ORANGE, GREEN, RED, SKY)
    for number, other in enumerate(others):
        line = [p for p in found.points if p.values[1:] == other and p.percentiles is not None]
        if not line:
            continue
        spots = range(len(line))
        low, middle, high = zip(*(p.percentiles for p in line if p.percentiles), strict=True)
        axes.errorbar(
            spots, middle,
            yerr=[np.subtract(middle, low), np.subtract(high, middle)],
            color=colours[number % len(colours)], marker="os^Dv"[number % 5], capsize=3,
            label=", ".join(line[0].texts[1:]),
        )
        axes.set_xticks(list(spots), [p.texts[0] for p in line], rotation=45, ha="right")
    if len(found.keys) > 1:
        axes.legend(title=found.keys[1], frameon=False)


def _draw_trade(axes: Axes, found: Sweep) -> None:
    axes.set_xlabel("waves missed (%)")
    axes.set_ylabel("days between charges (median)")
    for point in found.points:
        if point.percentiles is None or point.missed_wave_share is None:
            continue
        x, y = 100.0 * point.missed_wave_share, point.percentiles[1]
        axes.plot(x, y, "o" if point.best else "x", color=BLUE if point.best else RED)
        axes.annotate(", ".join(point.texts), (x, y), xytext=(4, 4), textcoords="offset points")
    axes.plot([], [], "o", color=BLUE, label="nothing else is better in both")
    axes.plot([], [], "x", color=RED, label="another is better")
    axes.legend(frameon=False)
