"""`Bench`: a gadget in the hand. Press, look, go back, try otherwise, keep the course."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

from simfw.behaviour.table import IDLE
from simfw.bench.ahead import Scout, Test
from simfw.bench.course import (
    Differences,
    EventLimit,
    TooManyEvents,
    differences,
    seen_in,
)
from simfw.bench.given import given_ns, given_number, given_switch
from simfw.bench.journal import Deed, Journal, levels_at_rest, steps_of
from simfw.bench.repeating import Repeating
from simfw.bench.view import LightView, RegionView, View
from simfw.circuit.circuit import LoadSet
from simfw.engine.observer import Observer
from simfw.engine.plant import Plant
from simfw.engine.prepared import Prepared
from simfw.engine.run import Occurred, Run
from simfw.engine.simulator import simulate
from simfw.engine.snapshot import Snapshot
from simfw.engine.stepwise import LONGEST_NS, Between, Stepwise
from simfw.engine.timeline import Change
from simfw.errors import RunError, UsageError, hint
from simfw.formatting import format_duration
from simfw.gadget.model import Gadget
from simfw.stimuli.inputs import INPUTS, NO_HAND, Kind
from simfw.stimuli.scenario import Scenario
from simfw.stimuli.start import charge_meant
from simfw.units import LENGTH, TEMPERATURE, measured

__all__ = ["FOLD_FROM_NS", "MOST_EVENTS", "Bench", "Mark"]

FOLD_FROM_NS = 60 * 10**9
"""A way longer than this is folded, unless the bench was told otherwise."""

MOST_EVENTS = 2_000
"""So many events are kept until somebody looks."""

MOST_INSTANTS = 20_000
"""So many instants `until` looks at one by one, where a scout has found that something is near."""

SOMETHING = "something"
_NS = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """Where a bench stood, to go back to: made by `Bench.snapshot`."""

    owner: object = field(repr=False)
    time_ns: int
    journal: Journal = field(repr=False)
    levels: tuple[float, ...]
    now: tuple[Deed, ...]
    saved: Snapshot | None
    used_c: tuple[float, ...]
    charger_c: float


class _Listener(Observer):
    """Keeps the latest events."""

    def __init__(self) -> None:
        self.events: deque[Occurred] = deque(maxlen=MOST_EVENTS)
        self.heard = 0

    def event(self, time_ns: int, name: str) -> None:
        """Keep it."""
        self.heard += 1
        self.events.append(Occurred(time_ns, name))

    def latest(self, heard: int) -> list[str]:
        """The names of those that came after the first `heard`, as far as they were kept."""
        fresh = self.heard - heard
        return [event.name for event in list(self.events)[-fresh:]] if fresh else []

    def taken(self) -> tuple[tuple[Occurred, ...], int]:
        """Those that were kept since they were last asked for, and how many were not."""
        events, dropped = tuple(self.events), self.heard - len(self.events)
        self.events.clear()
        self.heard = 0
        return events, dropped


class Bench:
    """A gadget that is handled while it runs.

    Time stands still until `to` or `until` lets it go by. What is done happens at the present time,
    before anything else that is due then, and of several things done to one input at one time the
    last counts: a contact that is closed and opened without time in between was not touched.

    `charge` is the cell's charge at the beginning: a share (0..1), or text such as "80 %" or
    "3.9 V" (at rest). `fold` says whether looks, blinks and
    samples that repeat are advanced in whole periods: True, False, or None, which folds ways of
    more than a minute. Unfolded, a course is to the last bit what its scenario gives when run
    with `fold=False`, however often one looks. `prepared` is shared with other runs of the gadget.
    `begin` is where it stands at time 0, in place of the power-up, with its own charge; no scenario
    can say that.

    Raises DescriptionError where the gadget does not hold together.
    """

    def __init__(
        self, gadget: Gadget, charge: float | str = 0.8, seed: int = 0, *, fold: bool | None = None,
        prepared: Prepared | None = None, begin: Snapshot | None = None,
    ) -> None:
        self.gadget = gadget
        self.charge = charge_meant("charge = ", charge, gadget)
        self.seed = seed
        self.fold = fold
        self.prepared = Prepared(gadget) if prepared is None else prepared
        self.repeating = Repeating(self.prepared.system)
        self._begin = None if begin is None else begin.from_zero()
        self._scout = Scout(self.prepared)
        self._rest = levels_at_rest(gadget)
        self._levels = dict(self._rest)  # before what was done at the present time
        self._listener = _Listener()
        self._simulation = Stepwise(
            self.prepared, self.charge, seed=seed, observers=(self._listener,),
            resume=self._begin,
        )
        self._plant: Plant = self._simulation.plant
        self._begun = False
        self._stuck: RunError | None = None
        self._now_ns = 0
        self._journal = Journal()
        self._now: dict[tuple[Kind, str], Deed] = {}  # what was done at the present time
        count = len(self._plant.circuit.consumers)
        self._used_c = [0.0] * count
        self._charger_c = 0.0
        self._full_a: dict[str, float] = {}
        self._look()

    # -- what is done ----------------------------------------------------------------------------

    @property
    def time_ns(self) -> int:
        """The present time (ns). What is due at it has not happened yet."""
        return self._now_ns

    @property
    def journal(self) -> tuple[Deed, ...]:
        """What was done so far, in order of time."""
        return (*self._journal.deeds(), *self._fresh())

    def close(self, button: str) -> None:
        """Press a button and hold it."""
        self.set("contact", button, 1.0)

    def open(self, button: str) -> None:
        """Let a button go."""
        self.set("contact", button, 0.0)

    def press(self, button: str, lasting: int | str = "100 ms") -> None:
        """Press a button for some time (ns, or text), which goes by."""
        self.close(button)
        self.to(self._now_ns + given_ns(lasting, "lasting"))
        self.open(button)

    def hand(self, sensor: str, distance: float | str | None) -> None:
        """Hold a hand before a sensor (m, or text such as "12 cm"), or take it away (None)."""
        level = NO_HAND if distance is None else given_number(distance, LENGTH, "distance")
        if distance is not None and not level > 0:
            raise UsageError(f"distance = {distance}: no distance at all. Allowed: more than zero.")
        self.set("hand", sensor, level)

    def usb(self, present: bool) -> None:
        """Plug USB power in, or take it away."""
        self.set("usb", "usb", given_switch(present, "usb"))

    def fault(self, present: bool) -> None:
        """Let the charger meet a fault of its own, or be well again."""
        self.set("fault", "fault", given_switch(present, "fault"))

    def temperature(self, value: float | str) -> None:
        """Bring everything to a temperature (degC, or text such as "5 degC")."""
        self.set("temperature", "temperature", given_number(value, TEMPERATURE, "temperature"))

    def toggle(self, name: str, on: bool) -> None:
        """Put a toggle on or off."""
        self.set("toggle", name, given_switch(on, name))

    def measure(self, name: str, value: float | str) -> None:
        """Bring what is measured to a value, in the measure's unit or as text with its own."""
        if ("measure", name) not in self._rest:
            self._refuse("measure", name)
        unit = measured(self.gadget.measures[name].unit)
        level = given_number(value, unit, name) if isinstance(value, str) else value
        self.set("measure", name, float(level))

    def set(self, kind: Kind, name: str, level: float) -> None:
        """Bring any input to a level: see the table of inputs.

        Raises UsageError where the gadget has no such input.
        """
        place = (kind, name)
        if place not in self._rest:
            self._refuse(kind, name)
        if self._now_ns >= LONGEST_NS - 1:
            raise UsageError("The course has come to its latest time.")
        self._now.pop(place, None)
        if level != self._levels[place]:
            self._now[place] = Deed(self._now_ns, kind, name, float(level))

    def _refuse(self, kind: Kind, name: str) -> None:
        if kind in ("usb", "fault"):
            raise UsageError(f"{kind}: the gadget has no charger.")
        one = INPUTS[kind]
        names = list(one.members(self.gadget))
        raise UsageError(
            f"{name}: the gadget has no such {one.what or kind}. Allowed: "
            f"{', '.join(names) or 'none, the gadget has no ' + one.what + 's'}."
            + hint(name, names)
        )

    # -- time ------------------------------------------------------------------------------------

    def to(self, time: int | str) -> None:
        """Let time go by until `time` (ns, or text such as "1 h 5 min"), counted from the start.

        Raises UsageError where that is past already: `back` goes back. Raises RunError where the
        model cannot go on, and again until one goes back.
        """
        time_ns = given_ns(time, "time")
        if time_ns < self._now_ns:
            raise UsageError(
                f"{format_duration(time_ns)} is past: it is {format_duration(self._now_ns)}. "
                "A snapshot leads back.")
        if time_ns >= LONGEST_NS:
            raise UsageError(f"{format_duration(time_ns)}: no course is followed that far.")
        if time_ns == self._now_ns:
            return
        with self._going():
            self._commit()
            self._simulation.ahead(time_ns, fold=self._folds(time_ns - self._now_ns))
        self._now_ns = time_ns

    @contextmanager
    def _going(self) -> Iterator[None]:
        """Time goes by. Where the model cannot go on it stands in the middle of an instant: it is
        told again until one goes back.
        """
        if self._stuck is not None:
            raise self._stuck
        try:
            yield
        except RunError as error:
            self._stuck = error
            raise

    def until(self, what: str = SOMETHING, *, within: int | str = "1 year") -> int | None:
        """Let time go by until an event happens, or "something"; it then stands just after it.

        Something is an event that a report would show, or a row of a written region that is no part
        of a cycle going round by itself. Returns when it happened (ns). None where nothing happened
        `within` that time (ns, or text), or as far as one looks ahead; it then stands there.
        Raises UsageError for an event that the gadget does not have.
        """
        if what != SOMETHING and what not in self.prepared.system.events:
            raise UsageError(f"{what}: the gadget has no such event."
                             + hint(what, [*self.prepared.system.events, SOMETHING]))
        end = min(self._now_ns + given_ns(within, "within"), LONGEST_NS - 1)
        if end == self._now_ns:
            return None

        def found(before: Sequence[str], after: Sequence[str], happened: Sequence[str]) -> bool:
            if what == SOMETHING:
                return self.repeating.tells(before, after, happened)
            return what in happened

        with self._going():
            names, heard = self._simulation.stepper.names(), self._listener.heard
            if not self._begun:
                self._commit()
                if found(names, self._simulation.stepper.names(), self._listener.latest(heard)):
                    self._now_ns = 1
                    return 0
            return self._next(found, end)

    def _next(self, found: Test, end_ns: int) -> int | None:
        """Go on to the first instant before `end_ns` that is what one waits for; its time."""
        saved = self._simulation.save()
        changes = self._commit()
        start_ns = self._scout.nothing_until(saved, changes, end_ns, found)
        simulation, listener = self._simulation, self._listener
        simulation.ahead(start_ns, fold=self._folds(start_ns - self._now_ns))
        names = simulation.stepper.names()
        for _ in range(MOST_INSTANTS):
            heard = listener.heard
            if not simulation.instant(end_ns):
                self._now_ns = end_ns
                return None
            self._now_ns = simulation.now + 1
            after = simulation.stepper.names()
            if found(names, after, listener.latest(heard)):
                return simulation.now
            names = after
        return None

    def _commit(self) -> list[Change]:
        """What was done at the present time is going to happen."""
        fresh = self._fresh()
        changes = [Change(deed.time_ns, deed.kind, deed.name, deed.level) for deed in fresh]
        if fresh:
            for deed in fresh:
                self._journal = self._journal.with_deed(deed)
            self._simulation.bring(changes)
            self._levels.update((place, deed.level) for place, deed in self._now.items())
            self._now.clear()
        if not self._begun:
            self._simulation.begin()
            self._begun = True
        return changes

    def _fresh(self) -> list[Deed]:
        return list(self._now.values())

    # -- going back ------------------------------------------------------------------------------

    def snapshot(self) -> Mark:
        """Where the bench stands now, with what each consumer has drawn.

        Raises the `RunError` again where the model could not go on.
        """
        if self._stuck is not None:
            raise self._stuck
        self._count()
        saved = self._simulation.save() if self._begun else None
        mark = Mark(
            owner=self._rest, time_ns=self._now_ns, journal=self._journal,
            levels=tuple(self._levels.values()), now=tuple(self._fresh()), saved=saved,
            used_c=tuple(self._used_c), charger_c=self._charger_c,
        )
        # What was learned on the way here would be missing after going back: both go on alike.
        self._stand(saved)
        return mark

    def back(self, mark: Mark) -> None:
        """Stand where `mark` was made; what was done since is not in the journal any more.

        Raises UsageError for a snapshot of another bench.
        """
        if mark.owner is not self._rest:
            raise UsageError("This snapshot was made on another bench.")
        self._listener.taken()
        self._stuck = None
        self._stand(mark.saved)
        self._now_ns = mark.time_ns
        self._journal = mark.journal
        self._levels = dict(zip(self._rest, mark.levels, strict=True))
        self._now = {(deed.kind, deed.name): deed for deed in mark.now}
        self._used_c, self._charger_c = list(mark.used_c), mark.charger_c
        self._look()

    def _stand(self, saved: Snapshot | None) -> None:
        self._simulation = Stepwise(
            self.prepared, self.charge, seed=self.seed, observers=(self._listener,),
            resume=self._begin if saved is None else saved, plant=self._plant,
        )
        self._begun = saved is not None
        if self._begun:
            self._simulation.begin()

    # -- what is seen ----------------------------------------------------------------------------

    def view(self) -> View:
        """How everything stands, and what went on since the last view (or since going back)."""
        simulation, plant = self._simulation, self._plant
        phase, stepper = simulation.phase, simulation.stepper
        self._count()
        here = self._between()
        seconds = (self._now_ns - self._since_ns) * _NS
        times = self._times_until_now()
        if seconds:
            drawn_c = [counted + now - seen for counted, now, seen in zip(
                self._frame_c, here.consumers_c, self._seen.consumers_c, strict=True)]
            consumers_a = tuple(max(0.0, one / seconds) for one in drawn_c)
            charger_a = (self._frame_charger_c + here.charger_c - self._seen.charger_c) / seconds
        else:
            times = {(phase.loads, phase.levels): 1}
            consumers_a, charger_a = phase.clock.currents(here.charge)
        ends = [sum(plant.clock(loads).currents(here.charge)[0]) for loads, _ in times]
        current_a = sum(consumers_a)
        by_name = dict(zip(plant.circuit.consumers, consumers_a, strict=True))
        levels = [(levels, lasted) for (_, levels), lasted in times.items()]
        events, dropped = self._listener.taken()
        charger_now_a = phase.clock.currents(here.charge)[1]
        fed_a = zip(
            plant.circuit.fed,
            plant.circuit.fed_a(plant.charger_mode, [charger_now_a])[:, 0].tolist(), strict=True)
        net_a = current_a - charger_a
        opens = phase.open_at if phase.open_at < here.charge else 0.0
        left_c = (here.charge - opens) * plant.capacity_c
        view = View(
            time_ns=self._now_ns,
            since_ns=self._since_ns,
            lights=(
                *(self._light(name, [(one[place], lasted) for one, lasted in levels],
                              by_name.get(name, 0.0))
                  for place, name in enumerate(plant.outputs)),
                *(_lit_by_usb(name, current_a) for name, current_a in fed_a),
            ),
            regions=tuple(
                RegionView(
                    name=region.name, state=state, since_ns=entered,
                    due_ns=None if due >= IDLE else due, written=region.group == "behaviour",
                )
                for region, state, entered, due in zip(  # the clocks of sequences come behind
                    self.prepared.system.regions, stepper.names(), stepper.entered_ns,
                    stepper.dues, strict=False)
            ),
            consumers_a=by_name,
            used_c={name: used + now for name, used, now in zip(
                plant.circuit.consumers, self._used_c, here.consumers_c, strict=True)},
            current_a=current_a,
            least_a=min(min(ends), current_a),
            most_a=max(max(ends), current_a),
            charger_a=charger_a,
            charge=here.charge,
            voltage_v=phase.clock.voltage(here.charge),
            open_circuit_v=float(plant.circuit.open_circuit_v(here.charge)),
            left_c=left_c,
            time_left_s=left_c / net_a if net_a > 0 else None,
            alive=simulation.alive or not self._begun,
            bars=phase.bars,
            charger=plant.charger_mode,
            inputs=self.inputs,
            events=events,
            dropped=dropped,
        )
        self._look()
        return view

    @property
    def inputs(self) -> dict[tuple[Kind, str], float]:
        """The level of each input now, by kind and name."""
        return self._levels | {place: deed.level for place, deed in self._now.items()}

    def _light(
        self, name: str, levels: Sequence[tuple[float, int]], current_a: float
    ) -> LightView:
        whole = sum(lasted for _, lasted in levels)
        return LightView(
            name=name,
            level=sum(level * lasted for level, lasted in levels) / whole,
            least=min(level for level, _ in levels),
            most=max(level for level, _ in levels),
            lit=sum(lasted for level, lasted in levels if level > 0) / whole,
            current_a=current_a,
            brightness=self._brightness(name, current_a),
        )

    def _brightness(self, name: str, current_a: float) -> float | None:
        light = self.gadget.lights.get(name)
        if light is None:
            return None
        if name not in self._full_a:
            drive = (name, 1.0, light.leds if light.segments else -1)
            clock = self._plant.clock(LoadSet(drives=(drive,)))
            place = self._plant.circuit.consumers.index(name)
            self._full_a[name] = clock.currents(1.0)[0][place]
        full_a = self._full_a[name]
        return current_a / full_a if full_a > 0 else None

    def _count(self) -> None:
        """Enter what was drawn since the last time into the books."""
        totals, times = self._simulation.settle()
        for place, use in enumerate(totals.consumers):
            self._used_c[place] += use.charge_c
            self._frame_c[place] += use.charge_c
        self._charger_c += totals.charger_c
        self._frame_charger_c += totals.charger_c
        for phase, lasted_ns in times.items():
            key = (phase.loads, phase.levels)
            self._times[key] = self._times.get(key, 0) + lasted_ns

    def _between(self) -> Between:
        return self._simulation.at(max(self._now_ns, self._simulation.now))

    def _here(self) -> tuple[tuple[LoadSet, tuple[float, ...]], int]:
        """What has been on since the latest instant, and how long (ns)."""
        phase = self._simulation.phase
        return (phase.loads, phase.levels), self._now_ns - self._simulation.now

    def _look(self) -> None:
        """From here on the next view tells what goes on."""
        self._since_ns = self._now_ns
        self._seen = self._between()
        self._seen_here = self._here()
        self._frame_c = [0.0] * len(self._used_c)
        self._frame_charger_c = 0.0
        self._times: dict[tuple[LoadSet, tuple[float, ...]], int] = {}

    def _times_until_now(self) -> dict[tuple[LoadSet, tuple[float, ...]], int]:
        """How long (ns) what was on since one last looked."""
        times = dict(self._times)
        for sign, (key, lasted_ns) in ((1, self._here()), (-1, self._seen_here)):
            times[key] = times.get(key, 0) + sign * lasted_ns
        return {key: lasted_ns for key, lasted_ns in times.items() if lasted_ns > 0}

    # -- the course ------------------------------------------------------------------------------

    def scenario(self, title: str = "", *, expectations: bool = True) -> Scenario:
        """The course as a scenario, which ends at the present time.

        With `expectations` it says, after each thing that happened, which states the written
        regions were in, but for those that go round by themselves. Raises UsageError at time 0,
        when nothing has run yet.
        """
        if self._begin is not None:
            raise UsageError("This course begins in the middle of things, and a scenario begins at "
                             "power-up: it cannot be kept as one.")
        bare = self._bare(title)
        if not expectations:
            return bare
        seen = seen_in(bare, self.prepared, self.repeating)
        return replace(bare, steps=tuple(sorted(
            [*bare.steps, *seen], key=lambda step: step.at_ns)))

    def _bare(self, title: str = "") -> Scenario:
        """What was done until now, as the steps of a scenario."""
        if not self._now_ns:
            raise UsageError("Nothing has run yet: a scenario lasts more than 0 s.")
        return Scenario(
            title=title, gadget_path=Path(self.gadget.file or "gadget.toml"), charge=self.charge,
            lasts_ns=self._now_ns, gadget=self.gadget, seed=self.seed or None,
            steps=steps_of(self.journal, self.gadget, self._now_ns),
        )

    def run(self, *, events: bool = True) -> Run:
        """The course as one run, with its intervals and `events`; a long one is folded.

        Raises UsageError where it has more than `MOST_LOGGED` events.
        """
        return simulate(
            self.gadget, self._bare(), seed=self.seed, log=events, resume=self._begin,
            fold=self._folds(self._now_ns), prepared=self.prepared,
            observers=(EventLimit(),) if events else (),
        )

    def _folds(self, way_ns: int) -> bool:
        return way_ns > FOLD_FROM_NS if self.fold is None else self.fold

    def replayed(self, gadget: Gadget) -> Bench:
        """A bench with `gadget`, to which the same was done until the present time.

        Raises UsageError where that gadget has no such input, or not the states in which this
        course begins.
        """
        prepared = Prepared(gadget)
        if self._begin is not None and _parts(prepared) != _parts(self.prepared):
            raise UsageError("This course begins in the middle of things, in states that are not "
                             "those of the changed gadget.")
        other = Bench(gadget, self.charge, self.seed, fold=self.fold, prepared=prepared,
                      begin=self._begin)
        other._simulation.hear(False)
        for deed in self.journal:
            other.to(deed.time_ns)
            other.set(deed.kind, deed.name, deed.level)
        other.to(self._now_ns)
        other._simulation.hear(True)
        return other

    def differences(self, other: Bench) -> Differences:
        """What differs in the course of `other`, to which the same was done for as long."""
        try:
            runs = self.run(), other.run()
        except TooManyEvents:
            runs = self.run(events=False), other.run(events=False)
            found = differences(*runs, self.repeating, other.repeating)
            return replace(found, events_left_out=True)
        return differences(*runs, self.repeating, other.repeating)


def _parts(prepared: Prepared) -> list[tuple[str, list[str]]]:
    """The regions and clocks with their states, and how many rules there are."""
    parts = [(part.name, [state.name for state in part.states]) for part in prepared.system.every]
    return [*parts, *(("", [rule.name]) for rule in prepared.rules)]


def _lit_by_usb(name: str, current_a: float) -> LightView:
    """A light that USB or the charger lights: it is on or off."""
    level = float(current_a > 0.0)
    return LightView(name=name, level=level, least=level, most=level, lit=level,
                     current_a=current_a, brightness=None)
