"""Going on from instant to instant where nothing has to be told and nothing turns over.

Most instants are plain: a dwell expires, what comes of it is known, no rule waits for what is
emitted, and neither the protection nor the charger nor a rule has anything to do. Such an instant
is done here in a few look-ups, with the same steps of the same charge clocks; whatever is not plain
is left to the simulation. What is known to come round is left to the folds. What may come round is
looked for only after `GLIDES` instants since something came from outside: then the folds look at
each instant that is done here. Where each stretch is told they do so from the first on.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from simfw.behaviour.moves import Move, take
from simfw.engine.idling import ROUNDING, Idling
from simfw.engine.observer import Observer
from simfw.engine.phase import Phase

if TYPE_CHECKING:
    from simfw.engine.learned import Comb
    from simfw.engine.simulation import Simulation

__all__ = ["Glide"]

GLIDES = 24  # instants after which a period is looked for
_NS = 1e-9
_TWO = 2  # periods that must fit for a fold


@dataclass(slots=True, eq=False)
class Hop:
    """A plain instant: what comes while low <= charge < high. `idle`: all stands after it as it
    stood before, each region that ticks begins anew, and nobody is told of it.
    """

    low: float
    high: float
    move: Move
    comb: Comb
    plain: Plain
    turns: frozenset[float]
    idle: bool = False


@dataclass(slots=True, eq=False)
class Plain:
    """Between which charges a combination is plain, low <= charge < high: its phase, what the rules
    read in it there, where that turns over, and the marks around. `hops` are the plain instants
    that are known to follow, by what is met. `idle` holds the periods (ns) of the regions whose
    ticks are idle in it, by number, and `shortest` the shortest of them.
    """

    low: float
    high: float
    phase: Phase
    verdicts: tuple[bool, ...]
    turns: frozenset[float]
    bounds: tuple[float, float]
    awake: bool
    hops: dict[object, list[Hop]] = field(default_factory=dict)
    idle: dict[int, int] = field(default_factory=dict)
    shortest: int = 0
    judged: int = 0  # so many of them when it was judged whether they are too far `apart`
    apart: bool = False


class Glide:
    """The plain instants of one simulation."""

    def __init__(self, simulation: Simulation) -> None:
        self._simulation = simulation
        self._plain: dict[Comb, Plain] = {}
        self._plains = simulation.plant.plains  # by the phases that `plant` has there
        self._here: object = None
        self.left = GLIDES
        sim, plant = simulation, simulation.plant
        lasting = all(one.lasting for monitor in sim.monitors for one in monitor.idly_read())
        told = sim.described or any(
            type(one).settled is not Observer.settled for one in sim.observers
        )
        # Whether stretches are told: then they are to be few.
        self._tells = bool(sim.follow or sim.drivers) or sim.course is not None
        self.fits = lasting and not told and plant.count is None and not plant.varies
        # The events that a rule waits for.
        self._heard = frozenset(
            sim.stepper.event_ids[name] for monitor in sim.monitors for name in monitor.events
            if name in sim.stepper.event_ids
        )
        if sim.stepper.watched or sim.stepper.fired is not None:
            self.fits = False
        self._idling = None if (
            sim.stepper.keeps or sim.playing is not None or not sim.counts_trains
        ) else Idling(self, sim)

    @property
    def glides(self) -> bool:
        """Whether nothing is searched yet that comes round."""
        return self.fits and self.left > 0 and not self._tells

    def stir(self) -> None:
        """Something came from outside, or was crossed."""
        self.left = GLIDES

    def miss(self) -> None:
        """An instant goes by that is not done here, since a rule waits."""
        self.left -= 1

    def go(self, boundary: int, most: int) -> tuple[int, bool]:
        """Go on over at most `most` plain instants that come before `boundary` (ns).

        Returns how many there were, and whether the simulation stands at one that is not plain, its
        time gone by and nothing of it done.
        """
        gone = 0
        while True:
            count, reached, folded = self._along(boundary, most - gone)
            gone += count
            if not folded or gone >= most or self._must_look_up():
                return gone, reached

    def _must_look_up(self) -> bool:
        """Whether what comes after a fold is not to be gone on with at once."""
        sim = self._simulation
        return sim.counts_steps or sim.round is not None or any(
            monitor.open_ns for monitor in sim.timed)

    def _along(self, boundary: int, most: int) -> tuple[int, bool, bool]:
        """The same up to the next fold; also returns whether there was one."""
        sim = self._simulation
        plant, stepper, instants, folder = sim.plant, sim.stepper, sim.instants, sim.folder
        if self._here is not plant.here:
            self._here = plant.here
            self._plain = self._plains.setdefault(id(plant.here), {})
        seeks = sim.fold and not folder.pauses
        # Where steps are counted, each instant that is looked at is one; sequences are played.
        tells, course = self._tells, sim.course
        if course is not None and not course.usable:
            course = None
        searches = seeks and (self.left <= 0 or tells) and sim.playing is None and (
            not sim.counts_steps and all(monitor.broken is None for monitor in sim.monitors))
        idling = self._idling if sim.fold and (searches or not seeks) else None
        if tells and sim.fold and not searches and idling is None:
            return 0, False, False
        counting = None if seeks else idling  # counts idle ticks, and does not go along them
        if seeks and not searches:
            most = min(most, self.left)
        dues, entered, time_in = stepper.dues, stepper.entered_ns, sim.time_in
        plain = self._plain
        now, phase = sim.now, sim.phase
        charge = plant.charge
        low, high = phase.bounds(charge)
        comb = instants.combination()
        known = plain.get(comb)
        if known is None or known.phase is not phase or not known.low <= charge < known.high:
            known = self._of(comb, phase)
        here = folder.here
        keeps = bool(stepper.keeps)
        if idling is not None:
            idling.begin()
            if counting is not None:
                folder.forget()
        # Whether the controller may have been woken in the instant before: at first nobody knows.
        woken = fresh = True
        count, told = 0, False
        try:
            while count < most:
                if counting is not None and known.idle and (
                        counting.pass_ticks(comb, known, boundary)):
                    now, charge = sim.now, plant.base + plant.moved
                    count += 1
                    continue
                due = min(dues)
                if due >= boundary:
                    break
                change = phase.clock.advance(charge, (due - now) * _NS, phase.tally, low, high)
                if change is None:
                    break
                before = plant.moved
                plant.moved = before + change
                if tells:
                    if course is not None:
                        course.stretch(phase.clock, phase.loads, now, due, low, high)
                    sim.passed(phase, now, due, charge, phase.tally)
                elif due > now:
                    time_in[phase] = time_in.get(phase, 0) + due - now
                sim.now = now = due
                charge = plant.base + plant.moved
                code: object = dues.index(due)
                if dues.count(due) > 1:
                    code = tuple([n for n, when in enumerate(dues) if when <= due])
                for hop in known.hops.get(code, ()):
                    if hop.low <= charge < hop.high:
                        break
                else:
                    found_hop = self._hop(comb, known, code, charge)
                    if found_hop is None:
                        sim.stood(before)
                        if idling is not None:
                            idling.miss()
                            idling = None
                        return count, True, False
                    hop = found_hop
                # It is plain: do it.
                move, was = hop.move, known
                if not count and not searches:
                    folder.forget()
                if woken or keeps:
                    sim.begin_instant()
                take(stepper, now, move)
                comb, known = hop.comb, hop.plain
                woken = move.woke
                if course is not None:
                    course.asked(known.bounds, plant.charge, plant.charge)
                    course.asked(hop.turns | known.turns, charge, plant.charge)
                if woken:
                    charge = plant.base + plant.moved
                if phase is not known.phase:
                    phase = sim.phase = known.phase
                    low, high = known.bounds
                    fresh = True
                if woken:
                    sim.end_instant(phase)
                    fresh = False
                elif fresh:
                    sim.was_awake = known.awake
                    fresh = False
                count += 1
                if move.public and sim.listened:
                    names = stepper.event_names
                    sim.emit([names[number] for number in move.public], now)
                if counting is not None:
                    if not hop.idle and counting.fold(was, code, hop, boundary):
                        now, charge = sim.now, plant.base + plant.moved
                elif idling is not None and (
                        idling.never_meets(known) if hop.idle
                        else idling.gives_up(was, code, hop)):
                    folder.give_up()
                    return count, False, True
                if not seeks or not phase.ticking or not (move.moved or (searches and sim.woken)):
                    continue
                found = None
                if phase.states in here:
                    found = folder.recall(phase.states, entered, now, charge, 1.0)
                if found is None:
                    if not searches:
                        continue
                elif (not searches and (
                    min([boundary, *[dues[r] for r in found[0].still]]) - now
                    <= _TWO * found[0].period_ns
                )) or sim.folds.must_wait(found, phase, comb.stand):
                    continue
                plant.turns.clear()
                plant.turns.update(hop.turns, known.turns)
                instants.stand_at(comb)
                sim.look_for_folds(phase, move.public, found)
                if sim.now > now or folder.pauses or sim.round is not None:
                    told = True
                    return count, False, sim.now > now
            return count, False, False
        finally:
            if count and not told:
                instants.stand_at(comb)
            if not searches:
                self.left -= count
                folder.pass_by(count)
            if idling is not None:
                idling.leave()

    def known_hop(self, comb: Comb, plain: Plain, code: object, charge: float) -> Hop | None:
        """What is known to come of a combination that meets `code` at a charge; None where nothing
        is, or it is not plain.
        """
        for hop in plain.hops.get(code, ()):
            if hop.low <= charge < hop.high:
                return hop
        return self._hop(comb, plain, code, charge)

    def _hop(self, comb: Comb, plain: Plain, code: object, charge: float) -> Hop | None:
        """What comes of a combination that meets `code` at a charge; None where that is not plain:
        not known, heard by a rule, or something has to be done, or a rule to be read anew.
        """
        sim = self._simulation
        met = comb.met.get(code)
        for band in () if met is None else sim.instants.bands.get(met, ()):
            if band.low <= charge < band.high:
                break
        else:
            return None
        move, after = band.outcome.move, band.outcome.comb
        if move.public and not self._heard.isdisjoint(move.public):
            return None
        taken = sim.wake + ROUNDING if move.woke and sim.wake else 0.0
        known = self._plain.get(after)
        if known is None or not known.low + taken <= charge < known.high:
            known = self._look_ahead(after, charge)
        if known is None or charge < known.low + taken or known.verdicts != plain.verdicts:
            return None
        hop = Hop(
            max(band.low, known.low + taken), min(band.high, known.high),
            move, after, known, band.turns,
        )
        if hop.low <= charge < hop.high:
            plain.hops.setdefault(code, []).append(hop)
            regions = (code,) if isinstance(code, int) else code
            assert isinstance(regions, tuple)
            if after is comb and known is plain and not (move.public and sim.listened) and (
                    [one[0] for one in move.sets] == sorted(regions)
                    and all(enters and not index and after_ns > 0
                            for _, _, enters, index, after_ns in move.sets)):
                hop.idle = True
                for region, _, _, _, period_ns in move.sets:
                    plain.idle[region] = period_ns
                plain.shortest = min(plain.idle.values())
        return hop

    def _look_ahead(self, after: Comb, charge: float) -> Plain | None:
        """What is known of a combination at a charge; None where it is not plain there."""
        sim = self._simulation
        stepper = sim.stepper
        stands = tuple(stepper.states)
        stepper.states[:] = after.stand[0]
        try:
            phase = sim.plant.phase()
            if not sim.plant.calm or not phase.is_quiet(charge):
                return None
            return self._of(after, phase)
        finally:
            stepper.states[:] = stands

    def _of(self, comb: Comb, phase: Phase) -> Plain:
        """Read the rules in a phase, in which the regions stand now."""
        charge = self._simulation.plant.charge
        bounds = phase.bounds(charge)
        low, high = phase.within(charge)
        verdicts: list[bool] = []
        turns: set[float] = set()
        for monitor in self._simulation.monitors:
            for one in monitor.idly_read():
                least, most, holds, marks = one.reading(phase)
                low, high = max(low, least), min(high, most)
                verdicts.append(holds)
                turns |= marks
        found = self._plain[comb] = Plain(
            low, high, phase, tuple(verdicts), frozenset(turns), bounds,
            phase.loads.controller == "awake")
        return found
