"""How long a mode lasts from full charge, and how long its lights shine (FL 1).

This is the one answer to both: `modes`, `circuit`, `life` and the specification ask here. What a
light gives is read while it is lit: one that blinks is as bright as its blinks. Bars are read by
their number, not by their brightness, so that a light of segments has no such time.
"""

from __future__ import annotations

import contextlib
import copy
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from simfw.behaviour.rules import BoundRule
from simfw.behaviour.tree import Compare, Number, Quantity
from simfw.circuit.circuit import LoadSet
from simfw.circuit.endurance import FL1_READING_S, FL1_SHARE, LightRunTime
from simfw.engine.blend import rest_of
from simfw.engine.observer import Observer, TooMany
from simfw.engine.prepared import Prepared
from simfw.engine.simulation import Simulation
from simfw.engine.supply import emptied_by
from simfw.gadget.model import Gadget
from simfw.stimuli.scenario import Scenario, Temperature

__all__ = ["LONGEST_YEARS", "Lasting", "Leaving", "LeftError", "lasting"]

LONGEST_YEARS = 100.0  # what lasts longer has no end
_LONGEST_NS = round(LONGEST_YEARS * 365.25) * 86_400 * 10**9
_READING_NS = round(FL1_READING_S * 1e9)
_STEP = 1e-3  # of the charge, between two looks at a light
_ROOM_C = 25.0
MOST_INSTANTS = 200_000
"""Instants of a mode that are gone through; after them its mean drain is taken."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lasting:
    """How a mode ends that is entered at full charge.

    `run_time_s` is the time until the gadget leaves the mode by itself or the protection opens and
    `ends_by` which of the two; both None where neither happens within `LONGEST_YEARS`. `lights`
    holds the FL 1 run time of each light of the mode; its `ended_by` is "10 %", "dark", "never" or
    what ended the mode. With `about` parts tick on periods that hardly come round together: from
    `MOST_INSTANTS` on it is the time at their mean drain until the protection opens (see `blend`).
    """

    run_time_s: float | None
    ends_by: str | None
    lights: Mapping[str, LightRunTime]
    about: bool = False


class LeftError(Exception):
    """Raised by the observer to end a run that has left its mode."""


class Leaving(Observer):
    """Stops a run when the watched regions are no longer in the states of the mode."""

    def __init__(
        self, places: tuple[int, ...], allowed: tuple[frozenset[str], ...], gadget: Gadget
    ) -> None:
        self.places = places
        self._emptied_by = emptied_by(gadget)
        self.allowed = allowed
        self.left: tuple[int, str] | None = None

    def emptied(self, time_ns: int) -> None:
        """The mode ends with the supply."""
        self.left = (time_ns, self._emptied_by)
        raise LeftError

    def settled(self, time_ns: int, states: tuple[str, ...], happened: frozenset[str]) -> None:
        """Look whether the mode still stands."""
        for place, allowed in zip(self.places, self.allowed, strict=True):
            if states[place] not in allowed:
                self.left = (time_ns, ", ".join(sorted(happened)) or "a guard")
                raise LeftError


class _Shining(Observer):
    """Finds the charge at which each light of a run falls to a tenth of its reading."""

    def __init__(self, prepared: Prepared) -> None:
        lights = prepared.gadget.lights
        self._circuit = prepared.circuit
        self._names = [name for name, light in lights.items() if not light.segments]
        self._lit: dict[str, LoadSet] = {}  # the brightest load set that it was last seen in
        self._above: dict[str, float] = {}  # a charge at which it still gave more
        self._charge = 1.0
        self.readings_a: dict[str, float] = {}
        self.tenth_at: dict[str, float] = {}

    def drove(self, start_ns: int, end_ns: int, times: Sequence[tuple[LoadSet, int]],
              start_charge: float, end_charge: float) -> None:  # fmt: skip
        """Look at each light that is lit in it."""
        self._charge = end_charge
        for name, loads in self._seen(times).items():
            self._lit[name] = loads
            if start_ns >= _READING_NS:
                self._read(name, start_charge)
                if self._above[name] - self._charge >= _STEP:
                    self._look(name)
        if end_ns == _READING_NS:
            for name in self._lit:
                self._read(name, self._charge)

    def finish(self) -> None:
        """The run has ended: what was not looked at for a while is looked at now."""
        for name in self._lit:
            self._read(name, self._charge)
            self._look(name)

    def _seen(self, times: Sequence[tuple[LoadSet, int]]) -> dict[str, LoadSet]:
        found: dict[str, tuple[float, LoadSet]] = {}
        for loads, _ in times:
            for name, duty, _ in loads.drives:
                if name in self._names and duty > found.get(name, (0.0, loads))[0]:
                    found[name] = (duty, loads)
        return {name: loads for name, (_, loads) in found.items()}

    def _amps(self, name: str, charge: float) -> float:
        return float(self._circuit.light_current_a(name, self._lit[name], charge)[0])

    def _read(self, name: str, charge: float) -> None:
        if name not in self.readings_a:
            self.readings_a[name] = self._amps(name, charge)
            self._above[name] = charge

    def _look(self, name: str) -> None:
        limit = FL1_SHARE * self.readings_a[name]
        if name in self.tenth_at or limit <= 0.0:
            return
        if self._amps(name, self._charge) > limit:
            self._above[name] = self._charge
            return
        low, high = self._charge, self._above[name]
        while high - low > 1e-12:
            middle = 0.5 * (low + high)
            if self._amps(name, middle) > limit:
                high = middle
            else:
                low = middle
        self.tenth_at[name] = high


def lasting(
    prepared: Prepared, places: tuple[int, ...], allowed: tuple[frozenset[str], ...]
) -> Lasting:
    """Watch a mode from full charge on.

    `prepared` starts in it and does not end it by a time-out; the regions at `places` are in it
    while each is in one of its `allowed` states.
    """
    lit = _Shining(prepared)
    leaving = Leaving(places, allowed, prepared.gadget)
    gone, whole = _watched(prepared, leaving, lit)
    lit.finish()
    # A second run stops at the charges that were found: when they are passed is then exact.
    faded: dict[str, float] = {}
    if lit.tenth_at:
        marked = copy.copy(prepared)
        marked.rules = tuple(_below(name, charge) for name, charge in lit.tenth_at.items())
        again, _ = _watched(marked, Leaving(places, allowed, prepared.gadget))
        verdicts = [monitor.verdict() for monitor in again.monitors]
        faded = {one.name: one.time_ns * 1e-9 for one in verdicts if one.time_ns is not None}
    time_ns, ends_by = leaving.left or (None, None)
    run_time_s = None if time_ns is None else time_ns * 1e-9
    if not whole:
        rest = rest_of(prepared, gone)
        run_time_s, ends_by = None, rest.ends_by
        if rest.run_time_s is not None:
            run_time_s = gone.now * 1e-9 + rest.run_time_s
    lights = {}
    for name, reading_a in lit.readings_a.items():
        seconds, why = run_time_s, ends_by or "never"
        if reading_a <= 0.0:
            seconds, why = None, "dark"
        elif name in faded:
            seconds, why = faded[name], "10 %"
        lights[name] = LightRunTime(run_time_s=seconds, reading_a=reading_a, ended_by=why)
    return Lasting(run_time_s=run_time_s, ends_by=ends_by, lights=lights, about=not whole)


def _below(name: str, charge: float) -> BoundRule:
    return BoundRule(
        key=name, name=name, kind="never",
        statement=Compare(Quantity("cell.charge"), "<", Number(charge)),
    )


def _watched(prepared: Prepared, *observers: Observer) -> tuple[Simulation, bool]:
    """Run from full charge, with an instant at the time of the reading; and whether to the end:
    no more than `MOST_INSTANTS` are gone through.
    """
    reading = Temperature(at_ns=_READING_NS, temperature_c=_ROOM_C)
    held = Scenario(gadget_path=Path(), charge=1.0, lasts_ns=_LONGEST_NS, steps=(reading,))
    simulation = Simulation(prepared, held, 0, True, False, observers, None, log=False,
                            plays=True)
    simulation.limit = MOST_INSTANTS
    try:
        with contextlib.suppress(LeftError):
            simulation.go()
    except TooMany:
        return simulation, False
    return simulation, True
