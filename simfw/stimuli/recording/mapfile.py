"""The map: which wire of a recording is which signal of the gadget, and how to read it.

A signal is called what the gadget file calls it: a button, a proximity sensor (the hand), `usb`,
`temperature` are inputs; a light, a load, `SENSOR.emitter` and `SENSOR.receiver` are outputs. A
segmented light is a number of lit segments, or one wire per segment (`bars.1`, `bars.2`, ...).
Where one name stands for two things, the section goes before it (`buttons.power`).
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from simfw.errors import DescriptionError, Problem, UsageError, nearest
from simfw.gadget.fields import Metres, Ratio, Time, Volts
from simfw.gadget.model import Gadget
from simfw.stimuli.recording.base import Recording
from simfw.stimuli.recording.frames import FrameForm

__all__ = ["FrameMap", "Map", "Signal", "WireMap", "gadget_signals", "own_map", "read_map"]

SignalKind = Literal[
    "contact", "hand", "usb", "temperature", "light", "segments", "segment", "load", "infrared"
]
INPUTS = frozenset({"contact", "hand", "usb", "temperature"})


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


Pair = Annotated[tuple[Time, Time], BeforeValidator(_pair)]


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

    header: Pair
    mark: Time
    zero: Time
    one: Time
    bits: Annotated[int, Field(ge=1, le=256)]
    tolerance: Ratio
    repeat: Pair | None = None
    repeat_within: Time | None = None
    order: Literal["low bit first", "high bit first"] = "low bit first"
    check: Literal["none", "last byte inverts the one before"] = "none"
    press: Time
    repeats: Literal["hold", "ignore"] = "ignore"
    codes: dict[str, str] = {}

    def frame_form(self) -> FrameForm:
        """The timings for the decoder."""
        return FrameForm(
            header_mark=self.header[0].ns, header_space=self.header[1].ns, mark=self.mark.ns,
            zero_space=self.zero.ns, one_space=self.one.ns, bits=self.bits,
            tolerance=self.tolerance.value, order=self.order, check=self.check,
            repeat_space=None if self.repeat is None else self.repeat[1].ns,
            **({} if self.repeat_within is None else {"repeat_within": self.repeat_within.ns}),
        )


class Map(_Part):
    """A map file. `start` names states (region -> state) and `charge` the cell's charge."""

    about: str = ""
    gadget: str | None = None
    timescale: Time | None = None
    glitch: Time | None = None
    charge: Ratio | None = None
    start: dict[str, str] = {}
    wires: dict[str, WireMap] = {}
    frames: dict[str, FrameMap] = {}
    file: Annotated[str, Field(exclude=True)] = ""

    @property
    def timescale_s(self) -> Fraction | None:
        """Seconds per tick for a dump that states none."""
        return None if self.timescale is None else Fraction(self.timescale.ns, 10**9)


def read_map(path: Path) -> Map:
    """Read a map file. Raises `DescriptionError` with all its problems, each with its line."""
    try:
        text = path.read_text(encoding="utf-8")
        data = tomllib.loads(text)
    except OSError as error:
        raise UsageError(f"{path}: cannot be read ({error.strerror}).") from error
    except UnicodeDecodeError as error:
        raise DescriptionError([Problem(key="", file=str(path), text="this is not UTF-8 text")]
                               ) from error
    except tomllib.TOMLDecodeError as error:
        found = re.search(r"line (\d+)", str(error))
        raise DescriptionError([Problem(
            key="", file=str(path), line=int(found[1]) if found else None,
            text=f"this is not TOML ({error})")]) from error
    try:
        mapped = Map.model_validate(data).model_copy(update={"file": str(path)})
    except ValidationError as error:
        raise DescriptionError([_problem(path, text, found) for found in error.errors()]
                               ) from error
    problems = list(_checks(mapped, path, text))
    if problems:
        raise DescriptionError(problems)
    return mapped


def _problem(path: Path, text: str, found: Any) -> Problem:
    keys = [str(part) for part in found["loc"] if not str(part).startswith("function-")]
    value = found["input"]
    shown = value if isinstance(value, str | int | float | bool) else None
    message, allowed, suggestion = found["msg"], None, None
    if found["type"] == "extra_forbidden":
        names = _fields(keys[:-1])
        message, shown = "unknown key", None
        allowed, suggestion = ", ".join(names), nearest(keys[-1], names)
    elif found["type"] == "missing":
        message, shown = "this key is missing", None
    elif "ctx" in found and "error" in found["ctx"]:
        inner = found["ctx"]["error"]
        message = getattr(inner, "text", str(inner))
        allowed = getattr(inner, "allowed", None)
        suggestion = getattr(inner, "suggestion", None)
    elif found["type"] == "literal_error":
        message, allowed = "this is not one of the choices", found["ctx"]["expected"]
    return Problem(file=str(path), line=_line(text, keys), key=".".join(keys),
                   found=None if shown is None else repr(shown).replace("'", '"'),
                   text=message[:1].lower() + message[1:], allowed=allowed, suggestion=suggestion)


