"""A scenario that was done at the bench, by its name, against what is worked out by hand."""

from __future__ import annotations

from pathlib import Path

import pytest

from simfw.benchlog.narrowing import narrow
from simfw.errors import DescriptionError
from tests.benchlog.lantern import interval
from tests.benchlog.test_kinds_seen import RECORDED, porch

SCENARIO = """
title = "A press, and then nothing"
gadget = "gadget.toml"
charge = "50 %"
lasts = "12 s"
steps = [
  { at = "1 s", press = "key", for = "100 ms" },
  { at = "1.1 s", expect = "light.dark" },
  { at = "10.9 s", expect = "light.lit" },
  { at = "11.5 s", expect = "light.dark" },
]
"""
LOG = RECORDED.replace('name = "analyser"', 'name = "one press"').replace(
    'recording = "seen.csv"', 'run = "press.toml"')


@pytest.mark.parametrize(("by", "hand_s"), [("", 0.3), ('by = "analyser"', 0.001)])
def test_what_a_scenario_expects_was_seen(tmp_path: Path, by: str, hand_s: float):
    """Dark at 1.1 s + 10.02 s x clock: after 10.9 s and before 11.5 s, by a hand 0.3 s less sure.

    With 12 s it is dark from 11.9 s on at the earliest, 1.3 hands late.
    """
    (tmp_path / "press.toml").write_text(SCENARIO, encoding="utf-8")
    found = narrow(porch(tmp_path, LOG + by), brief=True)
    assert [one.state for one in found.rivals] == ["fits", "excluded"]
    clock = interval(found, "clock")
    low, high = (10.9 - hand_s - 1.1) / 10.02, (11.5 + hand_s - 1.1) / 10.02
    assert clock.low_reached == pytest.approx(low, abs=2e-3)
    assert clock.high_reached == pytest.approx(high, abs=2e-3)
    assert clock.low <= clock.low_reached <= clock.high_reached <= clock.high


def test_a_press_goes_on_while_something_is_expected(tmp_path: Path):
    """Held from 1 s to 3 s: a hold after 150 ms, lit only at the release, if it were a click."""
    (tmp_path / "press.toml").write_text("""
gadget = "gadget.toml"
charge = "50 %"
lasts = "4 s"
steps = [
  { at = "1 s", press = "key", for = "2 s" },
  { at = "2 s", expect = "key.pressed and light.dark" },
  { at = "3.01 s", expect = "key.pressed" },
  { at = "4 s", expect = "light.dark and not key.pressed" },
]
""", encoding="utf-8")
    log = porch(tmp_path, LOG + 'by = "analyser"\n')
    assert [one.state for one in narrow(log, brief=True).rivals] == ["fits", "fits"]


def test_a_scenario_that_cannot_have_been_done_is_refused(tmp_path: Path):
    """No file, another gadget, nothing expected, a start that only some kinds have."""
    (tmp_path / "other.toml").write_text(
        SCENARIO.replace('"gadget.toml"', '"else.toml"'), encoding="utf-8")
    (tmp_path / "silent.toml").write_text(
        "\n".join(line for line in SCENARIO.splitlines() if "expect" not in line),
        encoding="utf-8")
    porch(tmp_path, '[[observations]]\nname = "m"\nmode = "light.lit"\nreading = "1 mA .. 1 A"\n')
    (tmp_path / "else.toml").write_bytes((tmp_path / "gadget.toml").read_bytes())
    with pytest.raises(DescriptionError) as caught:
        porch(tmp_path, """
[[observations]]
name = "a"
run = "nowhere.toml"
[[observations]]
name = "b"
run = "other.toml"
[[observations]]
name = "c"
run = "silent.toml"
temperature = "5 degC"
count = "2 of 3"
""")
    said = str(caught.value)
    for part in (
        'observations[0].run = "nowhere.toml": there is no such file',
        "it is about another gadget file", "nothing is expected in this scenario",
        "a scenario has its own temperatures",
        'observations[2].count = "2 of 3": this has no meaning without steps',
    ):
        assert part in said, (part, said)
