"""Plots of a run: its timeline, the shares of the consumers, the discharge curve with the bars.

Colours are those of Okabe and Ito (*Color Universal Design*, 2008), chosen to stay apart for
colour-blind eyes; nothing is told by colour alone. matplotlib is imported inside the functions.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from itertools import groupby, pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from simfw.behaviour.build import build_system
from simfw.engine.ticking import ticking_groups
from simfw.errors import UsageError
from simfw.quantity import format_duration, format_percent, format_si
from simfw.report.text import heading
from simfw.stimuli.scenario import ChargerFault, Press, Temperature, Usb, Wave
from simfw.writing import check_file, write_whole

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.ticker import Formatter
    from numpy.typing import NDArray

    from simfw.behaviour.region import Region
    from simfw.circuit.circuit import Circuit, LoadSet
    from simfw.engine.run import Interval, Run

    Array = NDArray[np.float64]
    Ticking = dict[str, dict[str, frozenset[str]]]
    Groups = Sequence[Sequence[Interval]]

__all__ = ["FORMATS", "check_ending", "run_figure", "write_plot"]

FORMATS = ("pdf", "png", "svg")

BLACK, ORANGE, SKY, GREEN, YELLOW, BLUE, RED, PURPLE = (
    "#000000",
    "#E69F00",
    "#56B4E9",
    "#009E73",
    "#F0E442",
    "#0072B2",
    "#D55E00",
    "#CC79A7",
)
REST = "#D9D9D9"  # the state a region starts in
FAINT = "#8A8A8A"
STATE_COLOURS = (SKY, ORANGE, GREEN, PURPLE, YELLOW, BLUE, RED)

WIDTH_IN = 12.0
LANE_IN = 0.34
CHARACTER_IN = 0.085  # about the width of a character of the labels in the lanes
FLOOR_A = 1e-7  # lowest end of the current axis
FINEST = 1 / 1500  # share of the run below which stretches are joined for drawing
CURVE_POINTS = 400  # points of the voltage line over the whole charge
SHOWN_LOADS = 3  # load sets that get a curve of their own in the discharge plot

STYLE: dict[Any, Any] = {
    "font.size": 9.0,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "grid.color": "#E6E6E6",
    "grid.linewidth": 0.6,
    "svg.hashsalt": "simfw",  # the same run gives the same bytes
    "svg.fonttype": "none",
}

TIME_UNITS = ((3 * 86_400.0, 86_400.0, "days"), (3 * 3600.0, 3600.0, "h"), (180.0, 60.0, "min"))


def write_plot(run: Run, circuit: Circuit, path: str | Path) -> None:
    """Draw the run into `path`, as PNG, SVG or PDF by its ending, whole or not at all.

    Raises UsageError for another ending or where the file cannot be written.
    """
    ending = check_ending(path)
    import matplotlib

    stream = io.BytesIO()
    with matplotlib.rc_context(STYLE):
        figure = run_figure(run, circuit)
        # No date and no program version inside: the same run gives the same bytes.
        metadata = {"png": {"Software": None}, "svg": {"Date": None}, "pdf": {"CreationDate": None}}
        figure.savefig(stream, format=ending, dpi=130, metadata=metadata[ending])
    write_whole(path, stream.getvalue())


def check_ending(path: str | Path) -> str:
    """The format of a plot by the ending of its name.

    Raises UsageError for an unknown ending, and where the file cannot be written.
    """
    ending = Path(path).suffix.removeprefix(".").lower()
    if ending not in FORMATS:
        endings = ", ".join(f".{known}" for known in FORMATS)
        raise UsageError(f'Cannot draw "{path}": its name must end in one of {endings}.')
    check_file(path)
    return ending


def run_figure(run: Run, circuit: Circuit) -> Figure:
    """The whole picture of a run as a matplotlib figure."""
    from matplotlib.figure import Figure as NewFigure

    lanes = _input_lanes(run)
    regions = [*(["charge"] if "charge" in run.regions else []), *run.gadget.behaviour]
    outputs = [name for name in run.outputs if any(_levels(run, name))]
    heights = [
        LANE_IN * max(len(lanes), 1) + 0.15,
        LANE_IN * len(regions) + 0.15,
        LANE_IN * max(len(outputs), 1) + 0.15,
        1.7,
        1.3,
    ]
    if run.gadget.gauge is not None:
        heights.append(0.8)
    heights.append(3.4)
    figure = NewFigure(figsize=(WIDTH_IN, sum(heights) + 1.6), layout="constrained")
    cost = f"{format_duration(run.duration_ns)}, {format_si(run.average_current_a, 'A')} on average"
    title = heading(run.gadget, run.scenario.title)
    figure.suptitle(f"{title}   ({cost})", fontweight="bold")
    halves = [sum(heights[:-1]) + 0.8, heights[-1]]
    upper, lower = figure.subfigures(2, 1, height_ratios=halves, squeeze=False)[:, 0]
    axes = upper.subplots(
        len(heights) - 1, 1, sharex=True, height_ratios=heights[:-1], squeeze=False
    )[:, 0]
    scale, unit = _time_scale(run)
    intervals = _joined(run)
    _draw_inputs(axes[0], lanes, scale)
    behaviour = [region for region in build_system(run.gadget).regions if region.name in regions]
    ticking = ticking_groups(behaviour)
    _draw_states(axes[1], run, regions, ticking, scale)
    _draw_lights(axes[2], run, outputs, _blinking(behaviour, ticking), intervals, scale)
    _draw_current(axes[3], intervals, scale)
    _draw_voltage(axes[4], run, circuit, intervals, scale)
    if run.gadget.gauge is not None:
        _draw_bars(axes[5], run, intervals, scale)
    axes[-1].set_xlabel(f"time ({unit})")
    axes[-1].set_xlim(run.start_ns / scale, run.end_ns / scale)
    left, right = lower.subplots(1, 2, width_ratios=[1, 1.5])
    _draw_shares(left, run)
    _draw_discharge(right, run, circuit)
    return figure


def _time_scale(run: Run) -> tuple[float, str]:
    """Nanoseconds in the unit of the time axis, and its name."""
    seconds = run.duration_ns / 1e9
    for least, size, name in TIME_UNITS:
        if seconds >= least:
            return size * 1e9, name
    return 1e9, "s"


def _levels(run: Run, name: str) -> list[float]:
    place = run.outputs.index(name)
    return [part.levels[place] for part in run.intervals]


def _joined(run: Run) -> list[list[Interval]]:
    """The intervals in groups that are drawn as one: short ones together, long ones alone."""
    least = run.duration_ns * FINEST
    groups: list[list[Interval]] = []
    for part in run.intervals:
        long = part.end_ns - part.start_ns >= least
        if groups and not long and groups[-1][-1].end_ns - groups[-1][0].start_ns < least:
            groups[-1].append(part)
        else:
            groups.append([part])
    return groups


def _mean(group: Sequence[Interval], values: Sequence[float]) -> float:
    lengths = [part.end_ns - part.start_ns for part in group]
    total = sum(lengths)
    if total == 0:
        return values[0]
    return sum(value * length for value, length in zip(values, lengths, strict=True)) / total


Lane = tuple[str, list[tuple[int, int]]]


def _input_lanes(run: Run) -> list[Lane]:
    """What the outside did: a lane per button, sensor and USB, as (start, end) in ns."""
    spans: dict[str, list[tuple[int, int]]] = {}
    plugged: int | None = None
    for step in run.scenario.in_order():
        if isinstance(step, Press):
            spans.setdefault(step.button, []).append((step.at_ns, step.at_ns + step.for_ns))
        elif isinstance(step, Wave):
            name = f"hand at {step.sensor}"
            spans.setdefault(name, []).append((step.at_ns, step.at_ns + step.for_ns))
        elif isinstance(step, Usb):
            lane = spans.setdefault("USB", [])
            if step.present and plugged is None:
                plugged = step.at_ns
            elif not step.present and plugged is not None:
                lane.append((plugged, step.at_ns))
                plugged = None
        elif isinstance(step, ChargerFault):
            name = f"charger {'faulty' if step.present else 'well'} from here"
            spans.setdefault(name, []).append((step.at_ns, step.at_ns))
        elif isinstance(step, Temperature):
            name = f"{step.temperature_c:g} °C from here"
            spans.setdefault(name, []).append((step.at_ns, step.at_ns))
    if plugged is not None:
        spans["USB"].append((plugged, run.end_ns))
    return list(spans.items())


def _title(axis: Axes, text: str) -> None:
    axis.set_title(text, loc="left", fontsize=9, fontweight="bold", pad=3)


def _lane_axis(axis: Axes, names: Sequence[str], title: str) -> None:
    axis.set_ylim(len(names) - 0.45, -0.55)
    axis.set_yticks(range(len(names)), names)
    axis.grid(visible=False)
    axis.tick_params(axis="y", length=0)
    _title(axis, title)


def _draw_inputs(axis: Axes, lanes: Sequence[Lane], scale: float) -> None:
    _lane_axis(axis, [name for name, _ in lanes] or ["none"], "inputs")
    for row, (_, spans) in enumerate(lanes):
        axis.axhline(row, color=REST, linewidth=0.8, zorder=0)
        bars = [(start / scale, (end - start) / scale) for start, end in spans]
        axis.broken_barh(bars, (row - 0.3, 0.6), facecolors=BLUE, edgecolor="none")
        # A press is far too short to be seen as a bar on an axis of hours: mark where it begins.
        starts = [start / scale for start, _ in spans]
        axis.plot(
            starts,
            [row] * len(starts),
            "|",
            color=BLUE,
            markersize=11,
            markeredgewidth=1.6,
            clip_on=False,
        )


def _draw_states(
    axis: Axes, run: Run, regions: Sequence[str], ticking: Ticking, scale: float
) -> None:
    _lane_axis(axis, regions, "states")
    span = (run.end_ns - run.start_ns) / scale
    for row, region in enumerate(regions):
        place = run.regions.index(region)
        colours: dict[str, str] = {_starts(run, region): REST}
        names = {state: "/".join(sorted(group)) for state, group in ticking[region].items()}

        def named(part: Interval, place: int = place, names: dict[str, str] = names) -> str:
            return names.get(part.states[place], part.states[place])

        for state, group in groupby(run.intervals, key=named):
            stay = list(group)
            if state not in colours:
                colours[state] = STATE_COLOURS[(len(colours) - 1) % len(STATE_COLOURS)]
            start, end = stay[0].start_ns / scale, stay[-1].end_ns / scale
            axis.broken_barh(
                [(start, end - start)],
                (row - 0.38, 0.76),
                facecolors=colours[state],
                edgecolor="white",
                linewidth=0.4,
            )
            if (end - start) / span * (WIDTH_IN - 2) > CHARACTER_IN * len(state):
                axis.text(
                    (start + end) / 2,
                    row,
                    state,
                    ha="center",
                    va="center",
                    fontsize=8,
                    color="white" if colours[state] in (BLUE, GREEN, RED) else "black",
                )


def _starts(run: Run, region: str) -> str:
    behaviour = run.gadget.behaviour.get(region)
    return "unplugged" if behaviour is None else behaviour.starts


def _edges(groups: Groups, scale: float) -> list[float]:
    return [group[0].start_ns / scale for group in groups] + [groups[-1][-1].end_ns / scale]


def _blinking(regions: Sequence[Region], ticking: Ticking) -> dict[str, float]:
    """The lights that a region blinks by itself, with their highest level while it does."""
    levels: dict[str, set[float]] = {}
    for region in regions:
        for group in set(ticking[region.name].values()):
            outputs = [region.state(state).outputs for state in sorted(group)]
            for name in {name for output in outputs for name in output}:
                duties = {output[name].duty if name in output else 0.0 for output in outputs}
                if len(duties) > 1:
                    levels.setdefault(name, set()).update(duties)
    return {name: max(duties) for name, duties in levels.items()}


def _draw_lights(
    axis: Axes,
    run: Run,
    outputs: Sequence[str],
    blinking: dict[str, float],
    groups: Groups,
    scale: float,
) -> None:
    shown = [*outputs, *(name for name in blinking if name not in outputs)]
    _lane_axis(axis, shown or ["none"], "lights and loads (height: level; hatched: blinking)")
    edges = _edges(groups, scale)
    for row, name in enumerate(shown):
        axis.axhline(row + 0.4, color=REST, linewidth=0.8, zorder=0)
        levels = _drawn_levels(run, name, blinking, groups)
        for hatch, drawn in zip((None, "////"), levels, strict=True):
            tops = [row + 0.4 - 0.8 * level for level in drawn]
            axis.stairs(tops, edges, baseline=row + 0.4, fill=True, hatch=hatch,
                        facecolor=ORANGE if hatch is None else "white",
                        edgecolor=ORANGE, linewidth=0)  # fmt: skip


def _drawn_levels(
    run: Run, name: str, blinking: dict[str, float], groups: Groups
) -> tuple[list[float], list[float]]:
    """The level of a light in each group: steady, and where it blinks within the group."""
    place = run.outputs.index(name)
    user = next((k for k, use in enumerate(run.consumers) if use.name == name), None)
    steady, blinks = [], []
    for group in groups:
        level = _mean(group, [part.levels[place] for part in group])
        folded = any(part.cycles for part in group) or len(group) > 1
        draws = user is not None and any(part.consumers_a[user] > 0 for part in group)
        if name in blinking and folded:
            steady.append(0.0)
            blinks.append(blinking[name] if draws else 0.0)
        else:
            steady.append(level)
            blinks.append(0.0)
    return steady, blinks


def _draw_current(axis: Axes, groups: Groups, scale: float) -> None:
    edges = _edges(groups, scale)
    total = [_mean(group, [sum(part.consumers_a) for part in group]) for group in groups]
    charger = [_mean(group, [part.charger_a for part in group]) for group in groups]
    axis.stairs(
        np.maximum(total, FLOOR_A),
        edges,
        baseline=None,
        color=BLACK,
        linewidth=1.2,
        label="drawn by all consumers",
    )
    if any(charger):
        shown = np.where(np.array(charger) > FLOOR_A, charger, np.nan)
        axis.stairs(
            shown,
            edges,
            baseline=None,
            color=BLUE,
            linewidth=1.2,
            linestyle="--",
            label="given by the charger",
        )
        axis.legend(loc="best", frameon=False, fontsize=8, ncols=2)
    axis.set_yscale("log")
    values = [value for value in (*total, *charger) if value > FLOOR_A] or [FLOOR_A, 1e-3]
    axis.set_ylim(max(FLOOR_A, min(values) / 3), max(values) * 4)
    axis.yaxis.set_major_formatter(_in_si("A"))
    _title(axis, "current (mean of each stretch)")


def _in_volts() -> Formatter:
    from matplotlib.ticker import FuncFormatter

    return FuncFormatter(lambda value, _: f"{value:.2f} V")


def _in_si(unit: str) -> Formatter:
    from matplotlib.ticker import FuncFormatter

    return FuncFormatter(lambda value, _: format_si(value, unit) if value > 0 else f"0 {unit}")


def _draw_voltage(axis: Axes, run: Run, circuit: Circuit, groups: Groups, scale: float) -> None:
    times, volts = _voltage_line(circuit, groups)
    axis.plot(times / scale, volts, color=BLACK, linewidth=1.2)
    low, high = float(volts.min()), float(volts.max())
    room = max(0.1 * (high - low), 0.02)
    axis.set_ylim(low - room, high + room)
    for name, level in _levels_v(run):
        if low - room < level < high + room:
            axis.axhline(level, color=RED, linewidth=0.9, linestyle=":")
            axis.annotate(
                name,
                (1, level),
                xycoords=("axes fraction", "data"),
                xytext=(-3, 2),
                textcoords="offset points",
                ha="right",
                fontsize=8,
                color=RED,
            )
    axis.yaxis.set_major_formatter(_in_volts())
    _title(axis, "cell voltage under load")


def _voltage_line(circuit: Circuit, groups: Groups) -> tuple[Array, Array]:
    """Times (ns) and terminal voltages (V) along each stretch, under its load."""
    times: list[Array] = []
    charges: list[Array] = []
    volts: list[Array] = []
    places: dict[LoadSet, list[int]] = {}
    for place, group in enumerate(groups):
        first, last = group[0], group[-1]
        if len(group) > 1:
            # Stretches too short to be drawn: the mean of what they begin with.
            mean_v = _mean(group, [part.voltage_v for part in group])
            times.append(np.array([first.start_ns, last.end_ns], dtype=float))
            volts.append(np.array([mean_v, mean_v]))
            charges.append(np.empty(0))
            continue
        moved = abs(last.end_charge - first.start_charge)
        count = 2 + int(min(moved, 1.0) * CURVE_POINTS)
        times.append(np.linspace(first.start_ns, last.end_ns, count))
        charges.append(np.linspace(first.start_charge, last.end_charge, count))
        volts.append(np.empty(0))
        places.setdefault(first.loads, []).append(place)
    for loads, used in places.items():
        solved = circuit.solve(loads, np.concatenate([charges[k] for k in used])).voltage_v
        ends = np.cumsum([len(charges[k]) for k in used])
        for k, part in zip(used, np.split(solved, ends[:-1]), strict=True):
            volts[k] = part
    return np.concatenate(times), np.concatenate(volts)


def _levels_v(run: Run) -> list[tuple[str, float]]:
    """The voltages at which something happens, named: cut-off, and low and flat of the gauge."""
    named = [("cut-off", run.gadget.cell.cut_off)]
    if run.gadget.gauge is not None and run.gadget.gauge.method == "voltage":
        named += [("flat", run.gadget.gauge.flat), ("low", run.gadget.gauge.low)]
    return [(name, level.value) for name, level in named if level is not None]


def _draw_bars(axis: Axes, run: Run, groups: Groups, scale: float) -> None:
    bars = [group[0].bars or 0 for group in groups]
    most = len(run.gadget.gauge.thresholds) if run.gadget.gauge is not None else 1
    axis.stairs(bars, _edges(groups, scale), fill=True, color=GREEN)
    axis.set_ylim(0, most + 0.3)
    axis.set_yticks(range(0, most + 1, 1 if most <= 5 else 2))
    _title(axis, "bars of the gauge, shown or not")


def _draw_shares(axis: Axes, run: Run) -> None:
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
    axis.set_xticks([tick for tick in axis.get_xticks() if tick <= 100])
    axis.grid(visible=False, axis="y")
    axis.set_xlabel("share of the charge used (%)")
    _title(axis, "who used the charge")


def _draw_discharge(axis: Axes, run: Run, circuit: Circuit) -> None:
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
    labels = [(name, level) for name, level in _levels_v(run) if bottom < level < top]
    places = _spread([level for _, level in labels], (top - bottom) / 16)
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
    axis.yaxis.set_major_formatter(_in_volts())
    axis.legend(loc="upper right", frameon=False, fontsize=8)
    title = "discharge curve" + (" and the bars it shows" if _thresholds(run) else "")
    _title(axis, title)


def _bottom_v(run: Run, empty_v: float) -> float:
    levels = [level for _, level in _levels_v(run)]
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
    for bars, place in enumerate(_spread(centres, (top - bottom) / 16)):
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


def _spread(places: Sequence[float], gap: float) -> list[float]:
    """Move places apart, upwards in rising order, until all are at least `gap` from each other."""
    order = sorted(range(len(places)), key=lambda k: places[k])
    moved = list(places)
    for before, after in pairwise(order):
        moved[after] = max(moved[after], moved[before] + gap)
    return moved
