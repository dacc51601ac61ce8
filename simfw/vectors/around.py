"""What is left free around a few regions: inputs, readings, and the events of other regions."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import product

from simfw.behaviour.expression import (
    MIRRORED,
    All,
    Any,
    Compare,
    Expression,
    Flag,
    Inside,
    Not,
    Number,
    Quantity,
    leaves,
    names_in,
    turning_level,
    with_leaves,
)
from simfw.behaviour.region import Condition, Region, Row, State, System
from simfw.vectors.items import READINGS, UV, first_at
from simfw.verify.explore import Step
from simfw.verify.machine import Act, Machine

__all__ = ["FREE", "Readings", "alike", "answers", "asked_by", "below", "decided_by", "free_in",
           "hearing", "inputs_of", "made_odd", "parts_within", "read_in", "source_of",
           "standing_in", "toggle_of", "told_apart"]

FREE = "from "  # begins the names of regions that make events at any time


def asked_by(regions: Iterable[Region], conditions: Iterable[Condition]
             ) -> Iterator[Expression]:  # fmt: skip
    """All that is asked by some regions and conditions."""
    for region in regions:
        yield from (row.when for row in region.rows if row.when is not None)
        if region.show is not None:
            yield region.show
    yield from (one.when for one in conditions)


def standing_in(expression: Expression) -> set[str]:
    """The regions of which an expression asks where they stand: named, or by the gauge."""
    names = names_in(expression)
    return {*names.regions, "gauge"} if "gauge" in names.quantities else set(names.regions)


def read_in(system: System, expression: Expression) -> set[str]:
    """The regions that an expression reads: where they stand, or by what they drive."""
    found, driven = standing_in(expression), names_in(expression).quantities
    if driven:
        found |= {region.name for region in system.regions if driven & region.touches}
    return found


def decided_by(system: System, expression: Expression) -> set[str]:
    """The regions that decide what an expression says: those too that decide what is shown, where
    it asks for a light.
    """
    found = read_in(system, expression)
    if names_in(expression).quantities:
        while True:
            more = found.union(*(read_in(system, show) for show in
                                 (system.region(name).show for name in found)
                                 if show is not None))
            if more == found:
                break
            found = more
    return found


def hearing(system: System, rows: Iterable[Row]) -> set[str]:
    """The regions that hear what some rows tell."""
    told = {event for row in rows for event in row.emit}
    return {region.name for region in system.regions if any(row.on in told for row in region.rows)}


def told_apart(system: System, asked: Iterable[Expression], name: str,
               ways: Collection[tuple[str, str]]) -> bool:  # fmt: skip
    """Whether anything that is asked may say otherwise when region `name` goes one of these ways,
    each from a state to another.
    """
    for leaf in (leaf for one in asked for leaf in leaves(one)):
        if isinstance(leaf, Inside):
            if leaf.region == name and any((source in leaf.states) != (to in leaf.states)
                                           for source, to in ways):
                return True
        elif name in decided_by(system, leaf):
            return True
    return False


def parts_within(expression: Expression, inside: Callable[[Expression], bool]
                 ) -> Iterator[Expression]:  # fmt: skip
    """The largest parts of an expression that hold only leaves which are `inside`, and the leaves
    that are not: what the whole says follows from what these say.
    """
    match expression:
        case _ if all(map(inside, leaves(expression))):
            yield expression
        case Not(part):
            yield from parts_within(part, inside)
        case All(parts) | Any(parts):
            mine = [part for part in parts if all(map(inside, leaves(part)))]
            if mine:
                yield mine[0] if len(mine) == 1 else type(expression)(tuple(mine))
            for part in parts:
                if part not in mine:
                    yield from parts_within(part, inside)
        case _:
            yield expression


def toggle_of(event: str) -> Region:
    """Remembers whether an event has come an even number of times."""
    name = f"({event})"
    rows = (Row(key=f"{name}#1", sources=("even",), to="odd", on=event),
            Row(key=f"{name}#2", sources=("odd",), to="even", on=event))
    return Region(name=name, group="behaviour", states=(State(name="even"), State(name="odd")),
                  starts="even", rows=rows)


def made_odd(event: str) -> Expression:
    """Whether an event has come an odd number of times."""
    return Inside(f"({event})", frozenset({"odd"}))


def source_of(name: str, emit: Sequence[str]) -> Region:
    """A region that may make events at any time, or, with spans, at a distance from each other:
    all of them at once, by a row that is called by its name.
    """
    row = Row(key=f"({name})", sources=("any",), to="any", after_ns=1, emit=tuple(emit))
    return Region(name=f"{FREE}{name}", group="buttons", states=(State(name="any"),), starts="any",
                  rows=(row,))


def free_in(machine: Machine, step: Step) -> list[str]:
    """The free events that come in an instant; the rows that make them are called by their names
    (see `source_of`).
    """
    return [key[1:-1] for key in step.outcome.rows if key in machine.spans and key[0] == "("]


def alike(one: Expression, other: Expression) -> Expression:
    """Whether both hold, or neither does."""
    return Any((All((one, other)), All((Not(one), Not(other)))))


class Readings:
    """What the gauge reads, as inputs that tell on which side of each level it is."""

    def __init__(self, expressions: Iterable[Expression]) -> None:
        levels: dict[str, set[float]] = {}
        for expression in expressions:
            for leaf in leaves(expression):
                found = _level(leaf)
                if found is not None:
                    levels.setdefault(found[0], set()).add(found[1])
        self.levels = {name: sorted(mine) for name, mine in levels.items()}
        self.flags = [below(name, level) for name, mine in self.levels.items() for level in mine]

    def settings(self) -> list[dict[str, bool]]:
        """Every reading that can be told apart: below, between, and above the levels."""
        each = [[{below(name, level): number <= k for k, level in enumerate(mine)}
                 for number in range(len(mine) + 1)] for name, mine in self.levels.items()]
        return [{key: value for part in parts for key, value in part.items()}
                for parts in product(*each)]

    def values(self) -> dict[str, tuple[float, ...]]:
        """For each reading one value below, between, and above the levels; each level itself."""
        return {name: (mine[0] - 1.0, *mine) for name, mine in self.levels.items()}

    def region(self, region: Region) -> Region:
        """A region whose rows read these inputs."""
        rows = tuple(replace(row, when=None if row.when is None else self.expression(row.when))
                     for row in region.rows)
        show = None if region.show is None else self.expression(region.show)
        return replace(region, rows=rows, show=show)

    def expression(self, when: Expression) -> Expression:
        """An expression that reads these inputs."""
        return with_leaves(when, _read_as_input)


def answers(asked: Iterable[Expression]) -> Iterator[dict[Expression, bool]]:
    """Every set of answers to some leaves that stand nowhere: what is asked of one reading is
    answered for one and the same value.
    """
    asked = list(asked)
    readings = Readings(asked)
    told = [leaf for leaf in asked if _level(leaf) is None]
    for setting in readings.settings():
        mine: dict[Expression, bool] = {}
        for leaf in asked:
            found = _level(leaf)
            if found is not None:
                name, level, is_below = found
                mine[leaf] = setting[below(name, level)] == is_below
        for said in product((False, True), repeat=len(told)):
            yield {**mine, **dict(zip(told, said, strict=True))}


def below(name: str, level: float) -> str:
    """The input that tells whether a reading is below a level."""
    return f"({name} below {level!r})"


def _read_as_input(leaf: Expression) -> Expression:
    found = _level(leaf)
    if found is None:
        return leaf
    name, level, is_below = found
    flag = Flag(below(name, level))
    return flag if is_below else Not(flag)


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
            if one.name == "gauge.measured":  # what lies between two microvolts cannot be told
                level = first_at(level, UV) / UV
            return one.name, level, sign in ("<", "<=")
    return None


def inputs_of(system: System, raw: Sequence[str], regions: Sequence[Region], readings: Readings
            ) -> tuple[list[str], list[Act]]:
    """The inputs around some regions, and what may be done to them."""
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
    # Those of one instant come in this order: contacts as the gadget file has them, then USB, then
    # what the charger says of it.
    turns = {name: turn for turn, name in enumerate((*system.contacts, "usb", "status"))}
    for name in sorted(names, key=lambda name: turns.get(name, -1)):
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
