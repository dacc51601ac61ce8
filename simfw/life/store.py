"""What has been met so far, whatever the parts: combinations, load sets, what rests, mixes."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from simfw.behaviour.expression import Constant
from simfw.behaviour.outputs import drives_of, is_awake
from simfw.behaviour.region import State, System
from simfw.behaviour.tree import View
from simfw.circuit.circuit import Circuit, LoadSet
from simfw.engine.shares import are_joint, meetings, terms
from simfw.errors import UsageError
from simfw.life import registers as k
from simfw.life.columns import Column, Hashed, flat
from simfw.life.grid import grid_of, more_nodes
from simfw.life.layout import MODES, Layout
from simfw.life.learning import Answer, Asked, Comb, Learner, Question, Step
from simfw.life.registers import Tables
from simfw.life.resting import Lap, Laps, Moment, Truths, laps_of, majority

__all__ = ["Mix", "Store"]

Array = NDArray[np.float64]


def _alike(states: Sequence[State]) -> list[int]:
    """For each state of a region one that drives and does the same; many differ in name only."""
    first: dict[str, int] = {}
    return [first.setdefault(repr(replace(state, name="")), number)
            for number, state in enumerate(states)]


Places = tuple[tuple[int, int], ...]
"""Laps, and a place in each."""


@dataclass(frozen=True, slots=True)
class Mix:
    """What is charged while regions rest.

    `shares` holds (how many times, load set, laps with a place in each): its share of time is
    that many times the product of the shares of those places. What wakes the controller is
    counted apart, see `waking`. Where combinations are too many (see `engine.shares`), what
    each lap adds is added up: the first load set is then that with all of them where they are
    for longest, the last two those with all at their least and at their largest, and `meetings`
    holds (load set with both, with the one, with the other, the places) for each two places
    that may meet.
    """

    shares: tuple[tuple[int, int, Places], ...]
    meetings: tuple[tuple[int, int, int, Places], ...] = ()


class _Gated(View):
    """The view that `drives_of` reads: gates are constants, so nothing is asked."""

    def state(self, region: str) -> str:
        """Never asked."""
        raise AssertionError(region)

    def flag(self, name: str) -> bool:
        """Never asked."""
        raise AssertionError(name)

    def quantity(self, name: str) -> float:
        """Never asked."""
        raise AssertionError(name)

    def happened(self, event: str) -> bool:
        """Never asked."""
        raise AssertionError(event)


class Store:
    """The tables that all parts of one shape share; they only grow.

    `fast`: kept in arrays, for the compiled loop. `grid`: the charges between which everything is
    linear, but for those that each set of parts has of its own (`bent`). `combs` holds the
    combinations met so far, by number; a user begins with number 0.
    """

    def __init__(self, layout: Layout, fast: bool) -> None:
        self.layout = layout
        self.fast = fast
        self._circuit = circuit = Circuit(layout.gadget)
        self.grid = grid_of(circuit.charge_nodes)
        # What rows were made from last, and the times of their dwells (ns).
        self.latest_rows: tuple[list[object], list[int]] | None = None
        self.loads: list[LoadSet] = []
        self.loads_id: dict[LoadSet, int] = {}
        self.mixes: list[Mix] = []
        self.mix_id: dict[Mix, int] = {}
        self.laps: list[tuple[int, Lap]] = []  # region and its lap
        self.lap_id: dict[tuple[int, Lap], int] = {}
        self.lap_places: list[tuple[int, int]] = []  # first place, end
        self.lap_kinds: dict[tuple[int, tuple[int, ...]], int] = {}
        self.combs: list[Comb] = []
        self.comb_id: dict[Comb, int] = {}
        self.outs: dict[Step, int] = {}
        self._levels: list[tuple[float, ...]] = []
        self._phases: dict[tuple[object, ...], int] = {}
        self._drawn: dict[tuple[object, ...], int] = {}
        self._alike = [_alike(region.states) for region in layout.regions]
        self._systems: dict[tuple[bool, ...], System] = {}
        self._joints: list[Laps] = []
        self._resting: dict[tuple[Moment, bool, object], list[tuple[Asked, int]]] = {}
        self._answer: Answer = bool
        self._asked: dict[Question, bool] = {}
        # As registers.STEP and those that follow.
        hashed = ("step", "rest", "place", "phase", "bare")
        self._hashed = {name: Hashed(fast) for name in hashed}
        columns = set(Tables._fields) - {f"{name}_{end}" for name in hashed
                                         for end in ("key", "value")} - {"last"}
        self._columns = {name: Column(fast) for name in columns}
        size = list(layout.size)
        size[k.NODES] = len(self.grid) + more_nodes(circuit)
        self._columns["size"].extend(size)
        self._columns["offset"].extend(layout.offset)
        self._columns["tracked"].extend(layout.tracked)
        for name in ("out_start", "info_start", "lap_start"):
            self._columns[name].append(0)
        self.learner = Learner(layout, self.loads_of, self._level_of)
        self.comb(self.learner.start())

    def serves(self, layout: Layout) -> bool:
        """Whether it can hold what gadgets of a layout meet."""
        return self.layout.serves(layout) and np.array_equal(
            self.grid, grid_of(Circuit(layout.gadget).charge_nodes)
        )

    def tables(self) -> Tables:
        """The tables as they stand."""
        values = {name: column.data for name, column in self._columns.items()}
        for name, hashed in self._hashed.items():
            values[f"{name}_key"], values[f"{name}_value"] = hashed.keys, hashed.values
        values["last"] = flat([len(one.keys) - 1 for one in self._hashed.values()], self.fast)
        return Tables(**values)

    # -- combinations and what comes of them -----------------------------------------------------

    def comb(self, comb: Comb) -> int:
        """The number of a combination."""
        number = self.comb_id.get(comb)
        if number is not None:
            return number
        layout, columns = self.layout, self._columns
        number = self.comb_id[comb] = len(self.combs)
        self.combs.append(comb)
        flat_region = layout.region_id.get("cell")
        is_flat = flat_region is not None and (
            layout.regions[flat_region].states[comb.states[flat_region]].name == "flat"
        )
        columns["comb_state"].extend(comb.states)
        columns["comb_loads"].append(self.loads_of(self.learner.moment(comb), comb.states))
        columns["comb_bits"].append(
            (0 if comb.dead else k.ALIVE) | (k.USB if comb.usb else 0)
            | (k.REFUSING if is_flat else 0)
            | (k.CUT if comb.cut or (comb.released and not comb.protected) else 0)
        )
        columns["comb_enabled"].append(
            sum(1 << n for n, at in enumerate(layout.enabled) if comb.conditions[at])
        )
        return number

    def add_step(self, number: int, code: int, answer: Answer) -> None:
        """A combination has met something, with these answers, for the first time."""
        step = self.learner.step(self.combs[number], code, answer)
        key = number * self.layout.size[k.CODES] + code
        self._grow("step", key, step.asked, -2 - self._out(step))

    def _grow(
        self, table: str, key: int, asked: Sequence[tuple[Question, bool]], leaf: int
    ) -> None:
        """Let a key lead over these questions and answers to a leaf."""
        columns = self._columns
        node = self._hashed[table].known.get(key, -1)
        path: tuple[str, int] | None = None
        for (kind, loads, what), outcome in asked:
            if node < 0:
                node = len(columns["ask_kind"])
                columns["ask_kind"].append(kind)
                columns["ask_loads"].append(loads)
                columns["ask_what"].append(what)
                columns["ask_no"].append(-1)
                columns["ask_yes"].append(-1)
                self._lead(table, key, path, node)
            path = ("ask_yes" if outcome else "ask_no", node)
            node = int(columns[path[0]].data[node])
        self._lead(table, key, path, leaf)

    def _lead(self, table: str, key: int, path: tuple[str, int] | None, to: int) -> None:
        """Let an answer (at first: the key) lead to a question or a leaf."""
        if path is None:
            self._hashed[table].put(key, to)
        else:
            self._columns[path[0]].put(path[1], to)

    def _out(self, step: Step) -> int:
        step = replace(step, asked=())
        number = self.outs.get(step)
        if number is None:
            number = self.outs[step] = len(self.outs)
            columns = self._columns
            columns["out_comb"].append(self.comb(step.comb))
            columns["out_bits"].append(step.bits)
            columns["out_opened"].append(step.opened)
            columns["out_waves"].append(step.waves)
            columns["out_writes"].append(step.writes)
            columns["out_habits"].append(step.habits)
            for region, entered, group in step.sets:
                columns["set_region"].append(region)
                columns["set_entered"].append(entered)
                columns["set_group"].append(group)
            columns["out_start"].append(len(columns["set_region"]))
        return number

    # -- load sets -------------------------------------------------------------------------------

    def loads_of(self, moment: Moment, states: tuple[int, ...]) -> int:
        """The number of the load set of a combination of states at a moment."""
        layout = self.layout
        key: tuple[object, ...] = (moment.mode, moment.warmth, moment.protected, moment.dead)
        if not moment.dead:
            key = (*key, states, moment.flags if layout.gates else ())
        found = self._phases.get(key)
        if found is None:
            gates: tuple[bool, ...] = ()
            if not moment.dead and layout.gates:
                truths = Truths(layout, moment, self.level, self._below)
                gates = tuple(truths.holds(show, states) for _, show in layout.gates)
            drawn = (*key[:4], gates, () if moment.dead else tuple(
                alike[state] for alike, state in zip(self._alike, states, strict=True)))
            found = self._drawn.get(drawn)
            if found is None:
                found = self._drawn[drawn] = self._add_loads(self._load_set(moment, states, gates))
            self._phases[key] = found
        return found

    def _load_set(
        self, moment: Moment, states: tuple[int, ...], gates: tuple[bool, ...]
    ) -> LoadSet:
        layout = self.layout
        mode, warmth = MODES[moment.mode], layout.warmths_c[moment.warmth]
        if moment.dead:
            return LoadSet(controller="off", charger=mode, protected=moment.protected,
                           temperature_c=warmth)
        system = self._systems.get(gates)
        if system is None:
            shown = {number: gate for (number, _), gate in zip(layout.gates, gates, strict=True)}
            system = self._systems[gates] = replace(
                layout.system,
                regions=tuple(
                    replace(region, show=Constant(shown[n])) if n in shown else region
                    for n, region in enumerate(layout.system.regions)
                ),
            )
        names = {
            region.name: region.states[state].name
            for region, state in zip(layout.regions, states, strict=True)
        }
        drives = drives_of(system, names, _Gated())
        return LoadSet(
            drives=tuple(
                sorted(
                    (name, drive.duty, -1 if drive.segments is None else drive.segments)
                    for name, drive in drives.items()
                )
            ),
            controller="awake" if is_awake(system, names) else "asleep",
            charger=mode,
            protected=moment.protected,
            temperature_c=warmth,
        )

    def _add_loads(self, loads: LoadSet) -> int:
        if loads not in self.loads_id:
            self.loads_id[loads] = len(self.loads)
            self.loads.append(loads)
            driven = {name: (duty, segments) for name, duty, segments in loads.drives}
            levels: list[float] = []
            for name in self.layout.outputs:
                duty, segments = driven.get(name, (0.0, -1))
                light = self.layout.gadget.lights.get(name)
                levels.append(
                    segments / light.leds if light is not None and light.segments and segments >= 0
                    else duty
                )
            self._levels.append(tuple(levels))
        return self.loads_id[loads]

    def level(self, moment: Moment, states: tuple[int, ...], output: int) -> float:
        """The level of an output in a combination of states."""
        return self._level_of(self.loads_of(moment, states), output)

    def _level_of(self, loads: int, output: int) -> float:
        return self._levels[loads][output]

    # -- what rests ------------------------------------------------------------------------------

    def _below(self, moment: Moment, states: tuple[int, ...], name: str, level: float) -> bool:
        """What resting asks of the cell; noted."""
        layout = self.layout
        if name == "cell.charge":
            question = (k.ASK_CHARGE, 0, layout.charge_levels.index(level))
        elif name == "gauge.counted":
            question = (k.ASK_COUNT, 0, layout.count_levels.index(level))
        else:
            question = (k.ASK_LEVEL, self.loads_of(moment, states),
                        layout.levels.index((name, level)))
        if question not in self._asked:
            self._asked[question] = self._answer(question)
        return self._asked[question]

    def add_rest(self, around: int, answer: Answer) -> None:
        """A combination (with its echoes) has come to rest with these answers for the first time.

        What rests depends on the answers, and so does until when: they are those of all guards that
        are read again and again, and of all conditions.
        """
        self._add_resting("rest", around, around, {}, answer)

    def add_phase(self, around: int, info: int, joint: int, answer: Answer) -> None:
        """What rests stands elsewhere than where it is for longest when one reads the cell next.

        Raises UsageError where the combinations are too many to be numbered.
        """
        standing = {}
        left = joint
        for r, lap in self._joints[info].items():
            left, place = divmod(left, len(lap.states))
            standing[r] = lap.states[place]
        key = (around << k.INFOS | info) << k.PLACES | joint
        if key >= k.NEVER:
            raise UsageError("Too many combinations to be simulated over a pattern.")
        self._add_resting("phase", key, around, standing, answer)

    def add_bare(self, around: int, answer: Answer) -> None:
        """A combination (with its echoes) is gone through state by state, nothing resting."""
        states = self.combs[around >> len(self.layout.sensors)].states
        self._add_resting("bare", around, around, dict(enumerate(states)), answer)

    def _add_resting(
        self, table: str, key: int, around: int, standing: dict[int, int], answer: Answer
    ) -> None:
        count = len(self.layout.sensors)
        echoes = tuple(bool(around >> n & 1) for n in range(count))
        moment = self.learner.moment(self.combs[around >> count], echoes)
        bare = table == "bare"
        known = self._resting.setdefault((moment, bare, tuple(standing.items())), [])
        found = next((one for one in known if all(answer(q) == said for q, said in one[0])), None)
        if found is None:
            self._answer, self._asked = answer, {}
            info = self._rest(moment, standing, bare=bare)
            found = tuple(self._asked.items()), info
            known.append(found)
        self._grow(table, key, found[0], -2 - found[1])

    def _rest(self, moment: Moment, standing: dict[int, int], *, bare: bool) -> int:
        """What rests at a moment, nothing where it is `bare`: the number of the info."""
        layout, columns = self.layout, self._columns
        truths = Truths(layout, moment, self.level, self._below, standing)
        laps = {} if bare else laps_of(truths)
        readers = [r for r in sorted(truths.readers) if r >= 0]
        truths.but = -1
        states = majority(layout, moment.states, laps)
        if not moment.dead:
            for condition in layout.watched:
                truths.holds(condition, states)
        mix = self._mix(moment, laps)
        if mix not in self.mix_id:
            self.mix_id[mix] = len(self.mixes)
            self.mixes.append(mix)
        info = len(columns["info_mix"])
        columns["info_mix"].append(self.mix_id[mix])
        columns["info_loads"].append(self.loads_of(moment, states))
        columns["info_resting"].append(sum(1 << r for r in laps))
        columns["info_wakes"].append(self._wakers(moment, laps))
        stride = 1
        for r, lap in laps.items():
            columns["rest_region"].append(r)
            columns["rest_lap"].append(self._lap(r, lap))
            columns["rest_stride"].append(stride)
            stride *= len(lap.states)
        if stride >= 1 << k.PLACES or info >= 1 << k.INFOS:
            raise UsageError("Too much repeats at once to be simulated over a pattern.")
        alone = len(readers) == 1 and any(r != readers[0] for r in laps)
        columns["info_reader"].append(readers[0] if alone else -1)
        columns["info_start"].append(len(columns["rest_region"]))
        self._joints.append(laps)
        return info

    def add_place(self, number: int, info: int, joint: int) -> None:
        """What rests has been interrupted at a joint place for the first time."""
        comb = self.combs[number]
        states, waiting = list(comb.states), list(comb.waiting)
        left = joint
        for r, lap in self._joints[info].items():
            left, place = divmod(left, len(lap.states))
            states[r] = lap.states[place]
            waiting[r] = 0
        moved = replace(comb, states=tuple(states), waiting=tuple(waiting))
        key = (number << k.INFOS | info) << k.PLACES | joint
        self._hashed["place"].put(key, self.comb(moved))

    def _lap(self, region: int, lap: Lap) -> int:
        key = (region, lap)
        if key not in self.lap_id:
            layout = self.layout
            self.lap_id[key] = len(self.laps)
            self.laps.append(key)
            groups = self._columns["lap_group"]
            first = len(groups)
            groups.extend(layout.group_start[layout.offset[region] + n] for n in lap.states)
            self._columns["lap_start"].append(len(groups))
            self._columns["lap_open"].append(int(not lap.closed))
            home = layout.homes[region][lap.states[0]]
            at_home = lap.states.index(home) if home in lap.states else 0
            self._columns["lap_home"].append(at_home)
            awake = [int(layout.regions[region].states[n].awake) for n in lap.states]
            wakes = [1] * len(awake) if layout.wakes_always else awake
            self._columns["lap_wakes"].append(int(any(wakes)))
            self._columns["place_awake"].extend(awake)
            self._columns["place_wakes"].extend(wakes)
            turned = (*lap.states[at_home:], *lap.states[:at_home], -1, int(lap.closed))
            kind = self.lap_kinds.setdefault((region, turned), len(self.lap_kinds))
            self._columns["lap_kind"].append(kind)
            self.lap_places.append((first, len(groups)))
        return self.lap_id[key]

    def lap_groups(self, lap: int) -> list[int]:
        """The dwell groups of the places of a lap."""
        first, end = self.lap_places[lap]
        return [int(group) for group in self._columns["lap_group"].data[first:end]]

    def _mix(self, moment: Moment, laps: Laps) -> Mix:
        groups, numbers = self.layout.groups, list(laps)
        # A state that lasts no time has no share.
        parts = [[(state, n) for n, state in enumerate(lap.states) if groups[r][state][0][0] > 0]
                 for r, lap in laps.items()]
        joint = are_joint(parts)
        likely = moment.states if joint else majority(self.layout, moment.states, laps)

        def loads(chosen: Mapping[int, tuple[int, int]]) -> int:
            states = list(likely)
            for part, (state, _) in chosen.items():
                states[numbers[part]] = state
            return self.loads_of(moment, tuple(states))

        def place(part: int, n: int) -> tuple[int, int]:
            region = numbers[part]
            return self._lap(region, laps[region]), n

        shares = tuple(
            (times, loads(chosen), tuple(place(part, n) for part, (_, n) in chosen.items()))
            for times, chosen in terms(parts)
        )
        if joint:
            return Mix(shares)
        met = tuple(
            (loads({i: one, j: other}), loads({i: one}), loads({j: other}),
             (place(i, one[1]), place(j, other[1])))
            for i, one, j, other in meetings(parts, [
                next(found for found in places if found[0] == likely[r])
                for r, places in zip(numbers, parts, strict=True)])
        )
        # All at their least and at their largest have no share that counts; they bound the others.
        ends = self._ends(parts, loads)
        return Mix((*shares, *((0, end, ()) for end in ends)), met)

    def _ends(
        self, parts: Sequence[Sequence[tuple[int, int]]],
        loads: Callable[[Mapping[int, tuple[int, int]]], int],
    ) -> tuple[int, int]:
        """The load sets with each part where it draws least, and most: with nominal figures on a
        half full cell (which of two draws more hardly depends on that).
        """
        alone = [{one: self.loads[loads({n: one})] for one in places}
                 for n, places in enumerate(parts)]
        drawn = iter(self._circuit.totals(
            [found for part in alone for found in part.values()], [0.5]).consumed_a[:, 0].tolist())
        amps = [{one: next(drawn) for one in part} for part in alone]
        return (loads({n: min(part, key=part.__getitem__) for n, part in enumerate(amps)}),
                loads({n: max(part, key=part.__getitem__) for n, part in enumerate(amps)}))

    def _wakers(self, moment: Moment, laps: Laps) -> int:
        """How many of what rests wake the controller at times, 0 where another keeps it awake."""
        regions = self.layout.regions
        if any(regions[r].states[state].awake
               for r, state in enumerate(moment.states) if r not in laps):
            return 0
        if self.layout.wakes_always:
            return len(laps)
        return sum(any(regions[r].states[state].awake for state in lap.states)
                   for r, lap in laps.items())

