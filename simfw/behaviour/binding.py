"""How expressions are read where states are numbers: as tests of lists and of the world."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from simfw.behaviour.expression import (
    COMPARE,
    Compare,
    Expression,
    Flag,
    Happened,
    Inside,
    Leaf,
    Number,
    Operator,
    Quantity,
    compiled,
    of_cell,
)
from simfw.behaviour.region import System

__all__ = ["Numbers", "Test", "World", "bound", "gauge_levels"]

Test = Callable[[], bool]


class World(Protocol):
    """What lies outside the regions: inputs and measured quantities of the moment."""

    def flag(self, name: str) -> bool:
        """The two-valued input `name` now."""
        ...

    def quantity(self, name: str) -> float:
        """The level 0..1 of a light or load now."""
        ...

    def below(self, quantity: str, level: float) -> bool:
        """Whether a quantity of `CONTINUOUS` is below `level` now."""
        ...


def gauge_levels(system: System) -> tuple[int, ...] | None:
    """Bars of each state of the region `gauge`, in state order; None without a gauge."""
    for region in system.regions:
        if region.name == "gauge":
            return tuple(
                int(tail) if (tail := state.name.rpartition(".")[2]).isdigit() else 0
                for state in region.states
            )
    return None


@dataclass(frozen=True, slots=True)
class Numbers:
    """The numbers of regions and of the states of each; the bars of the gauge's states, if any."""

    regions: Mapping[str, int]
    states: Sequence[Mapping[str, int]]
    gauge: tuple[int, ...] | None


def bound(
    expression: Expression, states: Sequence[int], numbers: Numbers, world: World,
    happened: Callable[[str], bool] | None = None,
) -> Test:
    """A fast test of `expression` on the list `states`, which changes, and on `world`.

    `happened` tells whether an event is in the present instant; ValueError where the expression
    asks for one without it.
    """

    def read(leaf: Leaf) -> Test:
        match leaf:
            case Inside(region, names):
                number = numbers.regions[region]
                wanted = frozenset(numbers.states[number][name] for name in names)
                return lambda: states[number] in wanted
            case Flag(name):
                flag = world.flag
                return lambda: flag(name)
            case Happened(event):
                if happened is None:
                    raise ValueError(f"{event}: an event cannot be read here")
                asked = happened
                return lambda: asked(event)
            case Compare(left, sign, right):
                return compare(left, sign, right)
        raise AssertionError(leaf)

    def compare(left: Number | Quantity, sign: Operator, right: Number | Quantity) -> Test:
        cell = of_cell(left, sign, right)
        if cell is not None:
            below, (name, level, order) = world.below, cell
            if order in ("<", "<="):
                return lambda: below(name, level)
            if order in (">", ">="):
                return lambda: not below(name, level)
            return lambda: order == "!="
        holds = COMPARE[sign]
        read_left, read_right = term(left), term(right)
        return lambda: holds(read_left(), read_right())

    def term(side: Number | Quantity) -> Callable[[], float]:
        if isinstance(side, Number):
            value = side.value
            return lambda: value
        if side.name == "gauge" and numbers.gauge is not None:
            levels, number = numbers.gauge, numbers.regions["gauge"]
            return lambda: levels[states[number]]
        name, quantity = side.name, world.quantity
        return lambda: quantity(name)

    return compiled(expression, read)
