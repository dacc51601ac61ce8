"""Which vectors hang on what comes first within a few milliseconds: those are for the host only.

Asked of vectors that are made to tell a fault. Of those that run through rows nearly all would be:
they are not asked.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise

from simfw.behaviour.region import System
from simfw.circuit.circuit import Circuit
from simfw.vectors.sketch import Act, Sketch

__all__ = ["CLOSE_NS", "Closeness"]

CLOSE_NS = 5_000_000  # what a bench and a firmware of another clock may take in the other order


class Closeness(Sketch):
    """A sketch that notes whether two times of different regions end, or an input changes and a
    time ends, within `CLOSE_NS` of each other. Looks and samples tick on and are left out, and so
    is an input that changes after the end of a time: only what still runs is compared.
    """

    def __init__(self, system: System, circuit: Circuit, segments: Mapping[str, int]) -> None:
        super().__init__(system, circuit, segments)
        ticking = {region.name for region in system.regions
                   if region.group == "gauge" or region.name.endswith(".look")}
        self.lasting = [number for number, name in enumerate(self.stepper.region_names)
                        if name not in ticking]
        self.close = False

    def of(self, charge: float, acts: Sequence[Act], ends_ns: int) -> bool:
        """Whether anything comes that close in these acts."""
        self.close = False
        self.start(charge, [act for act in acts if act.at_ns == 0])
        later = [act for act in acts if act.at_ns > 0]
        for at in sorted({act.at_ns for act in later}):
            self.go_to(at)
            self._compare([at, *self._ends()])
            self.act([act for act in later if act.at_ns == at])
        self.go_to(ends_ns)
        return self.close

    def _ends(self) -> list[int]:
        due = self.stepper.due()
        return [due[number] for number in self.lasting]

    def _compare(self, times: Sequence[int]) -> None:
        ordered = sorted(times)
        self.close |= any(later - earlier < CLOSE_NS and later < 1 << 62
                          for earlier, later in pairwise(ordered))

    def _instant(self, raw: list[str], *, power_up: bool = False) -> None:
        super()._instant(raw, power_up=power_up)
        self._compare(self._ends())
