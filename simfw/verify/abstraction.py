"""From the regions of a gadget to a machine small enough to search.

Three reductions, all of them on the safe side: whatever the gadget can do, the reduced machine can
do as well, so that what is proved of the machine holds for the gadget.

* *Slice*: regions that cannot influence what is asked are left out. Exact.
* *Collapse*: a region that only makes events (a contact, the looks of a sensor, the samples of the
  gauge) becomes one state that may make them at any time its guards allow.
* *Order only*: every dwell may end at any time, so that no clock is needed.

A `Detail` says which of them are in use; `LADDER` lists them from the coarsest to none at all.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product

from simfw.behaviour import expression as ex
from simfw.behaviour.region import Condition, Region, Row, State, System
from simfw.verify.guards import Watched
from simfw.verify.machine import Act, Endless, Machine, Monitor, Outcome, Span

__all__ = ["EXACT", "LADDER", "Detail", "Reduced", "needed_regions", "reduce_system"]

ANY = "any"
CELL_QUANTITIES = ("gauge.measured", "cell.voltage", "cell.charge")


@dataclass(frozen=True, slots=True, kw_only=True)
class Detail:
    """How much of the gadget's timing the machine keeps. `says` is the sentence for reports."""

    name: str
    contacts: str  # "free": any time; "spaced": never closer than the debounce time; "exact"
    looks: str  # "free" or "exact"
    samples: str  # "free" or "exact"
    timed: bool
    says: str
    share: float = 0.0  # of the rule's time: shorter dwells may take any time


LADDER = (
    Detail(name="order", contacts="free", looks="free", samples="free", timed=False,
           says="order of events only: dwells, debounce, looks and samples may take any time"),
    Detail(name="long", contacts="free", looks="free", samples="free", timed=True, share=0.1,
           says="dwells of at least a tenth of the rule's time exact; everything else may take any "
                "time"),
    Detail(name="dwells", contacts="free", looks="free", samples="free", timed=True,
           says="dwells exact; settled presses, looks and gauge samples may come at any time"),
    Detail(name="contacts", contacts="spaced", looks="free", samples="free", timed=True,
           says="dwells and debounce exact; looks and gauge samples may come at any time"),
    Detail(name="exact", contacts="exact", looks="exact", samples="exact", timed=True,
           says="every dwell, debounce, look and sample exact"),
)
EXACT = LADDER[-1]


@dataclass(frozen=True, slots=True)
class Reduced:
    """A machine, the inputs it can power up with, and what was done to get it.

    `limits` are the numbers that each quantity of the cell is compared with. `endless` holds the
    loops of power-ups that never come to rest.
    """

    machine: Machine
    starts: tuple[Outcome, ...]
    kept: tuple[str, ...]
    collapsed: tuple[str, ...]
    left_out: tuple[str, ...]
    free: tuple[str, ...]
    detail: Detail
    limits: Mapping[str, tuple[float, ...]]
    endless: tuple[tuple[str, ...], ...] = ()


def _mentions(expression: ex.Expression | None) -> ex.Mentioned:
    return ex.names_in(expression if expression is not None else ex.Constant(True))


def _levels_driven(region: Region) -> set[str]:
    return {name for state in region.states for name in state.outputs}


def needed_regions(system: System, asked: Iterable[ex.Expression]) -> frozenset[str]:
    """The regions that can influence `asked`: those it reads and, step by step, all they depend on.

    Leaving the others out is exact: no region can stop time or another region's rows.
    """
    emitters: dict[str, set[str]] = {}
    for region in system.regions:
        for row in region.rows:
            for event in row.emit:
                emitters.setdefault(event, set()).add(region.name)
    conditions: dict[str, list[Condition]] = {}
    for condition in system.conditions:
        for event in (condition.rises, condition.falls):
            conditions.setdefault(event, []).append(condition)
    wanted: set[str] = set()
    pending: list[ex.Expression] = list(asked)
    heard: set[str] = set()

    def hear(event: str) -> None:
        if event in heard:
            return
        heard.add(event)
        for name in emitters.get(event, ()):
            want(name)
        for condition in conditions.get(event, ()):
            pending.append(condition.when)

    def want(name: str) -> None:
        if name in wanted:
            return
        wanted.add(name)
        for row in system.region(name).rows:
            if row.on is not None:
                hear(row.on)
            if row.when is not None:
                pending.append(row.when)

    while pending:
        mentioned = ex.names_in(pending.pop())
        for name in mentioned.regions:
            want(name)
        for event in mentioned.events:
            hear(event)
        for quantity in mentioned.quantities:
            if quantity == "gauge":
                want("gauge")
            elif quantity not in CELL_QUANTITIES:
                for region in system.regions:
                    if quantity in _levels_driven(region):
                        want(region.name)
                        if region.show is not None:
                            pending.append(region.show)
    return frozenset(wanted)


