"""What rests: regions whose dwells lead round in a circle, or on for a while, and touch nothing."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

from simfw.behaviour.expression import (
    COMPARE,
    Compare,
    Expression,
    Flag,
    Happened,
    Inside,
    Leaf,
    Number,
    Operator,
    Quantity,
    names_in,
    of_cell,
    truth,
)
from simfw.engine.supply import unsupplied
from simfw.life.layout import Layout

__all__ = ["Lap", "Laps", "Moment", "Truths", "laps_of", "majority"]

class Lap(NamedTuple):
    """The states that a resting region passes, the present one first: round and round, or - not
    closed - on to the last one, whose end is an instant again.
    """

    states: tuple[int, ...]
    closed: bool


Laps = dict[int, Lap]
"""The laps of the resting regions, by number."""

_LONGEST = 32
# What goes round is charged by its mean, also where it is interrupted on the way: it rests where it
# is elsewhere than in its longest state for no longer in a round. Else it is stepped, and whole
# rounds are gone in one step (see `cycling`).
_AWAY_NS = 2 * 10**9
_GLIDE_NS = 10**9  # a way that leads on and not back is gone in one step if it is no longer


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """One settled combination: states and inputs.

    `following[r]` tells whether the first dwell of region r is spent. `flags` are usb, status.low,
    status.high and the contacts; `echoes` whether each sensor would be answered. `cut`, `fed` and
    `released`: as `engine.supply` has them.
    """

    states: tuple[int, ...]
    following: tuple[bool, ...]
    flags: tuple[bool, ...]
    echoes: tuple[bool, ...]
    mode: int
    protected: bool
    warmth: int
    cut: bool = False
    fed: bool = False
    released: bool = False
    reached: tuple[int, ...] = ()

    @property
    def dead(self) -> bool:
        """Whether the controller has no supply."""
        return unsupplied(protected=self.protected, fed=self.fed, cut=self.cut,
                          released=self.released)


Level = Callable[[Moment, tuple[int, ...], int], float]
"""The level of an output in some states."""
Below = Callable[[Moment, tuple[int, ...], str, float], bool]
"""Whether a quantity of `CONTINUOUS` is below a level in some states."""


class Truths:
    """Tells whether an expression holds at a moment, with other states if wanted.

    The cell is asked by `below`, with all that goes round by itself in the state in which it is for
    longest - or in that of `standing`, by region - but for region `but`: the one whose guards are
    read. `readers` collects those that have asked.
    """

    def __init__(
        self, layout: Layout, moment: Moment, level: Level, below: Below,
        standing: Mapping[int, int] | None = None,
    ) -> None:
        self.layout = layout
        self.moment = moment
        self.level = level
        self.below = below
        self.but = -1
        self.readers: set[int] = set()
        self._standing = standing or {}
        self._bars = layout.gauge_bars

    def holds(self, expression: Expression, states: tuple[int, ...]) -> bool:
        """Whether `expression` holds with these states; events have not happened."""
        layout = self.layout

        def read(leaf: Leaf) -> bool:
            match leaf:
                case Inside(region, names):
                    number = layout.region_id[region]
                    return layout.regions[number].states[states[number]].name in names
                case Flag(name):
                    return self._flag(name)
                case Happened():
                    return False
                case Compare(left, sign, right):
                    cell = self._cell(left, sign, right, states)
                    if cell is not None:
                        return cell
                    return COMPARE[sign](self._term(left, states), self._term(right, states))
            raise AssertionError(leaf)

        return bool(truth(expression, read))

    def _flag(self, name: str) -> bool:
        layout, moment = self.layout, self.moment
        what, _, kind = name.rpartition(".")
        if kind == "echo":
            return moment.echoes[layout.sensors.index(what)]
        fixed = ("usb", "status.low", "status.high")
        if name in fixed:
            return moment.flags[fixed.index(name)]
        if (measure := name.partition(".")[0]) in layout.measures:
            place = layout.measures.index(measure)
            return layout.levels_of[place].told(moment.reached[place], int(kind))
        return moment.flags[3 + layout.buttons.index(what)]

    def _cell(
        self, left: Number | Quantity, sign: Operator, right: Number | Quantity,
        states: tuple[int, ...],
    ) -> bool | None:
        cell = of_cell(left, sign, right)
        if cell is None:
            return None
        name, level, order = cell
        if order in ("==", "!="):
            return order == "!="
        if name != "gauge.counted":  # which no load of the moment moves
            self.readers.add(self.but)
        below = self.below(self.moment, self._at_home(states), name, level)
        return below == (order in ("<", "<="))

    def _at_home(self, states: tuple[int, ...]) -> tuple[int, ...]:
        homes = self.layout.homes
        return tuple(
            state if r == self.but else self._standing.get(r, homes[r][state])
            for r, state in enumerate(states)
        )

    def _term(self, term: Number | Quantity, states: tuple[int, ...]) -> float:
        if isinstance(term, Number):
            return term.value
        if term.name == "gauge" and self._bars is not None:
            return self._bars[states[self.layout.region_id["gauge"]]]
        return self.level(self.moment, states, self.layout.outputs.index(term.name))


def laps_of(truths: Truths) -> Laps:
    """The regions that rest at the moment of `truths`."""
    layout, moment = truths.layout, truths.moment
    if moment.dead:
        return {}
    laps: Laps = {}
    for r in range(len(layout.regions)):
        lap = _lap(layout, truths, moment, r)
        if lap is not None:
            laps[r] = lap
    while True:
        # A region may only rest as far as nothing of what the resting ones do could move another,
        # wherever in their laps they are; where one falls short, the rest is asked again.
        again = False
        for r, lap in list(laps.items()):
            count = _harmless(layout, truths, moment, laps, r)
            if count < len(lap.states) - (0 if lap.closed else 1):
                again = True
                shorter = _leading_on(layout, r, lap.states[: count + 1])
                del laps[r]
                if shorter is not None:
                    laps[r] = shorter
        if not again:
            return dict(sorted(laps.items()))


def _with(states: tuple[int, ...], r: int, state: int) -> tuple[int, ...]:
    return (*states[:r], state, *states[r + 1 :])


def _leaving(
    layout: Layout, truths: Truths, states: tuple[int, ...], r: int
) -> tuple[int, tuple[str, ...]] | None:
    """Where region r goes when the first dwell of its state expires, and what it emits.

    The state has a dwell. None where no row of that dwell holds, or where the one that does names
    no state (`same`, `resume`).
    """
    for number in layout.groups[r][states[r]][0][1]:
        row = layout.row_list[number]
        if row.when is None or truths.holds(row.when, states):
            target = layout.state_id[r].get(row.to)
            return None if target is None else (target, row.emit)
    return None


def _lap(layout: Layout, truths: Truths, moment: Moment, r: int) -> Lap | None:
    """Where the dwells of a region lead: round in a circle, or as far as they can be told."""
    if moment.following[r] or not layout.groups[r][moment.states[r]]:
        return None
    if layout.regions[r].kept == "state":
        return None  # each of its changes is written, and is to be counted
    states = layout.regions[r].states
    if states[moment.states[r]].unpowered:
        return None  # wherever it is let go of, that is an instant
    truths.but = r
    seen = [moment.states[r]]
    lasts = longest = 0
    most = _LONGEST if not layout.regions[r].follows else len(layout.regions[r].states)
    while len(seen) <= most:
        stays = layout.groups[r][seen[-1]][0][0]
        lasts += stays
        longest = max(longest, stays)
        step = _leaving(layout, truths, _with(moment.states, r, seen[-1]), r)
        if step is not None and step[0] == seen[0]:
            return Lap(tuple(seen), True) if lasts and lasts - longest <= _AWAY_NS else None
        if (step is None or step[0] in seen or not layout.groups[r][step[0]]
                or states[step[0]].unpowered):
            break
        seen.append(step[0])
    return _leading_on(layout, r, tuple(seen))


def _leading_on(layout: Layout, r: int, states: tuple[int, ...]) -> Lap | None:
    """A way that leads on and not back, where it is worth going in one step."""
    lasts = sum(layout.groups[r][state][0][0] for state in states)
    if len(states) < 2 or lasts > _GLIDE_NS or r in layout.tracked:
        return None
    return Lap(states, False)


def _harmless(layout: Layout, truths: Truths, moment: Moment, laps: Laps, r: int) -> int:
    """How many changes of state along its lap, from the present state on, move nothing else."""
    lap = laps[r].states
    truths.but = r
    points = layout.regions[r].resume_points
    if any(layout.regions[r].states[state].name in points for state in lap):
        return 0
    watched = [condition.when for condition in layout.system.conditions]
    watched += layout.habit_conditions.values()
    # What others wait for must not hang on where in the lap the region is.
    for other, its_lap in laps.items():
        if other != r:
            for state in its_lap.states:
                for number in layout.groups[other][state][0][1]:
                    guard = layout.row_list[number].when
                    if guard is not None:
                        watched.append(guard)
    for expression in watched:
        if r in layout.spread(expression) and len(
            {truths.holds(expression, _with(moment.states, r, state)) for state in lap}
        ) > 1:
            return 0
    for position, state in enumerate(lap):
        if position == len(lap) - 1 and not laps[r].closed:
            return position
        after = lap[(position + 1) % len(lap)]
        step = _leaving(layout, truths, _with(moment.states, r, state), r)
        if step is None or any(
            _stirs(layout, truths, moment, laps, r, after, event) for event in step[1]
        ):
            return position
    return len(lap)


def _stirs(
    layout: Layout, truths: Truths, moment: Moment, laps: Laps, r: int, after: int, event: str
) -> bool:
    """Whether an event that region r emits on its way to a state does anything to anybody."""
    if _listened(layout, event):
        return True
    for other in range(len(layout.regions)):
        rests = laps.get(other)
        heres = (moment.states[other],) if rests is None else rests.states
        for here in (after,) if other == r else heres:
            states = _with(_with(moment.states, r, after), other, here)
            if _moves(layout, truths, other, states, event):
                return True
    return False


def _listened(layout: Layout, event: str) -> bool:
    return any(event in names_in(expression).events
               for expression in layout.habit_conditions.values())


def _moves(
    layout: Layout, truths: Truths, r: int, states: tuple[int, ...], event: str
) -> bool:
    """Whether an event does anything to region r."""
    region = layout.regions[r]
    name = region.states[states[r]].name
    for row in region.rows:
        if row.on == event and name in row.sources and (
            row.when is None or truths.holds(row.when, states)
        ):
            return row.to != "same" or bool(row.emit)
    return False


def majority(layout: Layout, states: tuple[int, ...], laps: Laps) -> tuple[int, ...]:
    """The same states with each resting region in the state it is in for longest."""
    for r, lap in laps.items():
        longest = max(lap.states, key=lambda state, r=r: layout.groups[r][state][0][0])  # type: ignore[misc]
        states = _with(states, r, longest)
    return states
