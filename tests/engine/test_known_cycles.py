"""A cycle that is known is not found again."""

from __future__ import annotations

import gc

from simfw.engine.cycle import Turn
from simfw.engine.simulator import Prepared, Simulation, simulate
from simfw.loading import load_gadget
from simfw.stimuli.scenario import Scenario, Usb
from tests.engine.bench import LARDER_LAMP

HOUR_NS = 3600 * 10**9


def test_looks_between_samples_are_one_cycle() -> None:
    """A charge that never ends: bars and looks go on for hours, and few cycles tell them all."""
    gadget = load_gadget(LARDER_LAMP, {"charger.finish": "1 %", "charger.program": "6k1"})
    scenario = Scenario(charge=0.9, lasts_ns=2 * HOUR_NS, steps=(Usb(at_ns=10**9, present=True),))
    simulation = Simulation(Prepared(gadget), scenario, 0, True, False, (), None)
    simulation.go()
    assert simulation.plant.supply.mode == "fast"
    assert len(simulation.folder.cycles) < 10


def test_a_run_that_is_over_keeps_no_cycles() -> None:
    """Cycles and their tables point at each other: they are let go of, not left to be collected."""
    gadget = load_gadget(LARDER_LAMP)
    scenario = Scenario(charge=0.9, lasts_ns=HOUR_NS // 60)

    def alive() -> int:
        return sum(isinstance(one, Turn) for one in gc.get_objects())

    gc.collect()
    before = alive()
    gc.disable()
    try:
        run = simulate(gadget, scenario, trace=False)
        assert run.end_charge < 0.9
        assert alive() == before
    finally:
        gc.enable()
