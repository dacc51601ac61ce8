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
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from simfw.behaviour import expression as ex
from simfw.behaviour.region import Condition, Region
from simfw.verify.guards import Guard, Watched, compile_expression
from simfw.verify.terms import Act, Config, Endless, Mark, Monitor, Outcome, Span

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


@dataclass(slots=True)
class _Row:
    key: str
    guard: Guard | None
    to: int  # state index, -1 same, -2 resume
    emit: tuple[int, ...]


@dataclass(slots=True)
class _Deadline:
    span: Span
    rows: list[_Row]


@dataclass(slots=True)
class _Part:
    """A compiled region."""

    name: str
    states: tuple[str, ...]
    starts: int
    hears: dict[int, list[list[_Row]]]
    deadlines: list[list[_Deadline]]
    zero: list[list[_Row]]
    marks: list[list[Mark]]
    open_ended: list[list[tuple[int, int]]]  # per state: (deadline, number of marks that ripen it)
    resume: tuple[int, ...]


class Instant:
    """The working state while one instant is executed."""

    __slots__ = (
        "conds", "events", "flags", "free", "made", "phases", "reset", "resumes", "rows", "script",
        "states",
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
        self.free: dict[str, list[float]] = {}

    def choose(self) -> bool:
        """The next answer of the script; False where the script has none yet."""
        place = len(self.made)
        if place == len(self.script):
            self.script.append(0)
        return bool(self.script[place])

    def split(self, name: str, values: Sequence[float], test: Callable[[float], bool]) -> bool:
        """Whether the free quantity `name` passes `test`; both answers are tried where both fit."""
        left = self.free.get(name) or list(values)
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
    `segments` is the number of LEDs of each segmented light.
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
    ) -> None:
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
        self.condition_index = {c.key: i for i, c in enumerate(self.conditions)}
        self.event_names: list[str] = []
        self._event_ids: dict[str, int] = {}
        self.parts = [self._compile(region) for region in self.regions]
        self._hearers: dict[int, list[tuple[int, list[list[_Row]]]]] = {}
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

    def _compile(self, region: Region) -> _Part:
        names = tuple(state.name for state in region.states)
        number = {name: i for i, name in enumerate(names)}
        resume = tuple(number[name] for name in region.resume_points)
        hears: dict[int, list[list[_Row]]] = {}
        deadlines: list[list[_Deadline]] = [[] for _ in names]
        zero: list[list[_Row]] = [[] for _ in names]
        for row in region.rows:
            compiled = _Row(
                key=row.key,
                guard=None if row.when is None else self.compile(row.when),
                to={"same": -1, "resume": -2}.get(row.to, number.get(row.to, -1)),
                emit=tuple(self.event_id(event) for event in row.emit),
            )
            for source in row.sources:
                place = number[source]
                if row.on is not None:
                    table = hears.setdefault(self.event_id(row.on), [[] for _ in names])
                    table[place].append(compiled)
                elif row.after_ns == 0 and row.key not in self.spans:
                    zero[place].append(compiled)
                else:
                    span = self.spans.get(row.key, Span(row.after_ns or 0, row.after_ns or 0))
                    self._add_deadline(deadlines[place], span, compiled)
        marks: list[list[Mark]] = []
        open_ended: list[list[tuple[int, int]]] = []
        for place in range(len(names)):
            found, ripe = self._marks(deadlines[place])
            marks.append(found)
            open_ended.append(ripe)
        return _Part(region.name, names, number[region.starts], hears, deadlines, zero, marks,
                     open_ended, resume)

    @staticmethod
    def _add_deadline(deadlines: list[_Deadline], span: Span, row: _Row) -> None:
        for deadline in deadlines:
            # Rows of one dwell are tried in order; an open-ended row is free on its own.
            if deadline.span == span and span.high_ns is not None:
                deadline.rows.append(row)
                return
        deadlines.append(_Deadline(span, [row]))

    @staticmethod
    def _marks(deadlines: list[_Deadline]) -> tuple[list[Mark], list[tuple[int, int]]]:
        due: dict[tuple[int, int], list[int]] = {}
        for i, deadline in enumerate(deadlines):
            low, high = deadline.span.low_ns, deadline.span.high_ns
            if high is not None:
                due.setdefault((high, low), []).append(i)
            elif low > 0:
                due.setdefault((low, low), [])
        times = sorted(due)
        marks = [Mark(low, high, tuple(due[high, low])) for high, low in times]
        ripe = []
        for i, deadline in enumerate(deadlines):
            if deadline.span.high_ns is None:
                low = deadline.span.low_ns
                ripe.append((i, times.index((low, low)) + 1 if low > 0 else 0))
        return marks, ripe

    def level_reader(self, name: str) -> Callable[[Instant], float]:
        """How far a light, load, emitter or receiver is driven (0..1); 0 where nothing drives it.

        Only asked for names that an expression reads: the regions that drive them, and whatever
        decides whether they are shown, are then part of the machine.
        """
        total = max(1, self.segments.get(name, 1))
        sources: list[tuple[int, list[float], Guard | None]] = []
        out: list[tuple[int, list[float]]] = []
        for index, region in enumerate(self.regions):
            levels = []
            for state in region.states:
                drive = state.outputs.get(name)
                if drive is None:
                    levels.append(0.0)
                else:
                    levels.append(drive.duty if drive.segments is None else drive.segments / total)
            if any(levels):
                show = None if region.show is None else self.compile(region.show)
                sources.append((index, levels, show))
            taken = [state.takes_out.get(name, 0) / total for state in region.states]
            if any(taken):
                out.append((index, taken))

        def read(now: Instant) -> float:
            best = 0.0
            for index, levels, show in sources:
                value = levels[now.states[index]]
                for other, taken in out:
                    if self.regions[other].group == self.regions[index].group:
                        value -= taken[now.states[other]]
                if value > best and (show is None or show(now)):
                    best = value
            return best

        return read

    # -- configurations ----------------------------------------------------------------------

    def clocks(self, config: Config) -> list[tuple[int, Mark]]:
        """The clocks that still matter, each with the time it is waiting for.

        Clock i is the time region i has been in its state; clock (number of regions + j) belongs to
        monitor j. A clock whose last dwell has passed is not there: nothing reads it any more.
        """
        r = len(self.parts)
        active = []
        for i, part in enumerate(self.parts):
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
        for number, act in enumerate(self.acts):
            if not act.sets or any(
                value is None or config[base + self.flag_index[flag]] != value
                for flag, value in act.sets
            ):
                found.append((number, -1))
        for i, part in enumerate(self.parts):
            for deadline, passed in part.open_ended[config[i]]:
                if config[r + i] >= passed:
                    found.append((i, deadline))
        return found

    def region_states(self, config: Config) -> tuple[str, ...]:
        """The state of each region, by name."""
        return tuple(part.states[config[i]] for i, part in enumerate(self.parts))

    def flag_values(self, config: Config) -> dict[str, bool]:
        """The inputs."""
        base = 3 * len(self.parts)
        return {name: bool(config[base + i]) for i, name in enumerate(self.flags)}

    def starts(self, flags: Sequence[bool], happens: Sequence[str] = ()) -> list[Outcome]:
        """Power-up with these inputs: every region enters `starts`, conditions count as false.

        `happens` are the raw events of inputs that are active at power-up (USB, the status pin).
        """
        parts = self.parts
        config = tuple(
            [part.starts for part in parts] + [0] * len(parts)
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
        for event in happens:
            queue.append((0, event, 0, 0))
        for first, second in chosen:
            if second < 0:
                for flag, value in self.acts[first].sets:
                    place = self.flag_index[flag]
                    now.flags[place] = 1 - now.flags[place] if value is None else int(value)
                if self._act_events[first] >= 0:
                    queue.append((0, self._act_events[first], 0, 0))
            else:
                expired.append((first, second))
        expired.sort()
        for region, deadline in expired:
            queue.append((2, region, deadline, stays[region]))
        self._run_queue(now, queue, stays)
        broken, monitors = self._judge(now, config, monitors_due)
        after = tuple(
            now.states + now.phases + now.resumes + now.flags + now.conds + monitors
        )
        return Outcome(
            after, frozenset(now.reset), tuple(now.rows),
            tuple(self.event_names[event] for event in now.events), broken, tuple(now.made),
        )

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
        rows: list[_Row],
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
        for j, (monitor, when, then, asked) in enumerate(self._monitors):
            value = before[base + j]
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
