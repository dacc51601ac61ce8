"""Plots of a run: its timeline, insets of its gestures, the consumers' shares, the discharge curve.

matplotlib is imported inside the functions.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from simfw.behaviour.build import build_system
from simfw.engine.ticking import ticking_groups
from simfw.quantity import format_duration, format_si
from simfw.report.drawing import WIDTH_IN, write_figure
from simfw.report.stretches import (
    Burst,
    Lane,
    View,
    bursts,
    input_lanes,
    joined,
    stays,
    view,
)
from simfw.report.text import heading
from simfw.report.time_panels import (
    LANE_IN,
    Palette,
    draw_bars,
    draw_current,
    draw_inputs,
    draw_lights,
    draw_states,
    draw_voltage,
    mark_bursts,
    palette_of,
    state_legend,
)
from simfw.report.total_panels import draw_discharge, draw_shares

if TYPE_CHECKING:
    from matplotlib.figure import Figure, SubFigure

    from simfw.circuit.circuit import Circuit
    from simfw.engine.run import Run

__all__ = ["run_figure", "write_plot"]

MOST_INSETS = 4
LETTERS = "ABCDEFGH"


def write_plot(
    run: Run, circuit: Circuit, path: str | Path, *, from_ns: int | None = None,
    to_ns: int | None = None,
) -> None:
    """Draw the run into `path`, as PNG, SVG or PDF by its ending, whole or not at all.

    `from_ns` and `to_ns` are where the time axis begins and ends (ns; the run's ends where None).
    Raises UsageError for another ending or where the file cannot be written.
    """
    write_figure(path, lambda: run_figure(run, circuit, from_ns=from_ns, to_ns=to_ns))


def run_figure(
    run: Run, circuit: Circuit, *, from_ns: int | None = None, to_ns: int | None = None
) -> Figure:
    """The whole picture of a run as a matplotlib figure; `from_ns`, `to_ns` as in `write_plot`."""
    from matplotlib.figure import Figure as NewFigure

    shown = view(run, circuit, from_ns, to_ns)
    lanes = input_lanes(run)
    palettes = _palettes(run)
    outputs = [name for number, name in enumerate(run.outputs) if _is_lit(shown, number)]
    found, said = _insets(run, shown)
    zoomed = [(letter, view(run, circuit, burst.start_ns, burst.end_ns, zero_ns=burst.first_ns))
              for letter, burst in found]
    most = 0 if run.gadget.gauge is None else len(run.gadget.gauge.thresholds)
    heights = [
        LANE_IN * (max(len(lanes), 1) + bool(found)) + 0.15,
        LANE_IN * len(palettes) + 0.15,
        LANE_IN * max(len(outputs), 1) + 0.15,
        1.7,
        1.3,
        *([0.8] if most else []),
    ]
    parts = [sum(heights) + 0.8, 3.9]
    detail = _Detail(run, zoomed, lanes, palettes)
    if zoomed:
        parts.insert(1, sum(detail.heights) + 1.0)
    figure = NewFigure(figsize=(WIDTH_IN, sum(parts) + 0.4), layout="constrained")
    cost = f"{format_duration(run.duration_ns)}, {format_si(run.average_current_a, 'A')} on average"
    whole = (shown.start_ns, shown.end_ns) == (run.start_ns, run.end_ns)
    if not whole:
        cost += (f"; drawn: {format_duration(shown.start_ns)} to {format_duration(shown.end_ns)}")
    figure.suptitle(f"{heading(run.gadget, run.scenario.title)}   ({cost})", fontweight="bold")
    upper, *middle, lower = figure.subfigures(len(parts), 1, height_ratios=parts,
                                              squeeze=False)[:, 0]
    axes = upper.subplots(len(heights), 1, sharex=True, height_ratios=heights, squeeze=False)[:, 0]
    groups = joined(shown)
    draw_inputs(axes[0], lanes, shown)
    mark_bursts(axes[0], found, shown)
    nameless = draw_states(axes[1], run, palettes, shown)
    draw_lights(axes[2], run, outputs, shown)
    draw_current(axes[3], groups, shown)
    draw_voltage(axes[4], run, circuit, groups, shown)
    if most:
        draw_bars(axes[5], groups, shown, most)
    axes[-1].set_xlabel(shown.label)
    axes[-1].set_xlim(shown.at(shown.start_ns), shown.at(shown.end_ns))
    axes[-1].ticklabel_format(axis="x", useOffset=False, style="plain")
    if zoomed:
        detail.draw(middle[0], said)
    state_legend(axes[1], palettes, nameless)
    if not whole:
        lower.suptitle("of the whole run", fontsize=9)
    left, right = lower.subplots(1, 2, width_ratios=[1, 1.5])
    draw_shares(left, run)
    draw_discharge(right, run, circuit)
    handles, labels = right.get_legend_handles_labels()
    lower.legend(handles, labels, loc="outside lower right", ncols=3, frameon=False, fontsize=8)
    return figure


def _palettes(run: Run) -> dict[str, Palette]:
    names = [*(["charge"] if "charge" in run.regions else []), *run.gadget.behaviour]
    behaviour = [region for region in build_system(run.gadget).regions if region.name in names]
    ticking = ticking_groups(behaviour)
    return {name: palette_of(run, name, ticking.get(name, {})) for name in names}


def _is_lit(shown: View, place: int) -> bool:
    return any(
        part.levels[place] > 0 or any(one.levels[place] > 0 for one in part.parts)
        for part in shown.intervals
    )


def _insets(run: Run, shown: View) -> tuple[list[tuple[str, Burst]], str]:
    """The bursts that get an inset, with their letters, and what is said about the others.

    Where there are too many, the first of each kind comes before repetitions of a kind.
    """
    every = bursts(run, shown.start_ns, shown.end_ns)
    known: dict[tuple[str, ...], int] = {}
    turns = []
    for number, burst in enumerate(every):
        turns.append((known.setdefault(burst.kinds, 0), number))
        known[burst.kinds] += 1
    chosen = sorted(number for _, number in sorted(turns)[:MOST_INSETS])
    found = list(zip(LETTERS, (every[number] for number in chosen), strict=False))
    left = len(every) - len(found)
    said = "" if left == 0 else (f"{left} more burst{'' if left == 1 else 's'} of gestures "
                                 "not drawn here; --from and --to draw any time of the run")
    return found, said


class _Detail:
    """The insets: a column for each burst of gestures, on an axis of its own."""

    def __init__(
        self, run: Run, zoomed: Sequence[tuple[str, View]], lanes: Sequence[Lane],
        palettes: Mapping[str, Palette],
    ) -> None:
        self.run, self.zoomed = run, zoomed
        views = [one for _, one in zoomed]
        self.lanes = [lane for lane in lanes if any(_within(lane, one) for one in views)]
        self.palettes = {
            name: palette for name, palette in palettes.items()
            if any(len(stays(one.intervals, run.regions.index(name), palette.names)) > 1
                   for one in views)
        }
        self.outputs = [name for number, name in enumerate(run.outputs)
                        if any(_is_lit(one, number) for one in views)]
        rows = [len(self.lanes), len(self.palettes), len(self.outputs)]
        self.heights = [*(LANE_IN * max(count, 1) + 0.15 for count in rows), 1.0]

    def draw(self, figure: SubFigure, said: str) -> None:
        """Draw the columns, under what is `said` of bursts that have none."""
        axes = figure.subplots(len(self.heights), len(self.zoomed), sharex="col", sharey="row",
                               height_ratios=self.heights, squeeze=False)
        figure.suptitle("each burst of gestures, closer" + (f" ({said})" if said else ""),
                        fontsize=9, fontweight="bold")
        limits: list[float] = []
        for column, (letter, shown) in enumerate(self.zoomed):
            own = axes[:, column]
            draw_inputs(own[0], self.lanes, shown)
            draw_states(own[1], self.run, self.palettes, shown,
                        width_in=(WIDTH_IN - 2) / len(self.zoomed))
            draw_lights(own[2], self.run, self.outputs, shown)
            draw_current(own[3], joined(shown), shown)
            limits += own[3].get_ylim()
            for axis in own:
                axis.set_title("", loc="left")
                if legend := axis.get_legend():
                    legend.remove()
            own[0].set_title(f"{letter}: at {format_duration(shown.zero_ns)}", loc="left",
                             fontsize=9, fontweight="bold", pad=3)
            own[3].set_ylabel("mean current" if column == 0 else "")
            own[-1].set_xlabel(shown.label)
            own[-1].locator_params(axis="x", nbins=6)
            own[-1].set_xlim(shown.at(shown.start_ns), shown.at(shown.end_ns))
        axes[3, 0].set_ylim(min(limits), max(limits))


def _within(lane: Lane, shown: View) -> bool:
    return any(start < shown.end_ns and end >= shown.start_ns for start, end in lane[1])
