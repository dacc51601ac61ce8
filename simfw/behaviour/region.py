"""Regions: the rows that everything reads.

A `System` is the whole behaviour of one gadget: the stock regions that the loader builds from the
timings, then the regions of `[behaviour.*]`, in the order in which an instant offers events to
them. Simulation, search, specification, diagrams and generated C all read the same `System`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Literal

from simfw.behaviour.tree import Expression, Names

__all__ = ["STATUS_LEVELS", "Condition", "Drive", "Group", "Levels", "Position", "Region", "Row",
           "Sequence", "State", "System"]  # fmt: skip

# What may be read at a charger's status pin; the number of each in test vectors and the C source.
STATUS_LEVELS = ("released", "low", "high")

Group = Literal[
    "buttons", "chords", "toggles", "proximity", "measures", "charge", "gauge", "dials", "behaviour"
]


@dataclass(frozen=True, slots=True)
class Drive:
    """How a state drives a light, load, emitter or receiver.

    `duty` is 0..1 (1 = on). `segments` is the number of lit segments of a segmented light, None
    for everything else. With `dial` it is what the position of that dial gives; the rest is then
    the largest of its values.
    """

    duty: float
    segments: int | None = None
    dial: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Position:
    """A position of the dial called `dial`: what it gives, and the lights and loads that states
    drive or scale by the dial.
    """

    dial: str
    drive: Drive
    outputs: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Sequence:
    """How an output is driven in time: `steps` holds how long (ns) each drive lasts.

    It goes round for ever, or `times` times, and drives nothing after that. A `line` is made of
    points: its steps have no times of their own in the file.
    """

    name: str
    steps: tuple[tuple[int, Drive], ...]
    times: int | None = None
    line: bool = False

    @property
    def period_ns(self) -> int:
        """How long it takes to go round once."""
        return sum(lasts_ns for lasts_ns, _ in self.steps)

    @property
    def total_ns(self) -> int | None:
        """How long it takes in all; None where it has no end."""
        return None if self.times is None else self.times * self.period_ns

    @property
    def levels(self) -> tuple[Drive, ...]:
        """Every drive that it may stand at, nothing included where it ends, each once."""
        ends = () if self.times is None else (NOTHING,)
        return tuple(dict.fromkeys((*(drive for _, drive in self.steps), *ends)))


NOTHING = Drive(0.0)


def _height(drive: Drive) -> tuple[int, float]:
    return drive.segments or 0, drive.duty


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """A state: what it drives, and whether it keeps the controller awake, or lets go of its supply
    (`unpowered`).

    `takes_out` holds how many segments of a light it puts out again, of those that other regions of
    its group light (the top bar of a gauge that blinks while charging). `scales` holds factors
    (0..1) by which what comes out after the largest driver is multiplied; of a light with segments
    0, which blanks it. `dial_scales` holds the dials whose positions give such factors. `position`
    is set in the states of a dial. `sequences` are what drives an output in time; the clock that
    goes through one is no part of the state (see `System.clocks`).
    """

    name: str
    outputs: Mapping[str, Drive] = field(default_factory=dict)
    awake: bool = False
    unpowered: bool = False
    takes_out: Mapping[str, int] = field(default_factory=dict)
    scales: Mapping[str, float] = field(default_factory=dict)
    dial_scales: Mapping[str, str] = field(default_factory=dict)
    position: Position | None = None
    sequences: Mapping[str, Sequence] = field(default_factory=dict)

    @property
    def drives(self) -> tuple[str, ...]:
        """Every output that the state drives, steadily or in time."""
        return (*self.outputs, *self.sequences)

    @property
    def most(self) -> Mapping[str, Drive]:
        """What the state drives where every sequence stands at its highest level."""
        return {**self.outputs, **{name: max(one.levels, key=_height)
                                   for name, one in self.sequences.items()}}

    @property
    def least(self) -> Mapping[str, Drive]:
        """What the state drives where every sequence stands at its lowest level."""
        return {**self.outputs, **{name: min(one.levels, key=_height)
                                   for name, one in self.sequences.items()}}

    @property
    def touches(self) -> tuple[str, ...]:
        """Every light, load, emitter or receiver on whose level the state has a say."""
        turned = () if self.position is None else self.position.outputs
        return tuple(dict.fromkeys((*self.drives, *self.takes_out, *self.scales,
                                    *self.dial_scales, *turned)))

    @property
    def gives(self) -> tuple[object, ...]:
        """All by which the state has a say on outputs: equal where two states give the same."""
        return (self.outputs, self.sequences, self.takes_out, self.scales, self.dial_scales,
                self.position)

    @property
    def dials(self) -> frozenset[str]:
        """The dials by which it drives or scales something."""
        driving = {drive.dial for drive in self.outputs.values() if drive.dial is not None}
        return frozenset(driving | set(self.dial_scales.values()))


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One row. Exactly one of `on` and `after_ns` is set.

    `sources` are exact state names, families and `"*"` already spelt out, in state order.
    `to` is an exact state name, "same" or "resume". `key` is the path in the gadget file for a
    written row (`behaviour.lamp.rows[3]`; with `.on[1]` behind it the row of one event of a list),
    or of the timing it was built from
    (`buttons.power.hold`, numbered `#1`, `#2` where one timing makes several rows) for a stock row;
    it is unique within the system. `when_text` is the guard as written.
    """

    key: str
    sources: tuple[str, ...]
    to: str
    on: str | None = None
    after_ns: int | None = None
    when: Expression | None = None
    when_text: str = ""
    emit: tuple[str, ...] = ()
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Region:
    """One small state machine. `show`, where set, gates the outputs of all its states.

    The clock of a sequence `follows` the region called so: when that enters a state, present or
    not, the clock enters the one that `begins` gives for it.
    `kept` says what survives a power loss: the state, or what it would resume.
    """

    name: str
    group: Group
    states: tuple[State, ...]
    starts: str
    rows: tuple[Row, ...]
    resume_points: tuple[str, ...] = ()
    show: Expression | None = None
    show_text: str = ""
    follows: str = ""
    begins: Mapping[str, str] = field(default_factory=dict)
    kept: Literal["state", "resume"] | None = None

    @property
    def touches(self) -> frozenset[str]:
        """Every light, load, emitter or receiver on whose level any of its states has a say."""
        return frozenset(name for state in self.states for name in state.touches)

    @property
    def written(self) -> bool:
        """Whether it is written out in the gadget file, as a region or as a dial."""
        return self.group in ("behaviour", "dials")

    @property
    def lets_go(self) -> bool:
        """Whether any of its states lets go of the supply."""
        return any(state.unpowered for state in self.states)

    def state(self, name: str) -> State:
        """The state called `name` (KeyError if there is none)."""
        for state in self.states:
            if state.name == name:
                return state
        raise KeyError(name)

    def entered_by(self, row: Row) -> tuple[str, ...]:
        """The states that `row` may enter: none where it stays, all resume points for `resume`."""
        if row.to == "same":
            return ()
        return self.resume_points if row.to == "resume" else (row.to,)


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """An expression that is watched: when it turns true `rises` happens, when false `falls`.

    Conditions are read whenever the queue of an instant runs empty; a change puts its event into
    the queue and the instant goes on. At power-up every condition counts as having been false.
    """

    key: str
    when: Expression
    rises: str
    falls: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Levels:
    """The levels of a measure, in its unit: where each of the `thresholds` is lost, and, as much
    higher as the hysteresis, where it is passed again (`back`).

    `rest` is the value before anything has changed it, `starts` the count that the firmware begins
    with. With a `source` the value is that input's.
    """

    thresholds: tuple[float, ...]
    back: tuple[float, ...]
    rest: float
    starts: int = 0
    unit: str = ""
    source: str | None = None

    @property
    def all(self) -> tuple[float, ...]:
        """The levels by their numbers, from 1 on: those of `thresholds`, then those of `back`."""
        return (*self.thresholds, *self.back)

    def reached(self, value: float) -> tuple[bool, ...]:
        """For each level whether `value` is at least that."""
        return tuple(value >= level for level in self.all)

    @property
    def codes(self) -> int:
        """How many numbers `code` may give."""
        return (len(self.thresholds) + 1) ** 2

    def code(self, value: float) -> int:
        """All that the rows can tell of `value`, as one number: how many levels of either kind it
        has reached. Both rise, so that the number does not hang on where they lie.
        """
        reached = self.reached(value)
        count = len(self.thresholds)
        return sum(reached[:count]) * (count + 1) + sum(reached[count:])

    def told(self, code: int, number: int) -> bool:
        """Whether level `number` is reached by a value of this code."""
        count = len(self.thresholds)
        out, back = divmod(code, count + 1)
        return out >= number if number <= count else back >= number - count

    def standing(self) -> tuple[float, ...]:
        """One value for each count, from none passed on: where the hysteresis leaves one, it has
        that count whichever way it came.
        """
        side = max(1.0, self.back[-1] - self.thresholds[0])
        lows = (_far_below(self.thresholds[0], side), *self.back)
        highs = (*self.thresholds, self.back[-1] + 2 * side)
        return tuple(max(low, (low + high) / 2) for low, high in zip(lows, highs, strict=True))

    def between(self) -> tuple[float, ...]:
        """One value for each stretch between neighbouring levels, and on either side, rising."""
        ends = sorted({*self.all})
        inner = [(low + high) / 2 for low, high in pairwise(ends)]
        side = max(1.0, ends[-1] - ends[0])
        lowest = (_far_below(ends[0], side) + ends[0]) / 2
        return (min(lowest, self.rest), *inner, ends[-1] + side)


