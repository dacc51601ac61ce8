"""A case made smaller while it still shows the same kind of difference."""

from __future__ import annotations

import copy
import re
from collections.abc import Callable, Iterator
from typing import Any

from tests.reference_sim.compare import Verdict, run
from tests.reference_sim.generator import Case

# What the reference simulator may raise where what is left makes no gadget.
NO_GADGET = (ArithmeticError, AssertionError, AttributeError, LookupError, TypeError, ValueError)


def kind(verdict: Verdict) -> str | None:
    """What the first difference is about, without its figures."""
    if verdict.refused or not verdict.differences:
        return None
    return re.sub(r"\d+", "", verdict.differences[0].split(":")[1])


KEPT = ("title", "gadget", "charge", "lasts", "curve", "capacity", "resistance", "starts")


def parts(tree: Any) -> Iterator[tuple[Any, Any]]:
    """Every place (container, key) of a nested description, the largest first."""
    if isinstance(tree, dict):
        yield from ((tree, key) for key in list(tree))
        for value in list(tree.values()):
            yield from parts(value)
    elif isinstance(tree, list):
        yield from ((tree, index) for index in range(len(tree) - 1, -1, -1))
        for value in tree:
            yield from parts(value)


def smaller(case: Case, still: Callable[[Case], bool] | None = None, tries: int = 600) -> Case:
    """Take out whatever can be taken out; at most `tries` runs."""
    wanted = kind(run(case))

    def shows(other: Case) -> bool:
        try:
            return kind(run(other)) == wanted
        except NO_GADGET:
            return False

    test = still or shows
    done = 0
    again = True
    while again and done < tries:
        again = False
        count = sum(1 for _ in parts([case.gadget, case.scenario]))
        index = 0
        while index < count and done < tries:
            other = copy.deepcopy(case)
            places = list(parts([other.gadget, other.scenario]))
            index += 1
            if index > len(places):
                break
            container, key = places[index - 1]
            if container is other.gadget and key in ("gadget", "cell"):
                continue
            if key in KEPT or container[key] is other.gadget or container[key] is other.scenario:
                continue
            del container[key]
            done += 1
            if test(other):
                case, again = other, True
                index -= 1
                count -= 1
    return case
