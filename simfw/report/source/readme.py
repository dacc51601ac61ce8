"""The README of the output folder: what it is, what the author fills in, and how it is tested."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import TYPE_CHECKING

from simfw.behaviour.expression import names_in
from simfw.quantity import format_duration, format_percent
from simfw.report.source.plan import PPM, Plan
from simfw.report.source.size import size_of
from simfw.report.source.tick import choose_tick

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget

__all__ = ["readme"]

NS_PER_S = 1_000_000_000


def _table(head: Iterable[str], rows: Iterable[Iterable[str]]) -> str:
    head = list(head)
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    lines += ["| " + " | ".join(row) + " |" for row in rows]
    return "\n".join(lines)


def _hooks(gadget: Gadget, plan: Plan) -> list[tuple[str, str]]:
    parts = [*plan.guards, *plan.shows]
    read = frozenset[str]().union(*(names_in(part).quantities for part in parts), ())
    used = {
        "gauge.measured": "fw_hook_measured_uv",
        "gauge.counted": "fw_hook_counted_ppm",
        "cell.voltage": "fw_hook_cell_uv",
        "cell.charge": "fw_hook_charge_ppm",
    }
    found = [
        (f"`{hook}`", "asked for" if name in read else "never asked for by this gadget")
        for name, hook in used.items()
    ]
    gauge = gadget.gauge
    if gauge is not None and gauge.capacity is not None and gauge.power_up is not None:
        found[1] = (found[1][0], f"asked for: what is left of {gauge.capacity.text}; set "
                    f"to {round(gauge.power_up.value * PPM)} at power-up and to {PPM} after "
                    "`charge.completed`, held between 0 and that")  # fmt: skip
    found.append(
        ("`fw_hook_echo`", "asked for" if plan.echoes else "never asked for by this gadget")
    )
    found.append(("`fw_hook_event`", "called for every event; may stay empty"))
    return found


def _dwells(plan: Plan, tick: int) -> list[tuple[str, str, str, str]]:
    rows = []
    for time in sorted({row.after_ns for _, row in plan.rows if row.after_ns}):
        keys = [row.key for _, row in plan.rows if row.after_ns == time]
        ticks = (time + tick // 2) // tick
        error = ticks * tick / time - 1
        shown = ", ".join(f"`{key}`" for key in keys[:3]) + (", ..." if len(keys) > 3 else "")
        rows.append(
            (
                format_duration(time),
                str(ticks),
                "exact" if error == 0 else f"{'+' if error > 0 else ''}{format_percent(error, 2)}",
                shown,
            )
        )
    return rows


def readme(template: str, gadget: Gadget, plan: Plan) -> str:
    """The whole README: `template` with what is particular to `gadget` put in."""
    tick = choose_tick(row.after_ns or 0 for _, row in plan.rows)
    size = size_of(plan)
    signals = [
        (
            f"`{signal.macro}`",
            f"`{signal.name}`",
            "`FW_RELEASED`, `FW_LOW`, `FW_HIGH`"
            if signal.name == "status"
            else "0 absent, 1 present"
            if signal.name == "usb"
            else "0 open, 1 closed",
        )
        for signal in plan.signals
    ]
    outputs = [
        (
            f"`{output.macro}`",
            f"`{output.name}`",
            f"0..{output.segments} segments" if output.segments else "parts per million",
            ", ".join(str(level) for level, _ in output.levels),
        )
        for output in plan.outputs
    ]
    tables = [(name, str(count), str(each), str(count * each)) for name, count, each in size.tables]
    limit = tick.ns * (2**31 - 1)
    rounding = (
        "Every time is a whole number of ticks, so nothing is rounded."
        if tick.worst == 0
        else f"Times are rounded to the nearest tick, by {format_percent(tick.worst, 2)} at most; "
        "two times that differ by less than a tick in the gadget file may end in the same instant "
        "here, and are then taken in the order of regions."
    )
    none = "This gadget has none."
    marks = {
        "NAME": gadget.head.name,
        "ABOUT": gadget.head.about,
        "DIGEST": f" with SHA-256 `{gadget.digest}`" if gadget.digest else "",
        "HOOKS": _table(("hook", "in this gadget"), _hooks(gadget, plan)),
        "INPUTS": _table(("macro", "signal", "levels"), signals) if signals else none,
        "OUTPUTS": _table(("macro", "output", "unit", "levels that occur"), outputs)
        if outputs
        else none,
        "TICK": format_duration(tick.ns),
        "LONGEST": format_duration(limit - limit % (NS_PER_S if limit > NS_PER_S else 1)),
        "ROUNDING": rounding,
        "QUANTUM": format_duration(plan.quantum_ns),
        "TIMES": _table(("time", "ticks", "rounding", "used by"), _dwells(plan, tick.ns)),
        "TABLES": _table(("table", "entries", "bytes each", "bytes"), tables),
        "FLASH": str(size.flash),
        "MEMORY": str(size.memory),
    }
    return re.sub(r"@([A-Z]+)@", lambda found: marks[found[1]], template)
