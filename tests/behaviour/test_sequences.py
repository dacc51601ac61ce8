"""Sequences: lights in time, worked out by hand."""

from __future__ import annotations

import tomllib

import pytest

from simfw.behaviour.build import build_system
from simfw.behaviour.outputs import merged, ways
from simfw.behaviour.region import Drive, State
from simfw.behaviour.sequences import clock_at, coarser, steady
from simfw.cli import main
from simfw.engine.modes import survey
from simfw.errors import QuantityError
from simfw.gadget.fields import SequencePoint, SequenceStep
from simfw.gadget.load import read_gadget
from simfw.gadget.model import Gadget
from tests.engine.bench import run

MS = 10**6
WINKING = """
[gadget]
name = "Winking"
[cell]
curve = "lco"
capacity = "300 mAh"
[loads.red]
current = "10 mA"
[loads.white]
current = "20 mA"
[buttons.power]
[sequences.hurry]
steps = ["on for 60 ms", "off for 80 ms", "on for 60 ms", "off for 800 ms"]
[sequences.breathe]
points = ["0 % @ 0 s", "100 % @ 1 s", "100 % @ 1.2 s", "0 % @ 2.21 s"]
every = "100 ms"
[sequences.three]
steps = ["on for 100 ms", "off for 200 ms"]
times = 3
[behaviour.lamp]
starts = "dark"
states.dark = {}
states.flash = { red = "hurry", white = "25 %" }
states.calm = { red = "breathe", white = "three" }
rows = [
  { on = "power.click", from = "dark", to = "flash" },
  { on = "power.click", from = "flash", to = "calm" },
  { on = "lamp.ended", from = "calm", to = "dark" },
]
"""


def system():
    """The system of the gadget above."""
    return build_system(Gadget.model_validate(tomllib.loads(WINKING)))


def test_lines_are_gone_along_in_steps_that_begin_at_their_level():
    """Ten steps up, 200 ms at the top in one step, down; the last step is what is left."""
    breathe = system().region("lamp").state("calm").sequences["red"]
    assert [round(drive.duty, 3) for _, drive in breathe.steps[:10]] == [
        0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9]  # fmt: skip
    # 100 % from 1 s to 1.2 s, and at 1.2 s the line down begins there.
    assert breathe.steps[10] == (300 * MS, Drive(1.0))
    assert breathe.steps[-1] == (10 * MS, Drive(0.009901))  # 10 ms of the 1.01 s down
    assert breathe.period_ns == 2210 * MS


def test_the_end_of_a_finite_sequence_is_a_dwell_of_its_region():
    """Three rounds of 300 ms, the last pause included; it leaves the state as it is."""
    rows = [row for row in system().region("lamp").rows if row.emit]
    assert [(row.sources, row.after_ns, row.to, row.emit) for row in rows] == [
        (("calm",), 900 * MS, "same", ("lamp.ended",))]


def test_clocks_are_no_regions_and_take_their_turn_just_before_the_region():
    """One for each output that a region drives in time; a look at the states alone has none."""
    found = system()
    assert [clock.name for clock in found.clocks] == ["lamp:red", "lamp:white"]
    last = len(found.regions) - 1
    assert found.turns == (*range(last), last + 1, last + 2, last)
    assert [region.name for region in found.regions][-1] == "lamp"
    assert steady(found).clocks == ()


def test_a_clock_stands_where_its_time_says():
    """Of a state that was entered so long ago: the step, and for how long."""
    red, white = system().clocks
    assert clock_at(red, "flash", 0) == ("hurry.0", 0)
    assert clock_at(red, "flash", 140 * MS) == ("hurry.2", 0)
    assert clock_at(red, "flash", 1050 * MS) == ("hurry.0", 50 * MS)
    assert clock_at(white, "calm", 899 * MS) == ("three.5", 199 * MS)
    assert clock_at(white, "calm", 950 * MS) == ("still", 50 * MS)
    assert clock_at(white, "dark", 10 * MS) == ("still", 10 * MS)


def test_every_level_of_a_sequence_is_possible_under_the_larger_driver_and_a_scale():
    """Where another drives the light at a quarter, off is none of its levels."""
    calm = system().region("lamp").state("flash")
    other = State(name="x", outputs={"red": Drive(0.25)}, scales={"red": 0.5})
    assert ways([("behaviour", calm, True)], "red") == (Drive(1.0), None)
    both = [("behaviour", calm, True), ("behaviour", other, True)]
    assert set(ways(both, "red")) == {Drive(0.5), Drive(0.125)}
    assert merged(both)["red"] == Drive(0.125)  # what no clock tells is the steady part alone


def test_fewer_steps_of_a_line_keep_its_mean():
    """A study goes along a line in at most so many steps; steps of the file stay as they are."""
    found = coarser(system(), 5)
    before = system().region("lamp").state("calm").sequences["red"]
    after = found.region("lamp").state("calm").sequences["red"]
    assert len(after.steps) <= 5 < len(before.steps)
    means = [sum(ns * drive.duty for ns, drive in one.steps) / one.period_ns
             for one in (before, after)]
    assert means[1] == pytest.approx(means[0], rel=1e-12)
    assert found.region("lamp").state("flash") == system().region("lamp").state("flash")


def test_modes_tell_the_mean_over_a_round_and_the_peak_beside_it():
    """120 ms of a second at 10 mA and a quarter of 20 mA; at the highest moment 15 mA."""
    gadget = Gadget.model_validate(tomllib.loads(WINKING))
    found = {mode.states["lamp"]: mode for mode in survey(gadget).modes}
    assert found["flash"].current_a == pytest.approx(0.12 * 10e-3 + 5e-3, rel=1e-9)
    assert found["flash"].peak_a == pytest.approx(15e-3, rel=1e-9)
    assert found["dark"].peak_a is None


