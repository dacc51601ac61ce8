"""Toggles and measures over a pattern: the study of users against the simulator."""

from __future__ import annotations

from pathlib import Path

import pytest

from simfw.engine.simulator import simulate
from simfw.life import registers as k
from simfw.stimuli.scenario import Measured, Press, Scenario, Step, Temperature, Toggle
from tests.inputs.made import DRAWER, PATH
from tests.life.beside_run import as_scenario, spent_ns
from tests.life.made import pattern
from tests.life.test_loop import ready

HOUSE = """
gadget = "gadget.toml"
charge = "90 %"
horizon = "30 days"
[[habits]]
name = "open and close"
each = "day"
between = ["07:00", "22:00"]
times = "2 .. 6"
steps = [
  { toggle = "drawer", to = "on" }, { wait = "20 s .. 3 min" }, { toggle = "drawer", to = "off" },
]
[[habits]]
name = "press while it is open"
each = "day"
between = ["07:00", "22:00"]
times = "0 .. 9"
steps = [{ press = "key", for = "100 ms .. 300 ms" }]
[[habits]]
name = "off for the night"
each = "day"
at = "22:30"
steps = [{ toggle = "main", to = "off" }, { wait = "7 h" }, { toggle = "main", to = "on" }]
"""


@pytest.mark.parametrize("starts", ["off", "on"])
def test_toggles_over_a_pattern_do_what_they_do_in_a_run(tmp_path: Path, starts: str) -> None:
    """Same stimuli, same states to the nanosecond, the same charge; the switch cuts both off."""
    text = DRAWER.replace('supply = "3 uA"', f'supply = "3 uA"\nstarts = "{starts}"')
    made = pattern(tmp_path, text, HOUSE)
    user = ready(made)
    until = 30 * 3600 * 10**9
    stimuli, _ = user.stimuli(0, until)
    played = as_scenario(user, stimuli, until)
    assert sum(isinstance(step, Toggle) for step in played.steps) > 5
    run = simulate(user.layout.gadget, played, trace=False)
    user.go(stimuli, until)
    assert 0.9 - user.world.f[k.CHARGE] == pytest.approx(0.9 - run.end_charge, rel=5e-6)
    for use in run.states:
        if use.region == "lamp":
            assert spent_ns(user, use.region, use.state) == use.time_ns
    assert user.world.i[k.DEAD_NS] == 0  # off is not empty


PATH_HABITS = """
gadget = "gadget.toml"
charge = "90 %"
horizon = "30 days"
[[habits]]
name = "dusk and dawn"
each = "day"
at = "06:00"
steps = [
  { measure = "light", value = "50 lx .. 900 lx" }, { wait = "10 h .. 14 h" },
  { measure = "light", value = "0.5 lx .. 30 lx" },
]
[[habits]]
name = "press"
each = "day"
between = ["05:00", "23:00"]
times = "2 .. 9"
steps = [{ press = "key", for = "100 ms .. 300 ms" }]
[season]
mean = "5 degC"
swing = "12 degC"
"""


def test_measures_over_a_pattern_do_what_they_do_in_a_run(tmp_path: Path) -> None:
    """The same light and the same cold, the same states to the nanosecond, the same charge."""
    made = pattern(tmp_path, PATH, PATH_HABITS)
    user = ready(made)
    until = 60 * 3600 * 10**9
    stimuli, _ = user.stimuli(0, until)
    steps: list[Step] = [Temperature(at_ns=0, temperature_c=user.layout.warmths_c[0])]
    down = 0
    levels = user.layout.levels_of[0]
    for time, kind, _, value in zip(
        stimuli.time, stimuli.kind, stimuli.target, stimuli.value, strict=True
    ):
        if time >= until:
            break
        if kind == k.MEASURE and value < levels.codes:
            # Any value of that code is as good as the one that was drawn.
            told = next(one for one in levels.between() if levels.code(one) == value)
            steps.append(Measured(at_ns=time, measure="light", value=told, unit="lx"))
        elif kind == k.CONTACT and value > 0.5:
            down = time
        elif kind == k.CONTACT:
            steps.append(Press(at_ns=down, button="key", for_ns=time - down))
    assert sum(isinstance(step, Measured) for step in steps) >= 4
    run = simulate(user.layout.gadget, Scenario(
        charge=0.9, lasts_ns=until, gadget=user.layout.gadget,
        steps=tuple(sorted(steps, key=lambda step: step.at_ns))), trace=False)
    user.go(stimuli, until)
    assert 0.9 - user.world.f[k.CHARGE] == pytest.approx(0.9 - run.end_charge, rel=5e-6)
    seen = 0
    for use in run.states:
        if use.region == "lamp":
            assert spent_ns(user, use.region, use.state) == use.time_ns
            seen += use.time_ns > 0
    assert seen == 2


def test_a_threshold_may_be_varied_in_its_own_unit(tmp_path: Path) -> None:
    """Also where the unit is one that other quantities have; each value stands with it."""
    from simfw.life.sweep import read_vary

    made = pattern(tmp_path, PATH, PATH_HABITS).gadget
    assert made is not None
    vary = read_vary("measures.light.thresholds[0]=5 lx..40 lx:3", made)
    assert vary.texts == ("5 lx", "14.14 lx", "40 lx")
    wet = PATH.replace(" lx", " %").replace('"lx"', '"%"')
    made = pattern(tmp_path, wet, PATH_HABITS.replace(" lx", " %")).gadget
    assert made is not None
    assert read_vary("measures.light.hysteresis=2 %..6 %:3", made).values == (2.0, 4.0, 6.0)
