"""Rows that do what they say and not what was meant, told by their form.

A dwell that is spent when its guard fails, a press that acts before its hold or chord can, a
release that acts after a hold, a lock that a hand opens, a memory that brings back what only a
deliberate gesture should. Each looks at the rows only, so each is a note.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

from simfw.behaviour import expression as ex
from simfw.behaviour.region import Region, Row, System
from simfw.behaviour.stock_buttons import count_event
from simfw.gadget.model import Gadget
from simfw.quantity import format_duration
from simfw.verify.finding import Finding
from simfw.verify.static import can_hold_together, finding

__all__ = ["habit_checks"]

ENDED_BY_CELL = frozenset({"cell.low", "cell.flat"})
EASY = ("click", "press", "release", "double")
FIELD = ("wave", "near", "far")


def habit_checks(gadget: Gadget, system: System) -> Iterator[Finding]:
    """Every check of this page on the written regions."""
    written = [_as_asked(region) for region in system.regions if region.group == "behaviour"]
    for region in written:
        yield from _spent(gadget, region)
        yield from _missed(gadget, region)
        yield from _locks(gadget, region)
        yield from _memories(gadget, region)
        yield from _plugged(gadget, region)
        yield from _held_too_late(gadget, region)
        yield from _running_on(gadget, written, region)
    for name in gadget.buttons:
        yield from _twice(gadget, written, name)
    for name in gadget.proximity:
        yield from _one_hand(written, name)


def _as_asked(region: Region) -> Region:
    """The region with each row from those states only in which its own guard lets it fire."""
    def fires(row: Row, state: str) -> bool:
        here = ex.Inside(region.name, frozenset({state}), f"{region.name}.{state}")
        return row.when is None or can_hold_together(here, row.when)

    rows = [replace(row, sources=tuple([state for state in row.sources if fires(row, state)]))
            for row in region.rows]
    return replace(region, rows=tuple([row for row in rows if row.sources]))


def _personal(gadget: Gadget, event: str | None) -> bool:
    """Whether a person makes this event."""
    head = (event or "").rpartition(".")[0]
    return head in gadget.buttons or head in gadget.chords or head in gadget.proximity or (
        head == "usb")


def _deliberate(gadget: Gadget, event: str | None) -> bool:
    """Whether the event is a hold or a chord, which nobody makes by chance."""
    head, _, what = (event or "").rpartition(".")
    button = gadget.buttons.get(head)
    return head in gadget.chords or (button is not None and (
        what == "second_hold" or what in dict(button.hold_lengths)))


def _acts(row: Row) -> bool:
    return row.to != "same" or bool(row.emit)


def _lit(gadget: Gadget, region: Region, state: str) -> bool:
    return any(
        name in gadget.lights or name in gadget.loads for name in region.state(state).drives)


# -- dwells ----------------------------------------------------------------------------------------


def _spent(gadget: Gadget, region: Region) -> Iterator[Finding]:
    """States that a dwell leaves only if its guard holds at that very moment.

    Of those that are lit, where only a person or a flat cell ends them; of others, where nothing
    does.
    """
    for state in region.states:
        rows = [row for row in region.rows if state.name in row.sources and row.to != "same"]
        lit = _lit(gadget, region, state.name)
        leaving = [row for row in rows if row.after_ns or (row.on is None and not lit)]
        if not leaving:
            continue
        last = max(row.after_ns or 0 for row in leaving)
        unmet = [ex.Not(row.when) for row in leaving if row.when is not None]
        sure = len(unmet) < len(leaving) or not can_hold_together(
            unmet[0], ex.All(tuple(unmet[1:])) if unmet[1:] else unmet[0])
        helped = any(
            row.on is not None and (not lit or (
                row.on not in ENDED_BY_CELL
                and (not _personal(gadget, row.on) or row.on.startswith("usb."))))
            for row in rows)
        if sure or helped:
            continue
        guards = " or ".join(dict.fromkeys(row.when_text for row in leaving if row.when_text))
        yield finding(
            "dwell-spent", f"The dwell of {format_duration(last)} leaves "
            f"{region.name}.{state.name} only if this holds when it ends: {guards}. If not it is "
            f"spent, and nothing {'but a person or a flat cell ' if lit else ''}ends the state.",
            [row.key for row in leaving])


def _held_too_late(gadget: Gadget, region: Region) -> Iterator[Finding]:
    """Holds from a state that the same press leads to and a dwell ends before the hold is due."""
    for row in region.rows:
        button, _, what = (row.on or "").rpartition(".")
        written = gadget.buttons.get(button)
        hold = None if written is None else dict(written.hold_lengths).get(what)
        if hold is None:
            continue
        for source in row.sources:
            into = _into(region, source)
            dwells = [one.after_ns for one in region.rows
                      if one.after_ns and one.when is None and source in one.sources
                      and one.to not in ("same", source)]
            if source == region.starts or not into or not dwells or any(
                one.on != f"{button}.press" for one in into
            ) or min(dwells) >= hold.ns:
                continue
            yield finding(
                "hold-too-late", f"{region.name}.{source} begins with {button}.press and lasts "
                f"{format_duration(min(dwells))}; {row.on} comes after "
                f"{format_duration(hold.ns)} and never finds it.", [row.key])


def _running_on(gadget: Gadget, written: list[Region], timer: Region) -> Iterator[Finding]:
    """Timers in a region of their own that another one neither stops nor begins anew."""
    for dwell in timer.rows:
        if not dwell.after_ns or len(dwell.sources) != 1 or dwell.to == dwell.sources[0]:
            continue
        runs = dwell.sources[0]
        heard = {row.on for row in timer.rows if runs in row.sources and row.to != "same"}
        begun = {row.on for row in _into(timer, runs)}
        for region in written:
            if region is timer:
                continue
            for row in region.rows:
                ended = [state for state in row.sources if _lit(gadget, region, state)]
                if row.on not in dwell.emit or not ended or row.to not in {
                    state.name for state in region.states if not _lit(gadget, region, state.name)
                }:
                    continue
                lights = {one.on for one in region.rows if one.to in ended and one.on in begun
                          and not set(one.sources) <= set(ended)}
                dark = {one.on for one in region.rows if one.to == row.to and one.on != row.on
                        and one.on is not None and _personal(gadget, one.on)
                        and set(one.sources) & set(ended)}
                if lights - heard and dark - heard:
                    yield finding(
                        "timer-runs-on", f"{timer.name}.{runs} goes on when "
                        f"{' or '.join(sorted(dark - heard))} ends {region.name}.{ended[0]}: the "
                        f"next time {region.name}.{ended[0]} gets what is left of "
                        f"{format_duration(dwell.after_ns)}.", [dwell.key, row.key])
                    break


def _plugged(gadget: Gadget, region: Region) -> Iterator[Finding]:
    """Rows by which the plug lights what a person lights as well."""
    by_hand = {
        name for row in region.rows if _personal(gadget, row.on)
        and not (row.on or "").startswith("usb.") and row.to in {s.name for s in region.states}
        for name in region.state(row.to).drives if name in gadget.lights
    }
    for row in region.rows:
        if row.on not in ("usb.in", "usb.out") or row.to in ("same", "resume"):
            continue
        lit = [name for name in region.state(row.to).drives if name in by_hand]
        if lit and any(not set(lit) & set(region.state(source).drives) for source in row.sources):
            yield finding("plug-lights", f"{row.on} lights {' and '.join(lit)}, as a person does: "
                          f"the plug acts like a button.", [row.key])


def _missed(gadget: Gadget, region: Region) -> Iterator[Finding]:
    """Lit states that a low or flat cell does not end, where it ends others of the same light."""
    for event in sorted(ENDED_BY_CELL):
        rows = [row for row in region.rows if row.on == event]
        spoken = {source for row in rows for source in row.sources}
        ending = [row for row in rows if row.to in {
            state.name for state in region.states if not _lit(gadget, region, state.name)}]
        ended = {name for row in ending for source in row.sources
                 for name in region.state(source).drives if name in gadget.lights}
        missed = [state.name for state in region.states
                  if state.name not in spoken and ended & set(state.drives)]
        if missed:
            yield finding("cell-not-heard", f"{event} puts {' and '.join(sorted(ended))} out, but "
                          f"not in {' or '.join(f'{region.name}.{name}' for name in missed)}.",
                          [row.key for row in ending])


# -- locks and memories ----------------------------------------------------------------------------


def _into(region: Region, state: str) -> list[Row]:
    """The rows that enter `state` from another one."""
    return [row for row in region.rows
            if row.to == state and any(source != state for source in row.sources)]


def _locks(gadget: Gadget, region: Region) -> Iterator[Finding]:
    """Dark states that only a hold or a chord enters, and a hand or a light touch leaves."""
    for state in region.states:
        name = state.name
        entering = _into(region, name)
        if name == region.starts or _lit(gadget, region, name) or not entering or not all(
            _deliberate(gadget, row.on) for row in entering
        ):
            continue
        for row in region.rows:
            head, _, what = (row.on or "").rpartition(".")
            easy = (head in gadget.proximity and what in FIELD) or (
                head in gadget.buttons and what in EASY)
            if easy and name in row.sources and row.to not in ("same", name):
                by = " and ".join(dict.fromkeys(one.on or "" for one in entering))
                yield finding("lock-left", f"{region.name}.{name} is dark and entered by {by} "
                              f"only, as a lock is; {row.on} leaves it.", [row.key])


def _memories(gadget: Gadget, region: Region) -> Iterator[Finding]:
    """Resume points that only a deliberate gesture enters, where a light one resumes."""
    resuming = [row for row in region.rows
                if row.to == "resume" and not _deliberate(gadget, row.on)]
    for point in region.resume_points:
        entering = _into(region, point)
        if resuming and entering and point != region.starts and (
            point != region.resume_points[0]
        ) and all(_deliberate(gadget, row.on) for row in entering):
            by = " and ".join(dict.fromkeys(row.on or "" for row in entering))
            how = " and ".join(dict.fromkeys(row.on or "a dwell" for row in resuming))
            yield finding("memory-brings-back", f"{region.name}.{point} is entered by {by} only, "
                          f"and {how} brings it back as the state of last time.",
                          [row.key for row in resuming])


# -- one press, two actions ------------------------------------------------------------------------


def _on(regions: Iterable[Region], events: set[str]) -> list[tuple[Region, Row]]:
    return [(region, row) for region in regions for row in region.rows
            if row.on in events and _acts(row)]


def _twice(gadget: Gadget, written: list[Region], button: str) -> Iterator[Finding]:
    part = gadget.buttons[button]
    words = {count_event(count) for count in range(1, part.most_clicks + 1)}
    words |= {"double", "hold", "second_hold", *dict(part.hold_lengths)}
    events = {f"{button}.{what}" for what in words}
    events |= {f"{name}.chord" for name, chord in gadget.chords.items() if button in chord.buttons}
    later = _on(written, events)
    for region, first in _on(written, {f"{button}.press"}):
        if first.when is not None or first.to == "same":
            continue
        for other, row in later:
            if other is not region:
                continue
            missed = [state for state in row.sources
                      if state in first.sources and state != first.to]
            both = row.on == f"{button}.click" and first.to in row.sources and (
                row.to not in ("same", first.to))
            if both or (missed and row.on != f"{button}.click"):
                what = (f"one tap does both: {button}.press leads to {first.to}, and {row.on} on "
                        f"to {row.to}" if both else
                        f"{row.on} never comes in {missed[0]}: {button}.press has already led to "
                        f"{first.to}")
                yield finding("acts-twice", f"In {region.name}, {what}.", [first.key, row.key])
                break
    yield from _letting_go(gadget, written, button, later)


def _one_hand(written: list[Region], sensor: str) -> Iterator[Finding]:
    """A hand that comes near makes `near` and `wave` in one instant: rows on both act both."""
    for region, first in _on(written, {f"{sensor}.near"}):
        for other, row in _on(written, {f"{sensor}.wave"}):
            if other is region and first.to in row.sources and (
                first.to not in first.sources and row.to not in ("same", first.to)
            ):
                yield finding("acts-twice", f"In {region.name}, one hand does both: {row.on} comes "
                              f"with {first.on}, which leads to {first.to}, and on to {row.to}.",
                              [first.key, row.key])
                break


def _letting_go(
    gadget: Gadget, written: list[Region], button: str, later: list[tuple[Region, Row]]
) -> Iterator[Finding]:
    del gadget
    pressed = {(region.name, row.to) for region, row in _on(written, {f"{button}.press"})}
    for region, last in _on(written, {f"{button}.release"}):
        for other, row in later:
            if other is not region or row.to not in last.sources or last.to in ("same", row.to) or (
                row.on == f"{button}.click"
            ):
                continue
            # Where letting go ends just what the hold began, that is what was meant.
            begun = {one.to for _, one in later} | {to for name, to in pressed
                                                     if name == region.name}
            releases = [one for one in region.rows if one.on == f"{button}.release"]
            if all(source in begun for one in releases for source in one.sources):
                continue
            yield finding("acts-twice", f"In {region.name}, letting go after {row.on} acts as "
                          f"well: {row.on} leads to {row.to}, and {button}.release on to "
                          f"{last.to}.", [row.key, last.key])
            return
