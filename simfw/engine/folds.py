"""Folding while a simulation goes on: known cycles are gone along, whole periods at once."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from simfw.behaviour.moves import Stand
from simfw.engine.cycle import Cycle, Member
from simfw.engine.folding import Folder, Moment
from simfw.engine.phase import Phase
from simfw.engine.resting import at_rest, mean_of
from simfw.engine.run import Part

if TYPE_CHECKING:
    from simfw.engine.simulation import Simulation

__all__ = ["Folds"]

_NS = 1e-9
_HARDLY_TWO = 1.9  # periods: below two, none is folded
_MOST_BLOCKS = 1500  # that the turns of one cycle hold together: a long cycle has few turns
_FEW = 4  # periods by which two turns of one cycle do not differ


class Folds:
    """The folds of one simulation: `folder` finds its cycles."""

    def __init__(self, simulation: Simulation, folder: Folder) -> None:
        self.simulation = simulation
        self.folder = folder
        self._again: float | None = None
        self._elsewhere = False  # a turn that is known is waited for

    def look(
        self, phase: Phase, public: tuple[int, ...], woke: bool,
        found: tuple[Cycle, int] | None = None,
    ) -> None:
        """Look at a settled instant: go along a cycle that is known from here, or search for one.

        `public` are the numbers of its public events, `woke` tells whether the controller woke up.
        `found` is what is recalled of it, where that was done.
        """
        sim = self.simulation
        stepper, folder, now = sim.stepper, self.folder, sim.now
        entered, dues = stepper.entered_ns, stepper.dues
        rules = tuple([monitor.stand(now) for monitor in sim.timed])
        charge, register = sim.plant.charge, sim.plant.count
        counted = 1.0 if register is None else register.share
        if found is None:
            found = folder.recall(phase.states, entered, now, charge, counted, rules)
        whole = found is not None and found[0].holds_all(phase.ticking, dues)
        _, waiting, memory, conditions = sim.instants.stand()
        if not whole and sim.glide.glides:
            folder.forget()  # most instants go by unseen
            if found is None:
                return
        elif not whole:
            moment = Moment(
                time_ns=now,
                states=phase.states,
                entered=tuple(entered),
                waiting=waiting,
                due=tuple(dues),
                memory=memory,
                conditions=conditions,
                charge=charge,
                turns=frozenset(sim.plant.turns),
                counted=counted,
                count_turns=frozenset() if register is None else frozenset(register.turns),
                phase=phase,
                rules=rules,
                events=public,
                woke=woke,
            )
            closed = folder.notice(moment, sim.wake_c, found)
            if closed is not None:
                found = closed
                whole = found[0].holds_all(phase.ticking, dues)
            if found is None:
                return
        assert found is not None
        cycle, index = found
        if sim.still and whole:
            sim.round = cycle
            return
        if not cycle.goes_on(index, memory, conditions, rules):
            if whole:
                folder.forget()
            return
        boundary = self._boundary(cycle)
        since = sim.now
        if whole:
            self._fold(cycle, index, boundary)
            if sim.now == since and not self._stay(cycle, index, boundary, phase):
                # Too near a threshold to go along: this instant is in no log, so that a period
                # closed over it would lack its interval.
                folder.forget()
        else:
            count = (self.fold_whole(cycle, index, boundary, phase)
                     or self._stay(cycle, index, boundary, phase))
            if count and not sim.glide.glides:
                folder.mark(cycle, index, count)
        if sim.now > since:
            sim.went_along(cycle, index, sim.now - since)

    def must_wait(self, found: tuple[Cycle, int], phase: Phase, stand: Stand) -> bool:
        """Whether `look` would find nothing to do but wait, in an instant that has come to rest
        with the regions as they `stand`: what is known holds all that ticks, and is so near a
        threshold ahead that no period of it is folded. It has then been looked at.
        """
        sim = self.simulation
        cycle, index = found
        plant = sim.plant
        charge, known = plant.base + plant.moved, cycle.any_turn
        if known is None or sim.still or not cycle.nears(
                charge, known.clock, cycle.margin(charge)):
            return False
        if (not cycle.holds_all(phase.ticking, sim.stepper.dues)
                or cycle.stood.get(index) == plant.moved):
            return False
        rules = tuple([one.stand(sim.now) for one in sim.timed])
        if not cycle.goes_on(index, stand[2], stand[3], rules):
            return False
        if self._boundary(cycle) - 1 - sim.now >= cycle.period_ns:
            cycle.stood[index] = plant.moved  # as where no period could be folded: see `_stay`
        self.folder.forget()
        return True

    def _boundary(self, cycle: Cycle) -> int:
        """When something that is not part of `cycle` happens next (ns)."""
        sim = self.simulation
        boundary = sim.end
        if sim.next_change < len(sim.changes):
            boundary = min(boundary, sim.changes[sim.next_change].time_ns)
        dues = sim.stepper.dues
        ends = [monitor.deadline() for monitor, held in zip(sim.timed, cycle.held, strict=False)
                if held]
        return min([boundary, *ends, *[dues[r] for r in cycle.still]])

    def _fold(self, cycle: Cycle, index: int, boundary: int) -> None:
        """Go along a cycle: whole periods at once, then its instants up to the boundary."""
        sim = self.simulation
        plant, stepper = sim.plant, sim.stepper
        whole = self.fold_whole(cycle, index, boundary, sim.phase)
        first = index
        member = cycle.members[index]
        step = 0
        charge = plant.charge
        margin = cycle.margin(charge)
        low, high = cycle.low + margin, cycle.high - margin
        register = plant.count
        members, time_in = cycle.members, sim.time_in
        # Most often nobody looks on, and only the charge has to go on.
        alone = not (sim.described or sim.follow or sim.drivers or sim.course is not None
                     or register is not None)
        while sim.now + member.total_ns < boundary and low <= charge < high:
            if register is not None and not register.within(cycle, plant.charge):
                break
            if member.folded is not None:
                inner, place, count = member.folded
                if not inner.turn(place).periods_left(charge, 0.0) > count:
                    break
                self._round(inner, place, count, member.phase)
                charge = plant.base + plant.moved
            phase = member.phase
            if alone:
                lasts_ns = member.lasts_ns
                change = phase.clock.advance(charge, lasts_ns * _NS, phase.tally)
                assert change is not None
                plant.moved += change
                sim.now += lasts_ns
                if lasts_ns:
                    time_in[phase] = time_in.get(phase, 0) + lasts_ns
            else:
                self._along(cycle, member)
            index = (index + 1) % len(members)
            member = members[index]
            step += 1
            if member.woke and sim.wake_c:
                sim.draw(sim.wake_c)
                sim.wake_in(member.phase)
            if member.events:
                sim.emit([stepper.event_names[n] for n in member.events], sim.now)
            again = index == first and self._again is not None and self._is_past(self._again, cycle)
            if again or (self._elsewhere and index in cycle.turns):
                whole += self.fold_whole(cycle, index, boundary, member.phase)
                margin = cycle.margin(plant.charge)
                low, high = cycle.low + margin, cycle.high - margin
            charge = plant.base + plant.moved
        sim.gone += step
        if step:
            stepper.place(
                sim.now, member.states, cycle.moving, member.ages, member.waiting,
                member.due_in, member.memory, member.conditions,
            )
            for place, (monitor, stand) in enumerate(zip(sim.timed, member.rules, strict=True)):
                if not (cycle.held and cycle.held[place]):
                    monitor.place(sim.now, stand)
            sim.phase = member.phase
            sim.was_awake = member.phase.loads.controller == "awake"
        if step or whole:
            self.folder.forget()

    def _is_past(self, mark: float, cycle: Cycle) -> bool:
        """Whether the charge, on its way, has left a mark behind."""
        charge = self.simulation.plant.charge
        rising = next(iter(cycle.turns.values())).clock.rate(charge) > 0.0
        return charge > mark if rising else charge < mark

    def _along(self, cycle: Cycle, member: Member) -> None:
        """Let the interval after an instant of a cycle go by."""
        sim = self.simulation
        plant, phase = sim.plant, member.phase
        charge = plant.charge
        tally = sim.tally(phase.tally)
        change = plant.advance(phase.clock, member.lasts_ns * _NS, tally)
        assert change is not None
        plant.moved += change
        now = sim.now
        sim.now += member.lasts_ns
        if sim.course is not None:
            sim.course.stretch(phase.clock, phase.loads, now, sim.now, cycle.low, cycle.high)
        sim.passed(phase, now, sim.now, charge, tally)

    def fold_whole(self, cycle: Cycle, index: int, boundary: int, phase: Phase) -> int:
        """Advance as many whole periods as fit; return their number.

        Afterwards `_again` is the charge at which to try it again, None where nothing comes of it.
        """
        self._again = None
        self._elsewhere = False
        sim = self.simulation
        charge = sim.plant.charge
        period = cycle.period_ns
        count = (boundary - 1 - sim.now) // period
        if count < 1:
            return 0
        margin = cycle.margin(charge)
        # Near a threshold any turn of the cycle tells that hardly a period is left, so that none
        # is made for each instant there; it is exact from here only.
        known = cycle.any_turn
        periods = math.inf if known is None else known.periods_left(charge, margin)
        if periods < _HARDLY_TWO:
            return 0
        if index not in cycle.turns and len(cycle.turns) * len(cycle.members) >= _MOST_BLOCKS:
            self._elsewhere = True
            return 0
        turn = cycle.turn(index)
        if (turn is not known and periods < count + _FEW) or known is None:
            periods = turn.periods_left(charge, margin)
        if periods < count + 1:
            count = int(periods) - 1
            if count < 1:
                return 0
        if sim.plant.count is not None:
            count = sim.plant.count.periods(cycle, turn.clock, charge, count)
            if count < 1:
                return 0
        count, self._again = turn.mean.worth(count, charge)
        if count < 1:
            return 0
        self._round(cycle, index, count, phase)
        self._shift(cycle, count)
        return count

    def _shift(self, cycle: Cycle, count: int) -> None:
        """All that moves in a cycle has gone round `count` times."""
        sim = self.simulation
        sim.stepper.shift(count * cycle.period_ns, cycle.moving)
        for place, monitor in enumerate(sim.timed):
            if not (cycle.held and cycle.held[place]):
                monitor.shift(count * cycle.period_ns)

    def _stay(self, cycle: Cycle, index: int, boundary: int, phase: Phase) -> int:
        """Let periods go by that leave the charge as it is: see `resting`; return their number."""
        sim = self.simulation
        plant, start, charge = sim.plant, sim.now, sim.plant.charge
        count = (boundary - 1 - start) // cycle.period_ns
        if count < 1 or plant.count is not None:
            return 0
        if cycle.stood.get(index) != plant.moved:
            cycle.stood[index] = plant.moved  # it may be so when it comes round
            return 0
        stretches = at_rest(cycle, index, plant.base, plant.moved, sim.wake)
        if stretches is None:
            return 0
        if sim.course is not None:
            sim.course.spoil()  # from another charge it comes to rest elsewhere
        for one in stretches:
            times = count * one.times
            one.phase.tally.join(one.tally, times)
            if one.wakes:
                sim.wake_in(one.phase, count * one.wakes)
            if one.lasts_ns:
                sim.time_in[one.phase] = sim.time_in.get(one.phase, 0) + times * one.lasts_ns
        sim.now += count * cycle.period_ns
        self._tell(cycle, start, charge, phase)
        if sim.described:
            means, woken_a = mean_of(stretches, sim.wake_c)
            sim.describe(phase, start, sim.now, charge, means, woken_a,
                         phase.clock.voltage(charge), count, _parts(cycle, index))
        self._emit_repeated(cycle, index, count, start)
        self._shift(cycle, count)
        return count

    def _tell(self, cycle: Cycle, start: int, charge: float, phase: Phase) -> None:
        """Tell those who look on of periods of a cycle that have gone by since `start` (ns)."""
        sim = self.simulation
        plant = sim.plant
        for observer in sim.follow:
            observer.passed(start, sim.now, charge, plant.charge, phase.loads.charger)
        for observer in sim.drivers:
            observer.drove(start, sim.now, cycle.drives, charge, plant.charge)

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
        self._tell(cycle, start, charge, phase)
        if sim.course is not None:
            sim.course.round(cycle, index, count, start)
        sim.counted(start, sim.now)
        if sim.described:
            turn.tally.join(tally)
            sim.record(phase, turn.clock, start, sim.now, charge, tally, count,
                       _parts(cycle, index))
        self._emit_repeated(cycle, index, count, start)

    def round_once(self, cycle: Cycle) -> None:
        """Let a cycle that ends elsewhere go by once."""
        sim = self.simulation
        self.folder.pass_along(cycle, sim.now)
        if sim.still:
            sim.now += cycle.period_ns
        else:
            self._round(cycle, 0, 1, sim.phase)

    def _emit_repeated(self, cycle: Cycle, index: int, count: int, start: int) -> None:
        """Emit the events of `count` periods of a cycle entered at its instant `index`."""
        sim = self.simulation
        if cycle.events and sim.hears(cycle.events):
            names = sim.stepper.event_names
            for time_ns, numbers in cycle.happenings(index, count, start):
                sim.emit([names[n] for n in numbers], time_ns)


def _parts(cycle: Cycle, index: int) -> tuple[Part, ...]:
    """The parts of one period from an instant on, as an interval tells them."""
    return tuple(
        Part(lasts_ns, part.loads, part.levels) for part, lasts_ns in cycle.course(index)
    )
