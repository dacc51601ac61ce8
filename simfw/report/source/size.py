"""What the tables take: bytes of flash and memory, laid out without padding as on an 8-bit part."""

from __future__ import annotations

from dataclasses import dataclass

from simfw.report.source.emit import index_type, place_type, queue_size, step_type, tables_of
from simfw.report.source.layout import lay_out, mask_bits
from simfw.report.source.plan import Plan
from simfw.report.source.tick import choose_tick

__all__ = ["Size", "size_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Size:
    """Bytes: constant tables (name, numbers in it, bytes of each) and the one machine variable."""

    tables: tuple[tuple[str, int, int], ...]
    memory: int

    @property
    def flash(self) -> int:
        """Bytes of all tables."""
        return sum(count * each for _, count, each in self.tables)


def size_of(plan: Plan) -> Size:
    """Count numbers and bytes. The code that walks them comes on top; a compiler tells that."""
    layout = lay_out(plan)
    tick = choose_tick(plan.system).bits // 8
    index = _bytes(index_type(plan, layout))
    width = {
        "uint8_t": 1, "fw_index": index, "fw_place": _bytes(place_type(layout)),
        "fw_tick": tick, "fw_level": 4,
        "fw_mask": mask_bits(plan) // 8, "fw_step_place": _bytes(step_type(layout)),
    }  # fmt: skip
    tables = tuple(
        (name, sum(len(entry.fields) for entry in entries), width[kind])
        for kind, name, entries in tables_of(layout)
        if entries
    )
    queue = queue_size(plan.system)
    memory = (
        2 * tick
        + layout.timed * (tick + index)
        + len(layout.clocks) * (tick + index + _bytes(step_type(layout)))
        + (len(plan.regions) + len(layout.memory) + queue) * index
        + len(plan.signals) + len(layout.conditions)
        + 2 + 2 + mask_bits(plan) // 8 + index * (layout.awake + (layout.timed > 0))
    )  # fmt: skip
    return Size(tables=tables, memory=memory)


def _bytes(kind: str) -> int:
    return 1 if kind == "uint8_t" else 2
