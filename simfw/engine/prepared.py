"""What simulations of one gadget share."""

from __future__ import annotations

import copy

from simfw.behaviour.build import build_system
from simfw.behaviour.region import System
from simfw.behaviour.rules import build_rules
from simfw.circuit.circuit import Circuit, LoadSet
from simfw.engine.clock import Clock
from simfw.gadget.model import Gadget

__all__ = ["Prepared"]


class Prepared:
    """What simulations of one gadget share: circuit, system, rules, tabulated charge clocks."""

    def __init__(
        self, gadget: Gadget, *, reference_v: float | None = None, like: Prepared | None = None
    ) -> None:
        """`like` lends its circuit; its gadget may differ in behaviour only."""
        self.gadget = gadget
        self.circuit: Circuit = (
            Circuit(gadget, reference_v=reference_v) if like is None else like.circuit
        )
        self.system = build_system(gadget)
        self.rules = build_rules(gadget, self.system)
        self.clocks: dict[LoadSet, Clock] = {} if like is None else like.clocks

    def with_system(self, system: System) -> Prepared:
        """The same circuit and clocks under another behaviour, without rules."""
        other = copy.copy(self)
        other.system = system
        other.rules = ()
        return other
