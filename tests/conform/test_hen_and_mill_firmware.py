"""Two more firmwares, one in Python and one in C, by an author who had the folders of their
specifications only: a light with a measure, a charger and a gauge without bars, and a mill with
toggles, a dial and a memory that outlive the supply.

Both conformed at once. The faults are their author's too, made before anybody looked which of them
the vectors notice.
"""

from pathlib import Path

import pytest

from simfw.conform.firmware import Drive
from simfw.vectors.build import Rehearsal
from simfw.vectors.sketch import Act
from tests.conform import hen_faults, mill_faults
from tests.conform.inside import Inside, with_fault
from tests.conform.kept_firmware import compiled, conforms, is_told, model, said_of

HERE = Path(__file__).parent
HEN = (HERE / "hen_firmware.py").read_text(encoding="utf-8")
MILL = (HERE / "mill_firmware.c").read_text(encoding="utf-8")
MS = 1_000_000
S = 1000 * MS


@pytest.fixture(scope="module")
def hen():
    """The hen-house light, prepared, and what its vectors drive a firmware with."""
    return model("scenarios/hen-house/gadget.toml")


@pytest.fixture(scope="module")
def mill():
    """The coffee mill, prepared, and what its vectors drive a firmware with."""
    return model("tests/gallery/coffee-mill/gadget.toml")


def _played(prepared, acts, ends_ns):
    played = Rehearsal(prepared).played(0.5, acts, ends_ns)
    assert played is not None
    return Drive("acts", 0.5, acts, ends_ns, played)


def test_the_light_conforms(hen):
    """In all vectors, and in thirty random stimulus lists."""
    conforms(hen, Inside(HEN))


def test_the_mill_conforms(mill, tmp_path):
    """In all vectors, and in thirty random stimulus lists."""
    conforms(mill, compiled(tmp_path, MILL))


@pytest.mark.parametrize("order", [("usb", "status"), ("status", "usb")])
def test_edges_of_one_instant_are_told_in_the_order_in_which_the_model_takes_them(order, hen):
    """USB goes while it charges, and a bench lets the pin go before it, or behind it."""
    prepared, _ = hen
    changes = {"usb": Act(2 * S, "usb", "usb", 0.0), "status": Act(2 * S, "status", "status", 2.0)}
    acts = (Act(S, "usb", "usb", 1.0), Act(S, "status", "status", 1.0),
            *(changes[name] for name in order))  # fmt: skip
    drive = _played(prepared, acts, 3 * S)
    at = next(one for one in drive.replay.exchanges if one.lines[-1] == f"step {2 * S}")
    assert [line.split(" ")[1] for line in at.lines[:-1]] == list(order)
    made = Inside(HEN)
    made.say_hello()
    assert made.differs(drive) is None


def test_a_guard_that_held_a_row_back_is_named_where_another_row_fired(hen):
    """The lamp grows bright, since the fading begins anew; a firmware without the guard puts it
    out. The row of the fading alone was named.
    """
    prepared, _ = hen
    acts = (Act(MS, "contact", "auto", 1.0), Act(2 * MS, "measure", "daylight", 4.0),
            Act(12330 * S + 50 * MS, "measure", "daylight", 25.0))  # fmt: skip
    _, edits = hen_faults.FAULTS["day at half light: daylight == 2 forgotten"]
    found = Inside(with_fault(HEN, edits)).differs(_played(prepared, acts, 12400 * S))
    lines = said_of(prepared, found)
    fired, held = (line for line in lines if line.startswith("Row "))
    assert "fired: FADE-E12B" in fired
    assert "heard daylight.up and did not fire: its guard did not hold: HOUSE-DDC4." in held


@pytest.mark.parametrize("name", hen_faults.FAULTS)
def test_a_fault_of_the_light_is_told_and_named_but_for_those_known_to_be_open(name, hen):
    """By the vectors alone. What is open and is told is no longer open."""
    named, edits = hen_faults.FAULTS[name]
    made = Inside(with_fault(HEN, edits))
    is_told(hen, made, named, hen_faults.OPEN.get(name), shorter=False)


@pytest.mark.parametrize("name", mill_faults.FAULTS)
def test_a_fault_of_the_mill_is_told_and_named_but_for_those_known_to_be_open(
    name, mill, tmp_path
):
    """By the vectors alone. What is open and is told is no longer open."""
    named, edits = mill_faults.FAULTS[name]
    made = compiled(tmp_path, with_fault(MILL, edits))
    is_told(mill, made, named, mill_faults.OPEN.get(name))
