"""Leave off and go on: between a simulation and its `Snapshot`."""

from __future__ import annotations

from typing import TYPE_CHECKING

from simfw.engine.keeping import kept_states
from simfw.engine.snapshot import RegionState, Snapshot
from simfw.engine.supply import Supply

if TYPE_CHECKING:
    from simfw.engine.simulation import Simulation

__all__ = ["restore", "snapshot"]


def restore(simulation: Simulation, saved: Snapshot) -> None:
    """Put a simulation that is being made where `saved` left off."""
    plant = simulation.plant
    simulation.now = saved.time_ns
    simulation.alive = saved.alive
    plant.base, plant.moved = saved.base, saved.moved
    if plant.count is not None:
        if saved.counted is None:
            plant.count.begin_at(plant.charge)
        else:
            plant.count.share = saved.counted
    plant.supply = Supply(
        usb=saved.usb, mode=saved.charger, protected=saved.protected,
        temperature_c=saved.temperature_c, faulty=saved.faulty, opened=saved.cut, cut=saved.cut,
        released=saved.released, path=plant.supply.path,
    )
    plant.contacts.update(saved.contacts)
    plant.hands = dict(saved.hands)
    plant.measures.update(saved.measures)
    plant.refresh()
    every = (*saved.regions, *saved.clocks)
    simulation.stepper.restore(
        [region.state for region in every],
        [region.entered_ns for region in every],
        [region.spent for region in every],
        [region.memory for region in every],
        saved.conditions,
    )
    simulation.stepper.keep_count(dict(saved.kept), saved.time_ns)
    if saved.released:
        simulation.stepper.freeze()
    elif not saved.alive:
        simulation.stepper.halt(saved.time_ns)
    for monitor, state in zip(simulation.monitors, saved.rules, strict=True):
        monitor.load(state)


def snapshot(simulation: Simulation) -> Snapshot:
    """Everything that a continuation of a finished simulation needs."""
    plant, stepper = simulation.plant, simulation.stepper
    count = len(stepper.region_names)
    every = tuple(
        RegionState(
            names[state], entered, spent, None if memory < 0 else names[memory]
        )
        for names, state, entered, spent, memory in zip(
            stepper.state_names, stepper.states, stepper.entered_ns, stepper.waiting(),
            stepper.memory, strict=True,
        )
    )
    return Snapshot(
        time_ns=simulation.end,
        base=plant.base,
        moved=plant.moved,
        alive=simulation.alive,
        regions=every[:count],
        clocks=every[count:],
        conditions=tuple(stepper.condition_values),
        contacts=tuple(plant.contacts.items()),
        hands=tuple(plant.hands.items()),
        measures=tuple(plant.measures.items()),
        usb=plant.usb,
        temperature_c=plant.temperature_c,
        charger=plant.charger_mode,
        protected=plant.protected,
        faulty=plant.supply.faulty,
        cut=plant.supply.cut,
        released=plant.supply.released,
        open_ns=simulation.latch.open_ns,
        pending=tuple((c.time_ns, c.kind, c.name, c.value) for c in simulation.pending),
        rules=tuple(monitor.save() for monitor in simulation.monitors),
        counted=None if plant.count is None else plant.count.share,
        kept=kept_states(stepper, simulation.end),
    )
