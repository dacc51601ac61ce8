"""A gadget that nobody touches: how long its cell lasts, and how long it takes to charge it.

Each is one answer for every command: the time left at the end of a run, the life on the shelf and
the charge time of `circuit` and `life` all come from here.
"""

from __future__ import annotations

import contextlib
from dataclasses import dataclass, replace
from pathlib import Path

from simfw.circuit.circuit import ChargerMode, LoadSet
from simfw.circuit.endurance import ChargeTime, empty_charge, longest_charge_s
from simfw.engine.blend import rest_of
from simfw.engine.lasting import LONGEST_YEARS
from simfw.engine.observer import Observer
from simfw.engine.prepared import Prepared
from simfw.engine.resume import snapshot
from simfw.engine.simulation import Simulation
from simfw.engine.snapshot import Snapshot
from simfw.quantity import format_rough_time
from simfw.stimuli.scenario import Scenario, Usb

__all__ = ["BEYOND", "TimeLeft", "charge_from_empty", "time_left_from", "time_on_the_shelf"]

BEYOND = f"more than {LONGEST_YEARS:g} years"
"""Why no time is told where the cell outlasts all that is looked at."""

DAY_S = 86_400
# Stretches of the time looked at: what is over soon is found without looking far ahead.
UNTOUCHED_DAYS = (1, 9, 90, 900, 9_000, 26_525)
CHARGING_DAYS = 365
MOST_INSTANTS = 50_000  # of one stretch: a gadget that comes round takes far fewer
MOST_CHARGING = 100_000


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeLeft:
    """The time (s) until the protection opens if nothing is done any more; `why` where none.

    `end_charge` (0..1) is what is left in the cell when it opens; None where it does not. With
    `about` it is the time at the mean drain: the gadget's parts tick on periods that hardly come
    round together (see `blend`), and what it would do on a low cell is left out.
    """

    seconds: float | None
    why: str | None = None
    end_charge: float | None = None
    about: bool = False

    @property
    def beyond(self) -> bool:
        """Whether the cell outlasts all that is looked at."""
        return self.why == BEYOND


def time_left_from(
    prepared: Prepared, at: Snapshot | None = None, *, seed: int = 0, fold: bool = True
) -> TimeLeft:
    """How long the cell lasts from a state on, if nobody touches the gadget any more.

    Without `at`, from full charge and power-up on.
    """
    if at is not None and at.protected:
        return TimeLeft(seconds=None, why="the protection is open")
    if at is not None and at.usb:
        return TimeLeft(seconds=None, why="USB is plugged in at the end")
    prepared = prepared.without_rules()
    at = None if at is None else replace(at, rules=())
    start_ns = 0 if at is None else at.time_ns
    for days in UNTOUCHED_DAYS:
        idle = Scenario(gadget_path=Path(), charge=1.0, lasts_ns=days * DAY_S * 10**9)
        seen = _Opening()
        simulation = Simulation(prepared, idle, seed, fold, False, (seen,), at, log=False)
        whole = False
        with contextlib.suppress(_StopError):
            whole = simulation.go(MOST_INSTANTS if fold else None)
        if seen.opened_ns is not None:
            seconds = (seen.opened_ns - start_ns) / 1e9
            return TimeLeft(seconds=seconds, end_charge=simulation.plant.charge)
        if not whole:
            return _about(prepared, simulation, start_ns)
        at = snapshot(simulation)
    return TimeLeft(seconds=None, why=BEYOND)


def time_on_the_shelf(prepared: Prepared) -> TimeLeft:
    """How long a full cell lasts from power-up on if nobody touches the gadget."""
    return time_left_from(prepared)


class _Opening(Observer):
    """Ends a run where the protection opens."""

    def __init__(self) -> None:
        self.opened_ns: int | None = None

    def emptied(self, time_ns: int) -> None:
        """The protection has opened."""
        self.opened_ns = time_ns
        raise _StopError


class _StopError(Exception):
    """Raised by an observer that has seen enough."""


def _about(prepared: Prepared, simulation: Simulation, start_ns: int) -> TimeLeft:
    """The time at the mean drain of a simulation that was left off."""
    mixed = rest_of(prepared, simulation)
    if mixed.run_time_s is None:
        return TimeLeft(seconds=None, why="its drain has no end", about=True)
    passed_s = (simulation.now - start_ns) / 1e9
    return TimeLeft(
        seconds=passed_s + mixed.run_time_s, end_charge=mixed.end_charge, about=True
    )


class _Filling(Observer):
    """The modes of the charger: when each began, and the charge then; ends when it has ended."""

    def __init__(self) -> None:
        self.steps: list[tuple[ChargerMode, float, float]] = []
        self.full: tuple[float, float] | None = None

    def passed(self, start_ns: int, end_ns: int, start_charge: float, end_charge: float,
               charger: ChargerMode) -> None:  # fmt: skip
        """See what the charger does, and whether the cell is full."""
        if charger == "complete":
            self.full = (start_ns * 1e-9, start_charge)
            raise _StopError
        if charger in ("precharge", "fast"):
            if self.steps and self.steps[-1][0] == charger:
                self.steps.pop()
            self.steps.append((charger, end_ns * 1e-9, end_charge))


def charge_from_empty(prepared: Prepared, shelf: TimeLeft | None = None) -> ChargeTime:
    """From the charge at which the untouched gadget ran empty until its charger ends.

    Nobody touches it meanwhile; what it shows while it charges takes its part. `shelf` is
    `time_on_the_shelf(prepared)`, where that is known already. A gadget that never empties its cell
    is charged from the cut-off.
    """
    circuit = prepared.circuit
    charger = circuit.charger
    if charger is None:
        return ChargeTime(time_s=None, longest_s=None, end_charge=0.0,
                          why="the gadget has no charger")
    shelf = time_on_the_shelf(prepared) if shelf is None else shelf
    start = shelf.end_charge
    if start is None:
        start = empty_charge(circuit, LoadSet(controller="off"))
    plugged = Scenario(
        gadget_path=Path(), charge=max(start, 0.0), lasts_ns=CHARGING_DAYS * DAY_S * 10**9,
        steps=(Usb(at_ns=0, present=True),),
    )
    seen = _Filling()
    simulation = Simulation(
        prepared.without_rules(), plugged, 0, True, False, (seen,), None, log=False
    )
    whole = True
    with contextlib.suppress(_StopError):
        whole = simulation.go(MOST_CHARGING)
    steps = tuple((str(mode), time_s, charge) for mode, time_s, charge in seen.steps)
    if seen.full is None:
        rests = simulation.plant.charge
        within = f"{CHARGING_DAYS} days"
        if not whole:
            passed = format_rough_time(simulation.now * 1e-9)
            within = f"{passed}, {MOST_CHARGING:,} instants"
        return ChargeTime(
            time_s=None, longest_s=None, end_charge=rests, steps=steps,
            why=f"the charger does not end within {within}: the charge is at {rests:.0%} then",
        )
    time_s, end_charge = seen.full
    return ChargeTime(
        time_s=time_s, longest_s=longest_charge_s(circuit, time_s), end_charge=end_charge,
        ends=True, steps=steps,
    )
