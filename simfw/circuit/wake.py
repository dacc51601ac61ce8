"""What it costs the cell that the controller wakes: the one place where that is worked out."""

from __future__ import annotations

from dataclasses import dataclass

from simfw.gadget.model import Controller

__all__ = ["Wake", "wake_of"]


@dataclass(frozen=True, slots=True)
class Wake:
    """`charge_c`: what each wake draws beside the currents of the states (C). `every_instant`:
    whether any instant that finds the controller asleep is a wake, and not only one that enters a
    state that keeps it awake.
    """

    charge_c: float
    every_instant: bool


def wake_of(controller: Controller | None) -> Wake:
    """The wake of a controller.

    With `step` cycles of a clock of `frequency` an instant takes step / frequency, in which `awake`
    is drawn in place of `asleep`: the charge is wake + (awake - asleep) * step / frequency.
    """
    if controller is None:
        return Wake(0.0, every_instant=False)
    wake_c, awake_a, asleep_a = (
        0.0 if part is None else part.value
        for part in (controller.wake, controller.awake, controller.asleep)
    )
    if controller.step is None or controller.frequency is None:
        return Wake(wake_c, every_instant=False)
    step_s = controller.step.value / controller.frequency.value
    return Wake(wake_c + (awake_a - asleep_a) * step_s, every_instant=True)
