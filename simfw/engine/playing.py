"""Stretches in which nothing goes on but sequences, gone by in one step.

What a sequence drives when is fixed from its beginning on: between two instants at which a region
has something to do (a sample, a time-out) the load sets and their times are known beforehand. Such
a stretch is one period of a cycle that goes round once: the same mean drain, the same books. It is
for those who ask for charge and time alone, since no edge inside of it is an instant of its own:
whoever looks at edges, levels or the voltage of the moment goes through them one by one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from simfw.behaviour.rules import BoundRule
from simfw.behaviour.table import IDLE
from simfw.behaviour.tree import Compare, Number, Quantity
from simfw.engine.cycle import Cycle, Member
from simfw.engine.mean import Grids
from simfw.engine.phase import Phase

if TYPE_CHECKING:
    from simfw.engine.simulation import Simulation

__all__ = ["Playing"]

MOST_EDGES = 8192  # of sequences in one stretch
MOST_KEPT = 400_000  # in all stretches that are kept
_FEWEST = 8  # below so many it is as quick to go through them
_FAR_NS = 1 << 60

_Key = tuple[object, ...]


_After = tuple[tuple[int, int, int, int], ...]
"""Where clocks stand at an end: number, state, since when and until when, seen from there (ns)."""


@dataclass(frozen=True, slots=True)
class _Course:
    """What the clocks do in a stretch: how they may stand, and one after the other, for how long
    (ns). That is the same whatever the other regions do.
    """

    stands: tuple[tuple[int, ...], ...]
    blocks: tuple[tuple[int, int], ...]
    after: _After


@dataclass(frozen=True, slots=True)
class _Stretch:
    """The cycle that goes round once, and where the clocks stand at its end."""

    cycle: Cycle
    after: _After
    phase: Phase


class Playing:
    """The stretches of one simulation; `cycles` are those that were gone along."""

    def __init__(self, simulation: Simulation, grids: Grids) -> None:
        self._simulation = simulation
        self._grids = grids
        self.cycles: list[Cycle] = []
        self._first = len(simulation.stepper.region_names)
        self._known: dict[_Key, _Stretch | None] = {}
        self._courses: dict[_Key, _Course | None] = {}
        self._plain_until = -1
        self._kept = 0
        self.edges = 0  # of sequences that have gone by in stretches
        self.fits = self._fits()

    def _fits(self) -> bool:
        sim = self._simulation
        plant, stepper = sim.plant, sim.stepper
        # A crossing inside of a stretch, or what is read of its edges, has to be an instant.
        unseen = not (sim.described or sim.follow or sim.course is not None or plant.varies
                      or plant.voltage_marks or plant.count is not None)
        return (unseen and sim.fold and len(stepper.dues) > self._first
                and not stepper.wakes_always and not stepper.watched and stepper.fired is None
                and all(_reads_charge_only(monitor.rule) for monitor in sim.monitors))

    def go(self, boundary: int) -> bool:
        """Go on to the next instant of a region, or to `boundary` (ns), if only sequences have
        edges before; False where that is not so or something may turn over on the way.
        """
        sim = self._simulation
        stepper, now = sim.stepper, sim.now
        dues, first = stepper.dues, self._first
        until = min(min(dues[:first]), boundary)
        clocks = dues[first:]
        if until > _FAR_NS or until <= self._plain_until or min(clocks) >= until:
            return False
        key = (id(sim.plant.here), *stepper.states, until - now,
               *[due if due >= IDLE else due - now for due in clocks])
        charge = sim.plant.charge
        found = self._known.get(key)
        if key not in self._known or (
            found is not None and not found.cycle.low <= charge < found.cycle.high
        ):
            found = self._known[key] = self._made(until)
        if found is None or not (sim.still or self._within(found.cycle, charge)):
            self._plain_until = until
            return False
        sim.folds.round_once(found.cycle)
        self.edges += len(found.cycle.members) - 1
        for number, state, since_ns, due_ns in found.after:
            stepper.states[number] = state
            stepper.stays[number] += 1
            stepper.spent[number] = 0
            stepper.entered_ns[number] = until + since_ns
            stepper.dues[number] = due_ns if due_ns >= IDLE else until + due_ns
        stepper.version += 1
        sim.phase = found.phase
        return True

    def stir(self) -> None:
        """Something came from outside, or was crossed: the rest of a stretch may be gone along."""
        self._plain_until = -1

    def _within(self, cycle: Cycle, charge: float) -> bool:
        """Whether the cycle goes round from here without a threshold near."""
        margin = cycle.margin(charge)
        rates = [clock.rate(charge) for clock, _ in cycle.times()]
        # A charge that only falls passes nothing that it has left behind.
        low = cycle.low + (margin if min(rates) < 0.0 else 0.0)
        high = cycle.high - (margin if max(rates) > 0.0 else 0.0)
        return low <= charge < high and cycle.turn(0).periods_left(charge, margin) >= 1.0

    def _made(self, until: int) -> _Stretch | None:
        """What the sequences do until then; None where that is not worth it or not that simple."""
        sim, first = self._simulation, self._first
        plant, stepper, start = sim.plant, sim.stepper, sim.now
        clocks = tuple(stepper.states[first:])
        dues = tuple([due if due >= IDLE else due - start for due in stepper.dues[first:]])
        key = (clocks, dues, until - start)
        if key not in self._courses:
            self._courses[key] = self._course(clocks, dues, until - start)
        course = self._courses[key]
        if course is None:
            return None
        charge, stood = plant.charge, list(stepper.states)
        phases: list[Phase] = []
        try:
            for states in course.stands:
                stepper.states[first:] = states
                phase = plant.phase()
                if not phase.is_quiet(charge):
                    return None
                phases.append(phase)
        finally:
            stepper.states[:] = stood
        bounds = [phase.bounds(charge) for phase in phases]
        conditions = tuple(stepper.condition_values)
        members = {
            (place, lasts_ns): Member(
                phases[place], lasts_ns, phases[place].states, (), (), (), (), conditions, (), (),
                False, None)
            for place, lasts_ns in dict.fromkeys(course.blocks)
        }
        cycle = Cycle(
            period_ns=until - start,
            moving=tuple([n for n, *_ in course.after]),
            members=tuple([members[block] for block in course.blocks]),
            wake_c=sim.wake_c,
            low=max(low for low, _ in bounds),
            high=min(high for _, high in bounds),
            grids=self._grids,
        )
        self.cycles.append(cycle)
        self._kept += len(course.blocks)
        if self._kept > MOST_KEPT:
            self.fits = False  # from here on edge by edge: what does not come round is not kept
        return _Stretch(cycle, course.after, phases[course.blocks[-1][0]])

    def _course(
        self, clocks: tuple[int, ...], dues: tuple[int, ...], lasts_ns: int
    ) -> _Course | None:
        """How clocks go on for a time that stand so now, each until its due time from now (ns)."""
        first, dwells = self._first, self._simulation.stepper.dwells
        states, now = list(clocks), 0
        ends = {n: due for n, due in enumerate(dues) if due < IDLE}
        since: dict[int, int] = {}
        stands: dict[tuple[int, ...], int] = {}
        blocks: list[tuple[int, int]] = []
        while len(blocks) < MOST_EDGES:
            then = min(min(ends.values(), default=lasts_ns), lasts_ns)
            blocks.append((stands.setdefault(tuple(states), len(stands)), then - now))
            now = then
            if then == lasts_ns:
                break
            for n, due in list(ends.items()):
                if due > then:
                    continue
                groups = dwells[first + n][states[n]]
                row = groups[0][1][0]
                if len(groups) > 1 or len(groups[0][1]) > 1 or row.emit or row.target < 0:
                    return None
                states[n], since[n] = row.target, then
                ahead = dwells[first + n][row.target]
                if ahead:
                    ends[n] = then + ahead[0][0]
                else:
                    del ends[n]
        if now < lasts_ns or len(blocks) < _FEWEST:
            return None
        return _Course(tuple(stands), tuple(blocks), tuple([
            (first + n, states[n], since[n] - now, ends[n] - now if n in ends else IDLE)
            for n in sorted(since)
        ]))


def _reads_charge_only(rule: BoundRule) -> bool:
    """Whether a rule turns over at a charge and nowhere else, so that no edge matters to it."""
    match rule.statement:
        case Compare(Quantity("cell.charge"), _, Number()):
            return rule.kind == "never"
    return False
