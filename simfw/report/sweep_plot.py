"""The trade-off of a sweep: days between charges against what was varied, and against its price.

Colours as in `report.drawing`. matplotlib is imported inside the functions.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from simfw.life.sweep import Point, Sweep
from simfw.quantity import format_percent, format_rough_time
from simfw.report.drawing import BLUE, GREEN, ORANGE, PURPLE, RED, WIDTH_IN, roomy, write_figure
from simfw.report.spans import span_of
from simfw.report.text import heading

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["Goal", "goals_of", "sweep_figure", "write_sweep_plot"]

COLOURS = (BLUE, ORANGE, GREEN, RED, PURPLE)
MARKERS = "os^Dv"
MOST_TICKS = 12
MOST_LINES = len(COLOURS)  # values of the second figure that get a colour of their own
PLACES = ((5, 5), (5, -12), (-5, 5), (-5, -12), (5, 17), (5, -24), (-5, 17), (-5, -24))


@dataclass(frozen=True, slots=True, kw_only=True)
class Goal:
    """Something besides days that a design is judged by; less is better."""

    column: str
    axis: str
    better: str
    value: Callable[[Point], float | None]
    text: Callable[[Point], str]


_WAVES = Goal(
    column="waves missed",
    axis="waves missed (%)",
    better="fewer waves missed",
    value=lambda p: None if p.missed_wave_share is None else 100.0 * p.missed_wave_share,
    text=lambda p: "" if p.missed_wave_share is None else format_percent(p.missed_wave_share),
)
_ANSWER = Goal(
    column="answer after",
    axis="mean time to an answer (ms)",
    better="a faster answer",
    value=lambda p: None if p.response_s is None else 1e3 * p.response_s,
    text=lambda p: "" if p.response_s is None else format_rough_time(p.response_s),
)


def goals_of(found: Sweep) -> list[Goal]:
    """What the designs of a sweep can be judged by besides days."""
    return [
        goal for goal in (_WAVES, _ANSWER)
        if any(goal.value(point) is not None for point in found.points)
    ]


def write_sweep_plot(found: Sweep, path: str | Path) -> None:
    """Draw a sweep into `path`, as PNG, SVG or PDF by its ending, whole or not at all."""
    write_figure(path, lambda: sweep_figure(found))


def sweep_figure(found: Sweep) -> Figure:
    """The trade-off of a sweep as a matplotlib figure."""
    from matplotlib.figure import Figure as NewFigure

    goals = goals_of(found)
    figure = NewFigure(figsize=(WIDTH_IN, 9.0 if goals else 5.2), layout=roomy())
    figure.suptitle(
        f"{heading(found.pattern.gadget, found.pattern.title)}   "
        f"({found.users} users, seed {found.seed})",
        fontweight="bold",
    )
    grid = figure.add_gridspec(2 if goals else 1, max(1, len(goals)))
    lines = _lines(found)
    first = figure.add_subplot(grid[0, :])
    _draw_vary(first, found, lines)
    trades = [figure.add_subplot(grid[1, column]) for column in range(len(goals))]
    for axes, goal in zip(trades, goals, strict=True):
        _draw_trade(axes, lines, goal, found)
    if trades:
        figure.draw_without_rendering()  # places are final now
        for axes, goal in zip(trades, goals, strict=True):
            _name_points(axes, found, goal)
    return figure


@dataclass(frozen=True, slots=True)
class _Line:
    """The designs with one value of the second figure (all, where one figure is varied)."""

    label: str
    colour: Any
    marker: str
    points: tuple[Point, ...]


def _lines(found: Sweep) -> list[_Line]:
    from matplotlib import colormaps

    seconds = list(dict.fromkeys(point.values[1:] for point in found.points))
    scale = colormaps["cividis"]
    lines = []
    for n, second in enumerate(seconds):
        points = tuple(point for point in found.points if point.values[1:] == second)
        few = len(seconds) <= MOST_LINES
        colour = COLOURS[n] if few else scale(n / (len(seconds) - 1))
        marker = MARKERS[n] if few else "o"
        lines.append(_Line(", ".join(points[0].texts[1:]), colour, marker, points))
    return lines


def _draw_vary(axes: Axes, found: Sweep, lines: Sequence[_Line]) -> None:
    axes.set_title("each design: median of the users, bars from P10 to P90", loc="left")
    axes.set_xlabel(found.keys[0])
    axes.set_ylabel(span_of(found.pattern).days)
    texts = list(dict.fromkeys(point.texts[0] for point in found.points))
    each = -(-len(texts) // MOST_TICKS)
    axes.set_xticks(range(0, len(texts), each), texts[::each])
    for n, line in enumerate(lines):
        # Beside each other, so that bars do not hide one another.
        shift = 0.15 * (n - (len(lines) - 1) / 2) / len(lines)
        drawn = [
            (spot + shift, *point.percentiles)
            for spot, point in enumerate(line.points) if point.percentiles is not None
        ]
        if drawn:
            spots, low, middle, high = (list(column) for column in zip(*drawn, strict=True))
            axes.errorbar(
                spots, middle, yerr=[[m - a for m, a in zip(middle, low, strict=True)],
                                     [b - m for b, m in zip(high, middle, strict=True)]],
                color=line.colour, marker=line.marker, capsize=3, linewidth=1.2,
                label=line.label,
            )
    axes.set_ylim(bottom=0.0)
    if len(found.keys) > 1:
        handles, labels = axes.get_legend_handles_labels()
        shown = -(-len(labels) // 8)
        axes.legend(handles[::shown], labels[::shown], title=found.keys[1], framealpha=0.8,
                    edgecolor="none")


def _draw_trade(axes: Axes, lines: Sequence[_Line], goal: Goal, found: Sweep) -> None:
    axes.set_title(f"filled: no other design is better\nbeside a mark: {found.keys[0]}", loc="left")
    axes.set_xlabel(goal.axis)
    axes.set_ylabel(f"{span_of(found.pattern).days} (median)")
    for line in lines:
        for point in line.points:
            place = _place(point, goal)
            if place is not None:
                axes.plot(*place, line.marker, markeredgecolor=line.colour, markersize=7,
                          markerfacecolor=line.colour if point.best else "white")
    axes.set_ylim(bottom=0.0)
    axes.margins(x=0.14)


def _place(point: Point, goal: Goal) -> tuple[float, float] | None:
    value = goal.value(point)
    return None if point.percentiles is None or value is None else (value, point.percentiles[1])


def _name_points(axes: Axes, found: Sweep, goal: Goal) -> None:
    """Write at designs what their first figure is, once for each value, where there is room.

    Colour and marker tell the second figure. The best designs come first, then those of most days.
    """
    from matplotlib.transforms import Bbox

    places = [(point, place) for point in found.points if (place := _place(point, goal))]
    spots: Any = axes.transData.transform([place for _, place in places]) if places else []
    taken = [Bbox.from_bounds(x - 5, y - 5, 10, 10) for x, y in spots]
    inside = axes.get_window_extent()
    named: set[str] = set()
    for point, place in sorted(places, key=lambda one: (not one[0].best, -one[1][1])):
        for right, up in PLACES if point.texts[0] not in named else ():
            text = axes.annotate(
                point.texts[0], place, xytext=(right, up), textcoords="offset points",
                ha="left" if right > 0 else "right", fontsize=8,
            )
            box = text.get_window_extent()
            within = inside.x0 <= box.x0 and box.x1 <= inside.x1 and box.y0 >= inside.y0
            if within and not any(box.overlaps(other) for other in taken):
                taken.append(box)
                named.add(point.texts[0])
                break
            text.remove()
