"""What stock regions are put together from: their rows, and the part of a system."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from simfw.behaviour.region import Condition, Group, Levels, Region, Row, State
from simfw.behaviour.tree import Expression, Inside, to_text

__all__ = ["Rows", "Stock", "region_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stock:
    """The stock part of a system; the fields mean what they mean in `System` and `Names`."""

    regions: tuple[Region, ...]
    conditions: tuple[Condition, ...]
    events: tuple[str, ...]
    internal_events: tuple[str, ...]
    raw_events: tuple[str, ...]
    aliases: Mapping[str, tuple[str, ...]]
    shorthands: Mapping[str, Inside]
    flags: tuple[str, ...]
    status_levels: tuple[str, ...] = ()
    contacts: Mapping[str, bool] = field(default_factory=dict)
    counts: Mapping[str, Mapping[str, int]] = field(default_factory=dict)
    measures: Mapping[str, Levels] = field(default_factory=dict)


class Rows:
    """Collects the rows of one region."""

    def __init__(self, states: Iterable[State]) -> None:
        self.states = tuple(states)
        self.rows: list[Row] = []

    def add(
        self,
        key: str,
        sources: str | Iterable[str],
        to: str,
        *,
        on: str | None = None,
        after: int | None = None,
        when: Expression | None = None,
        emit: tuple[str, ...] = (),
        note: str = "",
    ) -> None:
        """Add a row; `sources` are states of the region, in any order."""
        wanted = {sources} if isinstance(sources, str) else set(sources)
        self.rows.append(
            Row(
                key=key,
                sources=tuple(state.name for state in self.states if state.name in wanted),
                to=to,
                on=on,
                after_ns=after,
                when=when,
                when_text="" if when is None else to_text(when),
                emit=emit,
                note=note,
            )
        )


def region_of(name: str, group: Group, rows: Rows, *, show: Expression | None = None) -> Region:
    """The region of these rows; it starts in the first of their states."""
    return Region(
        name=name,
        group=group,
        states=rows.states,
        starts=rows.states[0].name,
        rows=tuple(rows.rows),
        show=show,
        show_text="" if show is None else to_text(show),
    )
