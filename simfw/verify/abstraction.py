"""From the regions of a gadget to a machine small enough to search.

Three reductions, all of them on the safe side: whatever the gadget can do, the reduced machine can
do as well, so that what is proved of the machine holds for the gadget.

* *Slice*: regions that cannot influence what is asked are left out. Exact.
* *Collapse*: a region that only makes events (a contact, the looks of a sensor, the samples of the
  gauge) becomes one state that may make them at any time its guards allow.
* *Order only*: every dwell may end at any time, so that no clock is needed.

Readings of the cell are free, or follow the charge in bands (`bands`): then the samples of the
gauge come when they are due, since a low cell is noticed by them.

A `Detail` says which of them are in use; `LADDER` lists them from the coarsest to none at all.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product

from simfw.behaviour import expression as ex
from simfw.behaviour.hold import may_let_go
from simfw.behaviour.region import Condition, Region, Row, State, System
from simfw.behaviour.stock import SAMPLED
from simfw.circuit.circuit import Circuit
from simfw.engine.supply import found_at_pins
from simfw.gadget.model import Gadget
from simfw.verify.bands import BAND, Bands, Reader, make_bands
from simfw.verify.machine import Act, Endless, Machine, Monitor, Outcome, Span
from simfw.verify.terms import SUPPLY, WATCHED

__all__ = [
    "ANY",
    "BANDED",
    "DETAILS",
    "FIRST",
    "LADDER",
    "LET_GO_ACTS",
    "SUPPLY_ACTS",
    "Detail",
    "Electrics",
    "Reduced",
    "follows_letting_go",
    "is_still",
    "kept_of",
    "needed_regions",
    "reduce_system",
]

ANY = "any"
FIRST = "first"
STOCK = ("buttons", "chords", "toggles", "proximity", "measures", "gauge", "dials")
LOOKING = ("proximity", "measures")  # groups with a region that looks every now and then
READING = Act("reading", "reading", ())
SUPPLY_ACTS = (
    Act("supply goes", SUPPLY, ((SUPPLY, False),)),
    Act("supply comes", SUPPLY, ((SUPPLY, True),)),
)
LET_GO_ACTS = (
    Act("the firmware lets go of its supply", SUPPLY, ()),  # it may at the end of any instant
    Act("the supply comes back", SUPPLY, ((SUPPLY, True),)),
)
CELL_QUANTITIES = ex.CONTINUOUS


@dataclass(frozen=True, slots=True, kw_only=True)
class Detail:
    """How much of the gadget's timing the machine keeps. `says` is the sentence for reports."""

    name: str
    # "events": clicks and holds at any time; "free": presses at any time; "spaced": never closer
    # than the debounce time; "exact"
    contacts: str
    looks: str  # "free" or "exact"
    samples: str  # "free", "paced" (when due, nothing kept of them) or "exact"
    timed: bool
    says: str
    share: float = 0.0  # of the rule's time: shorter dwells may take any time
    bands: bool = False  # the cell's charge in bands, its voltage under load from the circuit


