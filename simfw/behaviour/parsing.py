"""Text to expression.

`ast` reads the text; only the node kinds that make sense here are let through, every name is
resolved at once against `Names`, and all mistakes of one expression are reported together.

A name may mean both an event and a state (`wave.near`, `cell.low`). Where events may be named (the
`when` of a rule, the `when` of a habit) the event is meant, everywhere else the state.
"""

from __future__ import annotations

import ast
import keyword
import math
import re
import warnings

from simfw.behaviour.misspelt import misspelt
from simfw.behaviour.tree import (
    CONTINUOUS,
    MIRRORED,
    All,
    Any,
    Compare,
    Constant,
    Expression,
    Flag,
    Happened,
    Names,
    Not,
    Number,
    Operator,
    Quantity,
    number_text,
)
from simfw.errors import DescriptionError, Problem, nearest

__all__ = ["parse_expression"]

# What an event of a stock region leaves behind, where the two have different names.
_LEADS_TO = {
    "press": ("pressed",), "release": ("up",), "hold": ("held",), "second_hold": ("held",),
    "repeat": ("held",), "wave": ("near",), "far": ("blocked",), "opened": ("off",),
    "started": ("charging",), "completed": ("complete",),
}
_USB = {"usb.in": "usb", "usb.out": "not usb"}

_OPERATORS: dict[type[ast.cmpop], Operator] = {
    ast.Lt: "<",
    ast.LtE: "<=",
    ast.Gt: ">",
    ast.GtE: ">=",
    ast.Eq: "==",
    ast.NotEq: "!=",
}
_GRAMMAR = "names, numbers, comparisons, True, False, and, or, not, parentheses"
_LONGEST = 4000
_DEEPEST = 60

# A segment behind a dot that `ast` would not take as an attribute (`bars.2`, `wave.in`) is marked
# before parsing and unmarked when its name is looked up.
_MARK = "simfw__"
_DOTTED = re.compile(r"(?<![\w.])[^\W\d]\w*(?:\.\w+)+")


class _RefusedError(Exception):
    """A part of the expression has no meaning; its problem is noted."""


