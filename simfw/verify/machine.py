"""One instant of a set of regions, learned for the search.

The search asks the same question many times: from this settled combination of states, with these
dwells due and these things done from outside at the same time, where does the instant come to
rest? A `Machine` answers it from a table. What is not in the table is run on the stepper, the one
that runs gadgets, and kept: under the answers to what the instant has read, in the order in which
it read it. Every other combination that gives the same answers is then looked up.

What the machine does not know (the echo of a hand, the voltage under load) is *free*: whenever an
instant reads it, the instant is run once for each answer it may give.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from typing import cast

from simfw.behaviour.region import Condition, Region
from simfw.behaviour.table import Stepper
from simfw.verify.bands import BAND, Reader
from simfw.verify.instants import Effect, Instants
from simfw.verify.notes import Covered, Notes, Question, Rounds
from simfw.verify.regions import lay_out
from simfw.verify.terms import SUPPLY, Act, Config, Endless, Mark, Monitor, Outcome, Span
from simfw.verify.touch import Touch, touch_of

__all__ = [
    "Act",
    "Config",
    "Endless",
    "Leaf",
    "Machine",
    "Mark",
    "Monitor",
    "Outcome",
    "Span",
]

_Key = tuple[tuple[int, ...], tuple[tuple[int, int], ...]]


class Leaf:
    """Where a table ends: what an instant may do, or the loop that it does not come out of, and
    what it reads and writes for that.
    """

    __slots__ = ("effects", "endless", "touch")

    def __init__(
        self, effects: tuple[Effect, ...], endless: Endless | None, touch: Touch
    ) -> None:
        self.effects = effects
        self.endless = endless
        self.touch = touch


class _Branch:
    """Where a table asks something of the combination; `place`: -1 where it is no place."""

    __slots__ = ("onward", "place", "question")

    def __init__(self, question: Question) -> None:
        self.question = question
        self.place = question if isinstance(question, int) else -1
        self.onward: dict[object, _Branch | Leaf] = {}


class Machine:
    """A set of regions with their conditions, inputs and monitors.

    `flags` are the inputs that `acts` change; every other flag is free. `spans` replaces the dwell
    of the rows with these keys. `values` gives each free quantity the values worth telling apart.
    `segments` is the number of LEDs of each segmented light. `cell` narrows what the cell may read.

    Where the input SUPPLY is among `flags`, it may go: every region then stands in its start state,
    dark and without time, until it comes back. With `forgiving` the monitors that wait for an
    answer, or for a stay to be long enough, wait no longer once it has gone. With `letting` it is
    the firmware that lets go of it, at the end of an instant in which one of these regions stands
    in a state that does (without any: of any instant), and all stand as they were left until it
    comes back. None of the inputs `powering` is on then; one that comes on brings the supply back
    in that instant. With `prompt` it goes at the end of the first instant in which it may. With
    `cell` it goes in an instant of its own instead, as if the protection
    opened, and comes back as any that has gone. Rows of the regions
    `outside` that may fire at any time count as something done from outside. The states of the
    regions `unknown` say nothing of what they drive.

    A contact that moves just as the supply comes back has moved before, as in a scenario; with
    `meeting` it is met within that instant, as where a bench gives the supply.
    """

    meeting = False

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
        unknown: Collection[str] = (),
        letting: Collection[str] | None = None,
        powering: Collection[str] = (),
        prompt: bool = False,
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
        self.conditions_at = 3 * len(self.regions) + len(self.flags)
        self.kept_at = self.conditions_at + len(self.conditions)
        self.band = self.region_index.get(BAND, -1)
        self.parts = [lay_out(region, self.spans) for region in self.regions]
        self.letting = letting
        self.prompt = prompt
        going = [(i, region, frozenset(n for n, name in enumerate(self.parts[i].states)
                                       if region.state(name).unpowered))
                 for i, region in enumerate(self.regions)]
        self._lets_go = [(i, goes) for i, region, goes in going if region.name in (letting or ())]
        # A region that keeps its state keeps none that lets go: there it has kept another.
        self.keeping = [(i, goes) for i, region, goes in going if region.kept == "state" and goes]
        self.powering = frozenset(powering) & set(self.flags)
        self._holding = [self.flag_index[name] for name in self.flags if name in self.powering]
        if cell is not None:
            cell.bind(self, frozenset(unknown))
        self._instants = Instants(self, cell)
        self.event_names = self._instants.stepper.event_names
        self._tables: dict[object, _Branch | Leaf] = {}  # by what an instant begins with
        self._touches: dict[tuple[object, ...], Touch] = {}
        self.executed = 0
        """How many instants were run on the stepper so far."""
        self._kept = 0
        self._timed = frozenset(
            [i for i, part in enumerate(self.parts) if any(part.marks)]
            + [len(self.parts) + j for j in range(len(self.monitors))])

    make_stepper: Callable[..., Stepper] = Stepper
    """What instants are run on."""
    make_queue: Callable[[Notes], Rounds] = Rounds
    """What holds the events of an instant."""

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
        goes = on and (self.letting is None or self.may_go(config, config[base:]))
        if self.cell is not None:
            turns = self.cell.window_of(
                config[:r], self.flag_values(config).get("usb", False), on).may_change
            # What the firmware has let go of may come back at any time.
            fixed = not turns and (self.letting is None or (on and not goes))
        else:
            fixed = on and not goes
        for number, act in enumerate(self.acts):
            if act.group == SUPPLY and (fixed or (not on and not act.sets)):
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

    def may_go(self, states: Sequence[int], flags: Sequence[int]) -> bool:
        """Whether the firmware may let go of a supply that is there, at the end of an instant."""
        return not any(flags[place] for place in self._holding) and (
            not self._lets_go or any(states[i] in found for i, found in self._lets_go))

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
            + [part.resume[0] if part.resume else -1 for part in parts]
            + [int(flag) for flag in flags]
            + [0] * len(self.conditions) + [parts[i].starts for i, _ in self.keeping]
            + [0] * len(self.monitors)
        )
        effects = self._run(config, None, (), happens)
        found = [self.outcome(effect.on(config), effect) for effect in effects]
        return list({(one.config, one.reset, one.broken): one for one in reversed(found)}.values()
                    )[::-1]

    def outcomes(
        self, config: Config, due: tuple[int, ...], chosen: tuple[tuple[int, int], ...]
    ) -> list[Outcome]:
        """All ends of the instant where the clocks in `due` are at their marks with `chosen`."""
        return [self.outcome(effect.on(config), effect)
                for effect in self.effects(config, due, chosen)]

    @staticmethod
    def outcome(after: Config, effect: Effect) -> Outcome:
        """The end of an instant at `after`, as `effect` has it."""
        return Outcome(after, effect.reset, effect.rows, effect.events, effect.broken,
                       effect.choices)

    def effects(
        self, config: Config, due: tuple[int, ...], chosen: tuple[tuple[int, int], ...]
    ) -> tuple[Effect, ...]:
        """What the instant may do where the clocks in `due` are at their marks with `chosen`.

        Raises `Endless` where it does not come to rest.
        """
        leaf = self.leaf(config, due, chosen)
        if leaf.endless is not None:
            raise Endless(leaf.endless.loop, leaf.endless.rows)
        return leaf.effects

    def leaf(
        self, config: Config, due: tuple[int, ...], chosen: tuple[tuple[int, int], ...]
    ) -> Leaf:
        """The same with what was read and written for it; an instant without end is in it."""
        found = self._tables.get((due, chosen))
        while found.__class__ is _Branch:
            place = found.place
            found = found.onward.get(
                config[place] if place >= 0
                else self.answer(found.question, config))  # type: ignore[arg-type]
        if found is None:
            return self._learn((due, chosen), config)
        return found  # type: ignore[return-value]

    def _learn(self, key: _Key, config: Config) -> Leaf:
        """Run an instant and keep what it does, under what it has read."""
        notes = self._instants.notes
        effects, endless = tuple[Effect, ...](), None
        try:
            effects = self._run(config, *key, ())
        except Endless as loop:
            endless = loop
        leaf = Leaf(effects, endless, self.one(touch_of(
            notes, restarts=any(not self._timed.isdisjoint(effect.reset) for effect in effects),
            endless=endless is not None)))
        self._kept += 500 + sum(400 + 150 * len(effect.writes) + 8 * len(effect.rows)
                                for effect in leaf.effects)
        onward, value = self._tables, cast("object", key)
        for question, answer in notes.path.items():
            # What is read next follows from what has been read so far.
            branch = onward.get(value)
            if branch is None:
                branch = onward[value] = _Branch(question)
                self._kept += 350
            assert isinstance(branch, _Branch)
            assert branch.question == question
            onward = branch.onward
            value = config[question] if isinstance(question, int) else answer
        onward[value] = leaf
        return leaf

    def one(self, touch: Touch) -> Touch:
        """Of equal ones always the same: there are few."""
        return self._touches.setdefault(touch.told, touch)

    def answer(self, question: tuple[str, tuple[tuple[int, int], ...]], config: Config) -> object:
        """What the cell may read of a quantity, or (may, must) the protection change, in the
        combination with other values at some places.
        """
        assert self.cell is not None
        what, changed = question
        if changed:
            now = list(config)
            for place, value in changed:
                now[place] = value
        else:
            now = config  # type: ignore[assignment]
        base = 3 * len(self.parts)
        usb = self.flag_index.get("usb", -1)
        window = self.cell.window_of(now, usb >= 0 and bool(now[base + usb]),
                                     bool(now[base + self.supply]))
        return window.values.get(what) if what else (window.may_change, window.must_change)

    def kept_bytes(self) -> int:
        """About how much memory is held by what was learned: counted, not measured."""
        return self._kept

    def _run(
        self,
        config: Config,
        due: tuple[int, ...] | None,
        chosen: tuple[tuple[int, int], ...],
        happens: Sequence[str],
    ) -> tuple[Effect, ...]:
        """The instant with every answer that what is free may give."""
        instants = self._instants
        instants.notes.clear()
        results: dict[tuple[object, ...], Effect] = {}
        script = instants.script = []
        while True:
            self.executed += 1
            try:
                effect = instants.run(config, due, chosen, happens)
                results.setdefault((effect.writes, effect.reset, effect.broken), effect)
            except Covered:
                pass
            while script and script[-1] == 1:
                script.pop()
            if not script:
                return tuple(results.values())
            script[-1] = 1

    def follows(self, name: str, free: Mapping[str, tuple[float, ...]]) -> bool | None:
        """What a free input says where that follows from what was `free` and has been answered in
        this instant; None where it may say either.
        """
        del name, free
        return None

    def before(self, config: Config, happens: Sequence[str]) -> Config:
        """What stood before a power-up: no USB, nothing at the status pin, no contact that moves.

        A contact that gives no edge was held already.
        """
        first = 3 * len(self.parts)
        inputs = []
        for name, value in zip(self.flags, config[first:], strict=False):
            head, _, what = name.rpartition(".")
            comes = f"{head}.edge" in happens if what == "closed" else name != SUPPLY
            inputs.append(0 if comes else value)
        return (*config[:first], *inputs, *config[first + len(inputs):])
