"""Slips in the comparisons of a guard: the other sign, a limit moved."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from typing import TypeVar

from simfw.behaviour.expression import (
    CONTINUOUS,
    MIRRORED,
    All,
    Any,
    Compare,
    Expression,
    Not,
    Number,
    Operator,
    Quantity,
    to_text,
)
from simfw.vectors.items import READINGS

__all__ = ["parts_of", "slips_of"]

MOVED_V = 0.030  # how far a limit of a voltage is moved
MOVED_SHARE = 0.03  # likewise of a share
ONE_STEP = 1e-6  # of a reading: what the line protocol can tell (1 uV, or 1 part per million)

_Part = TypeVar("_Part", bound=Expression)


def parts_of(when: Expression, kind: type[_Part]
           ) -> Iterator[tuple[_Part, Callable[[Expression], Expression]]]:  # fmt: skip
    """Every part of one kind in a guard, with what makes a guard of another one in its place."""
    if isinstance(when, kind):
        yield when, lambda other: other
    elif isinstance(when, Not):
        for part, changed in parts_of(when.part, kind):
            yield part, lambda other, made=changed: Not(made(other))  # type: ignore[misc]
    elif isinstance(when, All | Any):
        for number, one in enumerate(when.parts):
            for part, changed in parts_of(one, kind):
                def put(other: Expression, number: int = number,
                        made: Callable[[Expression], Expression] = changed,
                        whole: All | Any = when) -> Expression:  # fmt: skip
                    return type(whole)((*whole.parts[:number], made(other),
                                        *whole.parts[number + 1 :]))  # fmt: skip

                yield part, put


SWAPPED: Mapping[str, Operator] = {"<": "<=", "<=": "<", ">": ">=", ">=": ">"}


def slips_of(compare: Compare) -> Iterator[tuple[str, str, Compare]]:
    """A comparison with a slip: kind, words, and how it reads then."""
    for side, level in (("right", compare.right), ("left", compare.left)):
        opposite = compare.left if side == "right" else compare.right
        if not isinstance(level, Number) or not isinstance(opposite, Quantity):
            continue
        if opposite.name in READINGS:
            # One step beyond the level does what the other sign would at the level itself.
            seen = compare.operator if side == "right" else MIRRORED[compare.operator]
            if seen in SWAPPED:
                by = ONE_STEP if seen in ("<", ">=") else -ONE_STEP
                beyond = Number(round(level.value + by, 9))
                other = replace(compare, **{side: beyond})  # type: ignore[arg-type]
                words = SWAPPED[compare.operator]
                yield "sign", f"`{words}` for `{compare.operator}` in `{to_text(compare)}`", other
        elif opposite.name not in CONTINUOUS:
            sign = SWAPPED.get(compare.operator)
            if sign is not None:
                other = replace(compare, operator=sign)
                yield "sign", f"`{to_text(other)}` for `{to_text(compare)}`", other
        if opposite.name in CONTINUOUS:
            by = MOVED_V if opposite.name in ("gauge.measured", "cell.voltage") else MOVED_SHARE
            moves = (by, -by)
        elif opposite.name == "gauge":
            moves = (1.0, -1.0)
        else:
            continue
        for move in moves:
            moved = Number(round(level.value + move, 9))
            other = replace(compare, **{side: moved})  # type: ignore[arg-type]
            yield "limit", f"`{to_text(other)}` for `{to_text(compare)}`", other