def _values(limits: Iterable[float]) -> tuple[float, ...]:
    """A value below, at, between and above the limits: all that comparisons can tell apart."""
    ordered = sorted(set(limits))
    if not ordered:
        return (0.0,)
    values = [ordered[0] - 1.0]
    for low, high in zip(ordered, [*ordered[1:], ordered[-1] + 2.0], strict=True):
        values += [low, (low + high) / 2]
    return tuple(values)


def _collapse(
    region: Region, detail: Detail, events: set[str], spans: dict[str, Span], gate: str | None
) -> Region:
    """One state that makes the events of `region` at any time its guards allow."""
    rows: list[Row] = []
    seen: set[tuple[tuple[str, ...], ex.Expression | None]] = set()
    samples = region.group == "gauge"
    spaced = region.group == "buttons" and detail.contacts == "spaced"
    for row in region.rows:
        emit = tuple(event for event in row.emit if event in events)
        if not emit:
            continue
        # What a sample would have read is free here, so its guards tell nothing.
        when = None if samples else row.when
        if (emit, when) in seen:
            continue
        seen.add((emit, when))
        guarded: ex.Expression | None = when
        if gate is not None:
            watched: ex.Expression = Watched(gate)  # type: ignore[assignment]
            guarded = watched if when is None else ex.All((watched, when))
        rows.append(
            Row(key=row.key, sources=(ANY,), to=ANY if spaced else "same",
                after_ns=row.after_ns or 1, when=guarded, when_text=row.when_text, emit=emit)
        )
        spans[row.key] = Span((row.after_ns or 0) if spaced else 0, None)
    return Region(name=region.name, group=region.group, states=(State(name=ANY),), starts=ANY,
                  rows=tuple(rows))


def _gate(system: System, region: Region) -> str | None:
    """The condition that enables the looks of a sensor: the one that its look region hears."""
    heard = {row.on for row in region.rows if row.on is not None}
    for condition in system.conditions:
        if condition.rises in heard and condition.falls in heard:
            return condition.key
    return None


def reduce_system(
    system: System,
    monitors: Sequence[Monitor],
    detail: Detail,
    *,
    segments: Mapping[str, int] | None = None,
    keep: Iterable[str] = (),
) -> Reduced:
    """The machine that decides `monitors` at this detail, with the regions `keep` in it as well."""
    asked = [m.when for m in monitors] + [m.then for m in monitors if m.then is not None]
    asked += [
        ex.Inside(name, frozenset(state.name for state in system.region(name).states))
        for name in keep
    ]
    if detail.contacts == "free":
        system = _loosened(system, asked)
    wanted = needed_regions(system, asked)
    regions = [region for region in system.regions if region.name in wanted]
    read_by_monitors = _union(_mentions(e) for e in asked)
    levels_read = set(read_by_monitors.quantities) - set(CELL_QUANTITIES) - {"gauge"}
    shown = [r.show for r in regions if r.show is not None and levels_read & _levels_driven(r)]
    heard = {row.on for r in regions for row in r.rows if row.on is not None}
    conditions = [
        condition for condition in system.conditions
        if condition.rises in heard or condition.falls in heard
    ]
    events = {event for event in heard if event} | set(read_by_monitors.events)

    shortest = detail.share * max((monitor.time_ns for monitor in monitors), default=0)
    spans: dict[str, Span] = {}
    collapsed: list[str] = []
    reduced: list[Region] = []
    for region in regions:
        others = [row.when for r in regions if r.name != region.name for row in r.rows
                  if row.when is not None]
        read = _union(_mentions(e) for e in [*others, *shown, *(c.when for c in conditions),
                                             *asked])
        if _collapsible(region, detail, read, levels_read):
            gate = _gate(system, region) if region.group == "proximity" else None
            region = _collapse(region, detail, events, spans, gate)
            collapsed.append(region.name)
        else:
            for row in region.rows:
                if row.after_ns and (not detail.timed or row.after_ns < shortest):
                    spans[row.key] = Span(0, None)
        reduced.append(region)

    flags, acts, unread = _inputs(system, reduced, conditions, asked, shown)
    expressions = [
        *(row.when for r in reduced for row in r.rows if row.when is not None),
        *shown, *(c.when for c in conditions), *asked,
    ]
    limits = {
        quantity: tuple(sorted({
            limit for expression in expressions for limit in ex.levels_in(expression, quantity)
        }))
        for quantity in CELL_QUANTITIES
    }
    values = {quantity: _values(found) for quantity, found in limits.items()}
    machine = Machine(
        reduced, conditions=conditions, acts=acts, flags=flags, spans=spans, monitors=monitors,
        values=values, segments=segments,
    )
    starts, endless = _starts(machine)
    read_here = _union(_mentions(e) for e in expressions)
    free = sorted((set(read_here.quantities) & set(CELL_QUANTITIES)) | unread)
    return Reduced(
        machine=machine,
        starts=starts,
        kept=tuple(region.name for region in reduced),
        collapsed=tuple(collapsed),
        left_out=tuple(r.name for r in system.regions if r.name not in wanted),
        free=tuple(free),
        detail=detail,
        limits=limits,
        endless=endless,
    )


