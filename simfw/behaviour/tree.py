"""The tree of an expression, and what can be asked of it.

Frozen values that the engine, the search, the specification and the C source all read. `parsing`
turns text into them; `expression` is the front of both.
"""

from __future__ import annotations

import math
import operator
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Literal, Protocol

__all__ = [
    "COMPARE",
    "CONTINUOUS",
    "MIRRORED",
    "All",
    "Any",
    "Compare",
    "Constant",
    "Expression",
    "Flag",
    "Happened",
    "Inside",
    "Leaf",
    "Mentioned",
    "Names",
    "Not",
    "Number",
    "Operator",
    "Quantity",
    "View",
    "compiled",
    "evaluate",
    "family",
    "is_answer",
    "leaves",
    "levels_in",
    "names_in",
    "number_text",
    "of_cell",
    "reads_world",
    "to_text",
    "truth",
    "turning_level",
    "turning_levels",
    "with_leaves",
]

Operator = Literal["<", "<=", ">", ">=", "==", "!="]

COMPARE: Mapping[Operator, Callable[[float, float], bool]] = {
    "<": operator.lt,
    "<=": operator.le,
    ">": operator.gt,
    ">=": operator.ge,
    "==": operator.eq,
    "!=": operator.ne,
}
"""What each sign asks of two numbers."""

MIRRORED: Mapping[Operator, Operator] = {
    "<": ">",
    "<=": ">=",
    ">": "<",
    ">=": "<=",
    "==": "==",
    "!=": "!=",
}
"""The sign that says the same with the sides exchanged."""


@dataclass(frozen=True, slots=True)
class Constant:
    """`True` or `False`."""

    value: bool


@dataclass(frozen=True, slots=True)
class Inside:
    """A region is in one of these states (an exact state, or all of a family, spelt out).

    `written` is the name it was written as, for texts only.
    """

    region: str
    states: frozenset[str]
    written: str = field(default="", compare=False)


@dataclass(frozen=True, slots=True)
class Flag:
    """A two-valued input: `usb`, `NAME.closed` (raw contact), `NAME.echo`, `NAME.reached.K` (level
    K of a measure), `status.low`, `status.high`.
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
    """A number of the moment: `gauge` (bars), one of `CONTINUOUS`, or the level 0..1 of a light or
    load.
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


def is_answer(flag: str) -> bool:
    """Whether an input is no level at a pin but what something answers when it is asked: an echo,
    or whether a measure has reached a level.
    """
    return flag.endswith(".echo") or ".reached." in flag


Leaf = Constant | Inside | Flag | Happened | Compare
Expression = Leaf | Not | All | Any

CONTINUOUS = ("gauge.measured", "gauge.counted", "cell.voltage", "cell.charge")
"""What tells of the cell: asked only whether it is below a level. `gauge.counted` is the count of a
gauge that counts charge, a share of its capacity figure; only the gauge's own rows read it."""


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Names:
    """What an expression may name.

    `regions` maps each region to its states; `aliases` maps a name that may stand before a dot to
    the regions it stands for (`power` -> `power.contact`, `power.gesture`); `shorthands` maps whole
    names to sets of states (`power.pressed`). `levels` are the lights and loads (0..1), `bars` the
    most that `gauge` can show (None without a gauge), `counts` the number that each state of a
    region stands for (thresholds passed by a measure), `measured` whether `gauge.measured` is
    known. `absent` maps names that stock regions would have to what is missing for them, and an
    example.
    """

    regions: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    aliases: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    shorthands: Mapping[str, Inside] = field(default_factory=dict)
    flags: tuple[str, ...] = ()
    levels: tuple[str, ...] = ()
    counts: Mapping[str, Mapping[str, int]] = field(default_factory=dict)
    bars: int | None = None
    measured: bool = False
    events: tuple[str, ...] = ()
    absent: Mapping[str, tuple[str, str]] = field(default_factory=dict)

    def __contains__(self, name: str) -> bool:
        """Whether `name` means something by itself."""
        return name in self.events or name in self.known()

    @property
    def quantities(self) -> tuple[str, ...]:
        """Every name that stands for a number, the cell's first."""
        gauge = ("gauge",) if self.bars is not None else ()
        measured = ("gauge.measured",) if self.measured else ()
        return ("cell.voltage", "cell.charge", *gauge, *measured, *self.counts, *self.levels)

    def counted(self, name: str, sign: Operator, number: float) -> Inside | None:
        """The states of a counting region in which `name sign number` holds; None for others."""
        counts = self.counts.get(name)
        if counts is None:
            return None
        compare = COMPARE[sign]
        holding = frozenset(state for state, count in counts.items() if compare(count, number))
        return Inside(name, holding, f"{name} {sign} {number_text(number)}")

    def inside(self, name: str) -> Inside | None:
        """The states that `name` means, or None. `lamp.lit` is that state or any of its family."""
        if name in self.shorthands:
            known = self.shorthands[name]
            return Inside(known.region, known.states, name)
        for cut in (at for at, letter in reversed(list(enumerate(name))) if letter == "."):
            head, wanted = name[:cut], name[cut + 1 :]
            for region in (head, *self.aliases.get(head, ())):
                found = family(self.regions.get(region, ()), wanted)
                if found:
                    return Inside(region, frozenset(found), name)
        return None

    def known(self, *, events_allowed: bool = False) -> tuple[str, ...]:
        """Every name that may be written, for suggestions."""
        names: dict[str, None] = dict.fromkeys((*self.quantities, *self.flags, *self.shorthands))
        heads = [(region, (region,)) for region in self.regions]
        for head, regions in (*heads, *self.aliases.items()):
            for region in regions:
                for state in self.regions.get(region, ()):
                    names[f"{head}.{state}"] = None
                    if "." in state:
                        names[f"{head}.{state.partition('.')[0]}"] = None
        if events_allowed:
            names.update(dict.fromkeys(self.events))
        return tuple(names)


