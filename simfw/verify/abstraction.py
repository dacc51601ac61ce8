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
from dataclasses import dataclass
from itertools import product

from simfw.behaviour import expression as ex
from simfw.behaviour.region import Condition, Region, State, System
from simfw.circuit.circuit import Circuit
from simfw.engine.supply import found_at_pins
from simfw.gadget.model import Gadget
from simfw.verify.bands import BAND, Bands, Reader, make_bands
from simfw.verify.collapse import ANY, collapse, collapsed_of
from simfw.verify.detail import Detail
from simfw.verify.letting_go import LET_GO_ACTS, letting_of, powering
from simfw.verify.machine import Act, Endless, Machine, Monitor, Outcome, Span
from simfw.verify.slicing import loosened, mentions, needed_regions, union
from simfw.verify.terms import SUPPLY

__all__ = ["SUPPLY_ACTS", "Electrics", "Reduced", "reduce_system"]

READING = Act("reading", "reading", ())
SUPPLY_ACTS = (
    Act("supply goes", SUPPLY, ((SUPPLY, False),)),
    Act("supply comes", SUPPLY, ((SUPPLY, True),)),
)


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
        system = loosened(system, asked)
    wanted = needed_regions(system, asked)
    regions = [region for region in system.regions if region.name in wanted]
    read_by_monitors = union(mentions(e) for e in asked)
    levels_read = set(read_by_monitors.quantities) - set(ex.CONTINUOUS) - {"gauge"}
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
    collapsed = collapsed_of(regions, detail, [*shown, *(c.when for c in conditions), *asked],
                           levels_read)
    for region in regions:
        if region.name in collapsed:
            region = collapse(system, region, detail, events, spans, collapsed)
        else:
            paced = region.name == "gauge" and detail.samples != "free"
            for row in region.rows:
                if row.after_ns and not paced and (
                    not detail.timed or row.after_ns < shortest
                ):
                    spans[row.key] = Span(0, None)
        reduced.append(region)

    flags, acts, unread = _inputs(system, reduced, conditions, asked, shown,
                                  powering(system) if prompt else ())
    expressions = [
        *(row.when for r in reduced for row in r.rows if row.when is not None),
        *shown, *(c.when for c in conditions), *asked,
    ]
    limits = {
        quantity: tuple(sorted({
            limit for expression in expressions for limit in ex.turning_levels(expression, quantity)
        }))
        for quantity in ex.CONTINUOUS
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
    if set(union(mentions(e) for e in lasting).quantities) & {*ex.CONTINUOUS, *played}:
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
    letting = None if supply else letting_of(system, monitors, reduced)
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
        powering=() if letting is None else powering(system), prompt=prompt,
        outside=[region.name for region in reduced
                 if region.name in collapsed and region.group != "gauge"],
        unknown=collapsed,
    )
    starts, endless, endless_rows = _starts(machine, system.status_levels, closing=closing)
    read_here = union(mentions(e) for e in expressions)
    # A count does not follow from the charge: what it was when depends on the way there.
    followed = set(ex.CONTINUOUS) - {"gauge.counted"} if detail.bands else set()
    free = sorted(set(read_here.quantities) & set(ex.CONTINUOUS) - followed
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
    read = set(union(
        mentions(e) for e in [
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
