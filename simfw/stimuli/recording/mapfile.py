"""The map: which wire of a recording is which signal of the gadget, and how to read it.

A signal is called what the gadget file calls it: a button, a proximity sensor (the hand), `usb`,
`temperature` and `fault` (of the charger) are inputs; a light, a load, `SENSOR.emitter` and
`SENSOR.receiver` are outputs. A segmented light is a number of lit segments, or one wire per
segment (`bars.1`, `bars.2`, ...). Where one name stands for two things, the section goes
before it (`buttons.power`).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from simfw.errors import DescriptionError, Problem, nearest
from simfw.forms import Reads
from simfw.gadget.fields import Metres, Ratio, Time, Volts
from simfw.gadget.model import Gadget
from simfw.stimuli.inputs import INPUTS, Kind
from simfw.stimuli.recording.base import Recording
from simfw.stimuli.recording.frames import FrameForm
from simfw.stimuli.start import StartField, charge_of
from simfw.tomlfile import TomlFile, key_text, read_toml, require_kind
from simfw.validation import check_data

__all__ = ["FrameMap", "Map", "Signal", "WireMap", "gadget_signals", "own_map", "read_map"]

SignalKind = Literal[Kind, "light", "segments", "segment", "load", "infrared"]
WORLD = tuple(kind for kind, one in INPUTS.items() if not one.section)  # signals of no part


@dataclass(frozen=True, slots=True, kw_only=True)
class Signal:
    """One signal of a gadget. `name` is the bare name of the part, `segment` counts from 1."""

    kind: SignalKind
    name: str
    segments: int = 0
    segment: int = 0

    @property
    def is_input(self) -> bool:
        """Whether it is fed to the model (else compared with it)."""
        return self.kind in INPUTS


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True,
                              arbitrary_types_allowed=True)


def _pair(value: object) -> object:
    return tuple(value) if isinstance(value, list) else value


Pair = Annotated[tuple[Time, Time], Reads(_pair)]


class WireMap(_Part):
    """`[wires.NAME]`. Exactly one of `input` and `output`; `active` is the level that means on.

    `longest` and `step` belong to `pwm`: a wire still for longer is steady, and a smaller step of
    the duty is none. `gap` belongs to `burst`: pulses further apart are two bursts. `form` belongs
    to `frame`. `threshold` turns a voltage into a level. `distance` is where the hand is while a
    sensor's wire is on. `merge` closes shorter gaps of an input. `within` is how far a level may
    be off.
    """

    input: str | None = None
    output: str | None = None
    active: Literal["high", "low"] = "high"
    decode: Literal["level", "pwm", "burst", "frame"] = "level"
    longest: Time | None = None
    step: Ratio | None = None
    gap: Time | None = None
    form: str | None = None
    threshold: Volts | None = None
    distance: Metres | None = None
    merge: Time | None = None
    glitch: Time | None = None
    within: Ratio | None = None


class FrameMap(_Part):
    """`[frames.NAME]`: the form of a pulse-distance code, and which button each code presses.

    A press begins where the frame ends and lasts `press`, from the last repeat on where `repeats`
    is "hold".
    """

    lead: Pair
    mark: Time
    space_0: Time
    space_1: Time
    length: Annotated[int, Field(ge=1, le=256)]
    tolerance: Ratio
    again: Pair | None = None
    again_within: Time | None = None
    order: Literal["low bit first", "high bit first"] = "low bit first"
    check: Literal["none", "last byte inverts the one before"] = "none"
    press: Time
    repeats: Literal["hold", "ignore"] = "ignore"
    names: dict[str, str] = {}

    def frame_form(self) -> FrameForm:
        """The timings for the decoder."""
        return FrameForm(
            lead_mark=self.lead[0].ns, lead_space=self.lead[1].ns, mark=self.mark.ns,
            space_0=self.space_0.ns, space_1=self.space_1.ns, length=self.length,
            tolerance=self.tolerance.value, order=self.order, check=self.check,
            again_space=None if self.again is None else self.again[1].ns,
            **({} if self.again_within is None else {"again_within": self.again_within.ns}),
        )


class Map(_Part):
    """A map file. `start` names states (region -> state) and `charge` the cell's charge."""

    about: str = ""
    gadget: str | None = None
    timescale: Time | None = None
    glitch: Time | None = None
    charge: StartField | None = None
    start: dict[str, str] = {}
    wires: dict[str, WireMap] = {}
    frames: dict[str, FrameMap] = {}
    source: Annotated[TomlFile | None, Field(exclude=True)] = None

    @property
    def timescale_s(self) -> Fraction | None:
        """Seconds per tick for a dump that states none."""
        return None if self.timescale is None else Fraction(self.timescale.ns, 10**9)

    def begins_at(self, gadget: Gadget) -> float | None:
        """The charge (0..1) that it says the cell has; None where it says nothing.

        Raises DescriptionError for a voltage that tells no charge of this gadget's cell.
        """
        if self.charge is None:
            return None
        charge, unclear = charge_of(self.charge, gadget)
        if unclear:
            raise DescriptionError(self.locate(unclear))
        return charge

    def locate(self, problems: list[Problem]) -> list[Problem]:
        """Return `problems` with the file and line of each key; a map without a file has none."""
        return problems if self.source is None else self.source.locate(problems)


