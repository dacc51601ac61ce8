"""Rows, states and outputs in words, said the same way everywhere in the specification."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from simfw.behaviour.region import Drive, Region, Row, State, System
from simfw.quantity import format_duration, format_percent

__all__ = ["cause", "drive_text", "effect", "first_state", "in_words", "outputs_text", "slug",
           "while_kept"]  # fmt: skip


def slug(text: str) -> str:
    """`text` as the tail of an anchor."""
    return "".join(sign if sign.isalnum() else "-" for sign in text.lower()).strip("-")


def in_words(parts: Iterable[str], word: str = "and") -> str:
    """Join `parts` as in "a, b and c"."""
    items = list(parts)
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} {word} {items[-1]}"


def first_state(region: Region, kept: str = "or as kept") -> str:
    """Where a region begins: "`show` in `lit`", and `kept` behind it where its state is kept."""
    said = f"`{region.name}` in `{region.starts}`"
    return f"{said} ({kept})" if region.kept == "state" else said


def while_kept(system: System) -> str:
    """While what a supply stays that the firmware has let go of."""
    keeps = in_words(["USB is in" if name == "usb" else f"`{name}` is closed"
                      for name in system.powered_by], "or")
    after = f", and for {format_duration(system.hold_up_ns)} after" if system.hold_up_ns else ""
    return keeps + after


def drive_text(drive: Drive, segments: int | None = None) -> str:
    """How an output is driven: "on", "45 %", "3 of 5 segments", "as dim says" by a dial."""
    if drive.dial is not None:
        return f"as {drive.dial} says"
    if drive.segments is not None:
        of = f" of {segments}" if segments else ""
        return f"{drive.segments}{of} segment{'' if drive.segments == 1 and not of else 's'}"
    return "on" if drive.duty == 1 else format_percent(drive.duty)


def outputs_text(state: State, segments: Mapping[str, int]) -> tuple[str, ...]:
    """What a state drives, one short text for each output."""
    texts = [
        f"{name} {drive_text(drive, segments.get(name))}" for name, drive in state.outputs.items()
    ]
    texts += [
        f"{name} less {count} segment{'' if count == 1 else 's'}"
        for name, count in state.takes_out.items()
    ]
    texts += [f"{name} as {one.name}" for name, one in state.sequences.items()]
    texts += [f"{name} times {format_percent(factor)}" for name, factor in state.scales.items()]
    texts += [f"{name} times {dial}" for name, dial in state.dial_scales.items()]
    return tuple(texts)


def cause(row: Row) -> str:
    """What makes a row fire: "`power.click`" or "after 45 min"."""
    if row.on is not None:
        return f"`{row.on}`"
    if not row.after_ns:
        return "at once"
    return f"after {format_duration(row.after_ns)}"


def effect(region: Region, row: Row) -> str:
    """Where a row leads and what it emits."""
    if row.to == "same":
        text = "stays"
    elif row.to == "resume":
        text = f"→ the last of {in_words((f'`{p}`' for p in region.resume_points), 'or')}"
    elif row.sources == (row.to,):
        text = f"→ `{row.to}` (begins again)"
    else:
        text = f"→ `{row.to}`"
    if row.emit:
        text += f", emits {in_words(f'`{event}`' for event in row.emit)}"
    return text
