"""The instants of a simulation, looked up in what was learned of the rows: see `learned`."""

from __future__ import annotations

import math
from collections.abc import Sequence

from simfw.behaviour.moves import Stand, noted, standing, take
from simfw.behaviour.table import Stepper
from simfw.engine.learned import Band, Bands, Comb, Met, Outcome, Table
from simfw.engine.plant import Plant

__all__ = ["Instants"]

# What one table may keep, `Table.kept`: behind it nothing is added, and what is not in it is worked
# out each time.
MOST_LEARNED = 150_000


class Instants:
    """Handles the instants of one simulation: as its stepper would, by what was learned."""

    def __init__(self, plant: Plant, table: Table, bands: Bands, wake: float) -> None:
        """`wake`: what a waking takes, as a share of the cell."""
        self._plant = plant
        self._stepper: Stepper = plant.stepper
        self._table = table
        self._bands = bands
        self._wake = wake
        self._comb: Comb | None = None
        self._version = -1
        self._place: object = None
        self._here: dict[Stand, Comb] = {}
        self._places: dict[int, dict[Stand, Comb]] = {}  # by the places that the plant keeps

    @property
    def bands(self) -> Bands:
        """Between which charges comes what, with these parts."""
        return self._bands

    def combination(self) -> Comb:
        """How the regions stand after the latest instant."""
        stepper = self._stepper
        comb = self._comb
        if comb is None or self._version != stepper.version:
            return self._found(standing(stepper))
        if self._place is not self._plant.place:
            return self._found(comb.stand)
        return comb

    def stand_at(self, comb: Comb) -> None:
        """The stepper has been put there."""
        self._comb = comb
        self._version = self._stepper.version

    def stand(self) -> Stand:
        """How the regions stand after the latest instant."""
        comb = self._comb
        if comb is not None and self._version == self._stepper.version:
            return comb.stand
        return standing(self._stepper)

    def run(
        self, now_ns: int, raw_events: Sequence[str] = (), *, power_up: bool = False
    ) -> Sequence[int]:
        """Handle an instant: see `Stepper.run_instant`."""
        stepper, plant = self._stepper, self._plant
        if power_up or stepper.watched:
            self._comb = None
            return stepper.run_instant(now_ns, raw_events, power_up=power_up)
        comb = self.combination()
        dues = stepper.dues
        code: object
        if raw_events:
            code = (tuple(raw_events),)
            if dues and min(dues) <= now_ns:
                code = (*code, *[n for n, due in enumerate(dues) if due <= now_ns])
        elif now_ns in dues:
            code = dues.index(now_ns)
            if dues.count(now_ns) > 1:
                code = tuple([n for n, due in enumerate(dues) if due <= now_ns])
        else:
            code = -1
        met = comb.met.get(code)
        if met is None:
            if not self._room():
                self._comb = None
                return stepper.run_instant(now_ns, raw_events)
            met = comb.met[code] = Met()
        charge = plant.charge
        for band in self._bands.get(met, ()):
            if band.low <= charge < band.high:
                break
        else:
            known = self._adapted(met, charge)
            if known is None:
                return self._worked_out(met, now_ns, raw_events)
            band = known
        outcome = band.outcome
        if band.turns:
            plant.turns |= band.turns
        take(stepper, now_ns, outcome.move)
        self.stand_at(outcome.comb)
        return outcome.move.public

    def _found(self, stand: Stand) -> Comb:
        plant = self._plant
        if self._place is not plant.place:
            self._place = plant.place
            here = self._places.get(id(plant.place))
            if here is None:
                here = self._table.places.setdefault(plant.place, {})
                self._places[id(plant.place)] = here
            self._here = here
        comb = self._here.get(stand)
        if comb is None:
            comb = Comb(stand)
            if self._room():
                self._here[stand] = comb
        self._comb = comb
        self._version = self._stepper.version
        return comb

    def _room(self) -> bool:
        """Whether one thing more may be kept; it is counted."""
        if self._table.kept >= MOST_LEARNED:
            return False
        self._table.kept += 1
        return True

    def _adapted(self, met: Met, charge: float) -> Band | None:
        """The outcome that is known for the answers of this cell, with the charges around it."""
        plant = self._plant
        for outcome in met.outcomes:
            later = charge - self._wake if outcome.move.woke else charge
            turns: set[float] = set()
            for question, said in outcome.asked:
                answer, marks = plant.answer(question, charge)
                if answer != said:
                    break
                turns.update(marks)
            else:
                band = self._band(outcome, turns, charge, later)
                if band is not None:
                    self._bands.setdefault(met, []).append(band)
                return band
        return None

    def _band(
        self, outcome: Outcome, turns: set[float], before: float, after: float
    ) -> Band | None:
        """The band of charge around an instant; None where something turned while it woke up."""
        low = max([mark for mark in turns if mark <= after], default=-math.inf)
        high = min([mark for mark in turns if mark > after], default=math.inf)
        if before >= high:
            return None
        return Band(low + (before - after), high, outcome, frozenset(turns))

    def _worked_out(
        self, met: Met, now_ns: int, raw_events: Sequence[str]
    ) -> Sequence[int]:
        """Let the stepper handle the instant, and keep what came of it."""
        stepper, plant = self._stepper, self._plant
        before = plant.charge
        asked = plant.asked = {}
        earlier = set(plant.turns)
        plant.turns.clear()
        try:
            move = noted(stepper, now_ns, raw_events)
        finally:
            plant.asked = None
            turns = set(plant.turns)
            plant.turns |= earlier
        after = self._found(standing(stepper))
        if plant.untold:
            plant.untold = False
            return move.public
        outcome = Outcome(move, after, tuple(asked.items()))
        band = self._band(outcome, turns, before, plant.charge)
        if band is not None and self._room():
            met.outcomes.append(outcome)
            self._bands.setdefault(met, []).append(band)
        return move.public
