"""Whether a bench and a real unit can be held to what shows in a course."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from typing import TYPE_CHECKING

from simfw.vectors.clocked import USUAL_CLOCK, windows
from simfw.vectors.exact import Closeness
from simfw.vectors.nodes import Found
from simfw.vectors.replay import Replay, Replayer
from simfw.vectors.sketch import Act

if TYPE_CHECKING:
    from simfw.engine.simulator import Prepared
    from simfw.gadget.model import Gadget

__all__ = ["LONGEST_NS", "at_power_up", "clock_of", "fits", "is_close"]

LONGEST_NS = 10 * 86_400_000 * 1_000_000  # that anyone would sit at a bench for


def at_power_up(acts: Sequence[Act]) -> bool:
    """Whether a contact moves in the very instant of a power-up, which no bench can do."""
    back = {0, *(act.at_ns for act in acts if act.kind == "supply" and act.value)}
    return any(act.kind == "contact" and act.at_ns in back for act in acts)


def is_close(prepared: Prepared, path: Found) -> bool:
    """Whether a course hangs on what comes first within a few milliseconds."""
    closeness = Closeness(prepared.system, prepared.circuit, prepared.gadget.segments)
    return at_power_up(path.acts) or closeness.of(path.charge, path.acts, path.ends_ns)


def clock_of(gadget: Gadget) -> Fraction | None:
    """How far the clock may be off (0..1), where that is known."""
    written = None if gadget.controller is None else gadget.controller.clock
    return None if written is None else Fraction(repr(written.value))


def fits(prepared: Prepared, model: Replayer, path: Found) -> bool:
    """Whether they can, as far as is seen at a standing charge."""
    if path.ends_ns > LONGEST_NS or is_close(prepared, path):
        return False
    clock = clock_of(prepared.gadget)

    def at(rate: Fraction) -> Replay | None:
        acts = [replace(act, at_ns=round(act.at_ns * rate)) for act in path.acts]
        return model.played(path.charge, acts, round(path.ends_ns * rate))

    played = at(Fraction(1))
    return played is not None and windows(
        played, at, USUAL_CLOCK if clock is None else clock) is not None
