"""The smallest piece of work of a study: a group of users with one set of parts."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from simfw import __version__
from simfw.engine.corners import changed
from simfw.errors import RunError
from simfw.life.drawing import warmths
from simfw.life.layout import ROWS_FROM, Layout
from simfw.life.parts import PartTables
from simfw.life.sampling import MOST_ROWS, Spread
from simfw.life.store import Store
from simfw.life.user import UserLife, live
from simfw.stimuli.pattern import Pattern

__all__ = ["GRAIN_C", "Group", "Outcome", "Task", "groups", "outcome", "run_task"]

MOST_STORES = 4  # that designs of one pattern leave behind, less one
GROUP = 8  # users simulated one after the other with one set of parts
GRAIN_C = 2.0**-50  # charges are added up in whole grains, 0.9 fC: far below what anything draws


@dataclass(frozen=True, slots=True)
class Group:
    """Users that share one set of parts; the smallest piece of work."""

    number: int
    values: tuple[tuple[str, float], ...]
    users: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """Some groups of one study, to be run in one process, by the same version of simfw."""

    pattern: Pattern
    seed: int
    fast: bool
    groups: tuple[Group, ...]
    version: str = __version__


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What came of one group, in a form that is small and can be added up in any order.

    `users`, `days` (None where no span ended), `strengths` and `lasted_ns` hold one value per user.
    `plugs` and `counted_ns` as in `UserLife`.
    `within_share` as in `PartTables`.
    The rest are sums over them, as whole numbers, so that the order of adding changes no digit:
    times in ns, charges in grains of `GRAIN_C`. `heat` is the charge of each quarter of an hour of
    the week, `spent_ns` the time in each flat state but those of clocks, `writes` how often was
    written what is kept of each region that keeps something over a power loss.
    """

    number: int
    users: tuple[int, ...]
    days: tuple[float | None, ...]
    strengths: tuple[float, ...]
    lasted_ns: tuple[int, ...]
    dead_ns: int
    plugs: int
    counted_ns: int
    waves: int
    caught: int
    asked: int
    refused: int
    used: int
    heat: tuple[int, ...]
    spent_ns: tuple[int, ...]
    writes: tuple[int, ...]
    within_share: float | None = None


def groups(pattern: Pattern, users: int, seed: int) -> Iterator[Group]:
    """The users of a study with their parts, one group after the other, always shared out alike.

    Up to `MOST_ROWS` sets of parts are drawn; with more users they go round.
    """
    assert pattern.gadget is not None
    spread = Spread(pattern.gadget)
    count = min(users, MOST_ROWS) if spread.keys else 1
    points = spread.rows(count, seed)
    number = 0
    for row in range(count):
        values = tuple(spread.values(points[row]).items())
        mine = range(row, users, count)
        for first in range(0, len(mine), GROUP):
            yield Group(number, values, tuple(mine[first : first + GROUP]))
            number += 1


_MINE = threading.local()  # a scheduler's worker may run tasks in several threads


def _nominal(task: Task) -> tuple[Layout, Store]:
    """The layout and the tables of this thread for a pattern: kept from task to task.

    Designs of one pattern share the tables as far as their figures leave the rows alone.
    """
    pattern = task.pattern
    gadget = pattern.gadget
    assert gadget is not None
    if getattr(_MINE, "key", None) == (pattern, task.fast) and _MINE.layout.gadget == gadget:
        return _MINE.layout, _MINE.store
    layout = Layout(pattern, gadget, warmths(pattern)[0])
    if getattr(_MINE, "key", None) != (pattern, task.fast):  # the gadget has no part in that
        _MINE.stores = []
    stores: list[Store] = _MINE.stores
    store = next((one for one in stores if one.serves(layout)), None)
    if store is None:
        store = Store(layout, task.fast)
        del stores[:-MOST_STORES]
    else:
        stores.remove(store)
    stores.append(store)
    _MINE.layout, _MINE.store, _MINE.key = layout, store, (pattern, task.fast)
    return layout, store


def run_task(task: Task) -> list[Outcome]:
    """Live the lives of some groups. Raises RunError where the task is of another version."""
    if task.version != __version__:
        raise RunError(
            f"A worker has simfw {__version__}, and the study was begun with {task.version}: "
            "install the same version for all."
        )
    pattern = task.pattern
    assert pattern.gadget is not None
    nominal, store = _nominal(task)
    found = []
    for group in task.groups:
        gadget, reference_v = changed(pattern.gadget, dict(group.values))
        its_store = store
        if any(isinstance(value, float) and key.startswith(ROWS_FROM)
               for key, value in group.values):
            # The order of dwells may be another, or a guard, or the steps of a line.
            layout = Layout(pattern, gadget, warmths(pattern)[0])
            if not layout.same_shape(nominal):
                its_store = Store(layout, task.fast)
        parts = PartTables(its_store, gadget, reference_v)
        lives = [live(pattern, its_store, parts, task.seed, user) for user in group.users]
        found.append(outcome(group.number, lives, parts.within_share))
    return found


def outcome(
    number: int, lives: Sequence[UserLife], within_share: float | None = None
) -> Outcome:
    """Add up the lives of a group. `within_share` is that of its parts."""
    return Outcome(
        number=number,
        users=tuple(one.user for one in lives),
        days=tuple(one.days for one in lives),
        strengths=tuple(one.strength for one in lives),
        lasted_ns=tuple(one.total_ns for one in lives),
        dead_ns=sum(one.dead_ns for one in lives),
        plugs=sum(one.plugs for one in lives),
        counted_ns=sum(one.counted_ns for one in lives),
        waves=sum(one.waves for one in lives),
        caught=sum(one.caught for one in lives),
        asked=sum(one.asked for one in lives),
        refused=sum(one.refused for one in lives),
        used=sum(round(one.used_c / GRAIN_C) for one in lives),
        heat=_summed([[round(c / GRAIN_C) for c in one.heat_c] for one in lives]),
        spent_ns=_summed([one.spent_ns for one in lives]),
        writes=_summed([one.writes for one in lives]),
        within_share=within_share,
    )


def _summed(rows: Sequence[Sequence[int]]) -> tuple[int, ...]:
    return tuple(sum(column) for column in zip(*rows, strict=True))