def family(states: Iterable[str], wanted: str) -> tuple[str, ...]:
    """Those of `states` that are `wanted` itself or belong to the family `wanted`, in order."""
    return tuple(state for state in states if state == wanted or state.startswith(wanted + "."))


@dataclass(frozen=True, slots=True, kw_only=True)
class Mentioned:
    """What an expression reads, by kind."""

    regions: frozenset[str]
    flags: frozenset[str]
    quantities: frozenset[str]
    events: frozenset[str]


def leaves(expression: Expression) -> Iterator[Leaf]:
    """Every leaf of `expression`, left to right."""
    match expression:
        case Not(part):
            yield from leaves(part)
        case All(parts) | Any(parts):
            for part in parts:
                yield from leaves(part)
        case _:
            yield expression


def with_leaves(
    expression: Expression,
    change: Callable[[Leaf], Expression],
) -> Expression:
    """The same expression with what `change` makes of each leaf in its place."""
    match expression:
        case Not(part):
            return Not(with_leaves(part, change))
        case All(parts):
            return All(tuple(with_leaves(part, change) for part in parts))
        case Any(parts):
            return Any(tuple(with_leaves(part, change) for part in parts))
    return change(expression)


def reads_world(expression: Expression) -> bool:
    """Whether anything but region states decides the expression."""
    return any(
        isinstance(leaf, Flag)
        or (isinstance(leaf, Compare)
        and any(isinstance(side, Quantity) and side.name != "gauge"
                for side in (leaf.left, leaf.right)))
        for leaf in leaves(expression)
    )  # fmt: skip


def names_in(expression: Expression) -> Mentioned:
    """The regions, flags, quantities and events that `expression` reads."""
    regions, flags, quantities, events = set(), set(), set(), set()
    for leaf in leaves(expression):
        match leaf:
            case Inside(region):
                regions.add(region)
            case Flag(name):
                flags.add(name)
            case Happened(event):
                events.add(event)
            case Compare(left, _, right):
                quantities |= {side.name for side in (left, right) if isinstance(side, Quantity)}
            case Constant():
                pass
    return Mentioned(
        regions=frozenset(regions),
        flags=frozenset(flags),
        quantities=frozenset(quantities),
        events=frozenset(events),
    )


def levels_in(expression: Expression, quantity: str) -> frozenset[float]:
    """The numbers that `expression` compares `quantity` with."""
    found = set()
    for leaf in leaves(expression):
        match leaf:
            case Compare(Quantity(name), _, Number(value)) if name == quantity:
                found.add(value)
            case Compare(Number(value), _, Quantity(name)) if name == quantity:
                found.add(value)
            case _:
                pass
    return frozenset(found)


ROUNDING_V = 1e-9  # what a measured voltage may be off by rounding alone


def turning_level(name: str, sign: Operator, value: float) -> float:
    """The level below which the quantity `name` is when `name sign value` turns over.

    A run only ever asks whether a quantity of the cell is below a level. A charger holds the cell
    at its float voltage, and a full cell has charge 1, exactly: there `<` and `<=` differ. So what
    still holds at `value` itself (`<=`) or does not yet (`>`) turns at the next greater number. The
    measured voltage comes in steps of the converter, one of which may stand for `value`: there it
    turns a nanovolt higher, for a quotient that should be `value` may be a rounding off.
    """
    if sign not in ("<=", ">"):
        return value
    return value + ROUNDING_V if name == "gauge.measured" else math.nextafter(value, math.inf)


