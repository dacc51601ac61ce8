"""Modes of a gadget whose toggle stays where it is put, or whose measure what it is."""

from __future__ import annotations

import io
from contextlib import redirect_stdout
from pathlib import Path

import pytest

from simfw.cli import main
from simfw.engine.modes import light_run_times, modes_of_states, survey
from simfw.engine.positions import at_start, elsewhere
from simfw.engine.prepared import Prepared
from simfw.loading import load_gadget
from simfw.report.modes import modes_json, modes_text
from simfw.report.specification.power import mode_name
from tests.engine.bench import gadget_of

SLIDE = """
[gadget]
name = "Slide blinker"
[cell]
curve = "lco"
capacity = "50 mAh"
[controller]
asleep = "1 uA"
awake = "1 uA"
[loads]
tick = { current = "10 mA" }
[toggles.run]
[toggles.spare]
[behaviour.beat]
starts = "rest"
states.rest = {}
states.on = { tick = "on" }
rows = [
  { after = "1 s", from = "rest", to = "on", when = "run.on" },
  { after = "250 ms", from = "on", to = "rest" },
  { on = "run.closed", from = "rest", to = "rest" },
  { on = "spare.closed", from = "on", to = "rest" },
]
"""


def test_a_blink_that_a_toggle_lets_go_on_is_a_mode_of_its_own():
    """Off it rests at 1 uA; on it is lit 250 ms in 1.25 s: 2 mA and 1 uA, so 50 mAh last 25 h."""
    off, on = survey(gadget_of(SLIDE)).modes
    assert (dict(off.outside), dict(on.outside)) == ({"run": "off"}, {"run": "on"})
    assert off.current_a == pytest.approx(1e-6)
    assert on.current_a == pytest.approx(2.001e-3)
    assert on.peak_a == pytest.approx(10.001e-3)
    assert on.run_time_s == pytest.approx(50 / 2.001 * 3600, abs=1.25)  # a beat


def test_what_is_held_lit_is_held_with_the_toggle_that_lights_it():
    """A state that a blink passes is held in that blink: 25 h of beats, not years of rest."""
    found = modes_of_states(gadget_of(SLIDE), [("beat", "on"), ("beat", "rest")])
    assert found["beat", "on"].run_time_s == pytest.approx(50 / 2.001 * 3600, abs=1.25)
    assert found["beat", "rest"].current_a == pytest.approx(1e-6)


def test_a_light_that_a_toggle_lets_blink_has_the_run_time_of_that_blink(tmp_path: Path) -> None:
    """A sink of 10 mA, 250 ms in 1.25 s: 25 h with the slide on, and not "no mode drives it"."""
    light = 'forward = ["1.9 V @ 5 mA", "2.0 V @ 20 mA"]\n'
    light += 'driver = { kind = "sink", current = "10 mA" }'
    text = SLIDE.replace('[loads]\ntick = { current = "10 mA" }', f"[lights.tick]\n{light}")
    path = tmp_path / "gadget.toml"
    path.write_text(text, encoding="utf-8")
    mode, time = light_run_times(load_gadget(path))["tick"]
    assert dict(mode.outside) == {"run": "on"}
    assert time.run_time_s == pytest.approx(50 / 2.001 * 3600, abs=1.25)
    out = io.StringIO()
    with redirect_stdout(out):
        assert main(["circuit", str(path)]) == 0
    assert "beat rest/on, run on" in out.getvalue()


def test_the_table_and_the_json_tell_the_position_and_an_unasked_toggle_is_no_column():
    """A column `run`, none for `spare`; the specification names the position with the states."""
    gadget = gadget_of(SLIDE)
    found = survey(gadget)
    text = modes_text(gadget, found).splitlines()
    assert text[4].split()[:3] == ["beat", "run", "current"]
    assert [line.split()[:2] for line in text[5:7]] == [["rest/on", "off"], ["rest/on", "on"]]
    assert [one["outside"] for one in modes_json(gadget, found)["modes"]] == [
        {"run": "off"}, {"run": "on"}]
    assert mode_name(found.modes[1]) == "beat rest/on, run on"


def test_a_toggle_that_makes_no_difference_to_what_is_drawn_adds_no_line():
    """Asked, but the beat draws nothing: the modes are those of one position."""
    gadget = gadget_of(SLIDE.replace('tick = "on"', 'tick = "off"'))
    assert at_start(Prepared(gadget)) == {"run": "off"}
    (mode,) = survey(gadget).modes
    assert mode.outside == {}


def test_what_a_toggle_enables_is_drawn_in_that_position_only():
    """A sensor of 1 mA for 100 ms a second, wanted while the slide is on: 100 uA more there."""
    sensor = """
[measures.light]
unit = "lx"
thresholds = ["10 lx"]
settle = "100 ms"
supply = "1 mA"
enabled = "run.on and not spare.closed"
"""
    plain = SLIDE.replace(', when = "run.on"', ', when = "False"')
    found = survey(gadget_of(plain + sensor)).modes
    assert [dict(mode.outside) for mode in found] == [
        {"run": "off", "spare": "off"}, {"run": "on", "spare": "off"}]
    assert found[1].current_a == pytest.approx(101e-6)


def test_of_many_toggles_each_is_turned_alone():
    """Four that are asked make sixteen positions: four are looked at, and the start."""
    more = "".join(f"[toggles.t{n}]\n" for n in range(3))
    asked = " and ".join(["run.on", *(f"not t{n}.on" for n in range(3))])
    gadget = gadget_of(more + SLIDE.replace('when = "run.on"', f'when = "{asked}"'))
    turned = [choice for choice, _ in elsewhere(Prepared(gadget))]
    assert len(turned) == 4
    assert all(sum(at == "on" for at in choice.values()) == 1 for choice in turned)


@pytest.mark.parametrize("asks", ["light == 0", "not light >= 1"])
def test_a_blink_that_goes_on_in_the_dark_is_a_mode_of_the_dark(asks: str) -> None:
    """Light until something is measured: 1 uA by day; 2 mA more in the dark, as with the slide."""
    measure = '[measures.light]\nunit = "lx"\nthresholds = ["10 lx"]\nevery = "1 h"\nstarts = 1\n'
    text = SLIDE.replace('when = "run.on"', f'when = "{asks}"').replace("[toggles.run]", measure)
    bright, dark = survey(gadget_of(text.replace("run.closed", "spare.opened"))).modes
    assert (dict(bright.outside), dict(dark.outside)) == ({"light": "1"}, {"light": "0"})
    assert bright.current_a == pytest.approx(1e-6)
    assert dark.current_a == pytest.approx(2.001e-3)


def test_a_measure_of_the_temperature_is_left_at_that_of_the_room() -> None:
    """What is read at 25 degC is no matter of where somebody has put something."""
    measure = ('[measures.warm]\nunit = "degC"\nthresholds = ["10 degC"]\nsource = "temperature"\n'
               "starts = 1\n")
    text = SLIDE.replace('when = "run.on"', 'when = "warm == 0"').replace("[toggles.run]", measure)
    assert at_start(Prepared(gadget_of(text.replace("run.closed", "spare.opened")))) == {}
