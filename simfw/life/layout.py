"""The rows of a gadget as flat tables for the hot loop, whatever the values of its parts."""

from __future__ import annotations

import math
import random
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from simfw.behaviour.build import build_system
from simfw.behaviour.expression import (
    All,
    Any,
    Compare,
    Constant,
    Expression,
    Flag,
    Happened,
    Inside,
    Not,
    Number,
    Quantity,
    leaves,
    parse_expression,
)
from simfw.behaviour.region import Region, Row, System
from simfw.behaviour.table import gauge_levels
from simfw.circuit.circuit import ChargerMode, Circuit
from simfw.engine.plant import levels_read
from simfw.errors import UsageError
from simfw.gadget.model import Gadget
from simfw.life import registers as k
from simfw.stimuli.pattern import Pattern

__all__ = ["MODES", "SIGNS", "Groups", "Layout", "dwell_groups"]

MODES: tuple[ChargerMode, ...] = ("off", "precharge", "fast", "complete", "fault")
SIGNS = ("<", "<=", ">", ">=", "==", "!=")
_MIRROR = {"<": ">", "<=": ">=", ">": "<", ">=": "<="}
_CELL = ("cell.voltage", "gauge.measured", "cell.charge")
_MOST_STATES = 60
_STRIDES = 1 << 40  # above this many combinations, keys are random sums instead of counts

Groups = tuple[tuple[tuple[int, tuple[int, ...]], ...], ...]


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


