"""The rows of a gadget as flat tables for the hot loop, whatever the values of its parts."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping, Sequence

from simfw.behaviour.binding import gauge_levels
from simfw.behaviour.build import build_system
from simfw.behaviour.expression import (
    Compare,
    Expression,
    Flag,
    Inside,
    Quantity,
    leaves,
    parse_expression,
)
from simfw.behaviour.region import Region, Row, System
from simfw.behaviour.sequences import coarser
from simfw.circuit.circuit import ChargerMode, Circuit
from simfw.circuit.wake import wake_of
from simfw.engine.plant import levels_read
from simfw.errors import UsageError
from simfw.gadget.model import Gadget
from simfw.life import registers as k
from simfw.life.hold_up import HOLD_UP, with_hold_up
from simfw.stimuli.pattern import Pattern

__all__ = ["MODES", "ROWS_FROM", "Groups", "Layout", "dwell_groups", "homes_of", "rows_of"]

MODES: tuple[ChargerMode, ...] = ("off", "precharge", "fast", "complete", "fault")
_MOST = 60  # regions, habits that wait for their when: their sets are bits of one number
ROWS_FROM = ("buttons", "chords", "toggles", "proximity", "measures", "gauge", "sequences",
             "behaviour", "controller.hold_up")
"""What rows, and their times, are made from: beginnings of keys of the gadget file."""

_MOST_STEPS = 16
_ROUND_NS = 60 * 10**9  # what comes round within this time counts by its longest state

Groups = tuple[tuple[tuple[int, tuple[int, ...]], ...], ...]


def rows_of(gadget: Gadget) -> System:
    """The rows of a gadget as a study goes through them: in the lines of its sequences fewer steps.

    Each is a combination that has to be learned with all that may happen then; the current of a
    light is nearly straight in its duty, so that the mean of a few levels is that of many. A
    `hold_up` that something waits for is a region of its own.
    """
    return with_hold_up(coarser(build_system(gadget), _MOST_STEPS))


def dwell_groups(region: Region, first_row: int) -> Groups:
    """For each state its dwells in order: (time in ns, numbers of the rows with that dwell)."""
    found = []
    for state in region.states:
        by_time: dict[int, list[int]] = {}
        for number, row in enumerate(region.rows, start=first_row):
            if row.after_ns is not None and state.name in row.sources:
                by_time.setdefault(row.after_ns, []).append(number)
        found.append(tuple((after, tuple(rows)) for after, rows in sorted(by_time.items())))
    return tuple(found)


def _homes(
    groups: Groups, rows: Sequence[Row], ids: Mapping[str, int]
) -> tuple[int, ...]:
    """For each state that its dwells may lead back to before long: the longest state on the way,
    for all others the state itself.
    """
    leads = [
        [ids[rows[number].to] for _, numbers in state[:1] for number in numbers
         if rows[number].to in ids]
        for state in groups
    ]
    return homes_of(leads, [state[0][0] if state else 0 for state in groups])


def homes_of(leads: Sequence[Sequence[int]], stays: Sequence[int]) -> tuple[int, ...]:
    """`_homes` of states that lead to `leads` by their first dwell, after `stays` (ns)."""
    rounds = _rounds(leads)
    whole: dict[int, int] = {}
    for state, number in enumerate(rounds):
        whole[number] = whole.get(number, 0) + stays[state]

    def around(state: int) -> list[int]:
        """The others, and the state itself, that it leads to and that lead back to it."""
        found: dict[int, None] = {}
        ahead = deque(leads[state])
        while ahead:
            here = ahead.popleft()
            if here not in found and rounds[here] == rounds[state]:
                found[here] = None
                ahead.extend(leads[here])
        return list(found)

    return tuple(
        max([state, *around(state)], key=lambda other: stays[other])
        if whole[rounds[state]] <= _ROUND_NS else state
        for state in range(len(leads))
    )


def _rounds(leads: Sequence[Sequence[int]]) -> list[int]:
    """A number for each state, the same for those that lead to each other (S. R. Kosaraju's way,
    from memory): work in proportion to states and ways.
    """
    back: list[list[int]] = [[] for _ in leads]
    for state, ways in enumerate(leads):
        for other in ways:
            back[other].append(state)
    left: list[int] = []  # the states in the order in which all that they lead to was seen
    seen: set[int] = set()
    for start in range(len(leads)):
        path = [] if start in seen else [(start, iter(leads[start]))]
        seen.add(start)
        while path:
            here, ahead = path[-1]
            fresh = next((one for one in ahead if one not in seen), None)
            if fresh is None:
                left.append(here)
                path.pop()
            else:
                seen.add(fresh)
                path.append((fresh, iter(leads[fresh])))
    rounds = [-1] * len(leads)
    for start in reversed(left):
        behind = [start] if rounds[start] < 0 else []
        while behind:
            here = behind.pop()
            rounds[here] = start
            behind += [one for one in back[here] if rounds[one] < 0]
    return rounds


class Layout:
    """A gadget's rows and a pattern's conditions, numbered.

    `warmths_c` are the temperatures that occur. `row_list` holds the rows by number, `groups` the
    dwells of each region. `wakes_always`: any instant that finds the controller asleep wakes it.
    `size` tells how many there are of what (see `registers.REGIONS`). `system` stands in for the
    one that the gadget's own file makes.
    """

    def __init__(
        self,
        pattern: Pattern,
        gadget: Gadget,
        warmths_c: Sequence[float],
        system: System | None = None,
    ) -> None:
        self.gadget = gadget
        self.wakes_always = wake_of(gadget.controller).every_instant
        self.warmths_c = tuple(warmths_c)
        system = self.system = rows_of(gadget) if system is None else system
        self.regions = system.every
        self.region_id = {region.name: n for n, region in enumerate(self.regions)}
        self.hold_up = self.region_id.get(HOLD_UP)
        self.state_id = [{s.name: n for n, s in enumerate(r.states)} for r in self.regions]
        waiting = sum(h.when is not None and h.each is None for h in pattern.habits)
        for many, whose, what in (
            (len(self.regions) - (self.hold_up is not None), "gadget",
             "regions (a button has two)"),
            (waiting, "pattern", "habits that begin by their when alone"),
        ):
            if many > _MOST:
                raise UsageError(f"The {whose} has {many} {what}. Allowed over a pattern: "
                                 f"{_MOST} at most.")
        self.offset = [0]
        for region in self.regions:
            self.offset.append(self.offset[-1] + len(region.states))
        # Flat states of written and stock regions. How many the clocks have, behind them, hangs on
        # the times of their sequences: it may be another number for other parts.
        self.before_clocks = self.offset[len(system.regions)]
        # Those that the firmware reads first, then those that cut its supply off.
        self.in_supply = tuple(n for n, one in gadget.toggles.items() if one.in_supply)
        self.contacts = {**system.contacts, **dict.fromkeys(self.in_supply, True)}
        self.buttons = tuple(self.contacts)
        self.sensors = tuple(gadget.proximity)
        self.measures = tuple(system.measures)
        self.levels_of = tuple(system.measures.values())
        codes = [levels.codes for levels in self.levels_of]
        self.code_start = [sum(codes[:n]) for n in range(len(codes) + 1)]
        self.powering = system.powered_by
        self.outputs = (*gadget.lights, *gadget.loads)
        self.row_list: list[Row] = []
        self.groups: list[Groups] = []
        for region in self.regions:
            self.groups.append(dwell_groups(region, len(self.row_list)))
            self.row_list += region.rows
        self.habit_conditions: dict[int, Expression] = {}
        for n, habit in enumerate(pattern.habits):
            if habit.when is not None:
                self.habit_conditions[n] = parse_expression(
                    habit.when, system.names, events_allowed=True, key=f"habits[{n}].when"
                )
        self.started = [n for n in self.habit_conditions if pattern.habits[n].each is None]
        self.watched = [condition.when for condition in system.conditions]
        self.watched += [self.habit_conditions[n] for n in self.started]
        self.gates = [(n, r.show) for n, r in enumerate(self.regions) if r.show is not None]
        every = [row.when for row in self.row_list if row.when is not None]
        every += [condition.when for condition in system.conditions]
        every += self.habit_conditions.values()
        self.levels = [
            (name, value)
            for name in ("cell.voltage", "gauge.measured")
            for value in sorted(levels_read(every, name))
        ]
        self.charge_levels = sorted(levels_read(every, "cell.charge"))
        self.count_levels = sorted(levels_read(every, "gauge.counted"))
        for _, show in self.gates:
            self._check_gate(show)
        self.charger = Circuit(gadget).charger
        self.signature = self._signature()
        self.homes = [_homes(groups, self.row_list, ids)
                      for groups, ids in zip(self.groups, self.state_id, strict=True)]
        self.gauge_bars = gauge_levels(system)
        self.bars = self._bars()
        self.group_start = self._group_starts()
        self.starts = [self.state_id[n][r.starts] for n, r in enumerate(self.regions)]
        self.tracked = [n for n, r in enumerate(system.regions)
                        if r.group == "behaviour" or r.name == "gauge"]
        self.keeping = [n for n, r in enumerate(self.regions) if r.kept is not None]
        # Of these, where what is kept may be another state than that which stands.
        self.outlasted = [n for n in self.keeping
                          if self.regions[n].kept == "state" and self.regions[n].lets_go]
        turned_on = [condition.rises for condition in system.conditions]
        self.enabled = [turned_on.index(f"{name}.enable") for name in self.sensors]
        self.size = self._sizes(len(pattern.habits))

    def _check_gate(self, show: Expression) -> None:
        for leaf in leaves(show):
            sides = (leaf.left, leaf.right) if isinstance(leaf, Compare) else ()
            if any(isinstance(s, Quantity) and s.name != "gauge" for s in sides) or (
                isinstance(leaf, Flag) and leaf.name.endswith(".echo")
            ):
                raise UsageError(
                    "gauge.show reads a voltage, a level or an echo; over a pattern it may read "
                    "states, bars and inputs only."
                )

    def serves(self, other: Layout) -> bool:
        """Whether its tables serve the layout of another gadget under the same pattern.

        They do where the shape is the same and so is what the lights and the charger's status pin
        tell the firmware: figures of the circuit may differ, and times.
        """
        return self.same_shape(other) and self._told() == other._told()

    def _told(self) -> tuple[object, ...]:
        gadget, charger = self.gadget, self.charger
        lights = tuple((name, one.leds, one.segments) for name, one in gadget.lights.items())
        read = [] if charger is None else [
            (charger.reads_low(mode, usb), charger.reads_high(mode, usb))
            for mode in MODES for usb in (False, True)
        ]
        names = (tuple(gadget.loads), self.sensors, tuple(self.contacts), self.in_supply)
        return lights, names, read, self.warmths_c

    def same_shape(self, other: Layout) -> bool:
        """Whether the tables of `other` serve this layout too: only times differ."""
        return self.signature == other.signature

    def _signature(self) -> tuple[object, ...]:
        shape = tuple(
            tuple(tuple((after == 0, rows) for after, rows in state) for state in region)
            for region in self.groups
        )
        guards = tuple((row.sources, row.to, row.on, row.emit, row.when) for row in self.row_list)
        driven = tuple(
            (tuple(state.outputs.items()), tuple(state.takes_out.items()),
             tuple(state.scales.items()), tuple(state.dial_scales.items()), state.position,
             state.awake, state.unpowered)
            for region in self.regions for state in region.states
        )
        kept = tuple(region.kept for region in self.regions)
        conditions = tuple(condition.when for condition in self.system.conditions)
        charger = self.charger
        supply = (
            self.gadget.cell.restart is None,
            charger is not None
            and [charger.suspended(warmth_c) for warmth_c in self.warmths_c],
            self.gadget.power_path, self.powering,
        )
        gates = tuple(show for _, show in self.gates)
        return shape, guards, driven, kept, conditions, gates, supply

    def group_times(self, system: System) -> list[int]:
        """The dwell times (ns) of the same rows in another system of the same shape."""
        times: list[int] = []
        first = 0
        for region in system.every:
            for state in dwell_groups(region, first):
                times += [after for after, _ in state]
            first += len(region.rows)
        return times

    def _bars(self) -> list[int]:
        """Bars of the gauge, per flat state."""
        found = [0] * self.offset[-1]
        if self.gauge_bars is not None:
            first = self.offset[self.region_id["gauge"]]
            found[first : first + len(self.gauge_bars)] = self.gauge_bars
        return found

    def _group_starts(self) -> list[int]:
        """Per flat state (and one more): the number of its first dwell group."""
        found = [0]
        for groups in self.groups:
            for state in groups:
                found.append(found[-1] + len(state))
        return found

    def _sizes(self, habits: int) -> list[int]:
        """How many there are of what, and where the codes begin; see `registers.REGIONS`."""
        size = [0] * k.SIZES
        regions, buttons = len(self.regions), len(self.buttons)
        size[k.REGIONS], size[k.SENSORS] = regions, len(self.sensors)
        size[k.LEVELS], size[k.CHARGE_LEVELS] = len(self.levels), len(self.charge_levels)
        size[k.COUNTS] = len(self.count_levels)
        size[k.STARTED], size[k.TRACKED] = len(self.started), len(self.tracked)
        size[k.KEEPING] = len(self.keeping)
        size[k.FORCE] = k.EXPIRE + 2 * regions
        size[k.GATE] = size[k.FORCE] + k.MARKS
        size[k.TOUCH] = size[k.GATE] + habits
        size[k.SUPPLY] = size[k.TOUCH] + 2 * buttons
        size[k.WARM] = size[k.SUPPLY] + 2
        size[k.MEASURED] = size[k.WARM] + len(self.warmths_c)
        size[k.CODES] = size[k.MEASURED] + self.code_start[-1]
        return size

    def spread(self, expression: Expression) -> Iterable[int]:
        """The regions whose states an expression reads."""
        for leaf in leaves(expression):
            if isinstance(leaf, Inside):
                yield self.region_id[leaf.region]
            elif isinstance(leaf, Compare) and any(
                isinstance(side, Quantity) and side.name == "gauge"
                for side in (leaf.left, leaf.right)
            ):
                yield self.region_id["gauge"]
