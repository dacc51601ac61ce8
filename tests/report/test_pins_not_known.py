"""Pins of the specification: what the file does not say is "not known"; only a contact is open."""

from pathlib import Path

from simfw import load_gadget
from simfw.report.specification.pins import OPEN, pins_of

BOX = """
[gadget]
name = "Box"
[cell]
curve = "lco"
capacity = "100 mAh"
[loads.lamp]
current = "10 mA"
[toggles.lid]
[behaviour.glow]
starts = "dark"
states.dark = {}
states.lit = { lamp = "on" }
rows = [ { on = "lid.opened", from = "dark", to = "lit" } ]
"""


def test_a_contact_that_was_not_traced_does_not_read_as_open(tmp_path: Path) -> None:
    """Its levels and what is outside are not known; "open" beside a contact would be a level."""
    path = tmp_path / "gadget.toml"
    path.write_text(BOX, encoding="utf-8")
    lid = next(line for line in pins_of(load_gadget(path)) if line.signal == "lid")
    assert (lid.active, lid.idle, lid.outside) == (OPEN, OPEN, OPEN) == ("not known",) * 3
