"""An independent search for tests: time in steps, every step tried, no zones.

An instant is executed here once more, straight from the rows, with expressions read by `evaluate`:
nothing is shared with the search. With dwells that
are multiples of `GRID` and fewer than `GRID` clocks, whole nanoseconds are as good as dense time:
every order of the clocks' remainders fits between two multiples.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import product

from simfw.behaviour import expression as ex
from simfw.behaviour.region import Row, System
from simfw.verify.machine import Act, Monitor
from simfw.verify.terms import SUPPLY

GRID = 6
EVENT_LIMIT = 300
State = tuple[object, ...]


@dataclass
class Seen:
    """What was reached, which monitors broke, and whether any instant did not end."""

    states: set[tuple[tuple[str, ...], tuple[bool, ...]]]
    kept: set[tuple[tuple[str, ...], tuple[bool, ...], tuple[str, ...]]]
    broken: set[int]
    endless: bool
    nodes: int


class _View:
    def __init__(self, flags: dict[str, bool], states: dict[str, str], events: Iterable[str],
                 *, nothing: bool = False) -> None:
        self._flags, self._states, self._events = flags, states, set(events)
        self.nothing = nothing  # before the first power-up nothing has held yet

    def state(self, region: str) -> str:
        return self._states[region]

    def flag(self, name: str) -> bool:
        return self._flags[name]

    def quantity(self, name: str) -> float:
        raise AssertionError(name)

    def happened(self, event: str) -> bool:
        return event in self._events


@dataclass
class _Now:
    """An instant under way."""

    states: list[str]
    memory: list[str | None]
    flags: dict[str, bool]
    conditions: list[bool]
    events: list[str]
    stays: list[int]
    stood: tuple[str, ...]  # the last state of each region, settled before, that does not let go

    def view(self, names: list[str]) -> _View:
        return _View(self.flags, dict(zip(names, self.states, strict=True)), self.events)

    def state(self, ages: tuple[int, ...], watch: tuple[int, ...]) -> State:
        return (tuple(self.states), tuple(self.memory), ages, tuple(self.flags.values()),
                tuple(self.conditions), watch, self.stood)


class Brute:
    """Searches a small system with small dwells."""

    def __init__(self, system: System, acts: tuple[Act, ...], flags: tuple[str, ...],
                 monitors: tuple[Monitor, ...], together: int, powering: tuple[str, ...] = ()
                 ) -> None:
        self.system, self.acts, self.flags = system, acts, flags
        self.powering = powering
        self.monitors, self.together = monitors, together
        self.longest = [
            max([row.after_ns or 0 for row in region.rows], default=0) + 1
            for region in system.regions
        ]
        self.names = [region.name for region in system.regions]

    def search(self, limit: int = 30_000) -> Seen | None:
        """Everything that can be reached; None when it is too much."""
        seen = Seen(set(), set(), set(), False, 0)
        known: set[State] = set()
        pending: list[State] = []

        def add(states: list[State]) -> None:
            for state in states:
                if state not in known:
                    known.add(state)
                    pending.append(state)
                    names, flags = state[0], state[3]
                    seen.states.add((names, flags))  # type: ignore[arg-type]
                    seen.kept.add((names, flags, state[6]))  # type: ignore[arg-type]

        for values in product((False, True), repeat=len(self.flags)):
            if dict(zip(self.flags, values, strict=True)).get(SUPPLY, True):
                add(self.power_up(values, seen))
        while pending:
            if len(known) > limit:
                return None
            state = pending.pop()
            for chosen in self.choices():
                add(self.step(state, chosen, seen))
        seen.nodes = len(known)
        return seen

    def choices(self) -> list[tuple[int, ...]]:
        """Nothing, one act, or two of different groups."""
        found: list[tuple[int, ...]] = [(), *((i,) for i in range(len(self.acts)))]
        if self.together > 1:
            found += [(i, j) for i in range(len(self.acts)) for j in range(i + 1, len(self.acts))
                      if self.acts[i].group != self.acts[j].group]
        return found

    def power_up(self, values: tuple[bool, ...], seen: Seen) -> list[State]:
        """The states in which the first instant comes to rest."""
        here = self.wake(values)
        if here is None:
            seen.endless = True
            return []
        starts = {region.name: region.starts for region in self.system.regions}
        return self.rests(here, _View(here.flags, starts, here.events, nothing=True),
                          (-1,) * len(self.monitors), (0,) * len(self.names), seen)

    def wake(self, values: tuple[bool, ...], left: State | None = None) -> _Now | None:
        """A settled power-up, with what is kept of `left`; None where it does not end."""
        flags = dict(zip(self.flags, values, strict=True))
        starts = [region.starts for region in self.system.regions]
        memory: list[str | None] = [None] * len(starts)
        for n, region in enumerate(self.system.regions):
            if left is not None and region.kept == "state":
                starts[n] = left[6][n]  # type: ignore[index]
            if left is not None and region.kept == "resume":
                memory[n] = left[1][n]  # type: ignore[index]
            if starts[n] in region.resume_points:
                memory[n] = starts[n]
        queue: list[object] = []
        for number in range(len(starts)):
            queue += self.zero_dwells(number, starts[number], 0)
        stood = tuple(starts) if left is None else left[6]
        here = _Now(list(starts), memory, flags, [False] * len(self.system.conditions), [],
                    [0] * len(starts), stood)  # type: ignore[arg-type]
        return here if self.settle(here, queue) else None

    def step(self, state: State, chosen: tuple[int, ...], seen: Seen) -> list[State]:
        """One nanosecond later, with the acts `chosen`."""
        states, memory, ages, values, conditions, watch, stood = state
        flags = dict(zip(self.flags, values, strict=True))  # type: ignore[call-overload]
        if not flags.get(SUPPLY, True):
            return self.unpowered(state, chosen, flags, seen)
        if any(self.acts[i].group == SUPPLY for i in chosen):
            return []  # it is there, and goes by itself
        earlier = dict(flags)
        queue: list[object] = []
        ends_first = sorted(chosen, key=lambda i: not any(
            flags[flag] for flag, value in self.acts[i].sets if value is None))
        for i in ends_first:
            for flag, value in self.acts[i].sets:
                flags[flag] = (not flags[flag]) if value is None else value
            queue.append(self.acts[i].event)
        grown = [min(age + 1, most)
                 for age, most in zip(ages, self.longest, strict=True)]  # type: ignore[call-overload]
        for number, region in enumerate(self.system.regions):
            queue += [
                (number, 0, row) for row in region.rows
                if row.after_ns and row.after_ns == grown[number]
                and states[number] in row.sources  # type: ignore[index]
            ]
        later = tuple(age if age < 0 else age + 1 for age in watch)  # type: ignore[attr-defined]
        here = _Now(list(states), list(memory), flags, list(conditions), [],  # type: ignore[call-overload]
                    [0] * len(self.names), stood)  # type: ignore[arg-type]
        before = _View(earlier, dict(zip(self.names, states, strict=True)),  # type: ignore[call-overload]
                       here.events)
        if not queue:
            gone = self.rests(here, before, later, tuple(grown), seen, stays=False)
            self.late(later, seen)
            return [(states, memory, tuple(grown), values, conditions, self.capped(later), stood),
                    *gone]
        if not self.settle(here, queue):
            seen.endless = True
            return []
        before = _View(earlier, dict(zip(self.names, states, strict=True)),  # type: ignore[call-overload]
                       here.events)
        ages = tuple(0 if stay else age for stay, age in zip(here.stays, grown, strict=True))
        return self.rests(here, before, later, ages, seen)

    def rests(self, here: _Now, before: _View, watch: tuple[int, ...], ages: tuple[int, ...],
              seen: Seen, *, stays: bool = True) -> list[State]:
        """Where a settled instant ends: with the supply (if it `stays`), or let go of it."""
        ends = [here.flags] if stays else []
        if here.flags.get(SUPPLY) and not any(here.flags[name] for name in self.powering) and any(
                region.state(name).unpowered
                for region, name in zip(self.system.regions, here.states, strict=True)):
            ends.append({**here.flags, SUPPLY: False})
        found = []
        here.stood = tuple(
            before if region.state(name).unpowered else name
            for region, name, before in zip(
                self.system.regions, here.states, here.stood, strict=True))
        for here.flags in ends:
            after = _View(here.flags, dict(zip(self.names, here.states, strict=True)), here.events)
            judged = self.judge(watch, before, after, here.events, seen)
            found.append(here.state(ages, self.capped(judged)))
        return found

    def unpowered(self, state: State, chosen: tuple[int, ...], flags: dict[str, bool], seen: Seen
                  ) -> list[State]:
        """One nanosecond later, while the firmware has let go of its supply: all stands as it was
        left, inputs change and what waits goes on, until it powers up.
        """
        states, memory, ages, values, conditions, watch, stood = state
        names = dict(zip(self.names, states, strict=True))  # type: ignore[call-overload]
        earlier = dict(flags)
        for i in chosen:
            if self.acts[i].group == SUPPLY and not self.acts[i].sets:
                return []  # it is gone
            for flag, value in self.acts[i].sets:
                flags[flag] = (not flags[flag]) if value is None else value
                if flag in self.powering and flags[flag]:
                    flags[SUPPLY] = True
        later = tuple(age if age < 0 else age + 1 for age in watch)  # type: ignore[attr-defined]
        if not chosen:
            self.late(later, seen)
            return [(states, memory, ages, values, conditions, self.capped(later), stood)]
        if flags[SUPPLY]:
            here = self.wake(tuple(flags.values()), state)
            if here is None:
                seen.endless = True
                return []
            return self.rests(here, _View(earlier, names, here.events), later,
                              (0,) * len(self.names), seen)
        later = self.judge(later, _View(earlier, names, []), _View(flags, names, []), [], seen)
        return [(states, memory, ages, tuple(flags.values()), conditions, self.capped(later),
                 stood)]

    def zero_dwells(self, number: int, state: str, stay: int) -> list[object]:
        """The dwells of no time that a state begins with."""
        return [(number, stay, row) for row in self.system.regions[number].rows
                if row.after_ns == 0 and state in row.sources]

    def settle(self, here: _Now, queue: list[object]) -> bool:
        """Work the queue off, conditions included; False where it does not end."""
        handled = 0
        while True:
            while queue:
                handled += 1
                if handled > EVENT_LIMIT:
                    return False
                entry = queue.pop(0)
                if isinstance(entry, str):
                    here.events.append(entry)
                    for number, region in enumerate(self.system.regions):
                        for row in region.rows:
                            if row.on == entry and self.fires(here, number, row, queue):
                                break
                else:
                    number, stay, row = entry  # type: ignore[misc]
                    if here.stays[number] == stay:
                        self.fires(here, number, row, queue)
            for place, condition in enumerate(self.system.conditions):
                value = ex.evaluate(condition.when, here.view(self.names))
                if value != here.conditions[place]:
                    here.conditions[place] = value
                    queue.append(condition.rises if value else condition.falls)
            if not queue:
                return True

    def fires(self, here: _Now, number: int, row: Row, queue: list[object]) -> bool:
        """Fire a row if it may."""
        if here.states[number] not in row.sources:
            return False
        if row.when is not None and not ex.evaluate(row.when, here.view(self.names)):
            return False
        queue += row.emit
        if row.to != "same":
            points = self.system.regions[number].resume_points
            to = (here.memory[number] or points[0]) if row.to == "resume" else row.to
            here.states[number] = to
            here.stays[number] += 1
            if to in points:
                here.memory[number] = to
            queue += self.zero_dwells(number, to, here.stays[number])
        return True

    def judge(self, watch: tuple[int, ...], before: _View, now: _View, events: list[str],
              seen: Seen) -> tuple[int, ...]:
        """Read the monitors on the settled state; -1: not running, else the time it has run."""
        after = []
        for j, (monitor, age) in enumerate(zip(self.monitors, watch, strict=True)):
            if monitor.kind == "never":
                if ex.evaluate(monitor.when, now):
                    seen.broken.add(j)
                after.append(-1)
            elif monitor.kind == "stay":
                if ex.evaluate(monitor.when, now):
                    after.append(max(age, 0))
                else:
                    if 0 <= age < monitor.time_ns:
                        seen.broken.add(j)
                    after.append(-1)
            else:
                asked = ex.names_in(monitor.when).events
                if asked:
                    demanded = bool(asked & set(events)) and ex.evaluate(monitor.when, before)
                else:  # it begins to hold
                    demanded = ex.evaluate(monitor.when, now) and (
                        before.nothing or not ex.evaluate(monitor.when, before))
                assert monitor.then is not None
                if (demanded or age >= 0) and not ex.evaluate(monitor.then, now):
                    age = max(age, 0)
                    if age >= monitor.time_ns:
                        seen.broken.add(j)
                        age = -1
                else:
                    age = -1
                after.append(age)
        return tuple(after)

    def late(self, watch: tuple[int, ...], seen: Seen) -> None:
        """A demand that is not answered in time breaks its monitor also when nothing happens."""
        for j, (monitor, age) in enumerate(zip(self.monitors, watch, strict=True)):
            if monitor.kind == "answer" and age >= monitor.time_ns:
                seen.broken.add(j)

    def capped(self, watch: tuple[int, ...]) -> tuple[int, ...]:
        """Ages beyond a monitor's time are all the same."""
        return tuple(
            (-1 if monitor.kind == "answer" and age >= monitor.time_ns
             else min(age, monitor.time_ns))
            for monitor, age in zip(self.monitors, watch, strict=True)
        )
