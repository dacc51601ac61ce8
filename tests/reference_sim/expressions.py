"""Boolean expressions over names, evaluated by walking Python's own syntax tree."""

from __future__ import annotations

import ast
import re
from collections.abc import Callable
from typing import Any

Lookup = Callable[[str], Any]


def parse(text: str) -> ast.expr:
    """The syntax tree of an expression. Numbered states (`bars.2`) are made names of their own."""
    text = re.sub(r"(?<=[A-Za-z_0-9])\.(\d+)", _numbered, text)
    return ast.parse(re.sub(r"\.in\b", "._in", text), mode="eval").body


def _numbered(match: re.Match[str]) -> str:
    before = match.string[: match.start()]
    word = re.search(r"[A-Za-z_][\w.]*$", before)
    return f"._{match.group(1)}" if word else match.group(0)


def name_of(node: ast.expr) -> str:
    """The dotted name of an attribute chain."""
    if isinstance(node, ast.Name):
        return node.id
    assert isinstance(node, ast.Attribute)
    last = node.attr
    return f"{name_of(node.value)}.{last[1:] if re.fullmatch(r'_([0-9]+|in)', last) else last}"


def names(node: ast.expr) -> set[str]:
    """All dotted names in an expression."""
    if isinstance(node, (ast.Name, ast.Attribute)):
        return {name_of(node)}
    found: set[str] = set()
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.expr):
            found |= names(child)
    return found


COMPARE = {
    ast.Lt: lambda a, b: a < b,
    ast.LtE: lambda a, b: a <= b,
    ast.Gt: lambda a, b: a > b,
    ast.GtE: lambda a, b: a >= b,
    ast.Eq: lambda a, b: a == b,
    ast.NotEq: lambda a, b: a != b,
}


def value(node: ast.expr, lookup: Lookup, compared: Callable[..., None] | None = None) -> Any:
    """What the expression is worth; `compared` is told each (name, operator, left, right)."""
    match node:
        case ast.Constant(value=constant):
            return constant
        case ast.UnaryOp(op=ast.Not(), operand=inner):
            return not value(inner, lookup, compared)
        case ast.UnaryOp(op=ast.USub(), operand=inner):
            return -value(inner, lookup, compared)
        case ast.BoolOp(op=ast.And(), values=parts):
            return all(value(part, lookup, compared) for part in parts)
        case ast.BoolOp(op=ast.Or(), values=parts):
            return any(value(part, lookup, compared) for part in parts)
        case ast.Compare(left=first, ops=ops, comparators=rest):
            left = value(first, lookup, compared)
            for op, other in zip(ops, rest, strict=True):
                right = value(other, lookup, compared)
                if compared is not None:
                    compared(names(first) | names(other), op, left, right)
                if not COMPARE[type(op)](left, right):
                    return False
                left, first = right, other
            return True
        case _:
            return lookup(name_of(node))
