"""The panels of a run over time: inputs, states, lights, current, voltage, bars.

Each draws what a `View` shows on its axis. matplotlib is imported inside the functions.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from simfw.report.drawing import (
    BLACK,
    BLUE,
    GREEN,
    HATCHES,
    ORANGE,
    RED,
    REST,
    STATE_COLOURS,
    WIDTH_IN,
    in_si,
    in_volts,
    spread,
    title,
)
from simfw.report.stretches import light_blocks, mean, stays

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from simfw.circuit.circuit import Circuit, LoadSet
    from simfw.engine.run import Run
    from simfw.report.stretches import Burst, Groups, Lane, View

    Array = NDArray[np.float64]

__all__ = [
    "LANE_IN",
    "Palette",
    "draw_bars",
    "draw_current",
    "draw_inputs",
    "draw_lights",
    "draw_states",
    "draw_voltage",
    "levels_v",
    "mark_bursts",
    "palette_of",
    "state_legend",
    "voltage_line",
]

LANE_IN = 0.34
CHARACTER_IN = 0.085  # about the width of a character of the labels in the lanes
THINNEST = 1 / 600  # share of the axis that anything is drawn wide at least
MOST_NAMES = 3  # of states that tick, that are written out
FLOOR_A = 1e-7  # lowest end of the current axis
CURVE_POINTS = 400  # points of the voltage line over the whole charge


def _lane_axis(axis: Axes, names: Sequence[str], text: str) -> None:
    axis.set_ylim(len(names) - 0.45, -0.55)
    axis.set_yticks(range(len(names)), names)
    axis.grid(visible=False)
    axis.tick_params(axis="y", length=0)
    title(axis, text)


def _bar(shown: View, start_ns: int, end_ns: int) -> tuple[float, float]:
    """Where a bar begins and how wide it is drawn: wide enough to be seen, within the picture."""
    start, end = max(start_ns, shown.start_ns), min(end_ns, shown.end_ns)
    width = max(end - start, THINNEST * shown.span_ns)
    start = max(shown.start_ns, min(start, round(shown.end_ns - width)))
    return shown.at(start), width / shown.unit_ns


def draw_inputs(axis: Axes, lanes: Sequence[Lane], shown: View) -> None:
    """A lane per button, sensor and USB; `lanes` as `input_lanes` gives them."""
    _lane_axis(axis, [name for name, _ in lanes] or ["none"], "inputs")
    for row, (_, spans) in enumerate(lanes):
        axis.axhline(row, color=REST, linewidth=0.8, zorder=0)
        spans = [one for one in spans if one[1] >= shown.start_ns and one[0] < shown.end_ns]
        bars = [_bar(shown, start, end) for start, end in spans]
        axis.broken_barh(bars, (row - 0.3, 0.6), facecolors=BLUE, edgecolor="none")
        # A press is far too short to be seen as a bar on an axis of hours: mark where it begins.
        starts = [shown.at(start) for start, _ in spans if start >= shown.start_ns]
        if starts:  # an empty line that is not clipped has no place, and breaks the layout
            axis.plot(starts, [row] * len(starts), "|", color=BLUE, markersize=11,
                      markeredgewidth=1.6, clip_on=False)


def mark_bursts(axis: Axes, found: Sequence[tuple[str, Burst]], shown: View) -> None:
    """Letters in a lane above the inputs, where the bursts with an inset are."""
    if not found:
        return
    places = [shown.at(burst.first_ns) for _, burst in found]
    width = shown.span_ns / shown.unit_ns
    apart = spread(places, width / 80)
    axis.set_ylim(top=axis.get_ylim()[1] - 0.6)
    for (letter, _), place in zip(found, apart, strict=True):
        axis.text(min(max(place, width / 200), 0.995 * width + shown.at(shown.start_ns)), -0.7,
                  letter, ha="center", va="center", fontsize=9, fontweight="bold", color=RED)


# States --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Palette:
    """How the states of one region are drawn: what each is called, its colour and its hatch."""

    names: Mapping[str, str]
    looks: Mapping[str, tuple[str, str]]


def palette_of(run: Run, region: str, ticking: Mapping[str, frozenset[str]]) -> Palette:
    """Colours and hatches for all states that a region is in during the run, in their order.

    The state it starts in is plain grey. `ticking` joins states that follow one another by
    themselves.
    """
    names = {state: _together(sorted(group)) for state, group in ticking.items()}
    behaviour = run.gadget.behaviour.get(region)
    starts = "unplugged" if behaviour is None else behaviour.starts
    looks = {names.get(starts, starts): (REST, "")}
    place = run.regions.index(region)
    for state in dict.fromkeys(part.states[place] for part in run.intervals):
        name = names.get(state, state)
        number = len(looks) - 1
        turn = number // len(STATE_COLOURS)
        look = (STATE_COLOURS[number % len(STATE_COLOURS)], HATCHES[(number + turn) % len(HATCHES)])
        looks.setdefault(name, look)
    return Palette(names, looks)


def _together(states: Sequence[str]) -> str:
    """States that follow one another by themselves, under one name."""
    if len(states) <= MOST_NAMES:
        return "/".join(states)
    return f"{states[0]} and {len(states) - 1} more in turn"


def draw_states(
    axis: Axes, run: Run, palettes: Mapping[str, Palette], shown: View, *,
    width_in: float = WIDTH_IN - 2,
) -> list[tuple[str, str]]:
    """A lane per region; returns (region, state) of all that had no room for their name."""
    _lane_axis(axis, list(palettes), "states")
    nameless: dict[tuple[str, str], None] = {}
    for row, (region, palette) in enumerate(palettes.items()):
        drawn: dict[str, list[tuple[float, float]]] = {}
        named: set[str] = set()
        for stay in stays(shown.intervals, run.regions.index(region), palette.names):
            drawn.setdefault(stay.state, []).append(_bar(shown, stay.start_ns, stay.end_ns))
            share = (stay.end_ns - stay.start_ns) / shown.span_ns
            if share * width_in > CHARACTER_IN * len(stay.state):
                named.add(stay.state)
                colour, hatch = palette.looks[stay.state]
                label = axis.text(
                    shown.at((stay.start_ns + stay.end_ns) / 2), row, stay.state,
                    ha="center", va="center", fontsize=8, zorder=4,
                    color="white" if colour in (BLUE, GREEN, RED) else "black",
                )
                if hatch:
                    label.set_bbox({"facecolor": colour, "edgecolor": "none", "pad": 1.0})
        for order, (state, bars) in enumerate(drawn.items()):
            colour, hatch = palette.looks[state]
            axis.broken_barh(bars, (row - 0.38, 0.76), facecolors=colour, edgecolor="white",
                             hatch=hatch or None, linewidth=0.0, label=f"{region}.{state}",
                             zorder=2 if colour == REST else 3 - order * 1e-3)
            if state not in named:
                nameless[region, state] = None
    return list(nameless)


def state_legend(
    axis: Axes, palettes: Mapping[str, Palette], nameless: Sequence[tuple[str, str]]
) -> None:
    """Say under the states what the colours without a name are."""
    from matplotlib.patches import Patch

    if not nameless:
        return
    patches = []
    for region, state in nameless:
        colour, hatch = palettes[region].looks[state]
        patches.append(Patch(facecolor=colour, edgecolor="white", hatch=hatch or None,
                             linewidth=0.0, label=f"{region}.{state}"))
    longest = max(len(region) + len(state) + 1 for region, state in nameless)
    columns = max(1, int((WIDTH_IN - 2) / (CHARACTER_IN * (longest + 6))))
    axis.legend(handles=patches, loc="upper left", bbox_to_anchor=(0.0, -0.08), frameon=False,
                fontsize=8, ncols=min(columns, len(patches)), borderaxespad=0.0)


# Lights --------------------------------------------------------------------------------------


def draw_lights(axis: Axes, run: Run, outputs: Sequence[str], shown: View) -> None:
    """A lane per light or load: as high as its level, hatched up to its peak where it blinks."""
    _lane_axis(axis, outputs or ["none"],
               "lights and loads (height: level; hatched: blinks up to that level, or changes "
               "faster than can be seen; filled within: the mean)")
    for row, name in enumerate(outputs):
        floor = row + 0.4
        axis.axhline(floor, color=REST, linewidth=0.8, zorder=0)
        for block in light_blocks(shown, run.outputs.index(name)):
            lit = block.lit
            if lit.peak <= 0:
                continue
            where = [_bar(shown, block.start_ns, block.end_ns)]
            if not lit.steady:
                axis.broken_barh(where, (floor - 0.8 * lit.peak, 0.8 * lit.peak), hatch="////",
                                 facecolor="white", edgecolor=ORANGE, linewidth=0.6,
                                 label=f"{name} blinks")
            axis.broken_barh(where, (floor - 0.8 * lit.mean, 0.8 * lit.mean), facecolor=ORANGE,
                             edgecolor="none", label=f"{name} level")


# Current, voltage, bars ----------------------------------------------------------------------


def _edges(groups: Groups, shown: View) -> list[float]:
    ends = [group[0].start_ns for group in groups] + [groups[-1][-1].end_ns]
    return [shown.at(time) for time in ends]


def draw_current(axis: Axes, groups: Groups, shown: View, text: str = "current (mean of each "
                 "stretch)") -> None:
    """What all consumers draw and what the charger gives, logarithmic."""
    edges = _edges(groups, shown)
    total = [mean(group, [sum(part.consumers_a) for part in group]) for group in groups]
    charger = [mean(group, [part.charger_a for part in group]) for group in groups]
    axis.stairs(
        np.maximum(total, FLOOR_A),
        edges,
        baseline=None,
        color=BLACK,
        linewidth=1.2,
        label="drawn by all consumers",
    )
    if any(charger):
        given = np.where(np.array(charger) > FLOOR_A, charger, np.nan)
        axis.stairs(
            given,
            edges,
            baseline=None,
            color=BLUE,
            linewidth=1.6,
            linestyle="--",
            label="given by the charger",
        )
        axis.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), frameon=False, fontsize=8,
                    ncols=2, borderaxespad=0.0)
    axis.set_yscale("log")
    values = [value for value in (*total, *charger) if value > FLOOR_A] or [FLOOR_A, 1e-3]
    axis.set_ylim(max(FLOOR_A, min(values) / 3), max(values) * 4)
    axis.yaxis.set_major_formatter(in_si("A"))
    axis.yaxis.set_minor_formatter("")
    title(axis, text)


def draw_voltage(axis: Axes, run: Run, circuit: Circuit, groups: Groups, shown: View) -> None:
    """The cell's voltage, with the levels at which something happens."""
    times, volts = voltage_line(circuit, groups)
    axis.plot([shown.at(time) for time in times], volts, color=BLACK, linewidth=1.2)
    low, high = float(volts.min()), float(volts.max())
    room = max(0.1 * (high - low), 0.02)
    axis.set_ylim(low - room, high + room)
    for name, level in levels_v(run):
        if low - room < level < high + room:
            axis.axhline(level, color=RED, linewidth=0.9, linestyle=":")
            axis.annotate(
                f"{name} {level:.2f} V",
                (1, level),
                xycoords=("axes fraction", "data"),
                xytext=(3, 0),
                textcoords="offset points",
                ha="left",
                va="center",
                fontsize=8,
                color=RED,
                annotation_clip=False,
            )
    axis.yaxis.set_major_formatter(in_volts())
    title(axis, "cell voltage under load")


