"""The stepper with a slip in how the rows are walked: a firmware that holds a fault, in Python."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Sequence
from typing import Any

from simfw.behaviour.binding import World
from simfw.behaviour.region import Region, Row, System
from simfw.behaviour.table import IDLE, CompiledRows, Stepper
from simfw.vectors.faults import NONE, Twist

__all__ = ["TWICE", "Faulty", "differing"]

TWICE = 2
OVER = -2  # instead of when it began: a first stay is over for good


def differing(rows: Sequence[Row], others: Sequence[Row]) -> tuple[Row, ...]:
    """The rows of both from the first to the last in which they differ: most are the very same."""
    first, most = 0, min(len(rows), len(others))
    while first < most and rows[first] is others[first]:
        first += 1
    last = 0
    while last < most - first and rows[-1 - last] is others[-1 - last]:
        last += 1
    return (*rows[first : len(rows) - last], *others[first : len(others) - last])


class Faulty(Stepper):
    """A stepper with a slip. While it takes ended times too early, `looking_back` is set: its world
    then answers with the inputs as they were before the instant.

    What a slip remembers beyond states and times is `hidden`; it has `strayed` while that is not as
    in a firmware without the slip.
    """

    def __init__(self, system: System, world: World, twist: Twist = NONE) -> None:
        # What is compiled of the firmware without a fault: most of it is in one with a fault, too.
        self._rows: dict[tuple[int, int], Any] = {}
        self._sound: dict[int, CompiledRows] = {}
        self._begins = True
        super().__init__(system, world, settles=True)
        self._begins = False
        self.looking_back = False
        self._apart, self._apart_key = -1, ""
        self._holding: dict[str, int] = {}  # the region of each row, once it is asked for
        self._changed: dict[int, frozenset[int]] = {}  # by region: events with other rows now
        # Region and state of which a time runs alone, with its dwells as written.
        self._moved_clock: tuple[int, int, Any] | None = None
        self._begun = tuple(self._starts)
        self.slip(twist)

    # -- what the slip is --------------------------------------------------------------------------

    def slip(self, twist: Twist) -> None:
        """From now on the slip is this."""
        self.twist = twist
        self._apart_key = twist.first or twist.after
        self._apart = self._region_of(self._apart_key)
        self._surviving = self._region_ids.get(twist.kept, -1)
        self._losing = self._region_ids.get(twist.loses, -1)
        self._remembering = self._region_ids.get(twist.remembers, -1)
        self._lasting = self._region_of(twist.lasts)
        self._counted = frozenset[int]()
        if self._lasting >= 0:
            ids = self._state_ids[self._lasting]
            self._counted = frozenset(ids[name] for row in self.system.regions[self._lasting].rows
                                      if row.key == twist.lasts for name in row.sources)
        self._eclipsed = self._region_of(twist.eclipsed)
        self._behind = self._region_of(twist.behind)
        self._following = self._region_of(twist.lost)
        # Most firings have nothing to do with the slip.
        self._fires = self._fire if self._lasting >= 0 or self._following >= 0 or (
            twist.third or twist.forgets or twist.unnoted or twist.keeps
            or twist.begun or twist.deaf or twist.plays_on or twist.replays) else super()._fire
        self._alone = self._region_of(twist.alone)
        self._enters = self._enter if self._alone >= 0 else super()._enter
        self._expires = (self._expire if self._following >= 0 and twist.failed
                         else super()._expire)
        self.clear()

    def _region_of(self, key: str) -> int:
        """The region that holds a row; -1 for none."""
        if key and not self._holding:
            self._holding = {row.key: number for number, region in enumerate(self.system.regions)
                             for row in region.rows}
        return self._holding.get(key, -1)

    def clear(self) -> None:
        """Begin with nothing remembered, like a firmware without the slip."""
        self._put_back()
        self._starts[:] = self._begun
        self.states[:] = self._begun
        self.memory[:] = [-1] * len(self.memory)
        super().forget()
        self._recalled = self._began = self._failed = -1
        self._count = 0
        self._just = False
        self._deaf_ns = -1  # in the instant at that time the region hears nothing more

    @property
    def hidden(self) -> tuple[int, ...]:
        """What is remembered."""
        kept = self._starts[self._surviving] if self._surviving >= 0 else -1
        return (kept, self._recalled, self._began, self._failed, self._count, int(self._just),
                self._by_ns)

    @property
    def count(self) -> int:
        """How often the row has fired that does not a third time."""
        return self._count

    def recall(self, hidden: Sequence[int]) -> None:
        """Remember this."""
        kept, self._recalled, self._began, self._failed, self._count, just, by_ns = hidden
        self._starts[:] = self._begun
        if self._surviving >= 0:
            self._starts[self._surviving] = kept
        self._just = bool(just)
        self._put_back()
        if by_ns:
            self._move_clock(by_ns)

    @property
    def over(self) -> bool:
        """Whether the slip can do nothing any more, before the supply is lost."""
        return self._began == OVER

    @property
    def strayed(self) -> bool:
        """Whether anything is remembered that may still count."""
        if self._failed >= 0 and self.entered_ns[self._following] != self._failed:
            self._failed = -1
        # A memory of what is resumed without one is as good as none.
        recalled = self._recalled >= 0 and (
            self._recalled != self._resume_first[self._remembering])
        return (recalled or self._began != -1 or self._failed >= 0 or self._count > 0
                or self._just or self._by_ns != 0 or tuple(self._starts) != self._begun)

    # -- instants ----------------------------------------------------------------------------------

    def run_instant(self, now_ns: int, raw_events: Iterable[str] = (), *, power_up: bool = False
                    ) -> list[int]:
        """One instant; with a slip, a time that ends comes before, or after, all else."""
        if self._eclipsed >= 0 and not power_up:
            self._eclipse(now_ns)
        if self.twist.missed and not power_up and self._ends_now(
                self._behind, self.twist.behind, now_ns):
            raw_events = [event for event in raw_events if event != f"{self.twist.missed}.edge"]
        apart = self._apart
        if apart < 0 or power_up or not self._ends_now(apart, self._apart_key, now_ns):
            return super().run_instant(now_ns, raw_events, power_up=power_up)
        raw = list(raw_events)
        own = [apart]
        others = [number for number in range(len(self.dues)) if number != apart]
        if self.twist.first:
            self.looking_back = True
            public = self._part(now_ns, [], others)
            self.looking_back = False
            moved, woke = self.moved, self.woke
            public += super().run_instant(now_ns, raw)
        else:
            public = self._part(now_ns, raw, own)
            moved, woke = self.moved, self.woke
            if self.dues[apart] <= now_ns:
                public += super().run_instant(now_ns)
        self.moved |= moved
        self.woke |= woke
        return public

    def _here(self, queue: deque[Any]) -> tuple[object, ...]:
        """All that decides how the instant goes on; a slip remembers, and moves clocks."""
        return (*super()._here(queue), self.hidden, self._deaf_ns, *self.spent, *self.dues,
                *self.entered_ns)

    def _eclipse(self, now_ns: int) -> None:
        """Lose the end of a time where another one ends now, too."""
        twist = self.twist
        if (self._ends_now(self._eclipsed, twist.eclipsed, now_ns)
                and self._ends_now(self._behind, twist.behind, now_ns)):
            super()._expire(self._eclipsed, deque())

    def _ends_now(self, number: int, key: str, now_ns: int) -> bool:
        """Whether the time of a row of a region ends now."""
        if self.dues[number] > now_ns:
            return False
        group = self.dwells[number][self.states[number]][self.spent[number]]
        return any(row.key == key for row in group[1])

    def _part(self, now_ns: int, raw: list[str], wait: Sequence[int]) -> list[int]:
        """An instant in which the times of some regions do not end yet."""
        due, serials = list(self.dues), list(self.stays)
        for number in wait:
            self.dues[number] = IDLE
        public = super().run_instant(now_ns, raw)
        for number in wait:
            if self.stays[number] == serials[number]:
                self.dues[number] = due[number]
        return public

    def _compiled(self, number: int, row: Row) -> Any:
        key = number, id(row)  # of a row that the system of this stepper holds, so it stays its own
        found = self._rows.get(key)
        if found is None:
            found = super()._compiled(number, row)
            if self._begins:
                self._rows[key] = found
        return found

    def hold(self, number: int, region: Region) -> None:
        """From now on region `number` is another with the same states: other rows, other memory.

        Only what is compiled of rows that differ is made anew: a large region has many others.
        """
        self._put_back()
        own = self.system.regions[number]
        sound = self._sound.get(number)
        if sound is None:
            sound = self._sound[number] = self._compile_rows(number, own.rows)
        differ = differing(own.rows, region.rows)
        events = {row.on for row in differ if row.on is not None}
        states = {source for row in differ if row.on is None for source in row.sources}
        tables, waiting = self._compile_rows(number, [
            row for row in region.rows if row.on in events
            or (row.on is None and not states.isdisjoint(row.sources))], states)
        ids = self._state_ids[number]
        self.dwells[number] = dwells = list(sound[1])
        for name in states:
            dwells[ids[name]] = waiting[ids[name]]
        changed = {self.event_ids[name] for name in events}
        for event in changed | self._changed.get(number, frozenset()):
            table = (tables if event in changed else sound[0]).get(event)
            heard = [entry for entry in self._heard[event] if entry[0] != number]
            if table is not None:
                heard.append((number, table))
            self._heard[event] = sorted(heard, key=lambda entry: entry[0])
        self._changed[number] = frozenset(changed)
        self._resume_points[number] = frozenset(ids[name] for name in region.resume_points)
        self._resume_first[number] = ids[region.resume_points[0]] if region.resume_points else -1

    def freeze(self) -> None:
        """The supply is let go of; see `halt`."""
        self._survive()
        super().freeze()

    def _survive(self) -> None:
        """What a slip keeps is what stands now."""
        number = self._surviving
        if number >= 0:
            state = self.states[number]
            name, only = self.state_names[number][state], self.twist.only
            survives = name == only if only else _survives(name, self.twist.counts)
            self._starts[number] = state if survives else self._begun[number]
        if self._remembering >= 0:
            self._recalled = self.memory[self._remembering]

    def halt(self, now_ns: int) -> None:
        """Power is lost; with a slip something is kept over it."""
        self._survive()
        self._put_back()
        super().halt(now_ns)
        self._began = self._failed = -1  # all else that a slip remembers is lost, too
        self._deaf_ns = -1
        self._count, self._just = 0, False
        losing = self._losing
        if losing >= 0 and self.states[losing] == self._state_ids[losing].get(self.twist.only):
            self.states[losing], self.memory[losing] = self._begun[losing], -1
        if self._remembering >= 0:
            self.memory[self._remembering] = self._recalled

    def _fire(self, number: int, row: Any, now_ns: int, queue: deque[Any]) -> None:
        twist = self.twist
        if twist.deaf:
            if self._deaf_ns == now_ns and row.key in twist.unheard:
                return
            if row.key == twist.deaf:
                self._deaf_ns = now_ns
        if row.key == twist.third:
            self._count += 1
            if self._count > TWICE:
                return
        began, serial, state = self.entered_ns[number], self.stays[number], self.states[number]
        if number == self._following:
            behind = self._failed == began if twist.failed else self._just
            self._just = row.key == twist.behind and not twist.failed
            if behind and row.key == twist.lost:
                return
        remembered = self.memory[number]
        playing = self._playing(number) if row.key in twist.plays_on else []
        super()._fire(number, row, now_ns, queue)
        if playing and self.stays[number] != serial:
            self._play_on(playing, state, self.states[number], queue)
        if row.key == twist.replays:
            for clock, begins in self._followers[number]:
                if begins[state]:
                    self._enters(clock, begins[state], now_ns, queue)
        if twist.begun and row.key == twist.begun:
            self._count_alone(number, now_ns, now_ns, queue)
        if row.key in (twist.forgets, twist.unnoted):
            self.memory[number] = -1 if row.key == twist.forgets else remembered
        if self.stays[number] == serial:
            return
        if row.key == twist.keeps:
            self._go_on(number, began, now_ns, queue)
        if number == self._lasting:
            last = began if state in self._counted else self._began
            if twist.once and self._began != -1:
                last = self._began
            self._last_on(number, last, now_ns, queue)

    def _playing(self, number: int) -> list[tuple[int, tuple[int, ...], tuple[int, ...]]]:
        """The clocks of a region: which, what each enters with a state, and where it stands."""
        return [(clock, begins, (self.states[clock], self.entered_ns[clock], self.spent[clock],
                                 self.dues[clock]))
                for clock, begins in self._followers[number]]

    def _play_on(self, playing: list[tuple[int, tuple[int, ...], tuple[int, ...]]], before: int,
                 now: int, queue: deque[Any]) -> None:  # fmt: skip
        """Let what both states play go on from where it was."""
        for clock, begins, (state, entered, spent, due) in playing:
            if begins[before] and begins[before] == begins[now]:
                self.states[clock], self.entered_ns[clock] = state, entered
                self.spent[clock], self.dues[clock] = spent, due
                # A step that ends in this very instant is still to be taken.
                queue.extend((clock, self.stays[clock], row)
                             for _, rows in self.dwells[clock][state][:spent] for row in rows)

    def _last_on(self, number: int, began: int, now_ns: int, queue: deque[Any]) -> None:
        """Let the end of an earlier stay count, if it is still to come."""
        self._began = began
        if began < 0 or self.states[number] not in self._counted:
            return
        after = max(after for state in self._counted
                    for after, rows in self.dwells[number][state]
                    if any(row.key == self.twist.lasts for row in rows))
        if began + after <= now_ns:
            self._began = OVER if self.twist.once else -1
        else:
            self._began = began if self.twist.once else -1
            self._go_on(number, began, now_ns, queue)

    def _go_on(self, number: int, began: int, now_ns: int, queue: deque[Any]) -> None:
        """Count the time of the present stay from an earlier moment."""
        if self.twist.alone:
            self._count_alone(number, began, now_ns, queue)
            return
        self.entered_ns[number] = began
        groups = self.dwells[number][self.states[number]]
        while (index := self.spent[number]) < len(groups) and began + groups[index][0] <= now_ns:
            self._expires(number, queue)
        index = self.spent[number]
        self.dues[number] = began + groups[index][0] if index < len(groups) else IDLE

    def _count_alone(self, number: int, began: int, now_ns: int, queue: deque[Any]) -> None:
        """Count one time of the present stay from another moment, the others as they run."""
        self._put_back()
        entered = self.entered_ns[number]
        if not self._move_clock(began - entered):
            return
        groups = self.dwells[number][self.states[number]]
        passed = now_ns - entered
        queue.extend((number, self.stays[number], row) for after, rows in groups
                     if after <= passed for row in rows if row.key == self.twist.alone)
        index = sum(after <= passed for after, _ in groups)
        self.spent[number] = index
        self.dues[number] = entered + groups[index][0] if index < len(groups) else IDLE

    def _move_clock(self, by_ns: int) -> bool:
        """Let the time that runs alone end so much later in this stay; whether it has one."""
        number = self._alone
        state = self.states[number]
        written = self.dwells[number][state]
        found: dict[int, tuple[Any, ...]] = {}
        moves = False
        for after, rows in written:
            mine = tuple(row for row in rows if row.key == self.twist.alone)
            others = tuple(row for row in rows if row.key != self.twist.alone)
            if others:
                found[after] = (*found.get(after, ()), *others)
            if mine:
                moves = True
                found[after + by_ns] = (*found.get(after + by_ns, ()), *mine)
        if moves:
            self._moved_clock, self._by_ns = (number, state, written), by_ns
            self.dwells[number][state] = tuple(sorted(found.items()))
        return moves

    def _put_back(self) -> None:
        """All times count as they are written."""
        self._by_ns = 0
        if self._moved_clock is not None:
            number, state, written = self._moved_clock
            self.dwells[number][state] = written
            self._moved_clock = None

    def _enter(self, number: int, state: int, now_ns: int, queue: deque[Any]) -> None:
        if number == self._alone:
            self._put_back()
        super()._enter(number, state, now_ns, queue)

    def _expire(self, number: int, queue: deque[Any]) -> None:
        if number == self._following and self.twist.failed:
            group = self.dwells[number][self.states[number]][self.spent[number]]
            if any(row.key == self.twist.behind for row in group[1]):
                self._failed = self.entered_ns[number]
        super()._expire(number, queue)


def _survives(state: str, counts: str) -> bool:
    """Whether a state survives where only what is counted to does, in any state or in one."""
    stem, _, count = state.rpartition(".")
    return not counts or (state[-1:].isdigit() and counts in ("any", stem if count else ""))
