"""The levels of a run's outputs as step functions of time, folded blocks written out."""

from __future__ import annotations

from collections.abc import Mapping

from simfw.engine.run import Interval, Run
from simfw.stimuli.recording.tracks import Track

__all__ = ["output_tracks"]


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
