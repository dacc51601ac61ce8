"""Recording and model side by side, one strip per output, and closer where they first differ."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from simfw.report.drawing import BLACK, BLUE, ORANGE, RED, WIDTH_IN, write_figure
from simfw.report.replay import level_text
from simfw.stimuli.inputs import input_of
from simfw.stimuli.recording.tracks import Track
from simfw.verify.replay import Replayed, SignalVerdict

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["around_first", "replay_figure", "write_replay_plot"]

CLOSE_NS = 500_000_000  # shown before and after the first difference


def write_replay_plot(replayed: Replayed, path: str | Path) -> None:
    """Draw the replay; disagreements are marked, and the first one has a line through all strips.

    Raises `UsageError` where the file cannot be written.
    """
    write_figure(path, lambda: replay_figure(replayed))


def around_first(replayed: Replayed) -> tuple[float, float] | None:
    """The times (ns) between which the first difference is drawn closer: a second, or more.

    Where a recorded edge and the model's are a pair, both are inside. None where all agrees.
    """
    found = replayed.first
    if found is None:
        return None
    first = last = 0.0
    if found[1] is not None:
        times = [edge.time_ns for edge in (found[1].recorded, found[1].model) if edge is not None]
        first, last = min(times), max(times)
    end = float(max(replayed.observed.end_ns, 1))
    return max(0.0, first - CLOSE_NS), max(min(end, last + CLOSE_NS), min(end, 2.0 * CLOSE_NS))


def replay_figure(replayed: Replayed) -> Figure:
    """The whole picture of a replay as a matplotlib figure: the strips, and where they differ."""
    from matplotlib.figure import Figure as NewFigure

    observed = replayed.observed
    count = len(replayed.verdicts) + 1
    close = around_first(replayed)
    figure = NewFigure(figsize=(WIDTH_IN, 1.5 + 1.1 * count), layout="constrained")
    said = "agrees" if replayed.agrees else "disagrees"
    figure.suptitle(f"{observed.recording.path.name} {said} with the gadget file",
                    fontweight="bold")
    grid = figure.subplots(count, 1 if close is None else 2, sharex="col", sharey="row",
                           squeeze=False, width_ratios=None if close is None else [1.6, 1.0])
    windows = [(0.0, float(max(observed.end_ns, 1))), *([] if close is None else [close])]
    for number, window in enumerate(windows):
        _column(list(grid[:, number]), replayed, window, closer=number > 0)
    # One legend for all strips, where no trace is.
    handles = {label: handle for axis in grid.flat
               for handle, label in zip(*axis.get_legend_handles_labels(), strict=True)}
    figure.legend(handles.values(), handles.keys(), loc="outside lower center",
                  ncols=max(1, len(handles)), frameon=False)
    return figure


def _column(
    axes: Sequence[Axes], replayed: Replayed, window: tuple[float, float], *, closer: bool
) -> None:
    _inputs(axes[0], replayed)
    axes[0].set_title("closer: around the first difference" if closer else "inputs", loc="left",
                      fontsize="small", fontweight="bold" if closer else "normal")
    found = replayed.first
    for axis, verdict in zip(axes[1:], replayed.verdicts, strict=True):
        _strip(axis, replayed, verdict)
        if found is not None:
            first_ns = 0.0 if found[1] is None else found[1].time_ns
            axis.axvline(first_ns / 1e9, color=RED, linewidth=1.0, linestyle=":",
                         label="first difference")
        if closer:
            axis.set_ylabel("")
            axis.set_title(_told(replayed, verdict), loc="left", fontsize="small")
    axes[-1].set_xlabel("time in the recording (s)")
    axes[-1].set_xlim(window[0] / 1e9, window[1] / 1e9)
    axes[-1].ticklabel_format(axis="x", useOffset=False, style="plain")


def _told(replayed: Replayed, verdict: SignalVerdict) -> str:
    """What the first difference is, above the strip that has it."""
    found = replayed.first
    if found is None or found[0] is not verdict:
        return ""
    pair = found[1]
    signal = replayed.observed.signals[verdict.signal]
    if pair is None:
        return (f"begins {level_text(verdict.starts_recorded, signal)}, model "
                f"{level_text(verdict.starts_model, signal)}")
    edge = pair.recorded or pair.model
    assert edge is not None
    off = "" if pair.off_ns is None else f" by {abs(pair.off_ns) / 1e6:.4g} ms"
    return f"{level_text(edge.level, signal)}: {pair.kind}{off}"


def _inputs(axis: Axes, replayed: Replayed) -> None:
    names: list[str] = []
    for step in replayed.observed.steps:
        kind = input_of(step)
        if kind is None or kind.kind in ("temperature", "fault"):
            continue
        name, until = step.target, step.until_ns
        if name not in names:
            names.append(name)
        axis.plot([step.at_ns / 1e9, max(until, step.at_ns) / 1e9], [names.index(name)] * 2,
                  color=BLACK, linewidth=4, solid_capstyle="butt", marker="|")
    axis.set_yticks(range(len(names)), names)
    axis.set_ylim(-0.6, max(len(names), 1) - 0.4)


def _strip(axis: Axes, replayed: Replayed, verdict: SignalVerdict) -> None:
    end_s = replayed.observed.end_ns / 1e9
    recorded = replayed.observed.outputs[verdict.signal]
    model = Track(start=replayed.predicted.starts[verdict.signal])
    for edge in replayed.predicted.edges[verdict.signal]:
        model.put(round(edge.time_ns), edge.level)
    for track, colour, label, width, dash in ((recorded, BLUE, "recorded", 2.6, "-"),
                                              (model, ORANGE, "model", 1.3, "--")):
        times = [0.0, *(time / 1e9 for time in track.times_ns), end_s]
        levels = [track.start if track.start is not None else float("nan"), *track.levels]
        axis.step(times, [*levels, levels[-1]], where="post", color=colour, label=label,
                  linewidth=width, linestyle=dash)
    wrong = [pair.time_ns / 1e9 for pair in verdict.disagreements]
    if wrong:
        axis.plot(wrong, [0.0] * len(wrong), "x", color=RED, label="disagrees")
    segments = replayed.observed.signals[verdict.signal].segments
    axis.set_ylabel("segments lit" if segments else "level")
    axis.set_ylim(-0.1 * max(segments, 1), 1.1 * max(segments, 1))
    axis.set_title(f"{verdict.signal}: {verdict.verdict}", loc="left", fontsize="small")
