"""What the tables take: bytes of flash and memory, laid out without padding as on an 8-bit part."""

from __future__ import annotations

from dataclasses import dataclass

from simfw.report.source.emit import queue_size
from simfw.report.source.plan import Plan

__all__ = ["Size", "size_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Size:
    """Bytes: constant tables (by table) and the one machine variable."""

    tables: tuple[tuple[str, int, int], ...]
    memory: int

    @property
    def flash(self) -> int:
        """Bytes of all tables."""
        return sum(count * each for _, count, each in self.tables)


def size_of(plan: Plan) -> Size:
    """Count entries and bytes. The code that walks them comes on top; a compiler tells that."""
    index = 1 if plan.index_type == "uint8_t" else 2
    regions = plan.system.regions
    states = [(region, state) for region in regions for state in region.states]
    heard = sum(len(row.sources) for _, row in plan.rows if row.on is not None)
    dwells = sum(len(row.sources) for _, row in plan.rows if row.after_ns is not None)
    drives = sum(len(state.outputs) + len(state.takes_out) for _, state in states)
    emits = sum(len(row.emit) for _, row in plan.rows)
    tables = (
        ("regions", len(regions), 3 * index + 1),
        ("states", len(states), 5 * index + 3),
        ("rows", len(plan.rows), 4 * index + 1),
        ("rows by state", heard, index),
        ("dwells", dwells, 4 + index),
        ("emitted events", emits, index),
        ("drives", drives, index + 4),
        ("conditions", len(plan.system.conditions), 3 * index),
        ("inputs", len(plan.signals), index + 1),
    )
    memory = (
        len(regions) * (3 * index + 4 + 2)
        + len(plan.signals)
        + 1
        + len(plan.system.conditions)
        + 1
        + queue_size(plan) * (2 * index + 2)
        + 12
    )
    return Size(tables=tables, memory=memory)
