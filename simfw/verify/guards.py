"""Expressions as functions of an instant of the search.

The same tree that the engine reads, with one difference: what the search leaves free is decided
where it is read, and both answers are tried.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from simfw.behaviour import expression as ex

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
    sources: list[tuple[int, list[float], Guard | None]] = []
    out: list[tuple[int, list[float]]] = []
    for index, region in enumerate(machine.regions):
        levels = []
        for state in region.states:
            drive = state.outputs.get(name)
            if drive is None:
                levels.append(0.0)
            else:
                levels.append(drive.duty if drive.segments is None else drive.segments / total)
        if any(levels):
            show = None if region.show is None else machine.compile(region.show)
            sources.append((index, levels, show))
        taken = [state.takes_out.get(name, 0) / total for state in region.states]
        if any(taken):
            out.append((index, taken))

    supply = machine.supply

    def read(now: Instant) -> float:
        best = 0.0
        if supply >= 0 and not now.flags[supply]:
            return best
        for index, levels, show in sources:
            value = levels[now.states[index]]
            for other, taken in out:
                if machine.regions[other].group == machine.regions[index].group:
                    value -= taken[now.states[other]]
            if value > best and (show is None or show(now)):
                best = value
        return best

    return read


def _split(name: str, values: Sequence[float], limit: float, below: bool) -> Guard:
    """A comparison of a quantity of the cell: both answers are tried where both are possible."""
    if below:
        return lambda now: now.measure(name, values, lambda value: value < limit)
    return lambda now: now.measure(name, values, lambda value: value >= limit)


def _bars(state: str) -> float:
    tail = state.rpartition(".")[2]
    return float(tail) if tail.isdigit() else 0.0


