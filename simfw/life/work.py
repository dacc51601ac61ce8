"""The smallest piece of work of a study: a group of users with one set of parts."""

from __future__ import annotations

from dataclasses import dataclass

from simfw.life.drawing import warmths
from simfw.life.layout import Layout
from simfw.life.parts import PartTables
from simfw.life.sampling import MOST_ROWS, Spread, changed
from simfw.life.store import Store
from simfw.life.user import UserLife, live
from simfw.stimuli.pattern import Pattern

__all__ = ["Group", "Outcome", "Task", "groups", "run_task"]

GROUP = 8  # users simulated one after the other with one set of parts


@dataclass(frozen=True, slots=True)
class Group:
    """Users that share one set of parts; the smallest piece of work."""

    number: int
    values: tuple[tuple[str, float], ...]
    users: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """Some groups of one study, to be run in one process."""

    pattern: Pattern
    seed: int
    fast: bool
    groups: tuple[Group, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What came of one group: its users, and their sums (in the order of the users)."""

    number: int
    lives: tuple[UserLife, ...]


def groups(pattern: Pattern, users: int, seed: int) -> list[Group]:
    """The users of a study with their parts, always shared out in the same way.

    Up to `MOST_ROWS` sets of parts are drawn; with more users they go round.
    """
    assert pattern.gadget is not None
    spread = Spread(pattern.gadget)
    if not spread.keys:
        rows = [tuple(range(first, min(first + GROUP, users))) for first in range(0, users, GROUP)]
        return [Group(n, (), chosen) for n, chosen in enumerate(rows)]
    count = min(users, MOST_ROWS)
    points = spread.rows(count, seed)
    made: list[Group] = []
    for row in range(count):
        values = tuple(spread.values(points[row]).items())
        mine = range(row, users, count)
        for first in range(0, len(mine), GROUP):
            made.append(Group(len(made), values, tuple(mine[first : first + GROUP])))
    return made


_STORES: dict[tuple[str, bool], Store] = {}


def _store(pattern: Pattern, layout: Layout, fast: bool) -> Store:
    """The tables of this process for a layout: kept from task to task."""
    key = (repr((pattern, layout.signature)), fast)
    if key not in _STORES:
        _STORES.clear()
        _STORES[key] = Store(layout, fast)
    return _STORES[key]


def run_task(task: Task) -> list[Outcome]:
    """Live the lives of some groups."""
    pattern = task.pattern
    assert pattern.gadget is not None
    nominal = Layout(pattern, pattern.gadget, warmths(pattern)[0])
    store = _store(pattern, nominal, task.fast)
    found = []
    for group in task.groups:
        gadget, reference_v = changed(pattern.gadget, dict(group.values))
        its_store = store
        if any(isinstance(value, float) and _is_timing(key) for key, value in group.values):
            layout = Layout(pattern, gadget, warmths(pattern)[0])
            if not layout.same_shape(nominal):
                its_store = Store(layout, task.fast)
        parts = PartTables(its_store, gadget, reference_v)
        lives = tuple(live(pattern, its_store, parts, task.seed, user) for user in group.users)
        found.append(Outcome(number=group.number, lives=lives))
    return found


def _is_timing(key: str) -> bool:
    """Whether a figure may change the order of dwells or a guard, and so the shape of the rows."""
    return key.startswith(("buttons", "chords", "proximity", "gauge", "behaviour"))
