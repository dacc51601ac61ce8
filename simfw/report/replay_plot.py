"""Recording and model side by side, one strip per output."""

from __future__ import annotations

import io
from pathlib import Path

from simfw.stimuli.recording.tracks import Track
from simfw.stimuli.scenario import Press, Usb, Wave
from simfw.verify.replay import Replayed, SignalVerdict
from simfw.writing import write_whole

__all__ = ["write_replay_plot"]


def write_replay_plot(replayed: Replayed, path: str | Path) -> None:
    """Draw the replay; disagreements are marked, and the first one has a line through all strips.

    Raises `UsageError` where the file cannot be written.
    """
    from matplotlib.figure import Figure

    observed = replayed.observed
    count = len(replayed.verdicts) + 1
    figure = Figure(figsize=(10, 1.0 + 1.1 * count), layout="constrained")
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
                    color="black", linewidth=4, solid_capstyle="butt", marker="|")
    inputs.set_yticks(range(len(names)), names)
    inputs.set_title("inputs", loc="left", fontsize="small")
    found = replayed.first
    for axis, verdict in zip(axes[1:], replayed.verdicts, strict=True):
        _strip(axis, replayed, verdict)
        if found is not None and found[1] is not None:
            axis.axvline(found[1].time_ns / 1e9, color="tab:red", linewidth=0.8)
    axes[-1].set_xlabel("time in the recording (s)")
    axes[-1].set_xlim(0, max(observed.end_ns, 1) / 1e9)
    stream = io.BytesIO()
    figure.savefig(stream, format=Path(path).suffix[1:].lower(), dpi=120,
                   metadata={} if str(path).lower().endswith(".png") else None)
    write_whole(path, stream.getvalue())


def _strip(axis: object, replayed: Replayed, verdict: SignalVerdict) -> None:
    from matplotlib.axes import Axes

    assert isinstance(axis, Axes)
    end_s = replayed.observed.end_ns / 1e9
    recorded = replayed.observed.outputs[verdict.signal]
    model = Track(start=replayed.predicted.starts[verdict.signal])
    for edge in replayed.predicted.edges[verdict.signal]:
        model.put(round(edge.time_ns), edge.level)
    for track, colour, label, width in ((recorded, "tab:blue", "recorded", 2.2),
                                        (model, "tab:orange", "model", 1.0)):
        times = [0.0, *(time / 1e9 for time in track.times_ns), end_s]
        levels = [track.start if track.start is not None else float("nan"), *track.levels]
        axis.step(times, [*levels, levels[-1]], where="post", color=colour, label=label,
                  linewidth=width)
    wrong = [pair.time_ns / 1e9 for pair in verdict.disagreements]
    axis.plot(wrong, [0.0] * len(wrong), "x", color="tab:red")
    axis.set_title(f"{verdict.signal}: {verdict.verdict}", loc="left", fontsize="small")
    axis.legend(loc="upper right", fontsize="x-small")
