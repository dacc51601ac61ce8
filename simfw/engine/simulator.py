"""The simulator's door: `simulate`.

`simulate` is a pure function of gadget, scenario, seed and the state it resumes from. The run is
the half-open interval [start, end).
"""

from __future__ import annotations

from collections.abc import Sequence

from simfw.engine.observer import Observer
from simfw.engine.prepared import Prepared
from simfw.engine.run import Run
from simfw.engine.simulation import Simulation
from simfw.engine.snapshot import Snapshot
from simfw.errors import UsageError
from simfw.gadget.model import Gadget
from simfw.stimuli.scenario import Scenario

__all__ = ["Prepared", "Simulation", "simulate"]


def simulate(
    gadget: Gadget,
    scenario: Scenario,
    *,
    seed: int = 0,
    fold: bool = True,
    trace: bool = True,
    log: bool = True,
    observers: Sequence[Observer] = (),
    resume: Snapshot | None = None,
    prepared: Prepared | None = None,
) -> Run:
    """Run `scenario` on `gadget` and return the `Run`.

    `fold=False` handles every look, blink and sample one by one. `trace=False` leaves
    `Run.intervals` empty, `log=False` leaves `Run.events` empty: memory then does not grow with the
    time that is simulated. `resume` goes on from the end of another
    run of the same gadget: the scenario's times then count from there. `prepared` shares the
    tabulated circuit between runs of one gadget.

    Raises EndlessInstant when an instant does not come to rest, DescriptionError when the gadget's
    figures make no circuit or its behaviour does not hold together.
    """
    shared = Prepared(gadget) if prepared is None else prepared
    if shared.gadget is not gadget and shared.gadget != gadget:
        raise UsageError("The prepared circuit belongs to another gadget.")
    return Simulation(
        shared, scenario, seed, fold, trace, observers, resume, log=log
    ).run_once()
