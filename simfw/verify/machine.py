"""One instant of a set of regions, compiled for the search.

The search asks the same question many times: from this settled combination of states, with these
dwells due and these things done from outside at the same time, where does the instant come to
rest? A `Machine` answers it by executing the rules of an instant to the letter (one queue, regions
in order, first matching row, zero dwells and emitted events to the back, conditions when the queue
runs empty). The answer does not depend on the values of clocks, so it is worked out once and kept.

What the machine does not know (the echo of a hand, the voltage under load) is *free*: whenever an
instant reads it, the instant is executed once for each answer it may give.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence

from simfw.behaviour import expression as ex
from simfw.behaviour.region import Condition, Region
from simfw.engine.supply import found_at_pins
from simfw.verify.bands import BAND, Reader
from simfw.verify.guards import Guard, Watched, compile_expression
from simfw.verify.regions import CompiledRow, compile_region
from simfw.verify.terms import SUPPLY, Act, Config, Endless, Mark, Monitor, Outcome, Span

__all__ = [
    "Act",
    "Config",
    "Endless",
    "Machine",
    "Mark",
    "Monitor",
    "Outcome",
    "Span",
]

EVENT_LIMIT = 10_000
LOOP_WATCH = 200
"""From this many events on, an instant's repetitions are looked for: a repeat never ends."""
MOST_SWITCHES = 12
"""How often the protection may open and close in one instant before that counts as endless."""


class Instant:
    """The working state while one instant is executed."""

    __slots__ = (
        "cell", "conds", "events", "flags", "free", "made", "phases", "reset", "resumes", "rows",
        "script", "seen", "states",
    )

    def __init__(self, machine: Machine, config: Config, script: list[int]) -> None:
        r, f, c = len(machine.parts), len(machine.flags), len(machine.conditions)
        self.states = list(config[:r])
        self.phases = list(config[r : 2 * r])
        self.resumes = list(config[2 * r : 3 * r])
        self.flags = list(config[3 * r : 3 * r + f])
        self.conds = list(config[3 * r + f : 3 * r + f + c])
        self.events: dict[int, None] = {}
        self.rows: list[str] = []
        self.reset: set[int] = set()
        self.script = script
        self.made: list[tuple[str, object]] = []
        self.free: dict[str, Sequence[float]] = {}
        self.cell = machine.cell
        self.seen: dict[str, tuple[int, ...]] = {}

    def choose(self) -> bool:
        """The next answer of the script; False where the script has none yet."""
        place = len(self.made)
        if place == len(self.script):
            self.script.append(0)
        return bool(self.script[place])

    def measure(self, name: str, values: Sequence[float], test: Callable[[float], bool]) -> bool:
        """Like `split`, of a quantity of the cell: another load may make another reading.

        `values` (V, or charge 0..1) are taken where nothing narrower is known of the cell.
        """
        states = tuple(self.states)
        if self.seen.get(name) != states:
            self.seen[name] = states
            self.free[name] = (
                values if self.cell is None else self.cell.window(self).values.get(name, values)
            )
        return self.split(name, values, test)

    def split(self, name: str, values: Sequence[float], test: Callable[[float], bool]) -> bool:
        """Whether the free quantity `name` passes `test`; both answers are tried where both fit.

        `values` are those worth telling apart; what earlier answers left of them is asked.
        """
        left = self.free.get(name) or values
        passing = [value for value in left if test(value)]
        if not passing or len(passing) == len(left):
            return bool(passing)
        answer = self.choose()
        kept = passing if answer else [value for value in left if not test(value)]
        self.free[name] = kept
        self.made.append((name, tuple(kept)))
        return answer


