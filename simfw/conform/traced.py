"""Which rows of an instant a row came of: the event that it heard, who emitted that, and so on."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

from simfw.report.specification.requirements import Requirement

if TYPE_CHECKING:
    from simfw.behaviour.region import Row
    from simfw.report.specification.subject import Subject

__all__ = ["MOST_STEPS", "followed", "numbers_of", "requirement_of", "steps_to"]

MOST_STEPS = 4  # rows that one is followed back to


def steps_to(rows: Mapping[str, Row], fired: Sequence[str], place: int) -> tuple[str, ...]:
    """The keys of the rows that the one at a `place` of those that `fired` in an instant came of,
    the nearest first. Of two that emitted what it heard the later one is taken.
    """
    found: list[str] = []
    heard = rows[fired[place]].on if fired[place] in rows else None
    while heard is not None and len(found) < MOST_STEPS:
        place = next((at for at in range(place - 1, -1, -1)
                      if fired[at] in rows and heard in rows[fired[at]].emit), -1)  # fmt: skip
        if place < 0:
            break  # an edge, or what a condition raises
        found.append(fired[place])
        heard = rows[fired[place]].on
    return tuple(found)


def requirement_of(subject: Subject, key: str, event: str = "") -> Requirement:
    """The requirement that describes a row; where the row emits several events and one requirement
    of each, that of this `event`. KeyError for a row that none describes.
    """
    found = subject.by_key[key]
    if not event:
        return found
    told = (one for one in subject.requirements
            if key in one.keys and f"`{event}`" in one.text.partition(" shall ")[2])  # fmt: skip
    return next(told, found)


def numbers_of(subject: Subject, keys: Iterable[str]) -> tuple[Requirement, ...]:
    """The requirements of rows, each once, as far as there are any."""
    return tuple(dict.fromkeys(subject.by_key[key] for key in keys if key in subject.by_key))


def followed(requirements: Sequence[Requirement]) -> str:
    """The numbers of what something followed from, in words; empty where there are none."""
    numbers = [one.number for one in requirements]
    if not numbers:
        return ""
    return " and ".join([*([", ".join(numbers[:-1])] if numbers[1:] else []), numbers[-1]])