LADDER = (
    Detail(name="order", contacts="free", looks="free", samples="free", timed=False,
           says="timing ignored (dwells, debounce, looks and samples may take any time)"),
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
BANDED = (
    Detail(name="bands", contacts="events", looks="free", samples="paced", timed=False, bands=True,
           says="charge of the cell in bands that fall without USB, voltage under the loads of the "
                "moment, gauge samples when due; events of buttons and sensors, and dwells, at any "
                "time"),
    Detail(name="bands and dwells", contacts="free", looks="free", samples="paced", timed=True,
           bands=True,
           says="charge of the cell in bands that fall without USB, voltage under the loads of the "
                "moment, gauge samples and dwells when due; settled presses and looks at any time"),
)
DETAILS = (*LADDER, *BANDED)


@dataclass(frozen=True, slots=True)
class Electrics:
    """The gadget and its circuit, for details that follow the cell."""

    gadget: Gadget
    circuit: Circuit


@dataclass(frozen=True, slots=True)
class Reduced:
    """A machine, the inputs it can power up with, and what was done to get it.

    `limits` are the numbers that each quantity of the cell is compared with. `endless` holds the
    loops of power-ups that never come to rest, `endless_rows` the rows that fired in them.
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
    endless_rows: frozenset[str] = frozenset()


def _mentions(expression: ex.Expression | None) -> ex.Mentioned:
    return ex.names_in(expression if expression is not None else ex.Constant(True))


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
                    if quantity in region.touches:
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


def _banded(
    electrics: Electrics, system: System, regions: Sequence[Region], collapsed: Sequence[str],
    limits: Mapping[str, tuple[float, ...]], values: Mapping[str, tuple[float, ...]],
) -> tuple[Region, dict[str, Span], Reader]:
    """The region of the charge, when it moves, and what reads the cell in it.

    `regions` are those of the machine; what the others drive, and those in `collapsed`, is unknown.
    """
    gadget, circuit = electrics.gadget, electrics.circuit
    period = 0 if gadget.gauge is None else gadget.gauge.every.ns
    bands: Bands = make_bands(gadget, circuit, system.regions, limits, period)
    region, spans = bands.region(falls=True, rises=gadget.charger is not None)
    kept = {one.name for one in regions} - set(collapsed)
    unknown = [one for one in system.regions if one.name not in kept]
    return region, spans, Reader(gadget, circuit, bands, unknown, limits, values)


def _collapse(
    region: Region, detail: Detail, events: set[str], spans: dict[str, Span], gate: str | None,
    collapsed: Sequence[str],
) -> Region:
    """One state that makes the events of `region` at any time its guards allow."""
    if region.name == "gauge" and detail.samples == "paced":
        return _paced(region, events, spans)
    if not _makes_events(region):
        return _merged(region, events, spans, collapsed)
    rows: list[Row] = []
    seen: set[tuple[tuple[str, ...], ex.Expression | None]] = set()
    samples = region.group == "gauge"
    spaced = region.group == "buttons" and detail.contacts == "spaced"
    for row in region.rows:
        emit = tuple(event for event in row.emit if event in events)
        if not emit:
            continue
        # What a sample would have read is free here, and so is the state of a collapsed region.
        free = samples or bool(_mentions(row.when).regions & set(collapsed))
        when = None if free else row.when
        if (emit, when) in seen:
            continue
        seen.add((emit, when))
        guarded: ex.Expression | None = when
        if gate is not None:
            watched = ex.Flag(f"{WATCHED}{gate}")
            guarded = watched if when is None else ex.All((watched, when))
        rows.append(
            Row(key=row.key, sources=(ANY,), to=ANY if spaced else "same",
                after_ns=row.after_ns or 1, when=guarded, when_text=row.when_text, emit=emit)
        )
        spans[row.key] = Span((row.after_ns or 0) if spaced else 0, None)
    return Region(name=region.name, group=region.group, states=(State(name=ANY),), starts=ANY,
                  rows=tuple(rows))


def _merged(
    region: Region, events: set[str], spans: dict[str, Span], collapsed: Sequence[str]
) -> Region:
    """All states of `region` as one: what it made of an event in one of them, it may make now.

    What it hears comes first and what it makes of it after that, as in the region itself.
    """
    rows = []
    for row in region.rows:
        emit = tuple(event for event in row.emit if event in events)
        if not emit:
            continue
        when: ex.Expression | None = row.when
        if _mentions(when).regions & set(collapsed):
            when = None
        if row.on is not None:
            chance = ex.Flag(f"({row.key})")
            when = chance if when is None else ex.All((chance, when))
        else:
            spans[row.key] = Span(0, None)
        rows.append(replace(row, sources=(ANY,), to="same", when=when, emit=emit))
    return Region(name=region.name, group=region.group, states=(State(name=ANY),), starts=ANY,
                  rows=tuple(rows))


def _paced(region: Region, events: set[str], spans: dict[str, Span]) -> Region:
    """The gauge as a clock: a sample at power-up, then one each period, the bars forgotten."""
    rows: list[Row] = []
    told: set[tuple[str, ...]] = set()
    for row in region.rows:
        emit = tuple(event for event in row.emit if event in events)
        if row.emit == (SAMPLED,):
            first = row.after_ns == 0
            if not any(one.sources == ((FIRST,) if first else (ANY,)) for one in rows):
                rows.append(Row(key=row.key, sources=(FIRST,) if first else (ANY,), to=ANY,
                                after_ns=row.after_ns, emit=emit))
        elif emit and emit not in told:
            told.add(emit)
            spans[row.key] = Span(0, None)
            rows.append(Row(key=row.key, sources=(ANY,), to="same", after_ns=1, emit=emit))
    return Region(name=region.name, group=region.group,
                  states=(State(name=FIRST), State(name=ANY)), starts=FIRST, rows=tuple(rows))


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
    electrics: Electrics | None = None,
    supply: bool = False,
    closing: bool = False,
    prompt: bool = False,
) -> Reduced:
    """The machine that decides `monitors` at this detail, with the regions `keep` in it as well.

    `electrics` is needed by details with bands. With `supply` the supply may go at any time and
    come back at any time, and monitors go on while it is gone; with bands it goes when the
    protection opens in any case, and then the monitors wait no longer unless `supply` is set. Where
    the firmware lets go of its supply and a monitor tells that (`follows_letting_go`), it may do so
    in any state that does, as soon as that is settled, and get it back at any time; with bands that
    is a supply that goes then as it does where the protection opens. With
    `closing`, contacts may also close in the very instant of power-up. With `prompt` the firmware
    lets go at once where nothing that powers the gadget is closed: for hunting, not for proving,
    since the supply stays for `hold_up`.
    """
    asked = [m.when for m in monitors] + [m.then for m in monitors if m.then is not None]
    asked += [
        ex.Inside(name, frozenset(state.name for state in system.region(name).states))
        for name in keep
    ]
    if detail.contacts in ("free", "events"):
        system = _loosened(system, asked)
    wanted = needed_regions(system, asked)
    regions = [region for region in system.regions if region.name in wanted]
    read_by_monitors = _union(_mentions(e) for e in asked)
    levels_read = set(read_by_monitors.quantities) - set(CELL_QUANTITIES) - {"gauge"}
    shown = [r.show for r in regions if r.show is not None and levels_read & r.touches]
    heard = {row.on for r in regions for row in r.rows if row.on is not None}
    conditions = [
        condition for condition in system.conditions
        if condition.rises in heard or condition.falls in heard
    ]
    events = {event for event in heard if event} | set(read_by_monitors.events)

    shortest = detail.share * max((monitor.time_ns for monitor in monitors), default=0)
    spans: dict[str, Span] = {}
    reduced: list[Region] = []
    collapsed = _collapsed(regions, detail, [*shown, *(c.when for c in conditions), *asked],
                           levels_read)
    for region in regions:
        if region.name in collapsed:
            gate = _gate(system, region) if region.group in LOOKING else None
            region = _collapse(region, detail, events, spans, gate, collapsed)
        else:
            paced = region.name == "gauge" and detail.samples != "free"
            for row in region.rows:
                if row.after_ns and not paced and (
                    not detail.timed or row.after_ns < shortest
                ):
                    spans[row.key] = Span(0, None)
        reduced.append(region)

    flags, acts, unread = _inputs(system, reduced, conditions, asked, shown,
                                  _powering(system) if prompt else ())
    expressions = [
        *(row.when for r in reduced for row in r.rows if row.when is not None),
        *shown, *(c.when for c in conditions), *asked,
    ]
    limits = {
        quantity: tuple(sorted({
            limit for expression in expressions for limit in ex.turning_levels(expression, quantity)
        }))
        for quantity in CELL_QUANTITIES
    }
    values = {quantity: _values(found) for quantity, found in limits.items()}
    # A light that a sequence drives is at any of its levels; what is compared tells which matter.
    played = {name for region in regions for state in region.states for name in state.sequences
              if name in levels_read}
    values |= {name: _values({limit for one in asked for limit in ex.levels_in(one, name)})
               for name in sorted(played)}
    lasting = [c.when for c in conditions] + [
        part for m in monitors if m.kind != "never" for part in (m.when, m.then) if part is not None
    ]
    if set(_union(_mentions(e) for e in lasting).quantities) & {*CELL_QUANTITIES, *played}:
        # A reading may turn at any time, and what waits for it begins to wait then.
        acts.append(READING)
    reader = None
    if detail.bands:
        assert electrics is not None
        band, bands, reader = _banded(electrics, system, reduced, collapsed, limits, values)
        reduced.insert(0, band)
        spans |= bands
        if electrics.gadget.charger is not None and "usb" not in flags:
            flags.append("usb")
            acts.append(Act("usb", "usb", (("usb", None),), "usb.edge"))
    letting = None if supply else _letting(system, monitors, reduced)
    if letting is not None and not detail.bands:
        flags.append(SUPPLY)
        acts += LET_GO_ACTS
    if supply or detail.bands:
        flags.append(SUPPLY)
        # The open protection closes at its restart, or while a charger feeds the cell.
        restarts = electrics is None or electrics.gadget.cell.restart is not None or (
            electrics.gadget.charger is not None
        )
        acts += SUPPLY_ACTS if restarts or letting is not None else SUPPLY_ACTS[:1]
    machine = Machine(
        reduced, conditions=conditions, acts=acts, flags=flags, spans=spans, monitors=monitors,
        values=values, segments=segments, cell=reader,
        forgiving=not supply and (letting is None or detail.bands), letting=letting,
        powering=() if letting is None else _powering(system), prompt=prompt,
        outside=[region.name for region in reduced
                 if region.name in collapsed and region.group != "gauge"],
        unknown=collapsed,
    )
    starts, endless, endless_rows = _starts(machine, system.status_levels, closing=closing)
    read_here = _union(_mentions(e) for e in expressions)
    # A count does not follow from the charge: what it was when depends on the way there.
    followed = set(CELL_QUANTITIES) - {"gauge.counted"} if detail.bands else set()
    free = sorted(set(read_here.quantities) & set(CELL_QUANTITIES) - followed
                  | {name.partition(".reached.")[0] for name in unread
                     if not name.startswith("(")}
                  | {f"{name} within its sequence" for name in played})
    return Reduced(
        machine=machine,
        starts=starts,
        kept=tuple(region.name for region in reduced if region.name != BAND),
        collapsed=tuple(collapsed),
        left_out=tuple(r.name for r in system.regions if r.name not in wanted),
        free=tuple(free),
        detail=detail,
        limits=limits,
        endless=endless,
        endless_rows=endless_rows,
    )


def _keeps(system: System) -> bool:
    """Whether anything is kept over a loss of the supply."""
    return any(region.kept is not None for region in system.regions)


def follows_letting_go(system: System, monitor: Monitor) -> bool:
    """Whether a monitor tells a supply that the firmware has let go of from one that is there.

    Names of states read as they were left, and then all powers up anew: that is in the search
    without it, where nothing is kept. Outputs are off meanwhile, inputs go on, and so does the time
    of what waits.
    """
    if not may_let_go(system):
        return False
    if is_still(system, monitor):
        return bool(kept_of(system, monitor))
    if _keeps(system):
        return True
    asked = _mentions(monitor.when)
    return monitor.kind != "never" or bool(asked.flags or asked.quantities)


def kept_of(system: System, monitor: Monitor) -> tuple[str, ...]:
    """The regions that bear on a monitor and keep something over a loss of the supply."""
    wanted = needed_regions(system, [monitor.when, *([monitor.then] if monitor.then else [])])
    return tuple(region.name for region in system.regions
                 if region.name in wanted and region.kept is not None)


def is_still(system: System, monitor: Monitor) -> bool:
    """Whether nothing that a monitor watches for can be so while the supply is let go of.

    Then it matters of that time only how it ends, whatever the cell does meanwhile. Where nothing
    that bears on the monitor is kept, it ends with one of the power-ups that a search begins with
    anyway, at any charge.
    """
    return monitor.kind == "never" and not any(
        _may_hold(monitor.when, region.name, state.name)
        for region in system.regions for state in region.states if state.unpowered)


def _may_hold(when: ex.Expression, region: str, state: str) -> bool:
    """Whether `when` may hold without supply, where a region is in a state that let go of it."""

    def number(side: ex.Number | ex.Quantity) -> float | None:
        if isinstance(side, ex.Number):
            return side.value
        return None if side.name in CELL_QUANTITIES or side.name == "gauge" else 0.0  # all is off

    def read(leaf: ex.Leaf) -> bool | None:
        match leaf:
            case ex.Inside(name, states) if name == region:
                return state in states
            case ex.Compare(left, operator, right):
                one, other = number(left), number(right)
                if one is not None and other is not None:
                    return ex.COMPARE[operator](one, other)
        return None

    return ex.truth(when, read) is not False


def _powering(system: System) -> tuple[str, ...]:
    """The inputs that keep a supply which the firmware lets go of."""
    return tuple("usb" if name == "usb" else f"{name}.closed" for name in system.powered_by)


def _letting(
    system: System, monitors: Sequence[Monitor], regions: Sequence[Region]
) -> frozenset[str] | None:
    """The regions of whose states it hangs whether the firmware lets go of its supply: none where
    it may at any time, since some are left out. None where that is not to be followed.
    """
    asked = any(follows_letting_go(system, one) for one in monitors) if monitors else _keeps(system)
    if not asked or not may_let_go(system):
        return None
    every, here = (frozenset(region.name for region in some if region.lets_go)
                   for some in (system.regions, regions))
    return here if here == every else frozenset()


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
    # One whose level is read is not collapsed: without guards its first row alone would ever fire.
    read = _union(_mentions(one) for one in [
        *asked, *(condition.when for condition in system.conditions),
        *(row.when for region in system.regions if region.name not in contacts
          for row in region.rows)]).flags
    loose = {
        name for name in contacts if f"{name.removesuffix('.contact')}.gesture" not in wanted
        and f"{name.removesuffix('.contact')}.closed" not in read
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


def _collapsed(
    regions: Sequence[Region], detail: Detail, read: Sequence[ex.Expression], levels: set[str]
) -> tuple[str, ...]:
    """The regions of which only events are left at this detail."""
    if detail.contacts != "events":
        found = []
        for region in regions:
            others = [row.when for r in regions if r.name != region.name for row in r.rows
                      if row.when is not None]
            if _collapsible(region, detail, _union(_mentions(e) for e in [*others, *read]), levels):
                found.append(region.name)
        return tuple(found)
    # All stock regions whose states nothing but each other's guards reads.
    names = {region.name for region in regions
             if region.group in STOCK and region.name not in ("cell", "gauge.blink")
             and not levels & region.touches}
    while True:
        guards = [row.when for r in regions if r.name not in names for row in r.rows
                  if row.when is not None]
        mentioned = _union(_mentions(e) for e in [*guards, *read])
        kept = {name for name in names if name in mentioned.regions or (
            name == "gauge" and "gauge" in mentioned.quantities)}
        if not kept:
            return tuple(region.name for region in regions if region.name in names)
        names -= kept


def _makes_events(region: Region) -> bool:
    """Whether `region` stands for the outside: a contact, the looks of a sensor, the samples."""
    tail = region.name.rpartition(".")[2]
    return (region.group, tail) == ("buttons", "contact") or region.name == "gauge" or (
        region.group in LOOKING and tail == "look")


def _collapsible(
    region: Region, detail: Detail, read: ex.Mentioned, levels: set[str]
) -> bool:
    """Whether nothing but events leaves `region`, so that its states need not be told apart."""
    if region.name in read.regions or levels & region.touches:
        return False
    if not _makes_events(region):
        return False
    head, _, tail = region.name.rpartition(".")
    if region.group == "buttons" and tail == "contact":
        return detail.contacts != "exact" and f"{head}.closed" not in read.flags
    if region.group in LOOKING and tail == "look":
        return detail.looks == "free"
    if region.group == "gauge" and region.name == "gauge":
        return detail.samples != "exact" and "gauge" not in read.quantities
    return False


def _inputs(
    system: System,
    regions: Sequence[Region],
    conditions: Sequence[Condition],
    asked: Sequence[ex.Expression],
    shown: Sequence[ex.Expression],
    also: Sequence[str],
) -> tuple[list[str], list[Act], set[str]]:
    """The inputs that matter, what the outside may do to them, and the flags that are free.

    The inputs `also` matter in any case.
    """
    heard = {row.on for r in regions for row in r.rows if row.on is not None}
    read = set(_union(
        _mentions(e) for e in [
            *(row.when for r in regions if r.states != (State(name=ANY),) for row in r.rows
              if row.when is not None),
            *(c.when for c in conditions), *asked, *shown,
        ]
    ).flags) | set(also)
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
        for level in system.status_levels:
            acts.append(Act(f"status {level}", "status", (("status.low", level == "low"),
                            ("status.high", level == "high")), "status.edge"))
    return flags, acts, read - set(flags)


def _status(level: Mapping[str, bool]) -> str:
    """What the status pin says with these flags."""
    low, high = level["status.low"], level["status.high"]
    return "both" if low and high else "low" if low else "high" if high else "released"


def _starts(
    machine: Machine, readable: Sequence[str], *, closing: bool
) -> tuple[tuple[Outcome, ...], tuple[tuple[str, ...], ...], frozenset[str]]:
    """Every way to power up, each input active or not; the loops of those without an end, and the
    rows that fired in them.

    `readable` are the levels that the status pin may have. With `closing` there are also those in
    which the contacts that are closed have just closed.
    """
    flags = machine.flags
    heard = set(machine.event_names)
    found: dict[tuple[object, ...], Outcome] = {}
    endless: dict[tuple[str, ...], None] = {}
    rows: set[str] = set()
    bands = len(machine.parts[machine.band].states) if machine.band >= 0 else 1
    for band, values in product(range(bands), product((False, True), repeat=len(flags))):
        level = dict(zip(flags, values, strict=True))
        if "status.low" in level and _status(level) not in readable:
            continue
        if not level.get(SUPPLY, True):
            continue
        there = found_at_pins(level.get, heard)
        edges = [f"{flag.removesuffix('.closed')}.edge" for flag in flags
                 if flag.endswith(".closed") and level[flag]]
        for happens in [there, [*edges, *there]] if closing and edges else [there]:
            try:
                for outcome in machine.starts(values, happens, band):
                    found.setdefault((outcome.config, outcome.broken), outcome)
            except Endless as loop:
                endless[loop.loop] = None
                rows.update(loop.rows)
    return tuple(found.values()), tuple(endless), frozenset(rows)
