"""Recording and model side by side, one strip per output."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from simfw.report.life_plots import write_figure
from simfw.report.plots import BLACK, BLUE, ORANGE, RED
from simfw.stimuli.recording.tracks import Track
from simfw.stimuli.scenario import Press, Usb, Wave
from simfw.verify.replay import Replayed, SignalVerdict

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["write_replay_plot"]


def write_replay_plot(replayed: Replayed, path: str | Path) -> None:
    """Draw the replay; disagreements are marked, and the first one has a line through all strips.

    Raises `UsageError` where the file cannot be written.
    """
    write_figure(path, lambda: replay_figure(replayed))


def replay_figure(replayed: Replayed) -> Figure:
    """The whole picture of a replay as a matplotlib figure."""
    from matplotlib.figure import Figure as NewFigure

    observed = replayed.observed
    count = len(replayed.verdicts) + 1
    figure = NewFigure(figsize=(10, 1.3 + 1.1 * count), layout="constrained")
    said = "agrees" if replayed.agrees else "disagrees"
    figure.suptitle(f"{observed.recording.path.name} {said} with the gadget file",
                    fontweight="bold")
    axes = figure.subplots(count, 1, sharex=True, squeeze=False)[:, 0]
    inputs = axes[0]
    names: list[str] = []
    for step in observed.steps:
        if isinstance(step, Press | Wave):
            name = step.button if isinstance(step, Press) else step.sensor
            until = step.at_ns + step.for_ns
        elif isinstance(step, Usb):
            name, until = "usb", step.at_ns
        else:
            continue
        if name not in names:
            names.append(name)
        inputs.plot([step.at_ns / 1e9, max(until, step.at_ns) / 1e9], [names.index(name)] * 2,
                    color=BLACK, linewidth=4, solid_capstyle="butt", marker="|")
    inputs.set_yticks(range(len(names)), names)
    inputs.set_ylim(-0.6, max(len(names), 1) - 0.4)
    inputs.set_title("inputs", loc="left", fontsize="small")
    found = replayed.first
    for axis, verdict in zip(axes[1:], replayed.verdicts, strict=True):
        _strip(axis, replayed, verdict)
        if found is not None and found[1] is not None:
            axis.axvline(found[1].time_ns / 1e9, color=RED, linewidth=0.8,
                         label="first difference")
    axes[-1].set_xlabel("time in the recording (s)")
    axes[-1].set_xlim(0, max(observed.end_ns, 1) / 1e9)
    # One legend for all strips, where no trace is.
    handles = {label: handle for axis in axes[1:]
               for handle, label in zip(*axis.get_legend_handles_labels(), strict=True)}
    figure.legend(handles.values(), handles.keys(), loc="outside lower center",
                  ncols=len(handles), frameon=False)
    return figure


def _strip(axis: Axes, replayed: Replayed, verdict: SignalVerdict) -> None:
    end_s = replayed.observed.end_ns / 1e9
    recorded = replayed.observed.outputs[verdict.signal]
    model = Track(start=replayed.predicted.starts[verdict.signal])
    for edge in replayed.predicted.edges[verdict.signal]:
        model.put(round(edge.time_ns), edge.level)
    for track, colour, label, width in ((recorded, BLUE, "recorded", 2.2),
                                        (model, ORANGE, "model", 1.0)):
        times = [0.0, *(time / 1e9 for time in track.times_ns), end_s]
        levels = [track.start if track.start is not None else float("nan"), *track.levels]
        axis.step(times, [*levels, levels[-1]], where="post", color=colour, label=label,
                  linewidth=width)
    wrong = [pair.time_ns / 1e9 for pair in verdict.disagreements]
    if wrong:
        axis.plot(wrong, [0.0] * len(wrong), "x", color=RED, label="disagrees")
    segments = replayed.observed.signals[verdict.signal].segments
    axis.set_ylabel("lit" if segments else "level")
    axis.set_ylim(-0.1 * max(segments, 1), 1.1 * max(segments, 1))
    axis.set_title(f"{verdict.signal}: {verdict.verdict}", loc="left", fontsize="small")
