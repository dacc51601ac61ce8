"""Numbers and texts as they are written into a TOML file."""

from __future__ import annotations

from decimal import Decimal

__all__ = ["decimal", "quoted"]


def decimal(number: float, times: int) -> str:
    """Return `number * times` exactly as the shortest decimal text of `number` has it."""
    exact = (Decimal(repr(float(number))) * times).normalize()
    return f"{exact:f}" if -7 < exact.adjusted() < 15 else f"{exact:e}"


_ESCAPES = {'"': '\\"', "\\": "\\\\", "\n": "\\n", "\t": "\\t", "\r": "\\r"}


def quoted(text: str) -> str:
    """Return `text` as a TOML string on one line."""
    escaped = "".join(
        _ESCAPES.get(char) or (char if char.isprintable() else f"\\U{ord(char):08x}")
        for char in text
    )
    return f'"{escaped}"'
