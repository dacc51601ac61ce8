"""Expressions: the boolean sentences of guards, rules, expectations and habit conditions.

Text is parsed with `ast`, only the node kinds below are let through, and every name is resolved
when the file is loaded. What remains is a small tree of frozen values that the engine, the search,
the specification and the C source all read. Nothing is ever handed to `eval`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, Protocol

__all__ = [
    "All",
    "Any",
    "Compare",
    "Constant",
    "Expression",
    "Flag",
    "Happened",
    "Inside",
    "Not",
    "Number",
    "Quantity",
    "View",
]

Operator = Literal["<", "<=", ">", ">=", "==", "!="]


@dataclass(frozen=True, slots=True)
class Constant:
    """`True` or `False`."""

    value: bool


@dataclass(frozen=True, slots=True)
class Inside:
    """A region is in one of these states (an exact state, or all of a family, spelt out)."""

    region: str
    states: frozenset[str]


@dataclass(frozen=True, slots=True)
class Flag:
    """A two-valued input: `usb`, `NAME.closed` (raw contact), `NAME.echo`, `status.low`,
    `status.high`.
    """

    name: str


@dataclass(frozen=True, slots=True)
class Happened:
    """An event of this instant. Legal only in a rule's `when` and in habit conditions."""

    event: str


@dataclass(frozen=True, slots=True)
class Number:
    """A number as written."""

    value: float


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number of the moment: `gauge` (bars), `gauge.measured`, `cell.voltage`, `cell.charge`, or
    the level 0..1 of a light or load.
    """

    name: str


@dataclass(frozen=True, slots=True)
class Compare:
    """A comparison. A quantity of the cell is compared with a number only."""

    left: Number | Quantity
    operator: Operator
    right: Number | Quantity


@dataclass(frozen=True, slots=True)
class Not:
    """`not part`."""

    part: Expression


@dataclass(frozen=True, slots=True)
class All:
    """`a and b and ...`."""

    parts: tuple[Expression, ...]


@dataclass(frozen=True, slots=True)
class Any:
    """`a or b or ...`."""

    parts: tuple[Expression, ...]


Expression = Constant | Inside | Flag | Happened | Compare | Not | All | Any


class View(Protocol):
    """What an expression reads: the state of one moment."""

    def state(self, region: str) -> str:
        """The state that `region` is in."""
        ...

    def flag(self, name: str) -> bool:
        """The two-valued input `name`."""
        ...

    def quantity(self, name: str) -> float:
        """The number `name` (volts, a share 0..1, or bars)."""
        ...

    def happened(self, event: str) -> bool:
        """Whether `event` was emitted in this instant."""
        ...
