"""Reading gadget files."""

from pathlib import Path

import simfw

DATA = Path(__file__).parent.parent / "data"


def test_a_whole_gadget_file_is_read():
    """The larder lamp is read into SI numbers, ranges and whole nanoseconds."""
    gadget = simfw.load_gadget(DATA / "larder-lamp.toml")
    assert gadget.cell.capacity.value == 650 * 3.6
    assert gadget.charger is not None
    assert gadget.charger.float_.value == 4.2
    assert gadget.behaviour["lamp"].rows[7].after is not None
    assert gadget.behaviour["lamp"].rows[7].after.ns == 45 * 60 * 10**9
    assert gadget.behaviour["lamp"].states["lit.half"]["shelf"].duty == 0.45
