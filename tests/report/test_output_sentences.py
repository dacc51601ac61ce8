"""What the specification says of an output that a sequence drives, with and without others."""

from __future__ import annotations

import pytest

from simfw.behaviour.build import build_system
from simfw.report.specification import subject_of
from tests.dials.made import gadget

MARK = """
[gadget]
name = "Shelf mark"
[cell]
curve = "lco"
capacity = "100 mAh"
[loads.mark]
current = "10 mA"
[buttons.key]
debounce = "5 ms"
[sequences.wink]
steps = ["on for 40 ms", "off for 960 ms"]
[behaviour.shelf]
starts = "dark"
states.dark = {}
states.lit = { mark = "wink" }
rows = [{ on = "key.press", from = "dark", to = "lit" }]
"""
STEADY = """
[behaviour.night]
starts = "day"
states.day = {}
states.late = { mark = "5 %" }
rows = [{ on = "key.press", from = "day", to = "late" }]
"""


@pytest.mark.parametrize(("more", "endings"), [
    ("", ["`lit`; and off otherwise."]),
    (STEADY.replace('"5 %"', '"wink"'),
     ["; where more than one does, at the larger level of the moment; and off otherwise."]),
    (STEADY, ["; and off otherwise, but for what sequences give it.",
              "; where it is driven otherwise as well, at the larger level of the moment."]),
])  # fmt: skip
def test_the_sentences_of_an_output_do_not_contradict_each_other(
    more: str, endings: list[str]
) -> None:
    """By one sequence it is off elsewhere; beside a steady level neither forbids the other;
    nothing is said of others where there are none.
    """
    made = gadget(MARK + more, "")
    said = [one.text for one in subject_of(made, build_system(made)).requirements
            if one.pins == ("mark",) and one.part == "output mark"]  # fmt: skip
    assert len(said) == len(endings)
    for text, ending in zip(said, endings, strict=True):
        assert text.endswith(ending)
    assert more or "larger" not in said[0]
