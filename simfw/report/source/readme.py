"""The README of the output folder: what it is, what the author fills in, and how it is tested."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import TYPE_CHECKING

from simfw.behaviour.expression import names_in
from simfw.behaviour.hold import HOLD
from simfw.quantity import format_duration, format_percent
from simfw.report.source.bound import queue_bound
from simfw.report.source.emit import queue_size
from simfw.report.source.plan import PPM, Plan
from simfw.report.source.size import size_of
from simfw.report.source.tick import Length, choose_tick, lengths_of
from simfw.report.specification.words import while_kept

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget

__all__ = ["readme"]

NS_PER_S = 1_000_000_000
CRYSTAL_NS = 976_563  # 32 counts of a watch crystal, 32,768 Hz


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
    levels = [f"`{macro}` at {_level(plan, name)}" for name, macro in plan.reached.items()]
    found.append(("`fw_hook_reached`", "asked for: " + ", ".join(levels) if levels
                  else "never asked for by this gadget"))
    kept = [region.name for region in plan.system.regions if region.kept is not None]
    if kept:
        found.append(("`fw_hook_keep`, `fw_hook_kept`", "what outlives the supply, by number: "
                      + ", ".join(f"{number} {name}" for number, name in enumerate(kept))))
    found.append(("`fw_hook_event`", "called for every event; may stay empty"))
    return found


def _level(plan: Plan, reached: str) -> str:
    """A level of a measure, in its unit."""
    name, _, number = reached.partition(".")
    levels = plan.system.measures[name]
    return f"{levels.all[int(number) - 1]:g} {levels.unit}"


def _error(ticks: int, tick_ns: int, time_ns: int) -> str:
    error = ticks * tick_ns / time_ns - 1
    return "exact" if error == 0 else f"{'+' if error > 0 else ''}{format_percent(error, 2)}"


def _times(plan: Plan, tick_ns: int) -> list[tuple[str, ...]]:
    """Every time, with what becomes of it in ticks of the target and of a watch crystal."""
    rows = []
    used: dict[Length, list[str]] = {}
    for key, length in lengths_of(plan.system).items():
        used.setdefault(length, []).append(key)
    for length, keys in sorted(used.items(), key=lambda item: item[0].ns):
        if not length.ns:
            continue
        cells = []
        for tick in (tick_ns, CRYSTAL_NS):
            if length.ticks(tick) < 1:
                cells.append("0: too short")
            elif length.short:
                cells.append(f"{length.ticks(tick)}, kept by hardware")
            elif length.parts:
                whole = (length.whole_ns + tick // 2) // tick
                cells.append(f"{length.ticks(tick)}: the period of "
                             f"{format_duration(length.whole_ns)} is "
                             f"{_error(whole, tick, length.whole_ns)}")  # fmt: skip
            else:
                ticks = length.ticks(tick)
                cells.append(f"{ticks}, {_error(ticks, tick, length.ns)}")
        shown = ", ".join(f"`{key}`" for key in keys[:3]) + (", ..." if len(keys) > 3 else "")
        rows.append((format_duration(length.ns), *cells, shown))
    return rows


def _queue(plan: Plan) -> str:
    """What is known of the queue of an instant."""
    bound = queue_bound(plan.system)
    if bound is None:
        return (f"The queue of an instant has {queue_size(plan.system)} entries. Its rows can "
                "multiply events, so no number is sure to be enough: one too many is reported as "
                "`FW_QUEUE_FULL`, never passed over (`-DFW_QUEUE_SIZE=...` sets another).")
    return (f"The queue of an instant has {bound} entries, which is enough: all inputs and all "
            "times at once, with what follows from them, are never more, as long as a signal "
            "changes at most once in a call of `fw_step`.")


def _hold(plan: Plan) -> str:
    """What the board does with the output that holds the supply; empty without one."""
    output = plan.output(HOLD)
    if output is None:
        return ""
    return (f"\n\n`{output.macro}` holds the supply (a latch). Drive it on as the first thing of a "
            "power-up and off as soon as the tables say so, with all else that has to be done "
            f"before it. While {while_kept(plan.system)}, the supply stays all the same: the "
            "main loop goes on as ever, until it is gone.")


def readme(template: str, gadget: Gadget, plan: Plan) -> str:
    """The whole README: `template` with what is particular to `gadget` put in."""
    tick = choose_tick(plan.system)
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
    limit = tick.ns * (2 ** (tick.bits - 1) - 1)
    rounding = (
        "Every time that counts is a whole number of ticks, so nothing is rounded."
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
        "OUTPUTS": _table(("macro", "output", "unit", "levels that occur"), outputs) + _hold(plan)
        if outputs
        else none,
        "TICK": format_duration(tick.ns),
        "LONGEST": format_duration(limit - limit % (NS_PER_S if limit > NS_PER_S else 1)),
        "ROUNDING": rounding,
        "BITS": str(tick.bits),
        "QUANTUM": format_duration(plan.quantum_ns),
        "QUEUE": _queue(plan),
        "TIMES": _table(("time", f"in ticks of {format_duration(tick.ns)}",
                         "in ticks of 1/1024 s", "used by"), _times(plan, tick.ns)),
        "TABLES": _table(("table", "numbers", "bytes each", "bytes"), tables),
        "FLASH": str(size.flash),
        "MEMORY": str(size.memory),
    }
    return re.sub(r"@([A-Z]+)@", lambda found: marks[found[1]], template)
