"""What a comparison says of the supply, and of what a firmware should have kept without it."""

from __future__ import annotations

from simfw.behaviour.build import build_system
from simfw.conform.outcome import Parted
from simfw.conform.placed import Placed
from simfw.report.specification import subject_of
from simfw.report.specification.requirements import kept_origin
from simfw.vectors.sketch import Act
from tests.conform.differing import differing
from tests.dials.made import gadget
from tests.vectors.acts import pressed
from tests.vectors.test_letting_go import TORCH

MS = 1_000_000
RESUMED = """
[gadget]
name = "Landing light"
[cell]
curve = "lco"
capacity = "100 mAh"
[loads.lamp]
current = "10 mA"
[buttons.key]
debounce = "5 ms"
[behaviour.lamp]
starts = "dark"
kept = "resume"
resume_points = ["high", "low"]
states.dark = {}
states.high = { lamp = "on" }
states.low = { lamp = "30 %" }
rows = [
  { on = "key.press", from = "dark", to = "resume" },
  { on = "key.press", from = "high", to = "low" },
  { on = "key.press", from = "low", to = "dark" },
]
"""


def told(text: str, acts: list[Act], at_ms: int, output: str, model: int, firmware: int
         ) -> tuple[Placed, Parted]:  # fmt: skip
    """What is said of a firmware that has `output` at another level than the model at a time."""
    lines = [f"out {at_ms * MS} {output} {level}" for level in (model, firmware)]
    found, place = differing(text, acts, acts[-1].at_ns // MS + 500, at_ms, *lines)
    assert lines[0] in [one.line for one in found.drive.replay.reports]
    return place, Parted(found=found, placed=place, witness=None)


def keep_numbers(text: str, *regions: str) -> list[str]:
    """The numbers of the sentences on what regions keep."""
    made = gadget(text, "")
    subject = subject_of(made, build_system(made))
    origins = [kept_origin(subject.system.region(name)) for name in regions]
    return [one.number for one in subject.requirements if one.origin in origins]


def test_a_dial_that_is_forgotten_is_told_with_the_supply_that_went() -> None:
    """Worked by hand: let go of at 60 ms, and again at 3.05 s as the dial steps; both times the
    supply goes at once, for the contact has long been open. At 5.05 s the lamp comes on one step
    higher: a firmware that forgets has it at the first.
    """
    place, parted = told(TORCH, pressed("power", (1000, 200), (5000, 200)), 5050,
                         "lamp", 600_000, 200_000)  # fmt: skip
    assert [one.number for one in place.requirements if one.number.startswith("KEEP")] == (
        keep_numbers(TORCH, "bright"))
    assert "bright" in [one.region for one in place.stood]
    lines = list(parted.lines())
    begin = lines.index("What led there:")
    assert lines[begin + 2 : -1] == [
        "  60 ms: the firmware lets go of its supply", "  60 ms: the supply goes",
        "  1 s: power closes", "  1 s: power-up", "  1.2 s: power opens",
        "  3.05 s: the firmware lets go of its supply", "  3.05 s: the supply goes",
        "  5 s: power closes", "  5 s: power-up"]  # fmt: skip
    assert parted.as_json()["supply"][-1] == {"time_ns": 5000 * MS, "text": "power-up"}


def test_nothing_is_said_of_what_is_kept_where_nothing_was_brought_back() -> None:
    """At 1.05 s the dial stands where it starts: forgotten or not, that is the same."""
    place, _ = told(TORCH, pressed("power", (1000, 200)), 1050, "lamp", 200_000, 0)
    assert not [one for one in place.requirements if one.number.startswith("KEEP")]
    assert [one.text for one in place.supply][-1] == "power-up"


def test_what_is_to_be_resumed_is_told_as_kept_after_a_loss_only() -> None:
    """Left in `low`, without supply from 2 s to 3 s, and resumed at 4.005 s: kept. Without the loss
    a wrong level there is no matter of what is kept.
    """
    before = pressed("key", (100, 50), (500, 50), (900, 50))
    again = pressed("key", (4000, 50))
    cut = [Act(2000 * MS, "supply", "supply", 0.0), Act(3000 * MS, "supply", "supply", 1.0)]
    place, parted = told(RESUMED, [*before, *cut, *again], 4005, "lamp", 300_000, 1_000_000)
    assert [one.number for one in place.requirements if one.number.startswith("KEEP")] == (
        keep_numbers(RESUMED, "lamp"))
    assert [f"{one.time_ns // MS} ms: {one.text}" for one in place.supply] == ["3000 ms: power-up"]
    assert "  2 s: the supply is taken away" in parted.lines()
    place, _ = told(RESUMED, [*before, *again], 4005, "lamp", 300_000, 1_000_000)
    assert not [one for one in place.requirements if one.number.startswith("KEEP")]
