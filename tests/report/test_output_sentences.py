"""What the specification says of an output that a sequence drives, with and without others."""

from __future__ import annotations

import pytest

from simfw.behaviour.build import build_system
from simfw.report.specification import subject_of
from simfw.report.specification.first import first
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


def answers(text: str) -> dict[str, tuple[str, str]]:
    """What is known and what is open, by the question."""
    made = gadget(text, "")
    table = first(subject_of(made, build_system(made))).blocks[1]
    return {row[0].text: (row[1].text, row[2].text) for row in table.rows}


def test_a_light_that_a_dial_or_a_sequence_dims_has_a_pulse_width() -> None:
    """Three values of a dial are below 100 %, of a sequence one; a factor leaves some of it.
    Without any of them nothing is said.
    """
    assert "PWM" not in answers(MARK)
    dim = '[dials.dim]\nvalues = ["3 %", "9 %", "30 %", "100 %"]\n'
    known, missing = answers(MARK.replace('mark = "wink"', 'mark = "dim"') + dim)["PWM"]
    assert known == "`mark` at 3 duties below 100 %, least 3 %"
    assert missing.startswith("Frequency")
    known, _ = answers(MARK.replace('"on for 40 ms"', '"20 % for 40 ms"'))["PWM"]
    assert known == "`mark` at 1 duty below 100 %, least 20 %"
    scaled = STEADY.replace('mark = "5 %"', 'scale = { mark = "50 %" }')
    assert answers(MARK + scaled)["PWM"][0] == "`mark` at what factors leave of 100 %"


def test_it_is_told_that_the_step_of_a_sequence_wakes_nothing() -> None:
    """And that the new controller may not be able to; no word of it where there is no sequence."""
    known, missing = answers(MARK)["wake sources"]
    assert known.endswith("; a step of a sequence wakes nothing in the model")
    assert missing.startswith("Whether a timer")
    known, missing = answers(MARK.replace('"wink"', '"on"'))["wake sources"]
    assert "sequence" not in known + missing.strip("- ")


def test_the_segments_of_a_bar_that_only_a_sequence_drives_are_told() -> None:
    """Three segments, of which the sequence lights two."""
    bar = MARK.replace('[loads.mark]\ncurrent = "10 mA"', """[lights.mark]
leds = 3
segments = true
forward = ["1.9 V @ 2 mA", "2.05 V @ 10 mA"]
resistor = "1k\"""")
    bar = bar.replace('"on for 40 ms"', '"2 for 40 ms"')
    assert "`mark` in lit segments, 0 to 3" in answers(bar)["levels in vectors and protocol"][0]


def test_a_blip_of_a_contact_is_timed_by_the_edge_that_ended_it() -> None:
    """What opens before it was a press settles in the time of an opening edge: the sentence says
    of each edge how long, and not of a press and a release, of which there is none.
    """
    two = MARK.replace('"5 ms"', '"5 ms"\ndebounce_release = "40 ms"')
    made = gadget(two, "")
    said = [one.text for one in subject_of(made, build_system(made)).requirements
            if one.part == "key.contact" and "emit nothing" in one.text]  # fmt: skip
    assert said[0].startswith("If 5 ms have passed since contact `key` closed, or 40 ms since it "
                              "opened, without another edge,")  # fmt: skip