def _fields(above: list[str]) -> list[str]:
    model: type[_Part] = Map
    if len(above) == 2:
        model = WireMap if above[0] == "wires" else FrameMap
    return [name for name in model.model_fields if name != "file"]


def _line(text: str, keys: list[str]) -> int | None:
    """The line of a key: the last line of the deepest part of the path that can be found."""
    lines = text.splitlines()
    at: int | None = None
    position = 0
    for depth, key in enumerate(keys):
        bare = rf'(?:"{re.escape(key)}"|{re.escape(key)})'
        head = ".".join(rf'(?:"{re.escape(part)}"|{re.escape(part)})' for part in keys[: depth + 1])
        for number in range(position, len(lines)):
            line = lines[number]
            if re.match(rf"\s*\[\s*{head}\s*\]", line) or re.match(
                    rf"\s*(?:[\w\"-]+\.)*{bare}\s*=", line) or (
                    at == number + 1 and re.search(rf"[{{,]\s*{bare}\s*=", line)):
                at, position = number + 1, number
                break
    return at


def _checks(mapped: Map, path: Path, text: str) -> Iterable[Problem]:
    for name, wire in mapped.wires.items():
        key = ["wires", name]

        def problem(text_: str, key: list[str] = key, **more: str | None) -> Problem:
            return Problem(file=str(path), line=_line(text, key), key=".".join(key), text=text_,
                           **more)  # type: ignore[arg-type]

        if wire.decode == "frame":
            if wire.output is not None or wire.input is not None:
                yield problem("a frame wire takes neither `input` nor `output`; its codes name "
                              "buttons")
            if wire.form not in mapped.frames:
                yield problem("no such form of frames", [*key, "form"], found=str(wire.form),
                              allowed=", ".join(mapped.frames) or "a section [frames.NAME]",
                              suggestion=nearest(str(wire.form), mapped.frames))
        elif (wire.input is None) == (wire.output is None):
            yield problem("a wire is either an `input` or an `output`")
        wanted = {"longest": "pwm", "step": "pwm", "gap": "burst", "form": "frame"}
        for option, decode in wanted.items():
            if getattr(wire, option) is not None and wire.decode != decode:
                yield problem(f'`{option}` belongs to decode = "{decode}"', [*key, option])
    for name, frame in mapped.frames.items():
        for code in frame.codes:
            if not re.fullmatch(r"[0-9A-Fa-f]+", code) or len(code) * 4 != -(-frame.bits // 8) * 8:
                yield Problem(
                    file=str(path), line=_line(text, ["frames", name, "codes", code]),
                    key=f"frames.{name}.codes", found=code, text="this is not a code of this form",
                    allowed=f"{-(-frame.bits // 8) * 2} hexadecimal digits, in order of arrival")


def gadget_signals(gadget: Gadget) -> dict[str, Signal]:
    """Every signal of the gadget by its name in recordings, inputs first."""
    parts: list[tuple[str, Signal]] = []
    parts += [("buttons", Signal(kind="contact", name=name)) for name in gadget.buttons]
    parts += [("proximity", Signal(kind="hand", name=name)) for name in gadget.proximity]
    for name, light in gadget.lights.items():
        segments = light.leds if light.segments else 0
        parts.append(("lights", Signal(kind="segments" if segments else "light", name=name,
                                       segments=segments)))
    parts += [("loads", Signal(kind="load", name=name)) for name in gadget.loads]
    count: dict[str, int] = {}
    for _, signal in parts:
        count[signal.name] = count.get(signal.name, 0) + 1
    named = {(signal.name if count[signal.name] == 1 and signal.name not in ("usb", "temperature")
              else f"{section}.{signal.name}"): signal for section, signal in parts}
    inputs = {name: signal for name, signal in named.items() if signal.is_input}
    inputs["usb"] = Signal(kind="usb", name="usb")
    inputs["temperature"] = Signal(kind="temperature", name="temperature")
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
    kinds = {"buttons": ("contact",), "proximity": ("hand",), "lights": ("light", "segments"),
             "loads": ("load",)}
    if section in kinds:
        inner = find_signal(signals, rest)
        return inner if inner is not None and inner.kind in kinds[section] else None
    whole, _, number = name.rpartition(".")
    if whole in signals and signals[whole].kind == "segments" and number.isdigit():
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
