"""A simulation while it runs: from instant to instant, with the charge clock in between."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace

from simfw.behaviour.expression import parse_expression
from simfw.circuit.wake import wake_of
from simfw.engine.clock import Clock, Tally
from simfw.engine.course import Course
from simfw.engine.cycle import Cycle
from simfw.engine.folding import LONGEST, Folder
from simfw.engine.folds import Folds
from simfw.engine.gliding import Glide
from simfw.engine.instants import Instants
from simfw.engine.keeping import keep_cycle, kept_uses
from simfw.engine.monitor import Probe, judged, monitors_of
from simfw.engine.observer import Observer, TooMany
from simfw.engine.phase import Phase
from simfw.engine.plant import CONTACTS, CellNow, Plant
from simfw.engine.playing import Playing
from simfw.engine.prepared import Prepared
from simfw.engine.resume import restore, snapshot
from simfw.engine.run import ConsumerUse, Expected, Interval, Occurred, Part, Run
from simfw.engine.snapshot import Snapshot
from simfw.engine.supply import (
    CHATTER,
    Latch,
    Supply,
    met_at_power_up,
    next_supply,
    restless,
)
from simfw.engine.timeline import ABSENT, Change, in_turn, timeline
from simfw.engine.totals import total
from simfw.errors import EndlessInstant
from simfw.stimuli.scenario import Expect, Scenario

__all__ = ["Simulation"]

_NS = 1e-9
_SOON_NS = 1_000_000
_ENDLESS = 1 << 62
_ROUNDS = 1000  # times that something electrical may go on and off again in one instant


class Simulation:
    """One simulation while it runs."""

    looks_back = LONGEST  # instants, for a period, at first
    counts_trains = True  # idle ticks are counted where nothing comes round: see `idling`

    def __init__(
        self,
        prepared: Prepared,
        scenario: Scenario,
        seed: int,
        fold: bool,
        trace: bool,
        observers: Sequence[Observer],
        resume: Snapshot | None,
        plant: Plant | None = None,
        log: bool | frozenset[str] = True,
        course: Course | None = None,
        plays: bool = False,
        still: bool = False,
    ) -> None:
        """`plant` is one made of `prepared` for an earlier simulation that watched the same.

        With `log` the events are collected in `events`, all or those of these names. `course` is
        written while it goes by. With `plays` nobody asks for edges of sequences: observers are
        told of regions' instants only. With `still` it ends as soon as all comes round that ticks:
        in `round`.
        """
        gadget = prepared.gadget
        self.gadget = gadget
        self.guesses = prepared.guesses
        self.scenario = scenario
        self.seed = seed
        self.fold = fold
        self.trace = trace
        self.observers = tuple(observers)
        # An interval takes some time to describe: only for those who look at them.
        self._told = tuple(o for o in observers if type(o).interval is not Observer.interval)
        self.described = trace or bool(self._told)
        self.follow = tuple(o for o in observers if type(o).passed is not Observer.passed)
        self.drivers = tuple(o for o in observers if type(o).drove is not Observer.drove)
        self._hear = tuple(o for o in observers if type(o).event is not Observer.event)
        self.logged = bool(log)
        self._kept = log if isinstance(log, frozenset) else None
        self.course = course
        self.listened = self.logged or bool(self._hear)
        asked = dict.fromkeys(step.text for step in scenario.steps if isinstance(step, Expect))
        again = plant is not None and list(plant.probes) == list(asked)
        expects = {} if again else {
            text: parse_expression(text, prepared.system.names) for text in asked
        }
        rule_parts = [
            part
            for rule in prepared.rules
            for part in (rule.statement, rule.when, rule.then)
            if part is not None
        ]
        watched = [*rule_parts, *expects.values()]
        if plant is None:
            plant = Plant(prepared, watched)
        else:
            plant.begin()
        self.plant = plant
        self.stepper = plant.stepper
        self.monitors = monitors_of(prepared.rules, plant)
        # Those that look at times: what they wait for is part of what repeats.
        self.timed = [m for m in self.monitors if m.rule.kind not in ("never", "always")]
        behind = itertools.count(len(rule_parts))  # the monitors have the numbers before
        if not again:
            plant.probes = {key: Probe(e, plant, next(behind)) for key, e in expects.items()}
        self.probes = plant.probes
        wake = wake_of(gadget.controller)
        self.wake_c = wake.charge_c
        self.wake = self.wake_c / plant.capacity_c
        self.instants = Instants(plant, prepared.learned, prepared.bands, self.wake)
        self.folder = Folder(prepared.grids, self.looks_back)
        self.folds = Folds(self, self.folder)
        if course is not None and plant.count is not None:
            course.spoil()  # what it counts is followed by the run alone
        self.alive = False
        self.now = 0
        self.events: list[Occurred] = []
        self.intervals: list[Interval] = []
        self.expected: list[Expected] = []
        self.empty_at: int | None = None
        self.closed_at = -_SOON_NS  # when the protection closed last
        self.chatter = 0  # how often it has opened right after closing
        self.time_in: dict[Phase, int] = {}
        self.resumed = resume
        if resume is None:
            plant.base = scenario.charge
            if plant.count is not None:
                plant.count.begin_at(scenario.charge)
            self.stepper.forget()
            self.stepper.halt(0)
            self.start = 0
            pending: list[Change] = []
        else:
            restore(self, resume)
            self.start = resume.time_ns
            pending = [Change(*entry) for entry in resume.pending]  # type: ignore[arg-type]
        self.end = self.start + scenario.lasts_ns
        self.changes = in_turn([*pending, *timeline(scenario, gadget, self.start)], gadget)
        self.next_change = 0
        self.pending: list[Change] = []
        self.start_charge = plant.charge
        self.phase = plant.phase()
        self.cell = CellNow(plant, self.phase)
        self._completed = self.stepper.event_ids.get("charge.completed", -1)
        self.was_awake = False
        self._wakings = 0  # of the controller, in this instant
        self._woken = False  # whether it has been since it had power
        self.stepper.on_wake, self.stepper.wakes_always = self._wake, wake.every_instant
        self._inputs_changed = False
        self.latch = Latch(prepared.system.hold_up_ns, plant.held,
                           None if resume is None else resume.open_ns)
        self.release_at = _ENDLESS
        self._at_zero: list[str] = []  # raw events of the first instant, until it powers up
        self._due_expects: list[Change] = []
        self._asking = any(monitor.events for monitor in self.monitors)
        self._settled = plant.standing()
        self.playing = Playing(self, prepared.grids) if plays else None
        self.glide = Glide(self)
        self._may_let_go = self.stepper.may_let_go
        self._keeps = bool(self.stepper.keeps)
        if self._may_let_go:
            self.glide.fits = False
        self.still = still
        self._begun = False
        self.round: Cycle | None = None
        self._steps = 0
        self.gone = 0  # instants of cycles that were gone along one by one
        self._most: int | None = None
        self.limit = _ENDLESS  # instants that are too many, for those who set one

    # -- the loop --------------------------------------------------------------------------------

    def run(self) -> Run:
        """Run to the end and return the result."""
        self.go()
        return self._result()

    def run_once(self) -> Run:
        """The same, where nobody goes on with it: what it holds is let go of at once."""
        try:
            return self.run()
        finally:
            self.folder.let_go()

    def go(self, most: int | None = None) -> bool:
        """Run to the end, without the ledger: what came of it stands in `events`, `empty_at`.

        False where `most` steps from instant to instant were not enough; it then stands there. With
        a later `end` it goes on. Raises TooMany where `limit` instants were not enough; that bound
        changes nothing of how it is run.
        """
        if not self._begun:
            self.begin()
        self._most = most
        while self._step():
            self._steps += 1
            if self.round is not None:
                break
            if self._steps + self.gone >= self.limit:
                raise TooMany
            played = 0 if self.playing is None else self.playing.edges
            if most is not None and self._steps + played >= most:
                return False
        self._expectations_at_end()
        return True

    def begin(self) -> None:
        """Power up, with what is done at the very beginning; or stand where it is resumed."""
        plant = self.plant
        self._begun = True
        if self.resumed is None:
            if self.course is not None:
                self.course.asked(self.phase.marks, plant.charge, plant.charge)
            if self.phase.opens(plant.charge):
                # Below the cut-off the controller is dead: nothing powers up.
                if self.course is not None:
                    self.course.spoil()
                plant.supply = replace(plant.supply, protected=True)
                self.empty_at = self.now
                for observer in self.observers:
                    observer.emptied(self.now)
            self._at_zero = self._apply_changes()
            plant.supply = replace(plant.supply, cut=plant.supply.opened)
            self.alive = not plant.dead
            plant.refresh()
            self.folder.enter(plant.context)
            first = self._electrical(plant.phase(), settled=False)
            raw = self._met() if first is None or not first[1] else first[0]
            self._instant(raw if self.alive else [], power_up=self.alive)
            self._at_zero = []
        else:
            if self._may_let_go and self._let_go(settled=True) is not None:
                self.release_at = self.now
            self.was_awake = self.phase.loads.controller == "awake"
            self.folder.enter(plant.context)

    def _step(self) -> bool:
        """Go on to the next instant and handle it; False at the end of the run."""
        plant, stepper, phase = self.plant, self.stepper, self.phase
        if self._asking:
            self._settled = plant.standing()
        now = self.now
        due = stepper.next_due()
        then = self.end
        open_ = False
        changes = self.changes
        if self.next_change < len(changes) and changes[self.next_change].time_ns < then:
            then = changes[self.next_change].time_ns
        for monitor in self.monitors:
            if monitor.open_ns:
                then = min(then, monitor.deadline())
                open_ = True
        then = min(then, self.release_at)
        boundary = then
        if open_:
            self.glide.miss()
        if due < then and not open_ and self.glide.fits:
            gone, reached = self.glide.go(boundary, self._room())
            self._steps += gone
            if reached:
                self._instant([])
            if gone or reached:
                return True
        if due < then and not open_ and self.playing is not None and self.playing.fits and (
                self.playing.go(boundary)):
            return True
        if due < then:
            then = due
        charge = plant.charge
        low, high = phase.bounds(charge)
        tally = self.tally(phase.tally)
        change = plant.advance(phase.clock, (then - now) * _NS, tally, low, high)
        crossed = change is None
        if change is None:
            target, falling, at = self._next_crossing(low, high)
            crossed = at is not None
            if at is not None:
                then = min(then, at)
            change = plant.advance(phase.clock, (then - now) * _NS, tally)
            assert change is not None
            if self.course is not None:
                self.course.spoil()
            if crossed:  # else it comes as near as rounding tells apart, and never there
                plant.moved += change
                plant.settle_at(target, falling=falling)
        else:
            plant.moved += change
            if self.course is not None:
                self.course.stretch(phase.clock, phase.loads, now, then, low, high)
        self.passed(phase, now, then, charge, tally)
        self.now = then
        if then >= self.end:
            return False
        raw = self._apply_changes() if then == boundary else []
        turned = crossed or self._inputs_changed
        if turned:
            self._inputs_changed = False
            plant.refresh()
            self.folder.enter(plant.context)
            self.glide.stir()
            if self.playing is not None:
                self.playing.stir()
        self._instant(raw, turned=turned)
        return True

    def _next_crossing(self, low: float, high: float) -> tuple[float, bool, int | None]:
        """Which mark the charge is on its way to, whether it falls, and when (ns) it is past it.

        None where it never gets there.
        """
        charge, clock = self.plant.charge, self.phase.clock
        falling = clock.rate(charge) < 0.0
        target = low if falling else high
        seconds = clock.time_to(charge, target)
        at = None if seconds == math.inf else self.now + int(seconds * 1e9) + 1
        return target, falling, at

    def _room(self) -> int:
        most = self.limit if self._most is None else min(self._most, self.limit)
        return most - self._steps - 1

    def stood(self, moved: float) -> None:
        """Note how all stands before an instant, with the charge of one instant earlier."""
        if self._asking:
            states, flags, hands, supply, _, here = self.plant.standing()
            self._settled = (states, flags, hands, supply, moved, here)

    @property
    def steps(self) -> int:
        """How many steps from instant to instant were made so far."""
        return self._steps

    @property
    def woken(self) -> bool:
        """Whether the controller was woken in the latest instant."""
        return self._woken

    @property
    def counts_steps(self) -> bool:
        """Whether no more than so many steps from instant to instant are to be made."""
        return self._most is not None

    def begin_instant(self) -> None:
        """An instant begins: the controller has not been woken in it."""
        self._wakings = 0
        self._woken = False
        if self._keeps:
            self.stepper.settled(self.now)

    def end_instant(self, phase: Phase) -> None:
        """It ends in `phase`: what its wakings took is counted there."""
        if self._wakings:
            self.wake_in(phase, self._wakings)
        self.was_awake = phase.loads.controller == "awake"

    def wake_in(self, phase: Phase, count: int = 1) -> None:
        """Count what so many wakings took in a phase, though no time may go by in it by itself."""
        phase.lump_c += count * self.wake_c
        self.time_in.setdefault(phase, 0)

    def look_for_folds(
        self, phase: Phase, public: tuple[int, ...], found: tuple[Cycle, int] | None = None
    ) -> None:
        """Look at a plain instant, which has just been done; `found` is what it recalls."""
        if self.folder.looks():
            self._try_fold(phase, public, self._woken, found)

    def tally(self, total: Tally) -> Tally:
        """What an interval is counted in: where it is described, a tally of its own."""
        return Tally() if self.described else total

    def passed(self, phase: Phase, start: int, end: int, charge: float, tally: Tally) -> None:
        """Take note of an interval that has gone by."""
        if self.described:
            phase.tally.join(tally)
        if end == start:
            return
        self.time_in[phase] = self.time_in.get(phase, 0) + end - start
        for observer in self.follow:
            observer.passed(start, end, charge, self.plant.charge, phase.loads.charger)
        for observer in self.drivers:
            times = ((phase.loads, end - start),)
            observer.drove(start, end, times, charge, self.plant.charge)
        if self.plant.count is not None:
            self.counted(start, end)
        if self.described:
            self.record(phase, phase.clock, start, end, charge, tally, 0)

    def counted(self, start: int, end: int) -> None:
        """Tell observers of the count of a gauge that counts charge, over a stretch (ns)."""
        register = self.plant.count
        if register is not None:
            for observer in self.observers:
                observer.counted(start, end, register.before, register.share)

    def record(
        self, phase: Phase, clock: Clock, start: int, end: int, charge: float, tally: Tally,
        cycles: int, parts: tuple[Part, ...] = (),
    ) -> None:
        """Describe a stretch (ns) that began at `charge`, for the trace and those who look on."""
        means = clock.means(tally, (end - start) * _NS)
        self.describe(phase, start, end, charge, means, clock.extra_drain_a,
                      clock.voltage(charge), cycles, parts)

    def describe(
        self, phase: Phase, start: int, end: int, charge: float,
        means: tuple[tuple[float, ...], float], woken_a: float, voltage_v: float, cycles: int,
        parts: tuple[Part, ...],
    ) -> None:
        """The same with its mean currents (A): of the consumers, of the charger, of wakings."""
        consumers_a, charger_a = means
        if woken_a:  # the wakings of a cycle
            consumers_a = tuple([
                drawn_a + woken_a if name == "controller" else drawn_a
                for name, drawn_a in zip(self.plant.circuit.consumers, consumers_a, strict=True)
            ])
        interval = Interval(
            start_ns=start,
            end_ns=end,
            states=phase.names,
            loads=phase.loads,
            consumers_a=consumers_a,
            charger_a=charger_a,
            voltage_v=voltage_v,
            start_charge=charge,
            end_charge=self.plant.charge,
            bars=phase.bars,
            levels=phase.levels,
            cycles=cycles,
            parts=parts,
        )
        if self.trace:
            self.intervals.append(interval)
        for observer in self._told:
            observer.interval(interval)

    # -- one instant -----------------------------------------------------------------------------

    def _apply_changes(self) -> list[str]:
        """Apply the input changes due now; return the raw events they make, in their order."""
        plant, changes, now = self.plant, self.changes, self.now
        raw: list[str] = []
        while self.next_change < len(changes):
            change = changes[self.next_change]
            if change.time_ns > now:
                break
            self.next_change += 1
            if change.kind == "expect":
                self._due_expects.append(change)
                continue
            self._inputs_changed = True
            if change.kind in CONTACTS:
                raw += plant.touch(change.name, bool(change.value))
            elif change.kind == "hand":
                if change.value == ABSENT:
                    plant.hands.pop(change.name, None)
                else:
                    plant.hands[change.name] = change.value
            elif change.kind == "measure":
                plant.measures[change.name] = change.value
            elif change.kind == "temperature":
                plant.supply = replace(plant.supply, temperature_c=change.value)
            elif change.kind == "fault":
                plant.supply = replace(plant.supply, faulty=bool(change.value))
            elif bool(change.value) != plant.usb:
                plant.supply = replace(plant.supply, usb=bool(change.value))
                raw += [name for name in ("usb.edge",) if name in self.stepper.event_ids]
        return raw

    def _switch(self, after: Supply) -> list[str]:
        """Let the supply become `after`; a changed reading of the status pin is an edge."""
        plant = self.plant
        before = (plant.flag("status.low"), plant.flag("status.high"))
        plant.supply = after
        plant.refresh()
        changed = (plant.flag("status.low"), plant.flag("status.high")) != before
        edge = "status.edge"
        return [edge] if changed and edge in self.stepper.event_ids else []

    def _instant(
        self, raw: list[str], *, power_up: bool = False, turned: bool = False
    ) -> None:
        """Handle everything due at this time, until regions and circuit are at rest.

        `turned`: a crossing or a change of an input may make the circuit take a step; it does so
        before any dwell ends.
        """
        plant, stepper = self.plant, self.stepper
        plant.turns.clear()
        before = plant.charge
        count = plant.count
        if count is not None:
            count.turns.clear()
        public: list[int] = []
        moved = False
        rounds = opened = 0
        self.begin_instant()
        if power_up:
            self.latch.power_up(plant.held)
        self.release_at = _ENDLESS
        if turned and (
            first := self._electrical(plant.phase(), settled=False)
        ) is not None:
            made, power_up = first
            raw = made if power_up else [*raw, *made]
            moved = True
        while True:
            if self.alive:
                public += self.instants.run(self.now, raw, power_up=power_up)
                moved |= stepper.moved
            phase = plant.phase()
            was_open = plant.protected
            again = self._electrical(phase)
            if again is None:
                break
            raw, power_up = again
            moved = True
            rounds += 1
            opened += plant.protected and not was_open
            if rounds > 2 * _ROUNDS:
                raise EndlessInstant(self.now, _ROUNDS, *restless(
                    plant.circuit.charger, plant.supply, opens=opened > 1))
        self.phase = phase
        if count is not None and self._completed in public:
            count.anchor()
        self.end_instant(phase)
        happened: frozenset[str] = frozenset()
        if public:
            names = [stepper.event_names[number] for number in public]
            self.emit(names, self.now)
            happened = frozenset(names)
        if self.monitors:
            for monitor in self.monitors:
                monitor.settled(self.now, phase, happened, self._before)
        if self._due_expects:
            for change in self._due_expects:
                self.expected.append(judged(change, self.probes[change.text], self.plant))
            self._due_expects = []
        for observer in self.observers:
            observer.settled(self.now, phase.names, happened)
        if self.course is not None:
            self.course.asked(plant.turns, before, plant.charge)
        moved = moved or self._woken
        if (self.fold and phase.ticks and moved and self.alive and self.release_at == _ENDLESS
                and self.folder.looks()):
            self._try_fold(phase, tuple(public), self._woken)

    def _wake(self, _region: int = -1) -> None:
        """A state that keeps the controller awake is entered, or each instant counts and there is
        something to do: it wakes, if it sleeps.
        """
        if self.was_awake or self._woken:
            return
        self._woken = True
        self._wakings += 1
        if self.wake_c:
            self.draw(self.wake_c)

    def draw(self, charge_c: float) -> None:
        """Take a lump of charge (C) out of the cell."""
        self.plant.draw(charge_c)
        if self.course is not None:
            self.course.drawn(charge_c / self.plant.capacity_c)

    def _let_go(self, settled: bool) -> Supply | None:
        """What the latch says now. The firmware lets go once the instant is `settled`, and the
        supply goes when the latch has it: `release_at`, where that is later.
        """
        after, at = self.latch.next(
            self.now, self.plant.supply, held=self.plant.held,
            goes=settled and self.alive and self.stepper.lets_go)
        if at is not None:
            self.release_at = at
        return after

    def _electrical(
        self, phase: Phase, *, settled: bool = True
    ) -> tuple[list[str], bool] | None:
        """Take the next electrical step that is due; None when there is none.

        Returns the raw events it makes, and whether the controller powers up.
        """
        plant = self.plant
        let_go = self._let_go(settled) if self._may_let_go else None
        if let_go is None and plant.calm and phase.is_quiet(plant.charge):
            if self.course is not None:
                self.course.asked(phase.quiet, plant.charge, plant.charge)
            return None
        self.cell.phase = phase
        now = plant.supply
        after = next_supply(
            plant.circuit.charger, now, self.cell, restarts=plant.restarts, let_go=let_go
        )
        if self.course is not None:
            if after is None:
                self.course.asked(phase.marks, plant.charge, plant.charge)
            else:
                self.course.spoil()
        if after is None:
            return None
        raw = self._switch(after)
        self.folder.enter(plant.context)
        if after.protected and not now.protected:
            self._note_chatter()
            if self.empty_at is None:
                self.empty_at = self.now
            for observer in self.observers:
                observer.emptied(self.now)
        if after.released and not now.dead:
            self.alive = False
            self.stepper.freeze()
        elif after.dead and not now.dead:
            self.alive = False
            self.stepper.halt(self.now)
        if after.dead == now.dead:
            return raw, False
        if after.dead:
            return [], False
        self.alive = True
        self.latch.power_up(plant.held)
        self.closed_at = self.now
        self.was_awake = self._woken = False
        if plant.count is not None:
            plant.count.power_up()
        return self._met(), True

    def _met(self) -> list[str]:
        """The raw events of a power-up; at time 0 contacts that close are among them, once."""
        raw, self._at_zero = self._at_zero, []
        return met_at_power_up(raw, self.plant.flag, self.stepper.event_ids)

    def _note_chatter(self) -> None:
        """Raise where the protection opens again and again, each time just after it has closed."""
        self.chatter = self.chatter + 1 if self.now - self.closed_at < _SOON_NS else 0
        if self.chatter > _ROUNDS:
            raise EndlessInstant(self.now, _ROUNDS, *CHATTER)

    def hears(self, numbers: Iterable[int]) -> bool:
        """Whether anybody is told of any of these events."""
        if not self.listened or self._kept is None or self._hear:
            return self.listened
        names = self.stepper.event_names
        return any(names[number] in self._kept for number in numbers)

    def emit(self, names: Sequence[str], time_ns: int) -> None:
        """Tell of the events of one time, in their order."""
        for name in names:
            if self.logged and (self._kept is None or name in self._kept):
                self.events.append(Occurred(time_ns, name))
            for observer in self._hear:
                observer.event(time_ns, name)

    # -- rules and expectations ------------------------------------------------------------------

    def _before(self, test: Callable[[], bool]) -> bool:
        """What a test says of the state settled before this instant, inputs included."""
        return self.plant.read_at(self._settled, test)

    def _expectations_at_end(self) -> None:
        """An expectation at the end reads the state just before it; other changes stay pending."""
        left = self.changes[self.next_change :]
        for change in left:
            if change.kind == "expect" and change.time_ns == self.end:
                self.expected.append(judged(change, self.probes[change.text], self.plant))
        self.pending = [change for change in left if change.kind != "expect"]

    def _try_fold(
        self, phase: Phase, public: tuple[int, ...], woke: bool,
        found: tuple[Cycle, int] | None = None,
    ) -> None:
        self.folds.look(phase, public, woke, found)

    def went_along(self, cycle: Cycle, index: int, passed_ns: int) -> None:
        """Called after a fold: from its instant `index`, `cycle` was gone along for `passed_ns`."""
        keep_cycle(self.stepper, cycle, index, passed_ns)

    # -- the result ------------------------------------------------------------------------------

    def _result(self) -> Run:
        plant = self.plant
        cycles = self.folder.cycles + ([] if self.playing is None else self.playing.cycles)
        totals = total(plant.circuit.consumers, self.time_in, cycles,
                       plant.circuit.fed_a)
        charge = plant.charge
        return Run(
            gadget=self.gadget,
            scenario=self.scenario,
            seed=self.seed,
            start_ns=self.start,
            end_ns=self.end,
            regions=self.stepper.region_names,
            outputs=plant.outputs,
            consumers=totals.consumers,
            states=totals.states(self.stepper),
            events=tuple(self.events),
            intervals=tuple(self.intervals),
            expectations=tuple(
                sorted(self.expected, key=lambda one: (one.time_ns, one.expression))
            ),
            rules=tuple(monitor.verdict() for monitor in self.monitors),
            guesses=self.guesses(),
            charger_charge_c=totals.charger_c,
            fed=tuple(map(ConsumerUse, plant.circuit.fed, totals.fed_c)),
            capacity_c=plant.capacity_c,
            start_charge=self.start_charge,
            end_charge=charge,
            end_voltage_v=self.phase.clock.voltage(charge),
            end_open_circuit_v=float(plant.circuit.open_circuit_v(charge)),
            empty_at_ns=self.empty_at,
            final=snapshot(self),
            end_status=self.plant.status,
            kept=kept_uses(self.stepper, self.end),
            work=self._steps + self.gone if self.fold else 0,
        )
