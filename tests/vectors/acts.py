"""What hands do, as acts on a firmware."""

from __future__ import annotations

from simfw.vectors.sketch import Act

MS = 1_000_000


def pressed(button: str, *presses: tuple[int, int]) -> list[Act]:
    """Presses of a button (from, for, in ms)."""
    return [Act((at + by) * MS, "contact", button, float(not by))
            for at, long in presses for by in (0, long)]