def of_cell(
    left: Number | Quantity, sign: Operator, right: Number | Quantity
) -> tuple[str, float, Operator] | None:
    """What a comparison asks of a quantity of `CONTINUOUS`: its name, the level at which it turns
    over, and the sign as read with the quantity on the left. None where it asks for none.

    The cell's curve decides, not a rounded voltage, so that a comparison turns over exactly where
    the crossing was found: `<` and `<=` hold below the level, `>` and `>=` from it on, `==` never
    and `!=` always.
    """
    for one, other, order in ((left, right, sign), (right, left, MIRRORED[sign])):
        if isinstance(one, Quantity) and one.name in CONTINUOUS and isinstance(other, Number):
            return one.name, turning_level(one.name, order, other.value), order
    return None


def turning_levels(expression: Expression, quantity: str) -> frozenset[float]:
    """The levels of `quantity`, one of `CONTINUOUS`, at which a comparison turns over."""
    asked = (of_cell(leaf.left, leaf.operator, leaf.right) for leaf in leaves(expression)
             if isinstance(leaf, Compare))
    return frozenset(one[1] for one in asked if one is not None and one[0] == quantity)


def truth(
    expression: Expression, leaf: Callable[[Leaf], bool | None]
) -> bool | None:
    """Whether `expression` holds by what `leaf` says of its leaves; None: it may go either way.

    Leaves are asked from the left on, as far as needed.
    """
    match expression:
        case Not(part):
            inner = truth(part, leaf)
            return None if inner is None else not inner
        case All(parts) | Any(parts):
            decides = isinstance(expression, Any)
            found: bool | None = not decides
            for part in parts:
                one = truth(part, leaf)
                if one is decides:
                    return decides
                if one is None:
                    found = None
            return found
        case Constant(value):
            return value
    return leaf(expression)


def compiled(
    expression: Expression, leaf: Callable[[Leaf], Callable[[], bool]]
) -> Callable[[], bool]:
    """A quick test of `expression`, of the tests that `leaf` makes of its leaves."""
    match expression:
        case Constant(value):
            return lambda: value
        case Not(part):
            inner = compiled(part, leaf)
            return lambda: not inner()
        case All(parts):
            return _joined_tests([compiled(part, leaf) for part in parts], _both, True)
        case Any(parts):
            return _joined_tests([compiled(part, leaf) for part in parts], _either, False)
    return leaf(expression)


_Test = Callable[[], bool]


def _both(first: _Test, second: _Test) -> _Test:
    return lambda: first() and second()


def _either(first: _Test, second: _Test) -> _Test:
    return lambda: first() or second()


def _joined_tests(
    tests: list[_Test], pair: Callable[[_Test, _Test], _Test], empty: bool
) -> _Test:
    """Tests asked from the first on, as far as needed, two by two: quicker than a loop over all."""
    if not tests:
        return lambda: empty
    joined = tests[-1]
    for test in reversed(tests[:-1]):
        joined = pair(test, joined)
    return joined


def evaluate(expression: Expression, view: View) -> bool:
    """Whether `expression` holds in `view`."""
    def read(leaf: Leaf) -> bool:
        match leaf:
            case Inside(region, states):
                return view.state(region) in states
            case Flag(name):
                return view.flag(name)
            case Happened(event):
                return view.happened(event)
            case Compare(left, sign, right):
                return COMPARE[sign](_number(left, view), _number(right, view))
        raise AssertionError(leaf)

    return bool(truth(expression, read))


def _number(side: Number | Quantity, view: View) -> float:
    return side.value if isinstance(side, Number) else view.quantity(side.name)


def to_text(expression: Expression) -> str:
    """`expression` as it may be written in a file.

    Parsing the text gives the same tree again if every `Inside` came from a name; other sets of
    states are spelt out with `or`.
    """
    match expression:
        case Constant(value):
            return str(value)
        case Inside(region, states, written):
            if written:
                return written
            names = [f"{region}.{state}" for state in sorted(states)]
            return names[0] if len(names) == 1 else f"({' or '.join(names)})" if names else "False"
        case Flag(name) | Happened(name):
            return name
        case Compare(left, sign, right):
            return f"{_side(left)} {sign} {_side(right)}"
        case Not(part):
            inner = to_text(part)
            return f"not ({inner})" if isinstance(part, All | Any) else f"not {inner}"
        case All(parts):
            return _joined(parts, " and ", All)
        case Any(parts):
            return _joined(parts, " or ", Any)


def _joined(parts: tuple[Expression, ...], word: str, kind: type[All] | type[Any]) -> str:
    # `and` binds tighter than `or`, so only `or` inside `and`, and a nest of one kind, need marks.
    marked = (All, Any) if kind is All else (Any,)
    texts = [f"({to_text(part)})" if isinstance(part, marked) else to_text(part) for part in parts]
    return word.join(texts) if len(texts) != 1 else f"({texts[0]})"


def _side(side: Number | Quantity) -> str:
    return side.name if isinstance(side, Quantity) else number_text(side.value)


def number_text(value: float) -> str:
    """A number as short as it can be read back exactly."""
    return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
