"""What the specification says of a loss of the supply."""

from __future__ import annotations

from simfw.behaviour.build import build_system
from simfw.report.specification.closing import faults
from simfw.report.specification.document import Table
from simfw.report.specification.subject import subject_of
from tests.dials.made import gadget
from tests.engine.test_kept import LAMP


def of_the_supply(text: str) -> str:
    """The reaction to a supply that is lost and comes back."""
    made = gadget(text, "")
    blocks = faults(subject_of(made, build_system(made))).blocks
    table = next(block for block in blocks if isinstance(block, Table))
    return next(row[2].text for row in table.rows if row[0].text.startswith("supply lost"))


def test_what_outlives_a_loss_of_the_supply_is_named() -> None:
    """Every region that keeps something, and what; "nothing kept" where none does."""
    assert of_the_supply(LAMP) == (
        "every region begins anew, but what is kept: `dim` (its state), `lamp` (its state), "
        "`mode` (where it resumes)")
    lines = [line for line in LAMP.splitlines() if not line.startswith("kept")]
    assert of_the_supply("\n".join(lines)) == "every region begins anew, nothing kept"
