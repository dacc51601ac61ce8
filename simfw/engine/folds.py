"""Folding while a simulation goes on: known cycles are gone along, whole periods at once."""

from __future__ import annotations

from typing import TYPE_CHECKING

from simfw.engine.cycle import Cycle, Turn
from simfw.engine.folding import Folder, Moment
from simfw.engine.phase import Phase
from simfw.engine.run import Part

if TYPE_CHECKING:
    from simfw.engine.simulation import Simulation

__all__ = ["Folds"]

_NS = 1e-9
_HARDLY_TWO = 1.9  # periods: below two, none is folded


class Folds:
    """The folds of one simulation: `folder` finds its cycles."""

    def __init__(self, simulation: Simulation, folder: Folder) -> None:
        self.simulation = simulation
        self.folder = folder

    def look(self, phase: Phase, public: tuple[int, ...], woke: bool) -> None:
        """Look at a settled instant: go along a cycle that is known from here, or search for one.

        `public` are the numbers of its public events, `woke` tells whether the controller woke up.
        """
        sim = self.simulation
        stepper, folder = sim.stepper, self.folder
        rules = tuple([monitor.stand(sim.now) for monitor in sim.timed])
        charge, register = sim.plant.charge, sim.plant.count
        counted = 1.0 if register is None else register.share
        found = folder.recall(phase.states, stepper.entered_ns, sim.now, charge, counted)
        whole = found is not None and folder.is_whole(found[0], phase.states, stepper.due())
        if not whole:
            moment = Moment(
                time_ns=sim.now,
                states=phase.states,
                entered=tuple(stepper.entered_ns),
                waiting=stepper.waiting(),
                due=stepper.due(),
                memory=tuple(stepper.memory),
                conditions=tuple(stepper.condition_values),
                charge=charge,
                turns=frozenset(sim.plant.turns),
                counted=counted,
                count_turns=frozenset() if register is None else frozenset(register.turns),
                phase=phase,
                rules=rules,
                events=public,
                woke=woke,
            )
            closed = folder.notice(moment, sim.wake_c)
            if closed is not None:
                found = closed
                whole = folder.is_whole(found[0], phase.states, moment.due)
            if found is None:
                return
        assert found is not None
        cycle, index = found
        member = cycle.members[index]
        if (
            member.conditions != tuple(stepper.condition_values)
            or member.memory != tuple(stepper.memory[r] for r in cycle.moving)
            or member.rules != rules
        ):
            if whole:
                folder.forget()
            return
        boundary = self._boundary(cycle)
        since = sim.now
        if whole:
            self._fold(cycle, index, boundary)
            if sim.now == since:
                # Too near a threshold to go along: this instant is in no log, so that a period
                # closed over it would lack its interval.
                folder.forget()
        else:
            count = self._fold_whole(cycle, index, boundary)
            if count:
                folder.mark(cycle, index, count)
        if sim.now > since:
            sim.went_along(cycle, index, sim.now - since)

    def _boundary(self, cycle: Cycle) -> int:
        """When something that is not part of `cycle` happens next (ns)."""
        sim = self.simulation
        boundary = sim.end
        if sim.next_change < len(sim.changes):
            boundary = min(boundary, sim.changes[sim.next_change].time_ns)
        for number, due in enumerate(sim.stepper.due()):
            if due < boundary and number not in cycle.moving:
                boundary = due
        return boundary

    def _fold(self, cycle: Cycle, index: int, boundary: int) -> None:
        """Go along a cycle: whole periods at once, then its instants up to the boundary."""
        sim = self.simulation
        plant, stepper = sim.plant, sim.stepper
        whole = self._fold_whole(cycle, index, boundary)
        member = cycle.members[index]
        step = 0
        margin = 2.0 * cycle.margin(plant.charge)
        low, high = cycle.low + margin, cycle.high - margin
        register = plant.count
        while sim.now + member.total_ns < boundary and low <= plant.charge < high:
            if register is not None and not register.within(cycle, plant.charge):
                break
            if member.folded is not None:
                inner, place, count = member.folded
                if not _periods_left(inner.turn(place), inner, plant.charge, 0.0) > count:
                    break
                self._round(inner, place, count, member.phase)
            charge = plant.charge
            tally = sim.tally(member.phase.tally)
            change = plant.advance(member.phase.clock, member.lasts_ns * _NS, tally)
            assert change is not None
            plant.moved += change
            now = sim.now
            sim.now += member.lasts_ns
            sim.passed(member.phase, now, sim.now, charge, tally)
            index = (index + 1) % len(cycle.members)
            member = cycle.members[index]
            step += 1
            if member.woke and sim.wake_c:
                plant.draw(sim.wake_c)
                member.phase.lump_c += sim.wake_c
            if member.events:
                sim.emit([stepper.event_names[n] for n in member.events], sim.now)
        if step:
            stepper.place(
                sim.now, member.states, cycle.moving, member.ages, member.waiting,
                member.due_in, member.memory, member.conditions,
            )
            for monitor, stand in zip(sim.timed, member.rules, strict=True):
                monitor.place(sim.now, stand)
            sim.phase = member.phase
            sim.was_awake = member.phase.loads.controller == "awake"
        if step or whole:
            self.folder.forget()

    def _fold_whole(self, cycle: Cycle, index: int, boundary: int) -> int:
        """Advance as many whole periods as fit; return their number."""
        sim = self.simulation
        stepper, charge = sim.stepper, sim.plant.charge
        period = cycle.period_ns
        count = (boundary - 1 - sim.now) // period
        if count < 1:
            return 0
        margin = 2.0 * cycle.margin(charge)
        # Near a threshold any turn of the cycle tells that hardly a period is left, so that none
        # is made for each instant there; it is exact from here only.
        known = next(iter(cycle.turns.values()), None)
        if known is not None and _periods_left(known, cycle, charge, margin) < _HARDLY_TWO:
            return 0
        turn = cycle.turn(index)
        periods = _periods_left(turn, cycle, charge, margin)
        if periods < count + 1:
            count = int(periods) - 1
            if count < 1:
                return 0
        if sim.plant.count is not None:
            count = sim.plant.count.periods(cycle, turn.clock, charge, count)
            if count < 1:
                return 0
        if not turn.enough(count, charge):
            return 0
        self._round(cycle, index, count, sim.phase)
        stepper.shift(count * period, cycle.moving)
        for monitor in sim.timed:
            monitor.shift(count * period)
        return count

    def _round(self, cycle: Cycle, index: int, count: int, phase: Phase) -> None:
        """Let `count` periods of a cycle go by from its instant `index`."""
        sim = self.simulation
        plant = sim.plant
        charge = plant.charge
        turn = cycle.turn(index)
        tally = sim.tally(turn.tally)
        change = plant.advance(turn.clock, count * cycle.period_ns * _NS, tally)
        assert change is not None
        plant.moved += change
        turn.count += count
        start = sim.now
        sim.now += count * cycle.period_ns
        for observer in sim.follow:
            observer.passed(start, sim.now, charge, plant.charge, phase.loads.charger)
        sim.counted(start, sim.now)
        if sim.described:
            turn.tally.join(tally)
            parts = tuple(
                Part(lasts_ns, part.loads, part.levels) for part, lasts_ns in cycle.course(index)
            )
            sim.record(phase, turn.clock, start, sim.now, charge, tally, count, parts)
        self._emit_repeated(cycle, index, count, start)

    def _emit_repeated(self, cycle: Cycle, index: int, count: int, start: int) -> None:
        """Emit the events of `count` periods of a cycle entered at its instant `index`."""
        sim = self.simulation
        if sim.listened and cycle.events:
            names = sim.stepper.event_names
            for time_ns, numbers in cycle.happenings(index, count, start):
                sim.emit([names[n] for n in numbers], time_ns)


def _periods_left(turn: Turn, cycle: Cycle, charge: float, margin: float) -> float:
    """How many periods of `cycle` fit between `charge` and `margin` before what is ahead.

    That is a threshold of the cycle, or where its mean drain is not good enough any more.
    """
    clock = turn.clock
    falling = clock.rate(charge) < 0.0
    even = turn.even(charge, falling=falling)
    goal = max(cycle.low, even) + margin if falling else min(cycle.high, even) - margin
    if (charge <= goal) if falling else (charge >= goal):
        return 0.0
    return clock.time_to(charge, goal) / (cycle.period_ns * _NS)
