"""Twelve gadgets with a mistake each: named without a rule, and with the one that one would write.

The files in `planted` were written before the checks that name them. What each says of its gadget
is common practice, no source.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from simfw.loading import load_gadget
from simfw.verify.check import check_gadget
from simfw.verify.finding import Report
from simfw.verify.rulefile import read_rules
from tests.verify.gadgets import gadget

PLANTED = Path(__file__).parent / "planted"
NAMED: dict[str, tuple[str, str]] = {
    "begun-anew": ("left-on", "page is on until the cell is flat"),
    "first-finger": ("acts-twice", "pair.chord never comes in dark"),
    "flat-by-hand": ("on-again", "a hand before palm lights it again"),
    "full-stays": ("left-on", "green is on until the cell is flat"),
    "left-in-front": ("stuck-input", "left in front of palm, drawer is on"),
    "letting-go": ("acts-twice", "letting go after cap.hold acts as well"),
    "palm-unlocks": ("lock-left", "palm.wave leaves it"),
    "sensor-stored": ("sensor-always-on", "palm looks for a hand whatever the states"),
    "spent": ("dwell-spent", "only if this holds when it ends: not usb"),
    "wink": ("left-on", "ring winks until the cell is flat"),
    "wrong-memory": ("memory-brings-back", "tail.click brings it back"),
}
UNNAMED = {"no-restart"}  # that "same" was meant to begin the dwell anew is in nobody's file
MENDED: dict[str, tuple[tuple[str, str], ...]] = {
    "begun-anew": (('from = "open", to = "open"', 'from = "open", to = "same"'),),
    "first-finger": (('left.press', 'left.click'), ('right.press', 'right.click')),
    "flat-by-hand": (('"palm.wave",  from = "idle", to = "lit"',
                      '"palm.wave", from = "idle", to = "lit", when = "not cell.flat"'),),
    "full-stays": (('{ on = "charge.started", from = "full"', '{ on = "usb.out", from = "full"'),),
    "left-in-front": (('rows = [',
                       'rows = [\n  { after = "5 min", from = "seen", to = "closed" },'),),
    "letting-go": (('cap.release", from = "none"', 'cap.click", from = "none"'),
                   ('cap.release", from = ["full"', 'cap.click", from = ["full"')),
    "palm-unlocks": (('"palm.wave", from = "*"', '"palm.wave", from = ["dark", "glow"]'),),
    "sensor-stored": ((" or strip.stored", ""),),
    "spent": (('rows = [', 'rows = [\n  { on = "usb.out", from = "shining", to = "shining" },'),),
    "wink": (('rows = [', 'rows = [\n  { on = "sleep", from = "wink.*", to = "off" },'),
             ('[behaviour.ring]', '[behaviour.timer]\nstarts = "idle"\nstates.idle = {}\n'
              'states.runs = {}\nrows = [\n  { on = "tag.click", from = ["idle", "runs"], '
              'to = "runs" },\n  { after = "2 h", from = "runs", to = "idle", emit = "sleep" },\n'
              ']\n\n[behaviour.ring]')),
    "wrong-memory": (('"low", "high", "sos"]\nstates.off', '"low", "high"]\nstates.off'),),
}


def says(report: Report, check: str) -> list[str]:
    """The sentences of one check."""
    return [one.text for one in report.findings if one.check == check]


def text_of(name: str) -> str:
    """A planted gadget as text."""
    return (PLANTED / f"{name}.toml").read_text(encoding="utf-8")


def test_at_least_nine_of_the_twelve_are_named_without_a_rule() -> None:
    """The files are those that the tables here speak of."""
    files = {path.stem for path in PLANTED.glob("*.toml") if not path.stem.endswith(".rules")}
    assert files == set(NAMED) | UNNAMED
    assert len(files) == 12
    assert len(NAMED) >= 9


@pytest.mark.parametrize("name", NAMED)
def test_a_planted_mistake_is_named_without_a_rule(name: str) -> None:
    """By its check, in a sentence that speaks of the very thing."""
    check, words = NAMED[name]
    report = check_gadget(load_gadget(PLANTED / f"{name}.toml"), only=(check,))
    assert any(words in text for text in says(report, check))


@pytest.mark.parametrize("name", NAMED)
def test_the_mended_gadget_is_not_told_of_it(name: str) -> None:
    """The same without the mistake: the check is silent."""
    text, (check, _) = text_of(name), NAMED[name]
    for old, new in MENDED[name]:
        assert old in text
        text = text.replace(old, new, 1)
    assert says(check_gadget(gadget(text), only=(check,)), check) == []


def test_a_light_at_the_level_of_a_dial_is_lit_again_as_one_at_a_level_of_its_own_is() -> None:
    """What the cell puts out and a hand lights is a light, whoever says how bright."""
    text = text_of("flat-by-hand").replace('tread = "80 %"', 'tread = "dim"', 1)
    text += '\n[dials.dim]\nvalues = ["40 %", "80 %"]\n'
    text += 'rows = [{ on = "wall.press", step = 1, wrap = true }]\n'
    (said,) = says(check_gadget(gadget(text), only=("on-again",)), "on-again")
    assert said == ("cell.flat puts tread out, and while that lasts a hand before palm lights it "
                    "again (tread.lit).")


@pytest.mark.parametrize("name", sorted({*NAMED, *UNNAMED}))
def test_the_rule_that_one_would_write_is_broken(name: str) -> None:
    """All twelve, with a witness of few steps whose times a hand can keep."""
    planted = load_gadget(PLANTED / f"{name}.toml")
    rules = read_rules(PLANTED / f"{name}.rules.toml", planted)
    report = check_gadget(planted, rules=rules, only=("rule",))
    assert [verdict.standing for verdict in report.verdicts] == ["broken"]
    (fault,) = report.faults
    assert fault.witness is not None
    assert fault.witness.steps <= 3
    assert all(step.at_ns % 1_000_000 == 0 for step in fault.witness.scenario.steps
               if not hasattr(step, "text"))
