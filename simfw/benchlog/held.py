"""What hands hold so that a stock region stays in a state: a meter reads while a button is down."""

from __future__ import annotations

from simfw.behaviour.region import Region
from simfw.gadget.model import Gadget
from simfw.stimuli.inputs import INPUTS
from simfw.stimuli.steps import ChargerFault, Press, Step, Toggle, Usb, Wave

__all__ = ["held_for"]

_LONG_NS = 10**17  # three years: longer than any reading
_NEAR_M = 0.05


def held_for(gadget: Gadget, region: Region, state: str) -> tuple[Step, ...] | None:
    """The stimuli at time 0 that put a stock region into `state` and keep it there.

    None where nothing keeps it there: it passes through that state by itself.
    """
    name, _, part = region.name.partition(".")
    match region.group, part, state.partition(".")[0]:
        case ("buttons", _, "up" | "still" | "quiet") | ("proximity", "field", "clear"):
            return ()
        case ("buttons", "gesture", "down") if not gadget.buttons[name].hold_lengths:
            return (_pressed(name),)
        case ("buttons", "gesture", "held") if (
            "." in state and state != f"held.{gadget.buttons[name].hold_lengths[-1][0]}"
        ):
            return None  # a longer hold comes
        case ("buttons", _, "held" | "repeating"):
            return (_pressed(name),)
        case ("proximity", "field", "near"):
            return (Wave(at_ns=0, sensor=name, distance_m=_NEAR_M, for_ns=_LONG_NS),)
        case ("toggles", _, _) if state in ("on", "off"):
            return (Toggle(at_ns=0, toggle=name, closed=state == "on"),)
        case ("measures", "", "passed") if state.count(".") == 1:
            kind = INPUTS["measure"]
            level = kind.levels(gadget, name)[int(state.partition(".")[2])]
            return (kind.set_to(gadget, name, 0, level),)
        case ("charge", _, "unplugged"):
            return ()
        case ("charge", _, "fault"):
            return (Usb(at_ns=0, present=True), ChargerFault(at_ns=0, present=True))
        case ("charge", _, _):
            return (Usb(at_ns=0, present=True),)
        case ("gauge", _, "bars" | "unread" | "fine" | "low" | "flat"):
            return ()  # it follows the charge
        case ("chords", _, _):
            return tuple(map(_pressed, gadget.chords[name].buttons)) if (
                state != region.starts) else ()
    return None


def _pressed(button: str) -> Press:
    return Press(at_ns=0, button=button, for_ns=_LONG_NS)
