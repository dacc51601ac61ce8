"""Model and faulty firmware as one system: what the fault can bear on stands there twice.

The copies have a mark at the end of their names. Both hear the same inputs; their queues do not
meet, so in every instant each does what it would do alone. Where an output and its copy differ, the
fault is told from the model.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, replace

from simfw.behaviour.binding import World, gauge_levels
from simfw.behaviour.expression import (
    COMPARE,
    MIRRORED,
    Compare,
    Expression,
    Inside,
    Number,
    Quantity,
    names_in,
    with_leaves,
)
from simfw.behaviour.region import Condition, Drive, Position, Region, Row, System
from simfw.behaviour.table import Stepper
from simfw.circuit.circuit import Circuit
from simfw.vectors.around import standing_in
from simfw.vectors.faults import NONE, Fault
from simfw.vectors.pace import NEVER
from simfw.vectors.sketch import Act, Saved, Sketch
from simfw.vectors.twisted import Faulty

__all__ = ["MARK", "Borne", "Pair", "Paired", "TooDearError", "borne_at_first", "borne_next",
           "joined", "paired", "reach"]

MARK = "~"
# What a slip names, rows and regions, are those of the copies.
MARKED = ("keeps", "first", "after", "kept", "remembers", "lasts", "third", "behind", "lost",
          "forgets", "unnoted", "alone", "begun", "deaf", "loses")


@dataclass(frozen=True, slots=True)
class Paired:
    """The joined system: `doubled` are the regions that stand there twice, `outputs` and `events`
    those of the model that have a copy. `copied` gives an expression as the copy has it.
    """

    system: System
    doubled: tuple[str, ...]
    outputs: tuple[str, ...]
    events: tuple[str, ...]
    copied: Callable[[Expression], Expression]


@dataclass(frozen=True, slots=True)
class Borne:
    """What a fault bears on: `regions` that then give others something else, `conditions` that come
    true at other times. Of those are the regions in `course` that may be elsewhere themselves; the
    others make other `events` or give outputs other levels, and are where they would be.
    """

    regions: frozenset[str]
    conditions: frozenset[str]
    course: frozenset[str]
    events: frozenset[str]


def borne_at_first(system: System, fault: Fault) -> Borne:
    """What the fault itself changes."""
    conditions = frozenset(one.key for one, other in zip(system.conditions, fault.system.conditions,
                                                         strict=True) if one != other)
    events, course = set[str](), set[str]()
    for name in fault.touched:
        region, changed = system.region(name), fault.system.region(name)
        alike = len(region.rows) == len(changed.rows) and all(
            row is other or replace(row, emit=()) == replace(other, emit=())
            for row, other in zip(region.rows, changed.rows, strict=True))
        if (fault.twist == NONE and fault.kind != "regions" and alike
                and (region.starts, region.kept, region.resume_points)
                == (changed.starts, changed.kept, changed.resume_points)):
            for row, other in zip(region.rows, changed.rows, strict=True):
                events |= set(row.emit) ^ set(other.emit)
        else:
            course.add(name)
    return Borne(frozenset(fault.touched), conditions, frozenset(course), frozenset(events))


def borne_next(system: System, fault: Fault, borne: Borne) -> Borne:
    """With all that hears it, reads it, or has a say on the same outputs."""
    both = {region.name: (region, fault.system.region(region.name)) for region in system.regions}
    events = {*borne.events, *(event for name in borne.course for region in both[name]
                               for row in region.rows for event in row.emit)}
    driven = {name for one in borne.regions for region in both[one] for name in region.touches}

    def bears(expression: Expression | None) -> bool:
        return expression is not None and bool(
            standing_in(expression) & borne.course or names_in(expression).quantities & driven)

    watched = borne.conditions | {one.key for one in system.conditions if bears(one.when)}
    events |= {event for one in system.conditions if one.key in watched
               for event in (one.rises, one.falls)}
    course = {region.name for region in system.regions
              if any(row.on in events or bears(row.when) for row in region.rows)}
    more = {region.name for region in system.regions
            if bears(region.show) or region.touches & driven}
    return Borne(borne.regions | course | more, watched, borne.course | course, frozenset(events))


def reach(system: System, fault: Fault) -> Borne:
    """All that the fault can bear on, step by step."""
    borne = borne_at_first(system, fault)
    while (more := borne_next(system, fault, borne)) != borne:
        borne = more
    return borne


class _Copy:
    """Gives the copies their names."""

    def __init__(self, system: System, fault: Fault, doubled: Collection[str],
                 conditions: Collection[str]) -> None:
        self.doubled = doubled
        self.levels = gauge_levels(system)
        self.bars = [state.name for state in system.region("gauge").states] if self.levels else []
        both = [one.region(name) for one in (system, fault.system) for name in doubled]
        self.lights = {name for region in both for name in region.touches}
        self.own = {event for region in both for row in region.rows for event in row.emit}
        self.own |= {event for one in system.conditions if one.key in conditions
                     for event in (one.rises, one.falls)}
        # An input that is met otherwise at power-up comes to the copies by itself.
        met = fault.twist.edge or fault.twist.unseen
        self.raw = {f"{met}.edge"} & set(system.raw_events)
        self.own |= self.raw

    def event(self, name: str) -> str:
        return name + MARK if name in self.own else name

    def expression(self, when: Expression) -> Expression:
        return with_leaves(when, self.leaf)

    def leaf(self, leaf: Expression) -> Expression:
        match leaf:
            case Inside(region, states, written) if region in self.doubled:
                return Inside(region + MARK, states, written)
            case Compare(left, sign, right):
                return self.compare(left, sign, right)
        return leaf

    def compare(self, left: Number | Quantity, sign: str, right: Number | Quantity) -> Expression:
        for one, other, order in ((left, right, sign), (right, left, MIRRORED[sign])):  # type: ignore[index]
            if (isinstance(one, Quantity) and one.name == "gauge" and "gauge" in self.doubled
                    and isinstance(other, Number) and self.levels is not None):
                holds = COMPARE[order]  # type: ignore[index]
                inside = frozenset(name for name, bars in zip(self.bars, self.levels, strict=True)
                                   if holds(bars, other.value))
                return Inside("gauge" + MARK, inside)

        def renamed(side: Number | Quantity) -> Number | Quantity:
            if isinstance(side, Quantity) and side.name in self.lights:
                return Quantity(side.name + MARK)
            return side

        return Compare(renamed(left), sign, renamed(right))  # type: ignore[arg-type]

    def row(self, row: Row) -> Row:
        return replace(
            row, key=row.key + MARK, on=None if row.on is None else self.event(row.on),
            when=None if row.when is None else self.expression(row.when),
            emit=tuple(self.event(name) for name in row.emit))

    def both(self, region: Region) -> Region:
        """A region that stands there once: what copies make, too, it tells them as well."""
        if not any(event in self.own for row in region.rows for event in row.emit):
            return region
        return replace(region, rows=tuple(replace(row, emit=tuple(
            name for event in row.emit for name in dict.fromkeys((event, self.event(event)))))
            for row in region.rows))

    def region(self, region: Region) -> Region:
        states = tuple(
            replace(state, outputs={name + MARK: self.drive(drive)
                                    for name, drive in state.outputs.items()},
                    takes_out={name + MARK: count for name, count in state.takes_out.items()},
                    scales={name + MARK: factor for name, factor in state.scales.items()},
                    dial_scales={name + MARK: self.dial(dial)
                                 for name, dial in state.dial_scales.items()},
                    position=self.position(state.position))
            for state in region.states)
        return replace(region, name=region.name + MARK, states=states,
                       rows=tuple(map(self.row, region.rows)),
                       show=None if region.show is None else self.expression(region.show))

    def dial(self, name: str) -> str:
        return name + MARK if name in self.doubled else name

    def drive(self, drive: Drive) -> Drive:
        return drive if drive.dial is None else replace(drive, dial=self.dial(drive.dial))

    @staticmethod
    def position(where: Position | None) -> Position | None:
        if where is None:
            return None
        return replace(where, dial=where.dial + MARK,
                       outputs=tuple(name + MARK for name in where.outputs))

    def condition(self, one: Condition) -> Condition:
        return Condition(key=one.key + MARK, when=self.expression(one.when),
                         rises=one.rises + MARK, falls=one.falls + MARK)


def paired(system: System, fault: Fault) -> Paired:
    """The model with, beside each region that the fault can bear on, that region as it has it."""
    borne = reach(system, fault)
    return joined(system, fault, borne.regions, borne.conditions)


def joined(system: System, fault: Fault, doubled: Collection[str], conditions: Collection[str]
           ) -> Paired:
    """The model with, beside each of these regions and conditions, what the fault makes of it."""
    copy = _Copy(system, fault, doubled, conditions)
    copies = [copy.region(region) for region in fault.system.regions if region.name in doubled]
    regions: list[Region] = []
    if fault.kind == "regions":
        regions = [*system.regions, *copies]
    else:
        by_name = {region.name: region for region in copies}
        for region in system.regions:
            regions.append(region if region.name in doubled else copy.both(region))
            if region.name in doubled:
                regions.append(by_name[region.name + MARK])
    watched = [*system.conditions,
               *(copy.condition(one) for one in fault.system.conditions if one.key in conditions)]
    own = [name for name in system.events if name in copy.own]
    inner = [name for name in system.internal_events if name in copy.own]
    whole = replace(
        system, regions=tuple(regions), conditions=tuple(watched),
        raw_events=(*system.raw_events, *(name + MARK for name in copy.raw)),
        events=(*system.events, *(name + MARK for name in own)),
        internal_events=(*system.internal_events, *(name + MARK for name in inner)))
    return Paired(whole, tuple(region.name for region in system.regions if region.name in doubled),
                  tuple(sorted(copy.lights)), tuple(own), copy.expression)


class TooDearError(Exception):
    """More instants than allowed."""


class Pair(Sketch):
    """A sketch of both at once. `parted` tells that the last instant left them different; after
    instant number `most` it raises TooDearError.
    """

    stepper: Faulty

    def __init__(self, both: Paired, fault: Fault, circuit: Circuit, segments: Mapping[str, int],
                 events: bool) -> None:
        twist = fault.twist
        twist = replace(twist, **{name: key + MARK for name in MARKED
                                  if (key := getattr(twist, name))},
                        unheard=frozenset(key + MARK for key in twist.unheard))

        def stepper(system: System, world: World) -> Stepper:
            return Faulty(system, world, twist)

        more = {name + MARK: segments[name] for name in both.outputs if name in segments}
        super().__init__(both.system, circuit, {**segments, **more}, stepper, notes=False)
        self.both = both
        self.twist = fault.twist
        self.events = events
        self.parted = False
        self.instants, self.most = 0, NEVER
        self._before: tuple[dict[str, bool], bool] | None = None
        names = self.stepper.region_names
        self.numbers = [(names.index(name), names.index(name + MARK)) for name in both.doubled]
        self._differ: dict[object, bool] = {}

    def flag(self, name: str) -> bool:
        """An input; while ended times are taken too early, as it was before."""
        if self.stepper.looking_back and self._before is not None:
            stem, _, tail = name.rpartition(".")
            if tail == "closed":
                return self._before[0].get(stem, self.system.contacts[stem])
            if name == "usb":
                return self._before[1]
        return super().flag(name)

    def act(self, acts: Iterable[Act]) -> None:
        """Change inputs now; see the sketch."""
        self._before = dict(self.contacts), self.usb
        super().act(acts)
        self._before = None  # what ends by itself ends with the inputs as they are

    def carries(self, name: str) -> bool:
        """Whether a driven output is the model's, and draws."""
        return super().carries(name) and not name.endswith(MARK)

    def _instant(self, raw: list[str], *, power_up: bool = False) -> None:
        self.instants += 1
        if self.instants > self.most:
            raise TooDearError
        raw = self._met(raw, power_up=power_up)
        version = self.stepper.version
        happened = self.run(raw, power_up=power_up)
        names = self.stepper.event_names
        self.happened_now = [names[number] for number in happened]
        self.full |= "charge.completed" in self.happened_now
        if self.events:
            told = [name for name in self.happened_now if not name.endswith(MARK)]
            copied = [name.removesuffix(MARK) for name in self.happened_now
                      if name.endswith(MARK) or name not in self.both.events]
            self.parted |= told != copied  # in their order, with what both tell
        elif version != self.stepper.version or not self._steady:
            shown = self.shown()
            found = self._differ.get(id(shown))
            if found is None:
                drives = shown.drives
                found = self._differ[id(shown)] = any(
                    drives.get(name) != drives.get(name + MARK) for name in self.both.outputs)
            self.parted |= found

    def _met(self, raw: list[str], *, power_up: bool) -> list[str]:
        """What comes from outside, with what the copies get of it by themselves."""
        twist, met = self.twist, []
        contacts = {event for event in raw if event.removesuffix(".edge") in self.system.contacts}
        lost = f"{twist.met if len(contacts) > 1 and not power_up else ''}.edge"
        for event in raw:
            met.append(event)
            if event + MARK in self.stepper.event_ids and event != lost and not (
                    power_up and event == f"{twist.unseen}.edge"):
                met.append(event + MARK)
        edge = f"{twist.edge}.edge"
        if power_up and twist.edge and edge not in raw and self.flag(f"{twist.edge}.closed"):
            met.append(edge + MARK)
        return met

    def apart(self) -> bool:
        """Whether anything of the two differs inside: what comes may then part them."""
        return self.stepper.strayed or self.apart_now()

    def apart_now(self) -> bool:
        """Whether they stand differently, whatever a slip remembers."""
        stepper = self.stepper
        due = stepper.due()
        return any(
            stepper.states[one] != stepper.states[other] or due[one] != due[other]
            or stepper.memory[one] != stepper.memory[other]
            for one, other in self.numbers)

    def load(self, saved: Saved) -> None:
        """Stand where `saved` was taken."""
        super().load(saved)
        self.parted = False
        self.stepper.recall(saved.hidden)

    def remembered(self) -> tuple[int, ...]:
        """What a slip remembers."""
        return self.stepper.hidden

    def start(self, charge: float, acts: Iterable[Act] = ()) -> None:
        """Power-up; see the sketch."""
        self.stepper.clear()
        super().start(charge, acts)

