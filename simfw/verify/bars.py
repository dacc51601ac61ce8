"""Whether a bar can come back without USB: decided where the hysteresis covers the sag."""

from __future__ import annotations

from collections.abc import Mapping

from simfw.behaviour import expression as ex
from simfw.behaviour.region import System
from simfw.circuit.circuit import Circuit
from simfw.gadget.model import Gadget
from simfw.verify.abstraction import Electrics, reduce_system
from simfw.verify.budget import Budget
from simfw.verify.detail import BANDED
from simfw.verify.explore import explore
from simfw.verify.finding import Verdict
from simfw.verify.machine import Monitor

__all__ = ["bars_verdict"]

NAME = "bars never come back without USB"


def bars_verdict(
    gadget: Gadget, system: System, circuit: Circuit, segments: Mapping[str, int], budget: Budget
) -> Verdict | None:
    """A proof that no bar comes back in a gadget that is never plugged in, None without one.

    The charge only falls then, so a bar comes back only by the sag of a load that goes off, if that
    is more than the hysteresis: where the search finds a way to it, runs have to show it.
    """
    gauge = gadget.gauge
    if gauge is None or not gauge.thresholds or gauge.method != "voltage":
        return None
    rises: ex.Expression = ex.Happened("gauge.up")
    if gadget.charger is not None:
        rises = ex.All((rises, ex.Not(ex.Flag("usb"))))
    reduced = reduce_system(
        system, [Monitor(name=NAME, kind="never", when=rises)], BANDED[0], segments=segments,
        keep=["gauge"], electrics=Electrics(gadget, circuit))
    machine = reduced.machine
    starts = [one for one in reduced.starts if not machine.flag_values(one.config).get("usb")]
    search = explore(machine, starts, budget=budget, allow=lambda name: name != "usb")
    if search.broken or not search.finished or reduced.endless:
        return None
    return Verdict(
        rule=NAME, standing="proved", text=f"proved over {search.states} states",
        states=search.states, finished=True, supply=True,
        detail=f"never plugged in; {reduced.detail.says}", free=reduced.free,
    )
