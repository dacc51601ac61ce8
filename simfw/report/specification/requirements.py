"""Requirement sentences in the EARS patterns, each with a stable number and its origin.

The patterns (always, while, when, if, and their mixture) are those of A. Mavin et al., "Easy
Approach to Requirements Syntax (EARS)", 17th IEEE International Requirements Engineering
Conference, 2009, and Mavin, IEEE Software 29(2), 2012, pp. 17-18.

A number is made from what the sentence is about (region, cause, sources, guard), not from where it
stands or how long its time is: rows may be moved or retimed and keep their numbers.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from simfw.behaviour.region import Region, Row, System
from simfw.behaviour.rules import BoundRule
from simfw.quantity import format_duration
from simfw.report.specification.windows import Corners
from simfw.report.specification.words import in_words, outputs_text

__all__ = ["Pattern", "Requirement", "requirements"]

Pattern = Literal["always", "while", "when", "while + when", "if"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Requirement:
    """One sentence. `origin` is the key of the row, rule, state or figure it was made from."""

    number: str
    pattern: Pattern
    text: str
    origin: str
    method: str = "test"

    @property
    def anchor(self) -> str:
        """Its anchor in the document."""
        return f"req-{self.number.lower()}"


class _Numbers:
    """Hands out numbers: a short name and four hexadecimal digits, more where four are taken."""

    def __init__(self) -> None:
        self.taken: set[str] = set()

    def of(self, stem: str, *parts: object) -> str:
        digest = hashlib.sha256(repr(parts).encode()).hexdigest().upper()
        stem = "".join(sign if sign.isalnum() else "-" for sign in stem.upper())
        length = 4
        while (number := f"{stem}-{digest[:length]}") in self.taken:
            length += 1
        self.taken.add(number)
        return number


def _states(region: Region, names: Sequence[str]) -> str:
    if len(names) == len(region.states) and len(names) > 1:
        return "in any state"
    return "in " + in_words((f"`{name}`" for name in names), "or")


def _before(rows: Sequence[Row], row: Row) -> list[Row]:
    """Those of the rows tried before `row` that have its cause, in a state that both know."""
    return [
        other
        for other in rows
        if other.on == row.on
        and other.after_ns == row.after_ns
        and not set(row.sources).isdisjoint(other.sources)
    ]


def _row(
    region: Region, row: Row, corners: Corners, numbers: _Numbers, before: Sequence[str]
) -> Requirement:
    """The sentence of a row; `before` are the numbers of those that are tried before it."""
    window = corners.row(row)
    guard = f" and `{row.when_text}` holds" if row.when_text else ""
    if len(before) == 1:
        guard += f" and {before[0]} does not apply"
    elif before:
        guard += f" and none of {in_words(before)} applies"
    place = f"`{region.name}` is {_states(region, row.sources)}"
    if row.on is not None:
        start = f"While {place}, when `{row.on}` occurs{guard}"
    elif window is not None and window.ns:
        time = format_duration(window.ns)
        if window.low_ns != window.high_ns:
            low, _, high = window.texts
            time += f" ({low} to {high})"
        start = f"While {place}, when it has stayed there for {time}{guard}"
    else:
        start = f"When `{region.name}` comes to be {_states(region, row.sources)}{guard}"
    acts = []
    if row.to == "resume":
        acts.append(
            "return to that of "
            + in_words((f"`{point}`" for point in region.resume_points), "and")
            + " in which it was last, the first of them before any"
        )
    elif row.to != "same":
        again = ", and count its time anew" if row.to in row.sources else ""
        acts.append(f"enter `{row.to}`{again}")
    elif not row.emit:
        acts.append("stay as it is, and let its time run on")
    if row.emit:
        acts.append(f"emit {in_words(f'`{event}`' for event in row.emit)}")
    pattern: Pattern = "while + when" if start.startswith("While") else "when"
    return Requirement(
        number=numbers.of(region.name, row.on, row.after_ns is None, row.sources, row.when_text),
        pattern=pattern,
        text=f"{start}, region `{region.name}` of the firmware shall {' and '.join(acts)}.",
        origin=row.key,
    )


def _outputs(region: Region, segments: dict[str, int], numbers: _Numbers) -> list[Requirement]:
    found = []
    for state in region.states:
        texts = outputs_text(state, segments)
        gate = f" and `{region.show_text}` holds" if region.show_text else ""
        if texts:
            drives = in_words(
                f"`{text.split(' ', 1)[0]}` at {text.split(' ', 1)[1]}"
                if "less" not in text
                else f"`{text.split(' ', 1)[0]}` with {text.split(' ', 1)[1]}"
                for text in texts
            )
            found.append(
                Requirement(
                    number=numbers.of(f"{region.name}-out", state.name),
                    pattern="while",
                    text=f"While `{region.name}` is in `{state.name}`{gate}, the firmware shall "
                    f"drive {drives}.",
                    origin=f"{region.name}: {state.name}",
                )
            )
    return found


def _rule(rule: BoundRule, numbers: _Numbers) -> Requirement:
    number = numbers.of("rule", rule.name)
    if rule.kind == "never":
        pattern: Pattern = "always"
        text = f"The firmware shall at no time let `{rule.statement_text}` hold"
    elif rule.kind == "always":
        pattern = "always"
        text = f"The firmware shall at all times keep `{rule.statement_text}`"
    elif rule.kind == "stays":
        pattern = "while"
        text = (
            f"While `{rule.statement_text}` has held for less than "
            f"{format_duration(rule.for_ns or 0)}, the firmware shall keep it so"
        )
    else:
        pattern = "when"
        text = (
            f"When `{rule.when_text}`, the firmware shall bring about `{rule.then_text}` "
            f"within {format_duration(rule.within_ns or 0)}"
        )
    return Requirement(
        number=number, pattern=pattern, text=f"{text} ({rule.name}).", origin=rule.key
    )


def requirements(
    system: System, rules: Sequence[BoundRule], corners: Corners, segments: dict[str, int]
) -> tuple[Requirement, ...]:
    """All sentences: order and power-up first, then region by region, then the rules."""
    numbers = _Numbers()
    starts = in_words(f"`{region.name}` in `{region.starts}`" for region in system.regions)
    found = [
        Requirement(
            number=numbers.of("order", "power-up"),
            pattern="when",
            text="When the supply returns after a loss, and at first power-up, the firmware shall "
            f"begin with {starts}, and forget every resumed state.",
            origin="starts",
        ),
        Requirement(
            number=numbers.of("order", "ignore"),
            pattern="if",
            text="If an event occurs for which no row of a region's present state holds, then that "
            "region shall stay as it is and its time shall run on.",
            origin="rows",
        ),
        Requirement(
            number=numbers.of("order", "instant"),
            pattern="always",
            text="The firmware shall take occurrences of one instant in the order: changes of "
            "inputs, then ended times region by region, then what these give rise to; and "
            "offer each event to the regions in the order in which this document lists them; in "
            "each, the first row fires that applies.",
            origin="order of regions",
        ),
        Requirement(
            number=numbers.of("order", "largest"),
            pattern="if",
            text="If several regions drive one output, then the firmware shall give it the largest "
            "of their levels.",
            origin="outputs",
        ),
    ]
    for condition in system.conditions:
        from simfw.behaviour.expression import to_text

        found.append(
            Requirement(
                number=numbers.of("watch", condition.key),
                pattern="when",
                text=f"When `{to_text(condition.when)}` begins to hold, the firmware shall raise "
                f"`{condition.rises}` inside; when it ceases to hold, `{condition.falls}`; at "
                "power-up it counts as not having held.",
                origin=condition.key,
            )
        )
    for region in system.regions:
        known: dict[str, str] = {}
        for place, row in enumerate(region.rows):
            before = [known[other.key] for other in _before(region.rows[:place], row)]
            found.append(_row(region, row, corners, numbers, before))
            known[row.key] = found[-1].number
        found += _outputs(region, segments, numbers)
    found += [_rule(rule, numbers) for rule in rules]
    return tuple(found)
