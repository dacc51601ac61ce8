"""The books: from the time spent on pieces of charge clocks to charge per consumer and state."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from simfw.behaviour.table import Stepper
from simfw.circuit.charger import ChargerMode
from simfw.engine.cycle import Cycle
from simfw.engine.phase import Phase
from simfw.engine.run import ConsumerUse, StateUse

__all__ = ["Totals", "total"]

Array = NDArray[np.float64]


@dataclass(slots=True)
class Totals:
    """Charge per consumer (C), the charger's output (C), and time and charge per state.

    `fed_c` is what each light took from USB (C), in the order of `Circuit.fed`.
    """

    consumers: tuple[ConsumerUse, ...] = ()
    charger_c: float = 0.0
    fed_c: tuple[float, ...] = ()
    use: dict[tuple[int, ...], list[float]] = field(default_factory=dict)
    time_ns: dict[tuple[int, ...], int] = field(default_factory=dict)

    def states(self, stepper: Stepper) -> tuple[StateUse, ...]:
        """Time and charge of each state of each region that the run was in, in file order."""
        found = []
        for r, region in enumerate(stepper.region_names):
            for number, name in enumerate(stepper.state_names[r]):
                spent = sum(t for states, t in self.time_ns.items() if states[r] == number)
                if spent:
                    drawn = sum(
                        sum(parts) for states, parts in self.use.items() if states[r] == number
                    )
                    found.append(StateUse(region, name, spent, drawn))
        return tuple(found)

    def add(self, states: tuple[int, ...], time_ns: int, charge_c: float) -> None:
        """Count time and charge for one combination of states."""
        self.time_ns[states] = self.time_ns.get(states, 0) + time_ns
        self.use.setdefault(states, []).append(charge_c)


def total(
    names: Sequence[str], time_in: Mapping[Phase, int], cycles: Sequence[Cycle],
    fed_a: Callable[[ChargerMode, Array], Array],
) -> Totals:
    """Add up what phases and folded cycles have counted; `fed_a` is that of the circuit."""
    result = Totals()
    drawn = np.zeros(len(names))
    fed_c = 0.0 * fed_a("off", np.zeros(1))[:, 0]
    lumps_c = 0.0
    for phase, time_ns in time_in.items():
        clock = phase.clock
        weights, counted_s = clock.weights(phase.tally)
        parts = clock.consumers_a @ weights
        drawn += parts
        result.charger_c += float(clock.charger_a @ weights)
        if fed_c.size:
            amps = fed_a(phase.loads.charger, clock.charger_a)
            fed_c += amps @ weights
            # An empty cell gives nothing, and its clock counts nothing: USB goes on.
            fed_c += amps[:, 0] * max(0.0, time_ns * 1e-9 - counted_s)
        lumps_c += phase.lump_c
        result.add(phase.states, time_ns, float(parts.sum()) + phase.lump_c)
    for cycle in cycles:
        for turn in cycle.turns.values():
            if not turn.count:
                continue
            weights, _ = turn.clock.weights(turn.tally)
            drawn += turn.clock.consumers_a @ weights
            result.charger_c += float(turn.clock.charger_a @ weights)
            if fed_c.size:  # the supply stays as it is in a cycle
                mode = cycle.members[0].phase.loads.charger
                fed_c += fed_a(mode, turn.clock.charger_a) @ weights
            for phase, time_ns, wakes, charge_c in turn.uses():
                woken_c = wakes * cycle.wake_c
                lumps_c += woken_c
                result.add(phase.states, time_ns, charge_c + woken_c)
    uses = []
    for name, charge_c in zip(names, drawn.tolist(), strict=True):
        uses.append(ConsumerUse(name, charge_c + (lumps_c if name == "controller" else 0.0)))
    result.consumers = tuple(uses)
    result.fed_c = tuple(fed_c.tolist())
    return result
