"""What does not hang on habits: run times of the modes, charge time, shelf life."""

from __future__ import annotations

from dataclasses import dataclass

from simfw.engine.lasting import LONGEST_YEARS
from simfw.engine.modes import modes_of_states
from simfw.engine.prepared import Prepared
from simfw.engine.untouched import charge_from_empty, time_on_the_shelf
from simfw.gadget.fields import Level
from simfw.gadget.model import Gadget

__all__ = ["Held", "held", "light_states"]

@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """Answers that hold for the gadget with its nominal parts, at 25 degC.

    `run_time_s` (until the gadget leaves the state by itself or the protection opens: `ends_by`
    says which) and `fl1_run_time_s` (to a tenth of the light, if that comes first) are by
    "region.state": those of the mode that `modes` lists. What is None has its reason in `why`, by
    the name of the field.
    """

    run_time_s: dict[str, float | None]
    ends_by: dict[str, str | None]
    fl1_run_time_s: dict[str, float | None]
    charge_time_s: float | None
    shelf_life_s: float | None
    why: dict[str, str]


def _ends(gadget: Gadget, level: Level) -> bool:
    """Whether a level is over by itself: a sequence that ends. Held, its state is dark."""
    sequence = gadget.sequences.get(level.named or "")
    return sequence is not None and sequence.times is not None


def light_states(gadget: Gadget) -> list[tuple[str, str]]:
    """The written states that drive a light or a load as long as they last, by a level, a dial or a
    sequence without end: (region, state) in file order.
    """
    return [
        (region, state)
        for region, behaviour in gadget.behaviour.items()
        for state, levels in behaviour.states.items()
        if any(
            name != "controller" and level.drives and not _ends(gadget, level)
            for name, level in levels.items()
        )
    ]


def held(gadget: Gadget) -> Held:
    """Hold each light state, leave the gadget on the shelf, and charge it; from full or empty."""
    why: dict[str, str] = {}
    prepared = Prepared(gadget)
    shelf = time_on_the_shelf(prepared)
    if shelf.seconds is None:
        why["shelf_life_days"] = f"not empty within {LONGEST_YEARS:g} years"
    states = light_states(gadget)
    run_times: dict[str, float | None] = {}
    ends_by: dict[str, str | None] = {}
    fl1_times: dict[str, float | None] = {}
    for (region, state), mode in modes_of_states(gadget, states, prepared=prepared).items():
        name = f"{region}.{state}"
        run_times[name], ends_by[name] = mode.run_time_s, mode.ends_by
        if mode.run_time_s is None:
            why[f"run_time_s.{name}"] = f"not empty within {LONGEST_YEARS:g} years"
        elif any(light in gadget.lights for light in gadget.behaviour[region].states[state]):
            # Of several lights of the state the brightest counts.
            lights = [mode.lights[light] for light in gadget.behaviour[region].states[state]
                      if light in mode.lights]
            brightest = max(lights, key=lambda light: light.reading_a, default=None)
            fl1_times[name] = None if brightest is None else brightest.run_time_s
    charge = charge_from_empty(prepared, shelf)
    if charge.time_s is None:
        why["charge_time_s"] = charge.why
    return Held(
        run_time_s=run_times,
        ends_by=ends_by,
        fl1_run_time_s=fl1_times,
        charge_time_s=charge.time_s,
        shelf_life_s=shelf.seconds,
        why=why,
    )
