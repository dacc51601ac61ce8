"""The panels of a run that have no time axis: who used the charge, and the discharge curve.

matplotlib is imported inside the functions.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from simfw.quantity import format_percent, format_si
from simfw.report.drawing import (
    BLACK,
    BLUE,
    FAINT,
    GREEN,
    ORANGE,
    PURPLE,
    RED,
    in_volts,
    spread,
    title,
)
from simfw.report.time_panels import levels_v

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from simfw.circuit.circuit import Circuit, LoadSet
    from simfw.engine.run import Run

__all__ = ["draw_discharge", "draw_shares"]

FEWEST_ROWS = 5  # rows that the consumers have room for; fewer make no thicker bars
SHOWN_LOADS = 3  # load sets that get a curve of their own in the discharge plot


def draw_shares(axis: Axes, run: Run) -> None:
    """What each consumer used of the charge, in the whole run."""
    uses = sorted((use for use in run.consumers if use.charge_c > 0), key=lambda use: use.charge_c)
    total = run.charge_used_c
    names = [use.name for use in uses]
    shares = [use.charge_c / total for use in uses]
    axis.barh(names, [100 * share for share in shares], color=BLUE, height=0.65)
    for row, (use, share) in enumerate(zip(uses, shares, strict=True)):
        text = f"{format_si(use.charge_c / 3600, 'Ah')}, {format_percent(share, 2)}"
        axis.annotate(
            text,
            (100 * share, row),
            xytext=(4, 0),
            textcoords="offset points",
            va="center",
            fontsize=8,
        )
    axis.set_xlim(0, 100 * max(shares, default=1) * 1.45)
    axis.set_ylim(min(-0.6, len(uses) - FEWEST_ROWS - 0.4), len(uses) - 0.4)
    axis.set_xticks([tick for tick in axis.get_xticks() if tick <= 100])
    axis.grid(visible=False, axis="y")
    axis.set_xlabel("share of the charge used (%)")
    title(axis, "who used the charge")


def draw_discharge(axis: Axes, run: Run, circuit: Circuit) -> None:
    """Voltage against charge: open-circuit, under the main loads, and where the run lies."""
    charge = np.linspace(0.0, 1.0, 401)
    open_v = circuit.open_circuit_v(charge)
    axis.plot(100 * charge, open_v, color=FAINT, linewidth=1.4, label="open-circuit")
    styles = zip((BLACK, ORANGE, PURPLE), ("-", "--", "-."), strict=True)
    for (loads, name), (colour, dash) in zip(_main_loads(run), styles, strict=False):
        solved = circuit.solve(loads, charge)
        axis.plot(
            100 * charge, solved.voltage_v, color=colour, linestyle=dash, linewidth=1.2, label=name
        )
    bottom = _bottom_v(run, float(open_v[0]))
    top = float(open_v[-1]) + 0.03
    _shade_bars(axis, run, bottom, top)
    labels = [(name, level) for name, level in levels_v(run) if bottom < level < top]
    places = spread([level for _, level in labels], (top - bottom) / 16)
    for (name, level), place in zip(labels, places, strict=True):
        axis.axhline(level, color=RED, linewidth=0.9, linestyle=":")
        axis.annotate(
            f"{name} {level:.2f} V",
            (0.015, place),
            xycoords=("axes fraction", "data"),
            va="center",
            fontsize=8,
            color=RED,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.5, "alpha": 0.8},
        )
    _mark_run(axis, run)
    axis.set_xlim(100, 0)
    axis.set_ylim(bottom, top)
    axis.set_xlabel("charge of the cell (%)")
    axis.yaxis.set_major_formatter(in_volts())
    title(axis, "discharge curve" + (" and the bars it shows" if _thresholds(run) else ""))


def _bottom_v(run: Run, empty_v: float) -> float:
    levels = [level for _, level in levels_v(run)]
    return max(empty_v, min([*levels, *_thresholds(run)], default=empty_v) - 0.25)


def _thresholds(run: Run) -> list[float]:
    gauge = run.gadget.gauge
    if gauge is None or gauge.method != "voltage":
        return []
    return [threshold.value for threshold in gauge.thresholds]


def _shade_bars(axis: Axes, run: Run, bottom: float, top: float) -> None:
    edges = [bottom, *_thresholds(run), top]
    count = len(edges) - 2
    if count == 0:
        return
    centres = [(low + high) / 2 for low, high in pairwise(edges)]
    for bars, place in enumerate(spread(centres, (top - bottom) / 16)):
        low, high = edges[bars], edges[bars + 1]
        axis.axhspan(
            low, high, color=GREEN, alpha=0.04 + 0.20 * bars / count, linewidth=0, zorder=0
        )
        since = "" if bars == 0 else f", from {low:.2f} V"
        axis.annotate(
            f"{bars} bar{'' if bars == 1 else 's'}{since}",
            (1.01, place),
            xycoords=("axes fraction", "data"),
            va="center",
            fontsize=8,
            annotation_clip=False,
        )


def _mark_run(axis: Axes, run: Run) -> None:
    ends = (
        (run.start_charge, run.intervals[0].voltage_v, "o", "start"),
        (run.end_charge, run.end_voltage_v, "s", "end"),
    )
    for charge, volts, marker, name in ends:
        axis.plot(
            [100 * charge],
            [volts],
            marker,
            color=BLUE,
            markersize=7,
            label=f"{name} of the run",
            linestyle="none",
            zorder=5,
            clip_on=False,
        )


def _main_loads(run: Run) -> list[tuple[LoadSet, str]]:
    """The load sets that used the most charge from the cell, heaviest first, with what is on."""
    used: dict[LoadSet, float] = {}
    for part in run.intervals:
        if part.loads.charger == "off" and part.loads.drives and part.cycles == 0:
            length = part.end_ns - part.start_ns
            used[part.loads] = used.get(part.loads, 0.0) + length * sum(part.consumers_a)
    chosen = sorted(used, key=lambda loads: -used[loads])
    named: dict[str, LoadSet] = {}
    for loads in chosen:
        named.setdefault(_name_of(run, loads), loads)
    return [(loads, name) for name, loads in list(named.items())[:SHOWN_LOADS] if name]


def _name_of(run: Run, loads: LoadSet) -> str:
    """The lights and loads that are on, with their levels; the same for equal looks of a sensor."""
    words = []
    for name, duty, segments in loads.drives:
        if name not in run.outputs or (name in run.gadget.lights and segments >= 0):
            continue
        words.append(name if duty >= 1 else f"{name} {format_percent(duty, 2)}")
    return ", ".join(words) + (" on" if words else "")
