"""The events of a gadget as data: what raises them, when, and who hears them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from simfw.behaviour.region import Region, Row
from simfw.quantity import format_duration
from simfw.report.specification.windows import Window
from simfw.report.specification.words import in_words
from simfw.vectors.items import reached_states

if TYPE_CHECKING:
    from simfw.report.specification.requirements import Requirement
    from simfw.report.specification.subject import Subject

__all__ = ["EventLine", "events_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class EventLine:
    """One event. `windows` holds its times, counted from what decides; empty: it comes at once.

    `never` says why it is never raised in this gadget, empty where it may be.
    """

    name: str
    never: str
    windows: tuple[Window, ...]
    decided: str
    heard: tuple[str, ...]
    requirements: tuple[Requirement, ...]

    @property
    def times(self) -> tuple[str, str, str]:
        """Shortest, typical and longest as texts."""
        if self.never:
            return "-", "-", "-"
        if not self.windows:
            return "-", "at once", "-"
        return (
            min(self.windows, key=lambda window: window.low_ns).texts[0],
            " / ".join(dict.fromkeys(format_duration(window.ns) for window in self.windows)),
            max(self.windows, key=lambda window: window.high_ns).texts[2],
        )


def _emitters(subject: Subject, event: str) -> list[tuple[Region, Row]]:
    return [(region, row) for region in subject.system.regions for row in region.rows
            if event in row.emit]  # fmt: skip


def hearers(subject: Subject, event: str) -> tuple[str, ...]:
    """The regions that have a row for an event."""
    return tuple(region.name for region in subject.system.regions
                 if any(row.on == event for row in region.rows))  # fmt: skip


def _never(subject: Subject, event: str, found: list[tuple[Region, Row]]) -> str:
    """Why an event is never emitted in this gadget; empty where it may be."""
    if any(reached_states(region) & set(row.sources) for region, row in found):
        return ""
    if found:
        states = dict.fromkeys(f"`{state}`" for _, row in found for state in row.sources)
        return f"never emitted here: no row leads to {in_words(states, 'or')}"
    charger = subject.gadget.charger
    if charger is None or not event.startswith("charge."):
        return "never emitted here: no row emits it"
    if charger.status is None:
        return "never emitted here: the charger has no status pin to tell it"
    if subject.gadget.status_pulled_up and "complete" in charger.status:
        return (
            "never emitted here: a status pin that nothing drives is pulled up and reads high, so "
            "that a fault looks like complete"
        )
    return (
        f"never emitted here: a status pin that is {charger.status} has two levels, and a fault "
        "would be a third"
    )


def _sampled(subject: Subject, event: str) -> Window | None:
    """From a change of a sampled contact to its press or release: it may come just after a read."""
    name, _, what = event.rpartition(".")
    button = subject.gadget.buttons.get(name)
    if button is None or button.style != "sample" or what not in ("press", "release"):
        return None
    every, count = button.sample_every, button.samples
    return subject.corners.of(
        (count - 1) * every.low_ns, (2 * count - 1) * every.ns // 2, count * every.high_ns
    )


def _cause(row: Row) -> str:
    """On what a row fires. A sample of the gauge and what comes of it are one step."""
    if row.on is None:
        return "end of a time"
    return "the sample" if row.on == "gauge.sampled" else f"`{row.on}`"


def _line(subject: Subject, event: str) -> EventLine:
    found = _emitters(subject, event)
    never = _never(subject, event, found)
    sampled = _sampled(subject, event)
    windows = [sampled] if sampled is not None else [
        window for _, row in found if (window := subject.corners.row(row)) is not None and window.ns
    ]  # fmt: skip
    if sampled is None and windows and any(row.on is not None for _, row in found):
        windows.insert(0, subject.corners.of(0, 0, 0))  # or in the instant of what it is heard with
    edges = dict.fromkeys(_cause(row) for _, row in found)
    links = dict.fromkeys(
        one for one in subject.requirements for _, row in found
        if row.key in one.keys and f"`{event}`" in one.text.partition(" shall ")[2])
    return EventLine(
        name=event, never=never, windows=tuple(windows),
        decided="change of the contact" if sampled is not None else ", ".join(edges),
        heard=hearers(subject, event), requirements=tuple(links),
    )  # fmt: skip


def events_of(subject: Subject) -> Iterator[EventLine]:
    """The events that reports, rules and guards know, in the order of their regions."""
    for event in subject.system.events:
        yield _line(subject, event)
