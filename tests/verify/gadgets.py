"""Small gadgets for tests of the check, read from text."""

from __future__ import annotations

import tempfile
from pathlib import Path

from simfw.gadget.model import Gadget
from simfw.loading import load_gadget
from tests.quality import cases

PLAIN = cases.PLAIN
behaviour, rule = cases.behaviour, cases.rule


def gadget(text: str, folder: Path | None = None) -> Gadget:
    """A gadget file as a gadget; without a folder the file is gone afterwards."""
    if folder is not None:
        path = folder / "gadget.toml"
        path.write_text(text, encoding="utf-8")
        return load_gadget(path)
    with tempfile.TemporaryDirectory() as scratch:
        return gadget(text, Path(scratch))
