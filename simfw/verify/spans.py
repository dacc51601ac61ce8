"""What lies between recorded edges: the timings of a gadget file, measured.

A timing is measured between two recorded edges (or a stimulus and an edge) of which the model says
that nothing but this timing lies between them; so what another timing is off by is not charged to
it, however long it has added up before. Where several timings lie between and the others have been
measured elsewhere, those are taken away.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from simfw.stimuli.recording.signals import Observed
from simfw.verify.prediction import Model, Predicted
from simfw.verify.tracing import START, Origin

if TYPE_CHECKING:
    from simfw.verify.replay import SignalVerdict

__all__ = ["Values", "measured", "median", "resolution_ns"]

LOOKED_BACK: Final = 16  # earlier edges of the same chain that may be the one to measure from


@dataclass(frozen=True, slots=True)
class _Point:
    """A moment that the recording and the model both have: when (ns) and what it rests on."""

    time_ns: float
    recorded_ns: float
    origin: Origin
    sound: bool
    emitter: bool


@dataclass(frozen=True, slots=True)
class Span:
    """What lies between two recorded moments: how often each timing, and how long in all (ns)."""

    counts: Mapping[str, float]
    lasts_ns: float


@dataclass(slots=True)
class Values:
    """The measured values of a timing (ns), and the timings that were not told apart from it."""

    found_ns: list[float]
    beside: tuple[str, ...] = ()


def resolution_ns(observed: Observed) -> float:
    """What the recorder tells apart (ns)."""
    return float(observed.recording.resolution_s * 10**9)


def measured(
    observed: Observed, predicted: Predicted, verdicts: Sequence[SignalVerdict], model: Model,
    tolerance_ns: float, *, trusted: bool = True,
) -> dict[str, Values]:
    """The measured values of each timing, in the controller's own time.

    Unless `trusted`, edges that do not match are left out. `tolerance_ns`: other timings that are
    no longer than this do not keep a long one from being measured with them.
    """
    return _resolved(list(_spans(observed, predicted, verdicts, model, trusted)), model,
                     tolerance_ns)


def _chains(observed: Observed, predicted: Predicted, verdicts: Sequence[SignalVerdict]
            ) -> dict[tuple[bool, int], list[_Point]]:
    """The moments by the stimulus that they rest on, each list by time.

    The key tells whether the chain began before the recording, and its stimulus (ns of the run).
    """
    factor = predicted.factor
    chains: dict[tuple[bool, int], dict[float, _Point]] = {}
    for one in verdicts:
        origins = predicted.origins[one.signal]
        emitter = observed.signals[one.signal].kind == "infrared"
        for pair in one.pairs:
            if pair.recorded is None or pair.model is None or pair.kind == "level":
                continue
            origin = origins[pair.model.number]
            time = pair.model.time_ns / factor - predicted.shift_ns
            begun = START in origin.counts
            point = _Point(time, pair.recorded.time_ns, origin, pair.kind == "matched", emitter)
            chain = chains.setdefault((begun, round(time - origin.dwells_ns)), {})
            other = chain.get(time)
            # Several outputs that move in one instant are one moment: the nearest tells it.
            if other is None or abs(_off(point, factor)) < abs(_off(other, factor)):
                chain[time] = point
    return {key: [chain[time] for time in sorted(chain)] for key, chain in chains.items()}


def _off(point: _Point, factor: float) -> float:
    return point.recorded_ns - point.time_ns * factor


def _spans(observed: Observed, predicted: Predicted, verdicts: Sequence[SignalVerdict],
           model: Model, trusted: bool) -> Iterator[Span]:
    """What the recorded moments say about timings, each moment against the latest one it can."""
    factor = predicted.factor
    exact = "recorded by" in observed.recording.notes
    powered: list[Span] = []
    told: set[str] = set()
    for (begun, root), chain in _chains(observed, predicted, verdicts).items():
        at = (root + predicted.shift_ns) * factor
        # Where a chain begins: its stimulus, which both sides have.
        first = [] if begun else [_Point(float(root), at, Origin({}, 0.0), True, True)]
        points = [*first, *chain]
        for number in range(len(first), len(points)):
            point = points[number]
            for earlier in reversed(points[max(0, number - LOOKED_BACK) : number]):
                span = _between(earlier, point, model, factor)
                if span is None or (not trusted and not (point.sound and earlier.sound)):
                    continue
                # That the recorder and the controller were switched on together is a guess.
                if first and earlier is points[0] and root == 0 and not exact:
                    powered.append(span)
                else:
                    told |= set(span.counts)
                    yield span
                break
    yield from (span for span in powered if not told & set(span.counts))


def _between(earlier: _Point, point: _Point, model: Model, factor: float) -> Span | None:
    """What lies between two moments, None where that is no sum of timings."""
    before = earlier.origin.counts
    counts: dict[str, float] = {}
    for key in {*point.origin.counts, *before}:
        count = point.origin.counts.get(key, 0.0) - before.get(key, 0.0)
        if count == 0.0 or (count > 0.0 and model.timings.get(key) == 0.0):
            continue
        # The phase of samples is not recorded, only an emitter shows when they are taken.
        if count < 0.0 or (key in model.sampled and not (point.emitter and earlier.emitter)):
            return None
        counts[key] = count
    known = {key: count for key, count in counts.items() if key in model.timings}
    if not known:
        return None
    written = sum(count * model.timings[key] for key, count in known.items())
    rest = (point.origin.dwells_ns - earlier.origin.dwells_ns) - written
    return Span(known, (point.recorded_ns - earlier.recorded_ns) / factor - rest)


def _resolved(spans: Sequence[Span], model: Model, tolerance_ns: float) -> dict[str, Values]:
    """The values of each timing: from spans of it alone, then from those whose rest is known."""
    values: dict[str, Values] = {}

    def add(key: str, span: Span, rest_ns: float, beside: tuple[str, ...] = ()) -> None:
        found = values.setdefault(key, Values([], beside))
        found.found_ns.append((span.lasts_ns - rest_ns) / span.counts[key])

    waiting = list(spans)
    while waiting:
        known = {key: median(found.found_ns) for key, found in values.items()}
        open_keys = [[key for key in span.counts if key not in known] for span in waiting]
        least = min((len(keys) for keys in open_keys if keys), default=0)
        if least != 1:
            break
        left = []
        for span, keys in zip(waiting, open_keys, strict=True):
            if len(keys) == 1:
                add(keys[0], span, sum(count * known[key] for key, count in span.counts.items()
                                       if key in known))
            elif keys:
                left.append(span)
        waiting = left
    known = {key: median(found.found_ns) for key, found in values.items()}
    for span in waiting:
        keys = [key for key in span.counts if key not in known]
        longest = max(keys, key=lambda key: span.counts[key] * model.timings[key], default="")
        for key in keys:
            others = [other for other in keys if other != key]
            rest = sum(span.counts[other] * model.timings[other] for other in others)
            whole = rest + sum(span.counts[other] * known[other] for other in span.counts
                               if other in known)
            if key == longest and rest <= tolerance_ns:
                add(key, span, whole)
            elif sum(span.counts[one] * model.timings[one] for one in keys if one != longest
                     ) > tolerance_ns:
                add(key, span, whole, tuple(others))
    return values


def median(values: Sequence[float]) -> float:
    """The middle one of some values."""
    return sorted(values)[len(values) // 2]