_SAMPLES = {
    "lead": ["9 ms", "4.5 ms"], "mark": "562 us", "space_0": "562 us", "space_1": "1.69 ms",
    "length": 32, "tolerance": "30 %", "press": "30 ms",
}  # fmt: skip

# Keys of `[frames.NAME]` as earlier files wrote them.
_FORMER = {"header": "lead", "zero": "space_0", "one": "space_1", "bits": "length",
           "repeat": "again", "repeat_within": "again_within", "codes": "names"}


def read_map(path: Path) -> Map:
    """Read a map file. Raises `DescriptionError` with all its problems, each with its line."""
    file = read_toml(path)
    require_kind(file, "map")
    frames = file.data.get("frames")
    for name, form in frames.items() if isinstance(frames, dict) else ():
        if isinstance(form, dict):
            file = file.renamed(("frames", name), _FORMER)
    checked = check_data(Map, file.data, _SAMPLES)
    problems = list(checked.problems)
    if checked.value is not None:
        problems += checked.keep(_checks(checked.value))
    if problems or checked.value is None:
        raise DescriptionError(file.locate(problems))
    return checked.value.model_copy(update={"source": file})


def _checks(mapped: Map) -> Iterable[Problem]:
    """What no single key shows: keys that do not go together, and codes that are none."""
    for name, wire in mapped.wires.items():
        key = key_text(("wires", name))
        if wire.decode == "frame":
            if wire.output is not None or wire.input is not None:
                yield Problem(key=key, text="a frame wire takes neither `input` nor `output`; its "
                                            "frames name buttons")
            if wire.form is None:
                yield Problem(key=key, text='decode = "frame" needs a `form`',
                              allowed=", ".join(mapped.frames) or "a section [frames.NAME]")
            elif wire.form not in mapped.frames:
                yield Problem(key=f"{key}.form", found=f'"{wire.form}"',
                              text="there is no such form of frames",
                              allowed=", ".join(mapped.frames) or "a section [frames.NAME]",
                              suggestion=nearest(wire.form, mapped.frames))
        elif (wire.input is None) == (wire.output is None):
            yield Problem(key=key, text="a wire is either an `input` or an `output`")
        wanted = {"longest": "pwm", "step": "pwm", "gap": "burst", "form": "frame"}
        fed = {"merge": wire.input, "distance": wire.input, "within": wire.output}
        for option, end in fed.items():
            if getattr(wire, option) is not None and end is None:
                yield Problem(key=f"{key}.{option}", text=f"`{option}` belongs to an "
                              f"{'output' if option == 'within' else 'input'}")
        for option, decode in wanted.items():
            if getattr(wire, option) is not None and wire.decode != decode:
                yield Problem(key=f"{key}.{option}",
                              text=f'`{option}` belongs to decode = "{decode}"')
    read = {wire.form for wire in mapped.wires.values()}
    amiss = any(wire.decode == "frame" and wire.form not in mapped.frames
                for wire in mapped.wires.values())
    for name, frame in mapped.frames.items():
        if name not in read and not amiss:  # else it is told already that a wire names none
            yield Problem(key=key_text(("frames", name)), text="no wire is read with this form",
                          allowed=f'a wire with decode = "frame" and form = "{name}"')
        digits = -(-frame.length // 8) * 2
        for code in frame.names:
            if not re.fullmatch(r"[0-9A-Fa-f]+", code) or len(code) != digits:
                yield Problem(key=key_text(("frames", name, "names", code)),
                              text=f"{code} is no code of this form",
                              allowed=f"{digits} hexadecimal digits, in order of arrival")


def gadget_signals(gadget: Gadget) -> dict[str, Signal]:
    """Every signal of the gadget by its name in recordings, inputs first."""
    parts: list[tuple[str, Signal]] = []
    parts += [(one.section, Signal(kind=one.kind, name=name)) for one in INPUTS.values()
              if one.section for name in one.members(gadget)]
    for name, light in gadget.lights.items():
        segments = light.leds if light.segments else 0
        parts.append(("lights", Signal(kind="segments" if segments else "light", name=name,
                                       segments=segments)))
    parts += [("loads", Signal(kind="load", name=name)) for name in gadget.loads]
    count: dict[str, int] = {}
    for _, signal in parts:
        count[signal.name] = count.get(signal.name, 0) + 1
    named = {(signal.name if count[signal.name] == 1 and signal.name not in WORLD
              else f"{section}.{signal.name}"): signal for section, signal in parts}
    inputs = {name: signal for name, signal in named.items() if signal.is_input}
    for kind in ("usb", "temperature", "fault"):  # the order of columns
        for name in INPUTS[kind].members(gadget):
            inputs[name] = Signal(kind=INPUTS[kind].kind, name=name)
    outputs = {name: signal for name, signal in named.items() if not signal.is_input}
    for name in gadget.proximity:
        for part in ("emitter", "receiver"):
            outputs[f"{name}.{part}"] = Signal(kind="infrared", name=f"{name}.{part}")
    return inputs | outputs


def find_signal(signals: Mapping[str, Signal], name: str) -> Signal | None:
    """The signal called `name`; also `lights.shelf` for `shelf`, and one segment (`bars.2`)."""
    if name in signals:
        return signals[name]
    section, _, rest = name.partition(".")
    kinds: dict[str, tuple[SignalKind, ...]] = {
        "lights": ("light", "segments"), "loads": ("load",),
        **{one.section: (one.kind,) for one in INPUTS.values() if one.section}}
    if section in kinds:
        inner = find_signal(signals, rest)
        return inner if inner is not None and inner.kind in kinds[section] else None
    whole, _, number = name.rpartition(".")
    if (whole in signals and signals[whole].kind == "segments"
            and re.fullmatch("[0-9]{1,9}", number)):
        signal = signals[whole]
        if 1 <= int(number) <= signal.segments:
            return Signal(kind="segment", name=signal.name, segments=signal.segments,
                          segment=int(number))
    return None


def own_map(recording: Recording, gadget: Gadget) -> Map | None:
    """The map of a recording whose wires are called what the gadget calls its signals.

    None where not one wire is.
    """
    signals = gadget_signals(gadget)
    wires: dict[str, WireMap] = {}
    for wire in recording.wires:
        signal = find_signal(signals, wire.name)
        if signal is not None:
            wires[wire.name] = (WireMap(input=wire.name) if signal.is_input
                                else WireMap(output=wire.name))
    return Map(wires=wires) if wires else None
