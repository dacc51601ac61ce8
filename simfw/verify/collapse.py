"""Regions of which a search keeps no more than the events they make.

A contact, the looks of a sensor or the samples of the gauge become one state that may make its
events at any time its guards allow: whatever the region can do, that state can do as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from simfw.behaviour import expression as ex
from simfw.behaviour.region import Region, Row, State, System
from simfw.behaviour.stock import SAMPLED
from simfw.verify.detail import Detail
from simfw.verify.machine import Span
from simfw.verify.slicing import mentions, union
from simfw.verify.terms import WATCHED

__all__ = ["ANY", "FIRST", "collapse", "collapsed_of"]

ANY = "any"
FIRST = "first"
STOCK = ("buttons", "chords", "toggles", "proximity", "measures", "gauge", "dials")
LOOKING = ("proximity", "measures")  # groups with a region that looks every now and then


def collapsed_of(
    regions: Sequence[Region], detail: Detail, read: Sequence[ex.Expression], levels: set[str]
) -> tuple[str, ...]:
    """The regions of which only events are left at this detail."""
    if detail.contacts != "events":
        found = []
        for region in regions:
            others = [row.when for r in regions if r.name != region.name for row in r.rows
                      if row.when is not None]
            if _collapsible(region, detail, union(mentions(e) for e in [*others, *read]), levels):
                found.append(region.name)
        return tuple(found)
    # All stock regions whose states nothing but each other's guards reads.
    names = {region.name for region in regions
             if region.group in STOCK and region.name not in ("cell", "gauge.blink")
             and not levels & region.touches}
    while True:
        guards = [row.when for r in regions if r.name not in names for row in r.rows
                  if row.when is not None]
        mentioned = union(mentions(e) for e in [*guards, *read])
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


def _gate(system: System, region: Region) -> str | None:
    """The condition that enables the looks of a sensor: the one that its look region hears."""
    heard = {row.on for row in region.rows if row.on is not None}
    for condition in system.conditions:
        if condition.rises in heard and condition.falls in heard:
            return condition.key
    return None


def collapse(
    system: System, region: Region, detail: Detail, events: set[str], spans: dict[str, Span],
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
    gate = _gate(system, region) if region.group in LOOKING else None
    for row in region.rows:
        emit = tuple(event for event in row.emit if event in events)
        if not emit:
            continue
        # What a sample would have read is free here, and so is the state of a collapsed region.
        free = samples or bool(mentions(row.when).regions & set(collapsed))
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
        if mentions(when).regions & set(collapsed):
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
