"""The rows of a system compiled to a flat table, and the stepper that runs instants on it.

This is the fast twin of the `transitions` machines: the same rows, numbered. A property test holds
the two equal. States, events and regions are small integers here; names come back at the edges.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol, TypeVar

from simfw.behaviour.binding import Numbers, Test, World, bound, gauge_levels
from simfw.behaviour.expression import Expression
from simfw.behaviour.outputs import merged
from simfw.behaviour.region import Drive, Row, System
from simfw.errors import EndlessInstant

__all__ = ["EVENT_LIMIT", "IDLE", "Cells", "CompiledRows", "Stepper"]

EVENT_LIMIT = 10_000
_LOOKED_FROM = 200  # from this many events on, what has been before is looked for
_SAME = -1
_RESUME = -2
IDLE = 1 << 62  # the due time of a region in which no dwell is running


_Number = TypeVar("_Number", bound=int)


class Cells(Protocol):
    """Makes the lists in which a stepper keeps its `what`: states, memory, conditions."""

    def __call__(self, what: str, values: list[_Number]) -> list[_Number]:
        """A list that holds `values`."""
        ...


def _plain(what: str, values: list[_Number]) -> list[_Number]:
    del what
    return values


@dataclass(frozen=True, slots=True)
class _Compiled:
    key: str
    guard: Test | None
    target: int
    emit: tuple[int, ...]


CompiledRows = tuple[
    dict[int, dict[int, list[_Compiled]]], list[tuple[tuple[int, tuple[_Compiled, ...]], ...]]
]
"""Rows of a region: by event and state, and the dwells of each state."""
_Item = int | tuple[int, int, _Compiled]  # an event, or an expired dwell: region, stay, row


class Stepper:
    """Runs instants of a system.

    `states[r]` is the number of the state that region r is in, `entered_ns[r]` when it entered it.
    `run_instant` handles everything due at one time and returns the numbers of the public events in
    the order in which they were emitted. `cells` makes its lists and `queue` its queues, for whom
    it matters what is read when.
    With `settles` the world answers one question the same way throughout an instant: then an
    instant has no end as soon as states and queue have been the same before.
    """

    def __init__(
        self, system: System, world: World, *, cells: Cells = _plain, settles: bool = False,
        queue: Callable[[], deque[_Item]] = deque,
    ) -> None:
        self.system = system
        self.world = world
        self.regions = system.every
        self.region_names = tuple(region.name for region in system.regions)
        self.state_names = tuple(
            tuple(state.name for state in region.states) for region in self.regions
        )
        names = list(dict.fromkeys([*system.events, *system.internal_events, *system.raw_events]))
        self.event_names = tuple(names)
        self.event_ids = {name: number for number, name in enumerate(names)}
        self.public = len(system.events)
        self._region_ids = {name: number for number, name in enumerate(self.region_names)}
        self._state_ids = tuple(
            {name: number for number, name in enumerate(states)} for states in self.state_names
        )
        self._gauge_levels = gauge_levels(system)
        self._numbers = Numbers(self._region_ids, self._state_ids, self._gauge_levels)
        count = len(self.regions)
        self._turns = system.turns
        self._starts = [
            self._state_ids[number][region.starts] for number, region in enumerate(self.regions)
        ]
        # What is kept over a power loss, of each such region, and how often that was written.
        self._kept = {number: region.kept for number, region in enumerate(self.regions)
                      if region.kept is not None}
        self._unpowered = {
            number: found for number, region in enumerate(system.regions)
            if (found := frozenset(n for n, state in enumerate(region.states) if state.unpowered))}
        self._stood: dict[int, tuple[int, int]] = {}
        self._stood_ns = -1
        self.writes: dict[int, int] = {}
        self.states = cells("states", list(self._starts))
        self.entered_ns = [0] * count
        self.stays = [0] * count
        self.spent = [0] * count  # which dwell group of the present state comes next
        self.dues = [IDLE] * count
        self.memory = cells("memory", [-1] * count)
        self.condition_values = cells("conditions", [False] * len(system.conditions))
        self._queue = queue
        self._looked_from = _LOOKED_FROM if settles else EVENT_LIMIT
        self._resume_first = [
            self._state_ids[n][region.resume_points[0]] if region.resume_points else -1
            for n, region in enumerate(self.regions)
        ]
        self._resume_points = [
            frozenset(self._state_ids[n][name] for name in region.resume_points)
            for n, region in enumerate(self.regions)
        ]
        self.awake = tuple(
            tuple(state.awake for state in region.states) for region in self.regions
        )
        # The clocks that follow each region: which, and what they enter with each of its states.
        self._followers: list[list[tuple[int, tuple[int, ...]]]] = [[] for _ in self.regions]
        for clock, region in enumerate(self.regions):
            if region.follows in self._region_ids:
                leader = self._region_ids[region.follows]
                begins = [self._state_ids[clock][region.begins[name]]
                          for name in self.state_names[leader]]
                self._followers[leader].append((clock, tuple(begins)))
        self.fired: list[str] | None = None
        # What is done where a row fires, a state is entered, and a time ends.
        self._fires, self._enters, self._expires = self._fire, self._enter, self._expire
        self.watched = False  # whether guards are told of: see `watch`
        self.moved = False
        self.woke = False
        # Whether any instant with something to do wakes the controller, at its beginning.
        self.wakes_always = False
        self.on_wake: Callable[[int], None] = _nothing  # told which region wakes it, -1 for none
        self.on_rest: Callable[[], None] = _nothing  # called before conditions are read
        self.version = 0  # grows whenever any region may stand in another state
        self.forget()
        self._compile()

    # -- compiling -------------------------------------------------------------------------------

    def _compile(self) -> None:
        system = self.system
        heard: dict[int, list[tuple[int, dict[int, list[_Compiled]]]]] = {}
        self.dwells: list[list[tuple[tuple[int, tuple[_Compiled, ...]], ...]]] = []
        for number, region in enumerate(self.regions):
            by_event, dwells = self._compile_rows(number, region.rows)
            for event, table in by_event.items():
                heard.setdefault(event, []).append((number, table))
            self.dwells.append(dwells)
        self._heard = [heard.get(event, []) for event in range(len(self.event_names))]
        self._conditions = [
            (self.bind(c.when), self.event_ids[c.rises], self.event_ids[c.falls])
            for c in system.conditions
        ]

    def _compiled(self, number: int, row: Row) -> _Compiled:
        """A row of region `number`."""
        return _Compiled(
            key=row.key,
            guard=None if row.when is None else self.bind(row.when),
            target={"same": _SAME, "resume": _RESUME}.get(
                row.to, self._state_ids[number].get(row.to, _SAME)),
            emit=tuple(self.event_ids[name] for name in row.emit),
        )

    def _compile_rows(self, number: int, rows: Iterable[Row],
                      waiting: Collection[str] | None = None) -> CompiledRows:
        """Rows of region `number`: by event and state, and the dwells of each state, or of those
        `waiting` alone.
        """
        ids = self._state_ids[number]
        by_event: dict[int, dict[int, list[_Compiled]]] = {}
        timed: dict[int, dict[int, list[_Compiled]]] = {}
        for row in rows:
            compiled = self._compiled(number, row)
            if row.on is None:
                for source in row.sources:
                    if waiting is None or source in waiting:
                        timed.setdefault(ids[source], {}).setdefault(
                            row.after_ns or 0, []).append(compiled)
            elif row.sources:
                table = by_event.setdefault(self.event_ids[row.on], {})
                for source in row.sources:
                    state = ids[source]
                    if state in table:
                        table[state].append(compiled)
                    else:
                        table[state] = [compiled]
        dwells: list[tuple[tuple[int, tuple[_Compiled, ...]], ...]] = [()] * len(ids)
        for state, groups in timed.items():
            dwells[state] = tuple((after, tuple(rows)) for after, rows in sorted(groups.items()))
        return by_event, dwells

    def watch(self, told: Callable[[str, bool], None]) -> None:
        """From now on tell the key of every guarded row that is tried, and what its guard said."""
        self.watched = True

        def watched(row: _Compiled) -> _Compiled:
            guard = row.guard
            if guard is None:
                return row

            def asked() -> bool:
                holds = guard()
                told(row.key, holds)
                return holds

            return replace(row, guard=asked)

        self._heard = [
            [(number, {state: [watched(row) for row in rows] for state, rows in table.items()})
             for number, table in heard]
            for heard in self._heard
        ]
        self.dwells = [
            [tuple((after, tuple(map(watched, rows))) for after, rows in groups)
             for groups in states]
            for states in self.dwells
        ]

    def bind(
        self, expression: Expression, happened: Callable[[str], bool] | None = None
    ) -> Test:
        """Make a fast test of `expression` on this stepper's states and its world.

        `happened` tells whether an event is in the present instant; ValueError where the expression
        asks for one without it.
        """
        return bound(expression, self.states, self._numbers, self.world, happened)

    # -- running ---------------------------------------------------------------------------------

    def next_due(self) -> int:
        """When the next dwell expires (ns); a very large number when none is running."""
        return min(self.dues) if self.dues else IDLE

    def forget(self) -> None:
        """Nothing is kept from before: every region stands in its start state."""
        for number in self._kept:
            self.states[number], self.memory[number] = self._starts[number], -1
        self.keep_count({})

    def keep_count(self, kept: Mapping[str, str | None], stood_ns: int = -1) -> None:
        """What is kept is `kept` (a state or None by region), what stands now where it is silent;
        an instant at `stood_ns` is the same that has begun. Writes are counted from here on.
        """
        self._stood = {}
        for number, what in self._kept.items():
            now = [self.states[number], self.memory[number]]
            name = self.region_names[number]
            if name in kept:
                state = kept[name]
                now[what == "resume"] = -1 if state is None else self._state_ids[number][state]
            self._stood[number] = now[0], now[1]
        self._stood_ns = stood_ns
        self.writes = dict.fromkeys(self._kept, 0)

    @property
    def keeps(self) -> Mapping[int, str]:
        """The regions of which something is kept over a power loss, and what."""
        return self._kept

    def kept(self, number: int) -> int:
        """What is kept of a region at the instant that began last: a state or its memory."""
        return self._stood[number][self._kept[number] == "resume"]

    def stood(self) -> tuple[tuple[int, int, int], ...]:
        """What has stood settled last, of each region of which something is kept: its number, state
        and memory.
        """
        return tuple((number, *both) for number, both in self._stood.items())

    def stand_again(self, stood: Iterable[tuple[int, int, int]]) -> None:
        """Let that have stood settled last."""
        self._stood = {number: (state, memory) for number, state, memory in stood}
        self._stood_ns = -1

    def kept_along(self, number: int, last: int, writes: int) -> None:
        """Time was passed over in which `writes` were made, `last` is what is kept since."""
        state, memory = self._stood[number]
        self._stood[number] = (
            (last, memory) if self._kept[number] == "state" else (state, last))
        self.writes[number] += writes

    def never_kept(self, number: int) -> frozenset[int]:
        """The states of a region that let go of the supply: none of them is ever kept."""
        return self._unpowered.get(number, frozenset())

    def settled(self, now_ns: int) -> None:
        """An instant begins: what stands now is kept where the supply goes in it."""
        if not self._kept or self._stood_ns == now_ns:
            return
        self._stood_ns = now_ns
        for number, what in self._kept.items():
            before, state = self._stood[number], self.states[number]
            if state in self.never_kept(number):
                state = before[0]
            now = state, self.memory[number]
            if before != now:
                self._stood[number] = now
                part = 0 if what == "state" else 1
                self.writes[number] += before[part] != now[part]

    def _left(self, number: int, now_ns: int) -> tuple[int, int]:
        """State and memory with which a region is left without supply."""
        what = self._kept.get(number)
        if what is None:
            return self._starts[number], -1
        state, memory = self.states[number], self.memory[number]
        if self._stood_ns == now_ns:
            state, memory = self._stood[number]
        elif state in self.never_kept(number):
            state = self._stood[number][0]
        return (state, -1) if what == "state" else (self._starts[number], memory)

    @property
    def lets_go(self) -> bool:
        """Whether a region stands in a state that lets go of the supply."""
        return any(self.states[number] in found for number, found in self._unpowered.items())

    @property
    def may_let_go(self) -> bool:
        """Whether any state lets go of the supply."""
        return bool(self._unpowered)

    def freeze(self) -> None:
        """The supply is let go of: everything stands as it was left, and nothing runs."""
        self.version += 1
        self.dues[:] = [IDLE] * len(self.dues)

    def halt(self, now_ns: int) -> None:
        """Power is lost: every region stands in its start state, or in what it has kept, and
        nothing runs.
        """
        self.version += 1
        count = len(self._starts)
        if self._kept or self.states.__class__ is not list:  # others look at what is written
            for number in range(count):
                self.states[number], self.memory[number] = self._left(number, now_ns)
        else:
            self.states[:], self.memory[:] = self._starts, [-1] * count
        self.entered_ns[:] = [now_ns] * count
        self.stays[:] = [stay + 1 for stay in self.stays]
        self.spent[:], self.dues[:] = [0] * count, [IDLE] * count
        self.condition_values[:] = [False] * len(self.condition_values)

    def run_instant(
        self, now_ns: int, raw_events: Iterable[str] = (), *, power_up: bool = False
    ) -> list[int]:
        """Handle one instant; return the public events emitted, in order.

        At power-up `raw_events` are what is found at the pins; they come before the zero dwells of
        the start states.
        Afterwards `moved` tells whether any region changed or re-entered a state or a dwell of
        any ended, and `woke` whether any state that keeps the controller awake was entered, or
        with `wakes_always` whether there was anything to do: that is before anything is read.
        Raises EndlessInstant when the instant does not come to rest.
        """
        queue = self._queue()
        self.moved = False
        self.woke = False
        if power_up and self.wakes_always:
            self._wake()
        public: list[int] = []
        if raw_events:
            ids = self.event_ids
            queue.extend([ids[name] for name in raw_events])
        if power_up:
            self.halt(now_ns)
            for number in self._turns:
                self._enter(number, self.states[number] if number in self._kept
                            else self._starts[number], now_ns, queue)
        due = self.dues
        if not power_up and due and min(due) <= now_ns:
            for number in self._turns:
                if due[number] <= now_ns:
                    self._expires(number, queue)
        states, heard, fire = self.states, self._heard, self._fires
        handled = 0
        looked_from = self._looked_from
        before: set[tuple[object, ...]] = set()
        while True:
            if queue and self.wakes_always and not self.woke:
                self._wake()
            while queue:
                handled += 1
                if handled > looked_from:
                    here = self._here(queue)
                    if handled > EVENT_LIMIT or here in before:
                        raise EndlessInstant(now_ns, EVENT_LIMIT, self._loop(queue, now_ns))
                    before.add(here)
                item = queue.popleft()
                if isinstance(item, int):
                    if item < self.public:
                        public.append(item)
                    for number, table in heard[item]:
                        rows = table.get(states[number])
                        if rows:
                            for row in rows:
                                if row.guard is None or row.guard():
                                    fire(number, row, now_ns, queue)
                                    break
                else:
                    number, serial, row = item
                    if serial == self.stays[number] and (row.guard is None or row.guard()):
                        fire(number, row, now_ns, queue)
            if self._conditions:
                if self.on_rest is not _nothing:
                    self.on_rest()
                values = self.condition_values
                for index, (test, rises, falls) in enumerate(self._conditions):
                    value = test()
                    if value != values[index]:
                        values[index] = value
                        queue.append(rises if value else falls)
            if not queue:
                return public

    def _fire(self, number: int, row: _Compiled, now_ns: int, queue: deque[_Item]) -> None:
        if self.fired is not None:
            self.fired.append(row.key)
        queue.extend(row.emit)
        target = row.target
        if target == _SAME:
            return
        if target == _RESUME:
            target = self.memory[number]
            if target < 0:
                target = self._resume_first[number]
        self._enters(number, target, now_ns, queue)

    def _enter(self, number: int, state: int, now_ns: int, queue: deque[_Item]) -> None:
        self.moved = True
        self.version += 1
        self.states[number] = state
        self.entered_ns[number] = now_ns
        self.stays[number] += 1
        if state in self._resume_points[number]:
            self.memory[number] = state
        if self.awake[number][state]:
            self._wake(number)
        for clock, begins in self._followers[number]:
            if begins[state] or self.states[clock]:  # a clock that stands still goes on doing so
                self._enters(clock, begins[state], now_ns, queue)
        groups = self.dwells[number][state]
        self.spent[number] = 0
        if not groups:
            self.dues[number] = IDLE
        elif groups[0][0] == 0:
            self._expires(number, queue)
        else:
            self.dues[number] = now_ns + groups[0][0]

    def _wake(self, region: int = -1) -> None:
        self.woke = True
        self.on_wake(region)

    def _expire(self, number: int, queue: deque[_Item]) -> None:
        self.moved = True  # though every row of it may keep the state, or its guard be false
        self.version += 1
        groups = self.dwells[number][self.states[number]]
        index = self.spent[number]
        serial = self.stays[number]
        for row in groups[index][1]:
            queue.append((number, serial, row))
        index += 1
        self.spent[number] = index
        self.dues[number] = (
            self.entered_ns[number] + groups[index][0] if index < len(groups) else IDLE
        )

    def _here(self, queue: deque[_Item]) -> tuple[object, ...]:
        """All that decides how the instant goes on."""
        waiting = [
            item if isinstance(item, int)
            else (item[0], item[1] == self.stays[item[0]], id(item[2]))
            for item in queue
        ]
        return (*self.states, *self.memory, *self.condition_values, *waiting)

    def _loop(self, queue: deque[_Item], now_ns: int) -> tuple[str, ...]:
        """Name what chases what: run on for a while and keep the order of rows that fire."""
        seen: list[str] = []
        before, self.fired = self.fired, seen
        for _ in range(64):
            if not queue:
                break
            item = queue.popleft()
            if isinstance(item, int):
                for number, table in self._heard[item]:
                    for row in table.get(self.states[number], ()):
                        if row.guard is None or row.guard():
                            self._fire(number, row, now_ns, queue)
                            break
            else:
                number, serial, row = item
                if serial == self.stays[number] and (row.guard is None or row.guard()):
                    self._fire(number, row, now_ns, queue)
        self.fired = before
        return tuple(dict.fromkeys(seen))

    # -- names and state ---------------------------------------------------------------------------

    def state_name(self, region: str) -> str:
        """The state that `region` is in."""
        number = self._region_ids[region]
        return self.state_names[number][self.states[number]]

    def names(self, states: Sequence[int] | None = None) -> tuple[str, ...]:
        """The names of these state numbers (by default of the present ones), of all regions but the
        clocks.
        """
        chosen = self.states if states is None else states
        count = len(self.region_names)
        return tuple(
            names[number]
            for names, number in zip(self.state_names[:count], chosen[:count], strict=True)
        )

    def bars(self, states: Sequence[int] | None = None) -> int | None:
        """The gauge's level in bars, None without a gauge."""
        if self._gauge_levels is None:
            return None
        chosen = self.states if states is None else states
        return self._gauge_levels[chosen[self._region_ids["gauge"]]]

    def waiting(self) -> tuple[int, ...]:
        """For each region, how many dwell groups of the present stay have expired."""
        return tuple(self.spent)

    def restore(
        self,
        states: Sequence[str],
        entered_ns: Sequence[int],
        waiting: Sequence[int],
        memory: Sequence[str | None],
        conditions: Sequence[bool],
    ) -> None:
        """Put everything back as it stood between two instants."""
        self.version += 1
        for number, name in enumerate(states):
            ids = self._state_ids[number]
            self.states[number] = ids[name]
            self.entered_ns[number] = entered_ns[number]
            remembered = memory[number]
            self.memory[number] = -1 if remembered is None else ids[remembered]
            groups = self.dwells[number][ids[name]]
            index = waiting[number]
            self.spent[number] = index
            self.dues[number] = (
                entered_ns[number] + groups[index][0] if index < len(groups) else IDLE
            )
        self.condition_values[:] = conditions

    def due(self) -> tuple[int, ...]:
        """For each region, when its next dwell expires (ns); very large when none is running."""
        return tuple(self.dues)

    def place(
        self,
        now_ns: int,
        states: Sequence[int],
        moving: Sequence[int],
        ages: Sequence[int],
        waiting: Sequence[int],
        due_in: Sequence[int],
        memory: Sequence[int],
        conditions: Sequence[bool],
    ) -> None:
        """Put the regions `moving` where a known cycle has them at `now_ns`; the others stay."""
        self.version += 1
        self.states[:] = states
        for k, number in enumerate(moving):
            self.entered_ns[number] = now_ns - ages[k]
            self.spent[number] = waiting[k]
            self.dues[number] = IDLE if due_in[k] > IDLE // 2 else now_ns + due_in[k]
            self.memory[number] = memory[k]
        self.condition_values[:] = conditions

    def stand(
        self, states: Sequence[int], memory: Sequence[int], conditions: Sequence[bool],
        expiring: Mapping[int, int], kept: Mapping[int, int],
    ) -> None:
        """Put every region where it stands at time 0, with no dwell running but those that expire:
        of each region in `expiring` the dwell group of that number.

        Of those in `kept` that state has been kept, of all others that keep it the one that stands.
        """
        self.version += 1
        self.states[:] = states
        self.memory[:] = memory
        self.condition_values[:] = conditions
        for number in self._kept:
            self._stood[number] = kept.get(number, states[number]), memory[number]
        self._stood_ns = 0
        count = len(self.dues)
        self.spent[:] = [0] * count
        self.dues[:] = [IDLE] * count
        for number, group in expiring.items():
            self.spent[number] = group
            self.dues[number] = 0

    def shift(self, by_ns: int, moved: Iterable[int]) -> None:
        """Let the stays of the regions `moved` have begun `by_ns` later (whole cycles passed)."""
        for number in moved:
            self.entered_ns[number] += by_ns
            if self.dues[number] != IDLE:
                self.dues[number] += by_ns

    def drives(self, gates: Sequence[bool]) -> dict[str, Drive]:
        """What the present states drive; `gates[r]` tells whether region r's outputs show."""
        return merged(
            (region.group, region.states[state], shown)
            for region, state, shown in zip(self.regions, self.states, gates, strict=True)
        )


def _nothing(_: int = -1) -> None:
    """What is done where nobody asks for more."""
