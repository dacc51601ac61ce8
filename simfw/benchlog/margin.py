"""Observations as continuous margins: how far what the model does lies from what was seen.

A margin is a number `z` that moves smoothly with the figures, and the ends between which it agrees
with what was seen. `off` counts how far it lies from the middle, in tolerances: 1 is the end.
"""

from __future__ import annotations

import ast
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

__all__ = ["FAR", "Asked", "Margin", "asked_of", "between", "comes", "truth"]

FAR = 20.0
"""How far off is what never comes, in tolerances."""

Unit = Literal["s", "V", "A", "share", ""]


@dataclass(frozen=True, slots=True, kw_only=True)
class Margin:
    """One thing that was seen, against what the model does.

    Ends may be infinite: then `scale` is a tolerance. `value` is what the model does in `unit`,
    None where that never comes. `firm`: it is a yes or a no, which does not move smoothly. `step`:
    `z` moves smoothly only between looks with the same one (as many bars show).
    """

    z: float
    low: float
    high: float
    scale: float = 1.0
    value: float | None = None
    unit: Unit = ""
    firm: bool = False
    step: int = 0

    @property
    def off(self) -> float:
        """How far off it is, in tolerances (>= 0); up to 1 it agrees."""
        return self.off_at(self.z)

    @property
    def sideways(self) -> float:
        """How far it lies to one side, in tolerances."""
        return self.aside(self.z)

    def aside(self, z: float) -> float:
        """The same for another number: from the middle, or beyond the one end."""
        low, high, scale = self.low, self.high, self.scale
        if math.isfinite(low) and math.isfinite(high):
            return (z - 0.5 * (low + high)) / max(0.5 * (high - low), 1e-12)
        return (z - low) / scale if math.isfinite(low) else (z - high) / scale

    def off_at(self, z: float) -> float:
        """How far off another number is."""
        if not math.isfinite(z):
            return FAR
        if math.isfinite(self.low) and math.isfinite(self.high):
            half = max(0.5 * (self.high - self.low), 1e-12)
            return abs(z - 0.5 * (self.low + self.high)) / half
        beyond = self.low - z if math.isfinite(self.low) else z - self.high
        return max(0.0, 1.0 + beyond / self.scale)


def comes(row: Sequence[Margin]) -> bool:
    """Whether all that was looked for came."""
    return all(math.isfinite(one.z) for one in row)


def between(value: float | None, low: float, high: float, unit: Unit) -> Margin:
    """A positive value that was seen between two ends.

    Below what was seen it counts as it is, in shares of that, above it by its logarithm: what
    takes four times as long is told by ratios, and what shrinks to nothing, such as the time to a
    level that is nearly passed, has no ratio to anything. Both ways are one at the middle.
    """
    middle = high if low <= 0 else math.sqrt(low * high)

    def bent(number: float) -> float:
        return math.log(number / middle) if number > middle else number / middle - 1.0

    z = math.nan if value is None else bent(value)
    if low <= 0:
        return Margin(z=z, low=-math.inf, high=0.0, scale=0.05, value=value, unit=unit)
    return Margin(z=z, low=bent(low), high=bent(high), value=value, unit=unit)


def truth(holds: bool, off: float = 1.2) -> Margin:
    """A yes or a no: what was seen holds, or is `off` tolerances away."""
    return Margin(z=0.0 if holds else off, low=-math.inf, high=1.0, firm=True)


@dataclass(frozen=True, slots=True)
class Asked:
    """What an expression asks of one quantity: to lie between two levels (volts or shares; for
    `gauge` numbers of bars, the upper one left out).
    """

    quantity: Literal["gauge", "cell.voltage", "cell.charge"]
    low: float
    high: float


def asked_of(text: str) -> tuple[tuple[Asked, ...], bool]:
    """What a sight asks of quantities that move smoothly, and whether it asks more than that.

    Only comparisons joined by `and` are taken apart; it guides the search, and a run decides.
    """
    try:
        tree = ast.parse(" ".join(text.split()), mode="eval").body
    except (SyntaxError, ValueError):
        return (), True
    parts = tree.values if isinstance(tree, ast.BoolOp) and isinstance(tree.op, ast.And) else [tree]
    found: dict[str, Asked] = {}
    more = False
    for part in parts:
        one = _comparison(part)
        if one is None:
            more = True
            continue
        before = found.get(one.quantity)
        if before is not None:
            one = Asked(one.quantity, max(one.low, before.low), min(one.high, before.high))
        found[one.quantity] = one
    return tuple(found.values()), more


def _comparison(node: ast.expr) -> Asked | None:
    if not isinstance(node, ast.Compare) or len(node.ops) != 1:
        return None
    left, sign, right = node.left, type(node.ops[0]), node.comparators[0]
    if isinstance(left, ast.Constant):
        left, right = right, left
        sign = {ast.Lt: ast.Gt, ast.LtE: ast.GtE, ast.Gt: ast.Lt, ast.GtE: ast.LtE}.get(
            sign, sign)
    name = _QUANTITIES.get(ast.unparse(left))
    if name is None or not isinstance(right, ast.Constant):
        return None
    if isinstance(right.value, bool) or not isinstance(right.value, int | float):
        return None
    level, inf = float(right.value), math.inf
    next_ = level + 1 if name == "gauge" else level  # the first beyond: bars are whole
    step: dict[type[ast.cmpop], tuple[float, float]] = {
        ast.Lt: (-inf, level), ast.LtE: (-inf, next_), ast.Gt: (next_, inf), ast.GtE: (level, inf),
    }
    if name == "gauge":
        step[ast.Eq] = level, next_
    ends = step.get(sign)
    return None if ends is None else Asked(name, *ends)


_QUANTITIES: dict[str, Literal["gauge", "cell.voltage", "cell.charge"]] = {
    "gauge": "gauge", "cell.voltage": "cell.voltage", "cell.charge": "cell.charge",
}
