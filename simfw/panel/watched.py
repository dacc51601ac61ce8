"""A scenario that is watched on the panel: its steps happen by themselves, in their time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from simfw.bench.journal import Deed
from simfw.engine.prepared import Prepared
from simfw.engine.simulator import simulate
from simfw.engine.snapshot import Snapshot
from simfw.engine.timeline import timeline
from simfw.gadget.model import Gadget
from simfw.stimuli.scenario import Scenario

if TYPE_CHECKING:
    from simfw.engine.run import Expected

__all__ = ["Recorded", "Watched", "deeds_of"]

MOST_TOLD = 200
MOST_BLOCKS = 400

Recorded = Mapping[str, Sequence[tuple[int, float]]]
"""What each recorded output did: from when (ns) on it was at which level."""


def deeds_of(scenario: Scenario, gadget: Gadget) -> list[Deed]:
    """What a scenario does, in the order in which it happens."""
    return [
        Deed(change.time_ns, change.kind, change.name, change.value)
        for change in timeline(scenario, gadget) if change.kind != "expect"
    ]


class Watched:
    """A scenario with its expectations as one run of it met them, or not."""

    def __init__(
        self, scenario: Scenario, prepared: Prepared, notes: Sequence[str],
        recorded: Recorded | None = None, begin: Snapshot | None = None,
    ) -> None:
        """`begin` is where the run begins, None at power-up."""
        run = simulate(prepared.gadget, scenario, prepared=prepared, trace=False, log=False,
                       resume=None if begin is None else begin.from_zero())
        self._scenario = scenario
        self._notes = tuple(notes)
        self._recorded = recorded or {}
        self.expected: tuple[Expected, ...] = run.expectations

    @property
    def first_unmet_ns(self) -> int | None:
        """When the first expectation is not met; None where all are."""
        return next((one.time_ns for one in self.expected if not one.met), None)

    def blocks(self, start_ns: int, end_ns: int) -> dict[str, list[tuple[int, int, float]]]:
        """Where recorded outputs were on in [start_ns, end_ns): from, until, share of the most."""
        found = {}
        end_ns = min(end_ns, self._scenario.lasts_ns)
        for name, steps in self._recorded.items():
            most = max((level for _, level in steps), default=0.0)
            ends = [*(time_ns for time_ns, _ in steps[1:]), self._scenario.lasts_ns]
            blocks = [
                (max(time_ns, start_ns), min(until, end_ns), level / most)
                for (time_ns, level), until in zip(steps, ends, strict=False)
                if level > 0 and time_ns < end_ns and until > start_ns
            ]
            found[name] = blocks[:MOST_BLOCKS]
        return found

    def told(self) -> dict[str, Any]:
        """What the page tells of it; of very many expectations the first, unmet ones before all."""
        first = sorted(self.expected, key=lambda one: (one.met, one.time_ns))[:MOST_TOLD]
        return {
            "title": self._scenario.title,
            "lasts_ns": self._scenario.lasts_ns,
            "count": len(self.expected),
            "met": sum(one.met for one in self.expected),
            "notes": list(self._notes),
            "expectations": [
                {"time_ns": one.time_ns, "text": one.expression, "met": one.met,
                 "why": one.why or ""}
                for one in sorted(first, key=lambda one: one.time_ns)
            ],
        }

