"""What the subcommands about recordings share."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

from simfw.errors import QuantityError, UsageError
from simfw.quantity import read_ns

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget
    from simfw.stimuli.recording.mapfile import Map
    from simfw.stimuli.recording.signals import Observed

__all__ = ["gadget_of", "observed_in", "tick_length", "time_ns"]


def observed_in(path: Path, mapped: Map | None, gadget: Gadget, gadget_path: str | Path
                ) -> tuple[Observed, Map]:  # fmt: skip
    """A recording read through its map, or through the gadget's own names where there is none.

    Raises UsageError where no wire has such a name, DescriptionError where the recording breaks.
    """
    from simfw.stimuli.recording import open_recording
    from simfw.stimuli.recording.mapfile import own_map
    from simfw.stimuli.recording.signals import observe

    recording = open_recording(path, timescale=None if mapped is None else mapped.timescale_s)
    if mapped is None:
        mapped = own_map(recording, gadget)
        if mapped is None:
            names = ", ".join(wire.name for wire in recording.wires)
            raise UsageError(f"{path}: no wire ({names}) is called like a signal of "
                             f"the gadget. `simfw map {path} --gadget "
                             f"{gadget_path}` drafts a map; give it with --map.")
    return observe(recording, mapped, gadget), mapped


def gadget_of(recording: Path, given: str | Path | None, mapped: Map | None,
              map_path: str | Path | None) -> Path:
    """The gadget file of a recording: the one given, or else the one that its map names.

    Raises UsageError where neither says one, or where there is no such recording at all.
    """
    if not recording.exists():
        raise UsageError(f"{recording}: there is no such file.")
    if given is not None:
        return Path(given)
    if map_path is None or mapped is None or mapped.gadget is None:
        raise UsageError("No gadget file: give --gadget, or a map that names one.")
    return Path(map_path).parent / mapped.gadget


def time_ns(option: str, text: str) -> int:
    """An option's time in ns; raises `UsageError`."""
    try:
        return read_ns(text)
    except QuantityError as error:
        raise UsageError(f"{option} {text}: {error.text}. Allowed: {error.allowed}.") from error


def tick_length(text: str | None) -> Fraction | None:
    """The option `--timescale` in seconds."""
    return None if text is None else Fraction(time_ns("--timescale", text), 10**9)