class _Reader:
    def __init__(self, text: str, names: Names, key: str, *, events_allowed: bool) -> None:
        self.text = text
        self.names = names
        self.key = key
        self.events_allowed = events_allowed
        self.problems: list[Problem] = []
        self.depth = 0

    def refuse(
        self, text: str, allowed: str | None = None, suggestion: str | None = None
    ) -> _RefusedError:
        self.problems.append(
            Problem(
                key=self.key,
                found=f'"{self.text if len(self.text) <= 120 else self.text[:117] + "..."}"',
                text=text,
                allowed=allowed,
                suggestion=suggestion,
            )
        )
        return _RefusedError()

    def repaired(self) -> str:
        """The text with what other languages write replaced, which is noted as one problem.

        So that the names in it are still checked.
        """
        if len(self.text) > _LONGEST:
            return self.text
        found = misspelt(self.text, self.names.__contains__)
        if found is None:
            return self.text
        try:
            _parsed(found.text)
        except _UNREADABLE:
            self.refuse(found.said, found.instead)
            raise _RefusedError from None
        self.refuse(found.said, found.instead, found.text)
        return found.text

    # -- something true or false ------------------------------------------------------------------

    def truth(self, node: ast.expr) -> Expression:
        self.depth += 1
        if self.depth > _DEEPEST:
            raise self.refuse("the expression is nested too deeply to be read")
        try:
            return self.truth_of(node)
        finally:
            self.depth -= 1

    def truth_of(self, node: ast.expr) -> Expression:
        match node:
            case ast.BoolOp(op=op, values=values):
                parts = self.truths(values)
                return All(parts) if isinstance(op, ast.And) else Any(parts)
            case ast.UnaryOp(op=ast.Not(), operand=operand):
                return Not(self.truth(operand))
            case ast.Compare():
                return self.comparison(node)
            case ast.Constant(value=bool(value)):
                return Constant(value)
            case ast.Name() | ast.Attribute():
                return self.true_name(self.dotted(node))
        if _is_number(node):
            raise self.refuse(
                f"the number {_shown(node)} stands where something true or false is wanted",
                "a comparison, such as cell.voltage < 3.3",
            )
        raise self.refuse(f'"{_shown(node)}" is not part of an expression', _GRAMMAR)

    def truths(self, nodes: list[ast.expr]) -> tuple[Expression, ...]:
        """All of `nodes`; goes on after a refused one, so that all problems are found."""
        parts: list[Expression] = []
        refused: _RefusedError | None = None
        for node in nodes:
            try:
                parts.append(self.truth(node))
            except _RefusedError as found:
                refused = found
        if refused is not None:
            raise refused
        return tuple(parts)

    def true_name(self, name: str) -> Expression:
        if self.events_allowed and name in self.names.events:
            return Happened(name)
        if (inside := self.names.inside(name)) is not None:
            return inside
        if name in self.names.flags:
            return Flag(name)
        if name in self.names.quantities:
            raise self.refuse(
                f'"{name}" is a number', f"a comparison with it, such as {self.example(name)}"
            )
        raise self.unknown(name)

    def unknown(self, name: str) -> _RefusedError:
        if name in self.names.events:
            return self.refuse(
                f'"{name}" is an event, not a state',
                "states, inputs and comparisons; an event may be named only in the when of a rule "
                "or a habit",
                self.state_after(name),
            )
        for region in (name, *self.names.aliases.get(name, ())):
            if region in self.names.regions:
                return self.refuse(
                    f'"{name}" is a region, not a state', self.states_of(name)
                )
        if name in self.names.absent:
            what, example = self.names.absent[name]
            return self.refuse(f'there is no "{name}" without {what}', example)
        head, _, _ = name.rpartition(".")
        suggestion = nearest(name, self.names.known(events_allowed=self.events_allowed))
        for region in (head, *self.names.aliases.get(head, ())):
            if region in self.names.regions:
                return self.refuse(f'there is no "{name}"', self.states_of(head), suggestion)
        heads = dict.fromkeys((*self.names.regions, *self.names.aliases))
        allowed = [f"REGION.STATE with REGION one of {', '.join(heads)}"] if heads else []
        if self.names.flags:
            allowed.append(f"inputs {', '.join(self.names.flags)}")
        allowed.append(f"numbers {', '.join(self.names.quantities)}")
        return self.refuse(f'there is no "{name}"', "; ".join(allowed), suggestion)

    def state_after(self, event: str) -> str | None:
        """The state or input that an event leads to: the one that ends like it, or its stock one;
        None where there is none.
        """
        if event in _USB:
            return _USB[event] if "usb" in self.names.flags else None
        head, _, word = event.rpartition(".")
        states = self.states_of(head).split(", ")
        ending = [state for state in states if state.endswith(f".{word}")]
        ending += [state for stock in _LEADS_TO.get(word, ())
                   if (state := f"{head}.{stock}") in states]
        return next(iter(ending), None)

    def states_of(self, head: str) -> str:
        names: dict[str, None] = {}
        for region in (head, *self.names.aliases.get(head, ())):
            for state in self.names.regions.get(region, ()):
                names[f"{head}.{state}"] = None
        names.update({name: None for name in self.names.shorthands if name.startswith(head + ".")})
        return ", ".join(names)

    def example(self, name: str) -> str:
        if name == "gauge" or name in self.names.counts:
            return f"{name} <= 1"
        return f"{name} > 0" if name in self.names.levels else f"{name} < {_typical(name)}"

    # -- comparisons ------------------------------------------------------------------------------

    def comparison(self, node: ast.Compare) -> Expression:
        sides: list[Number | Quantity | None] = []
        for part in (node.left, *node.comparators):
            try:
                sides.append(self.side(part))
            except _RefusedError:
                sides.append(None)
        found: list[Expression] = []
        for left, op, right in zip(sides, node.ops, sides[1:], strict=False):
            sign = _OPERATORS.get(type(op))
            if sign is None:
                raise self.refuse(
                    f'"{_shown(node)}" does not compare numbers', "<, <=, >, >=, ==, !="
                )
            if left is not None and right is not None:
                self.check(left, sign, right)
                found.append(self.counted(left, sign, right) or Compare(left, sign, right))
        if self.problems and len(found) != len(node.ops):
            raise _RefusedError
        return found[0] if len(found) == 1 else All(tuple(found))

    def counted(
        self, left: Number | Quantity, sign: Operator, right: Number | Quantity
    ) -> Expression | None:
        """What a comparison of a count means: some states of its region."""
        match left, right:
            case Quantity(name), Number(value):
                return self.names.counted(name, sign, value)
            case Number(value), Quantity(name):
                return self.names.counted(name, MIRRORED[sign], value)
        return None

    def side(self, node: ast.expr) -> Number | Quantity:
        if _is_number(node):
            value = float(ast.literal_eval(node))
            if not math.isfinite(value):
                raise self.refuse("the expression holds a number that is too large")
            return Number(value)
        if isinstance(node, ast.Name | ast.Attribute):
            name = self.dotted(node)
            if name in self.names.quantities:
                return Quantity(name)
            truth = self.true_name(name)  # raises for an unknown name
            what = "an event" if isinstance(truth, Happened) else "true or false"
            raise self.refuse(
                f'"{name}" is {what} and cannot be compared',
                f"numbers and {', '.join(self.names.quantities)}",
            )
        raise self.refuse(
            f'"{_shown(node)}" cannot be compared',
            f"numbers and {', '.join(self.names.quantities)}",
        )

    def check(self, left: Number | Quantity, sign: Operator, right: Number | Quantity) -> None:
        """Note comparisons that cannot be meant."""
        match left, right:
            case Quantity(first), Quantity(second):
                if not {first, second} <= set(self.names.levels):
                    self.refuse(
                        f'"{first}" is compared with "{second}"',
                        "a number; only lights and loads may be compared with one another",
                    )
            case Number(first), Number(second):
                self.refuse(
                    f"the numbers {number_text(first)} and {number_text(second)} are compared with "
                    f"each other",
                    f"a comparison with one of {', '.join(self.names.quantities)}",
                )
            case Quantity(name), Number(value):
                self.check_number(name, sign, value)
            case Number(value), Quantity(name):
                self.check_number(name, MIRRORED[sign], value)

    def check_number(self, name: str, sign: Operator, value: float) -> None:
        shown = number_text(value)
        if name in CONTINUOUS and sign in ("==", "!="):
            self.refuse(f'"{name}" is hardly ever exactly {shown}', "<, <=, >, >=")
        elif name == "gauge":
            if not value.is_integer() or not 0 <= value <= (self.names.bars or 0):
                self.refuse(
                    f'"gauge" counts bars and is compared with {shown}',
                    f"whole numbers from 0 to {self.names.bars}",
                )
        elif name in self.names.counts:
            most = max(self.names.counts[name].values())
            # A measure whose thresholds could not be read has none here, and is told of elsewhere.
            if most and (not value.is_integer() or not 0 <= value <= most):
                self.refuse(
                    f'"{name}" is counted in whole numbers and is compared with {shown}',
                    f"whole numbers from 0 to {most}",
                )
        elif (name == "cell.charge" or name in self.names.levels) and not 0 <= value <= 1:
            self.refuse(
                f'"{name}" is a share and is compared with {shown}',
                "numbers from 0 to 1 (0.45 for 45 %)",
            )

    # -- names ------------------------------------------------------------------------------------

    def dotted(self, node: ast.expr) -> str:
        parts: list[str] = []
        inner = node
        while isinstance(inner, ast.Attribute):
            parts.append(inner.attr.removeprefix(_MARK))
            inner = inner.value
        if not isinstance(inner, ast.Name):
            raise self.refuse(f'"{_shown(node)}" is not part of an expression', _GRAMMAR)
        return ".".join([inner.id, *reversed(parts)])


