"""What survives a power loss, over a pattern: as `run` has it, at every switching of the supply."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from simfw.life import registers as k
from simfw.life.life import life
from simfw.report.life import life_json, life_text
from tests.life.beside_run import ends, run_beside, spent_ns, stands, writes
from tests.life.made import head, pattern
from tests.life.test_loop import alone, ready

LAMP = """
[gadget]
name = "Tent lamp"
[cell]
curve = "lco"
capacity = "12 mAh"
resistance = "500 mΩ"
cut_off = "3.4 V"
restart = "3.5 V"
[charger]
current = "20 mA"
float = "4.2 V"
finish = "10 %"
[controller]
awake = "1 mA"
asleep = "2 uA"
wake = "1 uC"
[lights.lamp]
forward = ["2.6 V @ 2 mA", "2.9 V @ 10 mA"]
resistor = "120R"
[loads.fan]
current = "1 mA"
[buttons.key]
[buttons.up]
[toggles.main]
in_supply = true
[dials.dim]
values = ["30 %", "60 %", "100 %"]
kept = true
rows = [{ on = "up.press", step = 1, wrap = true }]
[behaviour.lamp]
starts = "dark"
kept = "state"
states.dark = {}
states.lit = { lamp = "dim" }
rows = [
  { on = "key.press", from = "dark", to = "lit" },
  { on = "key.press", from = "lit", to = "dark" },
  { after = "3 h", from = "lit", to = "dark" },
]
[behaviour.mode]
starts = "still"
resume_points = ["day", "night"]
kept = "resume"
states.still = {}
states.day = { fan = "on" }
states.night = { fan = "20 %" }
rows = [
  { on = "key.release", from = "still", to = "resume" },
  { on = "up.release", from = "day", to = "night" },
  { on = "up.release", from = "night", to = "day" },
]
[behaviour.blink]
starts = "off"
kept = "state"
states.off = {}
states.on = { fan = "5 %" }
rows = [
  { after = "700 ms", from = "off", to = "on" },
  { after = "300 ms", from = "on", to = "off" },
]
[behaviour.since]
starts = "new"
states.new = {}
states.old = {}
rows = [{ after = "20 min", from = "new", to = "old" }]
"""
SWITCH = '{ toggle = "main", to = "off" }, { wait = "37 min" }, { toggle = "main", to = "on" }'
HABITS = f"""
[[habits]]
name = "lit, brighter, switched off, on again"
at = "07:00"
steps = [
  {{ press = "key", for = "200 ms" }}, {{ wait = "7 min" }}, {{ press = "up", for = "100 ms" }},
  {{ wait = "40 s" }}, {SWITCH},
]
[[habits]]
name = "a press settles in the instant of the cut: it is lost"
at = "09:00"
steps = [
  {{ press = "up", for = "100 ms" }}, {{ wait = "3 s" }},
  {{ press = "up", for = "20 ms" }}, {{ toggle = "main", to = "off" }},
  {{ wait = "2 min" }}, {{ toggle = "main", to = "on" }},
]
[[habits]]
name = "plug"
at = "20:00"
each = "week"
steps = [ {{ usb = true }}, {{ wait = "4 h" }}, {{ usb = false }} ]
"""


@pytest.mark.parametrize("fast", [False, True])
def test_what_survives_over_days_is_what_survives_in_a_run(tmp_path: Path, fast: bool) -> None:
    """Switched off and on, run empty, charged again: the same states for the same
    times, and as often written.
    """
    made = pattern(tmp_path, LAMP, head(charge="90 %", horizon="9 days") + HABITS)
    user = ready(made, fast=fast)
    stimuli, _ = user.stimuli(0, 10 * 86_400 * 10**9)
    opened = 0
    for minutes in (7 * 60 + 60, 9 * 60 + 1, 9 * 60 + 5, 2 * 1440, 7 * 1440 + 601):
        until = minutes * 60 * 10**9
        run = run_beside(user, stimuli, until)
        lived, played = stands(user), ends(run)
        for name in ("dim", "lamp", "mode", "blink", "since"):
            assert lived[name] == played[name]
        assert user.world.f[k.CHARGE] == pytest.approx(run.end_charge, abs=2e-4)
        for use in run.states:
            if use.region in ("lamp", "mode", "since"):
                assert spent_ns(user, use.region, use.state) == pytest.approx(
                    use.time_ns, abs=60 * 10**9)
        assert writes(user) == {use.region: use.writes for use in run.kept}
        opened += run.empty_at_ns is not None
    assert opened


def test_years_of_switching_are_lived_the_same_compiled_and_plain(tmp_path: Path) -> None:
    """Thousands of losses of the supply, from two sides."""
    made = pattern(tmp_path, LAMP, head(horizon="60 days") + HABITS)
    plain, fast = alone(made), alone(made, fast=True)
    assert plain.spans > 2
    assert plain == fast


def test_writes_in_a_year_are_told(tmp_path: Path) -> None:
    """Lit and dark once a day: 730.5 changes of its state in a year of 365.25 days."""
    daily = '[[habits]]\nname = "evening"\nat = "20:00"\nsteps = [' + ", ".join(
        ['{ press = "key", for = "200 ms" }', '{ wait = "5 min" }',
         '{ press = "key", for = "200 ms" }']) + "]\n"
    quiet = LAMP.replace('kept = "state"\nstates.off', "states.off").replace("12 mAh", "9 Ah")
    made = pattern(tmp_path, quiet, head(horizon="200 days") + daily)
    found = life(made, study=False, fast=False)
    told = {one.region: (one.what, one.writes_per_year) for one in found.kept}
    assert told["lamp"] == ("state", pytest.approx(730.5, rel=2e-3))
    assert told["dim"] == ("state", 0.0)
    assert told["mode"][0] == "resume"
    assert 0.0 < told["mode"][1] < 2.0  # once in all that time
    assert re.search(r"lamp +its state +730\n", life_text(found))
    assert life_json(found)["kept"][1] == {
        "region": "lamp", "what": "state", "writes_per_year": told["lamp"][1]}
