"""Small gadgets for tests of the check, read from text."""

from __future__ import annotations

import tempfile
import warnings
from pathlib import Path

from simfw.behaviour.region import System
from simfw.errors import GadgetWarning
from simfw.gadget.model import Gadget
from simfw.loading import load_gadget
from simfw.verify.abstraction import reduce_system
from simfw.verify.detail import LADDER
from simfw.verify.explore import explore
from simfw.verify.whole import Part, Whole
from tests.quality import cases

PLAIN = cases.PLAIN
behaviour, rule = cases.behaviour, cases.rule


def gadget(text: str, folder: Path | None = None) -> Gadget:
    """A gadget file as a gadget; without a folder the file is gone afterwards. Its rows may follow
    one another without end: what is said of that is tested elsewhere.
    """
    if folder is not None:
        path = folder / "gadget.toml"
        path.write_text(text, encoding="utf-8")
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", GadgetWarning)
            return load_gadget(path)
    with tempfile.TemporaryDirectory() as scratch:
        return gadget(text, Path(scratch))


def many(count: int, more: str = "") -> Gadget:
    """Lamps that each have a key and a dwell of their own, and do not meet; then `more`."""
    text = cases.HEAD + cases.CELL
    for k in range(count):
        text += f'''
[loads.l{k}]
current = "{k + 1} mA"
[buttons.k{k}]
[behaviour.r{k}]
starts = "dark"
states.dark = {{}}
states.lit = {{ l{k} = "on" }}
rows = [
  {{ on = "k{k}.click", from = "dark", to = "lit" }},
  {{ on = "k{k}.click", from = "lit", to = "dark" }},
  {{ after = "{10 + k} s", from = "lit", to = "dark" }},
]
'''
    return gadget(text + more)


def together(system: System, limit: int = 4_000) -> Whole:
    """The same search with all written regions in one set."""
    keep = [region.name for region in system.regions if region.group == "behaviour"]
    reduced = reduce_system(system, [], LADDER[0], keep=keep)
    search = explore(reduced.machine, reduced.starts, apart=True, links=True, limit=limit)
    search.fired.update(reduced.endless_rows)
    return Whole((Part(reduced, search),))
