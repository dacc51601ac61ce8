"""The short cautions that stand beside results; `docs/explanation/cautions.md` has them in full."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from simfw.gadget.model import Gadget

__all__ = ["DRIVEN_STATUS", "bearing", "caution_block", "caution_lines", "cautions"]

Command = Literal["check", "conform", "next", "replay", "sweep"]

CELL = (
    "Cell: keep within the maker's limits for voltage, current and temperature; never use one "
    "again that is swollen, dented, hot or smells; cover its tabs before you open a board."
)
PRIMARY = (
    "Charging: this gadget has no charger in its file. Never charge a primary cell, and keep coin "
    "cells where children cannot get at them."
)
SERIES = (
    "Cells in series: these figures take them as equal. In a real pack the weakest is empty first, "
    "and the others drive it backwards. Never mix kinds, makes or ages; how a pack is watched and "
    "charged is for licensed practice."
)
CHARGING = (
    "Charging: not below 0 °C nor above 45 °C, nor above the cell's limit voltage; stay with it, "
    "on a surface that does not burn. A load on the cell can keep a charger from finishing."
)
INFRARED = (
    "Infra-red: it cannot be seen. Do not look into an emitter from close by or through a lens, "
    "least of all when a fault holds it on."
)
LIGHT = "Light: do not stare into a lamp at full level; slow blinking can provoke seizures."
PROOF = (
    "These figures are computed and prove nothing about anybody's safety: limits stay in hardware, "
    "local codes and licensed practice come first. More: simfw help cautions"
)
REST = "Local codes and licensed practice come first. The rest: simfw help cautions"

BY_HAND = (
    "By hand on the real gadget: stay with a cell that is charged or drained for this, within the "
    "maker's limits for voltage, current and temperature."
)
PROVED = (
    '"Proved" is said of this file, never of the gadget on the bench: no light, charger or cell '
    f"may rely on it, limits stay in hardware. {REST}"
)
PROBES = (
    "Probes: connect grounds first and signals after; a clip that slips can short a cell, which is "
    "always live, and a probe left on feeds a controller that is off."
)
STUCK = (
    "Probes: connect grounds first and signals after. Do not look into the infra-red emitter: a "
    "clip that slips can hold it on."
)
AGREES = (
    "A recording that agrees shows what happened once, not that the gadget is harmless. "
    f"{REST}"
)
COMPUTED = f"These figures are computed and prove nothing about anybody's safety. {REST}"
PARTS = (
    "Changed parts: another resistor, level or time is another current and another heat. Keep "
    "every LED, pin and switch within its maker's limits."
)
CHANGED_EMITTER = (
    "Changed sensor: more current, longer or more bursts are more infra-red, which cannot be "
    "seen. Do not look into it; what is allowed is for the standard for lamps and licensed "
    "practice."
)
CHANGED_CHARGE = (
    "Changed cell or charger: current, voltage and temperature stay within the cell's own sheet. "
    "Stay with its first charge, on a surface that does not burn."
)
FIRST_POWER = (
    "First power-up of new firmware: cell out, USB unplugged, a bench supply with its current "
    "limit set. A status pin that is driven by hand fights the charger's output."
)
HOST = (
    "Compared was a program on this host. Limits of charge, discharge and current stay in "
    f"hardware, never in this firmware alone. {REST}"
)
METER = (
    "At the bench: a cell is always live. Cover its tabs, and let no probe, clip or meter short "
    "it. Stay with a cell that is charged or run down, and stop at the end of discharge on its own "
    "sheet."
)
IN_PLACE = (
    "A bench supply goes in place of the cell, never beside it: cell out, USB unplugged, current "
    f"limit set. {REST}"
)
NO_LOOK = "Do not look into the infra-red emitter."
NO_CHARGE = "Never charge a primary cell."
DRIVEN_STATUS = (
    "The status pin is an output of the charger: driven by hand against it, both can be damaged. "
    "Take the charger off that line and leave it without power, set the level through a resistor "
    "that keeps the current within what the pins bear, and make the USB level at its own pin."
)


def cautions(gadget: Gadget) -> tuple[str, ...]:
    """The cautions that apply to the parts of `gadget`, a sentence or two each."""
    said = [CELL, PRIMARY if gadget.charger is None else CHARGING]
    if gadget.cell.series > 1:
        said.append(SERIES)
    if any(sensor.emitter is not None for sensor in gadget.proximity.values()):
        said.append(INFRARED)
    if gadget.lights:
        said.append(LIGHT)
    return (*said, PROOF)


def caution_lines(gadget: Gadget, width: int = 100) -> list[str]:
    """The cautions as indented lines of at most `width` characters."""
    return [
        line
        for text in cautions(gadget)
        for line in textwrap.wrap(text, width, initial_indent="  ", subsequent_indent="    ")
    ]


def caution_block(
    gadget: Gadget, command: Command, paint: Callable[[str, str], str],
    varied: Sequence[str] = (),
) -> str:
    """The two cautions that bear on a command, with their heading and where the rest is.

    `varied` are the keys of the figures that a sweep varies.
    """
    lines = ["", paint("Cautions", "head")]
    for text in bearing(gadget, command, varied):
        lines += textwrap.wrap(text, 80, initial_indent="  ", subsequent_indent="    ",
                               break_on_hyphens=False)
    return "".join(f"{line}\n" for line in lines)


def bearing(
    gadget: Gadget, command: Command, varied: Sequence[str] = ()
) -> tuple[str, str]:
    """The two cautions that bear on a command; `varied` as in `caution_block`."""
    infrared = any(sensor.emitter is not None for sensor in gadget.proximity.values())
    if command == "check":
        return BY_HAND, PROVED
    if command == "next":
        first = METER if gadget.charger is not None else f"{METER} {NO_CHARGE}"
        return first, f"{NO_LOOK} {IN_PLACE}" if infrared else IN_PLACE
    if command == "replay":
        return STUCK if infrared else PROBES, AGREES
    if command == "conform":
        return FIRST_POWER, HOST
    if any(key.startswith(("cell.", "charger.")) for key in varied):
        return CHANGED_CHARGE, COMPUTED
    if infrared and any(key.startswith("proximity.") for key in varied):
        return CHANGED_EMITTER, COMPUTED
    return PARTS, COMPUTED
