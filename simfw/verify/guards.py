"""Expressions as functions of an instant of the search.

The same tree that the engine reads, with one difference: what the search leaves free is decided
where it is read, and both answers are tried.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from simfw.behaviour import expression as ex
from simfw.behaviour.outputs import merged
from simfw.behaviour.region import Region

if TYPE_CHECKING:
    from simfw.verify.machine import Instant, Machine

__all__ = ["Guard", "Watched", "compile_expression"]

Guard = Callable[["Instant"], bool]


@dataclass(frozen=True, slots=True)
class Watched:
    """An expression node of the search only: what the condition with this key last was."""

    key: str


def compile_expression(machine: Machine, expression: ex.Expression | Watched) -> Guard:
    """Turn an expression tree into nested functions that read an `Instant`."""
    if isinstance(expression, ex.Constant):
        value = expression.value
        return lambda _now: value
    if isinstance(expression, Watched):
        place = machine.condition_index[expression.key]
        return lambda now: bool(now.conds[place])
    if isinstance(expression, ex.Inside):
        index = machine.region_index[expression.region]
        region = machine.regions[index]
        inside = frozenset(
            i for i, state in enumerate(region.states) if state.name in expression.states
        )
        return lambda now: now.states[index] in inside
    if isinstance(expression, ex.Flag):
        name = expression.name
        if name in machine.flag_index:
            flag = machine.flag_index[name]
            return lambda now: bool(now.flags[flag])
        return lambda now: now.split(name, (0.0, 1.0), bool)
    if isinstance(expression, ex.Happened):
        event = machine.event_id(expression.event)
        return lambda now: event in now.events
    if isinstance(expression, ex.Not):
        inner = compile_expression(machine, expression.part)
        return lambda now: not inner(now)
    if isinstance(expression, ex.All):
        every = [compile_expression(machine, part) for part in expression.parts]
        return lambda now: all(part(now) for part in every)
    if isinstance(expression, ex.Any):
        some = [compile_expression(machine, part) for part in expression.parts]
        return lambda now: any(part(now) for part in some)
    return _compile_compare(machine, expression)


def _compile_compare(machine: Machine, compare: ex.Compare) -> Guard:
    test = ex.COMPARE[compare.operator]
    left, right = compare.left, compare.right
    for side, other, flipped in ((left, right, False), (right, left, True)):
        if isinstance(side, ex.Quantity) and side.name in machine.values:
            if not isinstance(other, ex.Number):
                break
            name, values = side.name, machine.values[side.name]
            # As in a run: the cell either is below a level or is not.
            sign = ex.MIRRORED[compare.operator] if flipped else compare.operator
            below, limit = sign in ("<", "<="), ex.turning_level(name, sign, other.value)
            return _split(name, values, limit, below)

    def read(side: ex.Number | ex.Quantity) -> Callable[[Instant], float]:
        if isinstance(side, ex.Number):
            number = side.value
            return lambda _now: number
        name = side.name
        if name == "gauge" and "gauge" in machine.region_index:
            index = machine.region_index["gauge"]
            bars = [_bars(state.name) for state in machine.regions[index].states]
            return lambda now: bars[now.states[index]]
        return level_reader(machine, name)

    first, second = read(left), read(right)
    return lambda now: test(first(now), second(now))


def level_reader(machine: Machine, name: str) -> Callable[[Instant], float]:
    """How far a light, load, emitter or receiver is driven (0..1); 0 where nothing drives it.

    Only asked for names that an expression reads: the regions that drive them, and whatever
    decides whether they are shown, are then part of the machine.
    """
    total = max(1, machine.segments.get(name, 1))
    involved: list[tuple[int, Region, list[bool], Guard | None]] = []
    for index, region in enumerate(machine.regions):
        drives = [name in state.outputs for state in region.states]
        if any(drives) or any(name in state.takes_out for state in region.states):
            show = None if region.show is None else machine.compile(region.show)
            involved.append((index, region, drives, show))
    supply = machine.supply
    known: dict[tuple[tuple[int, bool], ...], float] = {}

    def read(now: Instant) -> float:
        if supply >= 0 and not now.flags[supply]:
            return 0.0
        standing = tuple([
            (state, drives[state] and (show is None or show(now)))
            for index, _, drives, show in involved
            for state in (now.states[index],)
        ])
        level = known.get(standing)
        if level is None:
            drive = merged(
                (region.group, region.states[state], shown)
                for (_, region, _, _), (state, shown) in zip(involved, standing, strict=True)
            ).get(name)
            level = known[standing] = 0.0 if drive is None else (
                drive.duty if drive.segments is None else drive.segments / total)
        return level

    return read


def _split(name: str, values: Sequence[float], limit: float, below: bool) -> Guard:
    """A comparison of a quantity of the cell: both answers are tried where both are possible."""
    if below:
        return lambda now: now.measure(name, values, lambda value: value < limit)
    return lambda now: now.measure(name, values, lambda value: value >= limit)


def _bars(state: str) -> float:
    tail = state.rpartition(".")[2]
    return float(tail) if tail.isdigit() else 0.0