def voltage_line(circuit: Circuit, groups: Groups) -> tuple[Array, Array]:
    """Times (ns) and terminal voltages (V) along each stretch, under its load."""
    times: list[Array] = []
    charges: list[Array] = []
    volts: list[Array] = []
    places: dict[LoadSet, list[int]] = {}
    for place, group in enumerate(groups):
        first, last = group[0], group[-1]
        if len(group) > 1:
            # Stretches too short to be drawn: the mean of what they begin with.
            mean_v = mean(group, [part.voltage_v for part in group])
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


def levels_v(run: Run) -> list[tuple[str, float]]:
    """The voltages at which something happens, named: cut-off, and low and flat of the gauge."""
    named = [("cut-off", run.gadget.cell.cut_off)]
    if run.gadget.gauge is not None and run.gadget.gauge.method == "voltage":
        named += [("flat", run.gadget.gauge.flat), ("low", run.gadget.gauge.low)]
    return [(name, level.value) for name, level in named if level is not None]


def draw_bars(axis: Axes, groups: Groups, shown: View, most: int) -> None:
    """The bars of the gauge, of `most` at most."""
    bars = [group[0].bars or 0 for group in groups]
    edges = _edges(groups, shown)
    axis.stairs(bars, edges, fill=True, color=GREEN)
    # No bar at all is a line on the floor, not an empty panel.
    axis.stairs(bars, edges, baseline=None, color=GREEN, linewidth=2.0, clip_on=False)
    axis.set_ylim(0, most + 0.3)
    axis.set_yticks(range(0, most + 1, 1 if most <= 5 else 2))
    title(axis, "bars of the gauge, shown or not")
