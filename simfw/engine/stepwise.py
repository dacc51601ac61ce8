"""A simulation without an end: what comes from outside is said while it goes on.

It goes on by the steps of every simulation and stands at the latest instant that was handled, never
between two: how far somebody has looked cuts no interval, so that a course made in a thousand
frames is to the last bit the one that is run at once.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from simfw.engine.clock import Tally
from simfw.engine.observer import Observer
from simfw.engine.phase import Phase
from simfw.engine.plant import Plant
from simfw.engine.prepared import Prepared
from simfw.engine.resume import snapshot
from simfw.engine.simulation import Simulation
from simfw.engine.snapshot import Snapshot
from simfw.engine.timeline import Change, in_turn
from simfw.engine.totals import Totals, total
from simfw.stimuli.scenario import Scenario

__all__ = ["LONGEST_NS", "Between", "Stepwise"]

_NS = 1e-9
LONGEST_NS = 1 << 60
"""The latest time (ns), some 36 years: as far as anything is followed."""


@dataclass(frozen=True, slots=True)
class Between:
    """How it stands at a time after the latest instant, before the next one.

    `charge` is 0..1. `consumers_c` and `charger_c` (C) are what was drawn and put out since that
    instant, in the order of the circuit's consumers.
    """

    charge: float
    consumers_c: tuple[float, ...]
    charger_c: float


class Stepwise(Simulation):
    """One simulation that is told of its stimuli while it goes on."""

    counts_trains = False  # how far somebody has looked must cut no interval
    looks_back = 1024  # somebody waits for every frame: a period that there is not costs little

    def __init__(
        self,
        prepared: Prepared,
        charge: float,
        *,
        seed: int = 0,
        fold: bool = False,
        observers: Sequence[Observer] = (),
        resume: Snapshot | None = None,
        plant: Plant | None = None,
    ) -> None:
        """`charge` at the beginning, 0..1. `plant` is one that an earlier simulation used."""
        endless = Scenario(charge=charge, lasts_ns=LONGEST_NS)
        super().__init__(
            prepared, endless, seed, fold, False, observers, resume, plant, log=False,
        )
        self._all_hear = self._hear

    def bring(self, changes: Iterable[Change]) -> None:
        """From outside comes this, none of it before the latest instant, all of it still ahead."""
        self.changes = in_turn([*self.changes[self.next_change :], *changes], self.gadget)
        self.next_change = 0

    def ahead(self, time_ns: int, *, fold: bool) -> None:
        """Handle every instant before `time_ns`."""
        if fold and not self.fold:
            self.folder.forget()  # instants that were not looked at are missing
        self.fold = fold
        self.end = time_ns
        while self._is_due(time_ns):
            self._step()

    def instant(self, time_ns: int) -> bool:
        """Handle the next instant, if it comes before `time_ns`."""
        self.fold = False
        self.end = time_ns
        due = self._is_due(time_ns)
        if due:
            self._most = self._steps + 1
            self._step()
            self._most = None
        return due

    def hear(self, on: bool) -> None:
        """Whether observers are told of events: those of folded periods are told one by one."""
        self._hear = self._all_hear if on else ()
        self.listened = bool(self._hear)

    def stride(self, time_ns: int) -> bool:
        """Go on by one step, which may be many whole periods, if anything is due by `time_ns`."""
        self.fold = True
        self.end = time_ns
        due = self._is_due(time_ns)
        if due:
            self._step()
        return due

    def _is_due(self, time_ns: int) -> bool:
        """Whether anything happens before `time_ns`."""
        due = min(self.stepper.next_due(), self.release_at)
        if self.next_change < len(self.changes):
            due = min(due, self.changes[self.next_change].time_ns)
        for monitor in self.monitors:
            due = min(due, monitor.deadline())
        if due < time_ns:
            return True
        charge = self.plant.charge
        low, high = self.phase.bounds(charge)
        seconds = (time_ns - self.now) * _NS
        if self.phase.clock.advance(charge, seconds, None, low, high) is not None:
            return False
        at = self._next_crossing(low, high)[2]
        return at is not None and at < time_ns

    def at(self, time_ns: int) -> Between:
        """How it stands at `time_ns`, which is not before the latest instant nor past the next."""
        plant, clock, charge = self.plant, self.phase.clock, self.plant.charge
        tally = Tally()
        seconds = (time_ns - self.now) * _NS
        change = clock.advance(charge, seconds, tally) if seconds else 0.0
        assert change is not None
        if not seconds:
            return Between(charge, (0.0,) * len(plant.circuit.consumers), 0.0)
        means_a, charger_a = clock.means(tally, seconds)
        return Between(
            plant.base + (plant.moved + change), tuple([mean * seconds for mean in means_a]),
            charger_a * seconds,
        )

    def settle(self) -> tuple[Totals, dict[Phase, int]]:
        """What has been counted since it was last asked for, and the time (ns) in each phase."""
        times: dict[Phase, int] = {}
        for phase, lasted_ns in self.time_in.items():
            times[phase] = times.get(phase, 0) + lasted_ns
        for cycle in self.folder.cycles:
            for turn in cycle.turns.values():
                if turn.count:
                    for phase, lasted_ns, _, _ in turn.uses():
                        times[phase] = times.get(phase, 0) + lasted_ns
        totals = total(self.plant.circuit.consumers, self.time_in, self.folder.cycles,
                       self.plant.circuit.fed_a)
        for phase in self.time_in:
            phase.tally = Tally()
            phase.lump_c = 0.0
        self.time_in.clear()
        for cycle in self.folder.cycles:
            for turn in cycle.turns.values():
                turn.tally = Tally()
                turn.count = 0
        return totals, times

    def save(self) -> Snapshot:
        """How it stands at the latest instant; nothing that was brought may still be ahead."""
        assert self.next_change == len(self.changes)
        self.end = self.now
        self.pending = []
        return snapshot(self)