TURNS = """
[behaviour.red]
starts = "out"
states.out = {}
states.in = { red = "on" }
states.still = { red = "on" }
states.once = { red = "flare" }
rows = [
  { after = "900 ms", from = "out", to = "in" },
  { after = "100 ms", from = "in", to = "out" },
  { on = "key.click", from = ["out", "in"], to = "still" },
  { on = "key.click", from = "still", to = "once" },
]
[sequences.flare]
steps = ["on for 1 s"]
times = 1
"""


def test_states_that_go_round_have_a_peak_as_a_sequence_has(tmp_path, capsys):
    """A tenth of 10 mA by two states: 1 mA, at the highest moment 10 mA; a steady light has none.

    The state whose sequence ends is named: its light is off in the list.
    """
    path = tmp_path / "gadget.toml"
    path.write_text('[gadget]\nname = "Turns"\n[cell]\ncurve = "lco"\ncapacity = "300 mAh"\n'
                    '[loads.red]\ncurrent = "10 mA"\n[buttons.key]\n' + TURNS, encoding="utf-8")
    found = {mode.states["red"]: mode for mode in survey(read_gadget(path)).modes}
    assert found["out/in"].current_a == pytest.approx(1e-3, rel=1e-9)
    assert found["out/in"].peak_a == pytest.approx(10e-3, rel=1e-9)
    assert found["still"].peak_a is None
    assert main(["modes", str(path)]) == 0
    out = capsys.readouterr().out
    assert "the peak that of the" in out
    assert "  A sequence that ends is over here, and its output is off: red.once.\n" in out


def test_a_sequence_that_is_begun_anew_again_and_again_is_not_told_as_over(tmp_path, capsys):
    """A state that enters itself every 2 s plays its flare of 1 s each time: 5 mA of 10 mA."""
    path = tmp_path / "gadget.toml"
    path.write_text('[gadget]\nname = "Anew"\n[cell]\ncurve = "lco"\ncapacity = "300 mAh"\n'
                    '[loads.red]\ncurrent = "10 mA"\n[buttons.key]\n' + TURNS.replace(
                        '  { on = "key.click", from = "still", to = "once" },\n',
                        '  { on = "key.click", from = "still", to = "once" },\n'
                        '  { after = "2 s", from = "once", to = "once" },\n'), encoding="utf-8")
    found = {mode.states["red"]: mode for mode in survey(read_gadget(path)).modes}
    assert found["once"].current_a == pytest.approx(5e-3, rel=1e-9)
    assert main(["modes", str(path)]) == 0
    assert "is over here" not in capsys.readouterr().out


def test_periods_that_hardly_come_round_together_are_multiplied_within_a_bound():
    """Two lights on one soft cell: the product of their shares, and how far that may be off."""
    text = WINKING.replace('capacity = "300 mAh"', 'capacity = "20 mAh"\nresistance = "5 ohm"')
    text = text.replace("[loads.white]\ncurrent = \"20 mA\"", "[loads.white]\nresistance = \"150\"")
    text = text.replace('resistance = "150"', 'resistance = "150 ohm"')
    text = text.replace('red = "hurry", white = "25 %"', 'red = "hurry", white = "odd"')
    text += '[sequences.odd]\nsteps = ["on for 3.000001 s", "off for 4.999999 s"]\n'
    text = text.replace('"off for 800 ms"', '"off for 797.777777 ms"')
    mode = next(one for one in survey(Gadget.model_validate(tomllib.loads(text))).modes
                if one.states["lamp"] == "flash")
    assert mode.within_a is not None
    assert 0.0 < mode.within_a < 0.02 * mode.current_a
    assert mode.peak_a is not None
    assert mode.peak_a > 3.0 * mode.current_a * 0.9


def test_what_plays_at_power_up_loads_the_cell_before_it():
    """The cell stands just above its cut-off and not under the light: nothing powers up."""
    text = WINKING.replace('capacity = "300 mAh"',
                           'capacity = "300 mAh"\nresistance = "5 ohm"\ncut_off = "3.3 V"')
    text = text.replace('starts = "dark"', 'starts = "flash"')
    gadget = Gadget.model_validate(tomllib.loads(text))
    at_rest = run(gadget, lasts="1 s", charge=0.2)
    assert at_rest.empty_at_ns is None
    resting_v = at_rest.end_open_circuit_v
    text = text.replace('cut_off = "3.3 V"', f'cut_off = "{resting_v - 0.03:.4f} V"')
    assert run(Gadget.model_validate(tomllib.loads(text)), lasts="1 s", charge=0.2).empty_at_ns == 0


def test_a_step_in_a_table_says_where_its_time_comes_from() -> None:
    """Range, standing and source are those of the time; an unknown key is refused."""
    step = SequenceStep.read({"value": "20 % for 60 ms", "range": "50 ms .. 80 ms",
                              "standing": "measured", "source": "analyser"})  # fmt: skip
    assert (step.level.duty, step.lasts.ns, step.lasts.high_ns) == (0.2, 60_000_000, 80_000_000)
    assert (step.lasts.standing, step.lasts.source) == ("measured", "analyser")
    assert SequencePoint.read({"value": "2 % @ 1.5 s", "standing": "guess"}).at.standing == "guess"
    with pytest.raises(QuantityError, match="unknown key"):
        SequenceStep.read({"value": "on for 60 ms", "sorce": "analyser"})
    with pytest.raises(QuantityError, match="not a step"):
        SequenceStep.read({"standing": "guess"})
