"""One instant of the search, run on the stepper; what it has read and written is noted.

The stepper's world answers from the combination and, for what the search leaves free (the echo of a
hand, the voltage under load), from a script: whenever something free is read, the instant is run
once for each answer that it may give.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar

from simfw.behaviour import expression as ex
from simfw.behaviour.outputs import ways
from simfw.behaviour.region import Region, System
from simfw.engine.supply import met_at_power_up
from simfw.errors import EndlessInstant
from simfw.verify.bands import Reader
from simfw.verify.notes import AFTER, MONITORS, PROTECTION, NotedCells, Notes
from simfw.verify.terms import SUPPLY, WATCHED, Config, Endless, Monitor

if TYPE_CHECKING:
    from simfw.verify.machine import Machine

__all__ = ["Effect", "Instants"]

MOST_SWITCHES = 12
"""How often the protection may open and close in one instant before that counts as endless."""
_Int = TypeVar("_Int", bound=int)


@dataclass(slots=True, eq=False)
class Effect:
    """What an instant does to any combination that gives the same answers to what it reads.

    `writes` are (place in the combination, new value); the rest as in `Outcome`.
    """

    writes: tuple[tuple[int, int], ...]
    reset: frozenset[int]
    rows: tuple[str, ...]
    events: tuple[str, ...]
    broken: tuple[int, ...]
    choices: tuple[tuple[str, object], ...]

    def on(self, config: Config) -> Config:
        """The combination after it."""
        if not self.writes:
            return config
        after = list(config)
        for place, value in self.writes:
            after[place] = value
        return tuple(after)


class Instants:
    """Runs instants of a machine, and answers what its regions ask meanwhile.

    `notes` are those of the instants since they were last made new.
    """

    def __init__(self, machine: Machine, cell: Reader | None) -> None:
        self.machine = machine
        self.cell = cell
        self.notes = Notes()
        self.script: list[int] = []
        self.made: list[tuple[str, object]] = []
        self._shift = machine.band + 1  # the cell's charge is no region of the firmware
        self._band = 0
        regions = [part.numbered for part in machine.parts[self._shift :]]
        self._r = r = len(machine.parts)
        self._first = {"states": self._shift, "memory": 2 * r + self._shift,
                       "conditions": machine.conditions_at}
        self._kept: dict[int, int] = {}
        self.flags = NotedCells([0] * len(machine.flags), 3 * r, self.notes, 0)
        self._flag_at = machine.flag_index
        self._watched = {f"{WATCHED}{one.key}": n for n, one in enumerate(machine.conditions)}
        self._free: dict[str, tuple[float, ...]] = {}
        self._below: dict[tuple[tuple[float, ...], float], tuple[tuple[float, ...], ...]] = {}
        self._config: Config = ()
        self._parts: dict[object, object] = {}
        self._seen: dict[str, tuple[object, ...]] = {}
        self._levels: dict[str, Callable[[], float]] = {}
        self._happened: set[str] = set()
        names = dict.fromkeys(event for region in regions for row in region.rows
                              for event in ((row.on,) if row.on is not None else ()) + row.emit)
        names |= dict.fromkeys(
            event for one in machine.conditions for event in (one.rises, one.falls))
        names |= dict.fromkeys(act.event for act in machine.acts if act.event)
        self.stepper = machine.make_stepper(
            System(regions=tuple(regions), conditions=machine.conditions, events=tuple(names)),
            self, cells=self._cells, settles=True, queue=lambda: machine.make_queue(self.notes),
        )
        self.stepper.on_rest = self._rested
        inputs = [3 * r + machine.flag_index[name] for name in (SUPPLY, "usb")
                  if name in machine.flag_index]
        self._asked = () if cell is None else (*cell.asked, *inputs)
        self._asked_bits = sum(1 << place for place in self._asked)
        bind = self.stepper.bind
        self._monitors = [
            (one, bind(one.when, self.happened), None if one.then is None else
             bind(one.then, self.happened), ex.names_in(one.when).events)
            for one in machine.monitors
        ]
        # What the band may do in each of its states, by the number of the dwell group.
        self._moves = [
            [(None if row.when is None else bind(row.when), part.states.index(row.to))
             for row in sorted(part.numbered.rows, key=lambda row: row.after_ns or 0)
             if state in row.sources]
            for part in machine.parts[: self._shift] for state in part.states
        ]
        self._first_points = [part.resume[0] if part.resume else -1
                              for part in machine.parts[self._shift :]]
        self._rows = {row.key: (region.name, row) for region in regions for row in region.rows}

    def _cells(self, what: str, values: list[_Int]) -> list[_Int]:
        return NotedCells(values, self._first[what], self.notes, self._r if what == "states" else 0)

    def _rested(self) -> None:
        """The queue has run empty, once or again."""
        if not self.notes.looking:
            self.notes.look(AFTER)

    # -- what expressions ask --------------------------------------------------------------------

    def flag(self, name: str) -> bool:
        """An input; a free one is answered both ways."""
        place = self._flag_at.get(name)
        if place is not None:
            return bool(self.flags[place])
        place = self._watched.get(name)
        if place is not None:
            return self.stepper.condition_values[place]
        left = self._free.get(name)
        if left is None:
            told = self.machine.follows(name, self._free)
            return self._split(name, (0.0,), (1.0,)) if told is None else told
        return left == (1.0,)

    def happened(self, event: str) -> bool:
        """Whether an event is in this instant."""
        return event in self._happened

    def quantity(self, name: str) -> float:
        """How far a light, load, emitter or receiver is driven (0..1); 0 where nothing drives it.

        Where a sequence drives it, at any of its levels: those that the machine's comparisons tell
        apart are tried.
        Only asked for names that an expression reads: the regions that drive them, and whatever
        decides whether they are shown, are then part of the machine.
        """
        found = self._levels.get(name)
        if found is None:
            found = self._levels[name] = self._level(name)
        return found()

    def below(self, quantity: str, level: float) -> bool:
        """Whether the cell reads below `level`: both answers are tried where both are possible."""
        values = self.machine.values.get(quantity)
        if values is None:
            return level > 0.0
        # Another load may make another reading.
        states = self._stand()
        if self._seen.get(quantity) != states:
            self._seen[quantity] = states
            if self.cell is not None:
                found = self._ask(quantity)
                values = values if found is None else found
            self._free[quantity] = tuple(values)
        left = self._free[quantity]
        parts = self._below.get((left, level))
        if parts is None:
            parts = self._below[left, level] = (
                tuple(value for value in left if value >= level),
                tuple(value for value in left if value < level))
        return self._split(quantity, *parts)

    def _split(self, name: str, no: tuple[float, ...], yes: tuple[float, ...]) -> bool:
        """The answer to a question about something free, which makes it one of `no` or of `yes`;
        both answers are tried where both fit.
        """
        if not yes or not no:
            return bool(yes)
        answer = self._choose()
        self._free[name] = kept = yes if answer else no
        self.made.append((name, kept))
        return answer

    def decide(self, name: str) -> bool:
        """Whether something happens: both answers are tried."""
        answer = self._choose()
        self.made.append((name, (float(answer),)))
        return answer

    def answered(self) -> tuple[object, ...]:
        """What has been answered so far about all that is free, and still bears on answers."""
        return (tuple(sorted(self._free.items())), tuple(sorted(self._seen.items())))

    def _choose(self) -> bool:
        """The next answer of the script; False where the script has none yet."""
        place = len(self.made)
        if place == len(self.script):
            self.script.append(0)
        return bool(self.script[place])

    def _level(self, name: str) -> Callable[[], float]:
        total = max(1, self.machine.segments.get(name, 1))
        involved: list[tuple[int, Region, list[bool], Callable[[], bool] | None]] = []
        for index, region in enumerate(self.stepper.system.regions):
            drives = [name in state.drives for state in region.states]
            if name in region.touches:
                show = None if region.show is None else self.stepper.bind(region.show)
                involved.append((index, region, drives, show))
        supply, states = self.machine.supply, self.stepper.states
        known: dict[tuple[tuple[int, bool], ...], tuple[float, ...]] = {}
        apart = self.machine.values.get(name, ())

        def read() -> float:
            if supply >= 0 and not self.flags[supply]:
                return 0.0
            standing = tuple([
                (state, drives[state] and (show is None or show()))
                for index, _, drives, show in involved
                for state in (states[index],)
            ])
            levels = known.get(standing)
            if levels is None:
                drives = ways([
                    (region.group, region.states[state], shown)
                    for (_, region, _, _), (state, shown) in zip(involved, standing, strict=True)
                ], name)
                found = [0.0 if drive is None else
                         drive.duty if drive.segments is None else drive.segments / total
                         for drive in drives]
                told: dict[object, float] = {}
                for level in found:
                    told.setdefault(
                        tuple([(level >= value, level > value) for value in apart]) or level, level)
                levels = known[standing] = tuple(told.values())
            if len(levels) == 1:
                return levels[0]
            if self._seen.get(name) != standing:
                self._seen[name] = standing
                self._free[name] = levels
            while len(left := self._free[name]) > 1:
                self._split(name, left[: len(left) // 2], left[len(left) // 2 :])
            return left[0]

        return read

    def _stand(self) -> tuple[int, ...]:
        """Where all regions stand; not noted as read."""
        return (self._band, *self.stepper.states) if self._shift else tuple(self.stepper.states)

    def _ask(self, what: str) -> Any:
        """What the cell may read now, as the loads of the moment have it."""
        assert self.cell is not None
        notes, written = self.notes, self.notes.written
        if notes.looking:
            notes.stage |= self._asked_bits
            notes.looked |= self._asked_bits
        else:
            notes.acted[notes.round] |= self._asked_bits
        now = self._stand()
        changed = tuple([
            (place, int(now[place] if place < self._r else
                        list.__getitem__(self.flags, place - 3 * self._r)))
            for place in self._asked if place in written])
        question = (what, changed)
        if question not in notes.path:
            notes.path[question] = self.machine.answer(question, self._config)
        return notes.path[question]

    # -- running ---------------------------------------------------------------------------------

    def run(
        self,
        config: Config,
        due: tuple[int, ...] | None,
        chosen: tuple[tuple[int, int], ...],
        happens: Sequence[str],
    ) -> Effect:
        """The instant from `config`, with the answers of the script; without `due` at power-up.

        Raises `Endless` where it does not come to rest.
        """
        machine, stepper, notes = self.machine, self.stepper, self.notes
        r, shift, first = self._r, self._shift, self._first["conditions"]
        self.made = []
        self._config = config
        self._free, self._seen = {}, {}
        fired: list[str] = []
        stepper.fired = fired
        notes.looking, notes.round = False, 0
        expiring, phases, band = self._expired(config, due or (), chosen)
        self._place(config, expiring)
        notes.written.clear()
        on = self._on()
        raws = [] if due is not None else [one for one in happens if one in stepper.event_ids]
        raws += self._act(chosen)
        if band is not None:
            self._move(band, phases)
        found: list[int] = []
        try:
            if due is None:
                found = stepper.run_instant(0, raws, power_up=True)
            elif on != self._on():
                found = self._switch(raws if machine.meeting else ())
            elif on:
                found = stepper.run_instant(0, raws)
            if notes.looking and any(place >= first for place in notes.written):
                notes.differs()
            if self.cell is not None:
                self._protect(found)
            elif machine.letting is not None:
                self._let_go()
            self._keep()
        except EndlessInstant as loop:
            raise Endless(self._named(loop.loop), tuple(dict.fromkeys(fired))) from None
        names = stepper.event_names
        self._happened = {names[number] for number in found}
        before = config if due is not None else machine.before(config, happens)
        broken, reset = self._judge(before, {clock - r for clock in due or () if clock >= r})
        for place in notes.written:
            if shift <= place < r:
                phases[place] = 0
        reset |= {place for place, phase in phases.items() if phase == 0}
        writes = self._writes(config, phases)
        # Equal parts are kept once: there are far fewer of them than effects.
        one = self._parts.setdefault
        parts = (writes, frozenset(reset), tuple(fired),
                 tuple(dict.fromkeys(names[number] for number in found)), broken, tuple(self.made))
        return Effect(*[one(part, part) for part in parts])  # type: ignore[arg-type]

    def _expired(
        self, config: Config, due: Sequence[int], chosen: Sequence[tuple[int, int]]
    ) -> tuple[dict[int, int], dict[int, int], int | None]:
        """What expires: the dwell groups of regions of the stepper; the marks that regions have
        then passed; and the group of the band, where that has one.
        """
        r, shift, note = self._r, self._shift, self.notes.note
        expiring: dict[int, int] = {}
        phases: dict[int, int] = {}
        expired = [(first, second) for first, second in chosen if second >= 0]
        for clock in due:
            if clock < r:
                note(clock)
                note(r + clock)
                mark = self.machine.parts[clock].marks[config[clock]][config[r + clock]]
                phases[clock] = config[r + clock] + 1
                self.notes.wrote[0] |= 1 << r + clock
                expired += [(clock, deadline) for deadline in mark.deadlines]
        band = None
        for region, deadline in expired:
            note(region)
            group = self.machine.parts[region].groups[config[region]][deadline]
            if region < shift:
                band = group
            else:
                expiring[region - shift] = group
        return expiring, phases, band

    def _place(self, config: Config, expiring: Mapping[int, int]) -> None:
        r, shift = self._r, self._shift
        first = self._first["conditions"]
        self._band = config[0] if shift else 0
        self.flags[:] = config[3 * r : first]
        machine = self.machine
        self.stepper.stand(
            config[shift:r], config[2 * r + shift : 3 * r],
            config[first : machine.kept_at], expiring,  # type: ignore[arg-type]
            {region - shift: config[place]
             for place, (region, goes) in enumerate(machine.keeping, machine.kept_at)
             if config[region] in goes})

    def _act(self, chosen: Sequence[tuple[int, int]]) -> list[str]:
        """Change the inputs, at one time ends before beginnings; the raw events of it."""
        machine = self.machine
        acts = [machine.acts[first] for first, second in chosen if second < 0]

        def begins(sets: tuple[tuple[str, bool | None], ...]) -> bool:
            if len(sets) != 1 or sets[0][1] is not None:
                return True  # not an input that is touched and let go
            return not self.flags[machine.flag_index[sets[0][0]]]

        if len(acts) > 1:
            acts.sort(key=lambda act: begins(act.sets))
        for act in acts:
            for flag, value in act.sets:
                place = machine.flag_index[flag]
                self.flags[place] = 1 - self.flags[place] if value is None else int(value)
                if self.cell is None and flag in machine.powering and self.flags[place] and (
                        not self._on()):
                    self.flags[machine.supply] = 1
        return [act.event for act in acts if act.event]

    def _move(self, group: int, phases: dict[int, int]) -> None:
        """The cell's charge goes to another band."""
        guard, to = self._moves[self._band][group]
        if guard is None or guard():
            self._band = to
            self.notes.written[0] = None
            self.notes.wrote[0] |= 1 | 1 << self._r
            phases[0] = 0

    def _on(self) -> bool:
        return self.machine.supply < 0 or bool(self.flags[self.machine.supply])

    def _switch(self, moved: Sequence[str] = ()) -> list[int]:
        """The supply has just come or gone: every region starts anew, or stands still. Of what has
        `moved` in that instant contacts are met before what is found at the pins.
        """
        self._seen = {}
        for place in range(len(self.machine.keeping)):
            self.notes.note(self.machine.kept_at + place)
        first = self._first["conditions"]
        for place in range(first, first + len(self.stepper.condition_values)):
            self.notes.written[place] = None
            self.notes.wrote[self.notes.round] |= 1 << place
        if not self._on():
            self.stepper.halt(0)
            return []
        flags = self._flag_at
        found = met_at_power_up(
            moved, lambda name: name in flags and bool(self.flags[flags[name]]),
            self.stepper.event_ids)
        return self.stepper.run_instant(0, found, power_up=True)

    def _let_go(self) -> None:
        """Where all has settled the firmware may let go of its supply, in the same instant.

        Where the machine is prompt it does.
        """
        machine, notes = self.machine, self.notes
        if not self._on() or not machine.may_go(self.stepper.states, self.flags):
            return
        notes.differs()
        notes.looking = False
        goes = machine.prompt
        if not goes:
            goes = self._choose()
            self.made.append((SUPPLY, goes))
        if goes:
            self.flags[machine.supply] = 0

    def _keep(self) -> None:
        """A region that has come to where it lets go of the supply keeps what it stood in before
        this instant, or had kept then.
        """
        machine, notes, before = self.machine, self.notes, self._config
        self._kept = {}
        for place, (region, goes) in enumerate(machine.keeping, machine.kept_at):
            if region not in notes.written:
                continue
            kept = -1
            if list.__getitem__(self.stepper.states, region - self._shift) in goes:
                notes.looking = False
                for read in (region, place):
                    notes.note(read)
                    notes.before |= 1 << read
                kept = before[place if before[region] in goes else region]
            notes.written[place] = None
            notes.wrote[notes.round] |= 1 << place
            self._kept[place] = kept

    def _protect(self, found: list[int]) -> None:
        """Let the protection open and close until it rests, as the loads of the moment have it."""
        self.notes.look(PROTECTION)
        for count in range(MOST_SWITCHES):
            may, switches = self._ask("")
            if self.machine.letting is not None and not self._on():
                may, switches = may or switches, False  # the firmware may have let go of it
            if switches or may:
                self.notes.differs()
            if may and not switches and count == 0:
                switches = self._choose()
                self.made.append((SUPPLY, switches))
            if not switches:
                if count:
                    self.notes.differs()
                return
            supply = self.machine.supply
            self.flags[supply] = 1 - self.flags[supply]
            found += self._switch()
        raise EndlessInstant(0, MOST_SWITCHES,
                             ("the protection opens", "the protection closes"))

    def _named(self, loop: Sequence[str]) -> tuple[str, ...]:
        """What chases what: the events that rows hear, the regions whose dwells expire."""
        named: dict[str, None] = {}
        for key in loop:
            region, row = self._rows.get(key, (key, None))
            named[region if row is None or row.on is None else row.on] = None
        return tuple(named)

    # -- judging ---------------------------------------------------------------------------------

    def _judge(self, before: Config, due: set[int]) -> tuple[tuple[int, ...], set[int]]:
        """Which monitors broke, and the clocks of those that begin to wait; their values are noted.

        The loads of the new state stand now: what was read during the instant may have changed.
        """
        self._free, self._seen = {}, {}
        self._values: list[int] = []
        broken: list[int] = []
        reset: set[int] = set()
        base, notes = len(before) - len(self._monitors), self.notes
        waits = not self.machine.forgiving or self._on()
        for j, (monitor, when, then, asked) in enumerate(self._monitors):
            value = after = 0
            told = not asked.isdisjoint(self._happened)
            notes.look(MONITORS)
            if told:  # of what two events make together, neither alone tells anything
                notes.looking = False
                notes.acted[MONITORS] |= 1 << len(before) + j
                notes.wrote[MONITORS] |= 1 << len(before) + j
            if monitor.kind == "never":
                if when():
                    broken.append(j)
            elif waits:
                notes.note(base + j)
                value = before[base + j]
                if monitor.kind == "stay":
                    after = self._stays(j, value, when(), j in due, broken)
                else:
                    assert then is not None
                    demanded, held = self._demanded(before, value, when, asked)
                    after = self._answered(j, monitor, demanded or bool(value & 1), then,
                                           j in due, broken) + 2 * held
            if after != value or broken:
                notes.differs()
                notes.wrote[MONITORS] |= 1 << base + j
            if after & 1 and not value & 1:
                reset.add(self._r + j)
            self._values.append(after)
        return tuple(broken), reset

    @staticmethod
    def _stays(j: int, value: int, holds: bool, late: bool, broken: list[int]) -> int:
        """0: it does not hold, 1: for not long enough yet, 2: for long enough."""
        if not holds:
            if value == 1 and not late:
                broken.append(j)
            return 0
        return 1 if value == 0 else 2 if late else value

    @staticmethod
    def _answered(
        j: int, monitor: Monitor, waits: bool, then: Callable[[], bool], late: bool,
        broken: list[int],
    ) -> int:
        """1: an answer is waited for."""
        if not waits or then():
            return 0
        if late or monitor.time_ns == 0:
            broken.append(j)
            return 0
        return 1

    def _demanded(
        self, before: Config, value: int, when: Callable[[], bool], asked: frozenset[str]
    ) -> tuple[bool, bool]:
        """Whether an answer is asked for, and whether what asks without an event holds."""
        if not asked:
            held = when()
            return held and not value & 2, held
        if asked.isdisjoint(self._happened):
            return False, False
        # Events are of this instant, the rest of the state settled before it.
        r, shift, stepper = self._r, self._shift, self.stepper
        now = (self._band, list(stepper.states), list(self.flags), list(stepper.condition_values),
               self._free, self._seen)
        written = dict(self.notes.written)
        self.notes.written.clear()
        first = self._first["conditions"]
        self._band = before[0] if shift else 0
        stepper.states[:] = before[shift:r]
        self.flags[:] = before[3 * r : first]
        stepper.condition_values[:] = before[  # type: ignore[assignment]
            first : self.machine.kept_at]
        self._free, self._seen = {}, {}
        acted, self.notes.acted[MONITORS] = self.notes.acted[MONITORS], 0
        demanded = when()
        self.notes.before |= self.notes.acted[MONITORS]
        self.notes.acted[MONITORS] |= acted
        self._band, stepper.states[:], self.flags[:], stepper.condition_values[:] = now[:4]
        self._free, self._seen = now[4:]
        self.notes.written.update(written)
        return demanded, False

    def _writes(self, config: Config, phases: dict[int, int]) -> tuple[tuple[int, int], ...]:
        """What changes in the combination, wherever it was not read before."""
        r = self._r
        after = list(config)
        after[self._shift : r] = self.stepper.states
        if self._shift:
            after[0] = self._band
        after[2 * r + self._shift : 3 * r] = [
            first if point < 0 else point
            for point, first in zip(self.stepper.memory, self._first_points, strict=True)]
        after[3 * r : 3 * r + len(self.flags)] = self.flags
        first = self._first["conditions"]
        base = len(config) - len(self._monitors)
        after[first : self.machine.kept_at] = self.stepper.condition_values
        for place, kept in self._kept.items():
            after[place] = kept
        after[base:] = self._values
        places = dict(self.notes.written)
        for region, phase in phases.items():
            after[r + region] = phase
            places[r + region] = None
        read = self.notes.path
        places |= dict.fromkeys(
            base + j for j, (monitor, *_) in enumerate(self._monitors) if monitor.kind != "never")
        return tuple(sorted((place, after[place]) for place in places
                            if place not in read or after[place] != config[place]))
