"""Laws of sequences: each equals the same blinking written out as states with dwells."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simfw.behaviour.build import build_system
from simfw.engine.levels import output_tracks
from simfw.engine.run import Run
from simfw.engine.simulator import simulate
from simfw.gadget.model import Gadget
from simfw.stimuli.scenario import Press, Scenario

MS = 10**6
HEAD = """
[gadget]
name = "Two ways to blink"
[cell]
curve = "lco"
capacity = "20 mAh"
resistance = "900 mΩ"
cut_off = "3.0 V"
[controller]
awake = "1 mA"
asleep = "3 uA"
wake = "20 nC"
[lights.red]
leds = 1
forward = ["1.9 V @ 2 mA", "2.05 V @ 10 mA"]
resistor = "47R"
[lights.green]
leds = 1
forward = ["2.0 V @ 2 mA", "2.2 V @ 10 mA"]
resistor = "82R"
[buttons.power]
debounce = "10 ms"
"""
LEVELS = st.sampled_from(["on", "off", "45 %", "4 %"])
STEPS = st.lists(st.tuples(LEVELS, st.sampled_from([20, 60, 100, 110, 330])), min_size=1,
                 max_size=4)  # fmt: skip
Steps = list[tuple[str, int]]


def as_sequences(red: Steps, green: Steps, times: int | None) -> str:
    """One state that plays a sequence on each light."""
    text = HEAD
    for name, steps in (("red", red), ("green", green)):
        said = ", ".join(f'"{level} for {ms} ms"' for level, ms in steps)
        text += f"[sequences.{name}]\nsteps = [{said}]\n"
        text += f"times = {times}\n" if times and name == "red" else ""
    return text + """
[behaviour.lamp]
starts = "dark"
states.dark = {}
states.lit = { red = "red", green = "green" }
rows = [
  { on = "power.click", from = "dark", to = "lit" },
  { on = "power.press", from = "lit", to = "lit" },
  { on = "power.release", from = "lit", to = "same" },
  { after = "2 s", from = "lit", to = "dark" },
]
"""


def as_states(red: Steps, green: Steps, times: int | None) -> str:
    """A region for each light with a state for each step, and the lamp beside them, dark."""
    text = HEAD
    for name, steps in (("red", red), ("green", green)):
        rounds = steps * (times or 1) if name == "red" else steps
        ends = name == "red" and times
        states = "".join(f'states.s{k} = {{ {name} = "{level}" }}\n'
                         for k, (level, _) in enumerate(rounds))
        rows = ""
        for k, (_, ms) in enumerate(rounds):
            last = k == len(rounds) - 1
            to = ("none" if ends else "s0") if last else f"s{k + 1}"
            emit = ', emit = "lamp.ended"' if last and ends else ""
            rows += f'  {{ after = "{ms} ms", from = "s{k}", to = "{to}"{emit} }},\n'
        text += f"""
[behaviour.of_{name}]
starts = "none"
states.none = {{}}
{states}
rows = [
  {{ on = "lamp.dark", from = "*", to = "none" }},
  {{ on = "lamp.begins", from = "*", to = "s0" }},
{rows}]
"""
    return text + """
[behaviour.lamp]
starts = "dark"
states.dark = {}
states.lit = {}
rows = [
  { on = "power.click", from = "dark", to = "lit", emit = "lamp.begins" },
  { on = "power.press", from = "lit", to = "lit", emit = "lamp.begins" },
  { on = "power.release", from = "lit", to = "same" },
  { after = "2 s", from = "lit", to = "dark", emit = "lamp.dark" },
]
"""


def played(text: str, presses: list[int], *, fold: bool = True) -> Run:
    """A run of presses of 30 ms."""
    gadget = Gadget.model_validate(tomllib.loads(text))
    steps = tuple(Press(at_ns=at * MS, button="power", for_ns=30 * MS) for at in presses)
    scenario = Scenario(title="", gadget_path=Path(), charge=0.7, lasts_ns=8_000 * MS, steps=steps)
    return simulate(gadget, scenario, fold=fold)


@settings(max_examples=40, deadline=None)
@given(
    STEPS, STEPS, st.sampled_from([None, 1, 2]),
    st.sets(st.integers(1, 60), min_size=1, max_size=4), st.booleans(),
)  # fmt: skip
def test_a_sequence_equals_its_steps_written_as_states(red, green, times, presses, fold):
    """In events, in every edge of every light, and in the ledger; begun anew and cut off too."""
    at = [100 * press for press in sorted(presses)]
    own = played(as_sequences(red, green, times), at, fold=fold)
    states = played(as_states(red, green, times), at, fold=fold)
    inner = {"lamp.begins", "lamp.dark"}
    # Both events of one instant may come in either order; what counts is that they come.
    assert sorted((e.time_ns, e.name) for e in own.events) == sorted(
        (e.time_ns, e.name) for e in states.events if e.name not in inner)
    for name in ("red", "green"):
        mine, theirs = (output_tracks(run, {name: (name, -1)})[name] for run in (own, states))
        assert (mine.times_ns, mine.levels) == (theirs.times_ns, theirs.levels)
    assert own.end_charge == pytest.approx(states.end_charge, abs=1e-12)
    for mine_used, used in zip(own.consumers, states.consumers, strict=True):
        assert mine_used.charge_c == pytest.approx(used.charge_c, rel=1e-9, abs=1e-15)


def test_a_sequence_adds_no_state():
    """What is searched, listed and specified has the states that the file writes."""
    text = as_sequences([("on", 60), ("off", 40)], [("4 %", 100)], 2)
    system = build_system(Gadget.model_validate(tomllib.loads(text)))
    lamp = system.region("lamp")
    assert [state.name for state in lamp.states] == ["dark", "lit"]
    assert [clock.name for clock in system.clocks] == ["lamp:red", "lamp:green"]
    assert len(system.regions) == 3  # contact, gesture, lamp
    run = played(text, [100])
    assert run.regions == ("power.contact", "power.gesture", "lamp")
    assert {len(interval.states) for interval in run.intervals} == {3}
