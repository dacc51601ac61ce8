"""The guard of a written row of a dial mistakes a state: it is one guard for many rows.

A row of a dial becomes a row for each position and event. Who writes the firmware writes its guard
once, and may read a contact there where what it has settled to is meant.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from simfw import load_gadget
from simfw.engine.simulator import Prepared
from simfw.vectors.build import Rehearsal
from simfw.vectors.exposing import Judge
from simfw.vectors.possible import all_faults
from simfw.vectors.sketch import Act

MILL = Path(__file__).parents[1] / "gallery/coffee-mill/gadget.toml"
MS = 1_000_000


@pytest.fixture(scope="module")
def prepared() -> Prepared:
    """The coffee mill: its grain moves at a click or a hold while the lid is shut."""
    return Prepared(load_gadget(MILL))


def test_the_guard_of_a_dial_may_mistake_a_state_in_all_its_rows_at_once(prepared):
    """In three positions, each of two events is heard: six rows, and one guard."""
    faults = [fault for fault in all_faults(prepared.system)
              if fault.kind == "states" and fault.touched == {"grain_size"}]  # fmt: skip
    assert [fault.words for fault in faults] == [
        "lid in on.bouncing is not taken for it", "lid in on is not taken for it",
        "lid in off.bouncing is taken for it", "lid in off is taken for it"]  # fmt: skip
    rows = prepared.system.region("grain_size").rows
    for fault in faults:
        changed = fault.system.region("grain_size").rows
        assert len(changed) == len(rows) == 6
        assert all(one.when != other.when for one, other in zip(rows, changed, strict=True))


def test_it_is_told_where_another_row_than_the_first_of_them_hears_the_event(prepared):
    """The grain stands in 1: a click while the open lid bounces is heard by the row of that
    position, and the first row, that of position 0, hears nothing.
    """
    fault = next(fault for fault in all_faults(prepared.system)
                 if fault.words == "lid in on.bouncing is not taken for it"
                 and fault.touched == {"grain_size"})  # fmt: skip
    acts = (Act(0, "contact", "reed", 1.0), Act(1000 * MS, "contact", "grain", 1.0),
            Act(1100 * MS, "contact", "lid", 0.0), Act(1101 * MS, "contact", "grain", 0.0),
            Act(1120 * MS, "contact", "lid", 1.0))  # fmt: skip
    judge = Judge(prepared.system, prepared.gadget.segments)
    played = Rehearsal(prepared).played(0.5, acts, 2000 * MS)
    assert played is not None
    judge.add(played)
    assert judge.exposed(fault) == (0, 1111 * MS)