def parse_expression(
    text: str, names: Names, *, events_allowed: bool = False, key: str = ""
) -> Expression:
    """The expression that `text` says.

    `events_allowed`: events may be named, as in the `when` of a rule. `key` is the path of the
    text in its file. Raises `DescriptionError` with all problems of the text.
    """
    text = " ".join(text.split())
    reader = _Reader(text, names, key, events_allowed=events_allowed)
    try:
        expression = reader.truth(_syntax(reader.repaired(), reader))
    except _RefusedError:
        expression = None
    if expression is None or reader.problems:
        raise DescriptionError(reader.problems)
    return expression


def _syntax(text: str, reader: _Reader) -> ast.expr:
    if not text:
        raise reader.refuse("the expression is empty", _GRAMMAR)
    if len(text) > _LONGEST:
        raise reader.refuse(f"the expression is longer than {_LONGEST} characters")
    if "#" in text:
        raise reader.refuse('"#" is not part of an expression', _GRAMMAR)
    try:
        return _parsed(text)
    except _UNREADABLE:
        raise reader.refuse("cannot be read as an expression", _GRAMMAR) from None


_UNREADABLE = (SyntaxError, ValueError, Warning, RecursionError, MemoryError)


def _parsed(text: str) -> ast.expr:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        return ast.parse(_DOTTED.sub(_marked, text), mode="eval").body


def _marked(found: re.Match[str]) -> str:
    head, *rest = found[0].split(".")
    return ".".join(
        [head, *(_MARK + part if part[0].isdigit() or keyword.iskeyword(part) else part
                 for part in rest)]
    )


def _is_number(node: ast.expr) -> bool:
    match node:
        case ast.UnaryOp(op=ast.USub(), operand=ast.Constant(value=value)):
            pass
        case ast.Constant(value=value):
            pass
        case _:
            return False
    return isinstance(value, int | float) and not isinstance(value, bool)


def _shown(node: ast.expr) -> str:
    return ast.unparse(node).replace(_MARK, "")


def _typical(name: str) -> str:
    return "0.2" if name == "cell.charge" else "3.3"
