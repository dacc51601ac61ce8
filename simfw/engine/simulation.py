"""A simulation while it runs: from instant to instant, with the charge clock in between."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

from simfw.behaviour.expression import parse_expression
from simfw.engine.clock import Clock, Tally
from simfw.engine.cycle import Cycle, Turn
from simfw.engine.folding import Folder, Moment
from simfw.engine.monitor import Monitor, Probe
from simfw.engine.observer import Observer
from simfw.engine.phase import Phase
from simfw.engine.plant import CellNow, Plant
from simfw.engine.prepared import Prepared
from simfw.engine.resume import restore, snapshot
from simfw.engine.run import Expected, Interval, Occurred, Part, Run
from simfw.engine.snapshot import Snapshot
from simfw.engine.supply import Supply, found_at_pins, next_supply, plugged
from simfw.engine.timeline import ABSENT, Change, in_turn, timeline
from simfw.engine.totals import total
from simfw.errors import EndlessInstant
from simfw.stimuli.scenario import Expect, Scenario

__all__ = ["Simulation"]

_NS = 1e-9
_HARDLY_TWO = 1.9  # periods: below two, none is folded
_SOON_NS = 1_000_000
_PROTECTION = ("the protection opens", "the protection closes")
_LIGHTEN = (
    "The states at power-up load the cell below `cut_off`, and without load it rests above "
    "`restart`: raise `restart` or lighten those states"
)
_ROUNDS = 1000  # electrical changes that may follow one another in one instant


class Simulation:
    """One simulation while it runs."""

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
        log: bool = True,
    ) -> None:
        """`plant` is one made of `prepared` for an earlier simulation that watched the same.

        With `log` the events are collected in `events`.
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
        self._described = trace or bool(self._told)
        self._follow = tuple(o for o in observers if type(o).passed is not Observer.passed)
        self._hear = tuple(o for o in observers if type(o).event is not Observer.event)
        self.logged = log
        self._listened = log or bool(self._hear)
        expects = {
            step.text: parse_expression(step.text, prepared.system.names)
            for step in scenario.steps
            if isinstance(step, Expect)
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
        numbers = iter(range(1 << 30))
        self.monitors = [Monitor(rule, plant, lambda: next(numbers)) for rule in prepared.rules]
        # Those that look at times: what they wait for is part of what repeats.
        self._timed = [m for m in self.monitors if m.rule.kind not in ("never", "always")]
        self.probes = {key: Probe(e, plant, next(numbers)) for key, e in expects.items()}
        controller = gadget.controller
        self.wake_c = controller.wake.value if controller and controller.wake else 0.0
        self.folder = Folder(prepared.ticking, prepared.grids)
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
        self._was_awake = False
        self._wakings = 0  # of the controller, in this instant
        self._woken = False  # whether it has been since it had power
        self.stepper.on_wake = self._wake
        self._inputs_changed = False
        self._plugged = False  # whether the charger has gone on with USB in this instant
        self._due_expects: list[Change] = []
        self._asking = any(monitor.events for monitor in self.monitors)
        self._settled = plant.standing()

    # -- the loop --------------------------------------------------------------------------------

    def run(self) -> Run:
        """Run to the end and return the result."""
        self.go()
        return self._result()

    def go(self, most: int | None = None) -> bool:
        """Run to the end, without the ledger: what came of it stands in `events`, `empty_at`.

        False where `most` steps from instant to instant were not enough; it then stands there.
        """
        plant = self.plant
        if self.resumed is None:
            if plant.charge <= self.phase.open_at:
                # Below the cut-off the controller is dead: nothing powers up.
                plant.supply = replace(plant.supply, protected=True)
                self.empty_at = self.now
                for observer in self.observers:
                    observer.emptied(self.now)
            self.alive = not plant.protected
            raw = self._apply_changes()
            plant.refresh()
            self.folder.enter(plant.context())
            self._instant(raw, power_up=self.alive)
        else:
            self._was_awake = self.phase.loads.controller == "awake"
            self.folder.enter(plant.context())
        steps = 0
        while self._step():
            steps += 1
            if steps == most:
                return False
        self._expectations_at_end()
        return True

    def _step(self) -> bool:
        """Go on to the next instant and handle it; False at the end of the run."""
        plant, stepper, phase = self.plant, self.stepper, self.phase
        if self._asking:
            self._settled = plant.standing()
        now = self.now
        due = stepper.next_due()
        then = self.end
        changes = self.changes
        if self.next_change < len(changes) and changes[self.next_change].time_ns < then:
            then = changes[self.next_change].time_ns
        for monitor in self.monitors:
            if monitor.open_ns:
                then = min(then, monitor.deadline())
        boundary = then
        if due < then:
            then = due
        charge = plant.charge
        low, high = phase.bounds(charge)
        tally = self._tally(phase.tally)
        change = plant.advance(phase.clock, (then - now) * _NS, tally, low, high)
        crossed = change is None
        if change is None:
            falling = phase.clock.rate(charge) < 0.0
            target = low if falling else high
            seconds = phase.clock.time_to(charge, target)
            crossed = seconds < math.inf
            if crossed:
                then = min(then, now + int(seconds * 1e9) + 1)
            change = plant.advance(phase.clock, (then - now) * _NS, tally)
            assert change is not None
            if crossed:  # else it comes as near as rounding tells apart, and never there
                plant.moved += change
                plant.settle_at(target, falling=falling)
        else:
            plant.moved += change
        self._passed(phase, now, then, charge, tally)
        self.now = then
        if then >= self.end:
            return False
        self._plugged = False
        raw = self._apply_changes() if then == boundary else []
        turned = crossed or self._inputs_changed
        if turned:
            self._inputs_changed = False
            plant.refresh()
            self.folder.enter(plant.context())
        self._instant(raw, turned=turned and not self._plugged)
        return True

    def _tally(self, total: Tally) -> Tally:
        """What an interval is counted in: where it is described, a tally of its own."""
        return Tally() if self._described else total

    def _passed(self, phase: Phase, start: int, end: int, charge: float, tally: Tally) -> None:
        """Take note of an interval that has gone by."""
        if self._described:
            phase.tally.join(tally)
        if end == start:
            return
        self.time_in[phase] = self.time_in.get(phase, 0) + end - start
        for observer in self._follow:
            observer.passed(start, end, charge, self.plant.charge, phase.loads.charger)
        self._counted(start, end)
        if self._described:
            self._record(phase, phase.clock, start, end, charge, tally, 0)

    def _counted(self, start: int, end: int) -> None:
        register = self.plant.count
        if register is not None:
            for observer in self.observers:
                observer.counted(start, end, register.before, register.share)

    def _record(
        self, phase: Phase, clock: Clock, start: int, end: int, charge: float, tally: Tally,
        cycles: int, parts: tuple[Part, ...] = (),
    ) -> None:
        consumers_a, charger_a = clock.means(tally, (end - start) * _NS)
        if clock.extra_drain_a:  # the wakings of a cycle
            consumers_a = tuple([
                drawn_a + clock.extra_drain_a if name == "controller" else drawn_a
                for name, drawn_a in zip(self.plant.circuit.consumers, consumers_a, strict=True)
            ])
        interval = Interval(
            start_ns=start,
            end_ns=end,
            states=phase.names,
            loads=phase.loads,
            consumers_a=consumers_a,
            charger_a=charger_a,
            voltage_v=clock.voltage(charge),
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
        plant = self.plant
        raw: list[str] = []
        while self.next_change < len(self.changes):
            change = self.changes[self.next_change]
            if change.time_ns > self.now:
                break
            self.next_change += 1
            if change.kind == "expect":
                self._due_expects.append(change)
                continue
            self._inputs_changed = True
            if change.kind == "contact":
                closed = bool(change.value)
                if plant.contacts[change.name] != closed:
                    plant.contacts[change.name] = closed
                    raw.append(f"{change.name}.edge")
            elif change.kind == "hand":
                if change.value == ABSENT:
                    plant.hands.pop(change.name, None)
                else:
                    plant.hands[change.name] = change.value
            elif change.kind == "temperature":
                plant.supply = replace(plant.supply, temperature_c=change.value)
            elif change.kind == "fault":
                plant.supply = replace(plant.supply, faulty=bool(change.value))
            elif bool(change.value) != plant.usb:
                raw += self._plug(bool(change.value))
        return raw

    def _plug(self, present: bool) -> list[str]:
        plant = self.plant
        self._plugged = True
        self.cell.phase = self.phase
        after = plugged(plant.circuit.charger, plant.supply, present, self.cell)
        raw = ["usb.edge", *self._switch(after)]
        return [name for name in raw if name in self.stepper.event_ids]

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
        count = plant.count
        if count is not None:
            count.turns.clear()
        public: list[int] = []
        moved = False
        rounds = 0
        self._wakings = 0
        self._woken = False
        if turned and (first := self._electrical(plant.phase())) is not None:
            made, power_up = first
            raw = made if power_up else [*raw, *made]
            moved = True
        while True:
            if self.alive:
                public += stepper.run_instant(self.now, raw, power_up=power_up)
                moved |= stepper.moved
            phase = plant.phase()
            again = self._electrical(phase)
            if again is None:
                break
            raw, power_up = again
            moved = True
            rounds += 1
            if rounds > _ROUNDS:
                if plant.usb:
                    loop = ("the charger stops", "the charger starts")
                    hint = "Set `recharge` of [charger] below what the load leaves of `float`"
                else:
                    loop, hint = _PROTECTION, _LIGHTEN
                raise EndlessInstant(self.now, _ROUNDS, loop, hint)
        self.phase = phase
        if count is not None and self._completed in public:
            count.anchor()
        phase.lump_c += self._wakings * self.wake_c
        self._was_awake = phase.loads.controller == "awake"
        happened: frozenset[str] = frozenset()
        if public:
            names = [stepper.event_names[number] for number in public]
            self._emit(names, self.now)
            happened = frozenset(names)
        if self.monitors:
            for monitor in self.monitors:
                monitor.settled(self.now, phase, happened, self._before)
        if self._due_expects:
            for change in self._due_expects:
                self._judge(change)
            self._due_expects = []
        for observer in self.observers:
            observer.settled(self.now, phase.names, happened)
        if self.fold and phase.ticks and moved and self.alive and self.folder.looks():
            self._try_fold(phase, tuple(public), self._woken)

    def _wake(self) -> None:
        """A state that keeps the controller awake is entered: it wakes, if it sleeps."""
        if self._was_awake or self._woken:
            return
        self._woken = True
        self._wakings += 1
        if self.wake_c:
            self.plant.draw(self.wake_c)

    def _electrical(self, phase: Phase) -> tuple[list[str], bool] | None:
        """Take the next electrical step that is due; None when there is none.

        Returns the raw events it makes, and whether the controller powers up.
        """
        plant = self.plant
        self.cell.phase = phase
        now = plant.supply
        after = next_supply(plant.circuit.charger, now, self.cell, restarts=plant.restarts)
        if after is None:
            return None
        raw = self._switch(after)
        self.folder.enter(plant.context())
        if after.protected == now.protected:
            return raw, False
        if after.protected:
            self._note_chatter()
            self.alive = False
            self.stepper.halt(self.now)
            if self.empty_at is None:
                self.empty_at = self.now
            for observer in self.observers:
                observer.emptied(self.now)
            return [], False
        self.alive = True
        self.closed_at = self.now
        self._was_awake = self._woken = False
        if plant.count is not None:
            plant.count.power_up()
        return found_at_pins(plant.flag, self.stepper.event_ids), True

    def _note_chatter(self) -> None:
        """Raise where the protection opens again and again, each time just after it has closed."""
        self.chatter = self.chatter + 1 if self.now - self.closed_at < _SOON_NS else 0
        if self.chatter > _ROUNDS:
            raise EndlessInstant(self.now, _ROUNDS, _PROTECTION, _LIGHTEN)

    def _emit(self, names: Sequence[str], time_ns: int) -> None:
        for name in names:
            if self.logged:
                self.events.append(Occurred(time_ns, name))
            for observer in self._hear:
                observer.event(time_ns, name)

    # -- rules and expectations ------------------------------------------------------------------

    def _before(self, test: Callable[[], bool]) -> bool:
        """What a test says of the state settled before this instant, inputs included."""
        return self.plant.read_at(self._settled, test)

    def _judge(self, change: Change) -> None:
        met = self.probes[change.text].read(self.plant.phase())
        self.expected.append(
            Expected(
                key=change.name,
                time_ns=change.time_ns,
                expression=change.text,
                met=met,
                why=None if met else self._account(),
            )
        )

    def _account(self) -> str:
        """What stood instead, for an expectation that was not met."""
        stood = ", ".join(
            f"{region}.{state}"
            for region, state in zip(self.stepper.region_names, self.stepper.names(), strict=True)
        )
        return f"the state was {stood}" if stood else "there are no regions"

    def _expectations_at_end(self) -> None:
        """An expectation at the end reads the state just before it; other changes stay pending."""
        left = self.changes[self.next_change :]
        for change in left:
            if change.kind == "expect" and change.time_ns == self.end:
                self._judge(change)
        self.pending = [change for change in left if change.kind != "expect"]

    # -- folding ---------------------------------------------------------------------------------

    def _try_fold(self, phase: Phase, public: tuple[int, ...], woke: bool) -> None:
        stepper, folder = self.stepper, self.folder
        rules = tuple([monitor.stand(self.now) for monitor in self._timed])
        charge, register = self.plant.charge, self.plant.count
        counted = 1.0 if register is None else register.share
        found = folder.recall(phase.states, stepper.entered_ns, self.now, charge, counted)
        whole = found is not None and folder.is_whole(found[0], phase.states, stepper.due())
        if not whole:
            moment = Moment(
                time_ns=self.now,
                states=phase.states,
                entered=tuple(stepper.entered_ns),
                waiting=stepper.waiting(),
                due=stepper.due(),
                memory=tuple(stepper.memory),
                conditions=tuple(stepper.condition_values),
                charge=charge,
                turns=frozenset(self.plant.turns),
                counted=counted,
                count_turns=frozenset() if register is None else frozenset(register.turns),
                phase=phase,
                rules=rules,
                events=public,
                woke=woke,
            )
            closed = folder.notice(moment, self.wake_c)
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
        since = self.now
        if whole:
            self._fold(cycle, index, boundary)
            if self.now == since:
                # Too near a threshold to go along: this instant is in no log, so that a period
                # closed over it would lack its interval.
                folder.forget()
        else:
            count = self._fold_whole(cycle, index, boundary)
            if count:
                folder.mark(cycle, index, count)
        if self.now > since:
            self._went_along(cycle, index, self.now - since)

    def _went_along(self, cycle: Cycle, index: int, passed_ns: int) -> None:
        """Called after a fold: from its instant `index`, `cycle` was gone along for `passed_ns`."""

    def _boundary(self, cycle: Cycle) -> int:
        """When something that is not part of `cycle` happens next (ns)."""
        boundary = self.end
        if self.next_change < len(self.changes):
            boundary = min(boundary, self.changes[self.next_change].time_ns)
        for number, due in enumerate(self.stepper.due()):
            if due < boundary and number not in cycle.moving:
                boundary = due
        return boundary

    def _fold(self, cycle: Cycle, index: int, boundary: int) -> None:
        """Go along a cycle: whole periods at once, then its instants up to the boundary."""
        plant, stepper = self.plant, self.stepper
        whole = self._fold_whole(cycle, index, boundary)
        member = cycle.members[index]
        step = 0
        margin = 2.0 * cycle.margin(plant.charge)
        low, high = cycle.low + margin, cycle.high - margin
        register = plant.count
        while self.now + member.total_ns < boundary and low <= plant.charge < high:
            if register is not None and not register.within(cycle, plant.charge):
                break
            if member.folded is not None:
                inner, place, count = member.folded
                if not _periods_left(inner.turn(place), inner, plant.charge, 0.0) > count:
                    break
                self._round(inner, place, count, member.phase)
            charge = plant.charge
            tally = self._tally(member.phase.tally)
            change = plant.advance(member.phase.clock, member.lasts_ns * _NS, tally)
            assert change is not None
            plant.moved += change
            now = self.now
            self.now += member.lasts_ns
            self._passed(member.phase, now, self.now, charge, tally)
            index = (index + 1) % len(cycle.members)
            member = cycle.members[index]
            step += 1
            if member.woke and self.wake_c:
                plant.draw(self.wake_c)
                member.phase.lump_c += self.wake_c
            if member.events:
                self._emit([stepper.event_names[n] for n in member.events], self.now)
        if step:
            stepper.place(
                self.now, member.states, cycle.moving, member.ages, member.waiting,
                member.due_in, member.memory, member.conditions,
            )
            for monitor, stand in zip(self._timed, member.rules, strict=True):
                monitor.place(self.now, stand)
            self.phase = member.phase
            self._was_awake = member.phase.loads.controller == "awake"
        if step or whole:
            self.folder.forget()

    def _fold_whole(self, cycle: Cycle, index: int, boundary: int) -> int:
        """Advance as many whole periods as fit; return their number."""
        stepper, charge = self.stepper, self.plant.charge
        period = cycle.period_ns
        count = (boundary - 1 - self.now) // period
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
        if self.plant.count is not None:
            count = self.plant.count.periods(cycle, turn.clock, charge, count)
            if count < 1:
                return 0
        if not turn.enough(count, charge):
            return 0
        self._round(cycle, index, count, self.phase)
        stepper.shift(count * period, cycle.moving)
        for monitor in self._timed:
            monitor.shift(count * period)
        return count

    def _round(self, cycle: Cycle, index: int, count: int, phase: Phase) -> None:
        """Let `count` periods of a cycle go by from its instant `index`."""
        plant = self.plant
        charge = plant.charge
        turn = cycle.turn(index)
        tally = self._tally(turn.tally)
        change = plant.advance(turn.clock, count * cycle.period_ns * _NS, tally)
        assert change is not None
        plant.moved += change
        turn.count += count
        start = self.now
        self.now += count * cycle.period_ns
        for observer in self._follow:
            observer.passed(start, self.now, charge, plant.charge, phase.loads.charger)
        self._counted(start, self.now)
        if self._described:
            turn.tally.join(tally)
            parts = tuple(
                Part(lasts_ns, part.loads, part.levels) for part, lasts_ns in cycle.course(index)
            )
            self._record(phase, turn.clock, start, self.now, charge, tally, count, parts)
        self._emit_repeated(cycle, index, count, start)

    def _emit_repeated(self, cycle: Cycle, index: int, count: int, start: int) -> None:
        """Emit the events of `count` periods of a cycle entered at its instant `index`."""
        if self._listened and cycle.events:
            names = self.stepper.event_names
            for time_ns, numbers in cycle.happenings(index, count, start):
                self._emit([names[n] for n in numbers], time_ns)

    # -- the result ------------------------------------------------------------------------------

    def _result(self) -> Run:
        plant = self.plant
        totals = total(plant.circuit.consumers, self.time_in, self.folder.cycles)
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
            capacity_c=plant.capacity_c,
            start_charge=self.start_charge,
            end_charge=charge,
            end_voltage_v=self.phase.clock.voltage(charge),
            end_open_circuit_v=float(plant.circuit.open_circuit_v(charge)),
            empty_at_ns=self.empty_at,
            final=snapshot(self),
        )


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
