"""The one clock factor: how much longer the real controller's dwells are than written.

The controller's oscillator is off by some share, so every dwell is stretched by one factor, while
the stimuli come when they come. Each model edge carries the derivative of its time to that factor
(`dwells_ns`), so trying a factor needs no new run. The factor is looked for on a grid that gets
finer, counting how many of the timings (not edges, so that one blinking light does not outvote
everything else) come out right, and then set by least squares over the edges that fit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["HIGH", "LOW", "ClockFit", "Sample", "fit_clock"]

LOW: Final = 0.9
HIGH: Final = 1.1
STEPS: Final = 200
DECIDED: Final = 0.02  # an interval wider than this (either side) tells nothing

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Sample:
    """A model edge and all recorded edges that could be it.

    `time_ns` at factor `base`, `slope_ns` its derivative to the factor, `timing` the key it rests
    on most, `recorded_ns` (sorted) the recorded edges of this output to this level.
    """

    time_ns: float
    slope_ns: float
    timing: str
    recorded_ns: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockFit:
    """The factor and its interval (about 95 %); both None where the recording does not tell.

    `failed` says that the factor ran into a bound. `timings` are the keys it rests on.
    """

    factor: float = 1.0
    low: float | None = None
    high: float | None = None
    edges: int = 0
    timings: tuple[str, ...] = ()
    failed: bool = False

    @property
    def decided(self) -> bool:
        """Whether the recording tells the factor."""
        return self.low is not None

    @property
    def doubt(self) -> float:
        """Half the interval; the whole range of the fit where nothing is told."""
        if self.low is None or self.high is None:
            return HIGH - 1.0
        return (self.high - self.low) / 2


def fit_clock(samples: Sequence[Sample], tolerance_ns: float, base: float = 1.0,
              resolution_ns: float = 1.0) -> ClockFit:
    """Find the factor from edges predicted at the factor `base`.

    `resolution_ns`: what the recorder tells apart.
    """
    used = [sample for sample in samples
            if sample.slope_ns * DECIDED > 0.01 * tolerance_ns and len(sample.recorded_ns)]
    if not used:
        return ClockFit()
    slopes = np.array([sample.slope_ns for sample in used])
    names = sorted({sample.timing for sample in used})
    groups = np.array([names.index(sample.timing) for sample in used])
    share = 1.0 / np.bincount(groups)[groups]
    nearest = _Nearest(used, base)
    center, width = 1.0, HIGH - 1.0
    while True:
        step = 2 * width / STEPS
        grid = np.clip(center + step * np.arange(-STEPS // 2, STEPS // 2 + 1), LOW, HIGH)
        allowed = tolerance_ns + slopes * step * 0.51
        off = nearest.off(grid)
        inside = np.abs(off) <= allowed
        score = (inside * share).sum(axis=1)
        # Among equals: the closer fit, and then the factor that says nothing is wrong.
        closeness = (np.minimum(np.abs(off) / allowed, 1.0) * share).mean(axis=1)
        value = score - 0.1 * closeness - 0.01 * np.abs(grid - 1.0)
        best = int(np.argmax(value))
        center = float(grid[best])
        if step * float(slopes.max()) < tolerance_ns / 4:
            break
        width = 3 * step
    factor = center
    for _ in range(4):
        off = nearest.off(np.array([factor]))[0]
        inlier = np.abs(off) <= tolerance_ns
        if not inlier.any():
            return ClockFit()
        weight = slopes[inlier] * share[inlier]
        factor += float((off[inlier] * weight).sum() / (slopes[inlier] * weight).sum())
        factor = min(max(factor, LOW), HIGH)
    off = nearest.off(np.array([factor]))[0]
    inlier = np.abs(off) <= tolerance_ns
    if not inlier.any():
        return ClockFit()
    spread = float(np.sqrt((off[inlier] ** 2).mean()))
    count = int(inlier.sum())
    # Few edges say little about their own spread: the tolerance stands in for it.
    spread = max(spread, tolerance_ns / 10 / count, 1.0)
    half = 2 * spread / float(np.sqrt((slopes[inlier] ** 2).sum()))
    # Both ends of a time may be rounded the same way at every edge, by half a step each.
    weight = slopes[inlier] * share[inlier]
    half = max(half, resolution_ns * float(weight.sum() / (slopes[inlier] * weight).sum()))
    timings = tuple(names[group] for group in sorted(set(groups[inlier].tolist())))
    failed = min(factor - LOW, HIGH - factor) < 1e-9
    if half > DECIDED:
        return ClockFit()
    return ClockFit(factor=factor, low=factor - half, high=factor + half, edges=count,
                    timings=timings, failed=failed)


class _Nearest:
    """Finds, for every sample and factor, the recorded edge nearest to the prediction."""

    def __init__(self, samples: Sequence[Sample], base: float) -> None:
        self.base = base
        self.count = len(samples)
        groups: dict[int, list[int]] = {}
        for number, sample in enumerate(samples):
            groups.setdefault(id(sample.recorded_ns), []).append(number)
        self.groups = [
            (np.array(numbers), samples[numbers[0]].recorded_ns,
             np.array([samples[n].time_ns for n in numbers]),
             np.array([samples[n].slope_ns for n in numbers]))
            for numbers in groups.values()
        ]

    def off(self, factors: Array) -> Array:
        """Recorded minus predicted (ns), one row per factor, one column per sample."""
        found = np.empty((len(factors), self.count))
        for numbers, recorded, times, slopes in self.groups:
            predicted = times + (factors[:, None] - self.base) * slopes
            place = np.searchsorted(recorded, predicted)
            after = recorded[np.minimum(place, len(recorded) - 1)] - predicted
            before = recorded[np.maximum(place - 1, 0)] - predicted
            found[:, numbers] = np.where(np.abs(after) < np.abs(before), after, before)
        return found