@dataclass
class _Programs:
    """Guard programs while they are written down."""

    layout: Layout
    start: list[int] = field(default_factory=lambda: [0])
    op: list[int] = field(default_factory=list)
    arg: list[int] = field(default_factory=list)
    compare: list[int] = field(default_factory=list)
    number: list[float] = field(default_factory=list)
    known: dict[Expression, int] = field(default_factory=dict)

    def add(self, expression: Expression) -> int:
        """The number of the program of an expression."""
        if expression not in self.known:
            self._write(expression)
            self.start.append(len(self.op))
            self.known[expression] = len(self.start) - 2
        return self.known[expression]

    def _put(self, op: int, a: int = 0, b: int = 0) -> None:
        self.op.append(op)
        self.arg += [a, b]

    def _write(self, expression: Expression) -> None:
        layout = self.layout
        match expression:
            case Constant(value):
                self._put(k.CONST, int(value))
            case Inside(region, names):
                number = layout.region_id[region]
                states = layout.state_id[number]
                self._put(k.INSIDE, number, sum(1 << n for s, n in states.items() if s in names))
            case Flag(name):
                self._flag(name)
            case Happened(event):
                self._put(k.HAPPENED, layout.event_id[event])
            case Not(part):
                self._write(part)
                self._put(k.NOT)
            case All(parts) | Any(parts):
                for part in parts:
                    self._write(part)
                self._put(k.AND if isinstance(expression, All) else k.OR, len(parts))
            case Compare(left, sign, right):
                self._compare(left, sign, right)

    def _flag(self, name: str) -> None:
        layout = self.layout
        what, _, kind = name.rpartition(".")
        fixed = {"usb": 0, "status.low": 1, "status.high": 2}
        if name in fixed:
            self._put(k.FLAG, fixed[name])
        elif kind == "echo":
            self._put(k.ECHO, layout.sensors.index(what))
        else:
            self._put(k.FLAG, 3 + layout.buttons.index(what))

    def _compare(self, left: Number | Quantity, sign: str, right: Number | Quantity) -> None:
        for one, other, order in ((left, right, sign),
                                  (right, left, _MIRROR.get(sign, sign))):
            if isinstance(one, Quantity) and one.name in _CELL and isinstance(other, Number):
                if order in ("==", "!="):
                    self._put(k.CONST, int(order == "!="))
                    return
                if one.name == "cell.charge":
                    self._put(k.BELOW, 0, self.layout.charge_levels.index(other.value))
                else:
                    self._put(k.BELOW, 1, self.layout.levels.index((one.name, other.value)))
                if order in (">", ">="):
                    self._put(k.NOT)
                return
        self.compare += [*self._term(left), SIGNS.index(sign), *self._term(right)]
        self._put(k.COMPARE, len(self.compare) // 5 - 1)

    def _term(self, term: Number | Quantity) -> tuple[int, int]:
        if isinstance(term, Number):
            self.number.append(float(term.value))
            return 0, len(self.number) - 1
        if term.name == "gauge":
            return 1, self.layout.region_id["gauge"]
        return 2, self.layout.outputs.index(term.name)


class Layout:
    """A gadget's rows and a pattern's conditions, numbered.

    `warmths_c` are the temperatures that occur. `row_list` holds the rows by number, `groups` the
    dwells of each region. `model` is what the hot loop reads. `system` stands in for the one that
    the gadget's own file makes.
    """

    def __init__(
        self,
        pattern: Pattern,
        gadget: Gadget,
        warmths_c: Sequence[float],
        system: System | None = None,
    ) -> None:
        self.gadget = gadget
        self.warmths_c = tuple(warmths_c)
        system = self.system = build_system(gadget) if system is None else system
        self.regions = system.regions
        self.region_id = {region.name: n for n, region in enumerate(self.regions)}
        self.state_id = [{s.name: n for n, s in enumerate(r.states)} for r in self.regions]
        if any(len(region.states) > _MOST_STATES for region in self.regions):
            raise UsageError(f"A region with more than {_MOST_STATES} states cannot be simulated "
                             "over a pattern.")
        self.offset = [0]
        for region in self.regions:
            self.offset.append(self.offset[-1] + len(region.states))
        names = list(dict.fromkeys(
            [*system.events, *system.internal_events, *system.raw_events]))
        self.event_id = {name: n for n, name in enumerate(names)}
        self.event_names = tuple(names)
        self.buttons = tuple(gadget.buttons)
        self.sensors = tuple(gadget.proximity)
        self.outputs = (*gadget.lights, *gadget.loads)
        self.row_list: list[Row] = []
        self.row_region: list[int] = []
        self.groups: list[Groups] = []
        for n, region in enumerate(self.regions):
            self.groups.append(dwell_groups(region, len(self.row_list)))
            self.row_list += region.rows
            self.row_region += [n] * len(region.rows)
        self.habit_conditions: dict[int, Expression] = {}
        for n, habit in enumerate(pattern.habits):
            if habit.when is not None:
                self.habit_conditions[n] = parse_expression(
                    habit.when, system.names, events_allowed=True, key=f"habits[{n}].when"
                )
        self.started = [n for n in self.habit_conditions if pattern.habits[n].each is None]
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
        if len(self.levels) + len(self.charge_levels) > k.BITS:
            raise UsageError(f"More than {k.BITS} levels of voltage and charge are asked for.")
        for _, show in self.gates:
            self._check_gate(show)
        self.phase_classes = self._classes()
        self.programs = _Programs(self)
        self.guard = [
            -1 if row.when is None else self.programs.add(row.when) for row in self.row_list
        ]
        self.signature = self._signature()
        self.model = self._model()

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

    def same_shape(self, other: Layout) -> bool:
        """Whether the tables of `other` serve this layout too: only times differ."""
        return self.signature == other.signature

    def _signature(self) -> tuple[object, ...]:
        shape = tuple(
            tuple(tuple((after == 0, rows) for after, rows in state) for state in region)
            for region in self.groups
        )
        guards = tuple((row.sources, row.to, row.on, row.emit, row.when) for row in self.row_list)
        return shape, guards

    def group_times(self, system: System) -> list[int]:
        """The dwell times (ns) of the same rows in another system of the same shape."""
        times: list[int] = []
        first = 0
        for region in system.regions:
            for state in dwell_groups(region, first):
                times += [after for after, _ in state]
            first += len(region.rows)
        return times

    def _classes(self) -> list[list[int]]:
        """For each region, a number for each state: equal where they drive the same."""
        classes = []
        for region in self.regions:
            seen: dict[object, int] = {}
            numbers = []
            for state in region.states:
                what = (tuple(sorted(state.outputs.items(), key=lambda item: item[0])),
                        tuple(sorted(state.takes_out.items())), state.awake)
                numbers.append(seen.setdefault(repr(what), len(seen)))
            classes.append(numbers)
        return classes

    def _model(self) -> k.Model:
        system, programs = self.system, self.programs
        flat = [(n, state) for n, region in enumerate(self.regions) for state in region.states]
        group_start, group_row = [0], [0]
        group_rows: list[int] = []
        for groups in self.groups:
            for state in groups:
                for _, rows in state:
                    group_rows += rows
                    group_row.append(len(group_rows))
                group_start.append(len(group_row) - 1)
        emit_start = [0]
        emits: list[int] = []
        target: list[int] = []
        for row, region in zip(self.row_list, self.row_region, strict=True):
            emits += [self.event_id[name] for name in row.emit]
            emit_start.append(len(emits))
            special = {"same": k.SAME, "resume": k.RESUME}
            target.append(special.get(row.to, self.state_id[region].get(row.to, k.SAME)))
        hearing = self._hearing()
        conditions = [programs.add(condition.when) for condition in system.conditions]
        gates = [programs.add(show) for _, show in self.gates]
        habits = [programs.add(self.habit_conditions[n]) for n in self.started]
        for n in self.habit_conditions:
            programs.add(self.habit_conditions[n])
        stride, barred, weights = self._phase_strides()
        bars = gauge_levels(system)
        all_bars = [0] * len(flat)
        if bars is not None:
            first = self.offset[self.region_id["gauge"]]
            all_bars[first : first + len(bars)] = list(bars)
        circuit = Circuit(self.gadget)
        charger = circuit.charger

        def status(low: bool, usb: bool) -> list[int]:
            if charger is None:
                return [0] * len(MODES)
            ask = charger.reads_low if low else charger.reads_high
            return [int(ask(mode, usb)) for mode in MODES]

        room = 8 + max((programs.start[n + 1] - programs.start[n]
                        for n in range(len(programs.start) - 1)), default=0)
        size = [0] * 9
        size[k.PUBLIC] = len(system.events)
        size[k.LEVELS] = len(self.levels)
        size[k.CHARGER] = int(charger is not None)
        size[k.OUTPUTS] = len(self.outputs)
        size[k.IDLE_LOW], size[k.IDLE_HIGH] = status(True, False)[0], status(False, False)[0]
        size[k.CONTEXTS] = 2 ** (4 + len(self.buttons) + len(self.sensors))
        size[k.BARRED] = barred
        size[k.ROOM] = room
        enabled = {c.rises: n for n, c in enumerate(system.conditions)}
        warned = self.region_id.get("cell")
        is_flat = warned is not None and "flat" in self.state_id[warned]
        return k.Model(
            offset=self.offset[:-1],
            starts=[self.state_id[n][r.starts] for n, r in enumerate(self.regions)],
            resume_first=[
                self.state_id[n][r.resume_points[0]] if r.resume_points else -1
                for n, r in enumerate(self.regions)
            ],
            resume_point=[int(s.name in self.regions[n].resume_points) for n, s in flat],
            awake=[int(state.awake) for _, state in flat],
            group_start=group_start,
            group_row=group_row,
            group_rows=group_rows,
            heard_start=hearing[0],
            heard_region=hearing[1],
            heard_base=hearing[2],
            heard_row=hearing[3],
            heard_rows=hearing[4],
            guard=self.guard,
            target=target,
            emit_start=emit_start,
            emits=emits,
            condition=conditions,
            rises=[self.event_id[c.rises] for c in system.conditions],
            falls=[self.event_id[c.falls] for c in system.conditions],
            program=programs.start,
            op=programs.op,
            arg=programs.arg,
            compare=programs.compare,
            number=programs.number,
            gate=gates,
            gate_weight=weights,
            phase_stride=stride,
            joint_stride=self._joint_strides(),
            size=size,
            edge=[self.event_id.get(f"{name}.edge", -1)
                  for name in (*self.buttons, "usb", "status")],
            status_low=status(True, True),
            status_high=status(False, True),
            bars=all_bars,
            wave_event=[self.event_id[f"{name}.wave"] for name in self.sensors],
            enabled=[enabled[f"{name}.enable"] for name in self.sensors],
            flat=[warned, self.state_id[warned]["flat"]]
            if warned is not None and is_flat else [-1, -1],
            tracked=[n for n, r in enumerate(self.regions)
                     if r.group == "behaviour" or r.name == "gauge"],
            habit=habits,
        )

    def program_of(self, habit: int) -> int:
        """The program of a habit's condition."""
        return self.programs.known[self.habit_conditions[habit]]

    def _hearing(self) -> tuple[list[int], list[int], list[int], list[int], list[int]]:
        start, row_at = [0], [0]
        regions: list[int] = []
        base: list[int] = []
        rows: list[int] = []
        for event in self.event_names:
            for n, region in enumerate(self.regions):
                mine = [
                    (number, row) for number, row in enumerate(self.row_list)
                    if self.row_region[number] == n and row.on == event
                ]
                if not mine:
                    continue
                regions.append(n)
                base.append(len(row_at) - 1)
                for state in region.states:
                    rows += [number for number, row in mine if state.name in row.sources]
                    row_at.append(len(rows))
            start.append(len(regions))
        return start, regions, base, row_at, rows

    def _phase_strides(self) -> tuple[list[int], int, list[int]]:
        sizes = [max(classes) + 1 for classes in self.phase_classes]
        strides = _strides([*sizes, *[2] * len(self.gates), 2])
        flat = [
            stride * number
            for stride, classes in zip(strides, self.phase_classes, strict=False)
            for number in classes
        ]
        return flat, strides[-1], strides[len(sizes) : -1]

    def _joint_strides(self) -> list[int]:
        sizes = [len(region.states) for region in self.regions]
        return _strides([*sizes, *[2] * len(sizes)])

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


def _strides(sizes: Sequence[int]) -> list[int]:
    """What each of several numbers below `sizes` is multiplied with to make one key of them all.

    Where counting would overflow, random multipliers serve: two of n combinations share a key with
    a chance below n^2 / 2^40.
    """
    if math.prod(sizes) <= _STRIDES:
        strides, product = [], 1
        for size in sizes:
            strides.append(product)
            product *= size
        return strides
    source = random.Random(len(sizes))
    return [source.randrange(1, _STRIDES // (64 * len(sizes))) for _ in sizes]

