"""Expressions: the boolean sentences of guards, rules, expectations and habit conditions.

Text is parsed with `ast`, only a few node kinds are let through, and every name is resolved when
the file is loaded. What remains is a small tree of frozen values (`tree`). Nothing is ever handed
to `eval`.
"""

from __future__ import annotations

from simfw.behaviour.parsing import parse_expression
from simfw.behaviour.tree import (
    COMPARE,
    CONTINUOUS,
    MIRRORED,
    All,
    Any,
    Compare,
    Constant,
    Expression,
    Flag,
    Happened,
    Inside,
    Mentioned,
    Names,
    Not,
    Number,
    Operator,
    Quantity,
    View,
    bind,
    evaluate,
    family,
    leaves,
    levels_in,
    names_in,
    number_text,
    reads_world,
    to_text,
    turning_level,
    turning_levels,
    with_leaves,
)

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
    "Mentioned",
    "Names",
    "Not",
    "Number",
    "Operator",
    "Quantity",
    "View",
    "bind",
    "evaluate",
    "family",
    "leaves",
    "levels_in",
    "names_in",
    "number_text",
    "parse_expression",
    "reads_world",
    "to_text",
    "turning_level",
    "turning_levels",
    "with_leaves",
]