class Machine:
    """A set of regions with their conditions, inputs and monitors, compiled.

    `flags` are the inputs that `acts` change; every other flag is free. `spans` replaces the dwell
    of the rows with these keys. `values` gives each free quantity the values worth telling apart.
    `segments` is the number of LEDs of each segmented light. `cell` narrows what the cell may read.

    Where the input SUPPLY is among `flags`, it may go: every region then stands in its start state,
    dark and without time, until it comes back. With `forgiving` the monitors that wait for an
    answer, or for a stay to be long enough, wait no longer once it has gone. Rows of the regions
    `outside` that may fire at any time count as something done from outside.
    """

    def __init__(
        self,
        regions: Sequence[Region],
        *,
        conditions: Sequence[Condition] = (),
        acts: Sequence[Act] = (),
        flags: Sequence[str] = (),
        spans: Mapping[str, Span] | None = None,
        monitors: Sequence[Monitor] = (),
        values: Mapping[str, Sequence[float]] | None = None,
        segments: Mapping[str, int] | None = None,
        cell: Reader | None = None,
        forgiving: bool = False,
        outside: Collection[str] = (),
    ) -> None:
        self.cell = cell
        self.forgiving = forgiving
        self.regions = tuple(regions)
        self.conditions = tuple(conditions)
        self.acts = tuple(acts)
        self.flags = tuple(flags)
        self.monitors = tuple(monitors)
        self.values = dict(values or {})
        self.segments = dict(segments or {})
        self.spans = dict(spans or {})
        self.region_index = {region.name: i for i, region in enumerate(self.regions)}
        self.flag_index = {name: i for i, name in enumerate(self.flags)}
        self.outside = frozenset(
            i for i, region in enumerate(self.regions) if region.name in outside
        )
        self.supply = self.flag_index.get(SUPPLY, -1)
        self.band = self.region_index.get(BAND, -1)
        self.condition_index = {c.key: i for i, c in enumerate(self.conditions)}
        self.event_names: list[str] = []
        self._event_ids: dict[str, int] = {}
        self.parts = [
            compile_region(region, self.spans, self.compile, self.event_id)
            for region in self.regions
        ]
        self._hearers: dict[int, list[tuple[int, list[list[CompiledRow]]]]] = {}
        for index, part in enumerate(self.parts):
            for event, table in part.hears.items():
                self._hearers.setdefault(event, []).append((index, table))
        self._conditions = [
            (self.compile(c.when), self.event_id(c.rises), self.event_id(c.falls))
            for c in self.conditions
        ]
        self._monitors = [
            (
                m, self.compile(m.when), self.compile(m.then) if m.then is not None else None,
                frozenset(self.event_id(name) for name in ex.names_in(m.when).events),
            )
            for m in self.monitors
        ]
        self._act_events = [self.event_id(act.event) if act.event else -1 for act in self.acts]
        self._kept: dict[tuple[Config, tuple[int, ...], tuple[int, ...]], list[Outcome]] = {}
        self.executed = 0
        """How many instants were executed so far."""
        self._one: dict[object, object] = {}

    # -- compiling ---------------------------------------------------------------------------

    def event_id(self, name: str) -> int:
        """The number of an event."""
        found = self._event_ids.get(name)
        if found is None:
            found = self._event_ids[name] = len(self.event_names)
            self.event_names.append(name)
        return found

    def compile(self, expression: ex.Expression | Watched) -> Guard:
        """An expression as a function of an instant."""
        return compile_expression(self, expression)

    # -- configurations ----------------------------------------------------------------------

    def clocks(self, config: Config) -> list[tuple[int, Mark]]:
        """The clocks that still matter, each with the time it is waiting for.

        Clock i is the time region i has been in its state; clock (number of regions + j) belongs to
        monitor j. A clock whose last dwell has passed is not there: nothing reads it any more.
        """
        r = len(self.parts)
        active = []
        on = self._is_on(config)
        for i, part in enumerate(self.parts):
            if not on and i != self.band:
                continue
            marks = part.marks[config[i]]
            phase = config[r + i]
            if phase < len(marks):
                active.append((i, marks[phase]))
        base = len(config) - len(self.monitors)
        for j, monitor in enumerate(self.monitors):
            if config[base + j] & 1:
                active.append((r + j, Mark(monitor.time_ns, monitor.time_ns)))
        return active

    def options(self, config: Config) -> list[tuple[int, int]]:
        """What may happen at any time: (act, -1), or (region, deadline) of a row that is free."""
        r = len(self.parts)
        base = 3 * r
        found: list[tuple[int, int]] = []
        on = self._is_on(config)
        fixed = self.cell is not None and not self.cell.window_of(
            config[:r], self.flag_values(config).get("usb", False), on).may_change
        for number, act in enumerate(self.acts):
            if fixed and act.group == SUPPLY:
                continue
            if not act.sets or any(
                value is None or config[base + self.flag_index[flag]] != value
                for flag, value in act.sets
            ):
                found.append((number, -1))
        for i, part in enumerate(self.parts):
            if not on and i != self.band:
                continue
            for deadline, passed in part.open_ended[config[i]]:
                if config[r + i] >= passed:
                    found.append((i, deadline))
        return found

    def _is_on(self, config: Config) -> bool:
        return self.supply < 0 or bool(config[3 * len(self.parts) + self.supply])

    def region_states(self, config: Config) -> tuple[str, ...]:
        """The state of each region, by name."""
        return tuple(part.states[config[i]] for i, part in enumerate(self.parts))

    def flag_values(self, config: Config) -> dict[str, bool]:
        """The inputs."""
        base = 3 * len(self.parts)
        return {name: bool(config[base + i]) for i, name in enumerate(self.flags)}

    def starts(
        self, flags: Sequence[bool], happens: Sequence[str] = (), band: int = 0
    ) -> list[Outcome]:
        """Power-up with these inputs: every region enters `starts`, conditions count as false.

        `happens` are the raw events of inputs that are active at power-up (USB, the status pin),
        `band` the state of the region that holds the cell's charge, where there is one.
        """
        parts = self.parts
        states = [part.starts for part in parts]
        if self.band >= 0:
            states[self.band] = band
        config = tuple(
            states + [0] * len(parts)
            + [part.resume.index(part.starts) if part.starts in part.resume else 0
               for part in parts]
            + [int(flag) for flag in flags]
            + [0] * len(self.conditions) + [0] * len(self.monitors)
        )
        return self._explore(config, None, (), tuple(self.event_id(name) for name in happens))

    def outcomes(
        self, config: Config, due: tuple[int, ...], chosen: tuple[tuple[int, int], ...]
    ) -> list[Outcome]:
        """All ends of the instant where the clocks in `due` are at their marks with `chosen`."""
        key = (config, due, tuple(x for pair in chosen for x in pair))
        found = self._kept.get(key)
        if found is None:
            found = self._kept[key] = self._explore(config, due, chosen, ())
        return found

    def kept_bytes(self) -> int:
        """About how much memory is held by what was worked out: counted, not measured."""
        return (340 + 8 * len(self.parts)) * self.executed + (
            56 + 8 * (3 * len(self.parts) + len(self.flags) + len(self.conditions))
        ) * len(self._one)

    def known(self) -> Iterator[tuple[Config, Outcome]]:
        """Every instant worked out so far: the combination before it, and its outcome."""
        for (config, _, _), outcomes in self._kept.items():
            for outcome in outcomes:
                yield config, outcome

    def _explore(
        self,
        config: Config,
        due: tuple[int, ...] | None,
        chosen: tuple[tuple[int, int], ...],
        happens: tuple[int, ...],
    ) -> list[Outcome]:
        results: dict[tuple[object, ...], Outcome] = {}
        script: list[int] = []
        while True:
            instant = Instant(self, config, script)
            outcome = self._execute(instant, config, due, chosen, happens)
            self.executed += 1
            key = (outcome.config, outcome.reset, outcome.broken)
            results.setdefault(key, outcome)
            while script and script[-1] == 1:
                script.pop()
            if not script:
                return list(results.values())
            script[-1] = 1

    # -- executing ---------------------------------------------------------------------------

    def _execute(
        self,
        now: Instant,
        config: Config,
        due: tuple[int, ...] | None,
        chosen: tuple[tuple[int, int], ...],
        happens: tuple[int, ...],
    ) -> Outcome:
        parts = self.parts
        r = len(parts)
        stays = [0] * r  # counts entries, so that a dwell of a state left meanwhile is dropped
        queue: deque[tuple[int, int, int, int]] = deque()
        monitors_due: set[int] = set()
        # Kinds of entries: 0 event, 2 dwell (region, deadline, stay), 3 zero dwell.
        expired: list[tuple[int, int]] = []
        for event in happens:
            queue.append((0, event, 0, 0))
        if due is None:
            for i, part in enumerate(parts):
                now.reset.add(i)
                if part.zero[now.states[i]]:
                    queue.append((3, i, 0, 0))
        else:
            for clock in due:
                if clock >= r:
                    monitors_due.add(clock - r)
                    continue
                mark = parts[clock].marks[now.states[clock]][now.phases[clock]]
                now.phases[clock] += 1
                expired += [(clock, deadline) for deadline in mark.deadlines]
        on = self._is_on(config)
        for first, second in sorted(chosen, key=lambda one: self._begins(config, one)):
            if second < 0:
                for flag, value in self.acts[first].sets:
                    place = self.flag_index[flag]
                    now.flags[place] = 1 - now.flags[place] if value is None else int(value)
                if self._act_events[first] >= 0 and on:
                    queue.append((0, self._act_events[first], 0, 0))
            else:
                expired.append((first, second))
        if on != self._on(now):
            self._switch(now, queue, stays)
            expired = [entry for entry in expired if entry[0] == self.band]
        expired.sort()
        for region, deadline in expired:
            queue.append((2, region, deadline, stays[region]))
        self._run_queue(now, queue, stays)
        if self.cell is not None:
            self._protect(now, queue, stays)
        before = config if due is not None else self._before(config, happens)
        broken, monitors = self._judge(now, before, monitors_due)
        after = tuple(
            now.states + now.phases + now.resumes + now.flags + now.conds + monitors
        )
        # Equal parts are kept once: there are far fewer combinations than instants.
        one = self._one
        return Outcome(
            one.setdefault(after, after),  # type: ignore[arg-type]
            one.setdefault(reset := frozenset(now.reset), reset),  # type: ignore[arg-type]
            one.setdefault(rows := tuple(now.rows), rows),  # type: ignore[arg-type]
            one.setdefault(
                events := tuple(self.event_names[event] for event in now.events),
                events),  # type: ignore[arg-type]
            broken, tuple(now.made),
        )

    def _begins(self, config: Config, one: tuple[int, int]) -> bool:
        """Whether something chosen is no end of a stimulus: at one time ends come first."""
        sets = self.acts[one[0]].sets if one[1] < 0 else ()
        if len(sets) != 1 or sets[0][1] is not None:
            return True  # not an input that is touched and let go
        return not config[3 * len(self.parts) + self.flag_index[sets[0][0]]]

    def _on(self, now: Instant) -> bool:
        return self.supply < 0 or bool(now.flags[self.supply])

    def _switch(
        self, now: Instant, queue: deque[tuple[int, int, int, int]], stays: list[int]
    ) -> None:
        """The supply has just come or gone: every region starts anew, or stands still."""
        on = self._on(now)
        queue.clear()
        now.seen = {}
        for i, part in enumerate(self.parts):
            if i == self.band:
                continue
            now.states[i] = part.starts
            now.phases[i] = 0
            now.resumes[i] = part.resume.index(part.starts) if part.starts in part.resume else 0
            now.reset.add(i)
            stays[i] += 1
        now.conds = [0] * len(now.conds)
        if not on:
            return
        flags, ids = self.flag_index, self._event_ids

        def reads(name: str) -> bool:
            return name in flags and bool(now.flags[flags[name]])

        queue.extend((0, ids[event], 0, 0) for event in found_at_pins(reads, ids))
        for i, part in enumerate(self.parts):
            if i != self.band and part.zero[part.starts]:
                queue.append((3, i, 0, stays[i]))

    def _protect(
        self, now: Instant, queue: deque[tuple[int, int, int, int]], stays: list[int]
    ) -> None:
        """Let the protection open and close until it rests, as the loads of the moment have it."""
        assert self.cell is not None
        for count in range(MOST_SWITCHES):
            window = self.cell.window(now)
            switches = window.must_change
            if window.may_change and not switches and count == 0:
                switches = now.choose()
                now.made.append((SUPPLY, switches))
            if not switches:
                return
            now.flags[self.supply] = 1 - now.flags[self.supply]
            self._switch(now, queue, stays)
            self._run_queue(now, queue, stays)
        raise Endless(("the protection opens", "the protection closes"),
                      tuple(now.rows[:LOOP_WATCH]))

    def _run_queue(
        self, now: Instant, queue: deque[tuple[int, int, int, int]], stays: list[int]
    ) -> None:
        parts = self.parts
        handled = 0
        seen: set[tuple[object, ...]] = set()
        trail: list[str] = []
        while True:
            while queue:
                handled += 1
                kind, first, second, stay = queue.popleft()
                if kind == 0:
                    now.events[first] = None
                    for index, table in self._hearers.get(first, ()):
                        self._fire(now, queue, stays, index, table[now.states[index]])
                elif stays[first] == stay:
                    part = parts[first]
                    state = now.states[first]
                    rows = part.zero[state] if kind == 3 else part.deadlines[state][second].rows
                    for row in rows:  # "same" leaves the other rows of this dwell alive
                        self._fire(now, queue, stays, first, [row])
                        if stays[first] != stay:
                            break
                if handled >= LOOP_WATCH:
                    trail.append(
                        self.event_names[first] if kind == 0 else parts[first].name
                    )
                    key = (tuple(now.states), tuple(now.conds), tuple(now.flags),
                           tuple((k, a, b) for k, a, b, _ in queue))
                    if key in seen or handled > EVENT_LIMIT:
                        raise Endless(tuple(dict.fromkeys(trail)), tuple(now.rows[:LOOP_WATCH]))
                    seen.add(key)
            if not self._on(now):
                return
            for place, (guard, rises, falls) in enumerate(self._conditions):
                value = int(guard(now))
                if value != now.conds[place]:
                    now.conds[place] = value
                    queue.append((0, rises if value else falls, 0, 0))
            if not queue:
                return

    def _fire(
        self,
        now: Instant,
        queue: deque[tuple[int, int, int, int]],
        stays: list[int],
        index: int,
        rows: list[CompiledRow],
    ) -> None:
        for row in rows:
            if row.guard is not None and not row.guard(now):
                continue
            now.rows.append(row.key)
            for event in row.emit:
                queue.append((0, event, 0, 0))
            to = row.to
            if to == -1:
                return
            part = self.parts[index]
            if to == -2:
                to = part.resume[now.resumes[index]]
            now.states[index] = to
            now.phases[index] = 0
            now.reset.add(index)
            stays[index] += 1
            if to in part.resume:
                now.resumes[index] = part.resume.index(to)
            if part.zero[to]:
                queue.append((3, index, 0, stays[index]))
            return

    def _judge(
        self, now: Instant, before: Config, due: set[int]
    ) -> tuple[tuple[int, ...], list[int]]:
        broken: list[int] = []
        values: list[int] = []
        base = len(before) - len(self.monitors)
        r = len(self.parts)
        earlier: Instant | None = None
        # The loads of the new state stand now: what was read during the instant may have changed.
        now.free = {}
        now.seen = {}
        waits = not self.forgiving or self._on(now)
        for j, (monitor, when, then, asked) in enumerate(self._monitors):
            value = before[base + j]
            if not waits and monitor.kind != "never":
                values.append(0)
                continue
            if monitor.kind == "never":
                if when(now):
                    broken.append(j)
                values.append(0)
                continue
            if monitor.kind == "stay":
                if when(now):
                    if value == 0:
                        value = 1
                        now.reset.add(r + j)
                    elif j in due:
                        value = 2
                else:
                    if value == 1 and j not in due:
                        broken.append(j)
                    value = 0
                values.append(value)
                continue
            assert then is not None
            pending, held = bool(value & 1), False
            if asked:
                demanded = False
                if not asked.isdisjoint(now.events):
                    if earlier is None:
                        # Events are of this instant, the rest of the state settled before it.
                        earlier = Instant(self, before, [])
                        earlier.events = now.events
                        earlier.made, earlier.script = now.made, now.script
                    demanded = when(earlier)
            else:
                held = when(now)
                demanded = held and not value & 2
            if (pending or demanded) and not then(now):
                if j in due or monitor.time_ns == 0:
                    broken.append(j)
                    pending = False
                elif not pending:
                    pending = True
                    now.reset.add(r + j)
            else:
                pending = False
            values.append(int(pending) + 2 * int(held))
        return tuple(broken), values

    def _before(self, config: Config, happens: tuple[int, ...]) -> Config:
        """What stood before a power-up: no USB, nothing at the status pin, no contact that moves.

        A contact that gives no edge was held already.
        """
        edges = {self.event_names[event] for event in happens}
        first = 3 * len(self.parts)
        inputs = []
        for name, value in zip(self.flags, config[first:], strict=False):
            head, _, what = name.rpartition(".")
            comes = f"{head}.edge" in edges if what == "closed" else name != SUPPLY
            inputs.append(0 if comes else value)
        return (*config[:first], *inputs, *config[first + len(inputs):])