def _far_below(level: float, side: float) -> float:
    """The lower end of what lies below a level. Most of what is measured is never negative."""
    return 0.0 if level > 0 else level - 2 * side


@dataclass(frozen=True, slots=True, kw_only=True)
class System:
    """The whole behaviour of a gadget.

    `raw_events` come from outside (`NAME.edge` for a contact, `usb.edge`, `status.edge`);
    `internal_events` pass between stock regions and are never reported; `events` are the ones that
    reports, rules and recordings know. `aliases` maps a name that may stand before a dot in an
    expression to the regions it stands for (`power` -> `power.contact`, `power.gesture`). `names`
    is all that an expression about this gadget may name. `status_levels` are the levels that can be
    read at the charger's status pin, of `STATUS_LEVELS`. `contacts` are the contacts that the
    firmware reads, in the order of the gadget file, and whether each is closed at rest. `measures`
    are what it measures; the input `NAME.reached.K` tells whether level K is reached. `clocks` go
    through the sequences, one for each output that a region drives so, a state for each step. They
    are outputs in time: what drives is told by them, but nothing reads in which step they are, so
    that whoever looks at states alone leaves them out. `powered_by` are the contacts, or "usb",
    that keep a supply which a state lets go of, until all have been open for `hold_up_ns`, and
    bring it back. `holds`: whether the output by which the firmware does so is among the outputs
    (see `holding`).
    """

    regions: tuple[Region, ...]
    conditions: tuple[Condition, ...] = ()
    events: tuple[str, ...] = ()
    internal_events: tuple[str, ...] = ()
    raw_events: tuple[str, ...] = ()
    aliases: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    names: Names = field(default_factory=Names)
    status_levels: tuple[str, ...] = ()
    contacts: Mapping[str, bool] = field(default_factory=dict)
    measures: Mapping[str, Levels] = field(default_factory=dict)
    clocks: tuple[Region, ...] = ()
    powered_by: tuple[str, ...] = ()
    hold_up_ns: int = 0
    holds: bool = False

    @property
    def every(self) -> tuple[Region, ...]:
        """All regions, the clocks behind the others."""
        return (*self.regions, *self.clocks)

    @property
    def turns(self) -> tuple[int, ...]:
        """The numbers of `every` in the order in which expired dwells take their turn: a clock
        comes just before the region that it follows.
        """
        place = {region.name: 2 * number + 1 for number, region in enumerate(self.regions)}
        return tuple(sorted(
            range(len(self.every)),
            key=lambda n: place.get(self.every[n].follows, 0) - 1 if self.every[n].follows
            else 2 * n + 1,
        ))

    def region(self, name: str) -> Region:
        """The region called `name` (KeyError if there is none)."""
        for region in self.regions:
            if region.name == name:
                return region
        raise KeyError(name)
