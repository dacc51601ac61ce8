"""Broken files with the whole message that each must give.

A case file under `tests/data/broken` holds blocks of the form

    == what is wrong
    - text of the sound file
    + what stands there instead
    > the whole message

with as many lines of each kind as needed. The first occurrence of the text is replaced.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

__all__ = ["DATA", "Broken", "broken"]

DATA = Path(__file__).parent / "data"


@dataclass(frozen=True, kw_only=True)
class Broken:
    """One broken file: how it differs from the sound one, and the message it gives."""

    name: str
    old: str
    new: str
    message: str

    def apply(self, sound: str) -> str:
        """Return the text of the broken file."""
        assert self.old in sound, f"{self.name}: the sound file does not hold {self.old!r}"
        return sound.replace(self.old, self.new, 1)


def broken(name: str) -> list[Broken]:
    """Return the cases of a case file."""
    text = (DATA / "broken" / name).read_text(encoding="utf-8")
    cases = []
    for block in text.split("\n== ")[1:]:
        title, *lines = block.splitlines()
        parts = {
            mark: "\n".join(line[2:] for line in lines if line[:1] == mark) for mark in "-+>"
        }
        cases.append(Broken(name=title, old=parts["-"], new=parts["+"], message=parts[">"]))
    return cases
