"""What does not hang on habits: run times with a state held, charge time, shelf life."""

from __future__ import annotations

from dataclasses import dataclass, replace

from simfw.behaviour.build import build_system
from simfw.behaviour.region import System
from simfw.circuit.circuit import LoadSet
from simfw.circuit.endurance import FL1_READING_S, FL1_SHARE, empty_charge
from simfw.gadget.model import Gadget
from simfw.life import registers as k
from simfw.life.layout import Layout
from simfw.life.parts import PartTables
from simfw.life.store import Store
from simfw.life.user import LONGEST_YEARS, Life
from simfw.stimuli.pattern import DAY_NS, YEAR_DAYS, Count, Draw, Habit, HabitStep, Pattern

__all__ = ["Held", "held", "light_states"]

CHARGING_DAYS = 4
CHECKS = 240  # looks at the light while it fades

_PLUGGED = Habit(
    name="plugged in",
    each="day",
    at_ns=Draw(0.0, 0.0),
    times=Count(),
    steps=(HabitStep(kind="usb", present=True),),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """Answers that hold for the gadget with its nominal parts, at 25 degC.

    `run_time_s` (to the opening of the protection) and `fl1_run_time_s` (to a tenth of the light)
    are by "region.state". What is None has its reason in `why`, by the name of the field.
    """

    run_time_s: dict[str, float | None]
    fl1_run_time_s: dict[str, float | None]
    charge_time_s: float | None
    shelf_life_s: float | None
    why: dict[str, str]


def light_states(gadget: Gadget) -> list[tuple[str, str]]:
    """The written states that drive a light or a load: (region, state) in file order."""
    return [
        (region, state)
        for region, behaviour in gadget.behaviour.items()
        for state, levels in behaviour.states.items()
        if any(
            name != "controller" and (level.duty or level.segments)
            for name, level in levels.items()
        )
    ]


def held(gadget: Gadget) -> Held:
    """Hold each light state, leave the gadget on the shelf, and charge it; from full or empty."""
    why: dict[str, str] = {}
    system = build_system(gadget)
    resting = _standing(gadget, system)
    shelf, empty = _until_empty(resting)
    if shelf is None:
        why["shelf_life_days"] = f"not empty within {LONGEST_YEARS:g} years"
        # What is left after the years on the shelf is not empty: a charge begins at the cut-off.
        empty = empty_charge(resting.parts.circuit, LoadSet(controller="off"))
    run_times: dict[str, float | None] = {}
    fl1_times: dict[str, float | None] = {}
    for region, state in light_states(gadget):
        name = f"{region}.{state}"
        holding = replace(
            system,
            regions=tuple(
                replace(one, starts=state, rows=(), resume_points=())
                if one.name == region else one
                for one in system.regions
            ),
        )
        stand = _standing(gadget, holding)
        run_times[name], _ = _until_empty(stand)
        if run_times[name] is None:
            why[f"run_time_s.{name}"] = f"not empty within {LONGEST_YEARS:g} years"
        elif any(light in gadget.lights for light in gadget.behaviour[region].states[state]):
            fl1_times[name] = _fl1(stand, run_times[name] or 0.0)
    charge, reason = _charge_time_s(gadget, system, empty)
    if charge is None:
        why["charge_time_s"] = reason
    return Held(
        run_time_s=run_times,
        fl1_run_time_s=fl1_times,
        charge_time_s=charge,
        shelf_life_s=shelf,
        why=why,
    )


@dataclass(frozen=True, slots=True)
class _Stand:
    """A gadget that nobody touches, ready to be watched."""

    pattern: Pattern
    store: Store
    parts: PartTables

    def life(self) -> Life:
        return Life(self.pattern, self.store, self.parts, 0, 0)


def _standing(
    gadget: Gadget, system: System, *, charge: float = 1.0, habits: tuple[Habit, ...] = ()
) -> _Stand:
    pattern = Pattern(charge=charge, horizon_ns=1, habits=habits, gadget=gadget)
    store = Store(Layout(pattern, gadget, [25.0], system), fast=False)
    return _Stand(pattern, store, PartTables(store, gadget))


def _until_empty(stand: _Stand) -> tuple[float | None, float]:
    """From full until the protection opens (s; None if never), and the charge left then."""
    life = stand.life()
    found = life.whole()
    return (None if found.days is None else found.days * DAY_NS * 1e-9), found.end_charge


def _fl1(stand: _Stand, run_time_s: float) -> float | None:
    """When the brightest light has fallen to a tenth of what it gave at 30 s (ANSI/PLATO FL 1)."""
    life = stand.life()
    stimuli, _ = life.stimuli(0, 0)
    world, circuit, gadget = life.world, stand.parts.circuit, stand.parts.gadget
    name = ""
    reading = 0.0
    before = (0.0, 0.0)
    for n in range(CHECKS + 1):
        at_s = FL1_READING_S + (run_time_s - FL1_READING_S) * min(n / CHECKS, 1.0 - 1e-9)
        if at_s <= 0.0 or run_time_s <= FL1_READING_S:
            return run_time_s
        life.go(stimuli, round(at_s * 1e9))
        loads = stand.store.loads[int(world.i[k.LOADS])]
        charge = float(world.f[k.CHARGE])
        if not name:
            amps = {
                light: float(circuit.light_current_a(light, loads, charge)[0])
                for light, _, _ in loads.drives
                if light in gadget.lights and not gadget.lights[light].segments
            }
            if not amps:
                return None
            name = max(amps, key=lambda light: amps[light])
            reading = amps[name]
            before = (at_s, reading)
            continue
        now = float(circuit.light_current_a(name, loads, charge)[0])
        limit = FL1_SHARE * reading
        if now <= limit:
            share = (before[1] - limit) / (before[1] - now) if before[1] > now else 1.0
            return before[0] + share * (at_s - before[0])
        before = (at_s, now)
    return run_time_s


def _charge_time_s(gadget: Gadget, system: System, empty: float) -> tuple[float | None, str]:
    """From empty until the charger ends with nobody touching the gadget (s), else None and why."""
    if gadget.charger is None:
        return None, "the gadget has no charger"
    stand = _standing(gadget, system, charge=empty, habits=(_PLUGGED,))
    life = stand.life()
    stimuli, _ = life.stimuli(0, round(56 * YEAR_DAYS))
    for day in range(CHARGING_DAYS):
        life.go(stimuli, (day + 1) * DAY_NS)
        if life.world.i[k.FULL_AT] >= 0:
            return float(life.world.i[k.FULL_AT]) * 1e-9, ""
    return None, (
        f"the charger does not end within {CHARGING_DAYS} days: "
        f"the charge is at {life.world.f[k.CHARGE]:.0%} then"
    )