def _loosened(system: System, asked: Sequence[ex.Expression]) -> System:
    """Contacts that may make presses in any order, where nothing else asks for the gesture.

    The guards of a contact read only whether its button is pressed. Where no region hears what the
    gesture makes of the presses and none reads it, these guards would drag one more region of two
    states per button into the search; without them more can happen, never less.
    """
    contacts = {
        region.name for region in system.regions
        if region.group == "buttons" and region.name.endswith(".contact")
    }

    def without_guards(names: set[str]) -> System:
        return replace(system, regions=tuple(
            replace(region, rows=tuple(replace(row, when=None) for row in region.rows))
            if region.name in names else region
            for region in system.regions
        ))

    wanted = needed_regions(without_guards(contacts), asked)
    loose = {
        name for name in contacts if f"{name.removesuffix('.contact')}.gesture" not in wanted
    }
    return without_guards(loose) if loose else system


def _union(mentions: Iterable[ex.Mentioned]) -> ex.Mentioned:
    regions: set[str] = set()
    flags: set[str] = set()
    quantities: set[str] = set()
    events: set[str] = set()
    for one in mentions:
        regions |= one.regions
        flags |= one.flags
        quantities |= one.quantities
        events |= one.events
    return ex.Mentioned(regions=frozenset(regions), flags=frozenset(flags),
                        quantities=frozenset(quantities), events=frozenset(events))


def _collapsible(
    region: Region, detail: Detail, read: ex.Mentioned, levels: set[str]
) -> bool:
    """Whether nothing but events leaves `region`, so that its states need not be told apart."""
    if region.name in read.regions or levels & _levels_driven(region):
        return False
    head, _, tail = region.name.rpartition(".")
    if region.group == "buttons" and tail == "contact":
        return detail.contacts != "exact" and f"{head}.closed" not in read.flags
    if region.group == "proximity" and tail == "look":
        return detail.looks == "free"
    if region.group == "gauge" and region.name == "gauge":
        return detail.samples == "free" and "gauge" not in read.quantities
    return False


def _inputs(
    system: System,
    regions: Sequence[Region],
    conditions: Sequence[Condition],
    asked: Sequence[ex.Expression],
    shown: Sequence[ex.Expression],
) -> tuple[list[str], list[Act], set[str]]:
    """The inputs that matter, what the outside may do to them, and the flags that are free."""
    heard = {row.on for r in regions for row in r.rows if row.on is not None}
    read = set(_union(
        _mentions(e) for e in [
            *(row.when for r in regions if r.states != (State(name=ANY),) for row in r.rows
              if row.when is not None),
            *(c.when for c in conditions), *asked, *shown,
        ]
    ).flags)
    flags: list[str] = []
    acts: list[Act] = []
    for event in system.raw_events:
        head = event.removesuffix(".edge")
        if head in ("usb", "status"):
            continue
        flag = f"{head}.closed"
        if event in heard or flag in read:
            flags.append(flag)
            acts.append(Act(f"{head}.edge", flag, ((flag, None),), event))
    if "usb.edge" in heard or "usb" in read:
        flags.append("usb")
        acts.append(Act("usb", "usb", (("usb", None),), "usb.edge"))
    status = {"status.low", "status.high"}
    if "status.edge" in heard or read & status:
        flags += ["status.low", "status.high"]
        for label, low, high in (("low", True, False), ("high", False, True),
                                 ("released", False, False)):
            acts.append(Act(f"status {label}", "status",
                            (("status.low", low), ("status.high", high)), "status.edge"))
    return flags, acts, read - set(flags)


def _starts(machine: Machine) -> tuple[tuple[Outcome, ...], tuple[tuple[str, ...], ...]]:
    """Every way to power up, each input active or not; and the loops of those without an end."""
    flags = machine.flags
    found: dict[tuple[object, ...], Outcome] = {}
    endless: dict[tuple[str, ...], None] = {}
    for values in product((False, True), repeat=len(flags)):
        level = dict(zip(flags, values, strict=True))
        if level.get("status.low") and level.get("status.high"):
            continue
        happens = []
        if level.get("usb"):
            happens.append("usb.edge")
        if level.get("status.low") or level.get("status.high"):
            happens.append("status.edge")
        try:
            for outcome in machine.starts(values, happens):
                found.setdefault((outcome.config, outcome.broken), outcome)
        except Endless as loop:
            endless[loop.loop] = None
    return tuple(found.values()), tuple(endless)
