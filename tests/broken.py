"""Broken files with the whole message that each must give.

A case file under `tests/data/broken` holds blocks of the form

    == what is wrong
    - text of the sound file
    + what stands there instead
    > the whole message

with as many lines of each kind as needed. The first occurrence of the text is replaced. After a
change of messages that was meant, `python -m tests.broken` writes them anew.
"""

from __future__ import annotations

import contextlib
import shutil
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import simfw
from simfw.errors import DescriptionError
from simfw.loading import load_pattern
from simfw.stimuli.recording.mapfile import read_map

__all__ = ["DATA", "Broken", "broken", "renew"]

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


def renew(name: str, sound: str, file: str, load: Callable[[str], object]) -> None:
    """Write the messages of a case file anew, after a change that was meant."""
    text = (DATA / "broken" / name).read_text(encoding="utf-8")
    blocks = [text.split("\n\n== ")[0]]
    for case in broken(name):
        Path(file).write_text(case.apply((DATA / sound).read_text("utf-8")), encoding="utf-8")
        try:
            load(file)
            message = "nothing was refused"
        except DescriptionError as error:
            message = str(error)
        parts = (("-", case.old), ("+", case.new), (">", message))
        lines = [f"{mark} {line}" for mark, part in parts for line in part.split("\n")]
        blocks.append("\n".join([f"== {case.name}", *lines]))
    (DATA / "broken" / name).write_text("\n\n".join(blocks) + "\n", encoding="utf-8")


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder, contextlib.chdir(folder):
        shutil.copy(DATA / "larder-lamp.toml", folder)
        renew("gadgets.txt", "larder-lamp.toml", "gadget.toml", simfw.load_gadget)
        renew("scenarios.txt", "jam-evening.toml", "scenario.toml", simfw.load_scenario)
        renew("patterns.txt", "evenings.toml", "pattern.toml", load_pattern)
        shutil.copy(DATA / "drawer-lamp.toml", folder)
        renew("inputs.txt", "drawer-lamp.toml", "gadget.toml", simfw.load_gadget)
        renew("input-steps.txt", "drawer-steps.toml", "scenario.toml", simfw.load_scenario)
        renew("input-habits.txt", "drawer-habits.toml", "pattern.toml", load_pattern)
        renew("dials.txt", "reading-clip.toml", "gadget.toml", simfw.load_gadget)
        renew("sequences.txt", "winking.toml", "gadget.toml", simfw.load_gadget)
        renew("maps.txt", "remote-map.toml", "map.toml", lambda file: read_map(Path(file)))
