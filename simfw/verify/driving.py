"""What a firmware is driven with, worked out from the gadget."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from simfw.circuit.circuit import Circuit
from simfw.report.vectors.build import make_vectors, replay_scenario, replayer_of, to_scenario
from simfw.verify.conform import Difference, Drive

if TYPE_CHECKING:
    from simfw.engine.simulator import Prepared
    from simfw.gadget.model import Gadget
    from simfw.stimuli.scenario import Scenario

__all__ = ["gaps_of", "inputs_of", "scenario_of", "segments_of", "vector_drives"]

MS = 1_000_000
LONGEST_GAP_MS = 5_000
RESTING_V = 3.8


def segments_of(gadget: Gadget) -> dict[str, int]:
    """The number of segments of each segmented light."""
    return {name: light.leds for name, light in gadget.lights.items() if light.segments}


def vector_drives(gadget: Gadget, prepared: Prepared, *, whole: bool = False) -> list[Drive]:
    """All test vectors with what the model does.

    Unless `whole`, periods in which only what was seen before goes on (looks with nobody there) are
    not compared; what follows them is.
    """
    model = replayer_of(prepared, segments_of(gadget))
    drives = []
    for vector in make_vectors(gadget, prepared.system, prepared).vectors:
        if vector.scenario is not None:
            played = replay_scenario(prepared, model, vector.scenario, whole=whole)
        else:
            played = model.play(charge=vector.charge, acts=vector.acts, ends_ns=vector.ends_ns,
                                whole=whole)  # fmt: skip
        if played is not None:
            drives.append(Drive(vector.name, vector.charge, vector.acts, vector.ends_ns, played))
    return drives


def inputs_of(gadget: Gadget, circuit: Circuit) -> list[tuple[str, str, float]]:
    """The inputs that random stimuli change: kind, name, value when on."""
    inputs: list[tuple[str, str, float]] = [("contact", name, 1.0) for name in gadget.buttons]
    for name in gadget.proximity:
        reach = circuit.range_m(name, RESTING_V)
        if reach:
            inputs.append(("hand", name, max(0.01, round(0.5 * reach, 3))))
    if gadget.charger is not None:
        inputs.append(("usb", "usb", 1.0))
    return inputs


def gaps_of(gadget: Gadget) -> list[int]:
    """Times (ms) worth trying between two changes: just under, at and over those of the gadget."""
    times = [button.debounce.ns for button in gadget.buttons.values()]
    for button in gadget.buttons.values():
        times += [part.ns for part in (button.hold, button.double) if part is not None]
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
