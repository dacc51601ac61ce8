"""What survives a power loss: runs, search, C."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from simfw.behaviour.build import build_system
from simfw.engine.run import Run
from simfw.engine.simulator import simulate
from simfw.report.text import format_rough
from simfw.stimuli.scenario import Scenario
from simfw.stimuli.steps import Press, Toggle
from simfw.verify.check import check_gadget
from tests.dials.made import gadget
from tests.report.generated_c import compile_harness, compiler, talk, write_harness

MS = 1_000_000
LAMP = """
[gadget]
name = "Headband lamp"
[cell]
curve = "lco"
capacity = "100 mAh"
[controller]
asleep = "2 uA"
[loads.lamp]
current = "10 mA"
[buttons.key]
debounce = "5 ms"
[buttons.up]
debounce = "5 ms"
[toggles.main]
in_supply = true
[dials.dim]
values = ["10 %", "40 %", "100 %"]
kept = true
rows = [{ on = "up.press", step = 1, wrap = true }]
[behaviour.lamp]
starts = "off"
kept = "state"
states.off = {}
states.lit = { lamp = "dim" }
rows = [
  { on = "key.press", from = "off", to = "lit" },
  { on = "key.press", from = "lit", to = "off" },
  { after = "10 s", from = "lit", to = "off" },
]
[behaviour.mode]
starts = "dark"
resume_points = ["day", "night"]
kept = "resume"
states.dark = {}
states.day = {}
states.night = {}
rows = [
  { on = "key.release", from = "dark", to = "resume" },
  { on = "up.release", from = "day", to = "night" },
  { on = "up.release", from = "night", to = "day" },
]
"""


def run(*steps: Any, lasts: int = 60, fold: bool = True) -> Run:
    """Run presses and positions of the switch: (ms, name) or (ms, "main", on)."""
    made = [
        Press(at_ns=step[0] * MS, button=step[1], for_ns=50 * MS) if len(step) == 2
        else Toggle(at_ns=step[0] * MS, toggle=step[1], closed=step[2]) for step in steps]
    return simulate(gadget(LAMP, ""), Scenario(
        charge=0.8, lasts_ns=lasts * 1000 * MS, steps=tuple(made)), fold=fold)


def at_end(result: Run) -> dict[str, str]:
    """The state of each written region and dial at the end."""
    states = dict(zip(result.regions, (one.state for one in result.final.regions), strict=True))
    return {name: states[name] for name in ("dim", "lamp", "mode")}


def test_what_stood_before_the_cut_stands_after_it() -> None:
    """State, position and what would be resumed; what is not kept begins anew."""
    result = run((1000, "key"), (2000, "up"), (3000, "main", False), (4000, "main", True), lasts=5)
    assert at_end(result) == {"dim": "1", "lamp": "lit", "mode": "dark"}
    again = run((1000, "key"), (2000, "up"), (3000, "main", False), (4000, "main", True),
                (4500, "key"), lasts=5)
    assert at_end(again) == {"dim": "1", "lamp": "off", "mode": "night"}


def test_a_change_in_the_very_instant_of_the_cut_is_lost() -> None:
    """A press settles 5 ms after its edge: in that instant it is too late, 1 ms before not."""
    cut = [(3000, "main", True)]
    lost = run((1000, "key"), (1005, "main", False), *cut, lasts=4)
    assert at_end(lost)["lamp"] == "off"
    in_time = run((999, "key"), (1005, "main", False), *cut, lasts=4)
    assert at_end(in_time)["lamp"] == "lit"


def test_dwells_begin_anew_with_the_supply() -> None:
    """10 s from power-up, not from when the lamp was lit; without supply nothing is drawn."""
    result = run((1000, "key"), (9000, "main", False), (20000, "main", True), lasts=60)
    spans = [(one.start_ns, one.end_ns) for one in result.intervals if max(one.levels) > 0]
    assert [spans[0][0], spans[-1][1]] == [1005 * MS, 30000 * MS]
    dead = [one for one in result.intervals if 9000 * MS <= one.start_ns < 20000 * MS]
    assert dead
    assert all(sum(one.consumers_a) == 0 for one in dead)


def test_every_change_is_a_write() -> None:
    """Lit and dark again are two, a position one, a resume point one; at power-up none."""
    result = run((1000, "key"), (2000, "up"), (3000, "main", False), (4000, "main", True), lasts=60)
    assert {use.region: use.writes for use in result.kept} == {"dim": 1, "lamp": 2, "mode": 2}
    assert [use.what for use in result.kept] == ["state", "state", "resume"]


def test_writes_of_folded_periods_are_counted() -> None:
    """A lamp that blinks by itself and keeps its state wears its memory out: as many folded."""
    text = LAMP.replace("""  { after = "10 s", from = "lit", to = "off" },
