"""From a recording and its map to stimuli and output levels.

Reads the file once, as a stream. What is kept is what the gadget did: presses, hands, and one
step per change of an output's level.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from simfw.behaviour.build import build_system
from simfw.errors import DescriptionError, Problem, nearest
from simfw.gadget.model import Gadget
from simfw.stimuli.inputs import INPUTS, NO_HAND
from simfw.stimuli.recording.base import Recording, Remark, Remarks
from simfw.stimuli.recording.frames import Frame, Frames
from simfw.stimuli.recording.mapfile import (
    Map,
    Signal,
    WireMap,
    find_signal,
    gadget_signals,
)
from simfw.stimuli.recording.tracks import Bursts, Cleaner, Clock, Duty, Levels, Track
from simfw.stimuli.scenario import Press, Step
from simfw.tomlfile import key_text

__all__ = ["NO_HAND", "Decoded", "Observed", "observe"]

LONGEST_NS = 30_000_000  # PWM below 33 Hz would be seen to flicker: a slower wire is a level
GAP_NS = 200_000  # six periods of a 30 kHz carrier
STEP = 0.01


@dataclass(slots=True, kw_only=True)
class Decoded:
    """One mapped wire: its signal, its decoder and its final track."""

    wire: str
    signal: Signal | None  # None for frames
    name: str
    mapped: WireMap
    cleaner: Cleaner | None
    decoder: Levels | Duty | Bursts | Frames

    @property
    def track(self) -> Track:
        """The level against time."""
        assert not isinstance(self.decoder, Frames)
        return self.decoder.track


@dataclass(frozen=True, slots=True, kw_only=True)
class Observed:
    """What a recording says about the gadget, in ns since the recording's first tick.

    `steps` are the stimuli by time. `outputs` maps the name of an output signal to its track.
    `started_on` are the buttons whose contact is closed, and the hands present, at the very start.
    `frames` are (button or None, frame). `open_codes` are the presses that codes without a button
    would be, as (time, length); `spare_buttons` are the buttons without a code. `unmapped` are the
    wires that the map does not mention.
    """

    recording: Recording
    clock: Clock
    end_ns: int
    steps: tuple[Step, ...]
    outputs: Mapping[str, Track]
    signals: Mapping[str, Signal]
    decoded: tuple[Decoded, ...]
    started_on: tuple[str, ...] = ()
    frames: tuple[tuple[str | None, Frame], ...] = ()
    open_codes: Mapping[str, tuple[tuple[int, int], ...]] = field(default_factory=dict)
    spare_buttons: tuple[str, ...] = ()
    unmapped: tuple[str, ...] = ()
    remarks: tuple[Remark, ...] = ()
    within: Mapping[str, float] = field(default_factory=dict)


def observe(recording: Recording, mapped: Map, gadget: Gadget) -> Observed:
    """Read the whole recording through the map.

    Raises `DescriptionError` where the map names wires or signals that do not exist, or where the
    recording breaks.
    """
    _check_names(recording, mapped, gadget)
    remarks = Remarks()
    blocks = recording.blocks(remarks)
    wires: dict[int, Decoded] = {}
    first: int | None = None
    end = 0
    for block in blocks:
        if first is None:
            if not len(block.ticks) and block.end == 0:
                continue
            first = int(block.ticks[0]) if len(block.ticks) else block.end
            clock = Clock(recording.tick_s, first)
            wires = _decoders(recording, mapped, gadget, clock)
        end = block.end
        for index, decoded in wires.items():
            chosen = block.wires == index
            if not chosen.any():
                continue
            ticks, values = block.ticks[chosen], block.values[chosen]
            if decoded.cleaner is not None:
                ticks, values = decoded.cleaner.feed(ticks, values)
            else:
                values = np.where(np.isfinite(values), values, NO_HAND)
            decoded.decoder.feed(ticks, values)
    if first is None:
        first, clock = 0, Clock(recording.tick_s)
        wires = _decoders(recording, mapped, gadget, clock)
    for decoded in wires.values():
        if decoded.cleaner is not None:
            decoded.decoder.feed(*decoded.cleaner.finish())
        decoded.decoder.finish(end)
    found = _observed(recording, mapped, gadget, clock, end, list(wires.values()), remarks)
    coded = {button for form in mapped.frames.values() for button in form.names.values()}
    wired = {wire.input for wire in mapped.wires.values()}
    spare = tuple(name for name in gadget.buttons if name not in coded | wired)
    return replace(found, spare_buttons=spare if mapped.frames else ())


def _check_names(recording: Recording, mapped: Map, gadget: Gadget) -> None:
    names = [name for wire in recording.wires for name in (wire.name, *wire.also)]
    signals = gadget_signals(gadget)
    problems: list[Problem] = []

    def problem(key: str, text: str, found: str, names: list[str]) -> None:
        problems.append(Problem(key=key, found=f'"{found}"', text=text,
                                allowed=", ".join(names), suggestion=nearest(found, names)))

    for name, wire in mapped.wires.items():
        if name not in names:
            problem(key_text(("wires", name)), "the recording has no such wire", name, names)
        wanted = wire.input if wire.input is not None else wire.output
        if wanted is None:
            continue
        end = "input" if wire.input is not None else "output"
        key = key_text(("wires", name, end))
        signal = find_signal(signals, wanted)
        fitting = [name for name, signal in signals.items()
                   if signal.is_input == (wire.input is not None)]
        if signal is None or signal.is_input != (wire.input is not None):
            problem(key, "the gadget has no such signal", wanted, fitting)
        elif wire.distance is not None and signal.kind != "hand":
            problems.append(Problem(key=key_text(("wires", name, "distance")),
                                    text=f"{wanted} is no proximity sensor: no hand is before it"))
    known = _states_to_begin_in(gadget)
    for region, state in mapped.start.items():
        if region not in known:
            problem(key_text(("start", region)), "there is no such region", region, list(known))
        elif state not in known[region]:
            problem(key_text(("start", region)), "there is no such state", state, known[region])
    for name, frame in mapped.frames.items():
        for code, button in frame.names.items():
            if button not in gadget.buttons:
                problem(key_text(("frames", name, "names", code)), "the gadget has no such button",
                        button, list(gadget.buttons))
    if problems:
        raise DescriptionError(mapped.locate(problems))


def _states_to_begin_in(gadget: Gadget) -> dict[str, list[str]]:
    """The states of each region that `start` may name; the positions of a dial count as such."""
    return {region.name: [state.name for state in region.states]
            for region in build_system(gadget).regions if region.written}


def _decoders(
    recording: Recording, mapped: Map, gadget: Gadget, clock: Clock
) -> dict[int, Decoded]:
    signals = gadget_signals(gadget)
    found: dict[int, Decoded] = {}
    for name, wire in mapped.wires.items():
        wanted = wire.input if wire.input is not None else wire.output
        signal = None if wanted is None else find_signal(signals, wanted)
        glitch = wire.glitch or mapped.glitch
        plain = signal is not None and (
            signal.kind == "segments"
            or (signal.is_input and not INPUTS[signal.kind].two_valued and wire.distance is None))
        cleaner = Cleaner(
            glitch=clock.ticks(glitch.ns) if glitch is not None and glitch.ns else 0,
            inverted=wire.active == "low",
            threshold=None if wire.threshold is None else wire.threshold.value)
        decoder: Levels | Duty | Bursts | Frames
        if wire.decode == "pwm":
            longest = LONGEST_NS if wire.longest is None else wire.longest.ns
            decoder = Duty(clock, longest=clock.ticks(longest),
                           step=STEP if wire.step is None else wire.step.value)
        elif wire.decode == "burst":
            gap = GAP_NS if wire.gap is None else wire.gap.ns
            decoder = Bursts(clock, gap=clock.ticks(gap))
        elif wire.decode == "frame":
            assert wire.form is not None
            decoder = Frames(clock, mapped.frames[wire.form].frame_form())
        else:
            decoder = Levels(clock)
        found[recording.wire(name)] = Decoded(
            wire=name, signal=signal, name=wanted or name, mapped=wire,
            cleaner=None if plain else cleaner, decoder=decoder)
    return found


def _observed(
    recording: Recording, mapped: Map, gadget: Gadget, clock: Clock, end: int,
    wires: list[Decoded], remarks: Remarks,
) -> Observed:
    end_ns = max(0, clock.ns(end))
    steps: list[Step] = []
    started: list[str] = []
    frames: list[tuple[str | None, Frame]] = []
    open_codes: dict[str, list[tuple[int, int]]] = {}
    outputs: dict[str, Track] = {}
    within: dict[str, float] = {}
    for decoded in wires:
        _say(decoded, remarks)
        if isinstance(decoded.decoder, Frames):
            assert decoded.mapped.form is not None
            codes = mapped.frames[decoded.mapped.form]
            buttons = {code.upper(): button for code, button in codes.names.items()}
            for frame in decoded.decoder.frames:
                button = buttons.get(frame.code)
                frames.append((button, frame))
                held = frame.repeats_ns if codes.repeats == "hold" else ()
                lasts = max((*held, frame.end_ns)) - frame.end_ns + codes.press.ns
                if button is not None:
                    steps.append(Press(at_ns=frame.end_ns, button=button, for_ns=lasts))
                    continue
                open_codes.setdefault(frame.code, []).append((frame.end_ns, lasts))
                remarks.add(f"{decoded.wire}: the code {frame.code} at "
                            f"{frame.end_ns / 1e9:.6f} s is not in the map",
                            kind=f"code {frame.code}")
            continue
        assert decoded.signal is not None
        if decoded.signal.is_input:
            track = _merged(decoded.track, decoded.mapped)
            on = _steps(decoded, track, end_ns, steps, gadget)
            if on:
                started.append(decoded.name)
        else:
            outputs[decoded.name] = decoded.track
            if decoded.mapped.within is not None:
                within[decoded.name] = decoded.mapped.within.value
    steps.sort(key=lambda step: step.at_ns)
    mentioned = set(mapped.wires)
    return Observed(
        recording=recording, clock=clock, end_ns=end_ns, steps=tuple(steps), outputs=outputs,
        signals={decoded.name: decoded.signal for decoded in wires if decoded.signal is not None},
        open_codes={code: tuple(found) for code, found in open_codes.items()},
        decoded=tuple(wires), started_on=tuple(started), frames=tuple(frames), within=within,
        unmapped=tuple(wire.name for wire in recording.wires
                       if not mentioned & {wire.name, *wire.also}),
        remarks=(*recording.open_remarks, *remarks))


def _say(decoded: Decoded, remarks: Remarks) -> None:
    cleaner, decoder = decoded.cleaner, decoded.decoder
    if cleaner is not None and cleaner.glitches:
        remarks.add(f"{decoded.wire}: {cleaner.glitches} pulses shorter than the glitch filter "
                    "left out")
    if cleaner is not None and cleaner.unknown:
        remarks.add(f"{decoded.wire}: {cleaner.unknown} unknown levels (x, z or too wide); the "
                    "level before them is kept")
    if isinstance(decoder, Frames):
        for time_ns, text in decoder.problems:
            remarks.add(f"{decoded.wire}: {text} at {time_ns / 1e9:.6f} s",
                        kind=f"{decoded.wire} {text}")
        if decoder.stray_marks:
            remarks.add(f"{decoded.wire}: {decoder.stray_marks} marks belong to no frame")


def _merged(track: Track, mapped: WireMap) -> Track:
    """The track with gaps shorter than `merge` closed."""
    if mapped.merge is None:
        return track
    merged = Track(start=track.start)
    times, levels = track.times_ns, track.levels
    index = 0
    while index < len(times):
        short = (not levels[index] and index + 1 < len(times)
                 and times[index + 1] - times[index] < mapped.merge.ns)
        if short:
            index += 2
            continue
        merged.put(times[index], levels[index])
        index += 1
    return merged


def _steps(
    decoded: Decoded, track: Track, end_ns: int, steps: list[Step], gadget: Gadget
) -> bool:
    """Add the stimuli of one input; returns whether it was on from the start."""
    signal = decoded.signal
    assert signal is not None
    kind = INPUTS[signal.kind]
    distance = decoded.mapped.distance

    def level_of(level: float) -> float:
        """What the wire's level means: with `distance` it says only whether there is a hand."""
        return level if distance is None else distance.value if level > 0 else NO_HAND

    rest = kind.rest(gadget, signal.name)
    levels = [(time, level_of(level))
              for time, level in zip(track.times_ns, track.levels, strict=True)]
    started = track.start is not None and level_of(track.start) != rest
    if track.start is not None and started:
        levels.insert(0, (0, level_of(track.start)))
    steps += kind.steps(gadget, signal.name, levels, end_ns)
    return started and (kind.two_valued or kind.passing)
