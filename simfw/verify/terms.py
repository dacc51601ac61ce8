"""The terms of the search: combinations, dwells, acts, monitors, and how an instant ends."""

from __future__ import annotations

from dataclasses import dataclass

from simfw.behaviour import expression as ex

__all__ = ["SUPPLY", "WATCHED", "Act", "Config", "Endless", "Mark", "Monitor", "Outcome", "Span"]

SUPPLY = "(supply)"
"""The input that says whether the protection lets the cell feed the gadget."""

WATCHED = "(watched) "
"""Before the key of a condition: the input that says what it last was."""

Config = tuple[int, ...]
"""A settled combination: states, dwells passed, memories, inputs, conditions, monitors.

Before the monitors stands, for each region that keeps its state and lets go of the supply, what it
has kept where it stands in a state that lets go, and -1 where it does not."""

@dataclass(frozen=True, slots=True)
class Span:
    """When a dwell row may fire: any time from `low_ns` to `high_ns` (None: for ever after)."""

    low_ns: int
    high_ns: int | None


@dataclass(frozen=True, slots=True)
class Act:
    """Something the outside does at one time: `sets` gives inputs their new values, None toggles.

    `event` is the raw event it causes (empty: none). Of one `group` only one act fits one instant.
    """

    label: str
    group: str
    sets: tuple[tuple[str, bool | None], ...]
    event: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Monitor:
    """A rule as the search watches it.

    `never`: broken in any settled state where `when` holds. `answer`: broken when `then` has not
    held in a settled state up to `time_ns` after an instant with `when` (without an event in it:
    after it began to hold). `stay`: broken when `when` stops holding sooner than `time_ns` after it
    began to.
    """

    name: str
    kind: str  # "never", "answer" or "stay"
    when: ex.Expression
    then: ex.Expression | None = None
    time_ns: int = 0


@dataclass(frozen=True, slots=True)
class Mark:
    """A time of a state's clock at which something is due.

    `deadlines` are the deadlines of the state that expire then (none where rows that may fire any
    time from then on only ripen, and none for a monitor).
    """

    low_ns: int
    high_ns: int
    deadlines: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Outcome:
    """Where an instant came to rest, and what happened in it.

    `reset` holds the clocks set to 0, `rows` the keys of the rows that fired, `broken` the monitors
    that broke, `choices` the answers of what was free, in the order they were read.
    """

    config: Config
    reset: frozenset[int]
    rows: tuple[str, ...]
    events: tuple[str, ...]
    broken: tuple[int, ...]
    choices: tuple[tuple[str, object], ...]


class Endless(Exception):
    """An instant that never comes to rest; `loop` names the events that chase each other.

    `rows` are the keys of the rows that fired first.
    """

    def __init__(self, loop: tuple[str, ...], rows: tuple[str, ...]) -> None:
        self.loop = loop
        self.rows = rows
        super().__init__(loop)
