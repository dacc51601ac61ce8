"""The short cautions that stand beside results; `docs/explanation/cautions.md` has them in full."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget

__all__ = ["caution_lines", "cautions"]

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
    "local codes and licensed practice come first. More: docs/explanation/cautions.md"
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
