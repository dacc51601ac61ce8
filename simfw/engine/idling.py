"""Parts that tick and do nothing are counted, not gone along, where periods hardly come round.

A tick is idle where all stands after it as it stood before, and nobody is told of it: a contact
that is read at rest, a gauge that finds what it found before. All that it does is to wake the
controller. Where no common period was found (see `folding`), the idle ticks up to the next other
instant are counted (see `trains`); and where the other instants come round by themselves, whole
periods of those are folded, with the wakings of the ticks as a mean current. How many they were is
then counted to the last one, and the difference is drawn.

What comes of ticks and other instants in one time is known from such times that were gone through.
Whatever is not known yet, or is not idle, is waited for and done as any instant.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise
from typing import TYPE_CHECKING

from simfw.behaviour.table import IDLE
from simfw.engine.cycle import Cycle, Member
from simfw.engine.folding import LONGEST, WORTH
from simfw.engine.trains import Bundle, Train, Windows, bundled, meeting

if TYPE_CHECKING:
    from simfw.engine.gliding import Glide, Hop, Plain
    from simfw.engine.learned import Comb
    from simfw.engine.simulation import Simulation

__all__ = ["ROUNDING", "Idling"]

_NS = 1e-9
ROUNDING = 1e-15  # more than a charge, 0 to 1, is rounded by
MOST_LOGGED = 4096  # instants that are looked back for a period of what is not idle
MOST_ROUNDS = 64  # periods that are kept
_MOST_BUNDLES = 512  # that are kept: then all begins anew
_Regions = frozenset[int]


@dataclass(frozen=True, slots=True)
class _Ticks:
    """Where a bundle of trains ticks in a combination: between which charges it is idle, whether
    it wakes the controller, and the trains of which nothing is known there.
    """

    low: float
    high: float
    wakes: bool
    unknown: tuple[Train, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Instant:
    """An instant that is not idle: its `regions` tick, and `hop` comes of it."""

    time_ns: int
    regions: _Regions
    hop: Hop
    entered: tuple[int, ...]


@dataclass(slots=True, eq=False)
class _Step:
    """A stretch of a round and the instant at its end, both in ns from its begin: it stands at
    `comb` up to `until_ns`, where `regions` tick, which are no trains, and `hop` comes of it.
    `known` holds the regions with which the same comes of it; `idle` those that are idle in the
    stretch, and whether they wake the controller.
    """

    comb: Comb
    plain: Plain
    since_ns: int
    until_ns: int
    regions: _Regions
    hop: Hop
    known: set[_Regions] = field(default_factory=set)
    idle: dict[_Regions, bool] = field(default_factory=dict)


@dataclass(slots=True, eq=False)
class _Round:
    """What comes round beside trains of idle ticks, at low <= charge < high. `ages` (ns) are those
    of the `moving` regions where it begins, `periods` (ns) those of the trains by region; `cycles`
    holds it by how often the trains wake the controller in one period, on the mean.
    """

    period_ns: int
    moving: tuple[int, ...]
    ages: tuple[int, ...]
    periods: dict[int, int]
    steps: tuple[_Step, ...]
    low: float
    high: float
    cycles: dict[Fraction, Cycle] = field(default_factory=dict)
    instants: int = field(init=False)
    """So many at least a search that looks at each of them looks back until all comes round."""

    def __post_init__(self) -> None:
        self.instants = _instants({self.period_ns, *self.periods.values()})

    def narrow(self, hop: Hop) -> None:
        """From now on it holds only where the same comes of an instant."""
        if hop.low > self.low or hop.high < self.high:
            self.low, self.high = max(self.low, hop.low), min(self.high, hop.high)
            self.cycles.clear()


class Idling:
    """The idle ticks of one simulation."""

    def __init__(self, glide: Glide, simulation: Simulation) -> None:
        self._glide = glide
        self._simulation = simulation
        self._bundles: dict[tuple[tuple[int, int, int], ...], Bundle | None] = {}
        self._ticks: dict[tuple[Plain, Bundle], _Ticks] = {}
        self._log: list[_Instant] = []
        self._seen: dict[tuple[Plain, tuple[int, ...]], int] = {}
        self._rounds: dict[Plain, list[_Round]] = {}
        self._made = 0
        self._left_ns = -1

    def begin(self) -> None:
        """Plain instants begin again, maybe after others."""
        if self._left_ns != self._simulation.now:
            self._forget()

    def leave(self) -> None:
        """Plain instants end for a while; if time goes by without them, the log has a gap."""
        self._left_ns = self._simulation.now

    def miss(self) -> None:
        """An instant that is not plain comes."""
        self._left_ns = -1

    def _forget(self) -> None:
        self._log.clear()
        self._seen.clear()

    # -- ticks up to the next other instant ------------------------------------------------------

    def pass_ticks(self, comb: Comb, plain: Plain, boundary: int) -> bool:
        """Go on to the last idle tick before `boundary` (ns) and any other instant; False where
        that is not worth it.
        """
        sim, periods = self._simulation, plain.idle
        dues, entered = sim.stepper.dues, sim.stepper.entered_ns
        first = stop = boundary
        for region, due in enumerate(dues):
            if region in periods:
                first = min(first, due)
            elif due < stop:
                stop = due
        if stop - first <= plain.shortest:
            return False
        bundle = self._bundle(periods)
        if bundle is None:
            return False
        plant, now = sim.plant, sim.now
        charge = plant.base + plant.moved
        ticks = self._idle(comb, plain, bundle, charge)
        if ticks is None:
            return False
        stop = min([stop, *[train.first_after(now) for train in ticks.unknown]])
        while stop - first > plain.shortest:
            last = max([train.last_before(stop) for train, _ in bundle.trains])
            if self._advance(plain, ticks, last, bundle.between(now, last) if ticks.wakes else 0):
                _tick_on(dues, entered, periods, last)
                return True
            stop = now + (stop - now) // 2  # something turns over on the way
        return False

    def _advance(self, plain: Plain, ticks: _Ticks, until: int, count: int) -> bool:
        """Go on to a time (ns) with so many wakings; False where something turns over before."""
        sim, phase = self._simulation, plain.phase
        plant, now, course = sim.plant, sim.now, sim.course
        before, charge = plant.moved, plant.base + plant.moved
        taken = count * sim.wake
        low, high = max(ticks.low, 0.0) + taken + ROUNDING, ticks.high - taken
        if charge - taken < low:
            return False
        # Wakings take their lumps evenly along the stretch: half of them at either end is the mean.
        half_c = 0.5 * count * sim.wake_c
        plant.draw(half_c)
        change = phase.clock.advance(
            plant.base + plant.moved, (until - now) * _NS, phase.tally, low, high)
        if change is None:
            plant.moved = before
            return False
        plant.moved += change
        plant.draw(half_c)
        if course is not None:
            course.drawn(half_c / plant.capacity_c)
            course.stretch(phase.clock, phase.loads, now, until, low, high)
            course.drawn(half_c / plant.capacity_c)
        if count:
            sim.wake_in(phase, count)
        sim.now = until
        sim.passed(phase, now, until, charge, phase.tally)
        return True

    def _bundle(self, periods: dict[int, int]) -> Bundle | None:
        """The trains of regions of which each ticks each period from its next due on."""
        dues = self._simulation.stepper.dues
        key = tuple([(region, period, dues[region] % period) for region, period in periods.items()])
        if key not in self._bundles:
            if len(self._bundles) >= _MOST_BUNDLES:
                self._bundles.clear()
                self._ticks.clear()
            self._bundles[key] = bundled(key)
        return self._bundles[key]

    def _idle(self, comb: Comb, plain: Plain, bundle: Bundle, charge: float) -> _Ticks | None:
        """What is known of the ticks of a bundle at a charge; None where only some wake."""
        known = self._ticks.get((plain, bundle))
        if known is not None and known.low <= charge < known.high:
            return known
        low, high = plain.low, plain.high
        wakes: set[bool] = set()
        unknown = []
        for subset in bundle.subsets:
            hop = self._hop(comb, plain, subset.all, charge)
            if hop is None or not hop.idle:
                unknown.append(subset.train)
                continue
            low, high = max(low, hop.low), min(high, hop.high)
            wakes.add(self._counts(plain, hop))
        if len(wakes) > 1:
            return None
        found = _Ticks(low, high, True in wakes, tuple(unknown))
        if not unknown:
            self._ticks[plain, bundle] = found
        return found

    def _counts(self, plain: Plain, hop: Hop) -> bool:
        """Whether an idle tick wakes the controller, and that takes something."""
        return hop.move.woke and not plain.awake and self._simulation.wake_c != 0.0

    def _hop(self, comb: Comb, plain: Plain, regions: _Regions, charge: float) -> Hop | None:
        """What comes of it where these regions tick."""
        code = tuple(sorted(regions))
        return self._glide.known_hop(comb, plain, code[0] if len(code) == 1 else code, charge)

    # -- periods of what is not idle -------------------------------------------------------------

    def fold(self, was: Plain, code: object, hop: Hop, boundary: int) -> bool:
        """After an instant that is not idle: fold what is known to come round, up to `boundary`
        (ns), or look whether something does. `code` tells which regions ticked where it `was`, and
        `hop` what came of it. Returns whether periods have gone by.
        """
        one = self._round(was, code, hop)
        return one is not None and self._go(one, boundary, self._simulation.plant.charge)

    def gives_up(self, was: Plain, code: object, hop: Hop) -> bool:
        """The same while a common period is looked for: whether no such search would find it."""
        one = self._round(was, code, hop)
        return one is not None and one.instants > LONGEST

    def never_meets(self, plain: Plain) -> bool:
        """The same where all that ticks is idle."""
        if plain.judged != len(plain.idle):
            plain.judged = len(plain.idle)
            plain.apart = _instants(set(plain.idle.values())) > LONGEST
        dues = self._simulation.stepper.dues
        return plain.apart and all(
            region in plain.idle for region in plain.phase.ticking if dues[region] < IDLE)

    def _round(self, was: Plain, code: object, hop: Hop) -> _Round | None:
        """The round that begins after an instant that is not idle, if that is known by now."""
        sim, plain = self._simulation, hop.plain
        entered, dues, now = sim.stepper.entered_ns, sim.stepper.dues, sim.now
        charge = sim.plant.charge
        for one in self._rounds.get(plain, ()):
            if one.low <= charge < one.high and self._fits(one):
                self._forget()
                return one
        if self._made >= MOST_ROUNDS:
            return None
        log = self._log
        if len(log) >= MOST_LOGGED or (log and log[-1].hop.plain is not was):
            self._forget()
        regions = frozenset((code,)) if isinstance(code, int) else frozenset(code)  # type: ignore[call-overload]
        instant = _Instant(now, regions, hop, tuple(entered))
        ages = tuple([now - entered[r] for r in plain.phase.ticking
                      if r not in plain.idle and dues[r] < IDLE])
        index = self._seen.get((plain, ages))
        self._seen[plain, ages] = len(log)
        log.append(instant)
        found = None if index is None else self._closed(log[index:])
        if found is None:
            return None
        self._rounds.setdefault(plain, []).append(found)
        self._made += 1
        self._forget()
        return found if self._fits(found) else None

    def _fits(self, one: _Round) -> bool:
        """Whether a round begins now: its regions and its trains have come there."""
        stepper, now = self._simulation.stepper, self._simulation.now
        entered, dues = stepper.entered_ns, stepper.dues
        for region, age in zip(one.moving, one.ages, strict=True):
            if now - entered[region] != age:
                return False
        return all(dues[region] - entered[region] == period
                   for region, period in one.periods.items())

    def _closed(self, span: list[_Instant]) -> _Round | None:
        """The round from the first to the last of some instants, whose combinations are the same;
        None where it does not come round so.
        """
        first, last = span[0], span[-1]
        period_ns = last.time_ns - first.time_ns
        periods: dict[int, int] = {}
        plains = [instant.hop.plain for instant in span[:-1]]
        for plain in plains:
            for region, period in plain.idle.items():
                if periods.setdefault(region, period) != period:
                    return None
        if not periods:
            return None
        moving = []
        for region, (was, entered) in enumerate(zip(first.entered, last.entered, strict=True)):
            if region in periods or was == entered:
                continue
            if entered - was != period_ns:
                return None
            moving.append(region)
        steps = []
        for before, instant in pairwise(span):
            if not _ticks_along(instant.hop, instant.regions, periods):
                return None
            regions = frozenset(instant.regions - periods.keys())
            if not regions:
                return None
            steps.append(_Step(
                before.hop.comb, before.hop.plain, before.time_ns - first.time_ns,
                instant.time_ns - first.time_ns, regions, instant.hop))
        bounds = [(one.low, one.high) for one in plains]
        bounds += [(step.hop.low, step.hop.high) for step in steps]
        return _Round(
            period_ns, tuple(moving), tuple([last.time_ns - last.entered[r] for r in moving]),
            periods, tuple(steps), max([low for low, _ in bounds]),
            min([high for _, high in bounds]))

    def _go(self, one: _Round, boundary: int, charge: float) -> bool:
        """Let periods of a round go by, before `boundary` (ns) and all that is not known in it."""
        sim = self._simulation
        stepper, now = sim.stepper, sim.now
        aside = {*one.moving, *one.periods}
        stop = min([boundary, *[due for r, due in enumerate(stepper.dues) if r not in aside]])
        count = (stop - 1 - now) // one.period_ns
        bundle = self._bundle(one.periods) if count > 0 else None
        if bundle is None:
            return False
        woken: list[tuple[_Step, Windows]] = []
        for step in one.steps:
            stretch = Windows(now + step.since_ns, now + step.until_ns, one.period_ns)
            count, wakes = self._known_idle(one, step, bundle, stretch, count, charge)
            if wakes:
                woken.append((step, stretch))
            count = self._known_instants(one, step, bundle, count, charge)
            if count < 1:
                return False
        times = sum([bundle.mean(stretch) for _, stretch in woken], Fraction())
        cycle = self._cycle(one, times)
        count = sim.folds.fold_whole(cycle, 0, now + count * one.period_ns + 1, sim.phase)
        if not count:
            return False
        in_mean = float(times * count)
        total = 0
        for step, stretch in woken:
            wakings = bundle.inside(stretch, count)
            total += wakings
            if wakings:
                sim.wake_in(step.plain.phase, wakings)
        if total != in_mean:
            sim.draw((total - in_mean) * sim.wake_c)
        _tick_on(stepper.dues, stepper.entered_ns, one.periods, sim.now)
        return True

    def _known_idle(
        self, one: _Round, step: _Step, bundle: Bundle, stretch: Windows, count: int, charge: float
    ) -> tuple[int, bool]:
        """How many of `count` periods have only known idle ticks in a stretch of each, and whether
        these wake the controller.
        """
        wakes = False
        for subset in bundle.subsets:
            known = step.idle.get(subset.all)
            if known is None:
                hop = self._hop(step.comb, step.plain, subset.all, charge)
                if hop is None or not hop.idle:
                    count = stretch.free_of(subset.train, count)
                    continue
                known = self._counts(step.plain, hop)
                if any(other != known for other in step.idle.values()):
                    count = stretch.free_of(subset.train, count)
                    continue
                step.idle[subset.all] = known
                one.narrow(hop)
            wakes |= known
        return count, wakes

    def _known_instants(
        self, one: _Round, step: _Step, bundle: Bundle, count: int, charge: float
    ) -> int:
        """How many of `count` periods have nothing unknown in the instant of a step: the trains
        that tick with it change nothing of it.
        """
        now = self._simulation.now
        own = Train(one.period_ns, (now + step.until_ns) % one.period_ns)
        for train in (own, *[meeting(own, subset.train) for subset in bundle.subsets]):
            if train is None or train.first_after(now) > now + count * one.period_ns:
                continue
            regions = frozenset(step.regions | bundle.along(train))
            if regions in step.known:
                continue
            hop = self._hop(step.comb, step.plain, regions, charge)
            if hop is None or not self._alike(one, step, hop) or not _ticks_along(
                    hop, regions, one.periods):
                count = min(count, (train.first_after(now) - 1 - now) // one.period_ns)
                continue
            step.known.add(regions)
            one.narrow(hop)
        return count

    def _alike(self, one: _Round, step: _Step, hop: Hop) -> bool:
        """Whether the same comes of an instant as of that of a step, whatever trains tick."""
        known = step.hop
        return (
            hop.comb is known.comb and hop.plain is known.plain
            and (hop.move.woke == known.move.woke or not self._simulation.wake_c)
            and hop.move.public == known.move.public
            and _others(hop, one.periods) == _others(known, one.periods)
        )

    def _cycle(self, one: _Round, times: Fraction) -> Cycle:
        """A round as a cycle, with so many wakings by its trains in a period."""
        found = one.cycles.get(times)
        if found is not None:
            return found
        sim = self._simulation
        if len(one.cycles) >= MOST_ROUNDS:
            one.cycles.clear()  # what they have counted stays with the folder
        members = []
        for step, before in zip(one.steps, (one.steps[-1], *one.steps[:-1]), strict=True):
            states, waiting, memory, conditions = step.comb.stand
            members.append(Member(
                phase=step.plain.phase,
                lasts_ns=step.until_ns - step.since_ns,
                states=states,
                ages=one.ages if step is one.steps[0] else (),
                waiting=tuple([waiting[r] for r in one.moving]),
                due_in=(),
                memory=tuple([memory[r] for r in one.moving]),
                conditions=conditions,
                rules=(),
                events=before.hop.move.public,
                woke=before.hop.move.woke and not before.plain.awake,
                folded=None,
            ))
        found = Cycle(
            period_ns=one.period_ns,
            moving=one.moving,
            members=tuple(members),
            wake_c=sim.wake_c,
            low=one.low,
            high=one.high,
            held=(True,) * len(sim.timed),  # plain instants leave what rules wait for as it is
            idle_c=float(times) * sim.wake_c,
            grids=sim.folder.grids,
        )
        one.cycles[times] = found
        sim.folder.cycles.append(found)
        return found


def _instants(periods: set[int]) -> int:
    """So many instants at least are between two at which all these periods (ns) begin together."""
    parts = sorted(periods)
    # What is quicker may be folded by itself between two ticks of what is much slower.
    inner, each = 1, parts[0]
    for period_ns, slower_ns in pairwise(parts):
        inner = math.lcm(inner, period_ns)
        if slower_ns > WORTH * inner:
            each = slower_ns
    return math.lcm(*parts) // each


def _tick_on(dues: list[int], entered: list[int], periods: dict[int, int], up_to: int) -> None:
    """Let regions have ticked, each in its period, up to a time (ns), that included."""
    for region, period in periods.items():
        due = dues[region]
        if due <= up_to:
            due += ((up_to - due) // period + 1) * period
            dues[region] = due
            entered[region] = due - period


def _ticks_along(hop: Hop, regions: _Regions, periods: dict[int, int]) -> bool:
    """Whether those of `regions` that are trains just go on in their periods, and no other train
    is moved.
    """
    for region, _, enters, index, after_ns in hop.move.sets:
        if region in periods and (
                region not in regions or not enters or index or after_ns != periods[region]):
            return False
    moved = {one[0] for one in hop.move.sets}
    return all(region in moved for region in regions if region in periods)


def _others(hop: Hop, periods: dict[int, int]) -> list[tuple[int, int, bool, int, int]]:
    return [one for one in hop.move.sets if one[0] not in periods]
