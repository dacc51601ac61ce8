"""The levels of a run's outputs as step functions of time, folded blocks written out."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from simfw.engine.run import Interval, Run
from simfw.stimuli.recording.tracks import Track

__all__ = ["Lit", "lit_over", "lit_within", "output_tracks"]


@dataclass(frozen=True, slots=True)
class Lit:
    """How an output was lit over some time: levels 0..1, and the share 0..1 of time it was lit."""

    lowest: float
    mean: float
    peak: float
    share: float

    @property
    def steady(self) -> bool:
        """Whether it kept one level."""
        return self.lowest == self.peak


def lit_over(stretches: Iterable[tuple[int, float]]) -> Lit:
    """What stretches of (length in ns, level) come to together; at least one, some with a length.

    A level that does not change is its own mean, to the last bit.
    """
    known = [(lasts, level) for lasts, level in stretches if lasts > 0]
    levels = [level for _, level in known]
    lowest, peak = min(levels), max(levels)
    total = sum(lasts for lasts, _ in known)
    mean = sum(lasts * level for lasts, level in known) / total
    share = sum(lasts for lasts, level in known if level > 0) / total
    return Lit(lowest, lowest if lowest == peak else mean, peak, share)


def lit_within(interval: Interval, place: int) -> Lit:
    """How the output at this place of `Run.outputs` was lit in an interval, folded or plain."""
    if interval.cycles and interval.parts:
        return lit_over((part.lasts_ns, part.levels[place]) for part in interval.parts)
    level = interval.levels[place]
    return Lit(level, level, level, float(level > 0))


def output_tracks(run: Run, names: Mapping[str, tuple[str, int]]) -> dict[str, Track]:
    """The levels of outputs against time, counted from the start of the run (ns).

    `names` maps what a track is called to the output's name and how it is read: -1 for its level
    0..1, 0 for the number of lit segments, k > 0 for segment k alone (0 or 1). An emitter or
    receiver (`wave.emitter`) is on or off.
    """
    tracks = {name: Track() for name in names}
    readers = [(track, *names[name]) for name, track in tracks.items()]
    order = {name: number for number, name in enumerate(run.outputs)}
    leds = {name: light.leds for name, light in run.gadget.lights.items()}

    def put(time_ns: int, levels: tuple[float, ...], drives: frozenset[str]) -> None:
        for track, output, kind in readers:
            if output in order:
                level = levels[order[output]]
                if kind >= 0:
                    lit = round(level * leds[output])
                    level = float(lit) if kind == 0 else float(lit >= kind)
            else:
                level = float(output in drives)
            if time_ns == 0 and not track.times_ns:
                track.start = level
            else:
                track.put(time_ns, level)

    wants_drives = any(output not in order for _, output, _ in readers)
    for interval in run.intervals:
        for time_ns, levels, drives in _stretches(interval, wants_drives):
            put(time_ns - run.start_ns, levels, drives)
    return tracks


def _stretches(
    interval: Interval, wants_drives: bool
) -> list[tuple[int, tuple[float, ...], frozenset[str]]]:
    """The interval's stretches; those of a folded block are written out where they differ."""
    if not interval.cycles:
        on = frozenset(drive[0] for drive in interval.loads.drives)
        return [(interval.start_ns, interval.levels, on)]
    parts = [(part.lasts_ns, part.levels, frozenset(drive[0] for drive in part.loads.drives))
             for part in interval.parts]
    same = all(levels == parts[0][1] and (not wants_drives or on == parts[0][2])
               for _, levels, on in parts)
    if same:
        return [(interval.start_ns, parts[0][1], parts[0][2])]
    found = []
    at = interval.start_ns
    for _ in range(interval.cycles):
        for lasts, levels, on in parts:
            found.append((at, levels, on))
            at += lasts
    return found