""", """  { after = "300 ms", from = "lit", to = "off" },
  { after = "700 ms", from = "off", to = "lit" },
""")
    counts = [simulate(gadget(text, ""), Scenario(charge=0.8, lasts_ns=10**12), fold=fold).kept
              for fold in (True, False)]
    assert counts[0] == counts[1]
    assert counts[0][1].writes == 1999


@settings(max_examples=40, deadline=None,
          suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(st.sampled_from([5, 20, 35, 100, 110]), st.sampled_from(["key", "up"])),
                min_size=1, max_size=6), st.integers(0, 120))
def test_kept_is_the_last_settled_before_any_cut(presses: list[tuple[int, str]], cut: int) -> None:
    """Wherever the supply goes: as a run without a cut stands just before that time."""
    steps, now = [], 0
    for gap, name in presses:
        now += gap * 5
        steps.append((now, name))
        now += 60
    at = 1 + cut * 5
    before = simulate(gadget(LAMP, ""), Scenario(charge=0.8, lasts_ns=at * MS, steps=tuple(
        Press(at_ns=time * MS, button=name, for_ns=50 * MS) for time, name in steps if time < at)))
    after = run(*[step for step in steps if step[0] < at], (at, "main", False),
                (at + 50_000, "main", True), lasts=60)
    wanted, found = at_end(before), at_end(after)
    assert (found["dim"], found["lamp"]) == (wanted["dim"], wanted["lamp"])


def test_the_search_knows_what_is_kept() -> None:
    """Lit with nothing touched since power-up: only the supply can bring that about."""
    text = LAMP + """
[behaviour.since]
starts = "power_up"
states.power_up = {}
states.touched = {}
rows = [{ on = ["key.press", "up.press"], from = "power_up", to = "touched" }]
[[rules]]
name = "dark until touched"
never = "lamp.lit and since.power_up"
"""
    text = text.replace('curve = "lco"\n', 'curve = "lco"\ncut_off = "3.0 V"\nrestart = "3.1 V"\n')
    kept, = check_gadget(gadget(text, "")).verdicts
    plain, = check_gadget(gadget(text.replace('kept = "state"\n', ""), "")).verdicts
    assert (plain.standing, plain.supply) == ("proved", True)
    assert (kept.standing, kept.supply) == ("proved", False)


def test_the_generated_c_keeps_it(tmp_path: Path) -> None:
    """Off and on again later: what was told before is there; `power` at no later time is new."""
    command = compiler("tcc", "gcc", "clang")
    if command is None:
        pytest.skip("no C compiler installed")
    made = gadget(LAMP.replace('[toggles.main]\nin_supply = true\n', ""), "")
    write_harness(tmp_path, made, build_system(made))
    program = compile_harness(tmp_path, command)
    press = ["set key 1", "step {0}", "until {1}", "set key 0", "step {1}"]
    lines = ["power 0", *[line.format(10 * MS, 60 * MS) for line in press], "until 100000000",
             "off 100000000", "power 200000000", "until 10199999999", "step 10200000000",
             "off 10300000000", "power 0"]
    answers = talk(program, lines)
    told = [line for line in answers if line.startswith("out")]
    assert told == ["out 15000000 lamp 100000", "out 100000000 lamp 0", "out 200000000 lamp 100000",
                    "out 10200000000 lamp 0"]


def test_rough_counts() -> None:
    """Three digits, thousands apart."""
    assert [format_rough(count) for count in (0, 2.5, 1234567.0)] == ["0", "2.5", "1,230,000"]
