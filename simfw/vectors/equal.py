"""Whether a fault can be seen at all: model and fault searched side by side for a difference.

Around what the fault changes a few regions are taken, twice. Everything else is left free: events
from other regions may come at any time, readings may change at any time. If nothing that leaves
these regions (an event that others hear, a state that others read, an output) ever differs, the
fault does what the model does. Where it may differ, the regions that notice it are taken in, too.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from itertools import product

from simfw.behaviour.expression import (
    MIRRORED,
    All,
    Any,
    Compare,
    Constant,
    Expression,
    Flag,
    Inside,
    Not,
    Number,
    Quantity,
    names_in,
    turning_level,
)
from simfw.behaviour.region import Region, Row, State, System
from simfw.engine.supply import found_at_pins
from simfw.vectors.exposing import drives_nothing
from simfw.vectors.faults import Fault
from simfw.vectors.items import READINGS
from simfw.vectors.pair import MARK, Paired, joined
from simfw.verify.budget import Budget
from simfw.verify.explore import explore
from simfw.verify.instants import Effect
from simfw.verify.machine import Act, Config, Endless, Leaf, Machine, Monitor, Outcome, Span

__all__ = ["Prover"]

UNPROVED = ("awake", "power-up", "kept", "lasts", "third", "follow", "echo")  # what no table tells
WORK = 60_000  # for one fault
MOST_STATES = 6_000
MOST_GROWN = 4  # how often the regions that notice it are taken in
MOST_INPUTS = 6  # of which every combination is tried at power-up


class _Twisted(Machine):
    """A machine in which the time of one region ends before, or after, all else in its instant."""

    apart = -1
    first = True

    def leaf(self, config: Config, due: tuple[int, ...], chosen: tuple[tuple[int, int], ...]
             ) -> Leaf:  # fmt: skip
        """What an instant may do: here its two parts, one after the other."""
        if self.apart not in due:
            return super().leaf(config, due, chosen)
        if len(due) == 1 and not chosen:
            return _alone(super().leaf(config, due, chosen))
        others = tuple(clock for clock in due if clock != self.apart)
        own = (self.apart,)
        first, then = ((own, ()), (others, chosen)) if self.first else ((others, chosen), (own, ()))
        begun = super().leaf(config, *first)
        if begun.endless is not None:
            return begun
        found = []
        for one in begun.effects:
            rest = tuple(clock for clock in then[0] if clock not in one.reset)
            if not rest and not then[1]:
                found.append(one)
                continue
            ends = super().leaf(one.on(config), rest, then[1])
            if ends.endless is not None:
                return ends
            found += [replace(end, reset=one.reset | end.reset, rows=(*one.rows, *end.rows),
                              writes=tuple({**dict(one.writes), **dict(end.writes)}.items()))
                      for end in ends.effects]
        return _alone(begun, tuple(found))


def _alone(leaf: Leaf, effects: tuple[Effect, ...] | None = None) -> Leaf:
    """A leaf that is never joined to others: marked as if it had no end, what comes with it is
    gone through in one instant.
    """
    return Leaf(leaf.effects if effects is None else effects, leaf.endless,
                replace(leaf.touch, endless=True))


class Prover:
    """Searches for one fault after another; `effort` times the usual work for each, and no more
    than `whole` in all.
    """

    def __init__(self, system: System, segments: Mapping[str, int], effort: int = 1,
                 whole: Budget | None = None) -> None:  # fmt: skip
        self.system = system
        self.whole = whole
        self.effort = effort
        self.segments = segments
        self.observed = drives_nothing(system)

    def same(self, fault: Fault) -> bool:
        """Whether it is proved that the fault does what the model does."""
        twist = fault.twist
        if fault.kind in UNPROVED or twist.keeps or twist.last:
            return False
        core = set(fault.touched)
        if fault.kind == "expiry":
            # What comes earlier or later in its instant meets those that hear of it in another
            # order: they have to stand in the search.
            core |= self._noticing(core, fault)
        for _ in range(MOST_GROWN):
            if self.whole is not None and self.whole.over():
                return False
            core = self._closed(core, fault)
            found = self._differs(core, fault)
            if found is None:
                return False
            if not found:
                return True
            more = core | self._noticing(core, fault)
            if more == core:
                return False
            core = more
        return False

    def _closed(self, core: set[str], fault: Fault) -> set[str]:
        """With all regions that guards in it read."""
        while True:
            rows = [row for name in core for system in (self.system, fault.system)
                    for row in system.region(name).rows]
            read = {name for row in rows if row.when is not None
                    for name in _read(self.system, row.when)}
            read |= {name for region in core if (show := self.system.region(region).show)
                     for name in _read(self.system, show)}
            if read <= core:
                return core
            core = core | read

    def _noticing(self, core: set[str], fault: Fault) -> set[str]:
        """The regions that hear or read what is in it."""
        emitted = {event for name in core for system in (self.system, fault.system)
                   for row in system.region(name).rows for event in row.emit}
        driven = {name for region in core for state in self.system.region(region).states
                  for name in state.touches}
        heard = {region.name for region in self.system.regions
                 if any(row.on in emitted or (row.when is not None
                        and _read(self.system, row.when) & core) for row in region.rows)
                 or (region.show is not None and _read(self.system, region.show) & core)
                 or any(name in driven for state in region.states
                        for name in state.touches)}
        watched = {event for one in self.system.conditions
                   if _read(self.system, one.when) & core
                   for event in (one.rises, one.falls)}
        return heard | {region.name for region in self.system.regions
                        if any(row.on in watched for row in region.rows)}

    def _differs(self, core: set[str], fault: Fault) -> bool | None:
        """Whether anything that leaves the regions may differ; None where that is not finished."""
        watched = {one.key for one in self.system.conditions
                   if _read(self.system, one.when) <= core
                   and any(row.on in (one.rises, one.falls) for name in core
                           for row in self.system.region(name).rows)}
        both = joined(self.system, fault, core, watched)
        told = self._told(core, fault, watched)
        shown = self._shown(core, both, watched)
        if shown is None:
            return True  # something is read together with regions that are not in yet
        if not told and not shown:
            return False
        made = self._machine(core, fault, both, watched, told, shown)
        if made is None:
            return None
        machine, starts = made
        if any(outcome.broken for outcome in starts):
            return True
        search = explore(machine, starts, budget=Budget(WORK * self.effort, whole=self.whole),
                         limit=MOST_STATES * self.effort)
        if search.broken:
            return True
        return None if not search.finished or search.endless else False

    def _told(self, core: set[str], fault: Fault, watched: set[str]) -> list[str]:
        """The events that leave the regions: those that others hear."""
        heard = {row.on for region in self.system.regions if region.name not in core
                 for row in region.rows}
        made = {event for name in core for system in (self.system, fault.system)
                for row in system.region(name).rows for event in row.emit}
        made |= {event for one in self.system.conditions if one.key in watched
                 for event in (one.rises, one.falls)}
        return sorted(made & (heard | (set(self.system.events) if self.observed else set())))

    def _shown(self, core: set[str], both: Paired, watched: set[str]
               ) -> list[tuple[Expression, Expression]] | None:
        """What others read of the regions, and what these drive: each with its copy."""
        system = self.system
        if any(state.sequences for name in core for state in system.region(name).states):
            return None  # the steps of sequences are not followed here
        outside = [region for region in system.regions if region.name not in core]
        read = [row.when for region in outside for row in region.rows if row.when is not None]
        read += [region.show for region in outside if region.show is not None]
        read += [one.when for one in system.conditions if one.key not in watched]
        shown: list[tuple[Expression, Expression]] = []
        for leaf in dict.fromkeys(leaf for one in read for leaf in _leaves(one)):
            mine = _read(system, leaf) & core
            if mine and mine != _read(system, leaf):
                return None
            if mine:
                shown.append((leaf, both.copied(leaf)))
        if self.observed:
            return shown
        for name in both.outputs:
            drivers = {region.name for region in system.regions for state in region.states
                       if name in state.touches}
            if not drivers <= core:
                return None
            equal = Compare(Quantity(name), "==", Quantity(name + MARK))
            shown.append((equal, Constant(True)))
        return shown

    def _machine(self, core: set[str], fault: Fault, both: Paired, watched: set[str],
                 told: Sequence[str], shown: Sequence[tuple[Expression, Expression]]
                 ) -> tuple[Machine, list[Outcome]] | None:
        """The regions twice, all else free, and every power-up; None where that is too much."""
        regions = [region for region in both.system.regions
                   if region.name.removesuffix(MARK) in core]
        conditions = [one for one in both.system.conditions
                      if one.key.removesuffix(MARK) in watched]
        counters = [_toggle(event) for name in told for event in (name, name + MARK)]
        made = {event for region in regions for row in region.rows for event in row.emit}
        made |= {event for one in conditions for event in (one.rises, one.falls)}
        heard = {row.on for region in regions for row in region.rows if row.on is not None}
        raw = sorted(heard & set(self.system.raw_events))
        free = sorted(heard - made - set(self.system.raw_events))
        readings = _Readings([*(row.when for region in regions for row in region.rows),
                              *(region.show for region in regions),
                              *(one.when for one in conditions)])
        regions = [readings.region(region) for region in regions]
        flags, acts = _inputs(self.system, raw, regions, readings)
        inputs = [name for name in flags if name not in readings.flags]
        if len(inputs) > MOST_INPUTS:
            return None
        differ: list[Expression] = [Not(_alike(_on(event), _on(event + MARK))) for event in told]
        differ += [Not(_alike(readings.expression(one), readings.expression(other)))
                   for one, other in shown]
        more = {name + MARK: count for name, count in self.segments.items()}
        machine = _Twisted(
            [*map(_source, free), *regions, *counters],
            conditions=[replace(one, when=readings.expression(one.when)) for one in conditions],
            acts=acts, flags=flags, spans={f"({event})": Span(0, None) for event in free},
            monitors=[Monitor(name="differ", kind="never", when=Any(tuple(differ)))],
            segments={**self.segments, **more}, outside=[f"from {event}" for event in free])
        if fault.twist.first or fault.twist.after:
            (name,) = fault.touched
            machine.apart = machine.region_index[name + MARK]
            machine.first = bool(fault.twist.first)
        starts: list[Outcome] = []
        try:
            for levels in product((False, True), repeat=len(inputs)):
                now = dict(zip(inputs, levels, strict=True))
                if now.get("status.low") and now.get("status.high"):
                    continue
                happens = found_at_pins(now.get, raw)
                for reading in readings.settings():
                    values = [{**now, **reading}[name] for name in flags]
                    starts += machine.starts(values, happens)
        except Endless:
            return None
        return machine, starts


def _leaves(expression: Expression) -> Iterable[Expression]:
    match expression:
        case Not(part):
            return _leaves(part)
        case All(parts) | Any(parts):
            return [leaf for part in parts for leaf in _leaves(part)]
    return [expression]


def _read(system: System, expression: Expression) -> set[str]:
    """The regions that an expression reads: named, by the gauge, or by what they drive."""
    names = names_in(expression)
    found = set(names.regions)
    if "gauge" in names.quantities:
        found.add("gauge")
    found |= {region.name for region in system.regions for state in region.states
              if names.quantities & set(state.touches)}
    return found


def _toggle(event: str) -> Region:
    """Remembers whether an event has come an even number of times."""
    name = f"({event})"
    rows = (Row(key=f"{name}#1", sources=("even",), to="odd", on=event),
            Row(key=f"{name}#2", sources=("odd",), to="even", on=event))
    return Region(name=name, group="behaviour", states=(State(name="even"), State(name="odd")),
                  starts="even", rows=rows)


def _on(event: str) -> Expression:
    return Inside(f"({event})", frozenset({"odd"}))


def _source(event: str) -> Region:
    """A region that may make an event at any time."""
    return Region(name=f"from {event}", group="buttons", states=(State(name="any"),), starts="any",
                  rows=(Row(key=f"({event})", sources=("any",), to="same", after_ns=1,
                            emit=(event,)),))


def _alike(one: Expression, other: Expression) -> Expression:
    return Any((All((one, other)), All((Not(one), Not(other)))))


class _Readings:
    """What the gauge reads, as inputs that tell on which side of each level it is."""

    def __init__(self, expressions: Iterable[Expression | None]) -> None:
        levels: dict[str, set[float]] = {}
        for expression in expressions:
            for leaf in () if expression is None else _leaves(expression):
                found = _level(leaf)
                if found is not None:
                    levels.setdefault(found[0], set()).add(found[1])
        self.levels = {name: sorted(mine) for name, mine in levels.items()}
        self.flags = [_below(name, level) for name, mine in self.levels.items() for level in mine]

    def settings(self) -> list[dict[str, bool]]:
        """Every reading that can be told apart: below, between, and above the levels."""
        each = [[{_below(name, level): number <= k for k, level in enumerate(mine)}
                 for number in range(len(mine) + 1)] for name, mine in self.levels.items()]
        return [{key: value for part in parts for key, value in part.items()}
                for parts in product(*each)]

    def region(self, region: Region) -> Region:
        rows = tuple(replace(row, when=None if row.when is None else self.expression(row.when))
                     for row in region.rows)
        show = None if region.show is None else self.expression(region.show)
        return replace(region, rows=rows, show=show)

    def expression(self, when: Expression) -> Expression:
        match when:
            case Not(part):
                return Not(self.expression(part))
            case All(parts):
                return All(tuple(map(self.expression, parts)))
            case Any(parts):
                return Any(tuple(map(self.expression, parts)))
        found = _level(when)
        if found is None:
            return when
        name, level, is_below = found
        flag = Flag(_below(name, level))
        return flag if is_below else Not(flag)


def _below(name: str, level: float) -> str:
    return f"({name} below {level!r})"


def _level(leaf: Expression) -> tuple[str, float, bool] | None:
    """The reading and level that a comparison asks for, and whether it asks for below."""
    if not isinstance(leaf, Compare):
        return None
    for one, other, sign in ((leaf.left, leaf.right, leaf.operator),
                             (leaf.right, leaf.left, MIRRORED[leaf.operator])):
        if isinstance(one, Quantity) and one.name in (*READINGS, "cell.voltage", "cell.charge"):
            if not isinstance(other, Number):
                return None
            level = turning_level(one.name, sign, other.value)
            return one.name, level, sign in ("<", "<=")
    return None


def _inputs(system: System, raw: Sequence[str], regions: Sequence[Region], readings: _Readings
            ) -> tuple[list[str], list[Act]]:
    """The inputs and what may be done to them."""
    read = {flag for region in regions for row in region.rows if row.when is not None
            for flag in names_in(row.when).flags}
    read |= {flag for region in regions if region.show is not None
             for flag in names_in(region.show).flags}
    flags: list[str] = []
    acts: list[Act] = []
    names = {event.removesuffix(".edge") for event in raw}
    names |= {flag.removesuffix(".closed") for flag in read if flag.endswith(".closed")}
    names |= {"usb"} if "usb" in read else set()
    names |= {"status"} if read & {"status.low", "status.high"} else set()
    for name in sorted(names):
        event = f"{name}.edge" if f"{name}.edge" in raw else ""
        if name == "status":
            flags += ["status.low", "status.high"]
            acts += [Act(f"status {level}", "status",
                         (("status.low", level == "low"), ("status.high", level == "high")), event)
                     for level in (system.status_levels or ("released", "low", "high"))]
            continue
        flag = name if name == "usb" else f"{name}.closed"
        flags.append(flag)
        acts.append(Act(name, name, ((flag, None),), event))
    flags += readings.flags
    for number, setting in enumerate(readings.settings()):
        acts.append(Act(f"reading {number}", "reading", tuple(setting.items())))
    return flags, acts
