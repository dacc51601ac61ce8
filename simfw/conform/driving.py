"""What a firmware is driven with, worked out from the gadget."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from simfw.circuit.circuit import Circuit
from simfw.conform.coarse import on_ticks
from simfw.conform.firmware import Difference, Drive
from simfw.errors import UsageError
from simfw.quantity import format_duration
from simfw.stimuli.inputs import settable
from simfw.stimuli.scenario import Scenario, Toggle
from simfw.vectors.build import (
    Rehearsal,
    act_kind,
    acts_of,
    lasting,
    make_vectors,
    replay_scenario,
    to_scenario,
)
from simfw.vectors.files import edges_of
from simfw.vectors.kept import read_vectors
from simfw.vectors.sketch import Act
from simfw.verify.replay import ASSUMED_CHARGE, Options
from simfw.verify.replay import replay as replay_recording

if TYPE_CHECKING:
    from simfw.engine.simulator import Prepared
    from simfw.gadget.model import Gadget
    from simfw.stimuli.recording.signals import Observed

__all__ = ["Recorded", "gaps_of", "inputs_of", "kept_drives", "on_ticks_of", "recorded_drive",
           "scenario_drive", "scenario_of", "vector_drives"]  # fmt: skip

MS = 1_000_000
LONGEST_GAP_MS = 5_000
RESTING_V = 3.8


def vector_drives(gadget: Gadget, prepared: Prepared) -> list[Drive]:
    """All test vectors with what the model does."""
    return [Drive(vector.name, vector.charge, vector.acts, vector.ends_ns, vector.replay,
                  vector.exact)
            for vector in make_vectors(gadget, prepared.system, prepared).vectors]  # fmt: skip


def kept_drives(folder: Path, prepared: Prepared) -> tuple[list[Drive], list[str]]:
    """The test vectors of a folder that `simfw spec` wrote, with what the model does, and what is
    to be said of them. Raises `DescriptionError` with the mistakes of its tables.
    """
    model = Rehearsal(prepared)
    drives, gone, other = [], [], []
    for kept in read_vectors(folder, prepared.gadget):
        played = lasting(model, kept.charge, kept.acts, kept.ends_ns)
        if played is None:
            gone.append(kept.name)
            continue
        drives.append(Drive(kept.name, kept.charge, kept.acts, kept.ends_ns, played, kept.exact))
        if tuple(edges_of(played)) != kept.edges:
            other.append(kept.name)
    said = []
    if gone or other:
        said.append(
            f"{folder} was not written from this gadget file as it is now: the model does "
            f"otherwise in {_some(other)}" + (f" and cannot be told {_some(gone)}" if gone else "")
            + ". New vectors for it: `simfw spec`.")
    return drives, said


def _some(names: Sequence[str], most: int = 5) -> str:
    """Names, some of them where they are many."""
    more = [f"{len(names) - most} more"] if len(names) > most else []
    return " and ".join(filter(None, (", ".join(names[:most]), *more))) or "none"


def on_ticks_of(tick_ns: int, drives: Sequence[Drive], prepared: Prepared) -> list[Drive]:
    """Drives for a firmware that counts in ticks: each act at the beginning of its tick, and what
    the model does then. One that no firmware can be told then is left out.
    """
    model = Rehearsal(prepared)
    made = []
    for drive in drives:
        acts = on_ticks(drive.acts, tick_ns)
        if acts == drive.acts:
            made.append(drive)
            continue
        played = model.played(drive.charge, acts, drive.ends_ns)
        if played is not None:
            made.append(replace(drive, acts=acts, replay=played))
    return made


def scenario_drive(model: Rehearsal, name: str, scenario: Scenario) -> Drive:
    """A scenario as a drive called `name`; UsageError where a firmware cannot be told it."""
    toggles = model.prepared.gadget.toggles
    cuts = {step.target for step in scenario.steps if isinstance(step, Toggle)
            and not step.closed and toggles[step.target].in_supply}
    if cuts:
        raise UsageError(
            f"{name} cannot be used to drive a firmware: {', '.join(sorted(cuts))} cuts its supply "
            "off in it."
        )
    acts = acts_of(scenario, model.prepared.gadget)
    twice = _at_once(acts)
    if twice is not None:
        raise UsageError(
            f"{name} cannot be used to drive a firmware: at {format_duration(twice.at_ns)} "
            f"{twice.name} opens and closes in one instant, in which an input changes once at most."
        )
    played = replay_scenario(model, scenario, whole=False)
    if played is None:
        raise UsageError(
            f"{name} cannot be used to drive a firmware: the cell runs empty in it, a "
            "voltage lies on a threshold, or what one instant switches moves it past a level."
        )
    return Drive(name, scenario.charge, acts, scenario.lasts_ns, played)


def _at_once(acts: Sequence[Act]) -> Act | None:
    """The first contact that moves twice at one time."""
    moved: dict[tuple[int, str], float] = {}
    for act in acts:
        place = act.at_ns, act.name
        if act.kind == "contact" and moved.setdefault(place, act.value) != act.value:
            return act
    return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorded:
    """A recording as a drive, and what is to be said about it."""

    drive: Drive
    said: tuple[str, ...]


def recorded_drive(prepared: Prepared, model: Rehearsal, observed: Observed, options: Options
                   ) -> Recorded:  # fmt: skip
    """What was done to the real thing in a recording, from power-up of the firmware.

    The model is compared with the recording too: a firmware that is like a model which is not like
    the real thing proves little.
    """
    name = observed.recording.path.name
    charge, said = options.charge, []
    if charge is None:
        noted = observed.recording.charge
        charge = ASSUMED_CHARGE if noted is None else noted
        if noted is None:
            said.append(f"{name}: start charge not recorded, {100 * charge:.0f} % is taken.")
    if observed.outputs:
        replayed = replay_recording(observed, prepared.gadget, options)
        charge = replayed.begin.charge
        if not replayed.agrees:
            said.append(f"{name}: the model itself parts from this recording "
                        f"({replayed.mismatches} disagreements); see `simfw replay`.")  # fmt: skip
        if replayed.begin.states:
            said.append(f"{name}: begins in the middle of things ({replayed.begin}); the firmware "
                        "is driven from power-up.")  # fmt: skip
        observed = replayed.observed
    scenario = Scenario(
        title=name, gadget_path=Path(prepared.gadget.file or "gadget.toml"), charge=charge,
        lasts_ns=max(1, observed.end_ns), steps=observed.steps, gadget=prepared.gadget,
    )  # fmt: skip
    drive = scenario_drive(model, name, scenario)
    return Recorded(drive=drive, said=tuple(said))


def inputs_of(gadget: Gadget, circuit: Circuit) -> list[tuple[str, str, float]]:
    """The inputs that random stimuli change: kind, name, value when touched."""
    inputs: list[tuple[str, str, float]] = [("contact", name, 1.0) for name in gadget.buttons]
    for name in gadget.proximity:
        reach = circuit.range_m(name, RESTING_V)
        if reach:
            inputs.append(("hand", name, max(0.01, round(0.5 * reach, 3))))
    for kind, name in settable(gadget):
        inputs += [(act_kind(kind.kind), name, level) for level in kind.levels(gadget, name)]
    if gadget.charger is not None:
        inputs.append(("usb", "usb", 1.0))
    return inputs


def gaps_of(gadget: Gadget) -> list[int]:
    """Times (ms) worth trying between two changes: just under, at and over those of the gadget."""
    times = [button.debounce.ns for button in gadget.buttons.values()]
    times += [kind.settled_ns(gadget, name) for kind, name in settable(gadget)]
    for button in gadget.buttons.values():
        parts = (*(part for _, part in button.hold_lengths), button.double,
                 button.debounce_release, button.second_hold, button.repeat)
        times += [part.ns for part in parts if part is not None]
    times += [chord.within.ns for chord in gadget.chords.values()]
    for sensor in gadget.proximity.values():
        times += [sensor.every.ns, sensor.clear.ns]
    gaps = {1, 40}
    for time in times:
        gaps |= {max(1, time // MS + side) for side in (-1, 0, 1)}
    return sorted(gap for gap in gaps if gap <= LONGEST_GAP_MS)


def scenario_of(gadget: Gadget, found: Difference) -> Scenario | None:
    """The stimuli of a difference as a scenario; None where only a bench can do them."""
    scenario = to_scenario(gadget, found.drive.charge, found.drive.acts, found.drive.ends_ns)
    if scenario is None:
        return None
    title = f"Witness: the model says {found.expected}, the firmware {found.told}"
    return replace(scenario, title=title)
